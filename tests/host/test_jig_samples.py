"""Sampled channels and power monitors as the jig tells of them."""

from __future__ import annotations

import struct

import pytest
from lidjig.errors import BadInput, JigRestarted, StoreFailed
from lidjig.jig import Batch, BusState, Jig, Meters, MeterState
from lidjig.jig_samples import MeterGaps, Numbering, meter_name
from lidjig.jig_types import Event, Unrecorded

from shared_proto import names
from tests.host.conftest import Bench
from tests.host.fake_board import FakeLink, MemorySink

LIGHT, CURRENT = names.CH_LIGHT, names.CH_METER_1_I


def begin(bench: Bench, channel: str = "light") -> list[Batch]:
    """Sampling set; what is shown from then on."""
    shown: list[Batch] = []
    bench.jig.on_batch.append(shown.append)
    assert bench.jig.sample(channel, 0.005) == 0.005
    bench.jig.idle(0.1)
    return shown


def take(bench: Bench, channel: int = LIGHT, values: list[int] | None = None, number: int | None = None) -> None:
    assert bench.board.batch(channel, bench.link.now_us, values, number)
    bench.jig.idle(0.05)


def test_a_batch_is_recorded_then_shown(bench: Bench) -> None:
    order: list[str] = []
    shown = begin(bench)
    record = bench.sink.batch

    def recorded(batch: Batch) -> None:
        order.append("recorded")
        record(batch)

    bench.sink.batch = recorded  # type: ignore[method-assign]
    bench.jig.on_batch.append(lambda batch: order.append(f"shown {batch.number}"))
    take(bench, values=[1, 2, 65535])
    assert order == ["recorded", "shown 1"]
    (batch,) = shown
    assert bench.sink.batches == [batch]
    assert (batch.channel, batch.number, batch.lost, batch.n, batch.span_us) == ("light", 1, 0, 3, 2000)
    assert struct.unpack("<3H", batch.data) == (1, 2, 65535)
    assert abs(batch.t_us - bench.link.now_us) < 100_000
    assert bench.sink.gaps == []


def test_a_hole_in_the_numbers_is_a_gap(bench: Bench) -> None:
    shown = begin(bench)
    for number in (1, 2, 5, 6, 8):
        take(bench, number=number)
    assert [(batch.number, batch.lost) for batch in shown] == [(1, 0), (2, 0), (5, 2), (6, 0), (8, 1)]
    assert [kind for kind, _, _ in bench.sink.gaps] == ["lost-samples", "lost-samples"]
    _, text, t_us = bench.sink.gaps[0]
    assert text == "light: 2 batches of readings are missing before number 5" and t_us == shown[2].t_us
    assert bench.jig.gaps_told["lost-samples"] == 2
    # The gap stands in the record before the batch after it.
    assert bench.sink.order.index("(lost-samples)") < bench.sink.order.index("light 5")


def test_the_first_batches_may_be_missing_too(bench: Bench) -> None:
    shown = begin(bench)
    take(bench, number=3)
    assert shown[0].lost == 2 and bench.sink.gap_kinds == ["lost-samples"]


def test_channels_are_counted_apart(bench: Bench) -> None:
    shown = begin(bench)
    begin(bench, "meter_1_i")
    take(bench, LIGHT)
    take(bench, CURRENT)
    take(bench, LIGHT)
    take(bench, CURRENT, number=3)
    assert [(b.channel, b.number, b.lost) for b in shown] == [
        ("light", 1, 0), ("meter_1_i", 1, 0), ("light", 2, 0), ("meter_1_i", 3, 1),
    ]  # fmt: skip


def test_setting_again_begins_a_new_series(bench: Bench) -> None:
    """A batch of the old series that is still on its way is neither a hole nor the beginning of the new one."""
    shown = begin(bench)
    for _ in range(3):
        take(bench)
    late_us = bench.link.now_us
    assert bench.jig.sample("light", 0.01) == 0.01
    assert bench.board.batch(LIGHT, late_us, number=4)
    bench.board.series[LIGHT] = 0
    bench.jig.idle(0.05)
    take(bench)
    take(bench)
    assert [(b.number, b.lost) for b in shown] == [(1, 0), (2, 0), (3, 0), (4, 0), (1, 0), (2, 0)]
    assert bench.sink.gaps == []


