"""What a look at the bench holds: readings, their trails, the ribbon, and what is told where something fails."""

from __future__ import annotations

import binascii
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from lidjig.bench import load_machine
from lidjig.errors import Refused, StoreFailed
from lidjig.jig import Batch, Lock, Unrecorded
from lidjig.procedures.base import Bench
from lidjig.procedures.watch_readings import STEP_US, STEPS, Trail
from lidjig.procedures.watch_ribbon import Ribbon
from lidjig.procedures.watching import Look, Watching
from lidjig.record.store import Store

from shared_proto import names
from tests.procedures.conftest import Make

ALDER = '[machine]\nmodel = "alder-14"\nstart_state = "S0"\n'
DOGWOOD = '[machine]\nmodel = "dogwood-14"\nstart_state = "S0"\n'
RESET = '[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 6.0\n'


def event(at_s: float, do: str) -> str:
    return f'[[event]]\nat_s = {at_s}\ndo = "{do}"\n'


def hung(at_s: float, clocks: int = 0) -> str:
    return f'[[fault]]\nwhere = "bus"\nkind = "hung"\nat_s = {at_s}\nclocks = {clocks}\n'


def look(here: Bench, seconds: float, *, record: bool = False) -> list[Look]:
    looks: list[Look] = []
    report = Watching(here, looks.append, seconds, record=record).run()
    assert report.outcome == "pass", report
    return looks


def at(looks: list[Look], t_s: float) -> Look:
    """The first look at or after a board time."""
    return next(one for one in looks if one.t_us >= t_s * 1e6)


def is_silent(here: Bench) -> bool:
    """Whether the board sends no readings any more."""
    came: list[Batch] = []
    here.jig.on_batch.append(came.append)
    here.jig.idle(1.0)
    here.jig.on_batch.remove(came.append)
    return not came


# -- looks


def test_ten_looks_a_second_with_all_that_is_wired(bench: Make) -> None:
    here = bench(ALDER)
    here.load_profiles()
    looks = look(here, 4.0)
    between = np.diff([one.t_us for one in looks]) / 1e6
    assert len(looks) >= 40 and between.mean() == pytest.approx(0.1, abs=0.001) and between.max() < 0.11
    last = looks[-1]
    assert set(last.readings) == {
        "supply", "machine_1", "sensor_supply", "sensor_1", "charger_v", "charger_i", "jig_3v3", "light",
    }  # fmt: skip
    # The model: 3.3 V on the connector, 20 V and 0.6 % from the charger, which the intervals have to hold.
    for name, unit, true in (("supply", "mV", 3300.0), ("charger_v", "mV", 20120.0)):
        now = last.readings[name].now
        assert now is not None and now.low is not None and now.high is not None
        assert now.unit == unit and now.low < true < now.high and now.n >= 8
    assert (last.bus, last.meters, last.recording, last.link_down) == ("", {}, "", False)
    assert is_silent(here)


def test_a_view_keeps_no_readings_but_the_events(bench: Make, store: Store) -> None:
    here = bench(ALDER + event(3.0, "shut-lid"))
    here.load_profiles()
    sink = here.jig.sink
    look(here, 6.0)
    assert store.channels(here.recorder.id) == []
    kept = store.run(here.recorder.id)
    assert {"edge", "band"} <= {one.name for one in kept.events}
    assert here.jig.sink is sink


