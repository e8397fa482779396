"""Power monitors on the bus: registers, rates, parts that are missing, fail, lose their settings or hang the bus."""

import fake_board
from fake_board import SDA, bench

from shared_proto import names

ONE, TWO = 0x40, 0x41
V1, I1, V2, I2 = names.CH_METER_1_V, names.CH_METER_1_I, names.CH_METER_2_V, names.CH_METER_2_I


def start(folder, parts=(ONE, TWO), **changes):
    """A bench with both monitors in its wiring record, and those of `parts` on the bus."""
    for address in parts:
        bench.bus.parts[address] = fake_board.Meter()
    jig, service, host = fake_board.start(folder)
    host.hello()
    wired = {"bus": 1, "meter_1": ONE, "cal_1": 2560, "meter_2": TWO, "cal_2": 1024}
    wired.update(changes)
    answer = host.load(2, fake_board.wiring(**wired))
    assert answer.name == "blob_commit_result", answer
    host.run(100)
    return jig, service, host


def told(host):
    return [(e["meter"], e["state"]) for e in host.named("meter")]


def states(host):
    fields = host.ok("meters")
    return fields["bus"], fields["meter_1"], fields["meter_2"]


def check_registers(folder):
    # Worked example of the data sheet: 2 mohm, 10 A, 12 V: calibration 2560, shunt 20 mV = 8000, current 10000 of 1 mA,
    # bus 11.98 V = 9584. TI SBOS547, p. 15-16.
    _jig, _service, host = start(folder)
    assert told(host) == [(0, names.METER_OK), (1, names.METER_OK)]
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_OK)
    one, two = bench.bus.parts[ONE], bench.bus.parts[TWO]
    assert one.registers[0x05] == 2560 == 0xA00 and two.registers[0x05] == 1024
    # Averages 4, both continuously: 4 * (332 us + 588 us) = 3.7 ms, below the 5 ms of a reading (values from memory)
    assert one.registers[0x00] == two.registers[0x00] == 0x4000 | 1 << 9 | 2 << 6 | 3 << 3 | 7
    one.registers[0x02], one.shunt = 9584, 8000
    result = host.ok("measure", channel=V1, n=3)
    assert (result["n"], result["low"], result["high"]) == (3, 9584, 9584)
    assert host.ok("measure", channel=I1, n=3)["low"] == 32768 + 10000
    one.shunt = -8000  # the machine feeds back: negative in the register, ascending on the wire
    assert host.ok("measure", channel=I1, n=1)["low"] == 32768 - 10000
    two.registers[0x02], two.shunt = 2640, 1
    assert host.ok("measure", channel=V2, n=1)["low"] == 2640
    assert host.ok("measure", channel=I2, n=1)["low"] == 32768  # 1 * 1024 // 2048
    assert host.ok("meters")["errors"] == 0


def check_rate_and_stamps(folder):
    # All four registers 200 times a second each, evenly in every batch, while the jig stands in and the tick samples.
    jig, _service, host = start(folder)
    for channel in (V1, I1, V2, I2):
        assert host.ok("sample", channel=channel, period_ms=5)["period_ms"] == 5
    assert host.ok("sample", channel=V1, period_ms=1)["period_ms"] == 5  # no faster than a reading is new
    assert host.ok("sample", channel=I1, period_ms=7)["period_ms"] == 10
    host.ok("sample", channel=I1, period_ms=5)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=2)
    host.load(1, fake_board.profile())
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.batches.clear()
    host.run(3000)
    for channel in (V1, I1, V2, I2):
        times = [t_us for t_us, _raw in host.readings(channel)]
        seconds = (times[-1] - times[0]) / 1000000
        assert seconds > 2 and len(times) - 1 >= 199 * seconds, (channel, len(times), seconds)
        numbers = host.numbers(channel)
        assert [n - numbers[0] for n in numbers] == list(range(len(numbers)))
        for batch in host.batches:
            if batch["channel"] == channel:
                n = len(batch["data"]) // 2
                assert batch["span_us"] <= 300000 and abs(batch["span_us"] - 5000 * (n - 1)) <= 1250
    light = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    assert set([light[k + 1] - light[k] for k in range(len(light) - 1)]) == {2000}  # the tick does not notice
    assert host.ok("status")["lock"] == names.ARMED and jig.tick.error is None


