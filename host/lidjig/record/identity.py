"""By what a run is known: its id in this record, its uid in every record, the machine it was made on."""

from __future__ import annotations

import hashlib
import json
import secrets
import tomllib
from collections.abc import Mapping
from typing import Any

# What never changes of a run, from its first moment on. Runs of schema 1 and 2 have their uid from these.
UNCHANGING = (
    "number", "command", "arguments", "command_line", "seed", "host_version", "firmware_version", "board_id",
    "link_details", "started_utc",
)  # fmt: skip

# What a run has whose own row was lost of a damaged record: no run is begun by such a command or at such a time.
UNKNOWN_COMMAND = "unknown"
UNKNOWN_UTC = "1970-01-01T00:00:00.000+00:00"


def row_lost(command: str, started_utc: str) -> bool:
    """Whether of a run only rows in other tables are left: by whom, when and on what it was made is not known."""
    return command == UNKNOWN_COMMAND and started_utc == UNKNOWN_UTC


def run_id(number: int) -> str:
    """The readable id of a run: "r-000042"."""
    return f"r-{number:06d}"


def new_uid() -> str:
    """32 hexadecimal digits that no other run has."""
    return secrets.token_hex(16)


def derived_uid(row: Mapping[str, Any]) -> str:
    """The uid of a run that was begun without one: the same in every copy of the record, whoever derives it.

    row: a row of schema.runs by column. 32 hexadecimal digits, the beginning of SHA-256 over the columns that never
    change.
    """
    text = json.dumps([row[name] for name in UNCHANGING], ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def uid_of(row: Mapping[str, Any]) -> str:
    """The uid of a run, whether it was begun with one or not."""
    return str(row["uid"] or derived_uid(row))


def machine_named(profile: str | None) -> str | None:
    """The name in the text of a machine profile; None where there is none."""
    try:
        name = tomllib.loads(profile or "").get("name")
    except tomllib.TOMLDecodeError:
        return None
    return name if isinstance(name, str) and 0 < len(name) <= 120 else None
