"""A real sensor read by the jig itself: registers on I2C, a word over SSI, steps of a quadrature sensor.

The records are those of the shipped profiles, in the folder `records` (number.family.profile).
"""

import os
import sys

import fake_board
import fake_hour
from fake_board import bench
from fake_memory import NoMemory
from fake_sensor import Registers, Word

from shared_proto import names

READERS = ("sensor_bus", "sensor_word", "sensor_count")
SDA, SCL, CLOCK, SELECT = 12, 13, 19, 21
PINS = (SDA, SCL, 17, 18, CLOCK, SELECT)  # all that reading a sensor may drive
ADDRESS = 0x36  # ams AS5600 datasheet v1-06, p.18
HEAP_BYTES = 16 * 1024  # for all three, on the 64-bit unix build


def record(family):
    folder = sys.argv[1] + "/records"
    for name in sorted(os.listdir(folder)):
        if name.split(".")[1] == family:
            with open(folder + "/" + name, "rb") as file:
                return file.read()
    raise ValueError(family)


def unload():
    import boards
    import firmware

    for package, names_of in ((firmware, READERS + ("sensor_reading", "bus")), (boards, ("soft_bus", "word_pins"))):
        for name in names_of:
            sys.modules.pop(package.__name__ + "." + name, None)
            if hasattr(package, name):
                delattr(package, name)


def start(folder, family, **wired):
    unload()
    bench.raw[0] = 3300 * 65535 // 6600
    jig, service, host = fake_board.start(folder)
    host.hello()
    assert host.load(1, record(family)).name == "blob_commit_result"
    assert host.load(2, fake_board.wiring(**wired)).name == "blob_commit_result"
    return jig, service, host


def feeding(folder, family, **wired):
    """Armed, route open, the sensor fed."""
    jig, service, host = start(folder, family, **wired)
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_OPEN)
    host.ok("sensor_power", on=1)
    if family == "i2c":
        for target in (names.TARGET_S1, names.TARGET_S2):
            host.ok("load", target=target, state=names.LOAD_HIGH)
    return jig, service, host


def inputs(*pins):
    return [bench.mode[n] for n in pins] == [0] * len(pins)


def read(host, first=0, count=1, address=ADDRESS):
    fields = host.ok("registers", address=address, first=first, count=count)
    return names.SENSOR_ANSWERS[fields["state"]], bytes(fields["data"])


def part_at(address=ADDRESS):
    bench.part = part = Registers(bench, address)
    for k in range(256):
        part.memory[k] = 255 - k
    return part


# -- registers ---------------------------------------------------------------------------------------------------------


def check_registers(folder):
    _jig, _service, host = feeding(folder, "i2c")
    part = part_at()
    assert inputs(SDA, SCL)
    assert read(host, 0x0C, 4) == ("answered", bytes([0xF3, 0xF2, 0xF1, 0xF0]))
    # NXP UM10204, 3.1.10: pointer written, start repeated, the last byte not acknowledged, stop.
    assert (part.starts, part.stops, part.last_refused) == (2, 1, 1)
    assert inputs(SDA, SCL) and bench.given(18) == bench.given(19) == 1
    before_us = bench.now_us
    assert read(host, 0, 32) == ("answered", bytes([255 - k for k in range(32)]))
    assert bench.now_us - before_us < 8000
    assert host.ok("status")["lock"] == names.ARMED


def check_nobody_acknowledges(folder):
    _jig, _service, host = feeding(folder, "i2c")
    part = part_at()
    assert read(host, address=0x37) == ("silent", b"")
    assert part.stops == 1 and inputs(SDA, SCL)
    part.refuses = True  # the address is acknowledged, the pointer is not
    assert read(host) == ("silent", b"")
    assert part.stops == 2 and inputs(SDA, SCL)
    part.refuses = False
    assert read(host) == ("answered", b"\xff")


def check_a_bus_that_is_held(folder):
    _jig, _service, host = feeding(folder, "i2c")
    part = part_at()
    for level, name in (([0, 1], "SDA"), ([1, 0], "SCL"), ([0, 0], "both")):
        bench.sensor = level
        before_us = bench.now_us
        assert read(host) == ("held", b""), name
        assert bench.now_us - before_us < 5000 and part.starts == 0 and inputs(SDA, SCL)
    bench.sensor = [1, 1]
    for clocks in (1, 5, 9):
        part.hang(clocks)
        part.clocks = 0
        assert read(host) == ("answered", b"\xff")
        # (the controller's own clocks make no edges of pins here; one goes with the stop that follows)
        assert part.clocks == clocks + 1
    part.hang(20)
    part.clocks = 0
    assert read(host) == ("held", b"")
    assert part.clocks == 10 and inputs(SDA, SCL)  # nine (UM10204, "Bus clear"), and one of the stop