def test_record_keeps_every_reading_at_full_rate(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD, machine="dogwood-14")
    here.load_profiles()
    looks = look(here, 5.0, record=True)
    assert looks[-1].recording == here.recorder.id
    rows = {row.channel: row for row in store.channels(here.recorder.id)}
    assert {channel: row.unit for channel, row in rows.items()} == {
        "supply": "mV", "machine_1": "mV", "sensor_supply": "mV", "sensor_1": "mV", "jig_3v3": "mV",
        "light": "permille", "meter_1_v": "mV", "meter_1_i": "mA",
    }  # fmt: skip
    # Aims of the design: 1 kS/s for supply and light, 200 S/s for a monitor, 1 kS/s in all behind the analog switch.
    for channel, wanted in (("supply", 1000.0), ("light", 1000.0), ("meter_1_v", 200.0), ("sensor_1", 250.0)):
        assert rows[channel].rate_hz == pytest.approx(wanted, rel=0.02)
        assert rows[channel].n == pytest.approx(5.0 * wanted, rel=0.05)
    assert looks[-1].counts.lost_batches == 0 == rows["light"].gaps
    volts = np.concatenate([segment.values for segment in store.series(here.recorder.id, "meter_1_v")])
    assert volts.mean() == pytest.approx(19_840.0, abs=10.0)  # the model's charger: 20 V, 0.8 % low
    assert any(note.startswith("recorded: ") and "8 channels" in note for note in store.run(here.recorder.id).notes)
    assert is_silent(here)


METER = "meter_1_i, meter_1_v"


@pytest.mark.parametrize(
    ("fault", "channels", "told"),
    [
        ("", 8, []),
        ('kind = "meter-drops"\nrate = 0.05\n', 8, [f"gaps in the readings of {METER}"]),
        ('kind = "hung"\nat_s = 5.0\nclocks = 0\n', 8, [f"begin late or end early: the readings of {METER}"]),
        ('kind = "meter-missing"\n', 6, [f"no reading came of {METER}"]),
    ],
    ids=["healthy", "drops", "ends", "missing"],
)
def test_the_note_on_what_was_recorded_tells_what_is_missing(
    fault: str, channels: int, told: list[str], bench: Make, store: Store
) -> None:
    here = bench(DOGWOOD + (f'[[fault]]\nwhere = "bus"\n{fault}' if fault else ""), machine="dogwood-14")
    here.load_profiles()
    look(here, 8.0, record=True)
    notes = store.run(here.recorder.id).notes
    at = next(at for at, note in enumerate(notes) if note.startswith("recorded: "))
    count = sum(row.n for row in store.channels(here.recorder.id))
    whole = "not all that were due" if told else "none missing"
    end = notes.index("nothing was judged: this only shows the bench")
    assert notes[at:end] == [f"recorded: {count} readings of {channels} channels, {whole}", *told]


# -- ribbon


def test_the_ribbon_shows_sleep_and_waking(bench: Make) -> None:
    here = bench(ALDER + event(5.0, "shut-lid") + event(15.0, "open-lid"))
    here.load_profiles()
    last = look(here, 25.0)[-1]
    assert len(last.ribbon) == 60 and last.ribbon[0] == ""
    shown = [state for state in last.ribbon if state]
    order = [state for number, state in enumerate(shown) if number == 0 or state != shown[number - 1]]
    assert [state for state in order if state != "unknown"] == ["S0", "S3", "S0"]
    # Whole seconds of board time, the running one last.
    first = last.t_us // 1_000_000 - 59
    asleep = [first + number for number, state in enumerate(last.ribbon) if state == "S3"]
    assert 5 <= asleep[0] <= 8 and 14 <= asleep[-1] <= 17


def test_a_restart_leaves_a_hole_in_the_ribbon_and_nothing_else(bench: Make) -> None:
    here = bench(ALDER + RESET)
    here.load_profiles()
    looks = look(here, 12.0)
    assert looks[-1].t_us < 8_000_000, "board time began anew"
    shown = looks[-1].ribbon[-13:]
    assert shown.count("S0") >= 9 and "" in shown and set(shown) <= {"S0", "", "unknown"}
    # Sampling was set up again, and what was read before still stands where it belongs.
    supply = looks[-1].readings["supply"]
    assert supply.now is not None
    read = [mean is not None for mean in supply.trail]
    assert sum(read) > 35 and not all(read[-45:]) and all(read[-15:])
    assert [one.link.partition(":")[0] for one in looks if one.link] == ["link lost", "link up"]
    assert is_silent(here)


def cells(ribbon: Ribbon, now_us: int, heard_us: int | None = None) -> str:
    return "".join(state[:1] or "." for state in ribbon.cells(now_us, heard_us))


