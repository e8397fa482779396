"""Fields of events that are numbers with a name, by the tables of the protocol."""

from __future__ import annotations

from collections.abc import Mapping

from shared_proto import names

# (event, field) -> table of names by number.
NAMED: dict[tuple[str, str], tuple[str, ...]] = {
    ("routed", "route"): names.ROUTES,
    ("routed", "reason"): names.REASONS,
    ("lock", "state"): names.LOCK_STATES,
    ("lock", "reason"): names.REASONS,
    ("edge", "line"): names.LINES,
    ("band", "channel"): names.CHANNELS,
    ("boot", "cause"): names.RESETS,
    ("meter", "state"): names.METER_STATES,
}
FIELDS = frozenset(field for _event, field in NAMED)  # those that have a name in some event


def word(event: str, field: str, value: int) -> str | None:
    """The name of a number; None where it has none, or is newer than this host."""
    table = NAMED.get((event, field))
    return table[value] if table is not None and 0 <= value < len(table) else None


def words(event: str, data: Mapping[str, int]) -> dict[str, str]:
    """Field -> name, of those fields of an event that have one."""
    found = {field: word(event, field, value) for field, value in data.items()}
    return {field: name for field, name in found.items() if name is not None}
