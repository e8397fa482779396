"""Scripts of on_both/: the simulated chip alone, one process of either interpreter each."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import lidjig.twin
from lidjig.link.twin_process import find_micropython

VM = Path(lidjig.twin.__file__).parent / "vm"
HERE = Path(__file__).resolve().parent / "on_both"


def run_script(vm: str, script: str, *arguments: str) -> str:
    """Output of one script; its failure is the caller's failure. vm: cpython or micropython, which must be there."""
    command = sys.executable if vm == "cpython" else str(find_micropython())
    folders = [str(HERE), str(VM)]
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join(folders), PYTHONDONTWRITEBYTECODE="1")
    # MicroPython separates with a colon everywhere.
    environment["MICROPYPATH"] = ":".join([".frozen", *folders])
    done = subprocess.run(
        [command, str(HERE / f"{script}.py"), *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment,
        check=False,
    )
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    assert "ok check_" in done.stdout
    return done.stdout
