# Requests about the records on flash: sensor profile and wiring come in parts, are checked, stored and put in force.
import gc

from firmware import parts, profile
from firmware.jig import Jig
from shared_proto import names
from shared_proto.codec import Message

_PART = 128  # bytes of a record in one answer


def blob_write(jig: Jig, message: Message) -> None:
    kind, offset, data = message.fields["kind"], message.fields["offset"], message.fields["data"]
    if jig.lock.state == names.ARMED:
        jig.session.refuse(message, names.REFUSED_ARMED)
        return
    if jig.blob(kind) is None:
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    if offset == 0:
        jig.incoming_kind, jig.incoming_length = kind, 0
    end = offset + len(data)
    if kind != jig.incoming_kind or offset > jig.incoming_length or end > len(jig.incoming):
        # a part of another record, a hole, or too long
        jig.session.refuse(message, names.REFUSED_RANGE, 0 if kind != jig.incoming_kind else 1)
        return
    jig.incoming[offset:end] = data
    jig.incoming_length = max(end, jig.incoming_length)
    jig.session.answer(message, t_us=jig.now_us, length=jig.incoming_length)


def blob_commit(jig: Jig, message: Message) -> None:
    kind, length = message.fields["kind"], message.fields["length"]
    blob = jig.blob(kind)
    if jig.lock.state == names.ARMED:
        jig.session.refuse(message, names.REFUSED_ARMED)
    elif blob is None or kind != jig.incoming_kind:
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
    elif length != jig.incoming_length:
        jig.session.refuse(message, names.REFUSED_RANGE, 1)
    else:
        reason, detail = _commit(jig, blob, bytes(jig.incoming[:length]), message.fields["crc"])
        parts.forget_families(jig)
        if reason:
            jig.session.refuse(message, reason, detail)
        else:
            jig.session.answer(message, t_us=jig.now_us, crc=blob.crc)


def _commit(jig: Jig, blob: profile.Blob, data: bytes, crc: int) -> tuple:
    # (reason, detail); (0, 0) when the record is on flash and in force. Until then the old one stays.
    if profile.crc32(data) != crc:
        return names.REFUSED_BAD_BLOB, -1
    values, bad = profile.parse(blob.kind, data)
    if values is None:
        jig.log.add(jig.now_us, names.LOG_BLOB_BAD, blob.kind, bad)
        return names.REFUSED_BAD_BLOB, bad
    if not jig.has_parts(blob, values, data):
        return names.REFUSED_MEMORY, 0
    if not jig.store.save(blob.file, data):
        return names.REFUSED_STORAGE, 0
    jig.apply(blob, data, values)
    jig.log.add(jig.now_us, names.LOG_BLOB_SAVED, blob.kind, blob.crc)
    jig.incoming_kind = jig.incoming_length = 0
    gc.collect()
    return 0, 0


def blob_read(jig: Jig, message: Message) -> None:
    blob = jig.blob(message.fields["kind"])
    if blob is None:
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    offset = message.fields["offset"]
    jig.session.answer(message, length=len(blob.data), crc=blob.crc, data=blob.data[offset : offset + _PART])