def test_a_cell_has_what_held_longest_in_its_second() -> None:
    ribbon, owner = Ribbon(), object()
    timeline = [(0, "unknown"), (55_400_000, "S0"), (57_600_000, "G3"), (57_700_000, "S3")]
    ribbon.take(owner, timeline, 0)
    ribbon.take(owner, timeline, 59_500_000)
    assert cells(ribbon, 59_500_000) == "u" * 55 + "SSSSS"
    assert ribbon.cells(59_500_000)[-3:] == ("S0", "S3", "S3")
    assert cells(ribbon, 59_500_000, 58_000_000) == "u" * 55 + "SSS.."
    assert cells(ribbon, 119_000_000)[:2] == "SS", "the state goes on while nothing else is told"


def test_an_observer_that_begins_anew_does_not_end_the_ribbon() -> None:
    ribbon = Ribbon()
    ribbon.take("one", [(10_000_000, "S0")], 10_000_000)
    ribbon.take("one", [(10_000_000, "S0"), (20_000_000, "S3")], 30_000_000)
    ribbon.take("two", [], 30_100_000)
    assert ribbon.cells(40_000_000)[19:] == ("",) * 10 + ("S0",) * 10 + ("S3",) * 10 + ("unknown",) * 11
    ribbon.restarted(-39_000_000, 2_000_000)  # 41 s of the old time are 2 s of the new one
    ribbon.take("three", [(3_000_000, "S5")], 3_500_000)
    # Heard until 30.1 s of the old time, which are 8.9 s before the new one began, and again from 2 s of that on.
    assert ribbon.cells(3_500_000)[-33:] == ("S0",) * 10 + ("S3",) * 10 + ("",) * 11 + ("unknown", "S5")


# -- trails


def batch(t_us: int, values: list[int], spacing_us: int = 20_000) -> Batch:
    return Batch("light", 1, t_us, spacing_us * (len(values) - 1), np.array(values, "<u2").tobytes())


def test_the_present_value_is_the_mean_of_the_newest_readings() -> None:
    trail = Trail()
    trail.take(batch(0, [9000] * 12))
    trail.take(batch(300_000, [100, 102, 104, 106, 108, 110, 112, 114]))
    found = trail.mean("light")
    assert (found.n, found.mean_raw, found.t_us) == (8, 107.0, 440_000)
    assert found.sd_raw == pytest.approx(np.std(np.arange(100, 115, 2), ddof=1))
    trail.take(batch(460_000, [200]))
    assert trail.mean("light").n == 9, "one reading is not enough while others are as new"
    trail.take(batch(5_000_000, [300]))
    assert (trail.mean("light").n, trail.mean("light").sd_raw) == (1, 0.0)
    assert Trail().mean("light") is None


def test_readings_from_before_a_band_began_are_not_its_present_value() -> None:
    trail = Trail()
    trail.take(batch(0, [900] * 12))
    trail.take(batch(240_000, [900] * 4 + [60] * 8))
    assert trail.mean("light", 5_000_000) is None
    found = trail.mean("light", 319_000)  # the fifth is stamped 320 ms
    assert found is not None and (found.n, found.mean_raw) == (7, 60.0), "a stamp is good to half a spacing"
    assert trail.mean("light", 411_000) is None, "of so few it is not known how much they scatter"
    trail.take(batch(480_000, [60] * 12))
    found = trail.mean("light", 411_000)
    assert found is not None and (found.n, found.mean_raw) == (12, 60.0)


def test_no_look_has_a_reading_that_contradicts_the_band_beside_it(bench: Make) -> None:
    here = bench(DOGWOOD + event(3.0, "shut-lid") + event(8.0, "open-lid"), machine="dogwood-14")
    here.load_profiles()
    looks = look(here, 12.0)
    assert {one.state for one in looks} >= {"S0", "S3"}
    for name in ("charger_i", "light", "charger_v"):
        limits = [0.0, *here.machine.analog()[name].thresholds, 1e9]
        read = [(one.readings[name].now, one.showing[name]) for one in looks]
        for now, band in read:
            if now is not None and band is not None:
                assert limits[band] * 0.9 <= now.value <= limits[band + 1] * 1.1, (name, band, now)
        assert sum(now is None for now, _band in read) < 20


