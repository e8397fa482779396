"""A file that appears when it is complete: whole or not at all, and what was there stays until then."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from lidjig.errors import BadInput, FileNotWritten

# Nothing is wrong with the name then: the disk is.
_DISK = {errno.ENOSPC, errno.EIO, errno.EFBIG} | {getattr(errno, "EDQUOT", errno.ENOSPC)}


def is_there(path: Path, key: str) -> BadInput:
    """The error for a file that is there already."""
    accepted = "a file that is not there yet: nothing is overwritten without --force"
    return BadInput("", key, str(path), accepted, "Name another place, or repeat the command with --force.")


def check_free(path: Path, key: str, *, force: bool) -> None:
    """Raises BadInput where the name is taken: by a file unless force, by what is no plain file in any case."""
    try:
        if path.is_dir():
            raise BadInput("", key, str(path), "a file that can be written; this is a folder")
        if path.exists():
            if not path.is_file():
                raise BadInput("", key, str(path), "a file that can be written; this is no plain file")
            if not force:
                raise is_there(path, key)
    except (OSError, ValueError) as error:
        raise _not_written(path, key, error) from error


def try_folder(path: Path, key: str) -> None:
    """Write a file beside path and take it away again. Raises BadInput where that cannot be done, FileNotWritten where
    the disk does not take it: what rights and mounts say is not asked, since only trying tells.
    """
    try:
        with tempfile.NamedTemporaryFile(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent) as tried:
            tried.write(b"tried\n")
    except (OSError, ValueError) as error:
        raise _not_written(path, key, error) from error


@contextlib.contextmanager
def whole_file(path: Path, key: str, *, force: bool = False) -> Iterator[Path]:
    """A temporary file beside path that takes its place at the end, and leaves nothing where that is not reached.

    key: what the user calls the file. force: replaces what is there. Raises BadInput where a file is there or the place
    cannot be written to, FileNotWritten where the disk does not take it.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent)
        os.close(handle)
    except (OSError, ValueError) as error:
        raise _not_written(path, key, error) from error
    temporary = Path(name)
    try:
        try:
            yield temporary
            _to_disk(temporary)
            _take_place(temporary, path, force)
        except FileExistsError as error:
            raise is_there(path, key) from error
        except OSError as error:
            raise _not_written(path, key, error) from error
    finally:
        temporary.unlink(missing_ok=True)


def _to_disk(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
    # mkstemp's files are their owner's alone; this one is an ordinary file, as the system's mask has it.
    mask = os.umask(0)
    os.umask(mask)
    path.chmod(0o666 & ~mask)


def _take_place(temporary: Path, path: Path, force: bool) -> None:
    if force:
        temporary.replace(path)
        return
    try:
        os.link(temporary, path)  # unlike a rename it never replaces what has come there meanwhile
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
        temporary.replace(path)


def _not_written(path: Path, key: str, error: Exception) -> BadInput | FileNotWritten:
    why = getattr(error, "strerror", None) or str(error)
    if isinstance(error, OSError) and error.errno in _DISK:
        return FileNotWritten(str(path), why)
    return BadInput("", key, str(path), f"a file that can be written ({why})")
