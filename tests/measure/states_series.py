"""Series of observers with known power states, made without anything of the classifier: levels by the clock, noise by a
first-order process, and the habits that make states hard to tell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Track
from scipy.signal import lfilter

Parts = Sequence[tuple[str, float]]  # (state, seconds) one after the other; "gap" = nothing is heard


@dataclass(frozen=True)
class Synthetic:
    """A machine. Light in permille, current in mA; blink: (period s, lit s, level) in S3; dim: (every s, for s, level)
    in S0; charging mA on top of everything; ar: correlation of neighbouring readings; spikes: share of wild readings.
    """

    seed: int = 1
    light: Mapping[str, float] = field(default_factory=lambda: {"S0": 600.0, "S3": 0.0, "S5": 0.0})
    current: Mapping[str, float] = field(default_factory=lambda: {"S0": 900.0, "S3": 130.0, "S5": 15.0})
    light_noise: float = 3.0
    current_noise: Mapping[str, float] = field(default_factory=lambda: {"S0": 25.0, "S3": 4.0, "S5": 2.0})
    blink: tuple[float, float, float] | None = None
    dim: tuple[float, float, float] | None = None
    charging: float = 0.0
    drift: float = 0.0
    ar: float = 0.0
    spikes: float = 0.0
    light_us: int = 2_000
    current_us: int = 5_000
    jitter_us: int = 0

    def tracks(self, parts: Parts, begin_us: int = 0, seed: int = 0) -> tuple[dict[str, Track], list[tuple[int, str]]]:
        """(tracks light, current and slp3; truth as (time from, state), "gap" included)."""
        rng = np.random.default_rng([self.seed, seed])
        truth, at = [], begin_us
        for state, seconds in parts:
            truth.append((at, state))
            at += round(seconds * 1e6)
        out = {}
        for name, period_us in (("light", self.light_us), ("current", self.current_us)):
            times = np.arange(begin_us, at, period_us)
            if self.jitter_us:
                times = np.unique(times + rng.integers(0, self.jitter_us, times.size))
            where = np.searchsorted([t for t, _ in truth], times, side="right") - 1
            states = np.array([s for _, s in truth])[where]
            since_s = (times - np.array([t for t, _ in truth])[where]) / 1e6
            heard = states != "gap"
            values = getattr(self, f"_{name}")(states, since_s, times, rng)
            wild = rng.random(times.size) < self.spikes
            values = np.where(wild, rng.uniform(0.0, 1000.0, times.size), values)
            out[name] = Track(times[heard], values[heard])
        out["slp3"] = _line(truth, at)
        return out, truth

    def _noise(self, n: int, rng: np.random.Generator) -> np.ndarray:
        white = rng.standard_normal(n)
        return np.asarray(lfilter([np.sqrt(1.0 - self.ar**2)], [1.0, -self.ar], white))

    def _light(
        self, states: np.ndarray, since_s: np.ndarray, times: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        level = np.array([self.light.get(s, 0.0) for s in states])
        if self.dim is not None:
            every, lasting, dimmed = self.dim
            level = np.where((states == "S0") & (since_s % every >= every - lasting), dimmed, level)
        if self.blink is not None:
            period, lit, glow = self.blink
            level = np.where((states == "S3") & (since_s % period < lit), glow, level)
        slow = self.drift * 0.02 * 600.0 * np.sin(times / 7e6)
        return np.maximum(0.0, level + slow + self.light_noise * self._noise(times.size, rng))

    def _current(
        self, states: np.ndarray, since_s: np.ndarray, times: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        level = np.array([self.current.get(s, 0.0) for s in states])
        noise = np.array([self.current_noise.get(s, 2.0) for s in states])
        slow = self.drift * 0.03 * level * np.sin(times / 9e6)
        return level + self.charging + slow + noise * self._noise(times.size, rng)

    def recordings(self, seconds: float = 20.0, states: Sequence[str] = ("S0", "S3", "S5")) -> list[Recording]:
        """What teaching would record."""
        out = []
        for place, state in enumerate(states):
            tracks, _ = self.tracks([(state, seconds)], begin_us=place * 100_000_000, seed=1000 + place)
            end_us = place * 100_000_000 + round(seconds * 1e6)
            out.append(Recording(state, tracks, place * 100_000_000, end_us))
        return out


def _line(truth: Sequence[tuple[int, str]], end_us: int) -> Track:
    """SLP_S3#: high in S0. Unknown in a gap."""
    times = np.array([t for t, _ in truth])
    levels = np.array([float(state == "S0") for _, state in truth])
    ends = [t for t, _ in truth[1:]] + [end_us]
    gaps = tuple((begin, end) for (begin, state), end in zip(truth, ends, strict=True) if state == "gap")
    return Track(times, levels, held=True, until_us=end_us, gaps=gaps)


def state_at(truth: Sequence[tuple[int, str]], t_us: int) -> str:
    """The true state at a time."""
    return next((state for begin, state in reversed(truth) if begin <= t_us), "gap")
