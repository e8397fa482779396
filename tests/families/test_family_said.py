"""An output that is made to say an internal error: what the machine gets is what the profile and the format say."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import i2c_bench
import pytest
from family_bench import SUPPLY_V, Seen, Standing, error_deg, last_good, standing_in
from lidjig.bench.families.base import INTERNAL, NO_MAGNET, SILENT, Reading
from lidjig.bench.families.table import FAMILIES
from lidjig.bench.sensor_words import internal_told, sensor_sections
from lidjig.errors import Refused
from lidjig.jig_types import Lock
from lidjig.record.store import open_store

from shared_proto import names

BENCHES = {
    "analog": "healthy-larch-14", "analog by DAC": "healthy-larch-14-dac", "pwm": "healthy-elm-14",
    "sent": "healthy-fir-14", "i2c": "healthy-oak-14", "ssi": "healthy-hazel-14", "quadrature": "healthy-juniper-14",
    "sincos": "healthy-maple-14",
}  # fmt: skip
CONDUCTORS = {"pwm": ("1",), "sent": ("1",), "ssi": ("1", "clock", "select"), "quadrature": ("1", "2", "index")}
FIRST_ERROR = '[transfer]\npower_up = "error"'
SETTLE_S = 0.1  # filters, and a machine that asks every 20 ms
SEEN_S = {"pwm": 0.1, "sent": 0.004, "ssi": 0.05, "quadrature": 0.004}


def seen(bench: Standing) -> list[Reading]:
    """What the host's decoder makes of what the machine gets."""
    family = bench.sensor.family
    if family == "i2c":
        return i2c_bench.readings(bench)
    signals = FAMILIES[family].signals
    if family in CONDUCTORS:
        waves = {s: bench.wave(c, SEEN_S[family]) for s, c in zip(signals, CONDUCTORS[family], strict=True)}
        return bench.sensor.coded().decode(Seen(SUPPLY_V, waves=waves))
    return bench.sensor.coded().decode(bench.volts(*signals))


def faults(bench: Standing) -> set[str]:
    return {reading.fault for reading in seen(bench)}


# What each format has for an internal error, and how it is told. Sources: SAE J2716, section 6 (reserved codes; value
# from memory); ams AS5600 datasheet v1-06, p.20 (STATUS: MD, ML) and p.31 (an output that is pulled low); MagnTek
# MT6701 data sheet, 7.8.2 (track lost). Of a sine and a cosine that both rest in the middle no angle comes (geometry).
# Pulse width and quadrature have none: this profile's output rests low (GUIDE, internal_error).
def broken_analog(reading: Reading) -> bool:
    return reading.fault == INTERNAL and float(reading.detail["output_percent"]) < 5.0


TOLD: dict[str, Callable[[Reading], bool]] = {
    "analog": broken_analog,
    "analog by DAC": broken_analog,
    "pwm": lambda r: r.fault == SILENT and r.detail["level"] == "low",
    "sent": lambda r: (r.fault, r.code) == (INTERNAL, 4090),
    "i2c": lambda r: (r.fault, r.detail["md"], r.detail["ml"]) == (NO_MAGNET, 0, 1),
    "ssi": lambda r: (r.fault, r.detail["status"]) == (INTERNAL, 8),
    "quadrature": lambda r: (r.code, r.part) == (None, None),
    "sincos": lambda r: r.fault == NO_MAGNET,
}


