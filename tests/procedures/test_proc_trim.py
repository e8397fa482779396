"""Trim on a simulated bench: what is stored, what is told, and what happens where it cannot be done."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from lidjig.bench import trim as trims
from lidjig.bench.meter import MeterReading
from lidjig.errors import EXIT_MACHINE_FAILED, EXIT_STATUS, BadInput, OutputFailed, Tripped
from lidjig.jig_types import Lock
from lidjig.procedures import trim_meter
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle
from lidjig.procedures.hold import Hold
from lidjig.procedures.progress import Quiet
from lidjig.procedures.report import Report
from lidjig.procedures.sweep import Sweep
from lidjig.procedures.trim import Trim
from lidjig.procedures.trim_doubts import TrimKept
from lidjig.procedures.trim_meter import MeterAsked
from lidjig.procedures.trim_output import OutputStage
from lidjig.record.store import Store
from lidjig.show.report.words import Words
from lidjig.twin.vm.rc_stages import FILTER_F, FILTER_OHM

from shared_proto import names

Make = Callable[..., Bench]
LARCH = '[machine]\nmodel = "larch-14"\n'


@pytest.fixture
def larch(bench: Make) -> Make:
    """larch(jig keys, operator keys): larch-14 with its analog sensor."""

    def make(jig: str = "", operator: str = "", more: str = "") -> Bench:
        text = f"{LARCH}[jig]\n{jig}\n[operator]\n{operator}\n{more}"
        made = bench(text, vm="cpython", machine="larch-14", sensor="hinge-v1")
        made.jig.idle(2.0)
        return made

    return make


def again(made: Bench, store: Store) -> Bench:
    """The same jig for another run."""
    made.jig.sink = recorder = store.start_run("test")
    return Bench(made.jig, recorder, made.machine, made.sensor, Operator(), Quiet())


def figures(report: Report) -> dict[str, float | None]:
    return {measured.name: measured.value for measured in report.measurements}


def stored(made: Bench) -> trims.Trim:
    return trims.from_record(made.jig.read_blob(names.BLOB_TRIM), made.sensor.name)


def test_a_sound_output(larch: Make) -> None:
    """Date, meter, supply and CRC stand in what the board holds; the figures are those of the bench."""
    made = larch()
    began = datetime.now(UTC) - timedelta(seconds=2)
    report = Trim(made, 9).run()
    assert (report.outcome, report.findings, report.error) == ("pass", [], "")
    kept, found = stored(made), figures(report)
    assert kept.profile_crc == trims.crc_of_record(made.sensor.to_blob()) == made.jig.status().profile_crc
    assert began <= kept.made_utc <= datetime.now(UTC) and kept.meter == "simulated meter"
    assert len(kept.points) == 9 and kept.points[0][0] == 0 and kept.points[-1][0] == trims.FULL
    # The rail of 3.3 V behind 0.5 ohm and hardly any load; the meter is right within 0.05 % and 2 steps of 0.1 mV.
    assert kept.supply_mv == pytest.approx(3299, abs=3.3 * 0.5 + 1.0)
    # A sound stage divides with the line's pull alone: 20 ohm and 220 kohm, 0.09 mV/V.
    assert found["output, gain"] == pytest.approx(1.0, abs=3e-4)
    for place, share in (("lowest", 0.1), ("highest", 0.9)):
        assert found[f"output, {place}"] == pytest.approx(share * 3.3, abs=3e-3)
    assert found["largest error between points"] is not None and found["largest error between points"] < 1e-3
    assert made.jig.status().lock is Lock.DISARMED
    assert any("identity trim" in note for note in report.notes)
    assert not any("untrimmed" in note for note in report.notes)


def test_the_budget_adds_up(larch: Make) -> None:
    """JCGM 100:2008, eq. 10, k = 2, and eq. G.2b with the fit's as the only finite degrees of freedom."""
    report = Trim(larch(), 9).run()
    found = figures(report)
    parts = [found[f"uncertainty by {name}"] or 0.0 for name in Trim.COMPONENTS]
    u = math.sqrt(sum(part**2 for part in parts))
    assert found["uncertainty of the output, k = 2"] == pytest.approx(2.0 * u, rel=1e-9)
    # 80 % of the supply over 180 deg.
    supply = found["supply by the meter"] or 0.0
    assert found["uncertainty of the angle, k = 2"] == pytest.approx(2.0 * u / (0.8 * supply / 180.0), rel=1e-9)
    fit = found["uncertainty by fit"] or 0.0
    assert found["effective degrees of freedom"] == pytest.approx(u**4 / (fit**4 / 8), rel=1e-6)
    # 0.05 % of 0.9 x supply and 2 steps of 0.1 mV, any error alike likely (4.3.7); half a step of 0.1 mV.
    assert found["uncertainty by meter"] == pytest.approx((0.0005 * 0.9 * supply + 2e-4) / math.sqrt(3.0), rel=1e-9)
    assert found["uncertainty by meter resolution"] == pytest.approx(0.5e-4 / math.sqrt(3.0), rel=1e-9)


