"""Benches that see the machine through a power monitor: what is told, and what is not told when the monitor fails."""

from __future__ import annotations

import re
import statistics
from pathlib import Path

import numpy as np
import pytest
from lidjig.bench import load_machine
from lidjig.bench.remaining import Remaining
from lidjig.errors import Disturbed, NotSeen, Refused
from lidjig.jig import Batch, MeterState
from lidjig.jig_samples import meter_name
from lidjig.procedures.base import Bench
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle
from lidjig.procedures.isolate import Isolate
from lidjig.procedures.observe import LINES_SAMPLE, Observer
from lidjig.procedures.replay_bench import StillJig
from lidjig.procedures.report import Report
from lidjig.record.store import Store

from shared_proto import names
from tests.procedures.conftest import Make

DOGWOOD = '[machine]\nmodel = "dogwood-14"\n'
RUNNING = '[machine]\nmodel = "dogwood-14"\nstart_state = "S0"\n'
MISSING = '[[fault]]\nwhere = "bus"\nkind = "meter-missing"\n'
# alder-14 with SLP lines, and its charger observed by a power monitor instead of the taps.
ALDER_METER = """
[machine]
model = "alder-14"
[[machine.parameters.meter]]
number = 1
address = 0x40
shunt_mohm = 10.0
"""


def hung(at_s: float, clocks: int = 0) -> str:
    return f'[[fault]]\nwhere = "bus"\nkind = "hung"\nat_s = {at_s}\nclocks = {clocks}\n'


@pytest.fixture
def alder_meter(tmp_path: Path) -> str:
    """Path of a profile of alder-14 that goes by a power monitor."""
    _, text = load_machine("alder-14")
    for observer in ("charger_v", "charger_i"):
        text = text.replace(f"[observers.{observer}]", f'[observers.{observer}]\nby = "meter"')
    path = tmp_path / "alder-meter.toml"
    path.write_text(text + "\n[[meter]]\nnumber = 1\naddress = 0x40\nshunt_mohm = 10.0\nmax_a = 5.0\n")
    return str(path)


def values(report: Report) -> dict[str, str]:
    return {measured.name: measured.outcome for measured in report.measurements}


def test_a_healthy_machine_passes_through_its_meter(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD, machine="dogwood-14")
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "pass" and report.findings[0].where == "none", report
    volts = next(m for m in report.measurements if m.name == "charger voltage")
    # The model's charger: 20 V, 0.8 % low.
    assert volts.low is not None and volts.high is not None and volts.low <= 19.84 <= volts.high
    kept = store.run(here.recorder.id)
    assert {"meter_1_v", "supply"} <= {sample.channel for sample in kept.samples} and kept.gaps == []
    # Stamps by a monitor are no better than its beat and its averaging, and the interval says so.
    slowest = next(m for m in report.measurements if m.name == "sleep latency, slowest")
    assert slowest.low is not None and slowest.high is not None and slowest.high - slowest.low == pytest.approx(0.02)


def test_a_machine_that_ignores_its_lid_is_found_through_the_meter(bench: Make) -> None:
    fault = '[[fault]]\nwhere = "machine"\nkind = "ignores-lid"\n'
    report = Confirm(bench(DOGWOOD + fault, machine="dogwood-14"), repeat=2).run()
    assert report.outcome == "fail" and (report.findings[0].where, report.findings[0].what) == ("board", "ignores-lid")


def test_a_missing_meter_says_not_measured_and_nothing_of_the_machine(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD + MISSING, machine="dogwood-14")
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "error" and report.findings == []
    told = values(report)
    # What is read without the monitor is measured, and nothing else: no start, no movement of the lid.
    measured = {name for name, outcome in told.items() if outcome != "not measured"}
    assert measured == {"sensor supply", "line 1 idle level", "line 1 pull"} and told["line 1 pull"] == "pass"
    assert "charger_v, charger_i cannot be read" in report.error and "S3 and S5 are not told apart" in report.error
    assert "nothing answers at its address" in report.error and "machine profile" in report.error_next
    # "1 time" would sound as if it had come back.
    (told_of,) = [note for note in report.notes if note.startswith("power monitor 1 (charger supply) did not answer")]
    assert re.search(r"answer from \d\.\d{3} s of board time on, to the end of this run", told_of)
    kept = store.run(here.recorder.id)
    assert "meter-lost" in [gap.kind for gap in kept.gaps]
    still = StillJig(kept.gaps)  # a replay names it as well
    assert still.meters_lost == here.jig.meters_lost == {meter_name(1): 1}
    assert still.meter_gaps.gone == here.jig.meter_gaps.gone and meter_name(1) in still.meter_gaps.gone
    assert any(note.startswith("not measured: charger_v, charger_i. power monitor 1") for note in kept.notes)


