"""What is missing of a run that was recorded: rows that were written once and are not in the record any more.

Rows of a run have places from 1 without a jump, and the board counts its events, so that what is gone is known by what
is left. What a rescue found missing behind the last row that is left is told by its marks (gaps of kind "rescued").
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from lidjig.record import schema

RESCUED = "rescued"  # kind of gap: something could not be saved of a damaged record
NO_EVENT = "lost"  # the board's own event for events that it had no room for: no hole of the record
TABLES = {table.name: table for table in schema.RUN_TABLES}


@dataclass(frozen=True)
class Hole:
    """Rows that are missing from a table of a run.

    first, last: their places, None where not known (behind the last row; by the board's counter alone). index: how many
    rows before the hole are there. begin_us, end_us: board time of the events before and after it, None where there is
    none. by_counter: known by the board's counter alone, so that it may never have reached the record.
    """

    table: str
    text: str
    first: int | None
    last: int | None
    index: int
    begin_us: int | None = None
    end_us: int | None = None
    by_counter: bool = False


def holes_of(rows: Mapping[str, Sequence[Any]]) -> list[Hole]:
    """The holes of a run. rows: table name -> its rows in order of place, as the database gives them."""
    out: list[Hole] = []
    for name, mine in rows.items():
        before = 0
        for index, row in enumerate(mine):
            if row.place > schema.OPERATOR_PLACE and name in ("notes", "gaps"):
                break
            if row.place > before + 1:
                out.append(_hole(name, before + 1, row.place - 1, index, mine))
            before = row.place
    events, gaps = rows.get("events", ()), rows.get("gaps", ())
    out += _by_counter(events, gaps)
    out += _marked(gaps, rows, out)
    return out


def _hole(name: str, first: int, last: int, index: int, rows: Sequence[Any]) -> Hole:
    which = f"{first}" if first == last else f"{first} to {last}"
    text = f"{name} {which} ({last - first + 1} row{'' if last == first else 's'}) missing"
    if name != "events":
        return Hole(name, text, first, last, index)
    begin_us, end_us = rows[index - 1].t_us if index else None, rows[index].t_us
    return Hole(name, text + _between(begin_us, end_us), first, last, index, begin_us, end_us)


def _between(begin_us: int | None, end_us: int | None) -> str:
    begin = "the beginning" if begin_us is None else f"board time {begin_us / 1e6:.6f} s"
    end = "the end" if end_us is None else f"{end_us / 1e6:.6f} s"
    return f", from {begin} to {end}"


def _by_counter(events: Sequence[Any], gaps: Sequence[Any]) -> list[Hole]:
    """Jumps of the board's counter where the record's places have none and nothing in the record tells of it."""
    told = {gap.after_event for gap in gaps if gap.kind != RESCUED}
    out = []
    for index, (one, other) in enumerate(zip(events, events[1:], strict=False), start=1):
        jump = other.counter - one.counter - 1
        tells = other.name in ("boot", NO_EVENT) or one.name == NO_EVENT or one.place in told
        if jump > 0 and other.place == one.place + 1 and not tells:
            text = f"{jump} event{'' if jump == 1 else 's'} missing by the board's counter ({one.counter} to "
            text += f"{other.counter})" + _between(one.t_us, other.t_us)
            out.append(Hole("events", text, None, None, index, one.t_us, other.t_us, by_counter=True))
    return out


def _marked(gaps: Sequence[Any], rows: Mapping[str, Sequence[Any]], found: Sequence[Hole]) -> list[Hole]:
    """What only a rescue's mark tells. Jumps of places are known already."""
    out = []
    jumps = {(hole.table, hole.first) for hole in found}
    for gap in gaps:
        if gap.kind != RESCUED:
            continue
        table = next((name for name in TABLES if gap.text.startswith(f"{name} ")), "blocks")
        if table != "events":
            if not any(hole.table == table for hole in found):
                out.append(Hole(table, gap.text, None, None, len(rows.get(table, ()))))
            continue
        if ("events", gap.after_event + 1) in jumps:
            continue
        kept = [row for row in rows["events"] if row.place <= gap.after_event]
        begin_us = kept[-1].t_us if kept else None
        out.append(Hole("events", gap.text, None, None, len(kept), begin_us, None))
    return out


def is_damaged() -> sa.ColumnElement[bool]:
    """Of a row of runs in a query: whether something of the run is known to be missing."""
    runs, gaps = schema.runs, schema.gaps
    marked = sa.exists().where(gaps.c.run == runs.c.number, gaps.c.kind == RESCUED).correlate(runs)
    jumps = []
    for table in schema.RUN_TABLES:
        more = sa.select(sa.func.coalesce(sa.func.max(table.c.place), 0) > sa.func.count())
        own = table.c.place <= schema.OPERATOR_PLACE if table in (schema.notes, gaps) else sa.true()
        jumps.append(more.where(table.c.run == runs.c.number, own).correlate(runs).scalar_subquery())
    return sa.or_(marked, *jumps)