def test_the_filters_parts_are_those_of_the_bench() -> None:
    from lidjig.bench.families import levels

    assert (levels.FILTER_OHM, levels.FILTER_F) == (FILTER_OHM, pytest.approx(FILTER_F))


def test_every_note_can_be_said_in_german(larch: Make) -> None:
    german = Words("de")
    report = Trim(larch("stage_gain_percent = -3.0\nstage_offset_mv = 20.0"), 5).run()
    notes = [*report.notes, *Hold(larch(), 40.0, 0.5).run().notes]
    assert len(notes) > 6
    assert [n for n in [*notes, *figures(report)] if german.sentence(n).lang is not None] == []


@pytest.mark.parametrize("bend", [5.0, -5.0])
def test_too_few_points_for_a_bend(bend: float, larch: Make, store: Store) -> None:
    """A parabola between two points a span d apart: the middle is off by bend * d^2 (d in parts of the supply, 4 * 1/4
    at d = 1). Not stored, and said.
    """
    made = larch(f"stage_bend_percent = {bend}")
    report = Trim(made, 3).run()
    assert report.outcome == "fail" and report.error == ""
    wrong = figures(report)["largest error between points"]
    assert wrong == pytest.approx(0.05 * 0.4**2 * 3.3, rel=0.2)
    assert any("take more points" in note for note in report.notes)
    assert any("the output is untrimmed" in note for note in report.notes)
    assert stored(made).profile_crc != made.jig.status().profile_crc
    assert Trim(again(made, store), 17).run().outcome == "pass"
    assert stored(made).profile_crc == made.jig.status().profile_crc


def test_an_output_that_saturates_is_no_output(larch: Make) -> None:
    """Gain 1.2 and 0.2 V: at its supply from 78 % of it on, a seventh of its range."""
    procedure = Trim(larch("stage_gain_percent = 20.0\nstage_offset_mv = 200.0"), 17)
    report = procedure.run()
    assert isinstance(procedure.failure, OutputFailed) and EXIT_STATUS[OutputFailed] == EXIT_MACHINE_FAILED
    assert "does not follow" in report.error and "saturates" in report.error_next
    assert any("the output is untrimmed" in note for note in report.notes)


def test_nothing_is_driven_into_a_short(larch: Make) -> None:
    made = larch(more='[[fault]]\nwhere = "wiring"\nkind = "line-short-ground"\n')
    report = Trim(made, 5).run()
    assert report.outcome in ("fail", "incomplete")
    assert any("nothing was driven and nothing was trimmed" in note for note in report.notes)
    assert not any("untrimmed" in note for note in report.notes)


class Typist:
    """Types what the bench's own meter shows; words: instead of it, the first times. stop_after: readings until the run
    is stopped.
    """

    def __init__(self, made: Bench, *words: str, stop_after: int = 1000) -> None:
        self.made, self.words, self.stop_after = made, list(words), stop_after
        self.meter = made.jig.link.bench_meter()
        self.asked: list[str] = []
        made.operator = Operator(typed=self)
        made.progress.question = self.asked.append  # type: ignore[method-assign]

    def forget(self) -> None:
        """Nothing was typed before."""

    def line(self) -> str | None:
        self.stop_after -= 1
        if self.stop_after < 0:
            self.made.stop.wanted = True
            return None
        if self.words:
            return self.words.pop(0)
        assert self.meter is not None
        place = "supply" if "supply pin" in self.asked[-1] or len(self.asked) == 1 else "output"
        return f"{1000.0 * self.meter.volts(place):.1f} mV"


