"""The survey of the sensor connector: contact by contact, with what was measured there and what the profile expects."""

from __future__ import annotations

from dataclasses import dataclass

from lidjig.bench.machine import MachineProfile
from lidjig.record.model import FAIL, MARGINAL, NOT_MEASURED, PASS, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.rows import NO_LIMIT, Shown, outcome_key, told_as
from lidjig.show.report.words import Words

_WORST = (FAIL, MARGINAL, NOT_MEASURED, PASS, NO_LIMIT)


@dataclass(frozen=True)
class Contact:
    """One contact. kind: supply, line, ground. outcome: the worst of its measurements; "" where nothing is judged."""

    kind: str
    name: str
    level: str
    resistance: str
    expected: str
    outcome: str
    outcome_word: str


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
    contacts = [_contact("supply", words("page.supply"), supply, None, words)]
    for number in numbers:
        level, pull = values.get(f"line {number} idle level"), values.get(f"line {number} pull")
        contacts.append(_contact("line", f"{words('page.line')} {number}", level, pull, words))
    contacts.append(Contact("ground", words("page.ground"), "", "", "", "", words("page.not_judged")))
    return Connector(tuple(contacts))


def _contact(
    kind: str, name: str, level: MeasuredValue | None, pull: MeasuredValue | None, words: Words
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
    )


def _told(measured: MeasuredValue | None, words: Words) -> str:
    if measured is None or measured.value is None:
        return words("outcome.not_measured")
    shown = Shown(measured, words)
    interval = shown.interval()
    apart = measured.low is not None and measured.high is not None and measured.low != measured.high
    return f"{shown.value()} ({interval})" if apart else shown.value()
