"""Trim of sine and cosine on a simulated bench: each by itself, the other kept, and what is told of both."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime

import msgspec
import numpy as np
import pytest
from lidjig.bench import load_sensor
from lidjig.bench import trim as trims
from lidjig.bench.families.sincos import SincosEncoding
from lidjig.bench.meter import MeterReading
from lidjig.bench.trim_pair import TrimPair, pair_from_record
from lidjig.errors import BadInput
from lidjig.procedures import trim_meter
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.hold import Hold
from lidjig.procedures.progress import Quiet
from lidjig.procedures.sweep import Sweep
from lidjig.procedures.trim import Trim
from lidjig.procedures.trim_doubts import TrimKept
from lidjig.procedures.trim_meter import MeterAsked
from lidjig.procedures.trim_sincos import SincosStage, stage_of
from lidjig.record.store import Store
from lidjig.show.report.words import Words

from shared_proto import names

Make = Callable[..., Bench]
ONE = "stage_gain_percent = -3.0\nstage_offset_mv = 20.0\n"


@pytest.fixture
def maple(bench: Make) -> Make:
    """maple(jig keys): maple-14 with its sine and cosine sensor."""

    def make(jig: str = "") -> Bench:
        text = f'[machine]\nmodel = "maple-14"\n[jig]\n{jig}'
        made = bench(text, vm="cpython", machine="maple-14", sensor="hinge-w1")
        made.jig.idle(2.0)
        return made

    return make


def again(made: Bench, store: Store) -> Bench:
    """The same jig for another run."""
    made.jig.sink = recorder = store.start_run("test")
    return Bench(made.jig, recorder, made.machine, made.sensor, Operator(), Quiet())


def about_trim(notes: list[str]) -> list[str]:
    return [note for note in notes if "trim" in note]


def held(made: Bench) -> TrimPair:
    return pair_from_record(made.jig.read_blob(names.BLOB_TRIM))


def stage(signal: str, **changes: float) -> SincosStage:
    sensor = load_sensor("hinge-w1")[0]
    made = stage_of(msgspec.structs.replace(sensor, encoding={**sensor.encoding, **changes}), signal)
    assert isinstance(made, SincosStage)
    return made


# -- the numbers


@pytest.mark.parametrize("signal", ["sin", "cos"])
@pytest.mark.parametrize(
    "changes",
    [{}, {"offset_sin_percent": 52.0, "offset_cos_percent": 46.0, "cos_gain": 0.9}, {"amplitude_percent": 50.0}],
)
def test_levels_of_the_codes(signal: str, changes: dict[str, float]) -> None:
    """Ascending over the circle and a little beyond it, inside the supply, and as the measuring profile codes them."""
    made = stage(signal, **changes)
    coded = made.measuring.coded()
    assert isinstance(coded, SincosEncoding)
    for n in (3, 9, 33):
        codes = made.points(n)
        levels = [made.wanted(code) for code in codes]
        assert levels == sorted(levels) and len(set(codes)) == n
        assert levels[0] <= made.low + 1e-9 and levels[-1] >= made.high - 1e-9
        assert -1e-9 <= levels[0] and levels[-1] <= 1.0 + 1e-9
        for code in [*codes, *made.between(n)]:
            shown = coded.output_percent(np.array([code / coded.codes]))[signal]
            assert float(shown[0]) / 100.0 == pytest.approx(made.wanted(code), abs=1e-9)
            assert made.command(code) == made.wanted(code)  # of the whole supply


@pytest.mark.parametrize("signal", ["sin", "cos"])
def test_degrees_at_the_steepest_place(signal: str) -> None:
    """JCGM 100:2008, 5.1.3, note 2 (value from memory): a sensitivity by moving the input and looking. atan2 moved by
    1 mV on one output, all the way round: at most what the budget has, and so much at the angle that it names.
    """
    made, supply_v = stage(signal), 3.3
    field = np.radians(np.arange(0.0, 360.0, 0.05))
    sin, cos = 0.4 * supply_v * np.sin(field), 0.4 * supply_v * np.cos(field)
    moved = (1e-3, 0.0) if signal == "sin" else (0.0, 1e-3)
    off = np.arctan2(sin + moved[0], cos + moved[1]) - np.arctan2(sin, cos)
    off_deg = np.abs(np.degrees(np.mod(off + math.pi, 2.0 * math.pi) - math.pi))
    stated_deg = 1e-3 / made.v_per_deg(supply_v)
    assert float(off_deg.max()) == pytest.approx(stated_deg, rel=1e-3)
    at = math.radians(float(made.sensor.curve().part(made.turned_deg())) * 360.0)
    assert float(np.interp(at, field, off_deg)) == pytest.approx(stated_deg, rel=2e-3)


# -- what is asked for


def test_which_output_has_to_be_said(maple: Make, bench: Make) -> None:
    for output in ("", "tan"):
        with pytest.raises(BadInput, match="sin or cos") as caught:
            Trim(maple(), 5, output=output)
        assert caught.value.key == "--output"
    with pytest.raises(BadInput, match="it has one"):
        stage_of(load_sensor("hinge-v1")[0], "sin")
    with pytest.raises(BadInput, match="'sincos'"):
        stage_of(load_sensor("hinge-p1")[0], "")


def test_the_lead_goes_to_line_2(maple: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    made = maple(ONE.replace("stage_", "stage_2_"))
    asked: list[str] = []
    ask, volts = made.operator.ask, made.jig.link.volts  # type: ignore[attr-defined]

    def noted(bench: Bench, action: str, seconds: float = 180.0) -> tuple[int, int]:
        asked.append(action)
        return ask(bench, action, seconds)

    node = {"meter-to-supply": "VM", "meter-to-output": "M1", "meter-to-output-2": "M2"}
    shown: dict[str, int] = {}
    idle = made.idle

    class Instrument:
        name = "meter 2"

        def read_volts(self) -> MeterReading:
            return MeterReading(round(shown[node[asked[-1]]] / 1e6, 4), 1e-3, 1e-4, "")

        def close(self) -> None:
            """Nothing."""

    def settled(seconds: float) -> None:
        idle(seconds)
        shown.update(volts())

    monkeypatch.setattr(made.operator, "ask", noted)
    monkeypatch.setattr(made, "idle", settled)
    monkeypatch.setattr(trim_meter, "open_meter", lambda where, spec: Instrument())
    report = Trim(made, 5, MeterAsked("/dev/ttyNone", "0.05%+2", "0.1 mV"), output="cos").run()
    assert report.outcome == "pass", (report.error, report.notes)
    assert asked == ["meter-to-supply", "meter-to-output-2", "meter-to-supply"]
    assert set(held(made).outputs) == {"cos"} and held(made).outputs["cos"].meter == "meter 2"


# -- what is told


def test_every_run_has_the_doubts_of_both(maple: Make, store: Store) -> None:
    made = maple()
    runs: list[Callable[[Bench], Hold | Sweep | Confirm]] = [
        lambda b: Hold(b, 40.0, 0.5),
        lambda b: Sweep(b, 90.0, 60.0, 60.0),
        lambda b: Confirm(b, 1),
    ]
    for make in runs:
        (absent,) = about_trim(make(again(made, store)).run().notes)
        assert absent.startswith("Neither output is trimmed")
    first = Trim(again(made, store), 5, output="cos").run()
    assert first.outcome == "pass" and any("--output sin' as well" in note for note in first.notes)
    (half,) = about_trim(Hold(again(made, store), 40.0, 0.5).run().notes)
    assert half.startswith("sine output: The output is not trimmed")
    second = Trim(again(made, store), 5, output="sin").run()
    assert second.outcome == "pass" and any("the cosine output keeps its trim of" in note for note in second.notes)
    for make in runs:
        assert about_trim(make(again(made, store)).run().notes) == []
    # The sine as made two years ago, the cosine at another supply.
    good = held(made)
    sine, cosine = good.outputs["sin"], good.outputs["cos"]
    changed = {
        "sin": msgspec.structs.replace(sine, made_utc_s=sine.made_utc_s - 730 * 86400),
        "cos": msgspec.structs.replace(cosine, supply_mv=3100),
    }
    made.jig.load_blob(names.BLOB_TRIM, msgspec.structs.replace(good, outputs=changed).to_record())
    for make in runs:
        old, other = about_trim(make(again(made, store)).run().notes)
        assert old.startswith("sine output: The trim is of ") and "over a year old" in old
        assert other.startswith("cosine output: The trim was made at a supply of 3.100 V")
    # Another profile's: said once, and it is not in force.
    made.jig.load_blob(names.BLOB_TRIM, msgspec.structs.replace(good, profile_crc=1).to_record())
    (told,) = about_trim(Hold(again(made, store), 40.0, 0.5).run().notes)
    assert told.startswith("The trim was made for another sensor profile")


def test_a_trim_of_an_analog_sensor_is_another_profiles(maple: Make, store: Store) -> None:
    made = maple()
    analog = trims.new_trim("x", 7, datetime.now(UTC), "m", 3.3, [(0.0, 0.1), (1.0, 0.9)])
    made.jig.load_blob(names.BLOB_TRIM, analog.to_record())
    (told,) = about_trim(Hold(again(made, store), 40.0, 0.5).run().notes)
    assert told.startswith("The trim was made for another sensor profile (CRC 00000007")
    # Nor does one of two outputs pass for an analog one.
    pair = pair_from_record(TrimPair(profile_crc=7, outputs={"sin": analog}).to_record())
    (told,) = TrimKept(None, pair=pair).doubts(load_sensor("hinge-v1")[0], 3.3)
    assert told.startswith("The trim was made for another sensor profile (CRC 00000007")


def test_stopped_half_way_the_other_output_keeps_its_trim(maple: Make, store: Store) -> None:
    made = maple()
    for output in ("sin", "cos"):
        assert Trim(again(made, store), 5, output=output).run().outcome == "pass"
    kept = held(made).outputs["sin"]
    once = again(made, store)
    lines = iter(["3.2990", "0.1", "0.8"])

    class Typist:
        def forget(self) -> None:
            """Nothing was typed before."""

        def line(self) -> str | None:
            return next(lines, None)

    once.operator = Operator(typed=Typist())
    report = Trim(once, 5, MeterAsked("typed", "0.05%+2", "1 mV"), output="cos").run()
    assert report.outcome == "error"
    assert any("the output is untrimmed" in note for note in report.notes)
    assert any("the sine output keeps its trim of" in note for note in report.notes)
    assert held(made).outputs == {"sin": kept}
    (told,) = about_trim(Hold(again(made, store), 40.0, 0.5).run().notes)
    assert told.startswith("cosine output: The output is not trimmed")


def test_every_note_can_be_said_in_german(maple: Make, store: Store) -> None:
    german = Words("de")
    made = maple("stage_gain_percent = -15.0\n")
    said = [note for output in ("sin", "cos") for note in Trim(again(made, store), 5, output=output).run().notes]
    assert any("whatever the trim" in note for note in said)
    good = held(made)
    kept = [TrimKept(None), TrimKept(None, pair=good), TrimKept(None, pair=TrimPair(profile_crc=1, outputs={}))]
    for signal, trim in good.outputs.items():
        kept.append(TrimKept(None, pair=msgspec.structs.replace(good, outputs={signal: trim})))
        old = {signal: msgspec.structs.replace(trim, made_utc_s=trim.made_utc_s - 730 * 86400)}
        kept.append(TrimKept(None, pair=msgspec.structs.replace(good, outputs=old)))
    said += [doubt for one in kept for volts in (None, 3.1) for doubt in one.doubts(made.sensor, volts)]
    said.append("the other output's trim could not be put back: trim that one anew as well")
    said = [text.removesuffix(".") for text in said]
    assert len(set(said)) > 15
    assert [text for text in said if german.sentence(text).lang is not None] == []
