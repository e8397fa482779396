"""Promise 1: not armed, not driven; and every way out of armed, with its time."""

import fake_board
from fake_board import bench, closed, is_safe, trip_of

from shared_proto import names


def check_boot(folder):
    _jig, _service, host = fake_board.start(folder)
    assert bench.high_impedance() and bench.given(16) == 0
    host.hello()
    host.ok("arm")
    # armed drives nothing by itself: enables are low, pulls and feed are inputs
    assert [bench.given(n) for n in (3, 5, 8, 9, 17, 18, 19)] == [0] * 7


def check_contention(folder):
    _jig, _service, host = closed(folder)
    bench.advance(500)
    bench.set(held=[1, None])  # somebody else holds the line high
    at_us = bench.now_us
    bench.advance(4000)
    assert bench.given(3) == 1  # four wrong readings are not five
    bench.advance(1000)
    assert bench.high_impedance(), "5 ms after it began"
    trip = trip_of(host)
    assert trip["reason"] == names.REASON_CONTENTION and trip["detail"] == 0
    assert 0 < trip["t_us"] - at_us <= 5000
    is_safe(host)


def check_contention_is_forgiven_in_time(folder):
    _jig, _service, host = closed(folder)
    for _ in range(5):
        bench.set(held=[1, None])
        bench.advance(4000)
        bench.set(held=[None, None])
        bench.advance(1000)
    host.run(50)
    assert host.ok("status")["lock"] == names.ARMED


def check_overvoltage(folder):
    _jig, _service, host = closed(folder)
    bench.advance(500)
    bench.raw[0] = 3700 * 65535 // 6600  # the window ends at 3600 mV
    at_us = bench.now_us
    bench.advance(2000)
    assert bench.high_impedance(), "2 ms after it began"
    trip = trip_of(host)
    assert trip["reason"] == names.REASON_OVERVOLTAGE and 3690 <= trip["detail"] <= 3700
    assert 0 < trip["t_us"] - at_us <= 2000
    is_safe(host)
    bench.raw[0] = 17873
    host.ok("clear")


def check_overvoltage_one_reading(folder):
    _jig, _service, host = closed(folder)
    bench.raw[0] = 65535  # a single spike is no trip
    bench.advance(1000)
    bench.raw[0] = 17873
    host.run(50)
    assert host.ok("status")["lock"] == names.ARMED


def check_silence(folder):
    _jig, _service, host = closed(folder)
    host.run(300)
    host.beating = False
    begun_us = bench.now_us
    while not bench.high_impedance():
        host.turn()
        assert bench.now_us - begun_us < 1100000
    # 1 s after the last good frame, which came up to 250 ms (a heartbeat) before
    assert bench.now_us - begun_us >= 1000000 - 250000 - 25000
    host.beating = True
    trip = trip_of(host)
    assert trip["reason"] == names.REASON_SILENCE
    is_safe(host)


def check_silence_while_the_loop_hangs(folder):
    # The service loop does not run at all: the tick lets go by itself.
    _jig, _service, _host = closed(folder)
    bench.advance(1100000)
    assert bench.high_impedance() and bench.given(16) == 0


def check_half_frame_and_garbage_do_not_feed(folder):
    # Bytes without a good frame are silence; and they do not stall the loop.
    _jig, service, host = closed(folder)
    host.beating = False
    for n in range(60):
        bench.rx.extend(bytes([1 + n % 255]) * 7)
        service.turn()
        bench.advance(20000)
        if bench.high_impedance():
            break
    assert bench.high_impedance()


def check_exception_in_the_tick(folder):
    jig, _service, host = closed(folder)

    def fails(now):
        raise ValueError("test")

    jig.tick._step = fails
    host.ok("move", angle_mdeg=110000, duration_ms=100, shape=0)
    trip = trip_of(host)
    assert trip["reason"] == names.REASON_FIRMWARE
    is_safe(host)
    entries = host.ok("log_read", start=trip["detail"])["entries"]
    import struct

    _t_us, code, line, _place = struct.unpack("<QHHI", entries[:16])
    assert code == names.LOG_EXCEPTION and line > 0


def check_exception_in_the_loop(folder):
    from firmware.app import serve

    jig, service, host = closed(folder)
    turns = []

    def failing_turn():
        turns.append(bench.now_us)
        if len(turns) == 1:
            raise KeyError("test")
        jig.ending = "leave"

    whole = service.turn
    service.turn = failing_turn
    fed = bench.watchdog_fed
    serve(service)
    assert len(turns) == 2 and bench.watchdog_fed == fed + 1  # not fed by the turn that failed
    assert bench.high_impedance()
    service.turn = whole
    jig.ending = ""
    assert trip_of(host)["reason"] == names.REASON_FIRMWARE
    is_safe(host)


