"""Which R and C make an analog output of N bits out of pulse width modulation, in a given time, or why none do.

Ripple asks for a large C, settling for a small one. For one set of resistors everything scales with C: the ripple
depends on T / C alone, the settling time is in proportion to C. So two numbers per resistor value say all of it, both
found with capacitors of 1 F:

    x = T / C at which the ripple is at its limit        C is at least T / x
    s = settling time per farad                          C is at most settling time / s

With tolerances the ripple is worst with every part at its low end and the settling with every part at its high end,
since ripple falls and settling grows with each R and each C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from lidjig.measure.rc_filter import RcFilter, cutoff_hz, ripple_part, settling_s

# Behind the jig's drive buffer: 220 ohm (WIRING.md) and about 25 ohm of the buffer itself (value from memory).
SOURCE_OHM = 245.0
CLOCK_HZ = 125e6  # counts of the board's pulse width modulation; an RP2040's system clock
# Common practice, no source: low for the converter that a machine reads with, high against a driver whose own
# resistance is known to tens of ohms.
PREFERRED_OHM = 4700.0
LOAD_SHARE = 0.01  # part of the range that a load should take at most, where the parts allow
POLES = (1, 2)


@dataclass(frozen=True)
class Ask:
    """What is wanted. settle_s: a step over the whole range is within half an LSB by then. ripple_lsb: peak to peak, at
    most. One LSB is the output's range / 2^bits. load_ohm: to ground, math.inf for none.

    Raises ValueError for what no output has.
    """

    pwm_hz: float
    bits: int
    settle_s: float
    source_ohm: float = SOURCE_OHM
    load_ohm: float = math.inf
    ripple_lsb: float = 0.5
    clock_hz: float = CLOCK_HZ

    def __post_init__(self) -> None:
        for name in ("pwm_hz", "settle_s", "clock_hz"):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} {getattr(self, name)}: accepted above 0")
        if self.bits < 1 or not 0.0 < self.ripple_lsb <= 1.0:
            raise ValueError(f"{self.bits} bits, {self.ripple_lsb} LSB: accepted 1 bit or more and up to 1 LSB")

    @property
    def ripple_limit(self) -> float:
        """As part of the output's range."""
        return self.ripple_lsb * 0.5**self.bits

    @property
    def pwm_max_hz(self) -> float:
        """Above it the counter has fewer steps than 2^bits."""
        return self.clock_hz * 0.5**self.bits


@dataclass(frozen=True)
class Shelf:
    """Parts to choose from: values in ohm and farad, ascending, and their tolerances as parts of one."""

    resistors: tuple[float, ...]
    capacitors: tuple[float, ...]
    r_part: float = 0.01
    c_part: float = 0.10


@dataclass(frozen=True)
class Window:
    """Capacitance in farad, for one resistor value, from what the ripple asks for to what the settling allows; empty
    where the first is the larger.
    """

    r_ohm: float
    ripple_c_f: float
    settle_c_f: float


@dataclass(frozen=True)
class Figures:
    """What a filter does. ripple_lsb: peak to peak at half duty."""

    ripple_lsb: float
    settle_s: float


@dataclass(frozen=True)
class Chosen:
    """Parts off the shelf, the same in each stage. worst: each part at the end of its tolerance that is worst."""

    r_ohm: float
    c_f: float
    gain: float
    output_ohm: float
    cutoff_hz: float
    nominal: Figures
    worst: Figures
    holds_worst: bool


@dataclass(frozen=True)
class Possible:
    """What would be possible instead, each by itself with the rest as asked, tolerances included; None: nothing would.
    Fewer bits, a longer time and a higher frequency up to pwm_hz_max are possible then, too.


    pwm_hz_min to pwm_hz_max: with the counter's steps for the bits asked for. fastest_settle_s: the shortest settling
    time of all, at pwm_hz_max; only where it takes both.
    """

    bits_max: int | None
    settle_s_min: float | None
    pwm_hz_min: float | None
    pwm_hz_max: float
    fastest_settle_s: float | None


@dataclass(frozen=True)
class Design:
    """One number of poles. window: exact, at the resistor of the chosen parts (or the preferred one). chosen: None
    where the ask is impossible; why says so then, and possible what would be. possible is given too where only the
    tolerances break the ask.
    """

    poles: int
    window: Window
    chosen: Chosen | None
    why: str
    possible: Possible | None