def test_a_settled_reading_does_not_straddle_a_change_of_another_observer(bench: Make) -> None:
    """The charger is unplugged while the machine is off: its voltage changes its band, its current stays in one."""
    here = bench(DOGWOOD.replace("S0", "S5") + event(4.0, "disconnect-charger"), machine="dogwood-14")
    here.load_profiles()
    looks = look(here, 6.0)
    since = next(one.t_us for one in looks if one.t_us > 4_000_000 and one.showing["charger_v"] == 0)
    read = [one.readings["charger_i"].settled for one in looks if one.t_us >= since]
    assert read[0] is None and read[-1] is not None, "too few at first"
    assert all(found.value < 2.0 for found in read if found is not None)
    before = [one.readings["charger_i"].settled for one in looks if 2_000_000 < one.t_us < 3_900_000]
    assert all(found is not None and found.value > 4.0 for found in before)


def test_a_monitor_that_has_failed_has_no_settled_reading(bench: Make) -> None:
    here = bench(DOGWOOD + hung(4.0), machine="dogwood-14")
    here.load_profiles()
    looks = look(here, 6.0)
    failed = [one for one in looks if one.meters[1] != "ok"]
    assert failed and all(one.readings["charger_i"].settled is None for one in failed)
    assert at(looks, 3.9).readings["charger_i"].settled is not None
    assert all(one.readings["light"].settled is not None for one in failed)


def test_a_trail_has_means_of_steps_and_none_where_nothing_was_read() -> None:
    trail = Trail()
    trail.take(batch(200_000, [10, 20, 30, 50, 70, 90]))  # 200 ms to 300 ms: three readings before 250 ms, three after
    trail.take(batch(750_000, [7]))
    assert trail.means(0)[:4] == [20.0, 70.0, None, 7.0]
    trail.shift(2 * STEP_US)
    assert trail.means(0)[:6] == [None, None, 20.0, 70.0, None, 7.0] and trail.end_us is None
    for number in range(2000):
        trail.take(batch(1_000_000 + number * 240_000, [1] * 12))
    assert len(trail._steps) <= STEPS + 4, "no more than is shown is kept"


def test_the_trail_follows_the_screen_into_sleep(bench: Make) -> None:
    here = bench(DOGWOOD + event(10.0, "shut-lid"), machine="dogwood-14")
    here.load_profiles()
    last = look(here, 22.0)[-1]
    light = last.readings["light"]
    assert light.unit == "permille" and light.now is not None and light.now.value == pytest.approx(0.0, abs=5.0)
    assert len(light.trail) == STEPS
    known = [mean for mean in light.trail if mean is not None]
    assert known[0] == pytest.approx(520.0, abs=20.0) and known[-1] < 5.0
    read = [mean is not None for mean in light.trail]
    assert not read[0] and all(read[read.index(True) :]), "blank before it began, without a hole since"


# -- what fails


def test_a_channel_without_news_is_no_reading(bench: Make) -> None:
    here = bench(DOGWOOD + hung(4.0), machine="dogwood-14")
    here.load_profiles()
    looks = look(here, 9.0)
    before, soon, later = at(looks, 3.9), at(looks, 4.8), at(looks, 6.0)
    assert before.readings["charger_i"].now is not None and before.bus == "ok" and before.meters == {1: "ok"}
    assert soon.readings["charger_i"].now is not None, "as long as it is less than 1.5 s old"
    assert (later.readings["charger_i"].now, later.readings["charger_i"].why) == (None, "no reading")
    assert later.bus == "hung" and later.meters[1] != "ok"
    assert "lets go for no clock" in later.trouble[0] and before.trouble == ()
    trail = later.readings["charger_i"].trail
    assert trail[-1] is None and any(mean is not None for mean in trail), "what was read stays, nothing is drawn on"
    assert later.readings["light"].now is not None
    assert later.counts.gaps == 1 == before.counts.gaps + 1


