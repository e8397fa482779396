"""The survey of the sensor connector: contact by contact, with what was measured there and what the profile expects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lidjig.bench.machine import MachineProfile
from lidjig.record.model import FAIL, MARGINAL, NOT_MEASURED, PASS, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.rows import NO_LIMIT, Shown, outcome_key, told_as
from lidjig.show.report.words import Words

_WORST = (FAIL, MARGINAL, NOT_MEASURED, PASS, NO_LIMIT)
LINES = (1, 2)  # of the connector, fitted or not
# Kind of contact -> (side, quantity as the drawing names it, name of the measurement) of all that a survey reads there.
_READ = {
    "supply": (("machine", "voltage", "sensor supply"), ("sensor", "current", "sensor current")),
    "line": (
        ("machine", "level", "line {n} idle level"),
        ("machine", "pull", "line {n} pull"),
        ("sensor", "lid-open", "sensor line {n}, lid open"),
        ("sensor", "lid-shut", "sensor line {n}, lid shut"),
        # An angle, which all lines together tell.
        ("sensor", "lid-open", "sensor angle, lid open"),
        ("sensor", "lid-shut", "sensor angle, lid shut"),
    ),
}


@dataclass(frozen=True)
class Reading:
    """One row of the table. side: machine, sensor. quantity: "" where the row only says why there is none; outcome: ""
    where nothing is judged."""

    side: str
    side_word: str
    quantity: str
    value: str
    expected: str
    outcome: str
    outcome_word: str


@dataclass(frozen=True)
class Contact:
    """One contact. kind: supply, line, ground. level, resistance, expected: of the machine's side. outcome: the worst
    of that side's measurements; "" where nothing is judged. readings: all that the drawing shows, on both sides."""

    kind: str
    name: str
    level: str
    resistance: str
    expected: str
    outcome: str
    outcome_word: str
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True)
class Connector:
    """The connector's contacts in the order in which they are drawn."""

    contacts: tuple[Contact, ...]


def connector_of(run: StoredRun, machine: MachineProfile | None, words: Words) -> Connector | None:
    """The survey of a run; None where nothing of it was measured."""
    values = {m.name: m for m in latest(run.measurements)}
    supply = values.get("sensor supply")
    if supply is None:
        return None
    numbers = sorted(
        machine.line_numbers() if machine else {int(name.split()[1]) for name in values if name.startswith("line ")}
    )
    surveyed = any(name.startswith(("sensor line ", "sensor angle", "sensor current")) for name in values)
    rows = _readings("supply", 0, values, surveyed, words)
    contacts = [_contact("supply", words("page.supply"), supply, None, words, rows)]
    for number in LINES:
        name = f"{words('page.line')} {number}"
        if number not in numbers:
            rows = tuple(_empty(side, "not-used", words) for side in ("machine", "sensor"))
            contacts.append(Contact("line", name, "", "", "", "", words("figure.connector.not-used"), rows))
            continue
        level, pull = values.get(f"line {number} idle level"), values.get(f"line {number} pull")
        rows = _readings("line", number, values, surveyed, words)
        contacts.append(_contact("line", name, level, pull, words, rows))
    rows = tuple(_empty(side, "reference", words) for side in ("machine", "sensor"))
    contacts.append(Contact("ground", words("page.ground"), "", "", "", "", words("page.not_judged"), rows))
    return Connector(tuple(contacts))


def _readings(
    kind: str, number: int, values: Mapping[str, MeasuredValue], surveyed: bool, words: Words
) -> tuple[Reading, ...]:
    """What both sides of a contact showed, in the drawing's order; a side with nothing says why."""
    rows: list[Reading] = []
    for side in ("machine", "sensor"):
        mine = [
            _reading(side, quantity, values[name.format(n=number)], words)
            for at, quantity, name in _READ[kind]
            if at == side and name.format(n=number) in values
        ]
        looked_at = side == "machine" or surveyed
        rows += mine or [_empty(side, "not-measured" if looked_at else "not-surveyed", words)]
    return tuple(rows)


def _reading(side: str, quantity: str, measured: MeasuredValue, words: Words) -> Reading:
    outcome = told_as(measured)
    said = words(f"outcome.{outcome_key(outcome)}")
    about = words(f"figure.connector.{side}-side"), words(f"figure.connector.{quantity}")
    return Reading(side, *about, _told(measured, words), Shown(measured, words).limits(), outcome, said)


def _empty(side: str, why: str, words: Words) -> Reading:
    """A side without a reading."""
    return Reading(side, words(f"figure.connector.{side}-side"), "", words(f"figure.connector.{why}"), "", "", "")


def _contact(
    kind: str,
    name: str,
    level: MeasuredValue | None,
    pull: MeasuredValue | None,
    words: Words,
    readings: tuple[Reading, ...],
) -> Contact:
    taken = [m for m in (level, pull) if m is not None]
    outcomes = [told_as(m) for m in taken] or [NOT_MEASURED]
    outcome = min(outcomes, key=_WORST.index)
    return Contact(
        kind=kind,
        name=name,
        level=_told(level, words),
        resistance=_told(pull, words) if kind == "line" else "",
        expected="; ".join(Shown(m, words).limits() for m in taken),
        outcome=outcome,
        outcome_word=words(f"outcome.{outcome_key(outcome)}"),
        readings=readings,
    )


def _told(measured: MeasuredValue | None, words: Words) -> str:
    if measured is None or measured.value is None:
        return words("outcome.not_measured")
    shown = Shown(measured, words)
    interval = shown.interval()
    apart = measured.low is not None and measured.high is not None and measured.low != measured.high
    return f"{shown.value()} ({interval})" if apart else shown.value()