def check_a_clock_that_is_held_in_the_middle(folder):
    _jig, _service, host = feeding(folder, "i2c")
    part = part_at()
    took = part.took

    def hold(byte):
        bench.sensor[1] = 0
        return took(byte)

    part.took = hold
    before_us = bench.now_us
    assert read(host, count=32) == ("held", b"")
    assert bench.now_us - before_us < 5000 and inputs(SDA, SCL)
    part.took = took
    assert read(host) == ("held", b"")
    bench.sensor[1] = 1
    assert read(host) == ("answered", b"\xff")


def check_data_that_falls_in_the_middle_is_no_answer(folder):
    # Zeros and acknowledgements that nobody gave.
    _jig, _service, host = feeding(folder, "i2c")
    part = part_at()
    gives = part.gives

    def short():
        bench.sensor[0] = 0
        return gives()

    part.gives = short
    assert read(host, count=4) == ("held", b"")


def check_a_sensor_without_supply(folder):
    _jig, _service, host = feeding(folder, "i2c")
    part = part_at()
    host.ok("sensor_power", on=0)
    assert read(host) == ("held", b"") and part.starts == 0
    _jig, _service, host = feeding(folder, "ssi", lines_used=0x3F)
    bench.part = part = Word(bench, 0, 0)
    host.ok("sensor_power", on=0)
    assert host.refused("word", bits=24, half_us=2, out_falling=0) == names.REFUSED_SUPPLY_MISSING
    assert part.edges == [] and inputs(CLOCK, SELECT)