def test_isolate_still_measures_the_sensor_without_the_monitor(bench: Make) -> None:
    report = Isolate(bench(DOGWOOD + MISSING, machine="dogwood-14"), repeat=2, watch_s=1.0).run()
    assert report.outcome == "error" and report.findings == [] and "charger_v, charger_i cannot" in report.error
    told = values(report)
    figures = ("sensor current", "sensor line 1, lid open", "sensor line 1, lid shut", "sensor changes, lid at rest")
    assert all(told[name] == "pass" for name in ("sensor supply", "line 1 pull", *figures))
    assert told["charger voltage"] == told["start, lines open"] == told["rounds"] == "not measured"


def test_a_short_is_found_without_the_monitor(bench: Make) -> None:
    fault = '[[fault]]\nwhere = "wiring"\nkind = "line-short-ground"\n'
    report = Confirm(bench(DOGWOOD + MISSING + fault, machine="dogwood-14"), repeat=2).run()
    assert report.outcome == "error" and values(report)["line 1 idle level"] == "fail"


def test_a_bus_that_hangs_for_good_ends_the_run_without_a_verdict(bench: Make) -> None:
    """It hangs while the machine is shut and opened: neither a miss nor a late reaction may come of it."""
    here = bench(DOGWOOD + hung(30.0), machine="dogwood-14")
    report = Confirm(here, repeat=50).run()
    assert report.outcome == "error" and report.findings == []
    told = values(report)
    assert told["start, lines open"] == told["charger voltage"] == "pass"
    assert told["rounds"] == told["sleep misses"] == told["wake misses"] == "not measured"
    assert "a part holds the bus" in report.error and "fail" not in told.values()


def test_a_bus_that_is_clocked_free_costs_nothing(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD + hung(12.0, clocks=7), machine="dogwood-14")
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "pass", report
    assert here.jig.meters().recoveries == 1 and here.jig.meters().meter_1 is MeterState.OK
    assert "the monitors' bus was freed by clocks 1 time; see the gaps in its record" in report.notes
    gaps = [gap for gap in store.run(here.recorder.id).gaps if gap.kind == "bus-freed"]
    assert len(gaps) == 1 and "freed by clocks 1 time" in gaps[0].text and gaps[0].t_us is not None


def test_what_was_freed_before_the_run_and_a_healthy_bus_leave_no_trace(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD + hung(1.0, clocks=7) + "[jig]\nkept = true\n", machine="dogwood-14")
    here.idle(5.0)
    assert here.jig.meters().recoveries == 1
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "pass" and here.freed == 0 and not any("freed" in note for note in report.notes)
    assert "bus-freed" not in [gap.kind for gap in store.run(here.recorder.id).gaps]


def test_a_loose_monitor_disturbs_steps_and_blames_nobody(bench: Make, store: Store) -> None:
    fault = '[[fault]]\nwhere = "bus"\nkind = "meter-drops"\nrate = 0.05\n'
    here = bench(DOGWOOD + fault, machine="dogwood-14")
    report = Cycle(here, count=20).run()
    told = values(report)
    assert "fail" not in told.values() and told["sleep misses"] == "pass" and told["wake misses"] == "pass"
    kinds = [gap.kind for gap in store.run(here.recorder.id).gaps]
    assert kinds.count("meter-lost") >= 1 and kinds.count("meter-back") >= kinds.count("meter-lost") - 1
    assert any(
        note.startswith(f"{meter_name(1)} did not answer {kinds.count('meter-lost')} time") for note in report.notes
    )
    assert StillJig(store.run(here.recorder.id).gaps).meter_gaps.gone == here.jig.meter_gaps.gone
    assert here.repeats >= 1 and any("a step was repeated" in note for note in report.notes)


def test_the_rest_still_tells_the_states_where_it_can(bench: Make, store: Store, alder_meter: str) -> None:
    """SLP lines and light are enough: the run goes on, and only what the monitor was to measure is missing."""
    healthy = Confirm(bench(ALDER_METER, machine=alder_meter), repeat=2).run()
    assert healthy.outcome == "pass", healthy
    here = bench(ALDER_METER + MISSING, machine=alder_meter)
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "incomplete", report
    missing = {name for name, outcome in values(report).items() if outcome == "not measured"}
    assert missing == {"charger voltage"} and "fail" not in values(report).values()
    assert report.findings[0].where == "unknown" and "charger voltage was not measured" in report.findings[0].evidence
    assert any(note.startswith("charger voltage not measured") for note in store.run(here.recorder.id).notes)