TYPED = MeterAsked("typed", "0.05%+2", "0.1 mV")


def test_a_person_types(larch: Make) -> None:
    """Slips of the keyboard are asked about again; the caution stands before the first question alone."""
    made = larch("stage_gain_percent = -2.0")
    typist = Typist(made, "3,3", "3.2987")
    report = Trim(made, 5, TYPED).run()
    assert report.outcome == "pass", report.error
    assert stored(made).meter == "typed by hand"
    assert len(typist.asked) == 1 + 1 + 5 + 4 + 1  # a slip, supply, points, between, supply
    assert "in a current jack" in typist.asked[0] and "in a current jack" not in typist.asked[2]
    assert "comma" in typist.asked[1]


def test_nobody_types(larch: Make) -> None:
    procedure = Trim(larch(), 5, TYPED)
    report = procedure.run()
    assert report.outcome == "error" and "nobody typed a reading" in report.error


def test_stopped_half_way_leaves_it_untrimmed_and_says_so(larch: Make, store: Store) -> None:
    """The identity is no trim of this profile: the next run has its doubt."""
    made = larch()
    assert Trim(made, 3).run().outcome == "pass"
    made = again(made, store)
    Typist(made, stop_after=3)
    report = Trim(made, 5, TYPED).run()
    assert report.outcome == "incomplete"
    assert any("the output is untrimmed" in note for note in report.notes)
    assert made.jig.status().profile_crc == trims.crc_of_record(made.sensor.to_blob())
    notes = Hold(again(made, store), 40.0, 0.5).run().notes
    assert any("made for another sensor profile" in note for note in notes)


