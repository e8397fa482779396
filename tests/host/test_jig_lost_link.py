"""Lost links, silence and restarts: bounded, marked once, and never a hang or a request carried out twice."""

from __future__ import annotations

import random
from typing import Any

import pytest
from lidjig.errors import JigRestarted, JigTimeout, LidjigError, LinkLost, LossReason, NoJig, Refused
from lidjig.jig import Jig, LinkState, Lock, Reason, Unrecorded
from lidjig.link.base import Deadline

from shared_proto import names
from tests.host.conftest import Bench
from tests.host.fake_board import FakeBoard, FakeLink, MemorySink


def test_a_request_goes_on_after_a_short_loss_and_acts_once(bench: Bench) -> None:
    bench.jig.arm()
    bench.in_s(0.005, bench.link.unplug)
    bench.in_s(0.6, bench.link.plug)
    states: list[tuple[LinkState, str]] = []
    bench.jig.on_link.append(lambda state, text: states.append((state, text)))
    measured = bench.jig.measure("light", 200)
    assert measured.n == 200
    assert len([m for m in bench.board.performed if m.name == "measure"]) == 1
    bench.jig.idle(0.5)
    assert bench.sink.gap_kinds == ["link-lost", "link-back", "link-state"]
    assert bench.sink.gaps[0][2] is not None  # the board's time when it was heard of last
    assert [state for state, _ in states] == [LinkState.LOST, LinkState.UP]
    assert bench.jig.lock is Lock.ARMED and bench.jig.interruptions == 1


def test_the_state_found_after_a_long_loss_is_told(bench: Bench) -> None:
    bench.jig.arm()
    bench.link.unplug()
    bench.in_s(3.0, bench.link.plug)
    bench.jig.idle(4.0)
    assert bench.jig.lock is Lock.TRIPPED and bench.jig.reason is Reason.SILENCE
    kind, text, t_us = bench.sink.gaps[-1]
    assert kind == "link-state" and "tripped (silence)" in text and t_us is not None
    assert bench.sink.frame_lines  # a trip
    assert any(event.name == "lock" and event.data["reason"] == Reason.SILENCE for event in bench.sink.stored)


def test_a_link_that_stays_away_is_lost_after_retry_s(bench: Bench) -> None:
    bench.link.unplug()
    began_s = bench.link.clock.now_s()
    with pytest.raises(LinkLost) as lost:
        bench.jig.status()
    took_s = bench.link.clock.now_s() - began_s
    assert 10.0 <= took_s < 12.0
    assert lost.value.board_id == bench.jig.hello.board_hex and lost.value.port == "fake"
    assert lost.value.reason is LossReason.OS_ERROR and lost.value.detail == "unplugged"
    assert lost.value.silent_s == pytest.approx(took_s, abs=1.0)
    assert isinstance(lost.value.__cause__, NoJig)
    assert bench.sink.gap_kinds == ["link-lost"]  # told once
    assert bench.sink.frame_lines
    bench.jig.close()


def test_silence_on_an_open_port_ends_too_and_the_port_is_tried_afresh(bench: Bench) -> None:
    bench.link.mute = True
    began_s = bench.link.clock.now_s()
    with pytest.raises(LinkLost) as lost:
        bench.jig.idle(60.0)
    assert bench.link.clock.now_s() - began_s < 14.0
    assert lost.value.reason is LossReason.SILENT and bench.link.reopened >= 1
    assert bench.sink.gap_kinds == ["link-lost"]


def test_a_stall_is_sat_out(bench: Bench) -> None:
    bench.link.mute = True
    bench.in_s(6.0, lambda: setattr(bench.link, "mute", False))
    status = bench.jig.status()
    assert status.lock is Lock.DISARMED
    bench.jig.idle(0.5)
    assert bench.sink.gap_kinds == ["link-lost", "link-back", "link-state"]


def test_a_host_that_was_busy_does_not_mistake_that_for_silence(bench: Bench) -> None:
    bench.jig.idle(0.5)
    bench.link._time.us += 30_000_000  # the program did something else for 30 s
    bench.jig.status()
    assert bench.sink.gap_kinds == [] and bench.link.reopened == 0


def test_a_request_open_across_a_reset_is_named_and_never_repeated(bench: Bench) -> None:
    bench.jig.arm()
    bench.board.deaf_to.add("move")
    bench.in_s(0.3, lambda: bench.board.reset(bench.link.now_us))
    before = bench.jig.hello.boot_id
    with pytest.raises(JigRestarted) as restarted:
        bench.jig.move(10.0, 0.5)
    error = restarted.value
    assert (error.boot_before, error.boot_now, error.open_request) == (before, before + 1, "move")
    assert len([m for m in bench.board.performed if m.name == "move"]) == 1
    assert bench.jig.hello.boot_id == before + 1 and bench.jig.lock is Lock.DISARMED
    marks = [(kind, text) for kind, text, _ in bench.sink.gaps]
    assert len(marks) == 1 and marks[0][0] == "restart" and "'move' was open" in marks[0][1]
    bench.board.deaf_to.clear()
    bench.jig.status()
    assert bench.sink.order[-2:] == ["(restart)", "boot"]  # the mark stands before the new boot's events


def test_a_reset_while_waiting_ends_the_wait(bench: Bench) -> None:
    bench.in_s(0.5, lambda: bench.board.reset(bench.link.now_us))
    with pytest.raises(JigRestarted) as restarted:
        bench.jig.wait_event(lambda e: e.name == "arrived", Deadline(bench.jig.clock, 30.0), "arrival")
    assert restarted.value.open_request == ""
    assert bench.link.clock.now_s() < 3.0
    assert [e.name for e in bench.jig.idle(0.5)] == ["boot"]


