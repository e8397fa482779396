"""From what the user wrote after --link to an open link: PORT | twin | twin:FILE | replay:FILE, or nothing.

record:FILE@LINK opens LINK (any of these, or nothing for the only jig) and writes a recording of it to FILE.

PORT is a port name, a USB serial number or a board id (16 hexadecimal digits). Choosing by board id is the
one that stays true when the jig is plugged in elsewhere.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Sequence
from pathlib import Path

from lidjig.errors import BadInput, LidjigError, NoJig
from lidjig.link.base import Link
from lidjig.link.ports import PortInfo, port_of_serial_number, serial_ports
from lidjig.link.probe import Answer, probe
from lidjig.link.serial import SerialLink

NO_BOARD = "Plug the jig's board in by a USB data cable and look with 'lidjig ports'; without one: --link twin."
_NO_PORT = ("twin", "replay", "record")
_BOARD_ID = re.compile(r"[0-9a-fA-F]{16}")


def open_link(spec: str | None, *, seed: int | None = None, vm: str = "auto") -> Link:
    """The link that `spec` names; with None or "" the one jig that is plugged in.

    seed and vm are for the twin alone. Raises NoJig (nothing there, taken, more than one), BadInput (files).
    """
    wanted = (spec or "").strip()
    kind, _, argument = wanted.partition(":")
    if kind == "twin":
        from lidjig.link.twin import open_twin  # it brings the scenario reader, which a port has no use for

        return open_twin(argument or None, vm=vm, seed=seed)
    if kind == "record":
        from lidjig.link.replay import RecordingLink

        file, _, inner = argument.rpartition("@") if "@" in argument else (argument, "", "")
        link = open_link(inner, seed=seed, vm=vm)
        try:
            return RecordingLink(
                link, Path(file), nonce_seed=secrets.randbelow(1 << 31) if seed is None else seed
            )
        except BadInput:
            link.close()
            raise
    if kind == "replay":
        from lidjig.link.replay import ReplayLink

        return ReplayLink(Path(argument))
    return SerialLink(choose_port(wanted, serial_ports()))


def may_have_meter(spec: str | None) -> bool:
    """Whether what `spec` names may bring a meter of its own (Link.bench_meter), told without opening it: there is one
    on the simulated bench, and in a recording of it. On a port a person reads.
    """
    kind, _, argument = (spec or "").strip().partition(":")
    return may_have_meter(argument.rpartition("@")[2]) if kind == "record" else kind in _NO_PORT


def choose_port(
    wanted: str, ports: Sequence[PortInfo], *, ask: Callable[[PortInfo], Answer | None] | None = None
) -> PortInfo:
    """The port that is meant. `ask` says what answers on a port; it is called only to find a board id.

    Raises NoJig listing the ports seen, BadInput for a link that is none on a port.
    """
    if wanted.partition(":")[0] in _NO_PORT:
        raise BadInput("", "PORT", wanted, "a board on a port; the simulated bench runs the firmware as it is here")
    if not wanted:
        return _only_one(ports)
    for port in ports:
        if wanted in (port.device, port.short_name) or wanted.lower() == port.device.lower():
            return port
    by_serial = port_of_serial_number(ports, wanted)
    if by_serial is not None:
        return by_serial
    if _BOARD_ID.fullmatch(wanted):
        return _by_board_id(int(wanted, 16), ports, ask or ask_port)
    if _looks_like_port(wanted):
        return PortInfo(
            wanted
        )  # not listed (a pseudo-terminal, a link to a port, a URL): opening it will tell
    raise NoJig(wanted, "no port, USB serial number or board id is called that", tuple(map(_shown, ports)))


def ask_port(port: PortInfo) -> Answer | None:
    """What answers hello on a port; None when it cannot be opened."""
    try:
        link = SerialLink(port)
    except NoJig:
        return None
    try:
        return probe(link)
    except LidjigError:
        return None
    finally:
        link.close()


def _only_one(ports: Sequence[PortInfo]) -> PortInfo:
    candidates = [port for port in ports if port.is_candidate]
    if len(candidates) == 1:
        return candidates[0]
    seen = tuple(map(_shown, candidates or ports))
    if candidates:
        raise NoJig("(any port)", "more than one board is plugged in; say which with --link", seen)
    raise NoJig("(any port)", "no board is plugged in", seen, NO_BOARD)


def _by_board_id(
    board_id: int, ports: Sequence[PortInfo], ask: Callable[[PortInfo], Answer | None]
) -> PortInfo:
    # rp2 boards show their unique id as USB serial number, which was tried before; others have to be asked.
    for port in ports:
        if port.is_candidate:
            answer = ask(port)
            if answer is not None and answer.fields is not None and answer.fields["board_id"] == board_id:
                return port
    raise NoJig(f"{board_id:016x}", "no board with this id answers", tuple(map(_shown, ports)))


def _looks_like_port(wanted: str) -> bool:
    return "/" in wanted or "://" in wanted or re.fullmatch(r"(?i)com\d+", wanted) is not None


def _shown(port: PortInfo) -> str:
    extra = ", ".join(part for part in (port.serial_number, port.description) if part)
    return f"{port.device} ({extra})" if extra else port.device
