"""One board on a serial port, as flashing sees it: its firmware, its prompt, and its firmware again."""

from __future__ import annotations

from lidjig.board.install import Running
from lidjig.board.prompt import Prompt, PromptError, SerialPrompt
from lidjig.errors import LidjigError, LinkLost, NoJig
from lidjig.jig import Jig, Unrecorded
from lidjig.link.base import Deadline
from lidjig.link.lock import BoardLock
from lidjig.link.ports import PortInfo, port_of_serial_number, serial_ports
from lidjig.link.probe import probe
from lidjig.link.serial import SerialLink, WallClock

_AWAY_S = 12.0  # a reset with its USB taking up again takes 2 to 4 s; a watchdog reset 5 s more
_HELLO_S = 3.0
_PROMPT_S = 3.0


class PortStation:
    """Holds the board's lock from the start to close(). Raises NoJig when the board is in use."""

    def __init__(self, port: PortInfo) -> None:
        self._port = port
        self.name = port.device
        self._clock = WallClock()
        self._lock = BoardLock(port.serial_number or port.device)
        self._lock.take()

    def leave(self) -> Running | None:
        link = SerialLink(self._port, lock=self._lock)
        try:
            answer = probe(link)
            if answer.kind != "jig":
                return None
            if answer.refused is not None:
                protocol = f"{answer.refused >> 8}.{answer.refused & 0xFF}"
                raise NoJig(
                    self.name,
                    f"its firmware speaks protocol {protocol}, so it cannot be asked for the prompt. Unplug the "
                    "board, hold the mark switch while plugging it in, and flash again",
                )
            with Jig(link, sink=Unrecorded(), retry_s=2.0) as jig:
                running = _running(jig)
                jig.leave()
                return running
        except LinkLost as error:
            raise NoJig(self.name, f"the port went away: {error.detail or error.reason.value}") from error
        finally:
            link.close()

    def prompt(self) -> Prompt:
        """Tried for as long as a reset takes: under its watchdog, a firmware that leaves resets the board."""
        deadline = Deadline(self._clock, _AWAY_S)
        while True:
            try:
                return SerialPrompt(self._where(), wait_s=_PROMPT_S)
            except PromptError:
                if deadline.passed:
                    raise

    def hello(self) -> Running:
        deadline = Deadline(self._clock, _AWAY_S)
        why = "nothing answers"
        while not deadline.passed:
            try:
                link = SerialLink(PortInfo(self._where(), self._port.serial_number), lock=self._lock)
                jig = Jig(link, sink=Unrecorded(), retry_s=1.0)
                try:
                    jig.connect(Deadline(self._clock, _HELLO_S))
                    return _running(jig)
                finally:
                    jig.close()
            except LidjigError as error:
                why = error.why if isinstance(error, NoJig) else str(error)
        raise NoJig(self.name, why)

    def close(self) -> None:
        self._lock.release()

    def _where(self) -> str:
        found = (
            port_of_serial_number(serial_ports(), self._port.serial_number)
            if self._port.serial_number
            else None
        )
        return found.device if found is not None else self._port.device


def _running(jig: Jig) -> Running:
    hello = jig.hello
    return Running(hello.board_hex, hello.firmware, hello.protocol_text)
