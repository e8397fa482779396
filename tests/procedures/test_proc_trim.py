"""Trim on a simulated bench: what is stored, what is told, and what happens where it cannot be done."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from lidjig.bench import trim as trims
from lidjig.bench.meter import MeterReading, read_spec
from lidjig.bench.profiles import load_sensor
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
from lidjig.procedures.trim_output import OutputStage, check_worth
from lidjig.procedures.trim_told import PointRead
from lidjig.record.store import Store
from lidjig.record.stored import StoredStep
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
    assert not any("is untrimmed" in note for note in report.notes)


def test_the_limit_between_points_adds_up(larch: Make) -> None:
    """One code of 4096 over 0.8 of 3.6 V, and U without the fit there, as the note has them."""
    procedure = Trim(larch(), 3)
    report = procedure.run()
    [note] = [note for note in report.notes if note.startswith("an error between points may be ")]
    limit, code, u, most, level, supply = (float(one) for one in re.findall(r"(\d+\.\d+) (?:mV|V)", note))
    assert (level, supply) == (3.24, 3.6) and most == pytest.approx(57.6) and code == pytest.approx(0.70, abs=0.005)
    assert limit == pytest.approx(code + u, abs=0.011) == pytest.approx(1000.0 * procedure.limit_v, abs=0.011)


class Saying(Quiet):
    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)


@pytest.mark.parametrize(("step_v", "volts", "off"), [(0.01, "1.65 V", "+1 mV"), (1e-3, "1.650 V", "+1 mV")])
def test_nothing_is_told_finer_than_the_meter_shows_it(step_v: float, volts: str, off: str) -> None:
    saying, found = Saying(), MeterReading(1.65, 1e-3, step_v, "")
    one = PointRead(2048, 0.5, found, 1.6488, trimmed=False)
    one.tell(saying)
    one.tell(saying, residual_v=0.0014)
    assert f": {volts}, wanted 1.6488 V, off by {off}, untrimmed" in saying.said[0]
    assert "residual" not in saying.said[0] and saying.said[1].endswith("residual +1 mV")
    assert one.noted() == f"50.0 %: {volts} for 1.6488 V ({off})"
    near = PointRead(2048, 0.5, MeterReading(1.65, 1e-3, 1e-4, ""), 1.65004, trimmed=True)
    near.tell(saying)
    assert "off by +0.0 mV, the trim in force" in saying.said[2]


def test_the_budget_adds_up(larch: Make) -> None:
    """JCGM 100:2008, eq. 10, k = 2, and eq. G.2b with the fit's as the only finite degrees of freedom."""
    procedure = Trim(larch(), 9)
    report = procedure.run()
    found = figures(report)
    by = {part["name"]: part["u_v"] for part in procedure.budget["parts"]}
    parts = list(by.values())
    assert list(by) == ["supply", "meter", "meter resolution", "ripple", "fit", "output step"]
    u = math.sqrt(sum(part**2 for part in parts))
    assert found["uncertainty of the output, k = 2"] == pytest.approx(2.0 * u, rel=1e-9)
    # 80 % of the supply over 180 deg.
    supply = found["supply by the meter"] or 0.0
    assert found["uncertainty of the angle, k = 2"] == pytest.approx(2.0 * u / (0.8 * supply / 180.0), rel=1e-9)
    fit = by["fit"]
    assert procedure.budget["df"] == pytest.approx(u**4 / (fit**4 / 8), rel=1e-6)
    # 0.05 % of 0.9 x supply and 2 steps of 0.1 mV, any error alike likely (4.3.7); half a step of 0.1 mV.
    assert by["meter"] == pytest.approx((0.0005 * 0.9 * supply + 2e-4) / math.sqrt(3.0), rel=1e-9)
    assert by["meter resolution"] == pytest.approx(0.5e-4 / math.sqrt(3.0), rel=1e-9)


def steps_of(store: Store, report: Report, name: str) -> list[StoredStep]:
    assert report.run is not None
    return [step for step in store.run(report.run).steps if step.name == name]


def test_budget_and_points_are_on_record(larch: Make, store: Store) -> None:
    """What was wanted beside what was read, of each point, and each part of the budget with its distribution."""
    made = larch("stage_offset_mv = 20.0")
    report = Trim(made, 5).run()
    supply = figures(report)["supply by the meter"] or 0.0
    points = [(step.arguments["code"], step.result) for step in steps_of(store, report, "trim_point")]
    assert [read["trimmed"] for _code, read in points] == [False] * 5 + [True] * 4
    for code, read in points:
        assert read["off_v"] == pytest.approx(read["v"] - read["wanted_v"], abs=1e-12)
        # 10 to 90 % of the supply over 4096 codes; the supply may have moved by some steps of the meter since.
        assert read["wanted_v"] == pytest.approx((0.1 + 0.8 * code / 4095) * supply, abs=1e-3)
        assert read["off_v"] == pytest.approx(0.0 if read["trimmed"] else 0.02, abs=1.5e-3)
    [budget] = [step.result for step in steps_of(store, report, "trim_budget")]
    shapes = {part["name"]: (part["distribution"], part["df"]) for part in budget["parts"]}
    assert shapes["meter"] == ("rectangular", None) and shapes["ripple"] == ("arcsine", None)
    assert shapes["supply"] == ("normal", None) and shapes["fit"] == ("normal", 4.0)
    for part in budget["parts"]:
        [note] = [note for note in report.notes if note.startswith(f"uncertainty by {part['name']}: ")]
        assert part["distribution"] in note and f"{1000.0 * part['u_v']:.3f} mV" in note
    read = [note for note in report.notes if note.startswith("output read ")]
    assert [note.count(" V for ") for note in read] == [5, 4]


