"""Which ports there are and what answers on each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lidjig.errors import LinkLost, NoJig
from lidjig.jig_types import Hello
from lidjig.link.lock import BoardLock
from lidjig.link.ports import PortInfo
from lidjig.link.probe import probe
from lidjig.link.serial import SerialLink
from shared_proto import names

HOST_PROTOCOL = f"{names.PROTOCOL_MAJOR}.{names.PROTOCOL_MINOR}"


@dataclass(frozen=True)
class Seen:
    """One port and what is on it.

    state: "jig", "wrong-protocol", "prompt", "other", "nothing", "in-use", "unusable", "not-asked". text:
    the same for people, with what to do where there is something. hello: for a jig.
    """

    port: PortInfo
    state: str
    text: str
    hello: Hello | None = None
    protocol: str = ""

    def to_json(self) -> dict[str, object]:
        """Plain data; null where nothing is known."""
        hello = self.hello
        return {
            "port": self.port.device,
            "usb_serial": self.port.serial_number or None,
            "description": self.port.description or None,
            "state": self.state,
            "text": self.text,
            "board_id": hello.board_hex if hello else None,
            "firmware": hello.firmware_text if hello else None,
            "protocol": hello.protocol_text if hello else self.protocol or None,
        }


def look_at(ports: Iterable[PortInfo], *, wait_s: float = 1.0, ask_all: bool = False) -> list[Seen]:
    """What answers on each port.

    Only ports that a jig may be on are asked, unless ask_all: bytes may upset others.
    """
    return [ask(port, wait_s) if ask_all or port.is_candidate else _not_asked(port) for port in ports]


def ask(port: PortInfo, wait_s: float = 1.0) -> Seen:
    """Say hello on one port."""
    holder = BoardLock(port.serial_number or port.device).holder()
    if holder is not None:
        return Seen(port, "in-use", f"in use by {holder}")
    try:
        link = SerialLink(port)
    except NoJig as error:
        return Seen(port, "unusable", error.why)
    try:
        answer = probe(link, wait_s)
    except LinkLost as error:
        return Seen(port, "unusable", error.detail or error.reason.value)
    finally:
        link.close()
    if answer.fields is not None:
        return _jig(port, Hello.from_fields(answer.fields))
    if answer.refused is not None:
        protocol = f"{answer.refused >> 8}.{answer.refused & 0xFF}"
        text = f"firmware with protocol {protocol}, this lidjig speaks {HOST_PROTOCOL}; 'lidjig flash {port.device}'"
        return Seen(port, "wrong-protocol", text, protocol=protocol)
    return Seen(port, answer.kind, _OTHERS[answer.kind].format(port=port.device))


_OTHERS = {
    "prompt": "MicroPython's prompt, no firmware running; 'lidjig flash {port}'",
    "other": "something that does not speak this protocol",
    "nothing": "nothing answers hello",
}


def _jig(port: PortInfo, hello: Hello) -> Seen:
    text = f"jig {hello.board_hex}, firmware {hello.firmware_text}, protocol {hello.protocol_text}"
    if hello.protocol[1] != names.PROTOCOL_MINOR:
        text += f" (this lidjig speaks {HOST_PROTOCOL})"
    return Seen(port, "jig", text, hello)


def _not_asked(port: PortInfo) -> Seen:
    return Seen(port, "not-asked", "not a board of the kinds known; asked only with --all or --link")
