"""What changes from one value to another in a run: lines, outputs, route, lock, bands, power state, angle; on the axis.

All of it as wires of one bit (route_standin = 1 while the stand-in is connected), but for the angle: a reader of wave
forms that knows no vectors (libsigrok 0.5 ends at the first one) then still shows everything that was told.

A signal is unknown (None) before it was first told, where the board lost events, and while it was restarting.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from lidjig.bench import parse_machine
from lidjig.bench.machine import POWER_STATES, MachineProfile
from lidjig.errors import BadInput
from lidjig.record.axis import Boot, Levels, levels_of
from lidjig.record.power import states_of_boot
from lidjig.record.power_signed import Told as ToldBy
from lidjig.record.power_signed import told_by
from lidjig.record.source import Source
from lidjig.record.stored import StoredEvent
from shared_proto import names

OUTPUTS = ("output_1", "output_2")
THRESHOLDS = (1, 2, 3)  # of a comparator, as many as the protocol has
# What is one of several words: a wire for each.
WORDS: dict[str, tuple[str, ...]] = {"route": names.ROUTES, "lock": names.LOCK_STATES, "power": POWER_STATES}
GAP = "gap"
Value = float | int | None


@dataclass
class Signal:
    """real: a number in the unit that its name ends with, else a wire. changes: (axis time in us, value), ascending."""

    name: str
    real: bool = False
    changes: list[tuple[int, Value]] = field(default_factory=list)

    @property
    def told(self) -> bool:
        """Whether it has ever been known."""
        return any(value is not None for _t, value in self.changes)


def signals_of(source: Source) -> list[Signal]:
    """Every signal that was told at least once (a threshold: crossed at least once), and `gap`: 1 where something
    of the record is missing.
    """
    run = source.run
    machine = _machine(source)
    levels = levels_of(run, source.boots)
    by = {} if machine is None else told_by(run, machine, source.boots, levels)
    watched = {"supply_ok"} | (set(machine.digital()) if machine else set())
    signals = {signal.name: signal for signal in _blank()}
    gap = Signal(GAP, changes=[(source.begin_us, 0)])
    for boot in source.boots:
        events = run.events[boot.first : boot.last + 1]
        told = _told(events, levels[boot.number], watched)
        if machine is not None:
            told += _power(events, levels[boot.number], by[boot.number])
        holes = _holes(events)
        if boot.number > 1:
            before = source.boots[boot.number - 2]
            holes.insert(0, (before.end_us + 1 + before.offset_us - boot.offset_us, boot.begin_us))
        _enter(signals, gap, boot, told, holes)
    if source.lost_us is not None:
        gap.changes.append((source.lost_us, 1))
    # A threshold that was never crossed may not exist.
    never = {name for name, signal in signals.items() if "_above_" in name and not any(v for _t, v in signal.changes)}
    return [gap, *(signal for name, signal in signals.items() if signal.told and name not in never)]


def _blank() -> Iterator[Signal]:
    wires = [*names.LINES, *OUTPUTS]
    wires += [f"{kind}_{word}" for kind, words in WORDS.items() for word in words]
    wires += [_above(channel, number) for channel in names.CHANNELS for number in THRESHOLDS]
    yield from (Signal(name) for name in wires)
    yield Signal("angle_deg", real=True)


def _above(channel: str, number: int) -> str:
    """The wire that is 1 while a channel is above its threshold of that number."""
    return f"{channel}_above_{number}"


def _one_of(kind: str, value: int | str) -> Iterator[tuple[str, Value]]:
    """A wire for each word of WORDS; unknown all of them where the number has no word (newer firmware)."""
    words = WORDS[kind]
    at = value if isinstance(value, int) else words.index(value) if value in words else len(words)
    for place, word in enumerate(words):
        yield f"{kind}_{word}", None if at >= len(words) else int(place == at)


def _machine(source: Source) -> MachineProfile | None:
    """The profile that the run kept; None where there is none, or an older lidjig's that is no longer read."""
    try:
        return parse_machine(source.run.texts["machine"], f"machine profile of run {source.run.id}")
    except (KeyError, BadInput):
        return None


Told = list[tuple[int, str, Value]]


def _told(events: list[StoredEvent], levels: list[Levels], watched: set[str]) -> Told:
    """(board time, signal, value) of everything that says a value."""
    out: Told = [(read.t_us, name, read.of(name)) for read in levels for name in names.LINES if name in watched]
    for event in events:
        out += [(event.t_us, name, value) for name, value in _says(event)]
    return out


def _says(event: StoredEvent) -> Iterator[tuple[str, Value]]:
    data = event.data
    if event.name == "edge" and data["line"] < len(names.LINES):
        yield names.LINES[data["line"]], data["level"]
    elif event.name == "supply":
        yield "supply_ok", data["present"]
    elif event.name == "mark":
        yield "mark", data["pressed"]
    elif event.name == "routed":
        yield from _one_of("route", data["route"])
    elif event.name == "lock":
        yield from _one_of("lock", data["state"])
    elif event.name == "band" and data["channel"] < len(names.CHANNELS):
        channel = names.CHANNELS[data["channel"]]
        yield from ((_above(channel, number), int(data["band"] >= number)) for number in THRESHOLDS)
    elif event.name == "output" and data["output"] < len(OUTPUTS):
        yield OUTPUTS[data["output"]], data["operated"]
    if "angle_mdeg" in data:
        yield "angle_deg", data["angle_mdeg"] / 1000.0


def _power(events: list[StoredEvent], levels: list[Levels], by: ToldBy) -> Told:
    """A wire for each power state: which one holds, unknown where none is told."""
    timeline = states_of_boot(events, levels, by)
    return [(t_us, name, value) for t_us, state in timeline for name, value in _one_of("power", state)]


def _holes(events: list[StoredEvent]) -> list[tuple[int, int]]:
    """(begin, end) of what the board lost: from the last event before to the one that says so."""
    out: list[tuple[int, int]] = []
    latest = 0
    for event in events:
        if event.name == "lost":
            out.append((min(latest + 1, event.t_us), event.t_us))
        latest = max(latest, event.t_us)
    return out


def _enter(signals: dict[str, Signal], gap: Signal, boot: Boot, told: Told, holes: list[tuple[int, int]]) -> None:
    """One boot's values and holes, on the axis and in order. A hole that begins where a value was told comes after."""
    offset = boot.offset_us
    changes: list[tuple[int, int, str, Value]] = [(t + offset, 1, name, value) for t, name, value in told]
    for begin, end in holes:
        changes += [(begin + offset, 0, name, None) for name in signals]
        gap.changes += [(begin + offset, 1), (end + offset, 0)]
    for t_us, _order, name, value in sorted(changes, key=lambda change: change[:2]):
        signals[name].changes.append((t_us, value))
