"""A recorded byte stream as a link, and the wrapper that records one from any link.

The recording is plain text, one thing a line, in order; `#` and what follows it is comment, empty lines
are ignored. The first line is `lidjig-recording 1`. Then `key = value` lines: the details of the recorded
link, `name` among them. Then the stream, each line opening with seconds on the recording's clock (rising
or equal, six decimals):

    0.000000 > 0a0102.. # > hello seq=1 major=1 ...   bytes that the host wrote, hexadecimal
    0.001873 < 2a4101.. # < hello_result seq=1 ...    bytes that came from the board
    0.101873 .                                        a read that ended with nothing
    7.250000 ! OS_ERROR Input/output error            the link was lost: LossReason's name, then the detail
    8.500000 ^                                        it was opened again
    9.000000 * open-lid                               what the operator was asked to do
    9.100000 m NAME | 0.05%+2 | 0.1 mV | 2026-..      the simulated operator's meter: its data sheet, and when
    9.200000 m output 1.2345                          what it showed, and where

Playing it back: bytes that the host writes must equal the recorded ones, and whatever came next in the
recording comes only after that; so the same host code makes the same run. The clock is the recording's: it
moves in read() alone. A recording cut by hand need not have the `.` lines: a read ends early when the next
bytes are later than it may wait. What differs is a BadInput naming file and line; the end of the recording
is LinkLost with REPLAY_ENDED.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TextIO

from lidjig.errors import BadInput, LinkLost, LossReason, NoJig
from lidjig.link.base import BenchMeter, Clock, Deadline, Link, MeterSheet, Traits
from lidjig.link.transcript import frame_texts

HEADING = "lidjig-recording 1"

# How long past the recorded moment a host may take until it writes what the recording has it write.
_LATE_S = 2.0
_KINDS = "><.!^*m"
_IF_LOST = "There is no cable here: this is a recording. Repeat it with the command line that it was made with."


class _HeldClock:
    """A clock that moves only when told."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def now_s(self) -> float:
        return self.time_s


class RecordingLink:
    """Wraps a link and writes its recording to a file, line by line.

    Its clock is the wrapped link's, sampled at the end of each read and still in between: the host then
    sees no time that the recording does not have, and playing it back is exact. `nonce_seed` is kept as a
    detail, since the host's session number depends on it.
    """

    def __init__(self, link: Link, path: Path, *, nonce_seed: int) -> None:
        self._link = link
        self._start_s = link.clock.now_s()
        self._held = _HeldClock()
        self.clock: Clock = self._held
        self.name = link.name
        self.details = {**link.details, "nonce_seed": str(nonce_seed)}
        self.traits = link.traits
        self.texts: dict[str, str] = getattr(
            link, "texts", {}
        )  # what the record keeps in full, where a link has it
        try:
            self._file: TextIO = path.open("w", encoding="utf-8", newline="\n")
        except OSError as error:
            raise BadInput(
                str(path), "recording", error.strerror or str(error), "a file that can be written"
            ) from error
        self._file.write(HEADING + "\n")
        for key, value in {"name": self.name, **self.details}.items():
            self._file.write(f"{key} = {' '.join(value.split())}\n")

    def write(self, data: bytes) -> None:
        try:
            self._link.write(data)
        except LinkLost as error:
            self._put_loss(error)
            raise
        self._put_bytes(">", data)

    def read(self, timeout_s: float) -> bytes:
        try:
            data = self._link.read(timeout_s)
        except LinkLost as error:
            self._tick()
            self._put_loss(error)
            raise
        self._tick()
        if data:
            self._put_bytes("<", data)
        else:
            self._put(".")
        return data

    def reopen(self, deadline: Deadline) -> None:
        # The wrapped link has to wait on a clock that moves by itself.
        self._link.reopen(Deadline(self._link.clock, deadline.left_s()))
        self._tick()
        self._put("^")

    def tell_operator(self, action: str) -> None:
        self._link.tell_operator(action)
        self._put("*", action)

    def bench_meter(self) -> BenchMeter | None:
        meter = self._link.bench_meter()
        if meter is None:
            return None
        sheet = meter.sheet
        self._put("m", f"{sheet.name} | {sheet.accuracy} | {sheet.resolution} | {sheet.made.isoformat()}")
        return _RecordingMeter(meter, self._put)

    def close(self) -> None:
        self._link.close()
        try:
            self._file.close()
        except OSError:
            pass  # a full disk: what could be written stands there

    def _tick(self) -> None:
        self._held.time_s = round(self._link.clock.now_s() - self._start_s, 6)

    def _put_bytes(self, kind: str, data: bytes) -> None:
        texts = "; ".join(frame_texts(kind, data))
        self._put(kind, data.hex() + (f" # {texts}" if texts else ""))

    def _put_loss(self, error: LinkLost) -> None:
        self._put("!", f"{error.reason.name} {' '.join(error.detail.split())}".rstrip())

    def _put(self, kind: str, rest: str = "") -> None:
        if self._file.closed:
            return
        line = f"{self._held.time_s:.6f} {kind} {rest}".rstrip()
        try:
            self._file.write(line + "\n")
            self._file.flush()
        except OSError as error:
            why = error.strerror or os.strerror(error.errno or 0)
            raise BadInput(self._file.name, "recording", why, "a disk with room for it") from error


