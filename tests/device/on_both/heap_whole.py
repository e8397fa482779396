"""Heap of a bench that has everything: monitors, tach line, eight channels sampled. Only MicroPython tells."""

import sys

import fake_board
import fake_hour
from fake_board import bench

# On the 64-bit unix build. 14 KiB of it are the table of names, which MicroPython doubles when it is full; some 200 of
# those in it are this bench's own.
LIMIT_BYTES = 200 * 1024
SAMPLED = (0, 7, 9, 10, 11, 12, 13, 14)  # supply, charger current and light; both monitors; pulses


def check_the_whole_set(folder):
    if sys.implementation.name != "micropython":
        return
    from boards import Board
    from firmware import parts
    from firmware.app import Service, forget_table
    from firmware.jig import Jig
    from firmware.store import Store

    for address in (0x40, 0x41):
        bench.bus.parts[address] = fake_board.Meter()
    wired = fake_board.wiring(bus=1, meter_1=0x40, cal_1=2560, meter_2=0x41, cal_2=1024, tach=7)
    assert Store(folder).save("wiring", wired)
    jig = Jig(Board(), folder)
    service = Service(bench, jig)
    forget_table()
    assert parts.for_samples(jig)
    for channel in SAMPLED:
        jig.reader(channel).sample(channel, 20)
    assert fake_hour.loaded() == list(fake_hour.OPTIONAL)
    loaded = fake_hour.in_use() - fake_hour.BEFORE
    print("heap of the whole set:", loaded, "bytes")
    assert loaded < LIMIT_BYTES
    for channel in SAMPLED:
        jig.reader(channel).sample(channel, 0)
    fake_hour.cycle_for_an_hour(jig, service, SAMPLED)


fake_board.checks(globals())