def test_an_uncertainty_is_a_bound_and_not_exact(larch: Make) -> None:
    """Nothing has an interval of no width; U by Student's t (JCGM 100:2008, G.4.1) where that is more than k = 2."""
    procedure = Trim(larch(), 3)
    for measured in procedure.run().measurements:
        assert measured.low is None or measured.high is None or measured.low < measured.high, measured.name
        if measured.name == "uncertainty of the output, k = 2":
            most = max(procedure.budget["expanded_v"], procedure.budget["expanded_by_t_v"])
            assert (measured.low, measured.high) == (None, most)


@pytest.mark.parametrize(
    ("meter", "key"), [("meter_percent = 5.0", "--accuracy"), ("meter_step_mv = 100.0", "--resolution")]
)
def test_a_meter_too_coarse_for_any_trim(meter: str, key: str, larch: Make) -> None:
    """Nothing is driven. 2 % of 0.8 x 180 deg x the supply / the supply: 3.6 deg of the output's 180."""
    made = larch(operator=meter)
    with pytest.raises(BadInput, match=r"3\.60 deg") as caught:
        Trim(made, 3)
    assert caught.value.key == key and EXIT_STATUS[BadInput] == 2


def test_a_worse_meter_does_not_pass_easier() -> None:
    """The limit between points ends at 2 % of the output's span, 0.8 of 3.6 V."""
    stage = OutputStage.of(load_sensor("hinge-v1")[0])
    assert stage.worth_v(3.6) == pytest.approx(0.02 * 0.8 * 3.6) and stage.worth_deg() == pytest.approx(3.6)
    check_worth(stage, read_spec("0.5%+3", "1 mV"))
    for sheet in (("0.5%+3", "1"), ("30%+3", "1 mV"), ("0.5%+3", "0.1")):
        with pytest.raises(BadInput):
            check_worth(stage, read_spec(*sheet))


def test_what_turns_out_too_uncertain_is_not_stored(larch: Make) -> None:
    """A supply that moved by more than any data sheet knows of, between the first reading and the last."""
    made = larch()
    procedure = Trim(made, 3)
    of_both = procedure.supply_of_both
    procedure.supply_of_both = lambda before, after: of_both(before, replace(after, v=after.v - 0.25))  # type: ignore[method-assign]
    report = procedure.run()
    [angle] = [one for one in report.measurements if one.name == "uncertainty of the angle, k = 2"]
    assert (report.outcome, angle.outcome) == ("fail", "fail") and angle.value is not None and angle.value > 3.6
    assert any("not known within 3.60 deg" in note for note in report.notes)
    assert stored(made).profile_crc != made.jig.status().profile_crc


def test_a_short_end_says_on_which_side_of_it() -> None:
    """10 to 90 % over 0 to 180 deg: 12 % is 4.5 deg, 88 % is 175.5 deg."""
    stage = OutputStage.of(load_sensor("hinge-v1")[0])
    assert "below a lid angle of 4.50 deg" in stage.ends_at(0.12, 0.1)
    assert "above a lid angle of 175.50 deg" in stage.ends_at(0.88, 0.9)
    for end, wanted in ((0.12, 0.1), (0.88, 0.9)):
        assert Words("de").sentence(stage.ends_at(end, wanted)).lang is None


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
    assert "no new trim was stored: the output is untrimmed" in report.notes  # the board held none
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
    assert not any("is untrimmed" in note for note in report.notes)


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
    [note] = [note for note in report.notes if note.startswith("trim of 5 points stored")]
    assert "meter: typed by hand, at a supply" in note and "von Hand eingetippt" in Words("de").sentence(note).text
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
    assert any("the one that the board held was given up: the output is untrimmed" in note for note in report.notes)
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
        (MeterAsked("typed", "good", "0.1 mV"), "--accuracy"),
        (MeterAsked("typed", "0.1%+0.1% range", "0.1 mV"), "--range"),
    ],
)
def test_a_meter_whose_data_sheet_is_not_known(asked: MeterAsked, key: str) -> None:
    with pytest.raises(BadInput) as caught:
        asked.check(may_have_meter=False)
    assert caught.value.key == key


def test_levels_of_the_codes() -> None:
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
    changed = msgspec.structs.replace
    cases = [TrimKept(None), TrimKept(None, unread=True), TrimKept(good)]
    cases += [TrimKept(changed(good, profile=name, profile_crc=1)) for name in ("", "other")]
    cases += [TrimKept(changed(good, made_utc_s=good.made_utc_s + days * 86400)) for days in (-400, 400)]
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
