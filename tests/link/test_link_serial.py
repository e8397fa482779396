"""What only a port can do: vanish, come back under another name, be taken, stop taking bytes."""

from __future__ import annotations

import time

import pytest
import serial
from lidjig.errors import LinkLost, LossReason, NoJig
from lidjig.jig import Jig
from lidjig.link import serial as serial_link
from lidjig.link.base import Deadline
from lidjig.link.ports import PortInfo
from lidjig.link.serial import SerialLink, WallClock

from tests.host.fake_board import FakeBoard, MemorySink
from tests.link.rigs import socket_board


def test_a_dropped_connection_is_one_link_lost() -> None:
    with socket_board() as (port, thread):
        link = SerialLink(port)
        assert link.read(0.05) == b""
        link.write(b"\x00")
        time.sleep(0.1)
        thread.silent.set()
        thread.wire.drop()
        with pytest.raises(LinkLost) as lost:
            for _ in range(100):
                link.read(0.05)
                link.write(b"\x00")
        assert lost.value.reason is LossReason.OS_ERROR
        assert lost.value.port == port.device
        assert isinstance(lost.value.__cause__, (OSError, serial.SerialException))
        with pytest.raises(LinkLost) as again:
            link.read(0.0)
        assert again.value.reason is LossReason.CLOSED
        thread.silent.clear()
        link.reopen(Deadline(link.clock, 2.0))
        assert link.read(0.01) == b""
        link.close()


def test_a_jig_survives_the_drop_and_the_record_has_the_gap() -> None:
    with socket_board() as (port, thread):
        sink = MemorySink()
        with Jig(SerialLink(port), sink=sink, retry_s=5.0) as jig:
            jig.status()
            thread.wire.drop()
            jig.status()
            jig.idle(1.0)
            assert sink.gap_kinds == ["link-lost", "link-back", "link-state"]
            assert jig.interruptions == 1


def test_the_same_jig_is_found_under_its_new_port_name(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket_board(FakeBoard()) as (first, _), socket_board(FakeBoard()) as (second, _):
        here = PortInfo(first.device, "E6614103E7452D2F")
        there = PortInfo(second.device, "e6614103e7452d2f")
        listed = [here]
        monkeypatch.setattr(serial_link, "serial_ports", lambda: listed)
        link = SerialLink(here)
        listed[:] = [PortInfo(first.device, "0000000000000001"), there]
        link.reopen(Deadline(link.clock, 2.0))
        assert link.name == second.device == link.details["port"]
        # Nowhere in the list, and another board on the old name: better none than the wrong one.
        listed[:] = [PortInfo(second.device, "0000000000000001")]
        began_s = time.monotonic()
        with pytest.raises(NoJig) as none:
            link.reopen(Deadline(link.clock, 0.3))
        assert 0.25 < time.monotonic() - began_s < 2.0
        assert "E6614103E7452D2F" in str(none.value) and second.device in str(none.value)
        # In no list at all: the name it had.
        listed[:] = []
        link.reopen(Deadline(link.clock, 2.0))
        assert link.name == second.device
        link.close()


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(NoJig) as none:
        SerialLink(PortInfo("/dev/no-such-port"))
    assert "/dev/no-such-port" in str(none.value)
    with pytest.raises(NoJig):
        SerialLink(PortInfo("no-such-scheme://x"))


def test_a_board_in_use_is_refused_and_named() -> None:
    with socket_board() as (port, _):
        first = SerialLink(port)
        with pytest.raises(NoJig) as taken:
            SerialLink(port)
        assert "in use by process" in str(taken.value)
        first.close()
        SerialLink(port).close()


class StuckPort:
    """A port whose far end takes nothing."""

    timeout = 0.0

    def write(self, _data: bytes) -> int:
        raise serial.SerialTimeoutException("Write timeout")

    def reset_output_buffer(self) -> None:
        raise serial.SerialException("gone")

    def close(self) -> None:
        raise OSError(5, "Input/output error")


def test_a_board_that_takes_no_bytes_is_lost_and_closing_never_raises(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(serial_link, "_open", lambda _device: StuckPort())
    link = SerialLink(PortInfo("stuck"))
    with pytest.raises(LinkLost) as lost:
        link.write(b"x")
    assert "took no bytes" in str(lost.value)
    link.close()


def test_ports_are_opened_with_a_bound_on_writing(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: dict[str, object] = {}

    def fake_open(device: str, **settings: object) -> StuckPort:
        opened.update(settings, device=device)
        return StuckPort()

    monkeypatch.setattr(serial, "serial_for_url", fake_open)
    SerialLink(PortInfo("COM9")).close()
    assert opened["write_timeout"] == 2.0
    # 1200 baud resets some boards into their boot loader: common practice, no source
    assert opened["baudrate"] != 1200
    assert not {"dtr", "rts", "dsrdtr", "rtscts"} & opened.keys()


def test_wall_clock_runs() -> None:
    clock = WallClock()
    assert clock.now_s() <= clock.now_s()