def design(ask: Ask, poles: int, shelf: Shelf) -> Design:
    """The filter with one or two equal stages that meets the ask, in the middle of what is possible.

    Parts that hold with the worst tolerances come first. Raises ValueError for another number of poles or an empty
    shelf.
    """
    if poles not in POLES or not shelf.resistors or not shelf.capacitors:
        have = f"{len(shelf.resistors)} R, {len(shelf.capacitors)} C"
        raise ValueError(f"{poles} poles, {have}: accepted 1 or 2, and at least one of each part")
    preferred = _preferred(ask, poles, shelf)
    # A counter without the steps makes no such output, whatever the filter.
    counts = ask.pwm_hz <= ask.pwm_max_hz
    tolerant = _tolerances(ask, poles, shelf)
    pair = _middle(tolerant, shelf, preferred)
    if pair is None:
        pair = _middle([_window(ask, poles, r_ohm) for r_ohm in shelf.resistors], shelf, preferred)
    if not counts or pair is None:
        window = _window(ask, poles, preferred)
        return Design(poles, window, None, _why(ask, shelf, window), _possible(ask, poles, shelf, tolerant))
    chosen = _figures(ask, poles, shelf, *pair)
    possible = None if chosen.holds_worst else _possible(ask, poles, shelf, tolerant)
    return Design(poles, _window(ask, poles, chosen.r_ohm), chosen, "", possible)


def recommended(designs: list[Design]) -> Design | None:
    """The one to build: with the fewest poles of those that hold with tolerances, else of those that hold at all."""
    held = [d for d in designs if d.chosen is not None]
    return min(held, key=lambda d: (not (d.chosen and d.chosen.holds_worst), d.poles), default=None)


def _equal(ask: Ask, poles: int, r_ohm: float, c_f: float) -> RcFilter:
    return RcFilter((r_ohm,) * poles, (c_f,) * poles, ask.source_ohm, ask.load_ohm)


def _period_per_farad(ask: Ask, poles: int, r_ohm: float) -> float:
    """x of the module: T / C at which the ripple is at its limit.

    The ripple of a small x goes with x^poles, that of a large one less steeply: steps as if it always did come nearer
    from one side, most often within five steps.
    """
    unit = _equal(ask, poles, r_ohm, 1.0)
    x, before = settling_s(unit, 1), math.inf
    for _ in range(200):
        step = (ask.ripple_limit / ripple_part(unit, 1.0 / x)) ** (1.0 / poles)
        # Not nearer than before: the last digits are reached (a ripple of 1e-7 has nine, being a difference).
        if abs(step - 1.0) >= before:
            break
        x, before = x * step, abs(step - 1.0)
    return x


def _ripple_c(ask: Ask, poles: int, r_ohm: float) -> float:
    """The least capacitance in farad by the ripple."""
    return 1.0 / (ask.pwm_hz * _period_per_farad(ask, poles, r_ohm))


def _settle_c(ask: Ask, poles: int, r_ohm: float) -> float:
    """The most capacitance in farad by the settling time."""
    return ask.settle_s / settling_s(_equal(ask, poles, r_ohm, 1.0), ask.bits)


def _window(ask: Ask, poles: int, r_ohm: float) -> Window:
    return Window(r_ohm, _ripple_c(ask, poles, r_ohm), _settle_c(ask, poles, r_ohm))


def _tolerances(ask: Ask, poles: int, shelf: Shelf) -> list[Window]:
    """For each resistor on the shelf the window for the nominal C that keeps the ask with the worst tolerances."""
    found = []
    for r_ohm in shelf.resistors:
        least = _ripple_c(ask, poles, r_ohm * (1.0 - shelf.r_part)) / (1.0 - shelf.c_part)
        most = _settle_c(ask, poles, r_ohm * (1.0 + shelf.r_part)) / (1.0 + shelf.c_part)
        found.append(Window(r_ohm, least, most))
    return found


def _preferred(ask: Ask, poles: int, shelf: Shelf) -> float:
    """The resistor on the shelf nearest to the preferred one, or to the one of which a load takes LOAD_SHARE."""
    wanted = min(PREFERRED_OHM, LOAD_SHARE * ask.load_ohm / poles)
    return min(shelf.resistors, key=lambda r_ohm: abs(math.log(r_ohm / wanted)))


def _middle(windows: list[Window], shelf: Shelf, preferred: float) -> tuple[float, float] | None:
    """R and C inside the windows, near the middle of the window and near the preferred resistor; None: no pair does.

    The edge of the window counts as much as half a decade of resistance: in a wide window the resistor decides.
    """
    best: tuple[float, tuple[float, float]] | None = None
    for window in windows:
        least, most = math.log(window.ripple_c_f), math.log(window.settle_c_f)
        away = (2.0 * math.log10(window.r_ohm / preferred)) ** 2
        for c_f in shelf.capacitors:
            if window.ripple_c_f <= c_f <= window.settle_c_f:
                off = (2.0 * math.log(c_f) - least - most) / max(most - least, 1e-9)
                if best is None or off * off + away < best[0]:
                    best = off * off + away, (window.r_ohm, c_f)
    return best[1] if best else None