def test_what_comes_after_a_stop_goes_on_counting(bench: Bench) -> None:
    """The last batch may begin after the moment that the answer carries (PROTOCOL.md, `sample`)."""
    shown = begin(bench)
    for _ in range(3):
        take(bench)
    assert bench.jig.sample("light", 0.0) == 0.0
    bench.jig.idle(0.05)
    take(bench, number=4)
    assert [(b.number, b.lost) for b in shown] == [(1, 0), (2, 0), (3, 0), (4, 0)]
    assert bench.sink.gaps == []


def test_a_series_set_anew_behind_the_hosts_back_is_met() -> None:
    numbering = Numbering()
    numbering.begin(3, 100)
    assert [numbering.take(3, number, 200) for number in (1, 2, 3)] == [0, 0, 0]
    # A `sample` whose answer never came was carried out all the same: number 2 of the new series is the first to come.
    assert numbering.take(3, 2, 900) == 1
    # Sampled for a host before this one: where that series began is not this host's to say.
    assert numbering.take(7, 41, 900) == 0 and numbering.take(7, 43, 950) == 1


def test_after_a_restart_nothing_is_expected_of_the_old_series(bench: Bench) -> None:
    shown = begin(bench)
    take(bench)
    take(bench)
    bench.board.reset(bench.link.now_us)
    with pytest.raises(JigRestarted):
        bench.jig.idle(2.0)
    assert bench.jig.sample("light", 0.005) == 0.005
    bench.jig.idle(0.05)
    take(bench)
    take(bench)
    assert [(b.number, b.lost) for b in shown] == [(1, 0), (2, 0), (1, 0), (2, 0)]
    assert "lost-samples" not in bench.sink.gap_kinds and "restart" in bench.sink.gap_kinds
    assert shown[2].t_us < shown[1].t_us  # board time began anew


def test_a_record_that_fails_shows_nothing_and_surfaces_in_the_next_call(bench: Bench) -> None:
    shown = begin(bench)
    take(bench)
    bench.sink.failing = StoreFailed("runs.db", "storing samples", "disk full")
    assert bench.board.batch(LIGHT, bench.link.now_us)
    with pytest.raises(StoreFailed):
        bench.jig.idle(0.5)
    with pytest.raises(StoreFailed):
        bench.jig.pump(0.0)
    with pytest.raises(StoreFailed):
        bench.jig.sample("light", 0.0)
    assert [batch.number for batch in shown] == [1] == [batch.number for batch in bench.sink.batches]
    bench.jig.disarm()  # what makes the bench safe still goes out


def test_what_comes_while_there_is_no_record_is_a_hole_once_there_is_one() -> None:
    link = FakeLink()
    jig = Jig(link, nonce_seed=1)
    jig.connect()
    jig.idle(0.1)
    shown: list[Batch] = []
    jig.on_batch.append(shown.append)
    jig.sample("light", 0.005)
    jig.idle(0.1)
    for _ in range(2):
        assert link.board.batch(LIGHT, link.now_us)
        jig.idle(0.05)
    assert shown == []
    sink = MemorySink()
    jig.sink = sink
    assert link.board.batch(LIGHT, link.now_us)
    jig.idle(0.05)
    assert [(batch.number, batch.lost) for batch in shown] == [(3, 2)] and "lost-samples" in sink.gap_kinds
    jig.close()


def test_batches_lost_on_a_bad_link_are_all_told() -> None:
    link = FakeLink(seed=5)
    sink = MemorySink()
    jig = Jig(link, sink=sink, nonce_seed=1)
    jig.connect()
    jig.idle(0.1)
    jig.sample("light", 0.005)
    jig.idle(0.1)
    link.drop, link.corrupt = 0.1, 0.1
    for _ in range(200):
        link.board.batch(LIGHT, link.now_us)
        jig.idle(0.02)
    link.drop = link.corrupt = 0.0
    jig.idle(1.0)
    link.board.batch(LIGHT, link.now_us)
    jig.idle(0.1)
    received = [batch.number for batch in sink.batches]
    assert received == sorted(set(received)) and len(received) < 201
    assert len(received) + sum(batch.lost for batch in sink.batches) == received[-1] == link.board.series[LIGHT]
    assert sink.gap_kinds.count("lost-samples") == sum(batch.lost > 0 for batch in sink.batches)
    jig.close()


