"""Power state from observers."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench import load_machine, shipped
from lidjig.measure import power

from shared_proto import names


@dataclass(frozen=True)
class Event:
    name: str
    t_us: int
    data: dict[str, int] = field(default_factory=dict)


def edge(line: int, level: int, t_us: int) -> Event:
    return Event("edge", t_us, {"line": line, "level": level})


def band(channel: int, number: int, t_us: int) -> Event:
    return Event("band", t_us, {"channel": channel, "band": number, "raw": 0})


def supply(present: int, t_us: int) -> Event:
    return Event("supply", t_us, {"present": present, "supply_mv": 3300 * present})


def working(name: str = "cedar-15") -> power.PowerClassifier:
    """A machine in S0 since 1000 us."""
    machine, _ = load_machine(name)
    classifier = power.PowerClassifier(machine)
    for observer, fits in machine.signatures()["S0"].items():
        classifier.show(observer, min(fits), 1000)
    assert classifier.state == "S0"
    return classifier


def test_numbers_are_the_protocols() -> None:
    assert power.LINES == names.LINES and power.CHANNELS == names.CHANNELS


@pytest.mark.parametrize("name", shipped("machines"))
def test_every_described_state_is_told(name: str) -> None:
    machine, _ = load_machine(name)
    for state, signature in machine.signatures().items():
        classifier = power.PowerClassifier(machine)
        for observer, fits in signature.items():
            assert classifier.state == power.UNKNOWN
            classifier.show(observer, max(fits), 5)
        assert classifier.state == state


def test_state_is_unknown_until_every_observer_was_heard() -> None:
    machine, _ = load_machine("cedar-15")
    classifier = power.PowerClassifier(machine)
    assert classifier.feed(edge(names.LINE_OBS1, 1, 10)) is None
    assert classifier.feed(edge(names.LINE_OBS2, 1, 20)) is None
    assert classifier.showing() == {"observer_1": 1, "observer_2": 1, "supply_ok": None}
    assert classifier.feed(supply(1, 30)) == (30, "S0")


def test_line_levels_at_the_start_come_as_a_mask() -> None:
    machine, _ = load_machine("cedar-15")
    classifier = power.PowerClassifier(machine)
    mask = 1 << names.LINE_OBS2 | 1 << names.LINE_SUPPLY_OK
    assert classifier.show_lines(mask, 7) == (7, "S3")


def test_sleep_by_several_observers_is_timed_by_first_leaving_and_last_arriving() -> None:
    classifier = working("alder-14")
    assert classifier.feed(band(names.CH_LIGHT, 0, 2_000)) == (2_000, power.UNKNOWN)
    assert classifier.feed(edge(names.LINE_OBS1, 0, 5_000)) is None
    assert classifier.feed(band(names.CH_CHARGER_I, 1, 9_000)) == (9_000, "S3")
    assert classifier.timeline == [(1_000, "S0"), (2_000, power.UNKNOWN), (9_000, "S3")]


def test_a_band_told_late_counts_from_its_beginning() -> None:
    # The board tells a band after its dwell, with the time at which it began: before the edge that was told
    # first.
    classifier = working("birch-13")
    classifier.feed(band(names.CH_LIGHT, 0, 9_000))
    assert classifier.feed(band(names.CH_CHARGER_I, 1, 4_000)) == (9_000, "S3")
    at_us = [t for t, _ in classifier.timeline]
    assert at_us == sorted(at_us)


def test_disagreeing_observers_are_unknown_and_named() -> None:
    classifier = working("cedar-15")
    classifier.feed(
        edge(names.LINE_OBS2, 0, 50)
    )  # SLP_S4# low while SLP_S3# is high: no state of this machine
    assert classifier.state == power.UNKNOWN
    assert classifier.disagreeing("S0") == ["observer_2"]
    assert classifier.disagreeing("S5") == ["observer_1"]
    classifier.feed(edge(names.LINE_OBS2, 1, 60))
    assert classifier.state == "S0"


def test_supply_loss_is_told_by_edge_or_event() -> None:
    for lost in (supply(0, 5_090), edge(names.LINE_SUPPLY_OK, 0, 5_090)):
        classifier = working("cedar-15")
        classifier.feed(edge(names.LINE_OBS1, 0, 5_080))
        classifier.feed(edge(names.LINE_OBS2, 0, 5_085))
        assert classifier.feed(lost) == (5_090, "G3")


def test_after_lost_events_nothing_is_known() -> None:
    classifier = working("cedar-15")
    assert classifier.forget(5_000) == (5_000, power.UNKNOWN)
    assert set(classifier.showing().values()) == {None}


def test_other_events_and_numbers_of_newer_firmware_say_nothing() -> None:
    classifier = working("cedar-15")
    for event in (
        Event("mark", 9, {"pressed": 1}),
        edge(200, 1, 9),
        band(99, 1, 9),
        band(names.CH_LIGHT, 0, 9),
    ):
        assert classifier.feed(event) is None
    assert classifier.state == "S0"


def meter(number: int, state: int, t_us: int) -> Event:
    return Event("meter", t_us, {"meter": number - 1, "state": state})


def test_observers_are_heard_by_whatever_measures_them_on_this_bench() -> None:
    machine, _ = load_machine("dogwood-14")
    classifier = power.PowerClassifier(machine)
    classifier.feed(supply(1, 10))
    classifier.feed(band(names.CH_LIGHT, 0, 20))
    # The tap of the same name is not wired here: what it seems to show is nothing.
    assert classifier.feed(band(names.CH_CHARGER_I, 1, 30)) is None
    assert classifier.showing()["charger_i"] is None
    assert classifier.feed(band(names.CH_METER_1_I, 1, 40)) == (40, "S3")
    # And a monitor says nothing on a bench that goes by the taps.
    tapped = working("birch-13")
    assert tapped.feed(band(names.CH_METER_1_I, 0, 50)) is None and tapped.state == "S0"


@pytest.mark.parametrize("state", [names.METER_MISSING, names.METER_FAILED, names.METER_NONE])
def test_a_monitor_that_fails_takes_what_it_showed_with_it(state: int) -> None:
    classifier = working("dogwood-14")
    assert classifier.observers_of_meter(1) == ["charger_i", "charger_v"] and classifier.observers_of_meter(2) == []
    assert classifier.feed(meter(2, state, 3_000)) is None and classifier.state == "S0"
    assert classifier.feed(meter(1, state, 4_000)) == (4_000, power.UNKNOWN)
    assert classifier.showing() == {"charger_i": None, "charger_v": None, "light": 1, "supply_ok": 1}
    # Back again: known only when it has said what it shows.
    assert classifier.feed(meter(1, names.METER_OK, 5_000)) is None and classifier.state == power.UNKNOWN
    assert classifier.feed(band(names.CH_METER_1_I, 2, 6_000)) == (6_000, "S0")


def test_single_observers_can_be_forgotten() -> None:
    classifier = working("alder-14")
    assert classifier.forget(9_000, ["light"]) == (9_000, power.UNKNOWN)
    assert classifier.showing()["light"] is None and classifier.showing()["observer_1"] == 1


@settings(max_examples=150, deadline=None)
@given(data=st.data(), name=st.sampled_from(["alder-14", "birch-13", "cedar-15", "dogwood-14"]))
def test_any_events_keep_the_timeline_sound(data: st.DataObject, name: str) -> None:
    machine, _ = load_machine(name)
    signatures = machine.signatures()
    observers = sorted({o for s in signatures.values() for o in s})
    classifier = power.PowerClassifier(machine)
    shown: dict[str, int] = {}
    for _ in range(data.draw(st.integers(0, 25))):
        observer = data.draw(st.sampled_from(observers))
        value = data.draw(st.integers(0, 3 if observer not in names.LINES else 1))
        shown[observer] = value
        classifier.show(observer, value, data.draw(st.integers(0, 1000)))
        fitting = [s for s, sig in signatures.items() if all(shown.get(o) in fits for o, fits in sig.items())]
        assert classifier.state == (fitting[0] if len(fitting) == 1 else power.UNKNOWN)
    at_us = [t for t, _ in classifier.timeline]
    assert at_us == sorted(at_us)
    states = [s for _, s in classifier.timeline]
    assert all(a != b for a, b in zip(states, states[1:], strict=False))

def test_a_spliced_timeline_has_each_part_from_its_time_on() -> None:
    whole = [(10, "S5"), (50, power.UNKNOWN), (90, "S0")]
    rest = [(20, "S5"), (60, "S3"), (90, "S3")]
    assert power.spliced([(0, whole)]) == whole
    assert power.spliced([(0, whole), (50, rest)]) == [(10, "S5"), (60, "S3"), (90, "S3")]
    # What held already when the later part begins holds from there.
    assert power.spliced([(0, whole), (70, rest)]) == [(10, "S5"), (50, power.UNKNOWN), (70, "S3"), (90, "S3")]
    assert power.spliced([(0, []), (30, rest)]) == [(30, "S5"), (60, "S3"), (90, "S3")]
    assert power.spliced([(0, whole), (5, [])]) == []