@pytest.mark.parametrize("kind", BENCHES)
def test_an_error_is_told_as_the_format_tells_it(kind: str, vm: str) -> None:
    """While the error lasts the lid moves in vain; after it the angle of now is told."""
    with standing_in(BENCHES[kind], vm=vm) as bench:
        bench.to(60.0, SETTLE_S)
        before = seen(bench)
        assert not [reading for reading in before if TOLD[kind](reading) and kind != "quadrature"]
        bench.jig.drive(1, "error")
        for angle_deg in (60.0, 90.0, 20.0):
            bench.to(angle_deg, SETTLE_S)
            readings = seen(bench)
            assert readings and all(TOLD[kind](reading) for reading in readings), (angle_deg, readings)
            if kind == "quadrature":
                assert [bench.wave(c, 0.004).level.tolist() for c in ("1", "2")] == [[0], [0]]
        assert bench.jig.lock is Lock.ARMED  # no contention
        bench.jig.drive(1, "follow")
        bench.to(90.0, SETTLE_S)
        if kind != "quadrature":  # a count begins anew; its sweep is in test_family_quadrature.py
            worst = max(0.5, 2.0 * bench.sensor.curve().lsb_deg(bench.sensor.coded().codes))
            assert abs(error_deg(bench.sensor, last_good(seen(bench)), 90.0)) <= worst
        bench.jig.drive(1, "error")
        bench.jig.disarm()
        bench.jig.idle(0.05)
        pins = bench.link.look()["pins"]
        assert pins[3] == pins[5] == 0  # let go as ever


def _band(reading: Reading) -> str:
    percent = float(reading.detail["output_percent"])
    if percent < 0.5:
        return "rests low: it has no fault band"
    # 0.1 % of the supply is 3 mV, which the filter's ripple stays below.
    return f"puts out {round(percent, 1):g} % of the supply, in its {reading.detail['band']} fault band"


def _code(reading: Reading) -> str:
    return f"sends code {reading.code}, reserved in format H.2 for errors"


def _status(reading: Reading) -> str:
    return f"sends code {reading.code} with bit 0 of the status set: " if int(reading.detail["status"]) & 1 else ""


def _middle(reading: Reading) -> str:
    # no amplitude: both are in the middle, of which the profile says where
    return "rests with both outputs in their middle (" if float(reading.detail["amplitude_percent"]) < 0.5 else ""


def without(*keys: str) -> Callable[[str], str]:
    """The profile without these keys."""

    def change(text: str) -> str:
        return "\n".join(row for row in text.splitlines() if row.partition(" = ")[0] not in keys)

    return change


def format_6(text: str) -> str:
    return text.replace('format = "H.2"', 'format = "H.6"')


def fourteen(text: str) -> str:
    return text.replace('layout = "12-bit"', f'layout = "14-bit"\naddress = {i2c_bench.ADDRESS_14}')


def unchanged(text: str) -> str:
    return text


# What the profile in hand is said to do, begun as what is decoded of it says.
HEARD: list[tuple[str, Callable[[str], str], Callable[[Reading], str]]] = [
    ("analog", unchanged, _band),
    ("analog", without("fault_low_percent"), _band),
    ("analog", without("fault_low_percent", "fault_high_percent"), _band),
    ("analog by DAC", unchanged, _band),
    ("pwm", unchanged, lambda r: f"rests {r.detail['level']}: no width"),
    ("sent", unchanged, _code),
    ("sent", format_6, _status),
    ("i2c", unchanged, lambda r: f"STATUS tells of {r.fault} (MD {r.detail['md']}, ML {r.detail['ml']})"),
    ("ssi", unchanged, lambda r: f"bit {int(r.detail['status']).bit_length() - 1} of the status set: track lost"),
    ("sincos", unchanged, _middle),
]


@pytest.mark.parametrize(("kind", "change", "heard"), HEARD)
def test_what_is_said_of_a_profile_is_what_is_sent(
    kind: str, change: Callable[[str], str], heard: Callable[[Reading], str]
) -> None:
    with standing_in(BENCHES[kind], vm="cpython", change=change) as bench:
        bench.to(60.0, SETTLE_S)
        before = last_good(seen(bench))
        bench.jig.drive(1, "error")
        bench.to(90.0, SETTLE_S)
        told = internal_told(bench.sensor)
        for reading in seen(bench):
            assert heard(reading) and heard(reading) in told, (told, reading)
            if "its last angle" in told:
                assert reading.code == before.code


def test_steps_that_rest() -> None:
    with standing_in(BENCHES["quadrature"], vm="cpython") as bench:
        bench.to(60.0, SETTLE_S)
        bench.jig.drive(1, "error")
        bench.to(90.0, SETTLE_S)
        assert internal_told(bench.sensor).startswith("rests low on A and B")
        assert [bench.wave(c, 0.004).level.tolist() for c in ("1", "2")] == [[0], [0]]