def check_comparator_on_a_meter(folder):
    # Hysteresis and dwell as on the channels of the converter; the time is that of the first reading in the new band.
    _jig, _service, host = start(folder)
    part = bench.bus.parts[ONE]
    host.ok("watch", channel=I1, count=2, t1=33000, t2=34000, t3=0, hysteresis=200, dwell_ms=20)
    host.run(60)

    def sees(shunt, ms=80):
        before = len(host.named("band"))
        part.shunt = shunt
        at_us = bench.now_us
        host.run(ms)
        new = host.named("band")[before:]
        for event in new:
            assert event["channel"] == I1 and 0 <= event["t_us"] - at_us <= 8000, event
            assert event["raw"] == 32768 + shunt * 2560 // 2048
        return [e["band"] for e in new]

    assert [e["band"] for e in host.named("band")] == [0]
    assert sees(200) == []  # 33018: inside the hysteresis
    assert sees(400) == [1]
    assert sees(1000, 12) == [] and sees(400, 40) == []  # shorter than the dwell
    assert sees(1200) == [2]
    assert sees(0) == [0]
    host.ok("watch", channel=I1, count=0, t1=0, t2=0, t3=0, hysteresis=0, dwell_ms=0)
    transfers = bench.bus.transfers
    host.run(3000)
    assert bench.bus.transfers - transfers <= 8  # one look at each part a second is left


def check_missing_and_returning(folder):
    # One part is not there: told, looked for every second, and the other one gives all its readings.
    _jig, _service, host = start(folder, parts=(ONE,))
    assert told(host) == [(0, names.METER_OK), (1, names.METER_MISSING)]
    host.ok("sample", channel=V1, period_ms=5)
    host.ok("sample", channel=V2, period_ms=5)
    host.run(2500)
    assert len(host.readings(V1)) > 430 and host.readings(V2) == []
    before_us = bench.now_us
    assert host.refused("measure", channel=V2, n=4) == names.REFUSED_RANGE
    assert bench.now_us - before_us <= 1200000
    bench.bus.parts[TWO] = fake_board.Meter()
    bench.bus.parts[TWO].registers[0x02] = 777
    host.run(1500)
    assert told(host)[2:] == [(1, names.METER_OK)]
    assert [raw for _t_us, raw in host.readings(V2)][-1] == 777
    assert host.numbers(V2)[0] == 1
    del bench.bus.parts[ONE]  # its plug is pulled
    host.run(100)
    assert told(host)[3:] == [(0, names.METER_FAILED)]
    readings = len(host.readings(V1))
    host.run(2000)
    assert len(host.readings(V1)) - readings <= 60 and told(host)[4:] == []
    bench.bus.parts[ONE] = fake_board.Meter()
    host.run(1500)
    assert told(host)[4:] == [(0, names.METER_OK)]
    assert bench.bus.parts[ONE].registers[0x05] == 2560  # set up again
    times = [t_us for t_us, _raw in host.readings(V1)]
    steps = [times[k + 1] - times[k] for k in range(len(times) - 1)]
    assert len([s for s in steps if abs(s - 5000) > 2500]) == 1 and max(steps) > 2000000  # one gap, and it shows


def check_not_this_type(folder):
    for register, value, state in (
        (0xFE, 0x1234, names.METER_FAILED),
        (0xFF, 0x2270, names.METER_FAILED),
        (0xFF, 0x2261, names.METER_OK),  # another revision of the same part
    ):
        bench.reset()
        bench.bus.parts[ONE] = fake_board.Meter()
        bench.bus.parts[ONE].registers[register] = value
        _jig, _service, host = start(folder, parts=(TWO,))
        assert (0, state) in told(host) and (1, names.METER_OK) in told(host), (register, value)


def check_settings_lost(folder):
    # Its supply dipped: calibration 0, so that every current would read 0. Told, set up again.
    _jig, _service, host = start(folder)
    bench.bus.parts[ONE] = fake_board.Meter()
    host.run(1500)
    assert told(host)[2:] == [(0, names.METER_FAILED), (0, names.METER_OK)]
    assert bench.bus.parts[ONE].registers[0x05] == 2560