def test_a_wait_for_a_state_ends_when_the_monitor_fails(bench: Make) -> None:
    here = bench(RUNNING + hung(4.0), machine="dogwood-14")
    here.load_profiles()
    observer = Observer(here)
    observer.start()
    assert observer.state == "S0" and observer.stamp_s == 0.01
    began_us = here.jig.status().t_us
    wanted = r"power monitor 1 \(charger supply\) stopped answering before the machine was seen to reach S3"
    with pytest.raises(Disturbed, match=wanted):
        observer.wait_state("S3", since_us=began_us, seconds=100.0)
    assert here.jig.status().t_us - began_us < 15_000_000
    assert observer.state == "unknown" and observer.showing["light"] == 1 and observer.showing["charger_i"] is None
    assert observer.unread == {"charger_v", "charger_i"} and observer.lost >= 1
    with pytest.raises(Disturbed):
        observer.settle("S3", seconds=1.0)
    with pytest.raises(NotSeen) as caught:
        observer.start()
    assert caught.value.states == ("S3", "S5") and set(caught.value.blind) == {"charger_v", "charger_i"}


def test_states_are_known_again_when_the_monitor_is_back(bench: Make) -> None:
    """Its comparators tell changes only: without beginning anew, what did not change meanwhile would stay unknown."""
    fault = '[[fault]]\nwhere = "bus"\nkind = "meter-drops"\nrate = 0.2\n'
    here = bench(RUNNING + fault, machine="dogwood-14")
    here.load_profiles()
    observer = Observer(here, must_tell=False)
    observer.start()
    here.idle(60.0)
    lost, back = here.jig.gaps_told["meter-lost"], here.jig.gaps_told["meter-back"]
    assert lost >= 3 and back >= 3
    states = [state for _, state in observer.classifier.timeline]
    assert states.count("S0") >= 3 and set(states) == {"S0", "unknown"}


def test_a_monitor_that_forgets_is_not_believed(bench: Make) -> None:
    """Without its calibration it says 0 mA, which is what a machine that is off draws: asleep is no S5 for a moment."""
    fault = '[[fault]]\nwhere = "bus"\nkind = "meter-drops"\nrate = 0.004\nforgets = "yes"\n'
    here = bench(RUNNING + fault + '[[event]]\nat_s = 4.0\ndo = "shut-lid"\n', machine="dogwood-14")
    here.load_profiles()
    raw: list[np.ndarray] = []
    here.jig.on_batch.append(lambda batch: raw.append(np.frombuffer(batch.data, "<u2")))
    observer = Observer(here, sampled={"charger_i": 0.005}, must_tell=False)
    observer.start()
    here.idle(40.0)
    assert here.jig.gaps_told["meter-lost"] >= 10 and here.jig.gaps_told["meter-back"] >= 10
    states = [state for _, state in observer.classifier.timeline]
    assert states.count("S3") >= 5 and set(states) == {"S0", "S3", "unknown"}
    readings = np.concatenate(raw)
    assert len(readings) > 7000 and int((readings == names.METER_ZERO).sum()) == 0


def start_sampling(here: Bench, periods: dict[str, float]) -> Observer:
    here.load_profiles()
    observer = Observer(here, sampled=periods)
    observer.start()
    return observer


def test_sampled_observers_go_into_the_record_with_unit_and_scale(bench: Make, store: Store) -> None:
    here = bench(RUNNING, machine="dogwood-14")
    shown: list[Batch] = []
    here.jig.on_batch.append(shown.append)
    observer = start_sampling(here, {"charger_i": 0.005, "light": 0.001, "meter_1_v": 0.02})
    assert observer.periods == {"meter_1_i": 0.005, "light": 0.001, "meter_1_v": 0.02}
    here.idle(5.0)
    observer.stop()
    here.idle(1.0)
    rows = {row.channel: row for row in store.channels(here.recorder.id)}
    assert {channel: row.unit for channel, row in rows.items()} == {
        "meter_1_i": "mA", "meter_1_v": "mV", "light": "permille",
    }  # fmt: skip
    for channel, wanted in (("light", 1000.0), ("meter_1_i", 200.0), ("meter_1_v", 50.0)):
        assert rows[channel].rate_hz == pytest.approx(wanted, rel=0.02)
        assert rows[channel].n == pytest.approx(5.0 * wanted, rel=0.03)
    current = np.concatenate([segment.values for segment in store.series(here.recorder.id, "meter_1_i")])
    volts = np.concatenate([segment.values for segment in store.series(here.recorder.id, "meter_1_v")])
    # The model: 750 mA in S0, 2.5 uV of offset over 10 mohm, 20 V 0.8 % low.
    assert statistics.fmean(current) == pytest.approx(750.25, abs=4.0)
    assert statistics.fmean(volts) == pytest.approx(19_840.0, abs=10.0)
    assert sum(batch.n for batch in shown if batch.channel == "light") == rows["light"].n
    assert "lost-samples" not in here.jig.gaps_told
    # Nothing is sampled any more.
    before = len(shown)
    here.idle(1.0)
    assert len(shown) == before