def test_registers_without_an_error() -> None:
    with standing_in(BENCHES["i2c"], vm="cpython", change=fourteen) as bench:
        bench.to(60.0, SETTLE_S)
        read = [(0x03, 2)]
        before = i2c_bench.readings(bench, *read, address=i2c_bench.ADDRESS_14)[-1]
        bench.jig.drive(1, "error")
        bench.to(90.0, SETTLE_S)
        now = i2c_bench.readings(bench, *read, address=i2c_bench.ADDRESS_14)[-1]
        assert (now.code, now.fault) == (before.code, "") and now.code
        assert internal_told(bench.sensor) == "repeats its last angle: its registers tell of no error"


def test_an_error_until_the_first_look() -> None:
    """SENT tells a sensor that is not ready by another code than a broken one (its frames: test_family_sent.py)."""
    with standing_in(BENCHES["sent"], vm="cpython", change=lambda t: t.replace("[transfer]", FIRST_ERROR)) as bench:
        rows = next(dict(s.rows) for s in sensor_sections(bench.sensor) if s.title == "transfer function")
    assert rows["at power-up"] == "sends code 0, reserved in format H.2 for a sensor that is not ready"
    assert rows["on an internal error"] == "sends code 4090, reserved in format H.2 for errors"


def saying(word: str) -> Callable[[str], str]:
    """The profile, with what its output does on an internal error."""

    def change(text: str) -> str:
        rows = [row for row in text.splitlines() if not row.startswith("internal_error")]
        return "\n".join(rows).replace("[transfer]", f'[transfer]\ninternal_error = "{word}"')

    return change


@pytest.mark.parametrize("kind", BENCHES)
def test_an_output_that_holds_what_it_said(kind: str) -> None:
    with standing_in(BENCHES[kind], vm="cpython", change=saying("hold")) as bench:
        bench.to(60.0, SETTLE_S)
        before = seen(bench)[-1]
        bench.jig.drive(1, "error")
        bench.to(90.0, SETTLE_S)
        for reading in seen(bench):
            assert (reading.code, reading.part, reading.fault) == (before.code, before.part, before.fault)
        if kind == "quadrature":
            assert all(reading.detail["count"] == 0 for reading in seen(bench))
        bench.jig.drive(1, "low")
        bench.jig.idle(SETTLE_S)
        bench.jig.drive(1, "error")  # from a level: what it would say now
        bench.to(20.0, SETTLE_S)
        if kind != "quadrature":
            worst = max(0.5, 2.0 * bench.sensor.curve().lsb_deg(bench.sensor.coded().codes))
            assert abs(error_deg(bench.sensor, last_good(seen(bench)), 90.0)) <= worst


@pytest.mark.parametrize("level", ["low", "high"])
@pytest.mark.parametrize("kind", BENCHES)
def test_an_output_that_rests_at_a_level(kind: str, level: str) -> None:
    with standing_in(BENCHES[kind], vm="cpython", change=saying(level)) as bench:
        bench.to(60.0, SETTLE_S)
        bench.jig.drive(1, "error")
        bench.to(90.0, SETTLE_S)
        if kind in CONDUCTORS:
            assert bench.wave("1", 0.004).level.tolist() == [int(level == "high")]
        else:
            line_v = bench.link.look()["B1"] / 1000.0
            assert line_v < 0.4 if level == "low" else line_v > 2.9, line_v
        assert bench.jig.lock is Lock.ARMED


def test_a_switch_has_none() -> None:
    with standing_in("healthy-alder-14", vm="cpython") as bench:
        with pytest.raises(Refused) as refused:
            bench.jig.drive(1, "error")
        assert (refused.value.reason, refused.value.detail) == (names.REFUSED_RANGE, 1)


def test_an_angle_is_told_by_output_1() -> None:
    with standing_in(BENCHES["sent"], vm="cpython") as bench:
        with pytest.raises(Refused) as refused:
            bench.jig.drive(2, "error")
        assert (refused.value.reason, refused.value.detail) == (names.REFUSED_RANGE, 0)