def check_a_lost_calibration_is_no_current_of_0(folder):
    # Whenever between two looks it happens: no reading of 0 is passed on, it is set up in the same turn, and told.
    for after_ms in (3, 250, 601, 997):
        bench.reset()
        _jig, _service, host = start(folder)
        bench.bus.parts[ONE].registers[0x02], bench.bus.parts[ONE].shunt = 9584, 400
        bench.bus.parts[TWO].shunt = 400
        for channel in (V1, I1, I2):
            host.ok("sample", channel=channel, period_ms=5)
        host.run(1000 + after_ms)
        host.events.clear()
        bench.bus.parts[ONE].forget()
        bench.bus.parts[ONE].registers[0x02] = 0  # and has converted nothing yet
        for ms in range(2000):
            host.run(1)
            if ms == 3:
                bench.bus.parts[ONE].registers[0x02] = 9584
        assert told(host) == [(0, names.METER_FAILED), (0, names.METER_OK)], told(host)
        lost, back = host.named("meter")
        assert back["t_us"] - lost["t_us"] <= 2000
        assert set([raw for _t_us, raw in host.readings(I1)]) == {32768 + 500}
        assert set([raw for _t_us, raw in host.readings(V1)]) == {9584}
        for channel in (V1, I1):
            times = [t_us for t_us, _raw in host.readings(channel)]
            assert 7500 < max([times[k + 1] - times[k] for k in range(len(times) - 1)]) < 25000
        other = [t_us for t_us, _raw in host.readings(I2)]
        assert max([other[k + 1] - other[k] for k in range(len(other) - 1)]) < 10000


def check_a_true_0_is_a_reading(folder):
    # A machine without a charger: all of them are 0, each beat reads eight registers at most, and nothing is told.
    jig, _service, host = start(folder)
    for channel in (V1, I1, V2, I2):
        host.ok("sample", channel=channel, period_ms=5)
    host.run(1000)
    most = 0
    for _ in range(100):
        jig.slow._due = jig.board.ticks_us()
        before = bench.bus.transfers
        jig.slow._take_beat(jig.board.ticks_us())
        most = max(most, bench.bus.transfers - before)
        host.run(5)
    assert most == 8, most
    for channel, zero in ((V1, 0), (I1, 32768), (V2, 0), (I2, 32768)):
        assert len(host.readings(channel)) > 200 and set([raw for _t_us, raw in host.readings(channel)]) == {zero}
    assert len(told(host)) == 2


