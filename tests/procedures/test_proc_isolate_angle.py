"""isolate where the sensor tells an angle: what is judged of its readings, and how they are taken on a bench."""

from __future__ import annotations

from typing import cast

import pytest
from lidjig.bench import load_machine, load_sensor
from lidjig.bench.families.table import FAMILIES
from lidjig.jig import Jig
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench
from lidjig.procedures.isolate import Isolate
from lidjig.procedures.isolate_angle import AngleSide, zero_window_deg
from lidjig.procedures.isolate_table import HEALTHY
from lidjig.procedures.progress import Quiet
from lidjig.procedures.reasoning import conclude
from lidjig.procedures.replay_bench import Forgetting, StillJig
from lidjig.procedures.sensor_looks import Json, Looked
from lidjig.procedures.survey import judge_current

from tests.procedures.conftest import Make

# Machine and sensor of each family, as they are shipped together.
BENCHES = {
    "analog": ("larch-14", "hinge-v1"), "pwm": ("elm-14", "hinge-p1"), "sent": ("fir-14", "hinge-t1"),
    "i2c": ("oak-14", "hinge-r1"), "ssi": ("hazel-14", "hinge-s1"), "quadrature": ("juniper-14", "hinge-q1"),
    "sincos": ("maple-14", "hinge-w1"),
}  # fmt: skip
LSB_DEG = 360.0 / 4096


def test_every_family_that_tells_an_angle_has_a_bench_here() -> None:
    assert set(BENCHES) == set(FAMILIES) - {"switch"}


# -- what is judged: readings as the board would give them, of a 12-bit part on I2C


def registers(lid_deg: float, status: int = 0x20) -> Json:
    """One look at the registers of hinge-r1: STATUS (0x20: magnet found), RAW ANGLE, ANGLE, AGC, MAGNITUDE of the
    published map (ams AS5600 datasheet v1-06, p.18 and p.20).
    """
    code = round(lid_deg / LSB_DEG) % 4096
    data = {0x0B: f"{status:02x}", 0x0C: f"{code:04x}", 0x0E: f"{code:04x}", 0x1A: "40", 0x1B: "076c"}
    return {"t_us": 1000, "parts": [{"first": at, "answer": 0, "data": text} for at, text in data.items()]}


def looked(*looks: Json) -> Looked:
    supply = {"t_us": 900, "n": 32, "mean_raw": 3.1 / 6.6 * 65535, "sd_raw": 0.0}
    return Looked([supply], list(looks))


@pytest.fixture
def still() -> Isolate:
    """isolate on a bench where nothing moves."""
    jig = cast(Jig, StillJig([]))
    machine, sensor = load_machine("oak-14")[0], load_sensor("hinge-r1")[0]
    return Isolate(Bench(jig, Forgetting("r-1"), machine, sensor, Operator(), Quiet()), 1, 2.0)


def judged(isolate: Isolate, opened: Looked, shut: Looked) -> dict[str, str]:
    side = isolate.by_angle
    assert side is not None
    side.enter({"open": opened, "shut": shut})
    return {one.name: one.value for one in isolate.response.seen}


def test_the_window_of_the_zero_follows_from_both_profiles(still: Isolate) -> None:
    """By hand: shut at 8 and open at 12 deg of the sensor; the machine closes at 4 to 11 deg and opens at 11 to 20."""
    low, high = zero_window_deg(still.bench.sensor, still.bench.machine)
    assert (low, high) == (max(8 - 11, 12 - 20), min(8 - 4, 12 - 11)) == (-3, 1)


