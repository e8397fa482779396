"""Heap of an ordinary bench: no power monitors, no tach line, nothing sampled. Only MicroPython tells."""

import sys

import fake_board
import fake_hour
from fake_board import bench

# On the 64-bit unix build, where pointers are twice the board's. Names are interned in pools, the next of which is
# taken whole (some 15 KiB here) when one name more does not fit: the figure goes in steps.
LIMIT_BYTES = 170 * 1024


def check_an_ordinary_bench(folder):
    if sys.implementation.name != "micropython":
        return
    from boards import Board
    from firmware.app import Service, forget_table
    from firmware.jig import Jig

    jig = Jig(Board(), folder)
    service = Service(bench, jig)
    forget_table()
    loaded = fake_hour.in_use() - fake_hour.BEFORE
    print("heap of an ordinary bench:", loaded, "bytes")
    assert loaded < LIMIT_BYTES
    fake_hour.cycle_for_an_hour(jig, service, ())
    assert fake_hour.loaded() == []


fake_board.checks(globals())