def test_a_reset_under_an_unplugged_link_is_seen_on_return(bench: Bench) -> None:
    bench.link.unplug()
    bench.in_s(0.5, lambda: bench.board.reset(bench.link.now_us))
    bench.in_s(1.0, bench.link.plug)
    with pytest.raises(JigRestarted) as restarted:
        bench.jig.arm()
    assert restarted.value.open_request == "arm"
    assert bench.sink.gap_kinds[:2] == ["link-lost", "link-back"] and "restart" in bench.sink.gap_kinds
    assert not [m for m in bench.board.performed if m.name == "arm"]


def test_another_board_on_the_port_is_not_taken_for_ours(bench: Bench) -> None:
    bench.link.unplug()
    bench.link.board = FakeBoard(board_id=0xAB, boot_id=5)
    bench.in_s(0.5, bench.link.plug)
    for call in (bench.jig.status, bench.jig.arm, lambda: bench.jig.pump(0.1)):
        with pytest.raises(LinkLost) as lost:
            call()
        assert "00000000000000ab" in str(lost.value)
    assert bench.jig.hello.board_id != 0xAB
    bench.jig.close()
    assert bench.link.board.performed == []


def test_connecting_to_what_does_not_answer_says_what_is_there() -> None:
    board = FakeBoard()
    board.left = True
    with pytest.raises(NoJig) as prompt:
        Jig(FakeLink(board), sink=Unrecorded()).connect()
    assert "prompt" in prompt.value.why
    silent = FakeLink()
    silent.mute = True
    jig = Jig(silent, sink=Unrecorded())
    with pytest.raises(NoJig) as none:
        jig.connect(Deadline(silent.clock, 1.0))
    assert none.value.why == "nothing answers hello"
    assert silent.clock.now_s() < 3.0
    jig.close()
    assert silent.closed


def test_closing_is_bounded_and_quiet_on_a_dead_link(bench: Bench) -> None:
    bench.jig.arm()
    bench.link.mute = True
    began_s = bench.link.clock.now_s()
    bench.jig.close()
    assert bench.link.clock.now_s() - began_s < 4.0 and bench.link.closed


def test_closing_disarms(bench: Bench) -> None:
    bench.jig.arm()
    bench.jig.close()
    assert bench.board.lock == names.DISARMED


def test_ctrl_c_in_the_middle_of_a_request_leaves_the_next_one_working(bench: Bench) -> None:
    bench.jig.arm()
    read, count = bench.link.read, 0

    def interrupted(timeout_s: float) -> bytes:
        nonlocal count
        count += 1
        if count == 2:
            raise KeyboardInterrupt
        return read(timeout_s)

    bench.link.read = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        bench.jig.measure("light", 256)
    bench.link.read = read  # type: ignore[method-assign]
    bench.jig.disarm()
    assert bench.jig.status().lock is Lock.DISARMED


@pytest.mark.parametrize("seed", range(12))
def test_whatever_the_link_does_every_call_ends(seed: int) -> None:
    """Random drops, corruption, unplugging, stalls and resets: each call answers or raises one of ours, in
    bounded time.
    """
    dice = random.Random(seed)
    link, sink = FakeLink(seed=seed), MemorySink()
    jig = Jig(link, sink=sink, nonce_seed=seed, retry_s=4.0)
    jig.connect()
    link.drop, link.corrupt = dice.choice([0.0, 0.1, 0.3]), dice.choice([0.0, 0.1])

    def trouble() -> None:
        kind = dice.randrange(4)
        now_s = link.clock.now_s()
        if kind == 0:
            link.unplug()
            link.at.append((now_s + dice.uniform(0.0, 3.0), link.plug))
        elif kind == 1:
            link.mute = True
            link.at.append((now_s + dice.uniform(0.0, 3.0), lambda: setattr(link, "mute", False)))
        elif kind == 2:
            link.board.reset(link.now_us)
        link.at.append((now_s + dice.uniform(0.5, 4.0), trouble))
        link.at.sort(key=lambda entry: entry[0])

    link.at.append((0.5, trouble))
    calls: list[Any] = [
        jig.status, jig.arm, jig.disarm, jig.clear, jig.stop, lambda: jig.move(10.0, 0.1),
        lambda: jig.measure("light", 16), lambda: jig.idle(0.5),
    ]  # fmt: skip
    answered = 0
    for _ in range(40):
        began_s = link.clock.now_s()
        try:
            dice.choice(calls)()
            answered += 1
        except (Refused, JigTimeout, JigRestarted, LinkLost) as error:
            assert isinstance(error, LidjigError)
        # 8 s for the answer, twice retry_s for a loss and a restart: for a request left open, a hello and the call
        assert link.clock.now_s() - began_s < 3 * (8.0 + 2 * 4.0), f"seed {seed}"
    assert answered > 0
    counters = [event.counter for event in sink.stored if event.name != "boot"]
    assert counters, f"seed {seed}"
    jig.close()


def test_twelve_random_links_record_each_event_once() -> None:
    """Without resets, whatever is dropped or flipped, each event is recorded once and in order."""
    for seed in range(12):
        link, sink = FakeLink(seed=seed), MemorySink()
        jig = Jig(link, sink=sink, nonce_seed=seed)
        jig.connect()
        link.drop, link.corrupt = 0.2, 0.1
        for k in range(20):
            link.board.event("edge", link.now_us, line=0, level=k % 2)
            jig.idle(0.2)
            if k == 10:
                link.unplug()
                link.at.append((link.clock.now_s() + 1.0, link.plug))
        link.drop = link.corrupt = 0.0
        jig.idle(2.0)
        assert [event.counter for event in sink.stored] == list(range(1, 22)), f"seed {seed}"
        jig.close()