@pytest.mark.parametrize(
    ("opened", "shut", "follows", "says_open", "says_shut"),
    [
        (110.0, 0.0, "right", "released", "operated"),
        (111.0, 0.9, "right", "released", "operated"),
        (112.0, 2.0, "displaced", "released", "operated"),  # the machine closes later than it may
        (106.0, -4.0, "displaced", "released", "operated"),  # a turn less 4 deg is a little below shut
        (120.0, 10.0, "displaced", "released", "released"),  # between shut and open: it came from open, so open
        (135.0, 25.0, "displaced", "released", "released"),
        (100.0, 100.0, "stuck", "released", "released"),
        (3.0, 3.0, "stuck", "operated", "operated"),
        (60.0, 0.0, "wrong", "released", "operated"),
        (0.0, 110.0, "wrong", "operated", "released"),  # the other way round
    ],
)
def test_angles_open_and_shut(
    still: Isolate, opened: float, shut: float, follows: str, says_open: str, says_shut: str
) -> None:
    seen = judged(still, looked(*[registers(opened)] * 8), looked(*[registers(shut)] * 8))
    assert (seen["sensor_follows"], seen["sensor_open"], seen["sensor_shut"]) == (follows, says_open, says_shut)
    assert (seen["sensor_speaks"], seen["sensor_steady"]) == ("yes", "yes")
    figures = {m.name: m for m in still.sheet.all()}
    for name, told in (("sensor angle, lid open", opened), ("sensor angle, lid shut", shut)):
        assert figures[name].value == pytest.approx(told, abs=LSB_DEG)
    assert (figures["sensor angle, lid shut"].outcome == "fail") == (not -3.0 <= shut <= 1.0)


def test_one_bad_reading_is_lost_and_no_rest(still: Isolate) -> None:
    seen = judged(still, looked(*[registers(110.0)] * 7, registers(110.0, 0x00)), looked(*[registers(0.0)] * 8))
    assert (seen["sensor_speaks"], seen["sensor_steady"], seen["sensor_follows"]) == ("yes", "no", "right")
    lost = still.sheet.get("sensor readings lost")
    assert lost is not None and (lost.value, lost.n, lost.outcome) == (1, 16, "fail")


def test_an_angle_that_jumps_is_told_by_most_readings_and_by_its_spread(still: Isolate) -> None:
    seen = judged(still, looked(*[registers(110.0)] * 5, *[registers(4.0)] * 3), looked(*[registers(0.0)] * 8))
    assert (seen["sensor_steady"], seen["sensor_open"], seen["sensor_follows"]) == ("no", "released", "right")
    spread, opened = still.sheet.get("sensor spread, lid at rest"), still.sheet.get("sensor angle, lid open")
    assert spread is not None and spread.value == pytest.approx(106.0, abs=2 * LSB_DEG) and spread.outcome == "fail"
    assert opened is not None and (opened.value, opened.n) == (pytest.approx(110.0, abs=LSB_DEG), 5)
    assert conclude(still.response.seen)[0].what == "intermittent"


@pytest.mark.parametrize(
    ("status", "answer", "speaks", "what"),
    # STATUS 0x10: too weak, none found (p.20); answer 1: nobody acknowledged (shared_proto.names.SENSOR_SILENT).
    [(0x10, 0, "no-magnet", "magnet-missing"), (0x20, 1, "silent", None)],
)
def test_without_an_angle_nothing_is_said_of_it(
    still: Isolate, status: int, answer: int, speaks: str, what: str | None
) -> None:
    one = registers(110.0, status)
    if answer:
        one["parts"] = [{**part, "answer": answer, "data": ""} for part in one["parts"]]
    seen = judged(still, looked(*[one] * 8), looked(*[one] * 8))
    assert seen == {"sensor_speaks": speaks}
    unset = [m.name for m in still.sheet.all() if m.name.startswith("sensor angle") and m.outcome == "not measured"]
    assert len(unset) == 2
    still.response.add("sensor_current", "right", "it draws its current")
    finding = conclude(still.response.seen)[0]
    assert (finding.where, finding.what) == ("sensor", what)


def test_the_advice_on_a_zero_has_its_number(still: Isolate) -> None:
    judged(still, looked(*[registers(132.0)] * 8), looked(*[registers(22.0)] * 8))
    side = still.by_angle
    assert side is not None
    (found, *_others) = side.advised(conclude(still.response.seen))
    assert found.what == "zero-off" and "tells as 22.0 deg has to become 0 deg" in found.next
    assert "lithium" in found.caution and "ESD" in found.caution


def test_a_switch_is_never_blamed_for_an_angle() -> None:
    """Whatever is seen of it: causes that only a sensor with an angle can have stay out."""
    for values in HEALTHY.items():
        name, told = values
        if name == "sensor_speaks":
            continue
        for value in told:
            found = conclude([_seen(name, value)])
            assert not {one.what for one in found} & {"zero-off", "magnet-missing"}, (name, value)


