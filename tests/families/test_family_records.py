"""Records of all families on one board: what cannot be is refused by its field, and one follows the other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from family_bench import SUPPLY_V, Seen, error_deg, last_good
from lidjig.bench.families.base import Wave
from lidjig.bench.profiles import load_sensor
from lidjig.errors import Refused
from lidjig.jig import Jig
from lidjig.jig_types import Route
from lidjig.link.twin import TwinLink
from lidjig.twin.scenario import load_scenario

from shared_proto import blobs, family_blobs, names

SENSORS = {
    "analog": "hinge-v1", "pwm": "hinge-p1", "sent": "hinge-t1", "i2c": "hinge-r1", "ssi": "hinge-s1",
    "quadrature": "hinge-q1", "sincos": "hinge-w1",
}  # fmt: skip
# One field each that fits its row and cannot be nevertheless, by what only the family knows; None where no value is.
CANNOT = {
    "analog": ("high_permyriad", 1),
    "pwm": ("head_clocks", 2),
    "sent": ("frame_ticks", 1),
    "i2c": None,
    "ssi": ("codes", 4096),
    "quadrature": ("rate_max_hz", 1),
    "sincos": ("offset_sin_permyriad", 100),
}


def fields_of(family: str) -> tuple[tuple[str, str, int, int, str], ...]:
    return family_blobs.fields(family_blobs.FAMILIES.index(family))


def changed(family: str, field: str, value: int) -> bytes:
    rows = fields_of(family)
    values, bad = blobs.unpack(rows, load_sensor(SENSORS[family])[0].to_blob())
    assert values is not None and bad == -1
    return blobs.pack(rows, {**values, field: value})


@pytest.fixture
def jig(vm: str) -> Any:
    link = TwinLink(load_scenario("healthy-elm-14"), vm=vm)
    try:
        with Jig(link, nonce_seed=1) as opened:
            yield opened
    finally:
        link.close()


def test_every_family_is_there() -> None:
    assert family_blobs.FAMILIES == ("", "switch", *SENSORS)


def test_what_cannot_be_is_refused_by_its_field(jig: Jig) -> None:
    """And the record before stays in force."""
    good = load_sensor("hinge-a1")[0].to_blob()
    jig.load_blob(names.BLOB_PROFILE, good)
    common = (("release_mdeg_1", 0), ("span_mdeg", 18001), ("start_mdeg", 359999))
    for family, special in CANNOT.items():
        rows = [row[0] for row in fields_of(family)]
        for field, value in (*common, *([] if special is None else [special])):
            if field == "span_mdeg" and not load_sensor(SENSORS[family])[0].curve().wrap:
                continue  # narrower is as good where the span does not wrap
            with pytest.raises(Refused) as refused:
                jig.load_blob(names.BLOB_PROFILE, changed(family, field, value))
            assert refused.value.reason == names.REFUSED_BAD_BLOB, (family, field)
            assert rows[refused.value.detail] == field, (family, field, rows[refused.value.detail])
        assert jig.read_blob(names.BLOB_PROFILE) == good


def test_one_follows_the_other(jig: Jig) -> None:
    """Through all of them and back: the frames of pulse width are right each time, whatever stood in between."""
    link, sensor = jig.link, load_sensor("hinge-p1")[0]
    for family in ("sent", "quadrature", "ssi", "sincos", "pwm"):
        jig.load_blob(names.BLOB_PROFILE, load_sensor(SENSORS[family])[0].to_blob())
        jig.load_blob(names.BLOB_PROFILE, sensor.to_blob())
        jig.arm()
        jig.set_route(Route.STANDIN)
        jig.move(75.0, 0.0)
        jig.idle(0.1)
        found = link.wave("1", 0.005)  # type: ignore[attr-defined]
        begin, edges = found["begin"], found["edges"]
        times = [0.0, *((t - begin) / 125.0 for t, _level in edges)]
        levels = [found["level"], *(level for _t, level in edges)]
        wave = Wave(np.array(times), np.array(levels, dtype=np.int8), (found["end"] - begin) / 125.0)
        reading = last_good(sensor.coded().decode(Seen(SUPPLY_V, waves={"out": wave})))
        assert abs(error_deg(sensor, reading, 75.0)) <= 360.0 / 4095, family
        jig.disarm()
        jig.idle(0.1)
