"""One board, one process: a lock file that the operating system releases when its holder dies.

The file stays behind after use; what counts is the operating system's lock on it, so a file left by a
killed process is stale by itself and never has to be cleared by hand. The text in it (process id and
command) is for the message only.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path
from typing import IO

from platformdirs import user_data_path

from lidjig.errors import NoJig

# Windows locks byte ranges, and a locked range cannot be read: a range far behind the text leaves the text
# readable.
_LOCKED_BYTE = 1 << 30


def lock_folder() -> Path:
    """Where lock files live: with the user's data, which every platform has (a run-time folder not every one)."""
    return user_data_path("lidjig", appauthor=False) / "locks"


class BoardLock:
    """Held while a board is in use. `key` is the USB serial number or board id, or the port name where
    there is neither.

    >>> with BoardLock("e6614103e7452d2f"):
    ...     ...
    """

    def __init__(self, key: str, folder: Path | None = None) -> None:
        self.key = key
        safe = re.sub(r"[^a-z0-9]+", "-", key.lower()).strip("-") or "port"
        self.path = (folder or lock_folder()) / f"board-{safe}.lock"
        self._file: IO[bytes] | None = None

    def take(self) -> None:
        """Take the lock, or raise NoJig naming the process that has it. Does not wait.

        Taking it twice is harmless.
        """
        if self._file is not None:
            return
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            file = os.fdopen(os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600), "r+b")
        except OSError as error:
            raise NoJig(
                self.key, f"its lock file {self.path} cannot be opened: {error.strerror or error}"
            ) from error
        if not _try_lock(file):
            holder = file.read(200).decode("utf-8", "replace").strip() or "another process"
            file.close()
            raise NoJig(self.key, f"it is in use by {holder}")
        file.seek(0)
        file.truncate()
        file.write(f"process {os.getpid()} ({Path(sys.argv[0]).name or 'python'})\n".encode())
        file.flush()
        self._file = file

    def release(self) -> None:
        """Give it back. Harmless when not held."""
        file, self._file = self._file, None
        if file is None:
            return
        try:
            file.seek(0)
            file.truncate()
            file.flush()
        except OSError:
            pass  # a full or vanished disk: closing releases the lock all the same
        _unlock(file)
        file.close()

    @property
    def held(self) -> bool:
        return self._file is not None

    def holder(self) -> str | None:
        """Who holds it now ("process 4711 (lidjig)"), or None when it is free or its file is stale.

        Takes nothing.
        """
        if self._file is not None:
            return f"process {os.getpid()}"
        try:
            file = self.path.open("r+b")
        except OSError:
            return None
        with file:
            if _try_lock(file):
                _unlock(file)
                return None
            return file.read(200).decode("utf-8", "replace").strip() or "another process"

    def __enter__(self) -> BoardLock:
        self.take()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


if sys.platform == "win32":
    import msvcrt

    def _try_lock(file: IO[bytes]) -> bool:
        file.seek(_LOCKED_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            file.seek(0)
        return True

    def _unlock(file: IO[bytes]) -> None:
        try:
            file.seek(_LOCKED_BYTE)
            msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
        except OSError:
            pass  # closing the file releases it too

else:
    import fcntl

    def _try_lock(file: IO[bytes]) -> bool:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _unlock(file: IO[bytes]) -> None:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_UN)
        except OSError:
            pass  # closing the file releases it too
