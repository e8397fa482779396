"""Files that belong to a run or a job: photos, other instruments' logs. Each content is stored once, by its SHA-256."""

from __future__ import annotations

import hashlib
import mimetypes
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from lidjig.errors import BadInput
from lidjig.record import schema
from lidjig.record.recorder import utc_now
from lidjig.record.stored import StoredAttachment, read_attached
from lidjig.record.whole_file import check_free, whole_file

SIZE_MAX_MIB = 100
NAME_MAX = 255


@dataclass(frozen=True)
class Given:
    """A file as it was read, to be attached."""

    name: str
    media_type: str
    sha256: str
    data: bytes


def read_file(path: Path) -> Given:
    """A file to attach. Raises BadInput for what is no file, cannot be read, is empty or too large."""
    accepted = f"a file of 1 byte to {SIZE_MAX_MIB} MiB that can be read"
    try:
        if not path.is_file():
            raise BadInput("", "FILE", str(path), f"{accepted}; this is {'a folder' if path.is_dir() else 'not there'}")
        size = path.stat().st_size
        if size > SIZE_MAX_MIB * 2**20:
            raise BadInput("", "FILE", str(path), f"{accepted}; this one has {size / 2**20:.1f} MiB")
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        raise BadInput("", "FILE", str(path), f"{accepted} ({getattr(error, 'strerror', None) or error})") from error
    if not data or len(data) > SIZE_MAX_MIB * 2**20:
        raise BadInput("", "FILE", str(path), f"{accepted}; this one has {len(data)} bytes")
    name = path.name
    if len(name) > NAME_MAX or not name.isprintable():
        raise BadInput("", "FILE", str(path), f"a file whose name has up to {NAME_MAX} printable characters")
    media_type = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return Given(name, media_type, hashlib.sha256(data).hexdigest(), data)


def write(connection: sa.Connection, table: sa.Table, owner: int, given: Given) -> bool:
    """Attach a file; whether that is new. table: schema.run_attachments or schema.job_attachments."""
    files = schema.attachments
    there = connection.execute(sa.select(files.c.sha256).where(files.c.sha256 == given.sha256)).first()
    if there is None:
        row = {"sha256": given.sha256, "size": len(given.data), "data": given.data}
        connection.execute(sa.insert(files), row)
    column = next(iter(table.primary_key))
    same = (column == owner, table.c.sha256 == given.sha256, table.c.name == given.name)
    if connection.execute(sa.select(column).where(*same)).first() is not None:
        return False
    row = {
        column.name: owner,
        "sha256": given.sha256,
        "name": given.name,
        "media_type": given.media_type,
        "attached_utc": utc_now(),
    }
    connection.execute(sa.insert(table), row)
    return True


def find(attached: Sequence[StoredAttachment], wanted: str, where: str) -> StoredAttachment:
    """The attachment of that name, or of that beginning of its SHA-256 (8 digits or more).

    Raises BadInput where there is none, or where several contents go by that name.
    """
    text = wanted.strip()
    found = [a for a in attached if a.name == text or (len(text) >= 8 and a.sha256.startswith(text.lower()))]
    contents = sorted({a.sha256 for a in found})
    if len(contents) == 1:
        return found[0]
    if contents:
        some = ", ".join(digest[:12] for digest in contents)
        raise BadInput(where, "NAME", wanted, f"the beginning of the SHA-256: several files go by that name, {some}")
    names = ", ".join(dict.fromkeys(a.name for a in attached)) or "none: nothing is attached"
    raise BadInput(where, "NAME", wanted, names)


def take(data: bytes, name: str, folder: Path, *, force: bool = False) -> Path:
    """Write an attachment into a folder under its name. force: replaces a file of that name.

    Raises BadInput where that name is taken or cannot be written, FileNotWritten for a full disk.
    """
    # The name may come from another computer's record: only its last part counts, whatever separates parts there.
    plain = name.replace("\\", "/").rsplit("/", 1)[-1]
    if plain in ("", ".", ".."):
        raise BadInput("", "NAME", name, "a name that can be that of a file")
    path = folder / plain
    try:
        if not folder.is_dir():
            raise BadInput("", "FOLDER", str(folder), "a folder that is there")
        check_free(path, "FOLDER", force=force)
        with whole_file(path, "FOLDER", force=force) as temporary:
            temporary.write_bytes(data)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise BadInput("", "FOLDER", str(folder), f"a folder that can be written to ({why})") from error
    return path


def attached_to(connection: sa.Connection, table: sa.Table, owner: int) -> list[StoredAttachment]:
    """What is attached to a run or a job."""
    return read_attached(connection, table, owner)


def content(connection: sa.Connection, sha256: str) -> bytes | None:
    """The bytes of an attachment; None where they are not in the record."""
    query = sa.select(schema.attachments.c.data).where(schema.attachments.c.sha256 == sha256)
    data = connection.execute(query).scalar()
    return None if data is None else bytes(data)
