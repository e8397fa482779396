"""What a person enters about a job: who, which machine, the complaint, what was done. Free text, all of it optional."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import sqlalchemy as sa

from lidjig.errors import BadInput
from lidjig.record import schema
from lidjig.record.checksum import with_checksum

# In the order in which they are shown.
FIELDS = ("customer", "machine", "serial", "complaint", "done", "bench", "technician")
TEXT_MAX = 4000
NAMED_MAX = 10  # jobs that a message names


def known(names: Sequence[str]) -> str:
    """The jobs of a record for a message: the last ones by name, and how many more there are."""
    if not names:
        return "none: this record holds no job yet"
    left = len(names) - NAMED_MAX
    others = "1 older one" if left == 1 else f"{left} older ones"
    return ", ".join(names[-NAMED_MAX:]) + (f" … and {others} ('lidjig runs' lists all)" if left > 0 else "")


def check_field(name: str, text: str) -> str:
    """The text as it is stored: without blanks round it. Raises BadInput for a field or text that cannot be."""
    if name not in FIELDS:
        raise BadInput("", "job field", name, ", ".join(FIELDS))
    return check_text(f"--{name}", text, "; empty to take the field away")


def check_text(key: str, text: str, further: str = "") -> str:
    """A person's text without blanks round it. Raises BadInput naming `key` where it cannot be stored or shown."""
    clean = text.strip()
    if len(clean) > TEXT_MAX or not all(c.isprintable() or c in "\n\t" for c in clean):
        shown = clean if len(clean) <= 80 else clean[:80] + "..."
        raise BadInput("", key, shown, f"printable text of up to {TEXT_MAX} characters{further}")
    return clean


def read_fields(connection: sa.Connection, job: int) -> dict[str, str]:
    """Name -> text of the fields that were entered, in the order of FIELDS."""
    table = schema.job_fields
    rows = connection.execute(sa.select(table.c.name, table.c.text).where(table.c.job == job))
    entered = {str(row.name): str(row.text) for row in rows}
    return {name: entered[name] for name in FIELDS if name in entered}


def read_elsewhere(connection: sa.Connection, job: int) -> list[tuple[str, str]]:
    """(name, text) that other records had for fields of this job, in the order of FIELDS, then of the texts."""
    table = schema.job_fields_elsewhere
    rows = connection.execute(sa.select(table.c.name, table.c.text).where(table.c.job == job))
    kept = sorted((str(row.name), str(row.text)) for row in rows)
    return [(name, text) for field in FIELDS for name, text in kept if name == field]


def write_fields(connection: sa.Connection, job: int, fields: Mapping[str, str]) -> None:
    """Replace these fields; an empty text takes one away. The others stay."""
    table = schema.job_fields
    for name, text in fields.items():
        connection.execute(sa.delete(table).where(table.c.job == job, table.c.name == name))
        if text:
            connection.execute(sa.insert(table), with_checksum(table, {"job": job, "name": name, "text": text}))
