"""What is made of the observers' words: nothing after events were lost, never only when all of them are in."""

from __future__ import annotations

import binascii
from types import SimpleNamespace
from typing import Any

import pytest
from lidjig.bench import load_machine, load_sensor
from lidjig.jig_types import Event, Lock, Measurement
from lidjig.procedures.base import Bench
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.observe import Observer
from lidjig.procedures.response import Response
from lidjig.procedures.watching import Look, Watching
from lidjig.record.store import Store

from shared_proto import names
from tests.procedures.conftest import Make

ASLEEP = {"observer_1": 0, "observer_2": 1}


def tell(bench: Bench, event: Event) -> None:
    """As if the board had told it."""
    for callback in list(bench.jig.on_event):
        callback(event)


def test_nothing_is_known_after_events_were_lost(bench: Make) -> None:
    here = bench('[machine]\nmodel = "alder-14"\nstart_state = "S0"\n')
    here.load_profiles()
    observer = Observer(here)
    observer.start()
    assert observer.state == "S0"
    tell(here, Event("lost", 99, here.jig.status().t_us, {"count": 3}))
    assert (observer.state, observer.lost) == ("unknown", 1)
    assert set(observer.showing.values()) == {None}
    observer.start()
    assert observer.state == "S0"


class LateWords:
    """A board that still keeps the event which tells of the reaction when the time for it is over."""

    def __init__(self) -> None:
        self.machine, self.sensor = load_machine("alder-14")[0], load_sensor("hinge-a1")[0]
        self.jig: Any = self
        self.on_event: list[Any] = []
        self.events_kept = 1
        self.t_us = 10_000_000

    def status(self) -> LateWords:
        return self

    def wait(self, ready: Any, _seconds: float) -> bool:
        return bool(ready())

    def idle(self, _seconds: float) -> None:
        if self.events_kept:
            self.events_kept = 0
            for callback in self.on_event:
                callback(Event("edge", 1, 5_000_000, {"line": names.LINE_OBS1, "level": 0}))


def test_never_is_said_only_when_the_board_has_nothing_left_to_tell() -> None:
    late: Any = LateWords()
    observer = Observer(late)
    for name, shown in {"observer_1": 1, "observer_2": 1, "light": 0, "charger_i": 1, "supply_ok": 1}.items():
        observer.classifier.show(name, shown, 1_000_000)
    assert observer.state == "unknown"
    # The machine was asleep after 2 s; the board could tell so only after the 4 s that were waited for.
    assert observer.wait_state("S3", since_us=3_000_000, seconds=4.0) == 5_000_000


def test_the_stimulus_is_the_line_that_completes_the_condition(bench: Make) -> None:
    """Two lines that must both say shut: shut is said by the last of them, open by the first."""
    here = bench('[machine]\nmodel = "birch-13"\nstart_state = "S0"\n', machine="birch-13", sensor="hinge-b2")
    here.load_profiles()
    response = Response.on(here, Confirm(here).sheet)
    response.observer.start()
    response.standin.connect(shut=False)
    changes: list[Event] = []
    here.jig.on_event.append(lambda event: changes.append(event) if event.name == "output" else None)
    for state, tells in (("S3", 1), ("S0", 0)):
        changes.clear()
        trial = response.standin.trial(state)
        assert trial.result == "hit"
        assert len(changes) == 2 and changes[0].t_us < changes[1].t_us
        assert trial.stimulus_us == changes[tells].t_us


# -- watch


def test_watch_leaves_the_jig_as_it_finds_it(bench: Make) -> None:
    here = bench()
    here.load_profiles()
    here.turn(33.0, 0.1)
    before = here.jig.status()
    looks: list[Look] = []
    here.sensor = load_sensor("hinge-c1")[0]
    report = Watching(here, looks.append, seconds=1.0).run()
    after = here.jig.status()
    assert (after.profile_crc, after.wiring_crc) == (before.profile_crc, before.wiring_crc)
    assert after.profile_crc == binascii.crc32(load_sensor("hinge-a1")[0].to_blob())
    assert after.angle_deg == looks[0].angle_deg == 33.0
    notes = " / ".join(report.notes)
    assert "the sensor profile in force on the jig is not that of hinge-c1" in notes and "wiring" not in notes


def test_watch_on_a_jig_without_profiles_loads_none(bench: Make) -> None:
    here = bench()
    report = Watching(here, lambda _look: None, seconds=0.5).run()
    status = here.jig.status()
    assert (status.profile_crc, status.wiring_crc, status.lock) == (0, 0, Lock.DISARMED)
    assert sum("the jig has no" in note for note in report.notes) == 2


def test_watch_shows_what_becomes_of_the_link(bench: Make) -> None:
    here = bench('[[fault]]\nwhere = "link"\nkind = "stall"\nat_s = 1.5\nduration_ms = 2500\n')
    looks: list[Look] = []
    Watching(here, looks.append, seconds=8.0).run()
    lost, back = [look for look in looks if look.link]
    assert lost.link.startswith("link lost") and lost.link_down
    assert back.link.startswith("link up") and not back.link_down
    assert here.jig.on_link == []


# -- samples


def test_each_measurement_is_a_sample_in_its_unit(bench: Make, store: Store) -> None:
    """The model: 3.3 V on the connector, 20 V and 0.6 % from the charger."""
    here = bench()
    Confirm(here, repeat=1).run()
    samples = store.run(here.recorder.id).samples
    by_channel = {sample.channel: sample for sample in samples}
    assert {"supply", "charger_v", "machine_1"} <= by_channel.keys()
    for channel, unit, true in (("supply", "mV", 3300.0), ("charger_v", "mV", 20120.0)):
        sample = by_channel[channel]
        assert (sample.unit, sample.n) == (unit, 64) and sample.u is not None and sample.value is not None
        assert abs(sample.value - true) < 3.0 * sample.u
        assert sample.t_us is not None and sample.t_us > 0
    times = [sample.t_us for sample in samples if sample.t_us is not None]
    assert times == sorted(times)


def test_a_sample_is_what_was_measured() -> None:
    kept: list[tuple[Any, ...]] = []
    jig = SimpleNamespace(
        on_event=[], measure=lambda channel, n: Measurement(channel, n, 32767.5, 0.0, 32767, 32768, 123)
    )
    recorder = SimpleNamespace(sample=lambda *fields: kept.append(fields))
    here: Any = Bench(jig, recorder, load_machine("alder-14")[0], *[None] * 3)  # type: ignore[arg-type]
    assert here.measure("supply", 8).mean_raw == 32767.5
    channel, unit, value, u, n, t_us = kept[0]
    assert (channel, unit, n, t_us) == ("supply", "mV", 8, 123)
    assert value == pytest.approx(3300.0) and u > 0.0