def running(kind: str, tmp_path: Path) -> str:
    """The bench of a family, with its machine switched on already."""
    path = tmp_path / "running.toml"
    model = "larch-14" if kind.startswith("analog") else BENCHES[kind].removeprefix("healthy-")
    dac = '[sensor]\nprofile = "hinge-v2"\n' if "DAC" in kind else ""
    path.write_text(f'[machine]\nmodel = "{model}"\nstart_state = "S0"\n{dac}', encoding="utf-8")
    return f"twin:{path}"


# What the model of each machine makes of it: a voltage or a pulse that rests low is a dead sensor, which reads as shut;
# no pull-up of A and B is a dead one too; what cannot be read leaves the machine where it is (common practice, no
# source).
REACTS = {
    "analog": "S3", "analog by DAC": "S3", "pwm": "S3", "sent": "S0", "i2c": "S0", "ssi": "S0", "quadrature": "S0",
    "sincos": "S0",
}  # fmt: skip


def forced_steps(store: str) -> tuple[list[Any], dict[str, Any]]:
    """Of the last run: the steps that forced an output, and the run's arguments."""
    with open_store(store) as opened:
        stored = opened.run("last")
        return [step for step in stored.steps if step.name == "output forced"], stored.arguments


@pytest.mark.parametrize("kind", BENCHES)
def test_how_the_machine_reacts_is_in_the_record(
    kind: str, tmp_path: Path, store: str, run: Callable[..., Any]
) -> None:
    ran = run("hold", "100", "--say", "error", "--seconds", "5", "--link", running(kind, tmp_path), "--json")
    notes = " / ".join(ran.json["notes"])
    assert ran.status == 0, ran.err
    said = "the output was made to say an internal error: "
    assert any(note.startswith(said) and note.endswith("; it did not follow the angle") for note in ran.json["notes"])
    assert "or rests low where it has none" not in notes and "it was not running" not in notes
    assert f"the machine is in {REACTS[kind]} after 5." in notes and "before, it was in S0" in notes, notes
    (forced,), arguments = forced_steps(store)
    assert arguments["say"] == "error"
    assert forced.arguments == {"line": 1, "say": "error", "state": "error"} and forced.result["t_us"] > 0


@pytest.mark.parametrize("say", ["error", "low", "follow"])
def test_a_machine_that_is_off_is_said_to_be(say: str, store: str, run: Callable[..., Any]) -> None:
    ran = run("hold", "100", "--say", say, "--seconds", "5", "--link", f"twin:{BENCHES['sent']}", "--json")
    assert ran.status == 0, ran.err
    (told,) = [note for note in ran.json["notes"] if "it was not running, so it could not follow the lid" in note]
    assert told.startswith("the machine is in S5 after 5.") and "start it first, then repeat the command" in told
    assert ("before, it was in S5" in told) == (say != "follow")


def test_levels_of_a_switch(tmp_path: Path, store: str, run: Callable[..., Any]) -> None:
    """hinge-a1 is an open drain that is low while the lid is shut: high is its pull's, never driven."""
    path = tmp_path / "running.toml"
    path.write_text('[machine]\nmodel = "alder-14"\nstart_state = "S0"\n', encoding="utf-8")
    for say, state, given in (("low", "S3", "low"), ("high", "S0", "released"), ("released", "S0", "released")):
        ran = run("hold", "100", "--say", say, "--seconds", "5", "--link", f"twin:{path}", "--json")
        assert f"the machine is in {state} after" in " / ".join(ran.json["notes"])
        (forced,), _arguments = forced_steps(store)
        assert forced.arguments == {"line": 1, "say": say, "state": given}


@pytest.mark.parametrize(("word", "why"), [("error", "a switch tells of no error"), ("loud", "one of follow, low")])
def test_a_word_without_a_meaning_is_refused(word: str, why: str, store: str, run: Callable[..., Any]) -> None:
    ran = run("hold", "100", "--say", word, "--link", "twin")
    assert ran.status == 2 and "--say" in ran.err and why in ran.err
    assert "Traceback" not in ran.err and not Path(store).exists()
