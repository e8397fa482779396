"""The board's console on real pipes: reads never wait for more than is there, writes never wait for a reader."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

HERE = Path(__file__).resolve().parent
DEVICE = HERE.parents[1] / "device"
PATIENCE_S = 20.0

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="poll() on pipes: not there on Windows")


class Peer:
    """A process with its pipes; reads have a deadline, so that a console that blocks fails the test."""

    def __init__(self, micropython: str, mode: str) -> None:
        self.process = subprocess.Popen(
            [micropython, str(HERE / "console_peer.py"), mode],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            env=dict(os.environ, MICROPYPATH=str(DEVICE)),
        )
        self._killer = threading.Timer(PATIENCE_S, self.process.kill)
        self._killer.start()

    def send(self, data: bytes) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(data)

    @staticmethod
    def _read(stream: IO[bytes] | None, count: int) -> bytes:
        assert stream is not None
        data = b""
        while len(data) < count:
            part = stream.read(count - len(data))
            if not part:
                break
            data += part
        return data

    def read(self, count: int) -> bytes:
        return self._read(self.process.stdout, count)

    def line(self) -> str:
        text = b""
        while not text.endswith(b"\n"):
            part = self._read(self.process.stderr, 1)
            assert part, f"the process ended: {text!r}"
            text += part
        return text.decode().strip()

    def close(self) -> None:
        self._killer.cancel()
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def echo(micropython: str) -> Iterator[Peer]:
    peer = Peer(micropython, "echo")
    yield peer
    peer.close()


@pytest.fixture
def flood(micropython: str) -> Iterator[Peer]:
    peer = Peer(micropython, "flood")
    yield peer
    peer.close()


def test_half_a_frame_is_handed_on_at_once(echo: Peer) -> None:
    assert echo.line() == "interrupt character -1"  # 0x03 is a byte like any other
    half = b"\x03\x01\x02\x00\xff"  # no matter that no more follows
    echo.send(half)
    assert echo.read(len(half)) == half
    assert echo.line() == "idle"  # the loop goes round while the host is silent
    assert echo.line() == "idle"


def test_every_byte_value_in_any_chunk(echo: Peer) -> None:
    data = bytes(range(256)).replace(b"Q", b"") * 4
    at = 0
    for size in (1, 2, 63, 64, 65, 200, 1000):
        echo.send(data[at : at + size])
        assert echo.read(len(data[at : at + size])) == data[at : at + size]
        at += size
    echo.send(b"Q")
    assert echo.read(1) == b"Q"
    assert echo.process.wait(timeout=PATIENCE_S) == 0
    assert "interrupt character 3" in (echo.process.stderr.read() if echo.process.stderr else b"").decode()


def test_a_host_that_does_not_read_blocks_nothing(flood: Peer) -> None:
    assert flood.line() == "interrupt character -1"
    word, count = flood.line().split()
    assert word == "full" and int(count) >= 4096  # what the pipe holds, and then 0 at once
    flood.send(b"\x41")
    assert flood.line() == "input 65"
