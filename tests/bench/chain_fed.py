"""What bench_chain.py --fed adds: a board that is given readings, and whether the record holds those it was given."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from fed_readings import FED, reading
from lidjig.firmware_path import firmware_dir
from lidjig.link import twin_process
from lidjig.record.store import Store

from shared_proto import names

HERE = Path(__file__).parent
PERIOD_S = {names.CHANNELS[number]: 0.001 for number in (names.CH_SUPPLY, names.CH_M1, *FED, names.CH_LIGHT)}


@contextmanager
def board_that_is_fed(folder: Path) -> Iterator[None]:
    """Simulated boards that start in here run the firmware with fed_main.py for its main.py."""
    firmware = folder / "firmware_fed"
    shutil.copytree(firmware_dir(), firmware, ignore=shutil.ignore_patterns("__pycache__"))
    (firmware / "main.py").rename(firmware / "device_main.py")
    shutil.copyfile(HERE / "fed_main.py", firmware / "main.py")
    shutil.copyfile(HERE / "fed_readings.py", firmware / "fed_readings.py")
    real = twin_process.firmware_dir
    twin_process.firmware_dir = lambda: firmware
    try:
        yield
    finally:
        twin_process.firmware_dir = real


def not_as_given(store: Store, run: str) -> int:
    """Readings of the fed channels in the record that are not those of their moment."""
    wrong = 0
    for number in FED:
        for segment in store.series(run, names.CHANNELS[number]):
            wrong += int(np.count_nonzero(segment.raw != reading(number, segment.t_us // 1000)))
    return wrong
