"""Each sensor family in force in turn: what it takes of the heap and of the time, and that nothing of it stays.

The records are those of the shipped profiles, in the folder `records` (number.family.profile). Only MicroPython tells
the heap, and it alone reads and compiles modules as the board does.
"""

import os
import sys

try:
    from time import perf_counter_ns as now_ns
except ImportError:
    from time import time_ns as now_ns

import fake_board
import fake_hour
import fake_rp2
from fake_board import bench
from fake_memory import NoMemory
from fake_trim import pair_record

from shared_proto import names

# On the 64-bit unix build, where pointers are twice the board's: what a family may add to a bench with a switch. An
# ordinary bench takes 115 KiB of the board's 241 KB (heap.py on a 32-bit build), and a family half of this there. Two
# are in memory while one follows the other: 163 KiB, which leaves 72 KiB for samples, monitors and what is used for a
# moment.
FAMILY_BYTES = 48 * 1024
# Names stay once they are known (MicroPython interns them, in pools of which the next is taken whole, some 15 KiB
# here); nothing else may.
NAMES_BYTES = 20 * 1024
FLAT_BYTES = 1024
BEGINNINGS = ("firmware.families", "firmware.following", "firmware.curve", "firmware.angle_parts", "firmware.dac")
BEGINNINGS += ("boards.p", "boards.i2c_target", "shared_proto.family_blobs", "shared_proto.messages")
BOARD = ("boards.pico", "boards.pico_pins")


def records():
    """[(family, profile, record)]"""
    folder = sys.argv[1] + "/records"
    rows = []
    for name in sorted(os.listdir(folder)):
        with open(folder + "/" + name, "rb") as file:
            rows.append((name.split(".")[1], name.split(".")[2], file.read()))
    return rows


def modules():
    """Those of sensors that tell an angle, as the table of modules and the packages have them."""
    found = []
    for name in sys.modules:
        if name not in BOARD and [1 for begin in BEGINNINGS if name.startswith(begin)]:
            found.append(name)
    for package in ("firmware", "boards", "shared_proto"):
        for begin in BEGINNINGS:
            place, _, last = begin.partition(".")
            if place == package and package + "." + last not in found and hasattr(sys.modules[package], last):
                found.append("attribute " + begin)
    return sorted(found)


def modules_of_families():
    return [name for name in modules() if name.startswith("firmware.families.") and not name.endswith(".base")]


def put_in_force(host, record):
    began = now_ns()
    answer = host.load(1, record)
    assert answer.name == "blob_commit_result", answer
    return (now_ns() - began) / 1000000


def stand_in(jig, host):
    """Long enough for frames, a move and an override."""
    host.ok("arm")
    host.ok("set_route", route=2)
    host.ok("move", angle_mdeg=40000, duration_ms=100, shape=1)
    host.run(150)
    if jig.tick.following() is not None:
        for state in (4, 1, 4, 0):
            host.ok("drive", output=0, state=state)
            host.run(20)
    assert jig.tick.error is None and jig.lock.state == 1, jig.tick.error
    host.ok("set_route", route=0)
    host.ok("disarm")
    host.run(20)
    host.events = []
    host.pulses = []


def start(folder):
    from firmware.app import forget_table

    bench.raw[0] = 33000  # 3.3 V of 6.6 V, in ADC counts of 65535
    bench.bus.parts[0x60] = fake_rp2.Dac()
    jig, _service, host = fake_board.start(folder)
    host.hello()
    forget_table()
    return jig, host


def in_use():
    return fake_hour.in_use() if sys.implementation.name == "micropython" else 0


def turn(jig, host, rows, told):
    """All of them, one after another, and the switch again: heap in use then."""
    switch = [record for family, _profile, record in rows if family == "switch"][0]
    put_in_force(host, switch)
    stand_in(jig, host)
    plain = in_use()
    for family, profile, record in rows:
        took_ms = put_in_force(host, record)
        stand_in(jig, host)
        more = in_use() - plain
        if told:
            print("family", family, profile, more, "bytes", took_ms, "ms")
            assert more < FAMILY_BYTES, (profile, more)
        others = modules_of_families()
        assert others == ([] if family == "switch" else ["firmware.families." + family]), others
    put_in_force(host, switch)
    assert modules() == [], modules()
    assert jig.tick.following() is None
    # An interrupt of a family would keep it.
    assert [kind for kind in fake_rp2.HANDLERS if fake_rp2.HANDLERS[kind] is not None] == []
    return in_use()


