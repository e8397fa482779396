"""The guide names every key of an angle sensor's profile, and the value that is taken where it is left out."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import msgspec
import pytest
from lidjig.bench.families.table import FAMILIES
from lidjig.bench.sensor import LidAngles
from lidjig.bench.transfer import Transfer

GUIDE = (Path(__file__).resolve().parents[2] / "host" / "GUIDE.md").read_text(encoding="utf-8")
SECTION = GUIDE[GUIDE.index("### Sensor that tells an angle") : GUIDE.index("### Machine profile")]
CODED = [name for name, row in FAMILIES.items() if row.encoding]


def rows_of(family: str) -> dict[str, str]:
    """Key -> default as the guide has it, "" for a key that has to be given."""
    found: dict[str, str] = {}
    current = ""
    for line in SECTION[SECTION.index("#### ") :].splitlines():
        row = re.match(r"\| (?:`(\w+)`)? ?\| (.*?) \|", line)
        if not row:
            continue
        current = row.group(1) or current
        if current != family:
            continue
        for key, default in re.findall(r"`(\w+)`(?: \(([^)]*)\))?", row.group(2).replace(", `", " `")):
            found[key] = default.replace("`", "")
        # Two keys of one row share their brackets.
        shared = re.findall(r"`(\w+)`, `(\w+)` \((.*?)\)", row.group(2))
        for first, second, both in shared:
            parts = both.split(", ")
            found[first], found[second] = parts[0], parts[-1]
    return found


@pytest.mark.parametrize("family", CODED)
def test_every_key_of_an_encoding(family: str) -> None:
    module, _, name = FAMILIES[family].encoding.partition(":")
    struct = getattr(importlib.import_module(f"lidjig.bench.families.{module}"), name)
    told = rows_of(family)
    fields = msgspec.structs.fields(struct)
    assert {field.name for field in fields} == set(told)
    for field in fields:
        if isinstance(field.default, (bool, str)):
            assert told[field.name] in ("", str(field.default).lower(), f'"{field.default}"'), field.name
        elif isinstance(field.default, (int, float)) and told[field.name]:
            assert float(told[field.name]) == field.default, field.name


@pytest.mark.parametrize("struct", [Transfer, LidAngles])
def test_every_key_of_the_other_tables(struct: type) -> None:
    assert not [f.name for f in msgspec.structs.fields(struct) if f"`{f.name}`" not in SECTION
                and not re.search(rf"`\[\w+\] {f.name}`", SECTION)]  # fmt: skip
