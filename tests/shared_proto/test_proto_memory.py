"""What the board's half costs a board with 264 KiB of RAM."""

from __future__ import annotations

import subprocess
from pathlib import Path

HERE = Path(__file__).parent


def test_heap_of_the_boards_half_is_small_and_flat(micropython: str) -> None:
    """The unix build has 64-bit words: about twice the board's figures."""
    done = subprocess.run(
        [micropython, str(HERE / "board_memory.py"), str(HERE.parent.parent)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    figures = {name: int(value) for name, value in (line.split("=") for line in done.stdout.split())}
    assert figures["host_half"] == 0, "a board must not load the host's half"
    assert figures["code"] < 110_000, figures
    assert figures["empty"] < 8_000, figures
    assert figures["full"] < 24_000, figures
    assert abs(figures["growth"]) < 1_000, figures
