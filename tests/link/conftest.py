"""Links for the shared suite, and lock files that stay out of the user's own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from lidjig.link import lock

from tests.link import rigs

KINDS = ("serial-socket", "serial-pty", "twin", "replay")


@pytest.fixture(autouse=True)
def lock_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Lock files of a test."""
    folder = tmp_path / "locks"
    monkeypatch.setattr(lock, "lock_folder", lambda: folder)
    return folder


@pytest.fixture(params=KINDS)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[rigs.Rig]:
    """Runs a check on a fresh link of each kind: rig(check) returns what the check returns."""
    kind = request.param
    if kind == "serial-pty" and os.name != "posix":
        pytest.skip("pseudo-terminals are a POSIX thing; the socket stands for the port here")
    if kind == "serial-socket":
        manager = rigs.serial_rig("socket")
    elif kind == "serial-pty":
        manager = rigs.serial_rig("pty")
    elif kind == "twin":
        manager = rigs.twin_rig()
    else:
        manager = rigs.replay_rig(tmp_path)
    with manager as run:
        yield run