def _figures(ask: Ask, poles: int, shelf: Shelf, r_ohm: float, c_f: float) -> Chosen:
    circuit = _equal(ask, poles, r_ohm, c_f)
    low = _equal(ask, poles, r_ohm * (1.0 - shelf.r_part), c_f * (1.0 - shelf.c_part))
    high = _equal(ask, poles, r_ohm * (1.0 + shelf.r_part), c_f * (1.0 + shelf.c_part))
    lsb = 0.5**ask.bits
    nominal = Figures(ripple_part(circuit, ask.pwm_hz) / lsb, settling_s(circuit, ask.bits))
    worst = Figures(ripple_part(low, ask.pwm_hz) / lsb, settling_s(high, ask.bits))
    holds = worst.ripple_lsb <= ask.ripple_lsb and worst.settle_s <= ask.settle_s
    return Chosen(r_ohm, c_f, circuit.gain, circuit.output_ohm, cutoff_hz(circuit), nominal, worst, holds)


def _why(ask: Ask, shelf: Shelf, window: Window) -> str:
    """One clause on what stands against the ask."""
    if ask.pwm_hz > ask.pwm_max_hz:
        steps = math.floor(ask.clock_hz / ask.pwm_hz)
        return f"the board's clock of {ask.clock_hz / 1e6:g} MHz makes {steps} steps a period, of {2**ask.bits} needed"
    if window.ripple_c_f > window.settle_c_f:
        times = window.ripple_c_f / window.settle_c_f
        return f"the ripple asks for a time constant {times:.3g} times as long as the settling allows"
    smallest, largest = shelf.capacitors[0], shelf.capacitors[-1]
    if window.ripple_c_f > largest or window.settle_c_f < smallest:
        return "it would take parts outside the values looked through"
    return "no pair of standard values lies between what the ripple and what the settling ask for"


def _possible(ask: Ask, poles: int, shelf: Shelf, tolerant: list[Window]) -> Possible:
    """See Possible. Every figure is one of parts on the shelf with their tolerances, none of a window."""
    pwm_hz_max = float(math.floor(ask.pwm_max_hz))
    settle = _settle_min(ask, shelf, tolerant) if ask.pwm_hz <= ask.pwm_max_hz else None
    pwm = _pwm_min(ask, shelf, tolerant)
    if pwm is not None and pwm > pwm_hz_max:
        pwm = None
    fastest = None
    if pwm is None:
        quick = replace(ask, pwm_hz=pwm_hz_max)
        fastest = _settle_min(quick, shelf, _tolerances(quick, poles, shelf))
    return Possible(_bits_max(ask, poles, shelf), settle, pwm, pwm_hz_max, fastest)


def _settle_min(ask: Ask, shelf: Shelf, tolerant: list[Window]) -> float | None:
    """The shortest settling time: for each R the smallest C that keeps the ripple."""
    found = []
    for window in tolerant:
        c_f = next((c for c in shelf.capacitors if c >= window.ripple_c_f), None)
        if c_f is not None:
            found.append(ask.settle_s * c_f / window.settle_c_f)
    return min(found, default=None)


def _pwm_min(ask: Ask, shelf: Shelf, tolerant: list[Window]) -> float | None:
    """The lowest frequency: for each R the largest C that settles in time."""
    found = []
    for window in tolerant:
        c_f = next((c for c in reversed(shelf.capacitors) if c <= window.settle_c_f), None)
        if c_f is not None:
            found.append(ask.pwm_hz * window.ripple_c_f / c_f)
    return min(found, default=None)


def _bits_max(ask: Ask, poles: int, shelf: Shelf) -> int | None:
    """The most bits below those asked for. Whatever holds for some holds for fewer: the window only grows."""

    def held(bits: int) -> bool:
        fewer = replace(ask, bits=bits)
        return ask.pwm_hz <= fewer.pwm_max_hz and any(
            window.ripple_c_f <= c_f <= window.settle_c_f
            for window in _tolerances(fewer, poles, shelf)
            for c_f in shelf.capacitors
        )

    least, most = 0, ask.bits - 1
    while least < most:
        middle = (least + most + 1) // 2
        least, most = (middle, most) if held(middle) else (least, middle - 1)
    return least or None
