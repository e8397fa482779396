"""What link/base.py promises of every link, asked of each of them alike."""

from __future__ import annotations

import time
from typing import Any

import pytest
from lidjig.errors import LinkLost, LossReason
from lidjig.jig import Jig, Lock, Route, Unrecorded
from lidjig.link.base import Deadline, Link
from lidjig.link.probe import probe

from tests.link.rigs import NONCE_SEED, Rig


def connected(link: Link) -> Jig:
    jig = Jig(link, sink=Unrecorded(), nonce_seed=NONCE_SEED, retry_s=5.0)
    jig.connect()
    return jig


def test_it_says_who_it_is(rig: Rig) -> None:
    def check(link: Link) -> None:
        assert link.name
        assert link.details["kind"] in ("serial", "twin", "replay", "fake")
        assert all(isinstance(key, str) and isinstance(value, str) for key, value in link.details.items())

    rig(check)


def test_a_read_without_bytes_takes_its_time_on_the_links_clock(rig: Rig) -> None:
    def check(link: Link) -> None:
        began_s = link.clock.now_s()
        assert link.read(0.05) == b""
        took_s = link.clock.now_s() - began_s
        assert 0.049 <= took_s < 1.0
        deadline = Deadline(link.clock, 0.03)
        assert not deadline.passed
        link.read(0.04)
        assert deadline.passed and deadline.left_s() == 0.0

    rig(check)


def test_a_read_ends_as_soon_as_bytes_are_there(rig: Rig) -> None:
    def check(link: Link) -> int:
        began_s = link.clock.now_s()
        answer = probe(link, 5.0, nonce=7)
        assert link.clock.now_s() - began_s < 2.0
        assert answer.kind == "jig" and answer.fields is not None
        return answer.fields["session"]

    assert rig(check) == 7


def test_a_dialogue(rig: Rig) -> None:
    def check(link: Link) -> list[Any]:
        jig = connected(link)
        try:
            assert jig.status().lock is Lock.DISARMED
            jig.arm()
            jig.set_route(Route.OPEN)
            segment = jig.move(30.0, 0.1)
            arrived = jig.wait_event(
                lambda e: e.name == "arrived" and e.data["segment"] == segment,
                Deadline(jig.clock, 3.0),
                "arrival",
            )
            reading = jig.measure("light", 8)
            jig.disarm()
            assert jig.status().lock is Lock.DISARMED
        finally:
            jig.close()
        return [arrived.data["angle_mdeg"], reading.n, reading.channel]

    assert rig(check) == [30_000, 8, "light"]


def test_heartbeats_keep_an_armed_jig_armed(rig: Rig) -> None:
    def check(link: Link) -> Lock:
        jig = connected(link)
        try:
            jig.arm()
            jig.idle(2.2)  # the board lets go after 1 s of silence
            return jig.status().lock
        finally:
            jig.close()

    assert rig(check) is Lock.ARMED


def test_a_reset_board_is_found_again(rig: Rig) -> None:
    def check(link: Link) -> bool:
        jig = connected(link)
        try:
            before = jig.hello
            after = jig.reset(Deadline(link.clock, 10.0))
            jig.status()
            return after.boot_id != before.boot_id and after.board_id == before.board_id
        finally:
            jig.close()

    assert rig(check) is True


def test_the_operator_may_be_told(rig: Rig) -> None:
    def check(link: Link) -> None:
        link.tell_operator("shut-lid")
        link.read(0.01)

    rig(check)


def test_a_closed_link_is_closed(rig: Rig) -> None:
    def check(link: Link) -> LossReason:
        link.read(0.01)
        began_s = time.monotonic()
        link.close()
        link.close()
        assert time.monotonic() - began_s < 2.0
        with pytest.raises(LinkLost):
            link.write(b"\x00")
        with pytest.raises(LinkLost) as lost:
            link.read(0.01)
        assert "CLOSED" == lost.value.reason.name and link.name in str(lost.value)
        return lost.value.reason

    assert rig(check) is LossReason.CLOSED