def check_a_part_that_forgets_all_the_time(folder):
    # It is set up ten times a second at most, and the other one gives its readings.
    _jig, _service, host = start(folder)
    bench.bus.parts[ONE].shunt = bench.bus.parts[TWO].shunt = 400
    host.ok("sample", channel=I1, period_ms=5)
    host.ok("sample", channel=I2, period_ms=5)
    host.run(500)
    host.events.clear()
    began_us = bench.now_us
    for _ in range(300):
        bench.bus.parts[ONE].forget()
        host.run(10)
    most = 2 * (1 + (bench.now_us - began_us) // 100000)
    assert 20 <= len(told(host)) <= most, (len(told(host)), most)
    assert set([raw for _t_us, raw in host.readings(I1)]) == {32768 + 500}
    assert len(host.readings(I2)) > 3 * 190


def check_a_calibration_that_cannot_be_read(folder):
    # The reading of 0 is not passed on: whether it holds is not known.
    _jig, _service, host = start(folder)
    host.ok("sample", channel=I1, period_ms=5)
    host.run(500)
    part, readings = bench.bus.parts[ONE], len(host.readings(I1))

    def come_and_go(_i2c):
        # It answers every other transfer: the reading, and not the calibration.
        if bench.bus.parts.pop(ONE, None) is None:
            bench.bus.parts[ONE] = part

    with Before(come_and_go):
        host.run(200)
    assert len(host.readings(I1)) - readings <= 52  # those that were on their way


def check_hung_bus_is_freed(folder):
    # A part that was interrupted while it sends holds SDA until it got its clocks, nine at most, and a stop
    # (NXP UM10204, "Bus clear").
    for clocks in (1, 5, 9):
        bench.reset()
        _jig, _service, host = start(folder)
        host.ok("sample", channel=V1, period_ms=5)
        host.run(200)
        host.events.clear()
        bench.bus.clocks = bench.bus.stops = 0
        bench.bus.hangs_in, bench.bus.hangs_for = bench.bus.transfers + 1, clocks
        host.run(400)
        assert bench.bus.clocks == clocks + 1 and bench.bus.stops == 1  # the last one is the stop's
        fields = host.ok("meters")
        assert (fields["bus"], fields["errors"], fields["recoveries"]) == (names.BUS_OK, 1, 1)
        assert told(host) == [], (clocks, told(host))  # one reading is missing, and that is all
        times = [t_us for t_us, _raw in host.readings(V1)]
        steps = [times[k + 1] - times[k] for k in range(len(times) - 1)]
        assert max(steps) <= 12500, max(steps)


def check_hung_bus_is_given_up(folder):
    # It lets go for no clock: bounded tries, given up for a second, told, tried again, and nothing else waits for it.
    _jig, _service, host = start(folder)
    for channel in (V1, I1, V2, I2):
        host.ok("sample", channel=channel, period_ms=5)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=4)
    host.ok("arm")
    host.run(200)
    bench.bus.clocks = 0
    bench.bus.sda_clocks = 1 << 20
    transfers = bench.bus.transfers
    longest_us = 0
    end_us = bench.now_us + 5000000
    while bench.now_us < end_us:
        before_us = bench.now_us
        host.turn()
        longest_us = max(longest_us, bench.now_us - before_us)
    assert longest_us <= 20000 + 5000  # what the loop waits for, and what the bus may take
    assert bench.bus.transfers == transfers  # it shows at rest: nothing waits for a time-out
    assert 9 * 5 <= bench.bus.clocks <= 10 * 6
    assert states(host) == (names.BUS_HUNG, names.METER_FAILED, names.METER_FAILED)
    assert sorted(told(host)[2:]) == [(0, names.METER_FAILED), (1, names.METER_FAILED)]
    light = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    steps = [light[k + 1] - light[k] for k in range(len(light) - 1)]
    assert len(light) > 1200 and set(steps) == {4000}, set(steps)
    assert host.ok("status")["lock"] == names.ARMED
    bench.bus.sda_clocks = 0
    host.run(2500)
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_OK)
    assert sorted(told(host)[4:]) == [(0, names.METER_OK), (1, names.METER_OK)]


class Before:
    """In here action(i2c) comes before every transfer."""

    def __init__(self, action):
        self._action = action

    def __enter__(self):
        action, self._real = self._action, fake_board.I2C._part
        real = self._real

        def part(i2c, address):
            action(i2c)
            return real(i2c, address)

        fake_board.I2C._part = part

    def __exit__(self, *_error):
        fake_board.I2C._part = self._real


class TimeOut:
    """What every transfer comes to while a part holds the bus, and how often it came."""

    def __init__(self):
        self.count = 0

    def __call__(self, i2c):
        self.count += 1
        bench.advance(i2c._timeout_us)
        raise OSError(fake_board.ETIMEDOUT)


def check_transfers_that_time_out(folder):
    # Every transfer hangs and comes free again: a few tries a second, then the bus is left alone for the rest of it.
    _jig, _service, host = start(folder)
    host.ok("sample", channel=V1, period_ms=5)
    host.run(100)
    time_out = TimeOut()
    with Before(time_out):
        end_us = bench.now_us + 3000000
        while bench.now_us < end_us:
            before = time_out.count
            host.turn()
            assert time_out.count - before <= 1  # of which each takes time from the loop
    assert 3 <= time_out.count <= 16, time_out.count
    host.run(2500)
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_OK)


def check_one_time_out_a_turn(folder):
    # A beat and the look at the other part are due in the same turn: after a time-out the look waits for another one.
    jig, _service, host = start(folder)
    host.ok("sample", channel=V1, period_ms=5)
    host.run(100)
    time_out = TimeOut()
    with Before(time_out):
        jig.slow._due = jig.slow.meters._due[1] = jig.board.ticks_us()
        host.turn()
        assert time_out.count == 1, time_out.count
        host.turn()
        assert time_out.count == 2, time_out.count  # now the look


def hold_now_and_then(_i2c):
    if bench.bus.transfers % 2:
        bench.bus.sda_clocks = 3


def check_a_bus_that_hangs_again_and_again(folder):
    # Freed each time, and every other transfer hangs again: three times a second, then it is left alone.
    jig, _service, host = start(folder)
    host.ok("sample", channel=V1, period_ms=5)
    host.run(100)
    hung = 0
    with Before(hold_now_and_then):
        for _ in range(300):
            host.run(10)
            hung += jig.slow.meters.bus.state == names.BUS_HUNG
    assert 3 <= host.ok("meters")["recoveries"] <= 3 * 4
    assert hung > 50
    host.run(2500)
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_OK)


