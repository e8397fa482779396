"""A jig on a simulated board in virtual time, and lock files that stay out of the user's own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from lidjig.jig import Jig
from lidjig.link import lock

from tests.host.fake_board import FakeBoard, FakeLink, MemorySink


@dataclass
class Bench:
    """What a test of the jig works with."""

    jig: Jig
    link: FakeLink
    board: FakeBoard
    sink: MemorySink

    def in_s(self, seconds: float, action: object) -> None:
        """Have something happen so many seconds from now."""
        assert callable(action)
        self.link.at.append((self.link.clock.now_s() + seconds, action))
        self.link.at.sort(key=lambda entry: entry[0])


@pytest.fixture
def bench() -> Iterator[Bench]:
    """Connected, with a record."""
    link, sink = FakeLink(), MemorySink()
    jig = Jig(link, sink=sink, nonce_seed=1)
    jig.connect()
    yield Bench(jig, link, link.board, sink)
    jig.close()


@pytest.fixture(autouse=True)
def lock_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Lock files of a test."""
    folder = tmp_path / "locks"
    monkeypatch.setattr(lock, "lock_folder", lambda: folder)
    return folder