def check_a_trip_in_the_middle(folder):
    # After each byte in turn: the transfer ends with it, and nothing is pulled any more.
    for nth in range(1, 7):
        bench.reset()
        _jig, _service, host = feeding(folder, "i2c")
        part = part_at()
        advance = bench.advance

        def late(us, advance=advance, part=part, nth=nth):
            advance(us // 2)
            if part.bytes == nth - 1 and bench.supply and us == 90:
                bench.set(supply=0)  # in the middle of a byte
            advance(us - us // 2)

        bench.advance = late
        try:
            answer = host.ask("registers", address=ADDRESS, first=0, count=8)
        finally:
            bench.advance = advance
        assert answer.name == "refusal" and answer.fields["reason"] == names.REFUSED_TRIPPED, answer
        assert part.bytes == nth, "the transfer went on"
        assert inputs(*PINS) and bench.high_impedance()
        host.run(60)
        assert host.ok("status")["lock"] == names.TRIPPED
        assert host.refused("registers", address=ADDRESS, first=0, count=8) == names.REFUSED_TRIPPED


# -- words -------------------------------------------------------------------------------------------------------------


def check_words(folder):
    _jig, _service, host = feeding(folder, "ssi", lines_used=0x7F)  # all but observer 2
    for out_falling in (0, 1):
        for word in (0xA5C3F1, 0x000001, 0x800000, 0xFFFFFF, 0):
            bench.part = part = Word(bench, word, out_falling)
            assert host.ok("word", bits=24, half_us=7, out_falling=out_falling)["word"] == word
            # Selected for the whole of it; the clock rests high and falls first (MagnTek MT6701 data sheet, 7.8.2).
            assert [edge[:2] for edge in part.edges] == (
                [("select", 0)] + [("clock", 0), ("clock", 1)] * 24 + [("select", 1)]
            )
            times = [edge[2] for edge in part.edges]
            assert min([times[k + 1] - times[k] for k in range(48)]) >= 7
            assert inputs(CLOCK, SELECT)
    bench.part = part = Word(bench, 0xA5C3F1, 0)
    assert host.ok("word", bits=32, half_us=2, out_falling=0)["word"] == 0xA5C3F1FF
    assert host.ok("word", bits=1, half_us=1000, out_falling=0)["word"] == 1
    assert host.ok("status")["lock"] == names.ARMED


def check_a_trip_in_a_word(folder):
    for nth in (1, 2, 20, 49):
        bench.reset()
        _jig, _service, host = feeding(folder, "ssi", lines_used=0x7F)
        bench.part = part = Word(bench, 0x123456, 0)
        moved = part.moved

        def trips(bench, moved=moved, part=part, nth=nth):
            moved(bench)
            if len(part.edges) == nth and bench.supply:
                bench.set(supply=0)

        part.moved = trips
        answer = host.ask("word", bits=24, half_us=10, out_falling=0)
        assert answer.name == "refusal" and answer.fields["reason"] == names.REFUSED_TRIPPED, answer
        # What comes after it is the pull-up at the connector alone, which takes select back.
        assert [edge[:2] for edge in part.edges[nth:]] in ([], [("select", 1)]), part.edges[nth:]
        assert inputs(*PINS) and bench.high_impedance()


# -- when they are refused ---------------------------------------------------------------------------------------------

ASKED = (
    ("i2c", "registers", {"address": ADDRESS, "first": 0, "count": 1}),
    ("ssi", "word", {"bits": 24, "half_us": 2, "out_falling": 0}),
)


def check_refusals(folder):
    for family, request, fields in ASKED:
        jig, _service, host = start(folder, family, lines_used=0x7F)
        bench.part = part_at() if family == "i2c" else Word(bench, 0, 0)

        def reason(host=host, request=request, fields=fields):
            return host.refused(request, **fields)

        assert reason() == names.REFUSED_NOT_ARMED
        host.ok("arm")
        assert reason() == names.REFUSED_ROUTE
        host.ok("set_route", route=names.ROUTE_OPEN)
        host.ok("sensor_power", on=1)
        host.ok("count", run=names.COUNT_BEGIN)
        assert reason() == names.REFUSED_BUSY
        host.ok("count", run=names.COUNT_STOP)
        host.ok(request, **fields)
        for other in ("ssi" if family == "i2c" else "i2c", "quadrature"):
            host.ok("disarm")
            assert host.load(1, record(other)).name == "blob_commit_result"
            host.ok("arm")
            host.ok("set_route", route=names.ROUTE_OPEN)
            host.ok("sensor_power", on=1)
            assert reason() == names.REFUSED_NO_PROFILE, other
        host.ok("disarm")
        host.load(1, fake_board.profile(supply_max_mv=3600))
        host.ok("arm")
        host.ok("set_route", route=names.ROUTE_OPEN)
        assert reason() == names.REFUSED_NO_PROFILE
        assert inputs(SDA, SCL, CLOCK, SELECT) and jig.counting is not None


def check_a_word_needs_the_pin_of_observer_2(folder):
    _jig, _service, host = feeding(folder, "ssi", lines_used=0xFF)
    assert host.refused("word", bits=24, half_us=2, out_falling=0) == names.REFUSED_ROUTE
    _jig, _service, host = feeding(folder, "i2c", lines_used=0xFF)  # which registers do not
    part_at()
    assert read(host)[0] == "answered"


def check_no_events_of_what_the_jig_does_itself(folder):
    _jig, _service, host = feeding(folder, "i2c")
    part_at()
    host.ok("watch_lines", mask=0xFF)
    host.run(30)
    host.events.clear()
    for _ in range(5):
        assert read(host, count=32)[0] == "answered"
    host.run(200)
    assert host.named("edge") == [] and host.named("lost") == []
    bench.set(sensor=[0, 1])
    host.run(60)
    assert [(e["line"], e["level"]) for e in host.named("edge")] == [(names.LINE_S1, 0)]


# -- steps -------------------------------------------------------------------------------------------------------------

UP = ([0, 0], [1, 0], [1, 1], [0, 1])  # sensor 1 ahead of sensor 2


def steps(host, run=names.COUNT_READ):
    fields = host.ok("count", run=run)
    return fields["steps"], fields["skipped"], fields["levels"]


def check_steps(folder):
    # Disarmed, in route through: it only listens.
    bench.sensor = [0, 0]
    _jig, _service, host = start(folder, "quadrature")
    assert host.refused("count", run=names.COUNT_READ) == names.REFUSED_RANGE
    assert steps(host, names.COUNT_STOP) == (0, 0, 0)
    assert steps(host, names.COUNT_BEGIN) == (0, 0, 0)
    at = 0
    for way, count in ((1, 4100), (-1, 8000), (1, 3900)):
        for k in range(count):
            at += way
            bench.set(sensor=UP[at % 4])
            if not k % 20:
                bench.advance(20 * 200)  # 5000 a second
                host.turn()
        assert steps(host) == (at, 0, UP[at % 4][0] | UP[at % 4][1] << 1)
    assert at == 0
    for levels in ([1, 1], [0, 0], [1, 0], [0, 1]):
        bench.sensor = levels  # both at once
        bench.handlers[12](None)
    assert steps(host) == (1, 3, 2)
    assert steps(host, names.COUNT_BEGIN)[0] == 0
    bench.set(sensor=[1, 1])
    assert steps(host, names.COUNT_STOP) == (-1, 0, 3)
    bench.set(sensor=[1, 0])
    assert bench.handlers[12] is bench.handlers[13] is None
    assert steps(host, names.COUNT_STOP) == (-1, 0, 1)
    assert host.refused("count", run=names.COUNT_READ) == names.REFUSED_RANGE
    assert inputs(*PINS)


def check_edges_are_told_again_afterwards(folder):
    bench.sensor = [0, 0]
    _jig, _service, host = start(folder, "quadrature")
    host.ok("watch_lines", mask=1 << names.LINE_S1 | 1 << names.LINE_S2 | 1 << names.LINE_OBS1)
    steps(host, names.COUNT_BEGIN)
    for levels in UP[1:]:
        bench.set(sensor=levels)
    bench.set(observers=[1, 0])
    host.run(60)
    assert [e["line"] for e in host.named("edge")] == [names.LINE_OBS1]  # the others are counted
    assert steps(host, names.COUNT_STOP) == (3, 0, 2)
    host.run(60)
    assert [(e["line"], e["level"]) for e in host.named("edge")][1:] == [(names.LINE_S2, 1)]  # where it stands now
    bench.set(sensor=[1, 1])
    host.run(60)
    assert [(e["line"], e["level"]) for e in host.named("edge")][2:] == [(names.LINE_S1, 1)]
    # Asked for or not while steps are counted.
    steps(host, names.COUNT_BEGIN)
    host.ok("watch_lines", mask=1 << names.LINE_S1)
    bench.set(sensor=[1, 0])
    assert steps(host, names.COUNT_STOP)[0] == -1
    bench.set(sensor=[0, 1])
    host.run(60)
    assert [(e["line"], e["level"]) for e in host.named("edge")][3:] == [(names.LINE_S1, 0)]


def check_a_line_that_oscillates_is_left_alone(folder):
    bench.sensor = [0, 0]
    _jig, _service, host = start(folder, "quadrature")
    steps(host, names.COUNT_BEGIN)
    before = bench.interrupts
    for _ in range(5000):
        bench.set(sensor=[1, 0])
        bench.set(sensor=[0, 0])
    assert bench.interrupts - before <= 260
    assert bench.handlers[12] is None
    host.run(50)
    assert bench.handlers[12] is None and steps(host)[:2] == (0, 1)
    host.run(100)
    assert bench.handlers[12] is not None
    bench.set(sensor=[1, 0])
    assert steps(host) == (1, 1, 1)
    # Left alone again and again: what it costs is bounded, and each time is told.
    before, began_us = bench.interrupts, bench.now_us
    while bench.now_us - began_us < 1000000:
        for _ in range(200):
            bench.set(sensor=[0, 0])
            bench.set(sensor=[1, 0])
        host.turn()
    assert bench.interrupts - before < 4000
    assert 8 <= steps(host)[1] <= 12


def check_a_count_ends_with_the_profile_and_goes_on_through_the_rest(folder):
    bench.sensor = [0, 0]
    _jig, _service, host = start(folder, "quadrature")
    steps(host, names.COUNT_BEGIN)
    bench.set(sensor=[1, 0])
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_OPEN)
    bench.set(sensor=[1, 1])
    bench.set(supply=0)  # trips
    host.run(60)
    assert host.ok("status")["lock"] == names.TRIPPED
    bench.set(sensor=[0, 1])
    assert steps(host) == (3, 0, 2)
    host.ok("clear")
    assert host.load(1, record("ssi")).name == "blob_commit_result"
    assert bench.handlers[12] is None
    assert host.refused("count", run=names.COUNT_READ) == names.REFUSED_RANGE


def check_leaving_takes_the_interrupts_along(folder):
    from firmware.app import serve

    _jig, service, host = start(folder, "quadrature")
    steps(host, names.COUNT_BEGIN)
    host.ok("leave")
    serve(service)
    service.jig.board.release_all()
    assert bench.handlers == [None] * 30


# -- memory ------------------------------------------------------------------------------------------------------------


def check_loaded_when_first_asked_for(folder):
    for family, request, fields in ASKED + (("quadrature", "count", {"run": names.COUNT_BEGIN}),):
        _jig, _service, host = feeding(folder, family, lines_used=0x7F)
        bench.part = part_at() if family == "i2c" else Word(bench, 0, 0) if family == "ssi" else None
        assert [name for name in READERS if "firmware." + name in sys.modules] == []
        module = "firmware." + {"registers": "sensor_bus", "word": "sensor_word", "count": "sensor_count"}[request]
        with NoMemory(module):
            assert host.refused(request, **fields) == names.REFUSED_MEMORY
        assert module not in sys.modules
        assert host.ok("status")["lock"] == names.ARMED
        host.ok(request, **fields)
        assert module in sys.modules


def check_heap(folder):
    if sys.implementation.name != "micropython":
        return
    jig, _service, host = feeding(folder, "i2c", lines_used=0x7F)
    part_at()
    before = fake_hour.in_use()
    read(host)
    taken = fake_hour.in_use() - before
    jig = None  # noqa: F841
    bench.part = None
    steps(host, names.COUNT_BEGIN)
    steps(host, names.COUNT_STOP)
    __import__("firmware.sensor_word")
    whole = fake_hour.in_use() - before
    print("heap of registers:", taken, "of all that reads a sensor:", whole)
    assert whole < HEAP_BYTES


fake_board.checks(globals())
