"""Replays the test vectors on whatever interpreter runs it: MicroPython or CPython.

Usage: replay_vectors.py ROOT FILE. For every line `INPUT => OUTPUT` of FILE it prints the input with the output that
this interpreter gives. Keeps to what both interpreters have.
"""

import binascii
import sys


def _unhex(text):
    return b"" if text == "-" else binascii.unhexlify(text)


def _hex(data):
    return binascii.hexlify(data).decode() if data else "-"


def _value(text):
    if text.startswith("x:"):
        return _unhex(text[2:])
    if text == "none":
        return None
    if text in ("true", "false"):
        return text == "true"
    return float(text) if "." in text else int(text)


def _fields(words):
    fields = {}
    for word in words:
        name, _equals, value = word.partition("=")
        fields[name] = _value(value)
    return fields


def _shown(values):
    """Fields in order of name, since MicroPython's dicts have none."""
    words = []
    for name in sorted(values):
        value = values[name]
        words.append(name + "=" + ("x:" + _hex(value) if isinstance(value, bytes) else str(value)))
    return " ".join(words)


def _cobs(words):
    from shared_proto import cobs

    return _hex(cobs.encode(_unhex(words[0])))


def _uncobs(words):
    from shared_proto import cobs

    data = cobs.decode(_unhex(words[0]))
    return "none" if data is None else _hex(data)


def _encode(words):
    from shared_proto import codec, frame

    try:
        body = codec.encode(words[0], _value(words[1]), **_fields(words[2:]))
    except ValueError as refusal:
        return "refused: " + str(refusal)
    return _hex(frame.encode_frame(body))


def _decode(words):
    from shared_proto import codec

    message = codec.decode(_unhex(words[0]))
    return "none" if message is None else codec.text(message, codec.BY_ID[message.id].direction)


def _parse(words):
    from shared_proto import codec

    try:
        direction, message = codec.parse_text(" ".join(words))
    except ValueError as refusal:
        return "refused: " + str(refusal)
    return codec.text(message, direction)


def _stream(words):
    from shared_proto import frame

    decoder = frame.FrameDecoder()
    data = _unhex(words[1])
    step = int(words[0])
    bodies = []
    for start in range(0, len(data), step):
        bodies += decoder.feed(data[start : start + step])
    counts = (decoder.good, decoder.bad_cobs, decoder.bad_crc, decoder.short, decoder.oversize, decoder.held)
    return " ".join([_hex(body) for body in bodies]) + " counts " + " ".join([str(count) for count in counts])


def _clock(words):
    from shared_proto.clock import Unwrap

    clock = Unwrap(int(words[0]))
    out = []
    for word in words[1:]:
        out.append(str(clock.at(int(word[1:])) if word[0] == "@" else clock.update(int(word))))
    return " ".join(out)


def _pack(words):
    from shared_proto import blobs

    rows = blobs.PROFILE_FIELDS if words[0] == "profile" else blobs.WIRING_FIELDS
    try:
        return _hex(blobs.pack(rows, _fields(words[1:])))
    except ValueError as refusal:
        return "refused: " + str(refusal)


def _unpack(words):
    from shared_proto import blobs

    rows = blobs.PROFILE_FIELDS if words[0] == "profile" else blobs.WIRING_FIELDS
    values, position = blobs.unpack(rows, _unhex(words[1]))
    return "none " + str(position) if values is None else _shown(values)


class _Dialogue:
    """Both halves on a spoilt link, all by one seed; returns a digest of everything that was said and concluded."""

    INFO = {
        "fw_major": 0,
        "fw_minor": 1,
        "fw_patch": 0,
        "board_id": 1 << 60,
        "boot_id": 0xFFFFFFFF,
        "reset_cause": 0,
        "abilities": 7,
    }

    def __init__(self, seed):
        from shared_proto.session import BoardSession, HostSession

        self.state = seed
        self.make_board = BoardSession
        self.board = BoardSession(self.INFO, 12, self.pulse_fields)
        self.host = HostSession(seed * 7919 + 1)
        self.now_us = 0
        self.digest = 0
        self.kinds = {}
        self.acted = 0

    def pulse_fields(self):
        return {"angle_mdeg": self.now_us % 360001, "t_us": self.now_us + (1 << 40), "lines": 0xFFFF}

    def chance(self, one_in):
        self.state = (self.state * 1103515245 + 12345) & 0x7FFFFFFF
        return (self.state >> 8) % one_in == 0

    def note(self, data):
        self.digest = binascii.crc32(data, self.digest) & 0xFFFFFFFF

    def spoilt(self, data):
        self.note(data)
        if data and self.chance(5):
            return b""
        if data and self.chance(6):
            return data + data
        if data and self.chance(6):
            return data[: len(data) // 2]
        return data

    def conclude(self, outcomes):
        from shared_proto import codec

        for outcome in outcomes:
            self.kinds[outcome.kind] = self.kinds.get(outcome.kind, 0) + 1
            line = outcome.kind
            if outcome.message is not None and outcome.message.fields:
                line += codec.text(outcome.message, "-")
            self.note((line + str(outcome.detail)).encode())
            if outcome.kind == "EVENT" and not self.chance(3):
                self.host.ack(outcome.message.fields["counter"])

    def turn(self, number):
        self.now_us += 30000
        if self.host.state == "new" and not self.host.open_request:
            self.host.request("hello", self.now_us)
        elif self.host.state == "open" and self.host.open_request is None:
            self.host.request("move", self.now_us, angle_mdeg=number * 100, duration_ms=number, shape=1)
        if self.chance(3):
            self.board.event("edge", self.now_us + (1 << 40), line=number % 8, level=number & 1)
        if self.chance(150):
            info = dict(self.INFO)
            info["boot_id"] = number
            self.board = self.make_board(info, 12, self.pulse_fields)
        if self.chance(90):
            self.host.link_lost()
            self.host.link_back(self.now_us)
        for message in self.board.receive(self.spoilt(self.host.take()), self.now_us):
            self.acted += 1
            self.board.answer(message, segment=self.acted & 0xFFFF, queued=1)
        self.board.poll(self.now_us)
        self.conclude(self.host.receive(self.spoilt(self.board.take(300)), self.now_us))
        self.conclude(self.host.poll(self.now_us))

    def run(self, turns):
        for number in range(turns):
            self.turn(number)
        counts = [kind + "=" + str(self.kinds[kind]) for kind in sorted(self.kinds)]
        return " ".join(counts) + " acted=" + str(self.acted) + " digest=" + hex(self.digest)


def _session(words):
    return _Dialogue(int(words[0])).run(int(words[1]))


KINDS = {
    "cobs": _cobs,
    "uncobs": _uncobs,
    "encode": _encode,
    "decode": _decode,
    "parse": _parse,
    "stream": _stream,
    "clock": _clock,
    "pack": _pack,
    "unpack": _unpack,
    "session": _session,
}


def replay(given):
    """The line for one input."""
    words = given.split(" ")
    return given + " => " + KINDS[words[0]](words[1:])


def main(root, path):
    sys.path.insert(0, root)
    with open(path) as vectors:
        for line in vectors:
            line = line.rstrip("\n")
            if line and not line.startswith("#"):
                print(replay(line.split(" => ")[0]))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
