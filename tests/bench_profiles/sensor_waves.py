"""Waves of PWM, SENT and SSI outputs, made from the published formats and from nothing of the program but its types."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from lidjig.bench.families.base import Limits, Seen, Wave

# SAE J2716: remainders of x^4 times each nibble by x^4+x^3+x^2+1, as tabulated in open-source decoders (second hand).
CRC4_TABLE = (0, 13, 7, 10, 14, 3, 9, 4, 1, 12, 6, 11, 15, 2, 8, 5)


def limits(
    *, supply_max_v: float = 3.6, update_hz: float = 100.0, span_deg: float = 180.0, wrap: bool = False
) -> Limits:
    return Limits(2.7, supply_max_v, update_hz, span_deg, wrap, "mine.toml")


def wave(level: int, stretches_us: Iterable[float], begin_us: float = 0.0) -> Wave:
    """Stretches of alternating level, the first at `level`; what follows the last is not watched."""
    times = np.cumsum([begin_us, *stretches_us])
    return Wave(times[:-1], (np.arange(len(times) - 1) + level) % 2, float(times[-1]))


def seen(**waves: Wave) -> Seen:
    return Seen(3.3, waves)


def inverted(of: Wave) -> Wave:
    return Wave(of.t_us, (1 - of.level).astype(np.int8), of.end_us)


def noisy(of: Wave, jitter_us: float, seed: int) -> Wave:
    """Every edge displaced by up to jitter_us; the first entry, which is no edge, stays."""
    shifts = np.random.default_rng(seed).uniform(-jitter_us, jitter_us, len(of.t_us))
    shifts[0] = 0.0
    return Wave(of.t_us + shifts, of.level, of.end_us)


def glitched(of: Wave, at_us: float, width_us: float) -> Wave:
    """The level turned over for a moment at at_us."""
    place = int(np.searchsorted(of.t_us, at_us, side="right"))
    level = int(of.level[place - 1])
    times = np.insert(of.t_us, place, [at_us, at_us + width_us])
    return Wave(times, np.insert(of.level, place, [1 - level, level]), of.end_us)


def pwm(codes: Iterable[int], frequency_hz: float, head: int = 128, steps: int = 4095, tail: int = 128) -> Wave:
    """Frames of head + code high, the rest low, the last one closed by the begin of another."""
    clock_us = 1e6 / frequency_hz / (head + steps + tail)
    stretches = [50.0]
    for code in codes:
        stretches += [(head + code) * clock_us, (steps - code + tail) * clock_us]
    return wave(0, [*stretches, 10.0])


def crc4(nibbles: Sequence[int], legacy: bool = False) -> int:
    check = 5
    for nibble in nibbles:
        check = nibble ^ CRC4_TABLE[check]
    return check if legacy else CRC4_TABLE[check]


def sent_nibbles(code: int, form: str, status: int, other: int = 0, *, legacy: bool = False) -> list[int]:
    """Status, data and CRC nibbles; other: channel 2, or the counter of H.4. SAE J2716, appendix H (second hand)."""
    msn, mid, lsn = code >> 8, code >> 4 & 15, code & 15
    shared = (code & 3) * 4 + other % 4
    data = {
        "H.1": [msn & 15, mid, lsn, other & 15, other >> 4 & 15, other >> 8 & 15],
        "H.2": [msn & 15, mid, lsn],
        "H.3": [code >> 9 & 7, code >> 6 & 7, code >> 3 & 7, code & 7],
        "H.4": [msn & 15, mid, lsn, other >> 4 & 15, other & 15, 15 - (msn & 15)],
        "H.5": [msn & 15, mid, lsn, 0, 0, 0],
        "H.6": [code >> 10 & 15, code >> 6 & 15, code >> 2 & 15, shared, other >> 2 & 15, other >> 6],
        "H.7": [code >> 12, msn & 15, mid, lsn, other & 15, other >> 4 & 15],
    }[form]
    return [status, *data, crc4(data, legacy)]


def sent_ticks(nibbles: Sequence[int], frame_ticks: int = 0) -> list[float]:
    """Lengths of the pulses of a frame: the sync pulse, the nibbles, and a pause where frame_ticks is given."""
    ticks = [56.0, *(12.0 + n for n in nibbles)]
    return [*ticks, frame_ticks - sum(ticks)] if frame_ticks else ticks


def sent(pulses: Iterable[float], tick_us: float, low_ticks: float = 5.0) -> Wave:
    """Pulses from falling edge to falling edge, in ticks, high before, the last one closed by another falling edge."""
    stretches = [40.0]
    for ticks in pulses:
        stretches += [low_ticks * tick_us, (ticks - low_ticks) * tick_us]
    return wave(1, [*stretches, low_ticks * tick_us])


def ssi_word(angle: int, status: int = 0) -> int:
    """24 bits: angle, status, and the remainder of both by x^6 + x + 1."""
    rest = (angle << 4 | status) << 6
    for shift in range(17, -1, -1):
        if rest >> (shift + 6) & 1:
            rest ^= 0b1000011 << shift
    return (angle << 4 | status) << 6 | rest


def ssi(words: Iterable[int], clock_hz: float = 1e6, *, rest: int = 1, clocks: int = 24, gap_us: float = 500.0) -> Seen:
    """Clock, data and select of words that come out at the clock's rising edge, with the clock resting at `rest`.

    clocks: rising edges for each word; what is put out after the 24th bit is low.
    """
    half_us = 0.5e6 / clock_hz
    now_us = gap_us
    clock, data, select = [(0.0, rest)], [(0.0, 0)], [(0.0, 1)]
    for word in words:
        select.append((now_us, 0))
        now_us += 2.0 * half_us
        for place in range(clocks):
            if rest:
                clock.append((now_us, 0))
                now_us += half_us
            clock.append((now_us, 1))
            data.append((now_us, word >> (23 - place) & 1 if place < 24 else 0))
            now_us += half_us
            if not rest:
                clock.append((now_us, 0))
                now_us += half_us
        if rest:
            # The last bit is taken at one more falling edge.
            clock += [(now_us, 0), (now_us + half_us, 1)]
            now_us += 2.0 * half_us
        select.append((now_us, 1))
        now_us += gap_us

    def made(changes: list[tuple[float, int]]) -> Wave:
        return Wave(np.array([t for t, _ in changes]), np.array([v for _, v in changes], dtype=np.int8), now_us)

    return Seen(3.3, {"clock": made(clock), "data": made(data), "select": made(select)})


def without(of: Seen, name: str) -> Seen:
    return Seen(of.supply_v, {key: value for key, value in of.waves.items() if key != name})
