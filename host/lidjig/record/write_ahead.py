"""The write-ahead log that is left beside a record after a crash: how much of it counts, and whether it is damaged.

SQLite takes a log up to the first frame that does not check, forgets what lies behind, and deletes the file when it is
closed. That is right for a torn end, as a power cut leaves it; a flipped bit in the middle takes everything behind it
along, without a word. So a damaged log is kept beside the record before SQLite sees it.

Source: "SQLite database file format, 4" (The Write-Ahead Log; https://www.sqlite.org/fileformat2.html): the log begins
with 32 bytes (magic at 0, page size at 8, salts at 16, checksum at 24); each frame has 24 bytes (salts at 8, checksum
at 16) and a page; a frame counts where its salts are the log's and the running checksum agrees.
"""

from __future__ import annotations

import errno
import shutil
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from lidjig.errors import StoreFailed

LOG = "-wal"  # what SQLite appends to the name of a file for its write-ahead log
LOG_HEADER, FRAME_HEADER = 32, 24
KEPT = ".damaged"  # is appended to the name of a log that is kept
LOOK_AGAIN_S = 0.05
FRAMES_AT_ONCE = 256
_MASK = 0xFFFFFFFF


@dataclass(frozen=True)
class LogState:
    """frames: in the log. good: up to the last that counts. behind: how many of those after it were written as part of
    this log, by their salts; frames left over from before the log was begun anew are none.
    """

    frames: int
    good: int
    behind: int

    @property
    def damaged(self) -> bool:
        """More than the torn end that a power cut leaves: something valid lies behind what does not check."""
        return self.behind > 0


def log_of(path: Path) -> Path:
    """The write-ahead log of a database file."""
    return path.with_name(path.name + LOG)


def log_frames(log: Path) -> tuple[int, int]:
    """(frames in a write-ahead log, frames up to the last that counts); (0, 0) where there is none."""
    state = log_state(log)
    return state.frames, state.good


def log_state(log: Path) -> LogState:
    """How a write-ahead log stands; nothing of it where there is none. Raises OSError."""
    if not log.exists():
        return LogState(0, 0, 0)
    return _state(log.read_bytes())


def _state(data: bytes) -> LogState:
    if len(data) <= LOG_HEADER:
        return LogState(0, 0, 0)
    magic, _version, size = struct.unpack_from(">III", data)
    order = ">" if magic & 1 else "<"
    sums = _checksum(data[:24], (0, 0), order)
    if size < 512 or size & (size - 1) or sums != struct.unpack_from(">II", data, 24):
        # SQLite writes the header before any frame, and waits for the disk: it is not torn where pages follow.
        left = -(-(len(data) - LOG_HEADER) // (FRAME_HEADER + (4096 if size < 512 or size & (size - 1) else size)))
        whole = len(data) >= LOG_HEADER + FRAME_HEADER + 512 and any(data[LOG_HEADER:])
        return LogState(left, 0, left if whole else 0)
    frames = -(-(len(data) - LOG_HEADER) // (FRAME_HEADER + size))
    begins = range(LOG_HEADER, len(data) - FRAME_HEADER - size + 1, FRAME_HEADER + size)
    salts = data[16:24]
    good = 0
    for at, now in zip(begins, _running(data, len(begins), size, sums, order), strict=True):
        if data[at + 8 : at + 16] != salts or now != struct.unpack_from(">II", data, at + 16):
            break
        good += 1
    behind = sum(data[at + 8 : at + 16] == salts for at in begins[good + 1 :])
    if good < len(begins) and not behind and data[begins[good] + 8 : begins[good] + 16] != salts:
        frames = good  # what follows is left over from before the log was begun anew: no damage
    return LogState(frames, good, behind)


def _checksum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    """The same source, section 4.2: the sums of a write-ahead log."""
    first, second = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & _MASK
        second = (second + odd + first) & _MASK
    return first, second


def _running(data: bytes, frames: int, size: int, sums: tuple[int, int], order: str) -> Iterator[tuple[int, int]]:
    """The sums after each frame, where all before it are good. They are linear in the words, modulo 2^32: each word has
    a weight that goes by its distance from the end. So a log of 4 MB takes 0.1 s, not a second.
    """
    import numpy as np

    words = size // 4 + 2  # those of the frame's header that count, and the page
    weights = np.empty((words, 2), dtype=np.uint32)
    across = (1, 0, 1)  # the matrix ((1, 1), (1, 2)) of one step, to the power of 0: (a, b, d) of ((a, b), (b, d))
    for at in range(words - 2, -1, -2):
        a, b, d = across
        weights[at] = (a + b) & _MASK, (b + d) & _MASK
        weights[at + 1] = b, d
        across = (a + b) & _MASK, (b + d) & _MASK, (b + 2 * d) & _MASK
    a, b, d = across
    for first in range(0, frames, FRAMES_AT_ONCE):
        count = min(FRAMES_AT_ONCE, frames - first)
        step = FRAME_HEADER + size
        found = np.frombuffer(data, f"{order}u4", count * step // 4, LOG_HEADER + first * step).astype(np.uint32)
        found = found.reshape(count, step // 4)
        for one, two in (found[:, :2] @ weights[:2] + found[:, 6:] @ weights[2:]).tolist():
            sums = (a * sums[0] + b * sums[1] + one) & _MASK, (b * sums[0] + d * sums[1] + two) & _MASK
            yield sums


def damage_of(path: Path) -> LogState | None:
    """How the log of a record is damaged; None where it is not, or cannot be read.

    Another bench may be writing to it, or begin it anew, at this moment: damage is what is the same at a second look.
    """
    log = log_of(path)
    try:
        if not log.exists() or log.stat().st_size <= LOG_HEADER:
            return None
        state = log_state(log)
        while state.damaged:
            time.sleep(LOOK_AGAIN_S)
            before, state = state, log_state(log)
            if before == state:
                return state
    except OSError:
        pass  # whoever opens the record says so
    return None


def kept_logs(path: Path) -> list[Path]:
    """The damaged logs that were kept of a record, the oldest first."""
    first = Path(f"{log_of(path)}{KEPT}")
    found = []
    while first.exists():
        found.append(first)
        first = Path(f"{log_of(path)}{KEPT}-{len(found) + 1}")
    return found


def keep_if_damaged(path: Path) -> None:
    """Before SQLite opens a record: a damaged log is copied beside it, and said once. No copy is overwritten.

    Raises StoreFailed where it cannot be copied and would be lost.
    """
    state = damage_of(path)
    if state is None:
        return
    log, kept = log_of(path), kept_logs(path)
    content = log.read_bytes()
    if any(one.stat().st_size == len(content) and one.read_bytes() == content for one in kept):
        return
    target = Path(f"{log}{KEPT}" + (f"-{len(kept) + 1}" if kept else ""))
    where = f"the log as it was is kept as {target.name}"
    try:
        shutil.copyfile(log, target)
    except OSError as error:
        target.unlink(missing_ok=True)
        if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
            why = f"its write-ahead log is damaged and could not be kept as {target.name} ({error.strerror})"
            raise StoreFailed(str(path), "opening", why) from error
        where = "its folder is read-only, and the log stays as it is"
    sys.stderr.write(
        f"lidjig: warning: the write-ahead log of {path} is damaged: {state.good} of its {state.frames} pages count, "
        f"what was written after them is not in the record; {where}.\n"
        f"        See what is missing: lidjig rescue {path} NEW.db\n"
    )