def test_a_monitor_that_comes_back_is_read_again(bench: Make) -> None:
    drops = '[[fault]]\nwhere = "bus"\nkind = "hung"\nat_s = 5.0\nclocks = 9\n'
    here = bench(DOGWOOD + drops, machine="dogwood-14")
    here.load_profiles()
    last = look(here, 12.0)[-1]
    assert last.readings["charger_i"].now is not None and last.meters == {1: "ok"} and last.trouble == ()
    assert last.state == "S0"


def test_a_missing_monitor(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD + '[[fault]]\nwhere = "bus"\nkind = "meter-missing"\n', machine="dogwood-14")
    here.load_profiles()
    looks = look(here, 4.0)
    first, last = looks[0], looks[-1]
    assert (first.readings["charger_v"].now, first.readings["charger_v"].why) == (None, ""), "it is awaited"
    assert (last.readings["charger_v"].now, last.readings["charger_v"].why) == (None, "no reading")
    assert last.meters == {1: "missing"} and "nothing answers at its address" in last.trouble[0]


def test_what_the_wiring_in_force_has_not_is_told_once(bench: Make, store: Store) -> None:
    here = bench(DOGWOOD + RESET, machine="dogwood-14")
    looks = look(here, 12.0)
    assert {name for name, reading in looks[-1].readings.items() if reading.why} == {"charger_v", "charger_i"}
    assert looks[-1].bus == "not_wired" and looks[-1].meters == {1: "none"} and looks[-1].trouble == ()
    notes = store.run(here.recorder.id).notes
    assert sum("charger_v, charger_i" in note for note in notes) == 1
    status = here.jig.status()
    assert (status.profile_crc, status.wiring_crc) == (0, 0)


def test_the_state_is_unknown_while_another_wiring_is_in_force(bench: Make, store: Store) -> None:
    """S0 would be told by the light alone; the wiring that the machine is seen with is not there."""
    fresh = look(bench(DOGWOOD, machine="dogwood-14"), 3.0)[-1]
    assert fresh.state == "unknown" and fresh.doubt.startswith("the jig has no wiring in force, and dogwood-14")
    assert set(fresh.ribbon) == {"", "unknown"}
    other = bench(DOGWOOD, machine="dogwood-14")
    other.jig.load_blob(names.BLOB_WIRING, load_machine("alder-14")[0].wiring_blob())
    last = look(other, 3.0)[-1]
    assert (last.state, last.doubt) == (
        "unknown", "the wiring in force on the jig is not that of dogwood-14: --load puts it in force",
    )  # fmt: skip
    kept = look(bench(DOGWOOD + "[jig]\nkept = true\n", machine="dogwood-14"), 3.0)[-1]
    assert (kept.state, kept.doubt, kept.meters) == ("S0", "", {1: "ok"})
    taps = look(bench(ALDER), 3.0)[-1]
    assert (taps.state, taps.doubt) == ("S0", ""), "taps are read without a wiring record"


def test_load_puts_the_wiring_in_force_and_touches_nothing_else(bench: Make) -> None:
    here = bench(DOGWOOD, machine="dogwood-14")
    looks: list[Look] = []
    watching = Watching(here, looks.append, 4.0, load=True)
    assert watching.run().outcome == "pass"
    status = here.jig.status()
    assert status.wiring_crc == binascii.crc32(here.machine.wiring_blob()) and status.profile_crc == 0
    assert status.lock is Lock.DISARMED and looks[-1].state == "S0" and looks[-1].readings["charger_i"].now is not None
    assert "the wiring of dogwood-14 was put in force on the jig" in watching.notes


def test_load_is_refused_while_armed(bench: Make) -> None:
    here = bench(ALDER)
    here.load_profiles()
    before = here.jig.status().wiring_crc
    here.machine = load_machine("dogwood-14")[0]
    here.jig.arm()
    watching = Watching(here, lambda _look: None, 2.0, load=True)
    assert watching.run().outcome == "error" and isinstance(watching.failure, Refused)
    assert "armed" in str(watching.failure) and watching.failure.next_step
    assert here.jig.status().wiring_crc == before and here.jig.status().lock is Lock.ARMED


