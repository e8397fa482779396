"""Typed calls: units, names and ranges on this side, the wire's numbers on the other."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lidjig.errors import BadInput, JigTimeout, Refused, WrongProtocol
from lidjig.jig import DRIVES, Jig, Lock, Measurement, Reason, ResetCause, Route, Unrecorded
from lidjig.jig_types import OpenNumber, log_entries, millidegrees
from lidjig.link.base import Deadline

from shared_proto import names
from tests.host.conftest import Bench
from tests.host.fake_board import BOARD_ID, FakeBoard, FakeLink


@pytest.mark.parametrize(
    ("kind", "wire"),
    [(Route, names.ROUTES), (Lock, names.LOCK_STATES), (Reason, names.REASONS), (ResetCause, names.RESETS)],
)
def test_numbers_and_names_are_the_wires(kind: type[OpenNumber], wire: tuple[str, ...]) -> None:
    assert tuple(member.text for member in kind) == wire
    assert [int(member) for member in kind] == list(range(len(wire)))


def test_a_number_from_newer_firmware_is_shown_as_its_number() -> None:
    reason = Reason(77)
    assert int(reason) == 77 and reason.text == "number 77" and not reason.listed
    assert Reason(77) is reason and Reason.SILENCE.listed
    assert len(Reason) == len(names.REASONS)  # no new member in the list
    with pytest.raises(ValueError):
        Reason(-1)


VERSION = f"{names.PROTOCOL_MAJOR}.{names.PROTOCOL_MINOR}"


def test_hello_and_status(bench: Bench) -> None:
    hello, status = bench.jig.hello, bench.jig.status()
    assert hello.board_id == BOARD_ID and hello.board_hex == f"{BOARD_ID:016x}"
    assert hello.firmware_text == "0.1.0" and hello.protocol_text == VERSION
    assert hello.reset_cause is ResetCause.POWER
    assert status.lock is Lock.DISARMED and status.route is Route.THROUGH
    assert status.angle_deg == 110.0 and status.lines["mark"] == 1 and status.lines["machine_2"] == 0
    assert set(status.lines) == set(names.LINES)


def test_degrees_become_millidegrees(bench: Bench) -> None:
    bench.jig.move(12.3456, 0.4004, "linear")
    sent = bench.board.performed[-1].fields
    assert sent == {"angle_mdeg": 12346, "duration_ms": 400, "shape": names.SHAPE_LINEAR}


@given(st.floats(0.0, 360.0))
def test_millidegrees_are_the_nearest(angle_deg: float) -> None:
    assert abs(millidegrees(angle_deg, "angle", highest_deg=360.0) - angle_deg * 1000.0) <= 0.5 + 1e-6


@pytest.mark.parametrize("angle_deg", [-0.001, 360.001, math.nan, math.inf])
def test_angles_out_of_range_are_bad_input_and_never_sent(bench: Bench, angle_deg: float) -> None:
    before = len(bench.board.performed)
    with pytest.raises(BadInput) as bad:
        bench.jig.move(angle_deg, 0.1)
    assert bad.value.key == "angle_deg" and bad.value.accepted == "0 to 360 deg"
    assert len(bench.board.performed) == before


def test_wrong_arguments_name_what_is_accepted(bench: Bench) -> None:
    jig = bench.jig
    calls = {
        "duration_s": lambda: jig.move(1.0, 251.0),
        "shape": lambda: jig.move(1.0, 1.0, "square"),
        "channel": lambda: jig.measure("volts"),
        "n": lambda: jig.measure("light", 1),
        "target": lambda: jig.load("machine_3", "low"),
        "load": lambda: jig.load("machine_1", "on"),
        "output": lambda: jig.drive(3, "low"),
        "drive": lambda: jig.drive(1, "up"),
        "line": lambda: jig.watch_lines(["machine_9"]),
        "thresholds_raw": lambda: jig.watch("light", [2, 1]),
        "watch.hysteresis": lambda: jig.watch("light", [1, 2], 70_000),
        "blob": lambda: jig.load_blob(9, b"x"),
        "profile": lambda: jig.load_blob(names.BLOB_PROFILE, bytes(1025)),
    }
    for key, call in calls.items():
        with pytest.raises(BadInput) as bad:
            call()
        assert bad.value.key == key and bad.value.accepted
    jig.status()  # none of them left anything open


def test_names_become_the_wires_numbers(bench: Bench) -> None:
    bench.jig.load("sensor_2", "high")
    assert bench.board.performed[-1].fields == {"target": names.TARGET_S2, "state": names.LOAD_HIGH}
    bench.jig.drive(2, "released")
    assert bench.board.performed[-1].fields == {"output": 1, "state": DRIVES.index("released")}
    assert bench.jig.watch_lines(["machine_1", "observer_2"])["mark"] == 1
    assert bench.board.performed[-1].fields == {"mask": 1 << names.LINE_M1 | 1 << names.LINE_OBS2}
    bench.jig.watch("charger_i", [100, 200], 10, 5)
    assert bench.board.performed[-1].fields["count"] == 2
    bench.jig.sensor_power(True)
    assert bench.board.performed[-1].fields == {"on": 1}
    assert bench.jig.stop() == 110.0


@given(st.lists(st.integers(0, 65535), min_size=2, max_size=256))
def test_mean_and_spread_from_the_sums(readings: list[int]) -> None:
    fields = {
        "n": len(readings), "total": sum(readings), "total_sq": sum(x * x for x in readings),
        "low": min(readings), "high": max(readings), "t_us": 1,
    }  # fmt: skip
    measured = Measurement.from_fields("light", fields)
    # CPython's statistics module works in exact fractions
    assert measured.mean_raw == pytest.approx(statistics.fmean(readings), rel=1e-12)
    assert measured.sd_raw == pytest.approx(statistics.stdev(readings), rel=1e-9, abs=1e-6)


def test_measure_waits_for_the_boards_answer(bench: Bench) -> None:
    bench.board.readings[names.CH_LIGHT] = [100, 104]
    measured = bench.jig.measure("light", 200)
    assert (measured.n, measured.mean_raw, measured.low, measured.high) == (200, 102.0, 100, 104)
    assert bench.link.clock.now_s() >= 0.2


def test_profiles_are_written_once_and_read_back(bench: Bench) -> None:
    data = bytes(range(256)) + b"end"
    assert bench.jig.read_blob(names.BLOB_PROFILE) == b""
    assert bench.jig.load_blob(names.BLOB_PROFILE, data) is True
    assert bench.board.blobs[names.BLOB_PROFILE] == data
    sent = len(bench.board.performed)
    assert bench.jig.load_blob(names.BLOB_PROFILE, data) is False
    assert len(bench.board.performed) == sent + 1  # status, nothing else
    assert bench.jig.read_blob(names.BLOB_PROFILE) == data


def test_a_profile_that_does_not_come_whole_is_said(bench: Bench) -> None:
    bench.board.blobs[names.BLOB_WIRING] = b"abc"
    bench.board._crc = lambda kind: 1  # type: ignore[method-assign]
    bench.jig.read_blob(names.BLOB_WIRING)
    bench.board.refuse["blob_read"] = (names.REFUSED_STORAGE, 3)
    with pytest.raises(Refused) as refused:
        bench.jig.read_blob(names.BLOB_WIRING)
    assert refused.value.request == "blob_read" and refused.value.reason == names.REFUSED_STORAGE
    assert refused.value.detail == 3 and refused.value.next_step


def test_the_firmware_log_is_read_to_its_end(bench: Bench) -> None:
    log = bench.jig.read_log()
    assert [entry.number for entry in log] == list(range(10))
    assert log[0].t_us == 1234 and log[0].code_name == "boot"
    assert log_entries(0, bytes(15)) == []


def test_refusals_carry_request_reason_and_detail(bench: Bench) -> None:
    with pytest.raises(Refused) as refused:
        bench.jig.set_route(Route.STANDIN)
    assert (refused.value.request, refused.value.reason_name) == ("set_route", "not_armed")
    bench.board.refuse["arm"] = (99, -5)
    with pytest.raises(Refused) as newer:
        bench.jig.arm()
    assert newer.value.reason_name == "reason 99" and newer.value.detail == -5


def test_an_answer_that_does_not_come_says_how_much_did(bench: Bench) -> None:
    bench.board.deaf_to.add("arm")
    with pytest.raises(JigTimeout) as late:
        bench.jig.arm()
    error = late.value
    assert "'arm'" in error.awaited and 4.0 < error.waited_s < 10.0
    assert error.frames > 5 and error.rejects == 0 and error.last_frame_age_s < 1.0
    assert len([m for m in bench.board.performed if m.name == "arm"]) == 1  # never carried out twice
    bench.board.deaf_to.clear()
    bench.jig.status()
    assert bench.sink.frame_lines


def test_another_protocol_names_the_command_that_updates() -> None:
    board = FakeBoard(major=9)
    jig = Jig(FakeLink(board), sink=Unrecorded())
    with pytest.raises(WrongProtocol) as wrong:
        jig.connect()
    assert wrong.value.board == "9.0" and wrong.value.host == VERSION
    assert wrong.value.next_step == "Update the board with 'lidjig flash fake'."


def test_requests_before_connecting_are_a_fault_of_the_caller() -> None:
    jig = Jig(FakeLink())
    with pytest.raises(RuntimeError):
        jig.status()
    with pytest.raises(RuntimeError):
        _ = jig.hello
    assert jig.last_frames() == []


def test_leave_and_close(bench: Bench) -> None:
    bench.jig.leave()
    assert bench.board.left
    bench.jig.close()
    bench.jig.close()
    assert bench.link.closed
    with pytest.raises(RuntimeError):
        bench.jig.status()


def test_reset_gives_a_new_hello(bench: Bench) -> None:
    before = bench.jig.hello
    after = bench.jig.reset()
    assert after.boot_id == before.boot_id + 1 == bench.jig.hello.boot_id
    assert "restart" in bench.sink.gap_kinds
    bench.jig.status()


def test_a_wait_ends_at_its_deadline(bench: Bench) -> None:
    began_s = bench.link.clock.now_s()
    with pytest.raises(JigTimeout) as late:
        bench.jig.wait_event(lambda e: False, Deadline(bench.jig.clock, 1.5), "the end of the world")
    assert "the end of the world" in str(late.value)
    assert bench.link.clock.now_s() - began_s == pytest.approx(1.5, abs=0.11)
    assert late.value.frames >= 3  # pulses came meanwhile