def test_an_instrument_may_be_slow(larch: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """The jig is heard while it measures; the operator is asked to move its lead, once for each place in a row."""
    made = larch()
    asked: list[str] = []
    own = made.jig.link.bench_meter()
    assert own is not None
    ask = made.operator.ask

    def noted(bench: Bench, action: str, seconds: float = 180.0) -> tuple[int, int]:
        asked.append(action)
        return ask(bench, action, seconds)

    class Slow:
        name = "slow one"

        def read_volts(self) -> MeterReading:
            time.sleep(0.05)  # the bench's own time runs on meanwhile, by far more than the second of silence
            return MeterReading(values[asked[-1]](), 1e-3, 1e-4, "")

        def close(self) -> None:
            closed.append(1)

    volts = made.jig.link.volts  # type: ignore[attr-defined]
    shown = {"t": 0.0, "VM": 3.3, "M1": 0.0}

    def turned(angle_deg: float, duration_s: float, shape: str = "smooth") -> None:
        turn(angle_deg, duration_s, shape)
        made.jig.idle(0.5)
        shown["M1"] = volts()["M1"] / 1e6

    turn = made.turn
    values = {"meter-to-supply": lambda: 3.2995, "meter-to-output": lambda: round(shown["M1"], 4)}
    closed: list[int] = []
    monkeypatch.setattr(made.operator, "ask", noted)
    monkeypatch.setattr(made, "turn", turned)
    monkeypatch.setattr(trim_meter, "open_meter", lambda where, spec: Slow())
    report = Trim(made, 5, MeterAsked("/dev/ttyNone", "0.05%+2", "0.1 mV")).run()
    assert report.outcome == "pass", report.error
    assert asked == ["meter-to-supply", "meter-to-output", "meter-to-supply"]
    assert closed == [1] and stored(made).meter == "slow one"


def test_what_cannot_be_trimmed_is_refused(bench: Make) -> None:
    with pytest.raises(BadInput, match="family 'analog'"):
        Trim(bench(vm="cpython"), 9)


@pytest.mark.parametrize(
    ("asked", "key"),
    [
        (MeterAsked("typed"), "--accuracy"),
        (MeterAsked("typed", "0.5%+3"), "--resolution"),
        (MeterAsked("typed", "good", "0.1 mV"), "meter accuracy"),
        (MeterAsked("typed", "0.1%+0.1% range", "0.1 mV"), "meter range"),
    ],
)
def test_a_meter_whose_data_sheet_is_not_known(asked: MeterAsked, key: str) -> None:
    with pytest.raises(BadInput) as caught:
        asked.check(may_have_meter=False)
    assert caught.value.key == key


def test_levels_of_the_codes() -> None:
    from lidjig.bench import load_sensor

    stage = OutputStage.of(load_sensor("hinge-v1")[0])
    assert stage.points(9)[0] == 0 and stage.points(9)[-1] == 4095 and len(set(stage.points(33))) == 33
    assert [stage.wanted(code) for code in (0, 4095)] == pytest.approx([0.1, 0.9])
    assert stage.between(3) == [1024, 3071]
    assert stage.lid_deg(0.5) == pytest.approx(90.0)
    # `lidjig filter` prints 0.32 LSB of 12 bits for these parts.
    assert stage.ripple * 4096 == pytest.approx(0.32, abs=0.005)


# -- doubts in the runs that use a trim


def test_every_run_that_uses_a_trim_has_its_doubts(larch: Make, store: Store) -> None:
    made = larch()
    absent = [note for note in Hold(made, 40.0, 0.5).run().notes if "trim" in note]
    assert absent == [
        "The output is not trimmed: how far its voltage is from the one wanted is unknown. Run 'lidjig trim'"
    ]
    assert Trim(again(made, store), 3).run().outcome == "pass"
    for make in (lambda b: Hold(b, 40.0, 0.5), lambda b: Sweep(b, 90.0, 60.0, 60.0), lambda b: Confirm(b, 1)):
        assert [note for note in make(again(made, store)).run().notes if "trim" in note] == []
    # As made two years ago, at another supply.
    good = stored(made)
    old = msgspec.structs.replace(good, made_utc_s=good.made_utc_s - 730 * 86400, supply_mv=3100)
    made.jig.load_blob(names.BLOB_TRIM, old.to_record())
    for make in (lambda b: Hold(b, 40.0, 0.5), lambda b: Confirm(b, 1), lambda b: Cycle(b, 1)):
        told = [note for note in make(again(made, store)).run().notes if "trim" in note]
        assert len(told) == 2 and "over a year old" in told[0] and "at a supply of 3.100 V" in told[1]


def test_doubts_can_be_said_in_german(larch: Make) -> None:
    german = Words("de")
    sensor = larch().sensor
    now = datetime.now(UTC)
    good = trims.new_trim("x", trims.crc_of_record(sensor.to_blob()), now, "m", 3.3, [(0.0, 0.1), (1.0, 0.9)])
    assert TrimKept(good).doubts(sensor, 3.3) == []
    assert len(TrimKept(good).doubts(sensor, None)) == len(TrimKept(good).doubts(sensor, 0.01)) == 1
    replace = msgspec.structs.replace
    cases = [TrimKept(None), TrimKept(None, unread=True), TrimKept(good)]
    cases += [TrimKept(replace(good, profile=name, profile_crc=1)) for name in ("", "other")]
    cases += [TrimKept(replace(good, made_utc_s=good.made_utc_s + days * 86400)) for days in (-400, 400)]
    said = [doubt for case in cases for volts in (None, 3.1, 3.5) for doubt in case.doubts(sensor, volts)]
    said = [doubt.removesuffix(".") for doubt in said]
    assert len(set(said)) > 8
    assert [doubt for doubt in said if german.sentence(doubt).lang is not None] == []


@pytest.mark.parametrize("at_s", [6.0, 9.0])
def test_a_board_that_restarts_is_taken_up_again(at_s: float, larch: Make) -> None:
    """Whatever was read while the output was let go is read again."""
    made = larch(more=f'[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = {at_s}\n')
    report = Trim(made, 9).run()
    assert report.outcome == "pass", report.error
    assert any("board restarted" in note for note in report.notes)
    error = figures(report)["largest error between points"]
    assert error is not None and error < 1e-3


def test_a_trip_that_a_person_must_look_at_ends_it(larch: Make) -> None:
    """The supply goes: nothing is cleared, and nothing goes on."""
    made = larch(more='[[event]]\nat_s = 8.0\ndo = "set-rail"\nvolts = 0.0\n')
    procedure = Trim(made, 9)
    report = procedure.run()
    assert report.outcome == "error" and isinstance(procedure.failure, Tripped)
    assert any("the output is untrimmed" in note for note in report.notes)