@pytest.mark.parametrize(
    ("channel", "period_s", "asked_ms"),
    [
        ("light", 0.001, 1),
        ("light", 0.0001, 1),  # the fastest there is, and never a stop
        ("light", 0.0, 0),
        ("light", 10.0, 10000),
        ("meter_1_v", 0.001, 5),  # a new reading is there every 5 ms (PROTOCOL.md)
        ("pulses", 0.001, 20),
    ],
)
def test_periods_become_milliseconds(bench: Bench, channel: str, period_s: float, asked_ms: int) -> None:
    assert bench.jig.sample(channel, period_s) == asked_ms / 1000.0
    message = next(m for m in reversed(bench.board.performed) if m.name == "sample")
    assert message.fields == {"channel": names.CHANNELS.index(channel), "period_ms": asked_ms}


@pytest.mark.parametrize("period_s", [-0.001, 10.1, float("nan"), float("inf")])
def test_periods_out_of_range_are_refused(bench: Bench, period_s: float) -> None:
    with pytest.raises(BadInput) as caught:
        bench.jig.sample("light", period_s)
    assert caught.value.key == "period_s" and "0 (stop) to 10 s" in caught.value.accepted
    with pytest.raises(BadInput):
        bench.jig.sample("nonsense", 1.0)
    assert all(m.name != "sample" for m in bench.board.performed)


def test_state_of_the_monitors(bench: Bench) -> None:
    bench.board.meters.update(meter_2=names.METER_MISSING, errors=7, recoveries=1)
    meters = bench.jig.meters()
    assert (meters.bus, meters.meter_1, meters.meter_2) == (BusState.OK, MeterState.OK, MeterState.MISSING)
    assert (meters.errors, meters.recoveries) == (7, 1)
    assert meters.trouble(1) == ""
    assert "power monitor 2 (sensor supply)" in meters.trouble(2) and "nothing answers" in meters.trouble(2)


def test_a_hung_bus_is_named_whatever_its_monitors_say() -> None:
    meters = Meters(0, BusState.HUNG, MeterState.OK, MeterState.NONE, 3, 2)
    assert "holds the bus" in meters.trouble(1) and "Take the monitors' supply away" in meters.trouble(1)
    assert meters.trouble(2) == ""  # not wired: nothing is missing
    newer = Meters(0, BusState.OK, MeterState(9), MeterState.NONE, 0, 0)
    assert "number 9" in newer.trouble(1)


def test_a_monitor_that_fails_is_a_gap_until_it_is_back(bench: Bench) -> None:
    for state in (names.METER_OK, names.METER_FAILED, names.METER_OK, names.METER_OK):
        bench.board.event("meter", bench.link.now_us, meter=0, state=state)
        bench.jig.idle(0.1)
    assert bench.sink.gap_kinds == ["meter-lost", "meter-back"]
    lost, back = (text for _, text, _ in bench.sink.gaps)
    assert "power monitor 1 (charger supply)" in lost and "unknown, not unchanged" in lost and "plug" in lost
    assert "known again" in back
    assert bench.sink.gaps[0][2] == next(e.t_us for e in bench.sink.stored if e.data.get("state") == names.METER_FAILED)
    assert bench.jig.gaps_told["meter-lost"] == 1 and bench.jig.meters_lost == {meter_name(1): 1}


def test_monitors_make_gaps_each_for_itself() -> None:
    gaps = MeterGaps()

    def told(meter: int, state: int) -> str | None:
        found = gaps.of(Event("meter", 1, 1, {"meter": meter, "state": state}))
        return found[0] if found else None

    assert told(0, names.METER_MISSING) == "meter-lost" and told(1, names.METER_OK) is None
    assert told(0, names.METER_OK) == "meter-back"
    # A new wiring record without it is no loss.
    assert told(1, names.METER_NONE) is None and gaps.of(Event("mark", 1, 1, {"pressed": 1})) is None


def test_a_tool_without_a_record_forgets_them() -> None:
    link = FakeLink()
    with Jig(link, sink=Unrecorded()) as jig:
        jig.sample("light", 0.005)
        jig.idle(0.1)
        assert link.board.batch(LIGHT, link.now_us)
        jig.idle(0.1)
        assert jig.gaps_told["lost-samples"] == 0
