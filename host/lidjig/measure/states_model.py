"""What power states look like to the observers: levels, spread, rhythm. The model that a timeline is decoded with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

UNKNOWN = "unknown"
STATES = ("G3", "S5", "S0", "S3")  # the ACPI names, in the order in which results list them

FRAME_US = 20_000  # short against a transition of a machine (hundreds of ms), long against a reading (1 to 5 ms)
DWELL_US = 200_000  # a power state that held for less was none: machines take longer to get in and out of one
UNKNOWN_DWELL_US = 100_000  # disagreement of observers for less is their own difference in speed
CHANGE_EVERY_S = 60.0  # expected time between changes; being wrong by a factor 10 is worth 2.3 nats of evidence
OUTLIERS = 1e-3  # floor: share of readings that come from anywhere, whatever the state
TAIL = 5.0  # degrees of freedom of the spread round a level: real noise has heavier tails than a normal one
EFFECTIVE_MAX = 8.0  # readings of one frame never count as more than so many independent ones
MISFIT_MAX = 7.0  # nats a frame that one observer can hold against a state: a moment must not outweigh a dwell
SHARE_MIN = 0.05  # a level is never weighted below this: how long it was shown while learning is chance
RUSH, OVERDUE = 1e-4, 0.2  # chance per frame that a regular level ends before its shortest, after its longest hold

# log of the kernel's integral: a Student t density with TAIL degrees of freedom is 1 / exp(this) at its centre
_LOG_NORM = float(0.5 * np.log(TAIL * np.pi) + gammaln(0.5 * TAIL) - gammaln(0.5 * (TAIL + 1.0)))


@dataclass(frozen=True)
class Track:
    """What one observer showed. Times in us of board time, ascending.

    Readings: t_us (n,), values (n,) in the observer's unit; NaN = no reading. A digital line has held=True: values (n,)
    are levels, each from its time on until the next; known until until_us. gaps: (begin, end) in us during which
    nothing was heard of it. Raises ValueError for shapes that differ or times that do not ascend.
    """

    t_us: Ints
    values: Floats
    held: bool = False
    until_us: int | None = None
    gaps: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "t_us", np.asarray(self.t_us, dtype=np.int64))
        object.__setattr__(self, "values", np.asarray(self.values, dtype=np.float64))
        if self.t_us.ndim != 1 or self.t_us.shape != self.values.shape:
            raise ValueError(f"track: times {self.t_us.shape} and values {self.values.shape}, accepted (n,) each")
        if np.any(np.diff(self.t_us) < 0):
            raise ValueError("track: times do not ascend")

    @property
    def end_us(self) -> int:
        """Last moment of which something is known; 0 for an empty track."""
        if self.t_us.size == 0:
            return 0
        return int(self.t_us[-1]) if self.until_us is None else max(int(self.t_us[-1]), self.until_us)

    def between(self, begin_us: int, end_us: int) -> Track:
        """The part from begin_us to before end_us; a held level is carried over the cut."""
        if not self.held:
            low, high = np.searchsorted(self.t_us, [begin_us, end_us])
            return Track(self.t_us[low:high], self.values[low:high])
        low, high = int(np.searchsorted(self.t_us, begin_us, side="right")), int(np.searchsorted(self.t_us, end_us))
        times, values = self.t_us[low:high], self.values[low:high]
        if low > 0 and begin_us < self.end_us:
            times, values = np.r_[begin_us, times], np.r_[self.values[low - 1], values]
        return Track(times, values, held=True, until_us=min(end_us, self.end_us), gaps=self.gaps)


Tracks = Mapping[str, Track]


@dataclass(frozen=True)
class Level:
    """One level that an observer shows in a state, in its unit: a plateau centre +/- half with tails of `spread`.

    share: part of the time; rate_per_s: how often it is left, per second in it. hold_s: (shortest, longest) stay where
    it is held regularly (a blinking light), else None.
    """

    centre: float
    spread: float
    share: float = 1.0
    half: float = 0.0
    rate_per_s: float = 0.0
    hold_s: tuple[float, float] | None = None

    def log_density(self, values: Floats) -> Floats:
        """log of the density per unit at values (n,): flat on the plateau, Student t with TAIL beyond it."""
        z = np.maximum(np.abs(values - self.centre) - self.half, 0.0) / self.spread
        kernel = -0.5 * (TAIL + 1.0) * np.log1p(z * z / TAIL)
        return np.asarray(kernel - np.log(2.0 * self.half + self.spread * np.exp(_LOG_NORM)))


@dataclass(frozen=True)
class Shape:
    """Signature of one observer in one state. independent_per_s: readings per second that say something new (noise of
    neighbouring readings is alike); period_s: of a rhythm, None where there is none; n: readings it was learned from.
    """

    levels: tuple[Level, ...]
    independent_per_s: float = 50.0
    period_s: float | None = None
    n: int = 0


@dataclass(frozen=True)
class Scope:
    """An observer's range in its unit; a reading that belongs to no state may lie anywhere in it."""

    low: float
    high: float
    digital: bool = False

    @property
    def log_flat(self) -> float:
        """log density of "anywhere"; a digital line has two levels."""
        return float(np.log(0.5) if self.digital else -np.log(max(self.high - self.low, 1e-12)))


@dataclass(frozen=True)
class Model:
    """Signatures: state -> observer -> shape; an observer left out may show anything in that state.

    evidence: (state, other) -> observer -> mean evidence in nats per frame for the state against the other, while the
    state holds. surprise: what a state's misfit must exceed, in nats per frame, before "unknown" explains a frame
    better.
    """

    scopes: dict[str, Scope]
    signatures: dict[str, dict[str, Shape]]
    evidence: dict[tuple[str, str], dict[str, float]] = field(default_factory=dict)
    surprise: float = 4.0
    frame_us: int = FRAME_US

    @property
    def states(self) -> tuple[str, ...]:
        """States described, in the order of STATES."""
        return tuple(state for state in STATES if state in self.signatures)

    def told_by(self, state: str, other: str, observers: frozenset[str]) -> float:
        """Evidence in nats per frame for state against other, from these observers alone."""
        return sum(nats for name, nats in self.evidence.get((state, other), {}).items() if name in observers)
