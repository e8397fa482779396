"""The links that pass the shared suite, each with a board behind it: serial, twin, replay."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

from lidjig.link.base import Link
from lidjig.link.find import open_link
from lidjig.link.ports import PortInfo
from lidjig.link.replay import RecordingLink, ReplayLink
from lidjig.link.serial import SerialLink

from tests.host.fake_board import FakeBoard, FakeLink

NONCE_SEED = 5
Check = Callable[[Link], Any]
Rig = Callable[[Check], Any]


class Wire(Protocol):
    """The board's end of a connection."""

    def receive(self, timeout_s: float) -> bytes | None: ...
    def send(self, data: bytes) -> None: ...
    def drop(self) -> None: ...


class BoardThread(threading.Thread):
    """Runs a FakeBoard in wall time on the far end of a wire until stop()."""

    def __init__(self, board: FakeBoard, wire: Wire) -> None:
        super().__init__(daemon=True)
        self.board, self.wire = board, wire
        self.ending = threading.Event()
        self.silent = threading.Event()  # set: the board neither hears nor speaks
        self._start_s = time.monotonic()

    def now_us(self) -> int:
        return round((time.monotonic() - self._start_s) * 1e6)

    def run(self) -> None:
        while not self.ending.is_set():
            boot_id = self.board.boot_id
            data = self.wire.receive(0.002)
            if data is None or self.silent.is_set():
                continue
            out = self.board.turn(data, self.now_us())
            if out:
                self.wire.send(out)
            if self.board.boot_id != boot_id:
                self.wire.drop()  # a reset takes the board's USB port away

    def stop(self) -> None:
        self.ending.set()
        self.join(5.0)


class SocketWire:
    """One client at a time on a local socket."""

    def __init__(self) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.server.settimeout(0.02)
        self.port = self.server.getsockname()[1]
        self.client: socket.socket | None = None
        self._dropping = threading.Event()

    def receive(self, timeout_s: float) -> bytes | None:
        if self._dropping.is_set():
            self._close_client()
            self._dropping.clear()
        if self.client is None:
            try:
                self.client, _ = self.server.accept()
            except OSError:
                return None
        try:
            if not select.select([self.client], [], [], timeout_s)[0]:
                return b""
            data = self.client.recv(4096)
        except (OSError, ValueError):
            data = b""
        if not data:
            self._close_client()
            return None
        return data

    def send(self, data: bytes) -> None:
        if self.client is not None:
            with contextlib.suppress(OSError):
                self.client.sendall(data)

    def drop(self) -> None:
        """The connection goes away the next time the board looks at it; any thread may ask for that."""
        self._dropping.set()

    def _close_client(self) -> None:
        if self.client is not None:
            self.client.close()
            self.client = None

    def close(self) -> None:
        self._close_client()
        self.server.close()


class TerminalWire:
    """The far end of a pseudo-terminal (POSIX)."""

    def __init__(self) -> None:
        import pty
        import tty

        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)

    def receive(self, timeout_s: float) -> bytes | None:
        if not select.select([self.master], [], [], timeout_s)[0]:
            return b""
        return os.read(self.master, 4096)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def drop(self) -> None:
        """A pseudo-terminal stays; the bytes under way are lost, as with a port that goes away."""

    def close(self) -> None:
        os.close(self.master)
        os.close(self._slave)


@contextlib.contextmanager
def socket_board(board: FakeBoard | None = None) -> Iterator[tuple[PortInfo, BoardThread]]:
    """A board that pyserial reaches through its socket:// handler, on every platform."""
    wire = SocketWire()
    thread = BoardThread(board or FakeBoard(), wire)
    thread.start()
    try:
        yield PortInfo(f"socket://127.0.0.1:{wire.port}"), thread
    finally:
        thread.stop()
        wire.close()


@contextlib.contextmanager
def terminal_board(board: FakeBoard | None = None) -> Iterator[tuple[PortInfo, BoardThread]]:
    """A board on a real terminal device."""
    wire = TerminalWire()
    thread = BoardThread(board or FakeBoard(), wire)
    thread.start()
    try:
        yield PortInfo(wire.name), thread
    finally:
        thread.stop()
        wire.close()


@contextlib.contextmanager
def serial_rig(kind: str) -> Iterator[Rig]:
    with (socket_board if kind == "socket" else terminal_board)() as (port, _):

        def run(check: Check) -> Any:
            link = SerialLink(port)
            try:
                return check(link)
            finally:
                link.close()

        yield run


@contextlib.contextmanager
def twin_rig() -> Iterator[Rig]:
    def run(check: Check) -> Any:
        link = open_link("twin", seed=1)
        try:
            return check(link)
        finally:
            link.close()

    yield run


@contextlib.contextmanager
def replay_rig(folder: Path) -> Iterator[Rig]:
    """Records the check on a simulated board, then plays the recording to the same check."""

    def run(check: Check) -> Any:
        path = folder / "recording.txt"
        recorded = RecordingLink(FakeLink(), path, nonce_seed=NONCE_SEED)
        try:
            first = check(recorded)
        finally:
            recorded.close()
        played = ReplayLink(path)
        try:
            again = check(played)
        finally:
            played.close()
        assert again == first, "the recording was not played as it was recorded"
        return again

    yield run
