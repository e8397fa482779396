"""The run as a sigrok session (https://sigrok.org/wiki/File_format:Sigrok/v2): a ZIP file with `version`, `metadata`,
`logic-1-K` and `analog-1-N-K` (K counts pieces from 1, N channels, the analog ones after the logic ones).

Everything has one samplerate. A logic channel has the level that holds at the moment of the sample; the format knows no
"unknown", so what is not known is 0, and where something of the record is missing the channel `gap` is 1. An analog
channel has, as float32 in its unit, the sample that was taken last, and NaN where samples are missing and before and
after all of them. sigrok takes every number for volts: the unit is in the channel's name.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from lidjig.errors import BadInput
from lidjig.record.blocks import ChannelRow
from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.export.signals import Signal, signals_of
from lidjig.record.source import Source

RATE_HZ = 1000  # as the board samples at most
PIECE = 1 << 20  # samples in one entry of the ZIP file, and in memory
SAMPLES_MAX = 500_000_000
STAMP = (1980, 1, 1, 0, 0, 0)  # of the entries: the same run gives the same bytes

Times = npt.NDArray[np.int64]


def write(source: Source, path: Path, wishes: Wishes, exported: Exported) -> None:
    """Write the session to path. Raises BadInput where the run would have too many samples."""
    rate_hz = wishes.rate_hz or RATE_HZ
    signals = [signal for signal in signals_of(source) if not signal.real]
    begin_us, end_us = source.begin_us, source.end_us
    n = -((begin_us - end_us) * rate_hz // 1_000_000) + 1  # up to the first moment at or after the end
    if n > SAMPLES_MAX:
        most = max(1, SAMPLES_MAX * 1_000_000 // (end_us - begin_us))
        raise BadInput("", "--samplerate", rate_hz, f"up to {most} Hz: the run would have {n} samples a channel")
    unit = (len(signals) + 7) // 8
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive:
        archive.writestr(_entry("version"), "2")
        archive.writestr(_entry("metadata"), _metadata(signals, source.channels, rate_hz, unit))
        axis = _Axis(begin_us, rate_hz, n)
        _pieces(archive, "logic-1", axis, _logic(signals, unit))
        for place, row in enumerate(source.channels, start=len(signals) + 1):
            _pieces(archive, f"analog-1-{place}", axis, _Held(source, row).at)
    exported.counts = {"logic": len(signals), "analog": len(source.channels), "samples": n, "samplerate_hz": rate_hz}
    exported.notes.append(f"the first sample is at {begin_us} us of board time")
    lost = sum(_too_short(signal, begin_us, rate_hz) for signal in signals)
    if lost:
        told = f"{lost} levels are shorter than a sample and not in it; a higher --samplerate shows them"
        exported.notes.append(told)
    if len(source.boots) > 1:
        exported.notes.append("the board was restarted: its boots follow one another on the time axis")


def _entry(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, STAMP)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    return info


def _metadata(signals: list[Signal], channels: tuple[ChannelRow, ...], rate_hz: int, unit: int) -> str:
    step, word = next((s, w) for s, w in ((1_000_000, "MHz"), (1000, "kHz"), (1, "Hz")) if rate_hz % s == 0)
    lines = [
        "[global]", "sigrok version=0.5.2", "", "[device 1]", "capturefile=logic-1", f"total probes={len(signals)}",
        f"samplerate={rate_hz // step} {word}", f"total analog={len(channels)}",
    ]  # fmt: skip
    lines += [f"probe{place}={signal.name}" for place, signal in enumerate(signals, start=1)]
    first = len(signals) + 1
    lines += [f"analog{place}={row.channel}_{row.unit or 'raw'}" for place, row in enumerate(channels, start=first)]
    return "\n".join([*lines, f"unitsize={unit}", ""])


class _Axis:
    """The moments at which samples are, on the axis in us."""

    def __init__(self, begin_us: int, rate_hz: int, n: int) -> None:
        self._begin_us, self._rate_hz, self._n = begin_us, rate_hz, n

    def pieces(self) -> Iterator[Times]:
        """A piece at a time."""
        for first in range(0, self._n, PIECE):
            place = np.arange(first, min(first + PIECE, self._n), dtype=np.int64)
            yield self._begin_us + place * 1_000_000 // self._rate_hz


def _pieces(archive: zipfile.ZipFile, name: str, axis: _Axis, at: Callable[[Times], bytes]) -> None:
    for number, times in enumerate(axis.pieces(), start=1):
        archive.writestr(_entry(f"{name}-{number}"), at(times), compresslevel=3)


def _logic(signals: list[Signal], unit: int) -> Callable[[Times], bytes]:
    """Levels as `unit` bytes a sample, the first signal in the lowest bit."""
    told = [
        (
            np.array([t for t, _v in signal.changes], dtype=np.int64),
            np.array([0, *(1 if v else 0 for _t, v in signal.changes)], dtype=np.uint8),
        )
        for signal in signals
    ]

    def at(times: Times) -> bytes:
        out = np.zeros((len(times), unit), dtype=np.uint8)
        for bit, (stamps, levels) in enumerate(told):
            held = levels[np.searchsorted(stamps, times, side="right")]
            out[:, bit // 8] |= held << np.uint8(bit % 8)
        return out.tobytes()

    return at


class _Held:
    """A sampled channel at any ascending moments: a sample holds until the next one; before a hole, and before
    sampling was set anew, for one period.
    """

    def __init__(self, source: Source, row: ChannelRow) -> None:
        self._coming = source.series(row.channel)
        self._period_us = round(1e6 / row.rate_hz) if row.rate_hz else 1
        self._t_us: Times = np.zeros(0, dtype=np.int64)
        self._ends: Times = np.zeros(0, dtype=np.int64)  # until when each sample holds
        self._values: npt.NDArray[np.float64] = np.zeros(0)

    def at(self, times: Times) -> bytes:
        """float32 little-endian, NaN where no sample holds."""
        stamps, ends, values = [self._t_us], [self._ends], [self._values]
        while not len(stamps[-1]) or stamps[-1][-1] <= times[-1]:
            placed = next(self._coming, None)
            if placed is None:
                break
            t_us = placed.segment.t_us + placed.offset_us
            if len(ends[-1]) and not (placed.segment.after_hole or placed.segment.set_anew):
                ends[-1][-1] = t_us[0]
            stamps.append(t_us)
            ends.append(np.append(t_us[1:], t_us[-1] + self._period_us))
            values.append(placed.segment.values)
        self._t_us, self._ends = np.concatenate(stamps), np.concatenate(ends)
        self._values = np.concatenate(values)
        out = np.full(len(times), np.nan, dtype="<f4")
        if len(self._t_us):
            last = np.searchsorted(self._t_us, times, side="right") - 1
            holds = (last >= 0) & (times < self._ends[last])
            out[holds] = self._values[last[holds]]
            # What may still hold at the next moment, and all that comes after it.
            keep = max(0, int(last[-1]))
            self._t_us, self._ends, self._values = self._t_us[keep:], self._ends[keep:], self._values[keep:]
        return out.tobytes()


def _too_short(signal: Signal, begin_us: int, rate_hz: int) -> int:
    """Levels that no sample falls into: they begin and end between the same two samples."""
    known = [(t, 1 if v else 0) for t, v in signal.changes]
    changed = [pair for place, pair in enumerate(known) if place == 0 or pair[1] != known[place - 1][1]]
    slots = [-((begin_us - t) * rate_hz // 1_000_000) for t, _v in changed]
    return sum(first == following for first, following in zip(slots, slots[1:], strict=False))
