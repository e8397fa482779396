"""Small programs in the firmware's place, to try the bench's hardware itself."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from lidjig.firmware_path import firmware_dir
from lidjig.link import twin_process
from lidjig.link.twin import TwinLink
from twin_bench import bench

HEAD = """
import machine, time, gc, micropython
from machine import Pin, ADC, Timer, WDT
from boards import streams
from firmware.console import StdConsole
console = StdConsole(*streams())

def say(*words):
    data = (" ".join(str(word) for word in words) + "\\n").encode()
    while data:
        taken = console.write(data)
        data = data[taken:]
        if not taken:
            console.wait(1)
"""


@contextmanager
def program(
    body: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, vm: str = "cpython", scenario: str = ""
) -> Iterator[TwinLink]:
    """A bench whose board runs `body`, the statements of its main(); `console` is the firmware's own, unopened."""
    folder = tmp_path / "program"
    for package in ("firmware", "boards"):
        (folder / package).mkdir(parents=True, exist_ok=True)
        (folder / package / "__init__.py").write_text("", encoding="ascii")
    shutil.copyfile(firmware_dir() / "firmware" / "console.py", folder / "firmware" / "console.py")
    indented = "\n".join("    " + line for line in body.strip("\n").splitlines())
    (folder / "main.py").write_text(f"{HEAD}\ndef main():\n{indented}\n", encoding="ascii")
    monkeypatch.setattr(twin_process, "firmware_dir", lambda: folder)
    with bench(scenario, vm=vm) as link:
        yield link


def printed(link: TwinLink, seconds: float = 1.0) -> list[str]:
    """What the program printed in so much virtual time."""
    out = b""
    end_s = link.clock.now_s() + seconds
    while link.clock.now_s() < end_s - 1e-6:
        out += link.read(end_s - link.clock.now_s())
    return [line.strip() for line in out.decode("ascii").splitlines() if line.strip()]