def test_samples_begin_again_after_a_restart(bench: Make, store: Store) -> None:
    here = bench(RUNNING + '[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 6.0\n', machine="dogwood-14")
    observer = start_sampling(here, {"charger_i": 0.005})
    shown: list[Batch] = []
    here.jig.on_batch.append(shown.append)

    def again() -> None:
        here.load_profiles()
        observer.start()

    here.persist(lambda: here.idle(8.0), again)
    assert here.repeats == 1
    observer.stop()
    numbers = [batch.number for batch in shown]
    anew = numbers.index(1, 1)
    assert numbers[:anew] == list(range(numbers[0], numbers[0] + anew))
    assert numbers[anew:] == list(range(1, len(numbers) - anew + 1)) and len(numbers) - anew > 20
    assert "lost-samples" not in here.jig.gaps_told and here.jig.gaps_told["restart"] == 1
    masks = [s.channel for s in store.run(here.recorder.id).samples if s.channel.startswith(LINES_SAMPLE)]
    assert len(set(masks)) == 2


def test_nothing_is_sampled_unless_it_is_asked_for(bench: Make, store: Store) -> None:
    here = bench(RUNNING, machine="dogwood-14")
    observer = start_sampling(here, {})
    here.idle(2.0)
    observer.stop()
    assert store.channels(here.recorder.id) == [] and observer.periods == {}


# S0 is the only state with light, so it is told without the current; where that was lost on the way, it is not.
@pytest.mark.parametrize(("fault", "state"), [(MISSING, "S0"), (hung(4.0), "unknown")], ids=["missing", "hung"])
def test_who_only_looks_goes_on_without_the_monitor(fault: str, state: str, bench: Make) -> None:
    here = bench(RUNNING + fault, machine="dogwood-14")
    here.load_profiles()
    observer = Observer(here, must_tell=False)
    observer.start()
    here.idle(8.0)
    assert observer.state == state and observer.unread == {"charger_v", "charger_i"}
    assert here.read("charger_i", 4) is None
    light = here.read("light", 4)
    assert light is not None and light.value == pytest.approx(520.0, abs=20.0)
    observer.stop()


def test_a_jig_that_has_no_wiring_yet_is_looked_at_without_its_monitor(bench: Make, store: Store) -> None:
    here = bench(RUNNING, machine="dogwood-14")
    observer = Observer(here, must_tell=False)
    observer.start()
    assert observer.unread == {"charger_v", "charger_i"}
    assert any("wiring in force on the jig does not have it" in note for note in store.run(here.recorder.id).notes)
    with pytest.raises(NotSeen):
        Observer(here).start()
    sampling = Observer(here, sampled={"light": 0.01, "charger_i": 0.01}, must_tell=False)
    sampling.start()
    assert sampling.periods == {"light": 0.01} and "charger_i" in sampling.blind
    sampling.stop()
    # Loaded, and it begins anew by itself when the monitor is met.
    here.load_profiles()
    here.idle(3.0)
    assert observer.unread == set() and observer.state == "S0"
    current = here.read("charger_i", 16)
    assert current is not None and current.value == pytest.approx(750.0, abs=40.0) and current.unit == "mA"


def test_what_was_to_be_sampled_and_is_not_is_refused(bench: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """Firmware that sends no samples is no observer that cannot be read: its word is handed on."""
    here = bench(RUNNING, machine="dogwood-14")
    here.load_profiles()

    def refuse(channel: str, period_s: float) -> float:
        raise Refused("sample", names.REFUSED_UNKNOWN)

    monkeypatch.setattr(here.jig, "sample", refuse)
    observer = Observer(here, sampled={"light": 0.01})
    with pytest.raises(Refused, match="no such request"):
        observer.start()
    # Nothing was granted, so nothing is asked to end.
    observer.stop()


def test_what_remains_of_the_signatures() -> None:
    dogwood, alder = load_machine("dogwood-14")[0], load_machine("alder-14")[0]
    blind = frozenset({"charger_v", "charger_i"})
    assert Remaining(dogwood, blind).confused() == ("S3", "S5")
    assert Remaining(dogwood, frozenset()).confused() == ()
    assert Remaining(dogwood, frozenset()).signatures() == dogwood.signatures()
    left = Remaining(alder, blind)
    assert left.confused() == () and left.channels() == alder.channels()
    assert all(not blind & signature.keys() for signature in left.signatures().values())
    # G3 goes by the supply monitor where the charger's voltage is not seen.
    assert "G3" in left.signatures() and "G3" not in Remaining(alder, blind | {"supply_ok"}).signatures()
    unsupplied = Remaining(alder, frozenset({"supply_ok"})).signatures()
    assert "G3" not in unsupplied and all("supply_ok" not in signature for signature in unsupplied.values())