def check_families_come_and_go(folder):
    jig, host = start(folder)
    rows = records()
    put_in_force(host, rows[0][2])
    stand_in(jig, host)
    before = in_use()
    print("family heap with a switch in force:", before - fake_hour.BEFORE, "bytes")
    first = turn(jig, host, rows, False)  # names are new
    turn(jig, host, rows, True)
    after = turn(jig, host, rows, False)
    again = turn(jig, host, rows, False)
    print("family heap after a turn through all:", first - before, "bytes more; after two more:", again - after, "more")
    assert first - before <= NAMES_BYTES, first - before
    assert again - after <= FLAT_BYTES, (after, again)


def tables_of(jig):
    return list(jig.tick.following()._family._state)


def check_sine_and_cosine_trimmed(folder):
    """33 points of each are folded into the tables that are there: their arrays remain, and what parsed them goes."""
    from binascii import crc32

    jig, host = start(folder)
    rows = {family: record for family, _profile, record in records()}
    put_in_force(host, rows["switch"])
    stand_in(jig, host)
    plain = in_use()
    put_in_force(host, rows["sincos"])
    stand_in(jig, host)
    untrimmed = in_use() - plain
    points = [(2047 * k, 2040 * k + 100) for k in range(33)]
    trim = pair_record(points, points, profile_crc=crc32(rows["sincos"]) & 0xFFFFFFFF)
    for _ in (1, 2):  # names are new in the first
        assert host.load(3, trim).name == "blob_commit_result"
        stand_in(jig, host)
    trimmed = in_use() - plain
    print("family sincos with a trim of both:", trimmed, "bytes,", trimmed - untrimmed, "more than without")
    assert trimmed < FAMILY_BYTES, trimmed
    # After a restart both records come from flash, and the tables are the same.
    tables = tables_of(jig)
    bench.reset()
    jig, host = start(folder)
    assert tables_of(jig) == tables
    put_in_force(host, rows["sincos"] + b"x")  # another name, so another CRC: not this trim's
    plain = tables_of(jig)
    moved = [k for k in range(len(tables)) if tables[k] != plain[k]]
    assert len(moved) > 1000, len(moved)
    assert "firmware.trim" not in sys.modules and modules_of_families() == ["firmware.families.sincos"], modules()
    put_in_force(host, rows["switch"])
    assert modules() == [], modules()


def without_head(record):
    from shared_proto import blobs, family_blobs

    fields = family_blobs.fields(family_blobs.PWM)
    values, _bad = blobs.unpack(fields, record)
    values["head_clocks"] = 0
    return blobs.pack(fields, values)


def check_refused_records_leave_nothing(folder):
    jig, host = start(folder)
    rows = records()
    for family, profile, record in rows:
        if family != "switch":
            assert host.load(1, record[:-40]).name == "refusal", profile
            assert modules() == [], (profile, modules())
            if family == "pwm":
                assert host.load(1, without_head(record)).name == "refusal"  # by the family's own module
                assert modules() == [], modules()
    assert jig.profile.values is None


def check_the_table_of_messages_is_not_loaded_again(folder):
    _jig, host = start(folder)
    for _family, profile, record in records():
        put_in_force(host, record)
        assert "shared_proto.messages" not in sys.modules, profile


def check_no_memory_for_a_family(folder):
    jig, host = start(folder)
    rows = {family: record for family, _profile, record in records()}
    put_in_force(host, rows["analog"])
    for module in ("firmware.families.pwm", "boards.pio_pwm"):
        with NoMemory(module):
            assert host.load(1, rows["pwm"]).fields["reason"] == names.REFUSED_MEMORY, module
        # The family before is still in force.
        assert modules_of_families() == ["firmware.families.analog"], modules()
        stand_in(jig, host)
    put_in_force(host, rows["switch"])
    for module in ("firmware.following", "firmware.curve", "firmware.families.pwm", "boards.pio_pwm"):
        with NoMemory(module):
            assert host.load(1, rows["pwm"]).fields["reason"] == names.REFUSED_MEMORY, module
        assert modules() == [] and jig.tick.following() is None, (module, modules())
    put_in_force(host, rows["pwm"])
    stand_in(jig, host)


def check_started_with_a_family(folder):
    rows = [row for row in records() if row[0] != "switch"]
    _jig, host = start(folder)
    put_in_force(host, rows[0][2])
    bench.reset()
    jig, host = start(folder)
    assert jig.tick.following() is not None
    assert [name for name in modules() if name.startswith("boards.")] == []
    stand_in(jig, host)


fake_board.checks(globals())
