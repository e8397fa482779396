"""What answers on a port, and the way to a board's prompt, over a real port's code path."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
import typer
from lidjig.board import ports as board_ports
from lidjig.board import station as board_station
from lidjig.board.install import Image
from lidjig.board.ports import ask, look_at
from lidjig.board.prompt import PromptError
from lidjig.board.station import PortStation
from lidjig.cli import flash as cli_flash
from lidjig.cli import ports as cli_ports
from lidjig.cli.options import GlobalOptions
from lidjig.errors import BadInput, NoJig
from lidjig.link.lock import BoardLock
from lidjig.link.ports import RP2_VENDOR, PortInfo
from typer.testing import CliRunner

from shared_proto import names
from tests.host.fake_board import BOARD_ID, FakeBoard
from tests.link.rigs import socket_board

BOARD_HEX = f"{BOARD_ID:016x}"


def test_a_jig_is_shown_with_its_versions() -> None:
    with socket_board() as (port, _):
        seen = ask(port)
        assert seen.state == "jig" and BOARD_HEX in seen.text and "firmware 0.1.0" in seen.text
        assert seen.to_json()["board_id"] == BOARD_HEX and seen.to_json()["protocol"] == board_ports.HOST_PROTOCOL


def test_everything_else_is_told_apart() -> None:
    left = FakeBoard()
    left.left = True
    with socket_board(left) as (port, _):
        seen = ask(port, 0.3)
        assert seen.state == "prompt" and f"lidjig flash {port.device}" in seen.text
    with socket_board(FakeBoard(major=7)) as (port, _):
        seen = ask(port)
        assert seen.state == "wrong-protocol" and seen.to_json()["protocol"] == "7.0"
    with socket_board() as (port, thread):
        thread.silent.set()
        assert ask(port, 0.3).state == "nothing"
        with BoardLock(port.device):
            taken = ask(port)
            assert taken.state == "in-use" and "process" in taken.text
    assert ask(PortInfo("/dev/no-such-port")).state == "unusable"


def test_only_boards_of_known_kinds_are_asked_by_themselves() -> None:
    with socket_board() as (port, _):
        other = PortInfo(port.device, vendor=0x0403)
        board = PortInfo(port.device, vendor=RP2_VENDOR)
        assert [seen.state for seen in look_at([other, board])] == ["not-asked", "jig"]
        assert [seen.state for seen in look_at([other], ask_all=True)] == ["jig"]


def app_with(register: object, options: GlobalOptions) -> typer.Typer:
    app = typer.Typer()

    @app.callback()
    def every(context: typer.Context) -> None:
        context.obj = options

    assert callable(register)
    register(app)
    return app


def run(register: object, options: GlobalOptions, words: list[str]) -> tuple[object, str, str]:
    """(status, stdout, stderr) of a command; BadInput and NoJig come out as exceptions."""
    runner = CliRunner()
    result = runner.invoke(app_with(register, options), words, standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout, result.stderr


def test_the_ports_command(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket_board() as (port, _):
        status, out, _ = run(cli_ports.register, GlobalOptions(link=port.device), ["ports"])
        assert status == 0 and f"{port.device}: jig {BOARD_HEX}" in out
        status, out, _ = run(cli_ports.register, GlobalOptions(link=port.device, json=True), ["ports"])
        found = json.loads(out)
        assert status == 0 and found["command"] == "ports" and found["ports"][0]["firmware"] == "0.1.0"
    monkeypatch.setattr("lidjig.link.ports.list_ports.comports", lambda: [])
    status, out, _ = run(cli_ports.register, GlobalOptions(), ["ports"])
    assert status == 3 and "No serial port" in out
    assert f"{names.PROTOCOL_MAJOR}.{names.PROTOCOL_MINOR}" == board_ports.HOST_PROTOCOL


class NoPrompt:
    """Stands for mpremote's end: the board's prompt does not come."""

    asked: list[str] = []

    def __init__(self, device: str, *, wait_s: float) -> None:
        NoPrompt.asked.append(device)
        raise PromptError("could not enter raw repl; heard b'\\x00'")


def test_a_running_firmware_is_asked_to_leave_and_its_place_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_station, "SerialPrompt", NoPrompt)
    monkeypatch.setattr(board_station, "_AWAY_S", 0.2)
    with socket_board() as (port, thread):
        station = PortStation(port)
        try:
            running = station.leave()
            assert running is not None and running.board == BOARD_HEX and running.firmware == (0, 1, 0)
            time.sleep(0.1)
            assert thread.board.left
            assert BoardLock(port.device).holder() is not None  # nobody slips in between
            with pytest.raises(PromptError):
                station.prompt()
            assert len(NoPrompt.asked) > 1 and set(NoPrompt.asked) == {port.device}
            assert station.leave() is None  # a prompt is there already
        finally:
            station.close()
        assert BoardLock(port.device).holder() is None


def test_hello_after_the_reset(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket_board() as (port, thread):
        station = PortStation(port)
        assert station.hello().firmware == (0, 1, 0)
        thread.silent.set()
        monkeypatch.setattr(board_station, "_AWAY_S", 0.3)
        monkeypatch.setattr(board_station, "_HELLO_S", 0.3)
        with pytest.raises(NoJig) as none:
            station.hello()
        assert "nothing answers hello" in none.value.why
        station.close()


def test_another_protocol_cannot_be_asked_to_leave() -> None:
    with socket_board(FakeBoard(major=7)) as (port, _):
        station = PortStation(port)
        with pytest.raises(NoJig) as failed:
            station.leave()
        assert "7.0" in str(failed.value) and "mark switch" in str(failed.value)
        station.close()


def test_the_flash_command_says_what_to_press(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_station, "SerialPrompt", NoPrompt)
    monkeypatch.setattr(board_station, "_AWAY_S", 0.1)
    with socket_board() as (port, _):
        with pytest.raises(NoJig) as failed:
            run(cli_flash.register, GlobalOptions(), ["flash", port.device])
        text = str(failed.value)
        assert port.device in text and "BOOTSEL" in text and "could not enter raw repl" in text
        assert BoardLock(port.device).holder() is None
    with pytest.raises(BadInput) as twin:
        run(cli_flash.register, GlobalOptions(link="twin"), ["flash"])
    assert "port" in twin.value.accepted


def test_the_flash_command_shows_what_it_did(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from lidjig.board import install

    def quick(prompt: object, image: Image, *, root: str = "", progress: object = None) -> install.Written:
        assert callable(progress) and image.version == (0, 1, 0)
        progress("firmware/app.mpy", image.size, image.size)
        return install.Written(image.folder, None, len(image.files), image.size, image.compiled, False)

    class Prompt:
        def __init__(self, device: str, *, wait_s: float) -> None:
            self.device = device

        def run(self, code: str, timeout_s: float = 10.0) -> bytes:
            return b"('Board with RP2040', (1, 28, 0), 4870)\n"

        def restart(self) -> None:
            thread.board.left = thread.board._leaving = False

        def close(self) -> None:
            """Nothing is open."""

    monkeypatch.setattr(board_station, "SerialPrompt", Prompt)
    monkeypatch.setattr(install, "write_image", quick)
    with socket_board() as (port, thread):
        status, out, err = run(cli_flash.register, GlobalOptions(json=True), ["flash", port.device])
        done = json.loads(out)
        assert status == 0 and done["firmware"] == done["firmware_before"] == "0.1.0"
        assert done["board"] == "Board with RP2040, MicroPython 1.28.0" and "100 %" in err
        status, out, _ = run(cli_flash.register, GlobalOptions(), ["flash", port.device])
        assert status == 0 and f"Board {BOARD_HEX} on {port.device} runs firmware 0.1.0" in out
