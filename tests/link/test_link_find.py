"""Choosing a jig: by what the user wrote, or the only one there is."""

from __future__ import annotations

from pathlib import Path

import pytest
from lidjig.errors import BadInput, NoJig
from lidjig.link import find, ports
from lidjig.link.find import choose_port, open_link
from lidjig.link.ports import RP2_VENDOR, PortInfo
from lidjig.link.probe import Answer, probe
from lidjig.link.replay import HEADING
from lidjig.link.serial import SerialLink

from tests.host.fake_board import BOARD_ID, FakeBoard, FakeLink
from tests.link.rigs import socket_board

PICO = PortInfo("/dev/ttyACM0", "E6614103E7452D2F", "Board in FS mode", RP2_VENDOR, 0x0005)
OTHER_PICO = PortInfo("/dev/ttyACM1", "E6614103E7000001", "Board in FS mode", RP2_VENDOR, 0x0005)
ADAPTER = PortInfo("/dev/ttyUSB0", "A50285BI", "USB UART", 0x0403, 0x6001)
BUILT_IN = PortInfo("COM1")


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ("/dev/ttyACM0", PICO),
        ("ttyACM1", OTHER_PICO),
        ("E6614103E7452D2F", PICO),
        ("e6614103e7452d2f", PICO),
        ("a50285bi", ADAPTER),
        ("com1", BUILT_IN),
    ],
)
def test_by_name_or_serial_number(wanted: str, expected: PortInfo) -> None:
    assert choose_port(wanted, [PICO, OTHER_PICO, ADAPTER, BUILT_IN]) == expected


def test_the_only_board_is_meant_when_nothing_is_said() -> None:
    assert choose_port("", [ADAPTER, PICO, BUILT_IN]) == PICO


@pytest.mark.parametrize("listed", [[PICO, OTHER_PICO], [ADAPTER], []])
def test_none_or_several_is_no_guess(listed: list[PortInfo]) -> None:
    with pytest.raises(NoJig) as none:
        choose_port("", listed)
    for port in listed:
        assert port.device in str(none.value)


def test_a_board_id_that_is_no_serial_number_is_asked_for() -> None:
    wanted = "00000000000000ab"
    answers = {PICO.device: Answer("prompt"), OTHER_PICO.device: Answer("jig", {"board_id": 0xAB})}
    asked: list[str] = []

    def ask(port: PortInfo) -> Answer | None:
        asked.append(port.device)
        return answers[port.device]

    assert choose_port(wanted, [ADAPTER, PICO, OTHER_PICO], ask=ask) == OTHER_PICO
    assert asked == [PICO.device, OTHER_PICO.device]  # nothing is sent to other devices
    with pytest.raises(NoJig):
        choose_port("00000000000000ac", [PICO], ask=lambda _port: None)


def test_a_name_that_is_nowhere() -> None:
    with pytest.raises(NoJig) as none:
        choose_port("my-jig", [PICO])
    assert "my-jig" in str(none.value) and "ttyACM0" in str(none.value)
    assert choose_port("/dev/serial/by-id/x", []) == PortInfo("/dev/serial/by-id/x")
    assert choose_port("COM17", []) == PortInfo("COM17")


def test_open_link_takes_every_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording = tmp_path / "r.txt"
    recording.write_text(f"{HEADING}\nname = x\n", encoding="utf-8")
    assert open_link(f"replay:{recording}").details["kind"] == "replay"
    twin = open_link("twin", seed=4)
    assert twin.details["seed"] == "4"
    twin.close()
    with pytest.raises(BadInput):
        open_link(f"twin:{tmp_path / 'none.toml'}")
    with pytest.raises(BadInput):
        open_link("replay:")
    monkeypatch.setattr(find, "serial_ports", lambda: [])
    with pytest.raises(NoJig):
        open_link(None)
    with socket_board() as (port, _):
        link = open_link(port.device)
        assert isinstance(link, SerialLink)
        link.close()


def test_ask_port_says_what_answers() -> None:
    with socket_board(FakeBoard()) as (port, _):
        answer = find.ask_port(port)
        assert answer is not None and answer.fields is not None and answer.fields["board_id"] == BOARD_ID
    assert find.ask_port(PortInfo("/dev/no-such-port")) is None


def test_probe_tells_a_prompt_from_silence() -> None:
    board = FakeBoard()
    board.left = True
    assert probe(FakeLink(board), 0.5).kind == "prompt"
    silent = FakeLink()
    silent.mute = True
    assert probe(silent, 0.5).kind == "nothing"


class Listed:
    device = "/dev/ttyX"
    serial_number = None
    description = "n/a"
    vid = 0x2E8A
    pid = 5


def test_the_operating_systems_list_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports.list_ports, "comports", lambda: [Listed()])
    (port,) = ports.serial_ports()
    assert port == PortInfo("/dev/ttyX", "", "", 0x2E8A, 5)
    assert port.is_candidate and port.short_name == "ttyX"
