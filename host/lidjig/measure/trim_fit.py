"""What an output really gives: a straight line, a table and its inverse from commanded parts and the volts read.

The line says how good the output is; the table is what corrects it. A table only means something where the output
follows its command, so one that does not is refused, with the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lidjig.measure.trim_line import Floats, Line, straight_line

POINTS_MIN, POINTS_MAX = 2, 33  # the board's record has room for 33
# Limits of what counts as following (common practice, no source).
ABOVE_PART = 1.05  # no output gives more than its supply, but two meters may disagree on how much that is
DEAD_PART = 0.05  # an output that covers less of the supply than this, commanded over its whole range, does nothing
FLAT_SLOPE = 0.2  # a stretch that rises less than this part of the mean slope does not follow ...
FLAT_SPAN = 0.1  # ... and more of the range than this may not be so; a little at the rails is what amplifiers do
ERRATIC_PART = 0.02  # of the volts covered: readings farther than this from any rising curve contradict each other
SURE = 4.0  # standard uncertainties within which readings may differ without meaning anything

SLIP_RATIO = 4.0  # a slip lies off by this times more than the curve's own bend
READ_AGAIN = "Read that point again: a slip in typing, a loose lead, or an output that had not settled."
STUCK_ADVICE = {
    "low": "Something holds it up from ground (a pull-up, a load), or its amplifier ends there.",
    "high": "It saturates: check the amplifier's supply and the load on the output, or trim a smaller range.",
    "between": "Check the stage behind the output: it has a dead zone, or some of the readings are one old one.",
}


class NotFollowing(ValueError):
    """The output does not do what it is commanded to, so no table can correct it.

    kind: "above supply", "dead", "wrong way", "erratic", "stuck low", "stuck high" or "stuck between". what: seen,
    with the numbers. todo: what to look at.
    """

    def __init__(self, kind: str, what: str, todo: str) -> None:
        super().__init__(kind, what, todo)
        self.kind, self.what, self.todo = kind, what, todo

    def __str__(self) -> str:
        return self.what


@dataclass(frozen=True)
class Stretch:
    """A part of the range, as commanded: low..high of 0..1."""

    low: float
    high: float

    def __str__(self) -> str:
        return f"{100 * self.low:.1f} to {100 * self.high:.1f} % of the range"


@dataclass(frozen=True)
class Table:
    """Volts over commanded part, straight between the points. command (m,): ascending; output_v (m,): never falling.

    pooled: stretches where the readings fell and were levelled (isotonic regression); a table without is the readings.
    """

    command: Floats
    output_v: Floats
    pooled: tuple[Stretch, ...] = ()

    def at(self, command: Floats | float) -> Floats:
        """Volts at commanded parts, those of the end points outside them."""
        return np.asarray(np.interp(command, self.command, self.output_v), dtype=np.float64)

    def command_for(self, output_v: Floats | float) -> Floats:
        """Commanded parts that give these volts; beyond what the output reaches, its end points.

        Where the table is level any command of the stretch gives the volts: the middle is taken.
        """
        at = np.clip(np.asarray(output_v, dtype=np.float64), self.output_v[0], self.output_v[-1])
        levels, first, count = np.unique(self.output_v, return_index=True, return_counts=True)
        low, high = self.command[first], self.command[first + count - 1]
        # Between two levels the way leads from the end of one stretch to the beginning of the next.
        above = np.searchsorted(levels, at, side="left")
        below = np.maximum(above - 1, 0)
        rise = np.where(above > below, levels[above] - levels[below], 1.0)
        between = high[below] + (at - levels[below]) / rise * (low[above] - high[below])
        return np.asarray(np.where(levels[above] == at, 0.5 * (low[above] + high[above]), between), dtype=np.float64)


@dataclass(frozen=True)
class TrimFit:
    """All that the readings of one trim say. line: volts per whole range; residual_v (n,): reading minus table, in the
    order given; not 0 only where readings were repeated or levelled. notes: what the reader should know.
    """

    supply_v: float
    line: Line
    table: Table
    residual_v: Floats
    notes: tuple[str, ...]

    @property
    def reach(self) -> tuple[float, float]:
        """Lowest and highest output as parts of the supply; what is wanted beyond them is not to be had."""
        return float(self.table.output_v[0]) / self.supply_v, float(self.table.output_v[-1]) / self.supply_v

    def inverse(self) -> tuple[Floats, Floats]:
        """The inverse table: wanted parts of the supply (m,), never falling; the parts to command (m,), ascending."""
        return self.table.output_v / self.supply_v, self.table.command

    def command_for(self, wanted: Floats | float) -> Floats:
        """Parts of the range to command so that these parts of the supply come out; the nearest where out of reach."""
        return self.table.command_for(np.asarray(wanted, dtype=np.float64) * self.supply_v)


@dataclass(frozen=True)
class Between:
    """Readings at commands between the points against the table: error_v (n,) = reading - table. rms_v: about zero,
    since nothing was fitted to them, with n degrees of freedom. worst_command: the part at which |error| is largest.
    """

    error_v: Floats
    rms_v: float
    worst_v: float
    worst_command: float

    @property
    def df(self) -> float:
        """Degrees of freedom of rms_v."""
        return float(len(self.error_v))


def fit(readings: Sequence[tuple[float, float, float]], supply_v: float) -> TrimFit:
    """Line and table of an output whose full range is its supply.

    readings: (commanded part 0..1, V read, standard uncertainty in V of that reading alone: scatter and resolution, not
    what all readings share, as the meter's accuracy); readings at one command are averaged. supply_v: measured with
    them. Raises ValueError for numbers that cannot be, NotFollowing where the output does not follow.
    """
    command, v, u_v = _columns(readings, supply_v)
    points, group = np.unique(command, return_inverse=True)
    if not POINTS_MIN <= len(points) <= POINTS_MAX:
        raise ValueError(f"{len(points)} different commands, accepted {POINTS_MIN} to {POINTS_MAX}")
    line = straight_line(command, v, u_v)
    _check_moves(command, v, u_v, line, supply_v)
    weight = np.ones(len(v)) if (u_v == 0.0).any() else u_v**-2.0
    total = np.asarray(np.bincount(group, weight), dtype=np.float64)
    mean = np.bincount(group, weight * v) / total
    output, blocks = isotonic(mean, total)
    pooled = [Stretch(float(points[first]), float(points[end - 1])) for first, end in blocks if end - first > 1]
    table = Table(points, output, tuple(pooled))
    residual = v - output[group]
    _check_agree(command, v, u_v, residual, np.ptp(output))
    _check_slips(points, mean, float(u_v.max()))
    flat = _flat_stretches(table)
    _check_flat(flat, table)
    return TrimFit(supply_v, line, table, residual, tuple(_notes(table, residual, flat)))


def between(table: Table, readings: Sequence[tuple[float, float]]) -> Between:
    """What the table is worth between its points. readings: (commanded part, V read), at least one.

    Raises ValueError without any, or for commands outside the table's.
    """
    if not readings:
        raise ValueError("no readings between the points, accepted at least one")
    command = np.array([c for c, _v in readings], dtype=np.float64)
    if not ((command >= table.command[0]) & (command <= table.command[-1])).all():
        raise ValueError(f"commands {command.min():g}..{command.max():g}, accepted inside the table's")
    error = np.array([v for _c, v in readings], dtype=np.float64) - table.at(command)
    worst = int(np.argmax(np.abs(error)))
    return Between(error, float(np.sqrt(np.mean(error**2))), float(error[worst]), float(command[worst]))


def isotonic(v: Floats, weight: Floats) -> tuple[Floats, list[tuple[int, int]]]:
    """Never-falling values nearest to v (n,) in weighted least squares, by pooling adjacent violators (Ayer, Brunk,
    Ewing, Reid and Silverman 1955). Returns them and the blocks [first, last + 1) that became one value each.
    """
    sums: list[tuple[float, float, int]] = []  # weighted mean, weight, length
    for value, w in zip(v, weight, strict=True):
        block = (float(value), float(w), 1)
        while sums and sums[-1][0] > block[0]:
            mean, total, count = sums.pop()
            whole = total + block[1]
            block = ((mean * total + block[0] * block[1]) / whole, whole, count + block[2])
        sums.append(block)
    ends = np.cumsum([count for _mean, _total, count in sums])
    blocks = [(int(end) - count, int(end)) for end, (_m, _t, count) in zip(ends, sums, strict=True)]
    return np.repeat([mean for mean, _t, _c in sums], [count for _m, _t, count in sums]), blocks


def _columns(readings: Sequence[tuple[float, float, float]], supply_v: float) -> tuple[Floats, Floats, Floats]:
    if not 0.0 < supply_v < np.inf:
        raise ValueError(f"supply {supply_v} V, accepted above 0")
    rows = np.asarray(readings, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != 3 or not np.isfinite(rows).all():
        raise ValueError("readings, accepted rows of three numbers: commanded part, V, standard uncertainty in V")
    command, v, u_v = rows.T
    if command.min() < 0.0 or command.max() > 1.0:
        raise ValueError(f"commanded parts {command.min():g}..{command.max():g}, accepted 0..1")
    if u_v.min() < 0.0:
        raise ValueError(f"standard uncertainty {u_v.min():g} V, accepted 0 or more")
    return command, v, u_v


def _check_moves(command: Floats, v: Floats, u_v: Floats, line: Line, supply_v: float) -> None:
    """Raises NotFollowing where the readings are no output's of this supply, do not move, or move the wrong way."""
    top = int(np.argmax(v))
    if v[top] > ABOVE_PART * supply_v + SURE * u_v[top]:
        raise NotFollowing(
            "above supply",
            f"{v[top]:.4f} V was read at {100 * command[top]:.1f} % of the range, and the supply is {supply_v:.3f} V",
            "Check the supply that the jig measures, the meter's range and where its leads are.",
        )
    low, high = float(v.min()), float(v.max())
    span = f"commanded from {100 * command.min():.1f} to {100 * command.max():.1f} % of the range"
    if abs(line.slope) < DEAD_PART * supply_v or high - low < SURE * float(u_v.max()):
        raise NotFollowing(
            "dead",
            f"the output stays between {low:.4f} and {high:.4f} V while it is {span}",
            "Check that the leads are on the output that is trimmed, that it is driven, and that nothing holds it.",
        )
    if line.slope < 0.0:
        raise NotFollowing(
            "wrong way",
            f"the output falls by {-line.slope:.3f} V per range while it is {span} upwards",
            "Check which lead of the meter is on ground, and whether a stage behind the output inverts.",
        )


def _check_agree(command: Floats, v: Floats, u_v: Floats, residual: Floats, covered_v: float) -> None:
    """Raises NotFollowing where readings lie too far from a curve that never falls."""
    worst = int(np.argmax(np.abs(residual) - SURE * u_v))
    if abs(residual[worst]) > ERRATIC_PART * covered_v + SURE * u_v[worst]:
        raise NotFollowing(
            "erratic",
            f"{v[worst]:.4f} V at {100 * command[worst]:.1f} % of the range lies {abs(residual[worst]):.4f} V from "
            "anything that the readings beside it allow",
            READ_AGAIN,
        )


def _check_slips(command: Floats, v: Floats, u_v: float) -> None:
    """Raises NotFollowing where one point fits neither between its neighbours nor on the way on from either side.

    A corner, as where an output saturates, lies on the way on from one side; a slip lies on none. It is told from the
    bend of the whole curve by the other points, so nothing is told from fewer than three with two on each side.
    """
    if len(v) < 7:
        return

    def line(i: int, j: int, k: int) -> float:
        """Distance of point k from the line through i and j."""
        return float(v[i] + (v[j] - v[i]) * (command[k] - command[i]) / (command[j] - command[i]) - v[k])

    inner = range(2, len(v) - 2)
    ways = ((-1, 1), (-2, -1), (1, 2))  # between the neighbours, on from the left, on from the right
    off = np.array([min(abs(line(k + i, k + j, k)) for i, j in ways) for k in inner])
    worst = int(np.argmax(off))
    if off[worst] > max(ERRATIC_PART * float(np.ptp(v)) + SURE * u_v, SLIP_RATIO * float(np.median(off))):
        raise NotFollowing(
            "erratic",
            f"{v[worst + 2]:.4f} V at {100 * command[worst + 2]:.1f} % of the range lies {off[worst]:.4f} V from where "
            "the readings beside it lead",
            READ_AGAIN,
        )


def _flat_stretches(table: Table) -> list[Stretch]:
    """Stretches where the table hardly rises."""
    slope = np.diff(table.output_v) / np.diff(table.command)
    mean = (table.output_v[-1] - table.output_v[0]) / (table.command[-1] - table.command[0])
    found: list[Stretch] = []
    for index in np.flatnonzero(slope < FLAT_SLOPE * mean):
        low, high = float(table.command[index]), float(table.command[index + 1])
        if found and found[-1].high == low:
            low = found.pop().low
        found.append(Stretch(low, high))
    return found


def _check_flat(flat: Sequence[Stretch], table: Table) -> None:
    for stretch in flat:
        if stretch.high - stretch.low <= FLAT_SPAN + 1e-9:
            continue
        at_v = float(table.at(0.5 * (stretch.low + stretch.high)))
        kind = "between"
        if stretch.low == table.command[0]:
            kind = "low"
        elif stretch.high == table.command[-1]:
            kind = "high"
        what = f"the output stays at about {at_v:.3f} V over {stretch}"
        raise NotFollowing(f"stuck {kind}", what, STUCK_ADVICE[kind])


def _notes(table: Table, residual: Floats, flat: Sequence[Stretch]) -> list[str]:
    notes: list[str] = []
    if table.pooled:
        where = ", ".join(str(stretch) for stretch in table.pooled)
        moved = 1000 * float(np.abs(residual).max())
        notes.append(
            f"the readings fall where they should rise ({where}); they were levelled there (isotonic regression), "
            f"by {moved:.2f} mV at most"
        )
    notes += [f"the output hardly follows over {stretch}" for stretch in flat]
    return notes