def check_clock_held(folder):
    # SCL held: no clock can be given, so none is tried.
    _jig, _service, host = start(folder)
    bench.bus.clocks = 0
    bench.bus.scl_held = True
    host.run(3500)
    assert bench.bus.clocks == 0
    assert states(host)[0] == names.BUS_HUNG
    bench.bus.scl_held = False
    host.run(2500)
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_OK)


def check_wiring_record(folder):
    from shared_proto import blobs

    fields = [row[0] for row in blobs.WIRING_FIELDS]
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    assert states(host) == (names.BUS_NOT_WIRED, names.METER_NONE, names.METER_NONE)
    for changes, field in (
        ({"bus": 0, "meter_1": ONE, "cal_1": 1}, "meter_1"),
        ({"bus": 1, "meter_1": ONE}, "cal_1"),
        ({"bus": 1, "meter_2": TWO}, "cal_2"),
        ({"bus": 1, "meter_1": ONE, "cal_1": 1, "meter_2": ONE, "cal_2": 1}, "meter_2"),
        ({"tach": 1 + names.LINE_MARK}, "tach"),
        ({"tach": 11}, "tach"),
        ({"bus": 1, "tach": 1 + names.LINE_OBS3}, "tach"),  # its pin is the bus
    ):
        answer = host.load(2, fake_board.wiring(**changes))
        assert answer.name == "refusal" and answer.fields["reason"] == names.REFUSED_BAD_BLOB, changes
        assert fields[answer.fields["detail"]] == field, (changes, answer)
    bench.bus.parts[ONE] = fake_board.Meter()
    assert host.load(2, fake_board.wiring(bus=1, meter_1=ONE, cal_1=5)).name == "blob_commit_result"
    host.run(100)
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_NONE)
    assert host.refused("sample", channel=V2, period_ms=5) == names.REFUSED_RANGE
    host.ok("sample", channel=V1, period_ms=5)
    bench.reset()
    bench.bus.parts[ONE] = fake_board.Meter()
    _jig, _service, host = fake_board.start(folder)  # from flash
    host.hello()
    host.run(100)
    assert states(host) == (names.BUS_OK, names.METER_OK, names.METER_NONE)
    host.ok("sample", channel=V1, period_ms=5)
    host.run(500)
    assert host.load(2, fake_board.wiring()).name == "blob_commit_result"  # the bench has no monitors any more
    host.run(100)
    assert states(host) == (names.BUS_NOT_WIRED, names.METER_NONE, names.METER_NONE)
    assert told(host)[-1] == (0, names.METER_NONE)
    transfers = bench.bus.transfers
    host.run(3000)
    assert bench.bus.transfers == transfers


def check_an_older_wiring_record(folder):
    # Of the layout before meters: refused when it arrives; from flash it is logged, and the jig starts without.
    import struct

    from firmware.store import Store

    old = b"\x01" + struct.pack("<HHHB", 0xFF, 0, 0x3FF, 0) + b"bench"
    assert Store(folder).save("wiring", old)
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    status = host.ok("status")
    assert status["wiring_crc"] == 0 and status["lock"] == names.DISARMED
    entries = host.ok("log_read", start=0)["entries"]
    codes = [struct.unpack_from("<QHHI", entries, at)[1:] for at in range(0, len(entries), 16)]
    assert (names.LOG_BLOB_BAD, names.BLOB_WIRING, 0) in codes
    assert host.load(2, old).fields["reason"] == names.REFUSED_BAD_BLOB
    host.ok("arm")


def check_bus_pins_are_left_alone(folder):
    # Never driven high (the fake's pins see to that), not touched by a trip, inputs once the firmware has left.
    jig, _service, host = start(folder)
    bench.bus.sda_clocks = 1 << 20
    host.run(1500)
    assert bench.out[SDA] == 0
    opened = bench.bus.opened
    host.ok("arm")
    jig.board.let_go()
    assert bench.bus.opened == opened
    jig.board.release_all()
    assert bench.mode[6] == bench.mode[7] == 0


fake_board.checks(globals())
