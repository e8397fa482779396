"""The shipped sensor profiles of every family, as the records that the board gets."""

from __future__ import annotations

from pathlib import Path

from lidjig.bench.profiles import load_sensor, shipped

from shared_proto.family_blobs import FAMILIES

ROOT = Path(__file__).resolve().parents[2]
FAMILY_FILES = ROOT / "device" / "firmware" / "families"


def records() -> dict[str, tuple[str, bytes]]:
    """(family, record) by the profile's name, in the order of family_blobs.FAMILIES. A switch that differs from others
    in its angles alone is one too many: the first stands for all.
    """
    found: list[tuple[int, str, bytes]] = []
    for name in shipped("sensors"):
        sensor = load_sensor(name)[0]
        if name.startswith("hinge-") and (not sensor.is_switch or not any(row[0] == 1 for row in found)):
            found.append((FAMILIES.index(sensor.family), name, sensor.to_blob()))
    return {name: (FAMILIES[number], data) for number, name, data in sorted(found)}


def missing() -> dict[str, str]:
    """Families that cannot be measured, and why."""
    have = {family for family, _data in records().values()}
    why = {family: "no shipped sensor profile" for family in FAMILIES[1:] if family not in have}
    for family in FAMILIES[2:]:
        if not (FAMILY_FILES / f"{family}.py").exists():
            why[family] = f"no {family}.py in device/firmware/families"
    return why


def measured() -> dict[str, tuple[str, bytes]]:
    """records() without those of families that are missing."""
    out = missing()
    return {name: row for name, row in records().items() if row[0] not in out}


def write(folder: Path) -> None:
    """A file for each, number first, so that a board's script finds them in order."""
    folder.mkdir()
    for number, (name, (family, data)) in enumerate(measured().items()):
        (folder / f"{number:02}.{family}.{name}").write_bytes(data)
