"""Tick and interrupts with the heap locked: on MicroPython every interrupt of the bench runs so (fake_board.py).

An allocation would raise MemoryError: in the tick that ends in a firmware trip, in a pin interrupt in this script.
"""

import sys

import fake_board
from fake_board import bench

from shared_proto import names


def check_the_lock_is_felt(folder):
    # The check itself: a tick that does allocate is caught.
    jig, _service, host = fake_board.standin(folder)
    if sys.implementation.name != "micropython":
        return
    heap = []
    jig.tick._step = lambda now: heap.append([now] * 5)
    host.ok("move", angle_mdeg=0, duration_ms=10, shape=0)
    host.run(60)
    assert isinstance(jig.tick.error, MemoryError) or host.ok("status")["reason"] == names.REASON_FIRMWARE


def nothing_failed(jig, host):
    host.run(60)
    assert jig.tick.error is None
    assert names.REASON_FIRMWARE not in [e["reason"] for e in host.named("lock")]


def check_everything_that_moves(folder):
    jig, _service, host = fake_board.standin(folder, outputs=2, drive_2=1, operate_mdeg_2=90000, release_mdeg_2=80000)
    for channel in (names.CH_M1, names.CH_CHARGER_I, names.CH_LIGHT, names.CH_SUPPLY):
        host.ok("watch", channel=channel, count=2, t1=10000, t2=40000, t3=0, hysteresis=100, dwell_ms=5)
    host.ok("watch_lines", mask=0xFF)
    for n in range(40):
        host.ok("move", angle_mdeg=n % 2 * 150000, duration_ms=n * 3, shape=n % 2)
        host.ok("move", angle_mdeg=n % 3 * 50000, duration_ms=0, shape=1)
        for channel in (names.CH_M1, names.CH_CHARGER_I, names.CH_LIGHT):
            bench.raw[channel] = (n % 3) * 30000
        bench.set(observers=[n % 2, n % 3 % 2], sensor=[n % 2, 1], mark=n % 2)
        host.ok("drive", output=n % 2, state=n % 4)  # 4 is refused with a switch
        if n % 5 == 0:
            host.ok("measure", channel=n % 10, n=20)
        host.run(n * 3 + 30)
    assert len(host.named("output")) > 20 and len(host.named("band")) > 20 and len(host.named("edge")) > 60
    host.run(500)
    nothing_failed(jig, host)
    assert jig.lock.state == names.ARMED


def check_sampling(folder):
    # Every input at its full rate, beside comparators, a measurement and a motion; the ring full, and the tach line.
    jig, service, host = fake_board.start(folder)
    host.hello()
    host.load(1, fake_board.profile(outputs=2))
    host.load(2, fake_board.wiring(tach=1 + names.LINE_OBS1))
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_STANDIN)
    for channel in (names.CH_SUPPLY, names.CH_LIGHT, names.CH_CHARGER_I, names.CH_PULSES):
        host.ok("sample", channel=channel, period_ms=1)
    for channel in (names.CH_LIGHT, names.CH_CHARGER_I, names.CH_M1):
        host.ok("watch", channel=channel, count=2, t1=10000, t2=40000, t3=0, hysteresis=100, dwell_ms=5)
    for n in range(20):
        host.ok("move", angle_mdeg=n % 2 * 150000, duration_ms=n * 3, shape=n % 2)
        for channel in (names.CH_M1, names.CH_CHARGER_I, names.CH_LIGHT):
            bench.raw[channel] = (n % 3) * 30000
        bench.set(observers=[n % 2, 0])
        if n % 4 == 0:
            host.ok("measure", channel=names.CH_VS, n=20)
        host.run(n * 3 + 30)
    assert len(host.named("band")) > 20
    for channel in (names.CH_SUPPLY, names.CH_LIGHT, names.CH_CHARGER_I):
        assert len(host.readings(channel)) > 300
    bench.advance(400000)  # nobody empties the ring
    dropped = jig.scan.recording.ring.dropped()
    assert dropped > 100
    host.run(300)
    assert jig.scan.recording.ring.dropped() == 0 and jig.sampler.lost > 0
    for channel in (names.CH_SUPPLY, names.CH_LIGHT):
        numbers = host.numbers(channel)
        missing = [numbers[k + 1] - numbers[k] - 1 for k in range(len(numbers) - 1) if numbers[k + 1] != numbers[k] + 1]
        assert missing == [-(-dropped // 64)], (missing, dropped)
    nothing_failed(jig, host)
    assert jig.lock.state == names.ARMED


def check_trips(folder):
    jig, _service, host = fake_board.standin(folder)

    def again():
        bench.set(supply=1, held=[None, None])
        bench.raw[0] = 17873
        host.beating = True
        host.run(60)
        assert jig.lock.state == names.TRIPPED
        host.ok("clear")
        host.ok("arm")
        host.ok("set_route", route=names.ROUTE_STANDIN)
        host.ok("drive", output=0, state=1)
        host.run(10)

    host.ok("drive", output=0, state=1)
    host.run(10)
    bench.set(held=[1, None])
    host.run(30)
    again()
    bench.raw[0] = 65535
    host.run(30)
    again()
    bench.raw[0] = 0
    host.run(30)
    again()
    bench.set(supply=0)
    again()
    host.beating = False
    host.run(1500)
    again()
    bench.set(held=[1, None], supply=0)  # two at once
    again()
    reasons = [e["reason"] for e in host.named("lock") if e["state"] == names.TRIPPED]
    expected = [names.REASON_CONTENTION, names.REASON_OVERVOLTAGE, names.REASON_SUPPLY_LOSS]
    expected += [names.REASON_SUPPLY_LOSS, names.REASON_SILENCE, names.REASON_SUPPLY_LOSS]
    assert reasons == expected, reasons
    nothing_failed(jig, host)


def check_floods(folder):
    # Rings and queue at their ends: dropping and counting allocates nothing either.
    jig, _service, host = fake_board.standin(folder)
    host.ok("watch_lines", mask=0xFF)
    for n in range(8):
        host.ok("move", angle_mdeg=n % 2 * 100000, duration_ms=1, shape=1)
    for n in range(300):
        bench.set(observers=[n % 2, n % 2], sensor=[n % 2, n % 2], mark=n % 2)
    for _ in range(70):
        for n in range(8):
            jig.motion.add(n % 2 * 100000, 1, 0)
            jig.tick.busy = 1
        bench.advance(10000)
    assert jig.marks.dropped > 0 and jig.edges.dropped > 0
    assert bench.interrupts > 1500
    nothing_failed(jig, host)


def check_long_numbers(folder):
    # Counters just below 2**30, where the next integer would need the heap on a 32-bit board.
    bench.offset = fake_board.PERIOD - 50000
    jig, _service, host = fake_board.standin(folder)
    jig.tick.count = (1 << 30) - 20
    jig.edges.dropped = jig.marks.dropped = (1 << 30) - 2
    jig.edges.take_dropped(), jig.marks.take_dropped()
    host.ok("move", angle_mdeg=0, duration_ms=100, shape=1)
    host.run(200)
    assert jig.tick.count < 1000  # wrapped
    assert host.ok("status")["angle_mdeg"] == 0 and jig.lock.state == names.ARMED
    nothing_failed(jig, host)


fake_board.checks(globals())