@dataclass(frozen=True)
class _Line:
    """One line of the stream: data for > and <, text for the others."""

    number: int
    time_s: float
    kind: str
    data: bytes
    text: str


class _RecordingMeter:
    """A meter whose readings go into the recording."""

    def __init__(self, meter: BenchMeter, put: Callable[[str, str], None]) -> None:
        self._meter, self._put = meter, put
        self.sheet = meter.sheet

    def volts(self, place: str) -> float:
        v = self._meter.volts(place)
        self._put("m", f"{place} {v!r}")
        return v


class _ReplayedMeter:
    """What a meter showed. take: the text of the next line of its kind."""

    def __init__(self, sheet: MeterSheet, take: Callable[[str], str]) -> None:
        self.sheet, self._take = sheet, take

    def volts(self, place: str) -> float:
        return float(self._take(f"{place} ").rpartition(" ")[2])


class ReplayLink:
    """Plays a recording; see the module for its format. Raises BadInput where the file cannot be used."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.details, self._lines = _parse(path)
        self.name = f"replay:{path}"
        self.details["kind"] = "replay"
        # Marks of the recorded operator are in the stream; nobody here can add one.
        self.traits = Traits(True, True, self.details.get("machine"), self.details.get("sensor"))
        self._held = _HeldClock()
        self.clock: Clock = self._held
        self._next = 0
        self._written = 0  # bytes of the next > line that the host has already written
        self._last_byte_s = 0.0
        self._closed = False

    def write(self, data: bytes) -> None:
        left = data
        while left:
            line = self._peek()
            if line is None:
                raise self._ended()
            if line.kind == ".":
                self._next += 1  # the recorded host read in vain here; this one writes first
                continue
            if line.kind == "!":
                raise self._lose(line)
            wanted = line.data[self._written :]
            part = left[: len(wanted)]
            if line.kind != ">" or not wanted.startswith(part):
                raise self._mismatch(line, "the host sent " + _shown(">", left))
            left = left[len(part) :]
            self._written += len(part)
            if self._written == len(line.data):
                self._next += 1
                self._written = 0

    def read(self, timeout_s: float) -> bytes:
        end_s = self._held.time_s + timeout_s
        line = self._peek()
        if line is None:
            raise self._ended()
        if line.kind == "!" and line.time_s <= end_s:
            raise self._lose(line)
        if line.kind in "<." and line.time_s <= end_s + 1e-6:
            self._next += 1
            self._held.time_s = max(self._held.time_s, line.time_s)
            if line.data:
                self._last_byte_s = self._held.time_s
            return line.data
        if line.kind in "^*m":
            raise self._mismatch(line, "the host reads")
        if line.kind == ">" and end_s > line.time_s + _LATE_S:
            raise self._mismatch(line, "the host sent nothing")
        self._held.time_s = end_s
        return b""

    def reopen(self, deadline: Deadline) -> None:
        line = self._peek()
        if line is None:
            raise NoJig(self.name, "the recording ended while the link was lost")
        if line.kind == "!":  # lost again before it was back: the recorded host saw that too
            self._next += 1
            return self.reopen(deadline)
        if line.kind != "^":
            raise self._mismatch(line, "the host opens the link again")
        if line.time_s > self._held.time_s + deadline.left_s():
            raise NoJig(self.name, "it came back later than the host waits")
        self._next += 1
        self._held.time_s = max(self._held.time_s, line.time_s)

    def tell_operator(self, action: str) -> None:
        line = self._past_waits()
        if line is None or line.kind != "*" or line.text != action:
            raise self._mismatch(line, f"the host asks the operator for {action}")
        self._next += 1

    def bench_meter(self) -> BenchMeter | None:
        """The recorded one; None where none was recorded, as where a person read one."""
        line = self._past_waits()
        if line is None or line.kind != "m":
            return None
        words = [word.strip() for word in self._metered("").split("|")]
        try:
            sheet = MeterSheet(words[0], words[1], words[2], datetime.fromisoformat(words[3]))
        except (IndexError, ValueError):
            raise self._mismatch(line, "the host opens the meter") from None
        return _ReplayedMeter(sheet, self._metered)

    def _metered(self, begins: str) -> str:
        line = self._past_waits()
        if line is None or line.kind != "m" or not line.text.startswith(begins):
            raise self._mismatch(line, f"the host reads the meter: {begins}".strip())
        self._next += 1
        return line.text

    def _past_waits(self) -> _Line | None:
        line = self._peek()
        while line is not None and line.kind == ".":
            self._next += 1
            line = self._peek()
        return line

    def close(self) -> None:
        self._closed = True

    def finish(self) -> None:
        """Say that all should have been played. BadInput names the first line that was not."""
        while (line := self._peek()) is not None and line.kind == ".":
            self._next += 1
        if line is not None:
            raise self._mismatch(line, "the host is done")

    def _peek(self) -> _Line | None:
        if self._closed:
            raise LinkLost("", self.name, 0.0, LossReason.CLOSED, todo=_IF_LOST)
        return self._lines[self._next] if self._next < len(self._lines) else None

    def _lose(self, line: _Line) -> LinkLost:
        self._next += 1
        self._written = 0
        self._held.time_s = max(self._held.time_s, line.time_s)
        reason, _, detail = line.text.partition(" ")
        return LinkLost("", self.name, self._held.time_s - self._last_byte_s, LossReason[reason], detail, _IF_LOST)

    def _ended(self) -> LinkLost:
        return LinkLost("", self.name, self._held.time_s - self._last_byte_s, LossReason.REPLAY_ENDED, todo=_IF_LOST)

    def _mismatch(self, line: _Line | None, did: str) -> BadInput:
        if line is None:
            return BadInput(str(self._path), "end of the recording", did, "nothing more")
        wanted = _shown(line.kind, line.data) if line.data else f"{line.kind} {line.text}".strip()
        return BadInput(str(self._path), f"line {line.number}", did, f"what was recorded: {wanted}")


def _shown(kind: str, data: bytes) -> str:
    """Frames as text, or the bytes where they are no frames."""
    return "; ".join(frame_texts(kind, data)) or f"{kind} {data.hex()}"


def _parse(path: Path) -> tuple[dict[str, str], list[_Line]]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = (error.strerror if isinstance(error, OSError) else None) or "not text"
        raise BadInput(str(path), "recording", why, "a recording that can be read") from error
    rows = text.splitlines()
    if not rows or rows[0].strip() != HEADING:
        raise BadInput(str(path), "line 1", rows[0] if rows else "", HEADING)
    details: dict[str, str] = {}
    lines: list[_Line] = []
    for number, row in enumerate(rows[1:], start=2):
        if "=" in row.partition("#")[0] and not lines:
            key, _, value = row.partition("=")
            details[key.strip()] = value.strip()
            continue
        bare = row.partition("#")[0].strip()
        if bare:
            lines.append(_parse_line(path, number, bare, lines[-1].time_s if lines else 0.0))
    return details, lines


def _parse_line(path: Path, number: int, bare: str, earlier_s: float) -> _Line:
    def bad(value: object, accepted: str) -> BadInput:
        return BadInput(str(path), f"line {number}", value, accepted)

    words = bare.split(None, 2)
    try:
        time_s = float(words[0])
    except ValueError:
        raise bad(words[0], "seconds, such as 0.250000") from None
    if not earlier_s <= time_s < float("inf"):
        raise bad(words[0], f"seconds not before the line above ({earlier_s:.6f})")
    if len(words) < 2 or words[1] not in _KINDS or len(words[1]) != 1:
        raise bad(bare, "one of > < . ! ^ * m after the time")
    kind, rest = words[1], words[2] if len(words) > 2 else ""
    data = b""
    if kind in "><":
        try:
            data = bytes.fromhex(rest)
        except ValueError:
            raise bad(rest, "hexadecimal bytes") from None
        if not data:
            raise bad(bare, "at least one byte")
    if kind == "!" and rest.partition(" ")[0] not in LossReason.__members__:
        raise bad(rest, "one of " + ", ".join(LossReason.__members__))
    return _Line(number, time_s, kind, data, rest)
