"""Finding runs again: the list with its filters, and one run by what a person calls it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from lidjig.errors import BadInput
from lidjig.record import schema
from lidjig.record.holes import is_damaged
from lidjig.record.identity import UNKNOWN_UTC, row_lost, run_id
from lidjig.record.model import INCOMPLETE, LOOKING, PASS, RUN_OUTCOMES
from lidjig.record.stored import outcome_left

_MADE_BY = "A test makes one: 'lidjig confirm' on your jig, 'lidjig demo' without any hardware."
_ID = re.compile(r"(?:r-)?(\d{1,9})")


ENDED = "ended"  # as the list calls a run that only looked at a machine and came to its end


@dataclass(frozen=True)
class RunRow:
    """One line of the list of runs."""

    id: str
    number: int
    job: str | None
    command: str
    outcome: str  # "incomplete" also where the run was killed or still runs, or passed and is damaged
    closed: bool
    board_id: str
    firmware_version: str
    host_version: str
    seed: str | None
    started_utc: str
    ended_utc: str | None
    events: int
    gaps: int  # what broke its continuity: restarts, lost links, missing events
    machine: str | None = None  # name of the machine profile
    origin: str | None = None  # id in the record it was made in, where that was another one

    @property
    def row_lost(self) -> bool:
        """True where its own row was lost: command, times, versions, board and outcome are not known."""
        return row_lost(self.command, self.started_utc)

    @property
    def ended(self) -> bool:
        """True where it only looked at a machine and came to its end: its "pass" judges nothing."""
        return outcome_word(self.command, self.outcome) == ENDED


def outcome_word(command: str, outcome: str) -> str:
    """The outcome of a run as it is told outside its own record: "ended" where it judged nothing."""
    return ENDED if outcome == PASS and command in LOOKING else outcome


@dataclass(frozen=True)
class Filter:
    """Which runs are wanted; None = whatever. since, until: a UTC stamp as the record has it, from (inclusive) and
    to (exclusive) the start of a run; see since_utc() and until_utc(). A run of which nobody knows when it was begun
    fits both.
    """

    job: str | None = None
    machine: str | None = None
    outcome: str | None = None
    command: str | None = None
    since: str | None = None
    until: str | None = None

    def conditions(self) -> list[sa.ColumnElement[bool]]:
        """The same in SQL."""
        runs = schema.runs.c
        equal = ((schema.jobs.c.name, self.job), (runs.machine, self.machine), (runs.command, self.command))
        wanted = [column == value for column, value in equal if value is not None]
        if self.outcome == INCOMPLETE:
            damaged = sa.and_(runs.outcome == PASS, is_damaged())
            wanted.append(sa.or_(runs.outcome == INCOMPLETE, runs.outcome.is_(None), damaged))
        elif self.outcome in (PASS, ENDED):
            wanted += [runs.outcome == PASS, sa.not_(is_damaged())]
            wanted.append(runs.command.in_(LOOKING) if self.outcome == ENDED else runs.command.not_in(LOOKING))
        elif self.outcome is not None:
            wanted.append(runs.outcome == self.outcome)
        if self.since is not None:
            wanted.append(sa.or_(runs.started_utc >= self.since, runs.started_utc == UNKNOWN_UTC))
        if self.until is not None:
            wanted.append(runs.started_utc < self.until)
        return wanted


def check_outcome(outcome: str | None) -> str | None:
    """outcome itself. Raises BadInput where no run ends so."""
    if outcome is not None and outcome not in (*RUN_OUTCOMES, ENDED):
        raise BadInput("", "--outcome", outcome, ", ".join((*RUN_OUTCOMES, ENDED)))
    return outcome


def since_utc(text: str | None) -> str | None:
    """The moment from which runs are wanted; a date is its beginning. Raises BadInput for what is neither."""
    return None if text is None else _stamp(_moment("--since", text)[0])


def until_utc(text: str | None) -> str | None:
    """The moment before which runs are wanted; a date counts whole. Raises BadInput for what is neither."""
    if text is None:
        return None
    moment, whole_day = _moment("--until", text)
    return _stamp(moment + timedelta(days=1) if whole_day else moment + timedelta(milliseconds=1))


def _moment(key: str, text: str) -> tuple[datetime, bool]:
    """(moment, whether a whole day was meant). Without an offset it is UTC, as the list shows it."""
    accepted = "a date or a moment in UTC: 2026-11-25, 2026-11-25T14:30, or with an offset 2026-11-25T14:30+01:00"
    clean = text.strip()
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", clean):
            day = date.fromisoformat(clean)
            moment = datetime(day.year, day.month, day.day, tzinfo=UTC)
            moment + timedelta(days=1)  # the last day of the calendar has no end
            return moment, True
        if not re.match(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}", clean):
            raise ValueError(clean)
        given = datetime.fromisoformat(clean)
        return (given if given.tzinfo else given.replace(tzinfo=UTC)).astimezone(UTC), False
    except (ValueError, OverflowError) as error:
        raise BadInput("", key, text, accepted) from error


def _stamp(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds")


def list_runs(connection: sa.Connection, wanted: Filter, limit: int | None) -> list[RunRow]:
    """The runs that fit, the one begun last first."""
    runs = schema.runs
    counts = [
        sa.select(sa.func.count()).select_from(table).where(table.c.run == runs.c.number).scalar_subquery()
        for table in (schema.events, schema.gaps)
    ]
    columns = [
        schema.jobs.c.name.label("job_name"),
        counts[0].label("event_count"),
        counts[1].label("gap_count"),
        is_damaged().label("damaged"),
    ]
    query = (
        sa.select(runs, *columns)
        .select_from(runs.outerjoin(schema.jobs, runs.c.job == schema.jobs.c.number))
        .where(*wanted.conditions())
        .order_by(runs.c.started_utc.desc(), runs.c.number.desc())
    )
    return [_row(row) for row in connection.execute(query if limit is None else query.limit(limit))]


def count_runs(connection: sa.Connection, wanted: Filter) -> int:
    """How many runs fit."""
    runs = schema.runs
    joined = runs.outerjoin(schema.jobs, runs.c.job == schema.jobs.c.number)
    query = sa.select(sa.func.count()).select_from(joined).where(*wanted.conditions())
    return int(connection.execute(query).scalar_one())


def _row(row: Any) -> RunRow:
    return RunRow(
        id=run_id(row.number),
        number=row.number,
        job=row.job_name,
        command=row.command,
        outcome=outcome_left(row.outcome, damaged=bool(row.damaged)),
        closed=row.ended_utc is not None,
        board_id=row.board_id,
        firmware_version=row.firmware_version,
        host_version=row.host_version,
        seed=row.seed,
        started_utc=row.started_utc,
        ended_utc=row.ended_utc,
        events=row.event_count,
        gaps=row.gap_count,
        machine=row.machine,
        origin=row.origin,
    )


def known(connection: sa.Connection, column: sa.Column[Any]) -> list[str]:
    """The different values of a column of the runs, in order."""
    query = sa.select(column).where(column.is_not(None)).distinct().order_by(column)
    return [str(value) for value in connection.execute(query).scalars()]


def number_of(connection: sa.Connection, wanted: str, shown: str) -> int:
    """The number of the run that is meant: "last", an id ("r-000042", "42") or the beginning of one.

    "last" is the run that was begun last in this record; where all came from other records, the one begun last of
    those. Raises BadInput where none is meant, or more than one.
    """
    runs = schema.runs.c
    rows = connection.execute(sa.select(runs.number, runs.origin, runs.started_utc).order_by(runs.number)).all()
    if not rows:
        raise BadInput(shown, "run", wanted, "none: this record holds no run yet", _MADE_BY)
    numbers = [int(row.number) for row in rows]
    text = wanted.strip().lower()
    if text == "last":
        own = [int(row.number) for row in rows if row.origin is None]
        return own[-1] if own else int(max(rows, key=lambda row: (row.started_utc, row.number)).number)
    match = _ID.fullmatch(text)
    if match and int(match.group(1)) in numbers:
        return int(match.group(1))
    begins = [n for n in numbers if text and run_id(n).startswith(text)]
    if len(begins) == 1:
        return begins[0]
    if begins:
        some = ", ".join(run_id(n) for n in begins[-5:])
        raise BadInput(shown, "run", wanted, f"more digits: {len(begins)} runs begin so, the newest {some}")
    accepted = f"last, or an id up to {run_id(numbers[-1])} as 'lidjig runs' lists them"
    raise BadInput(shown, "run", wanted, accepted)
