"""Promise 2 from the host's side: recorded, then acknowledged, then shown; and what happens when recording
fails.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from lidjig.errors import JigRestarted, Refused, StoreFailed
from lidjig.jig import Event, Jig, Lock, Reason, Route
from lidjig.link.base import Deadline
from lidjig.record import open_store

from shared_proto import names
from tests.host.conftest import Bench
from tests.host.fake_board import FakeLink, MemorySink


def kept(bench: Bench) -> int:
    """Events that the board still keeps, that is, which nobody acknowledged."""
    return bench.board.session.events_kept


def edge(bench: Bench, level: int = 1) -> None:
    bench.board.event("edge", bench.link.now_us, line=names.LINE_OBS1, level=level)


def test_an_event_is_recorded_acknowledged_and_shown_in_this_order(bench: Bench) -> None:
    order: list[str] = []
    bench.jig.idle(0.1)
    write = bench.link.write

    def events(batch: list[Event]) -> None:
        order.append(f"recorded {batch[0].name}, board keeps {kept(bench)}")

    def on_write(data: bytes) -> None:
        write(data)
        order.append("acknowledged")

    bench.sink.events = events  # type: ignore[method-assign]
    bench.jig.on_event.append(lambda event: order.append(f"shown {event.name}"))
    edge(bench)
    bench.in_s(0.0, lambda: setattr(bench.link, "write", on_write))
    found = bench.jig.wait_event(lambda e: e.name == "edge", Deadline(bench.jig.clock, 1.0), "edge")
    assert found.data == {"line": names.LINE_OBS1, "level": 1} and found.t_us > 0
    bench.jig.pump(0.0)
    assert order[0] == "recorded edge, board keeps 1" and order.index("shown edge") > 0
    if "acknowledged" in order:
        assert order.index("acknowledged") < order.index("shown edge")
    assert kept(bench) == 0


def test_nothing_is_acknowledged_when_recording_fails_and_the_error_stays(bench: Bench) -> None:
    bench.jig.idle(0.1)
    seen = len(bench.jig.seen)
    bench.sink.failing = StoreFailed("runs.db", "writing events", "disk full")
    edge(bench)
    with pytest.raises(StoreFailed):
        bench.jig.idle(1.0)
    with pytest.raises(StoreFailed):
        bench.jig.pump(0.0)
    with pytest.raises(StoreFailed):
        bench.jig.arm()
    assert kept(bench) == 1 and len(bench.jig.seen) == seen
    # What makes the bench safe still goes out.
    bench.jig.disarm()
    assert bench.jig.status().lock is Lock.DISARMED
    assert kept(bench) == 1


def test_a_failure_in_the_middle_of_a_request_leaves_the_jig_usable_for_safety(bench: Bench) -> None:
    bench.jig.arm()
    bench.sink.failing = StoreFailed("runs.db", "writing events", "disk full")
    with pytest.raises(StoreFailed):
        bench.jig.move(0.0, 0.1)  # its "departed" cannot be stored
        bench.jig.idle(0.5)
    bench.jig.disarm()
    bench.jig.close()
    assert bench.board.lock == names.DISARMED


def test_events_wait_for_a_sink() -> None:
    link = FakeLink()
    jig = Jig(link, nonce_seed=1)
    jig.connect()
    shown: list[str] = []
    jig.on_event.append(lambda event: shown.append(event.name))
    assert jig.idle(0.5) == [] and shown == []
    assert link.board.session.events_kept == 1
    sink = MemorySink()
    jig.sink = sink
    assert [event.name for event in sink.stored] == ["boot"] == shown
    assert [event.name for event in jig.pump(0.1)] == ["boot"]
    jig.idle(0.1)
    assert link.board.session.events_kept == 0
    jig.close()


def test_events_are_in_order_once_and_without_gaps_over_a_bad_link() -> None:
    link = FakeLink(seed=7)
    sink = MemorySink()
    jig = Jig(link, sink=sink, nonce_seed=1)
    jig.connect()
    link.drop, link.corrupt = 0.15, 0.1
    for level in range(120):
        link.board.event("edge", link.now_us, line=0, level=level % 2)
        if level % 10 == 0:
            jig.idle(0.4)
    link.drop = link.corrupt = 0.0
    jig.idle(3.0)
    counters = [event.counter for event in sink.stored]
    assert counters == list(range(1, len(counters) + 1)) and len(counters) == 121
    assert jig.status().rejects > 0
    jig.close()


def test_events_lost_on_the_board_are_marked(bench: Bench) -> None:
    for _ in range(100):
        edge(bench)
    bench.jig.idle(2.0)
    assert ("lost-events") in bench.sink.gap_kinds
    lost = next(event for event in bench.sink.stored if event.name == "lost")
    assert lost.data["count"] > 0


def test_frames_are_stored_on_a_trip(bench: Bench) -> None:
    bench.jig.arm()
    assert bench.sink.frame_lines == []
    bench.in_s(0.2, lambda: bench.board.trip(names.REASON_CONTENTION, bench.link.now_us))
    with pytest.raises(Refused) as tripped:
        bench.jig.wait_event(lambda e: False, Deadline(bench.jig.clock, 5.0), "anything", while_armed=True)
    assert tripped.value.reason == names.REFUSED_TRIPPED and tripped.value.detail == Reason.CONTENTION
    assert "wait for anything" in str(tripped.value)
    assert len(bench.sink.frame_lines) == 1
    text = "\n".join(bench.sink.frame_lines[0])
    assert "> arm seq=2" in text and "< lock counter=" in text
    assert bench.jig.lock is Lock.TRIPPED and bench.jig.reason is Reason.CONTENTION
    with pytest.raises(Refused):
        bench.jig.arm()
    assert bench.jig.clear() is Reason.CONTENTION
    bench.jig.arm()


def test_the_frames_kept_are_bounded_and_show_what_is_no_frame(bench: Bench) -> None:
    bench.jig.idle(60.0)
    assert 50 < len(bench.jig.last_frames()) < 2000
    read = bench.link.read
    bench.link.read = lambda timeout_s: b"Traceback (most recent call last):\r\n\x00" + read(0)  # type: ignore[method-assign]
    bench.jig.pump(0.0)
    bench.link.read = read  # type: ignore[method-assign]
    assert any("? 36 bytes 5472616365" in line for line in bench.jig.last_frames())
    bench.jig.set_route(Route.OPEN) if bench.jig.lock is Lock.ARMED else bench.jig.status()
    assert bench.jig.status().rejects == 0


def test_wait_event_keeps_what_it_did_not_look_for(bench: Bench) -> None:
    edge(bench, 1)
    edge(bench, 0)
    edge(bench, 1)
    first = bench.jig.wait_event(lambda e: e.name == "edge", Deadline(bench.jig.clock, 1.0), "edge")
    second = bench.jig.wait_event(lambda e: e.name == "edge", Deadline(bench.jig.clock, 1.0), "edge")
    assert second.counter == first.counter + 1
    bench.jig.idle(0.2)
    assert [event.name for event in bench.jig.seen][-3:] == ["edge"] * 3


def test_what_an_earlier_boot_told_is_recorded_and_never_acknowledged_to_the_next() -> None:
    """Held for want of a record across a reset: a number of the boot before would take away events of this one."""
    link = FakeLink()
    jig = Jig(link, nonce_seed=1)
    jig.connect()
    for level in range(6):
        link.board.event("edge", link.now_us, line=0, level=level % 2)
    jig.idle(0.5)
    link.board.reset(link.now_us)
    acknowledged: list[int] = []
    link.board.session.event("edge", 10, line=1, level=1)
    with pytest.raises(JigRestarted):
        jig.idle(2.0)
    session = jig._talk.session
    ack = session.ack

    def acknowledge(counter: int) -> None:
        acknowledged.append(counter)
        ack(counter)

    session.ack = acknowledge
    # The events of the new boot have come as well by now; only those of the old one are recorded first.
    old = [entry for entry in jig._held if entry[0] == 0]
    new = [entry for entry in jig._held if entry[0] != 0]
    assert len(old) == 7
    jig._held.clear()
    jig._held.extend(old)
    sink = MemorySink()
    jig.sink = sink
    assert [event.counter for event in sink.stored] == list(range(1, 8)) and acknowledged == []
    jig._held.extend(new)
    jig.idle(1.0)
    assert [event.counter for event in sink.stored[7:]] == [1, 2] and acknowledged[-1] == 2
    assert link.board.session.events_kept == 0
    jig.close()


@pytest.mark.parametrize("after", [True, False], ids=["stored", "not stored"])
def test_ctrl_c_while_storing_records_each_event_once(after: bool, tmp_path: Path) -> None:
    """A second Ctrl-C interrupts at once, wherever that is; what closes the jig then records what is still held."""
    link = FakeLink()
    with open_store(tmp_path / "runs.db") as store:
        recorder = store.start_run("cycle")
        jig = Jig(link, sink=recorder, nonce_seed=1)
        jig.connect()
        jig.arm()
        jig.idle(0.2)
        events = recorder.events

        def broken_into(batch: list[Event]) -> None:
            recorder.events = events  # type: ignore[method-assign]
            if after:
                events(batch)
            raise KeyboardInterrupt

        recorder.events = broken_into  # type: ignore[method-assign,assignment]
        link.board.event("edge", link.now_us, line=0, level=1)
        with pytest.raises(KeyboardInterrupt):
            jig.idle(1.0)
        jig.close()
        kept = [event.counter for event in store.run(recorder.id).events]
    assert kept == list(range(1, len(kept) + 1)) and len(kept) == 4  # boot, armed, edge, disarmed
    assert link.board.lock == names.DISARMED