def _seen(name: str, value: str) -> object:
    from lidjig.procedures.reasoning import Seen

    return Seen(name, value, f"{name} is {value}")


# -- how readings are taken, on a bench of each family


def surveyed(bench: Make, family: str, more: str = "", vm: str = "cpython") -> Isolate:
    """The sensor's side alone, with the current taken for what it says."""
    machine, sensor = BENCHES[family]
    text = f'[machine]\nmodel = "{machine}"\n[sensor]\nprofile = "{sensor}"\n{more}'
    isolate = Isolate(bench(text, vm=vm, machine=machine, sensor=sensor), 1, 2.0)
    isolate.bench.persist(isolate.bench.load_profiles, lambda: None)
    side = cast(AngleSide, isolate.by_angle)
    current, why_not = side.survey()
    told = judge_current(isolate.bench.sensor, current)
    assert told is not None and not why_not
    isolate.response.take(told)
    return isolate


def fault(kind: str, **keys: float) -> str:
    return f'[[fault]]\nwhere = "sensor"\nkind = "{kind}"\n' + "".join(f"{k} = {v}\n" for k, v in keys.items())


@pytest.mark.parametrize("family", BENCHES)
def test_dead_and_not_plugged_in_are_told_apart(family: str, bench: Make) -> None:
    """Neither draws current nor speaks; a corroded output holds on to its line without supply (common practice, no
    source)."""
    unplugged = "[jig]\nsensor_fitted = false\n"
    for more, what, unfed in ((fault("dead"), "dead", "operated"), (unplugged, None, "released")):
        isolate = surveyed(bench, family, more)
        assert isolate.response.found("sensor_unfed") == unfed
        finding = conclude(isolate.response.seen)[0]
        assert (finding.where, finding.what) == ("sensor", what), finding
        fed = isolate.bench.jig.status()
        assert fed.route.text == "open"


@pytest.mark.parametrize("family", ["ssi", "sincos"])
def test_a_magnet_that_is_gone(family: str, bench: Make) -> None:
    isolate = surveyed(bench, family, fault("magnet-missing"))
    assert conclude(isolate.response.seen)[0].what == "magnet-missing"


@pytest.mark.parametrize("family", ["analog", "quadrature"])
def test_a_board_that_restarts_meanwhile(family: str, bench: Make) -> None:
    """The step is taken again from its beginning: a count that began before is worth nothing."""
    isolate = surveyed(bench, family, '[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 9.0\n')
    seen = {one.name: one.value for one in isolate.response.seen}
    assert isolate.bench.repeats >= 1
    assert (seen["sensor_follows"], seen["sensor_steady"], seen["sensor_speaks"]) == ("right", "yes", "yes")


def test_no_edge_of_a_line_that_carries_frames_is_recorded(bench: Make) -> None:
    """920 frames a second would flood the record."""
    isolate = surveyed(bench, "pwm")
    heard: list[str] = []
    isolate.bench.jig.on_event.append(lambda event: heard.append(event.name))
    isolate.prepare()
    side = cast(AngleSide, isolate.by_angle)
    side.survey()
    assert heard.count("edge") < 20


def test_a_sensor_that_the_feed_leaves_too_little_is_not_judged(bench: Make) -> None:
    """By hand: 20 mA at 3.3 V are 165 ohm, which behind 47 ohm leave 3.3 V * 165 / 212 = 2.57 V of at least 3."""
    machine, sensor = BENCHES["analog"]
    text = f'[machine]\nmodel = "{machine}"\n[sensor]\nprofile = "{sensor}"\ncurrent_ma = 20.0\n'
    isolate = Isolate(bench(text, vm="cpython", machine=machine, sensor=sensor), 1, 2.0)
    isolate.bench.persist(isolate.bench.load_profiles, lambda: None)
    _current, why_not = cast(AngleSide, isolate.by_angle).survey()
    assert "2.57 V" in why_not and "3 V" in why_not
    assert isolate.response.seen == []