def check_exception_in_a_request(folder):
    from firmware import requests

    _jig, _service, host = closed(folder)

    def fails(jig, message):
        raise OSError("test")

    good = requests.HANDLERS["stop"]
    requests.HANDLERS["stop"] = fails
    try:
        assert host.refused("stop") == names.REFUSED_TRIPPED
    finally:
        requests.HANDLERS["stop"] = good
    assert trip_of(host)["reason"] == names.REASON_FIRMWARE
    is_safe(host)


def check_dead_tick(folder):
    _jig, _service, host = closed(folder)
    bench.skip_ticks = True
    host.run(150)
    bench.skip_ticks = False
    assert bench.high_impedance()
    assert trip_of(host)["reason"] == names.REASON_FIRMWARE
    is_safe(host)


def check_watchdog_reset_trips(folder):
    bench.cause = 3
    _jig, _service, host = fake_board.start(folder)
    assert host.hello().fields["reset_cause"] == names.RESET_WATCHDOG
    assert trip_of(host)["reason"] == names.REASON_WATCHDOG
    is_safe(host)
    assert host.ok("clear")["reason"] == names.REASON_WATCHDOG
    host.ok("arm")


def check_watchdog_starts_with_arming(folder):
    from firmware.app import serve

    jig, service, host = fake_board.start(folder)
    host.hello()
    assert bench.watchdog_fed == 0 and not jig.board.guarded
    host.ok("arm")
    assert jig.board.guarded
    fed = bench.watchdog_fed
    turn = service.turn

    def last_turn():
        turn()
        jig.ending = "leave"

    service.turn = last_turn
    serve(service)
    assert bench.watchdog_fed == fed + 1


def check_disarm_lets_go_of_everything(folder):
    _jig, _service, host = fake_board.standin(folder, safe_route=0)
    host.ok("move", angle_mdeg=0, duration_ms=0, shape=0)
    host.ok("load", target=names.TARGET_S1, state=names.LOAD_HIGH)
    host.ok("sensor_power", on=1)
    host.run(10)
    assert [bench.given(n) for n in (3, 17, 18)] == [1, 1, 1]
    host.ok("move", angle_mdeg=90000, duration_ms=5000, shape=0)
    host.ok("disarm")
    assert bench.high_impedance()
    status = host.ok("status")
    assert status["route"] == names.ROUTE_OPEN and status["moving"] == 0 and status["lock"] == names.DISARMED
    assert bench.given(16) == 1  # the safe route of this profile is open
    host.run(30)
    assert [e["route"] for e in host.named("routed")][-2:] == [names.ROUTE_STANDIN, names.ROUTE_OPEN]
    host.ok("arm")
    # nothing of before comes back
    assert [bench.given(n) for n in (3, 5, 8, 9, 17, 18, 19)] == [0] * 7


def check_break_before_make(folder):
    jig, _service, host = closed(folder)
    seen = []
    relay = jig.board.relay

    def spy(level=None):
        if level is not None:
            seen.append(("relay", level, bench.given(3), bench.given(5)))
        return relay(level)

    jig.board.relay = spy
    before_us = bench.now_us
    host.ok("set_route", route=names.ROUTE_THROUGH)
    assert seen == [("relay", 0, 0, 0)]  # the outputs are off before the relay moves
    assert bench.now_us - before_us >= 10000
    del seen[:]
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.run(10)
    assert seen == [("relay", 1, 0, 0)]
    assert bench.given(3) == 1  # operated again, since the angle is 0: the first thing the machine sees
    routed = host.named("routed")[-1]
    output = host.named("output")[-1]
    assert 0 <= output["t_us"] - routed["t_us"] <= 2000 and output["operated"] == 1


def check_trip_while_the_relay_moves(folder):
    _jig, service, host = fake_board.start(folder)
    host.hello()
    host.load(1, fake_board.profile())
    host.ok("arm")
    host.result = None
    host.session.request("set_route", bench.now_us, route=names.ROUTE_STANDIN)
    host.turn()
    bench.set(supply=0)
    for _ in range(5):
        host.turn()
    assert host.result.message.name == "refusal"
    assert host.result.message.fields["reason"] == names.REFUSED_TRIPPED
    is_safe(host)


fake_board.checks(globals())