def test_while_the_link_is_lost_nothing_old_is_shown_as_new(bench: Make) -> None:
    stall = '[[fault]]\nwhere = "link"\nkind = "stall"\nat_s = 4.0\nduration_ms = 2500\n'
    here = bench(ALDER + stall)
    here.load_profiles()
    looks = look(here, 12.0)
    (lost,) = [one for one in looks if one.link_down]
    assert all(reading.now is None and reading.why == "no reading" for reading in lost.readings.values())
    assert lost.ribbon[-1] == "" and "S0" in lost.ribbon
    after = looks[-1]
    assert after.readings["supply"].now is not None and after.ribbon[-1] == "S0"
    assert after.counts.gaps >= 2


def test_a_trip_in_the_middle_is_shown_and_ends_nothing(bench: Make) -> None:
    here = bench(ALDER + '[[event]]\nat_s = 5.0\ndo = "set-rail"\nvolts = 0.0\n')
    here.load_profiles()
    here.jig.arm()
    looks = look(here, 8.0)
    assert at(looks, 4.0).lock == "armed" and at(looks, 4.0).why == ""
    assert looks[-1].lock == "tripped" and looks[-1].why.startswith("tripped at 5.")
    assert here.jig.status().lock is Lock.TRIPPED, "nothing is cleared"


# -- the way out


def boom(_look: Look) -> None:
    raise ZeroDivisionError


def ctrl_c(_look: Look) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize(("view", "outcome"), [(boom, None), (ctrl_c, "incomplete")], ids=["fault", "Ctrl-C"])
def test_sampling_ends_on_every_way_out(view: Callable[[Look], None], outcome: str | None, bench: Make) -> None:
    here = bench(ALDER)
    here.load_profiles()
    watching = Watching(here, view, 5.0)
    if outcome is None:
        with pytest.raises(ZeroDivisionError):
            watching.run()
    else:
        assert watching.run().outcome == outcome
    assert is_silent(here)
    assert here.jig.on_link == [] and here.jig.on_batch == []


def test_without_seconds_the_wish_to_stop_is_the_ordinary_end(bench: Make) -> None:
    here = bench(ALDER)
    looks: list[Look] = []

    def view(one: Look) -> None:
        looks.append(one)
        here.stop.wanted = len(looks) >= 5

    report = Watching(here, view).run()
    assert (report.outcome, len(looks)) == ("pass", 5) and is_silent(here)


def test_a_record_that_fails_ends_the_watch_and_the_sampling(bench: Make, tmp_path: Path) -> None:
    here = bench(ALDER)
    here.load_profiles()
    looks: list[Look] = []

    def view(one: Look) -> None:
        looks.append(one)
        if len(looks) == 10:
            sabotage(tmp_path / "runs.db")

    watching = Watching(here, view, 30.0, record=True)
    report = watching.run()
    assert report.outcome == "error" and isinstance(watching.failure, StoreFailed)
    assert len(looks) < 60
    here.jig.sink = Unrecorded()  # so that readings would be heard
    assert is_silent(here)


def sabotage(path: Path) -> None:
    """From now on nothing can be written into the record."""
    with sqlite3.connect(path) as connection:
        for table in ("blocks", "events", "gaps", "notes", "samples", "measurements"):
            connection.execute(
                f"create trigger no_{table} before insert on {table} begin select raise(abort, 'disk full'); end"
            )


def test_readings_of_other_channels_are_left_alone(bench: Make) -> None:
    """Another program was killed and left a channel sampled that this bench has not."""
    here = bench(ALDER)
    here.load_profiles()
    here.jig.sample("machine_2", 0.01)
    last = look(here, 2.0)[-1]
    assert "machine_2" not in last.readings
    assert last.counts.lost_batches == 0
