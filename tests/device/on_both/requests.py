"""Every request: what it answers, what it refuses and why."""

import fake_board
from fake_board import bench

from shared_proto import messages, names


def crc32(data):
    import binascii

    return binascii.crc32(data) & 0xFFFFFFFF


def check_every_request_has_a_handler(folder):
    from firmware.requests import HANDLERS, WHILE_TRIPPED

    requests = [row[1] for row in messages.MESSAGES if row[2] == messages.TO_BOARD and row[0] < 0x40]
    session = ("hello", "rejoin")  # handled by the session itself
    assert sorted(HANDLERS) == sorted([name for name in requests if name not in session])
    assert all([name in HANDLERS for name in WHILE_TRIPPED])


def check_not_armed(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    host.load(1, fake_board.profile())
    for name, fields in (
        ("set_route", {"route": names.ROUTE_STANDIN}),
        ("set_route", {"route": names.ROUTE_OPEN}),
        ("drive", {"output": 0, "state": 1}),
        ("load", {"target": 0, "state": 1}),
        ("load", {"target": 2, "state": 1}),
        ("sensor_power", {"on": 1}),
    ):
        assert host.refused(name, **fields) == names.REFUSED_NOT_ARMED, name
    assert host.ok("set_route", route=names.ROUTE_THROUGH)["route"] == names.ROUTE_THROUGH  # there already
    host.ok("sensor_power", on=0)  # off already
    assert bench.high_impedance()


def check_routes(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    host.ok("arm")
    assert host.refused("set_route", route=names.ROUTE_STANDIN) == names.REFUSED_NO_PROFILE
    assert host.refused("set_route", route=names.ROUTE_SHIFTED) == names.REFUSED_ROUTE
    assert host.refused("set_route", route=9) == names.REFUSED_ROUTE
    assert host.ok("set_route", route=names.ROUTE_OPEN)["route"] == names.ROUTE_OPEN
    assert bench.given(16) == 1
    assert host.refused("drive", output=0, state=1) == names.REFUSED_ROUTE


def check_supply_window(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    host.load(1, fake_board.profile())
    bench.raw[0] = 1500 * 65535 // 6600  # present, but below the window of 1.7 to 3.6 V
    host.ok("arm")
    for name, fields in (("set_route", {"route": 2}), ("load", {"target": 1, "state": 2})):
        answer = host.ask(name, **fields)
        assert answer.fields["reason"] == names.REFUSED_SUPPLY_WINDOW
        assert 1490 <= answer.fields["detail"] <= 1500
    host.ok("disarm")
    bench.raw[0] = 4000 * 65535 // 6600
    assert host.refused("arm") == names.REFUSED_SUPPLY_WINDOW  # above: would trip within 2 ms
    host.turn()
    assert bench.timer is None and bench.high_impedance()


def check_moves(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    host.load(1, fake_board.profile(angle_min_mdeg=1000, angle_max_mdeg=120000))
    assert host.ok("status")["angle_mdeg"] == 110000  # the profile's start
    for angle in (999, 120001):
        assert host.refused("move", angle_mdeg=angle, duration_ms=10, shape=0) == names.REFUSED_RANGE
    assert host.refused("move", angle_mdeg=2000, duration_ms=10, shape=2) == names.REFUSED_RANGE
    host.ok("move", angle_mdeg=2000, duration_ms=200000, shape=1)
    host.run(5)
    for n in range(8):
        assert host.ok("move", angle_mdeg=2000 + n, duration_ms=1000, shape=0)["queued"] == n + 1
    assert host.refused("move", angle_mdeg=2000, duration_ms=10, shape=0) == names.REFUSED_QUEUE_FULL
    status = host.ok("status")
    assert status["moving"] == 1 and status["queued"] == 8
    stopped = host.ok("stop")["angle_mdeg"]
    host.run(50)
    status = host.ok("status")
    assert status["moving"] == 0 and status["queued"] == 0 and status["angle_mdeg"] == stopped
    host.turn()
    assert bench.timer is None


def check_loads(folder):
    _jig, _service, host = fake_board.standin(folder)
    host.ok("set_route", route=names.ROUTE_OPEN)
    for target in (names.TARGET_M1, names.TARGET_M2):
        for state in (names.LOAD_LOW, names.LOAD_HIGH):
            host.ok("load", target=target, state=state)
            enable, data = 8 + target, 2 + 2 * target
            assert bench.given(enable) == 1 and bench.given(data) == (state == names.LOAD_HIGH)
        host.ok("load", target=target, state=names.LOAD_OFF)
        assert bench.given(enable) == 0
    for target in (names.TARGET_S1, names.TARGET_S2):
        pin = 18 + target - names.TARGET_S1
        for state in (names.LOAD_LOW, names.LOAD_HIGH):
            host.ok("load", target=target, state=state)
            assert bench.mode[pin] == 1 and bench.out[pin] == (state == names.LOAD_HIGH)
        host.ok("load", target=target, state=names.LOAD_OFF)
        assert bench.mode[pin] == 0
    assert host.refused("load", target=4, state=0) == names.REFUSED_RANGE
    assert host.refused("load", target=0, state=3) == names.REFUSED_RANGE


def check_a_load_and_the_stand_in_never_meet(folder):
    # Test buffer and drive buffer of a line share the data pin.
    jig, _service, host = fake_board.standin(folder)
    for target in (names.TARGET_M1, names.TARGET_M2):
        assert host.refused("load", target=target, state=names.LOAD_LOW) == names.REFUSED_ROUTE
        host.ok("load", target=target, state=names.LOAD_OFF)  # off already
    host.ok("set_route", route=names.ROUTE_OPEN)
    host.ok("load", target=names.TARGET_M1, state=names.LOAD_HIGH)
    assert bench.given(8) == 1 and bench.given(2) == 1
    host.result = None
    host.session.request("set_route", bench.now_us, route=names.ROUTE_STANDIN)
    host.turn()
    assert host.result is None and bench.given(8) == 0  # off before the relay has settled
    from firmware import requests

    from shared_proto.codec import Message

    # The host's half sends the next request only once this one is answered; others may not wait.
    requests.load(jig, Message(0x09, "load", 0, {"target": names.TARGET_M1, "state": names.LOAD_LOW}))
    assert jig.routing() and bench.given(8) == 0
    host.run(60)
    status = host.ok("status")
    assert status["route"] == names.ROUTE_STANDIN and status["lock"] == names.ARMED
    host.ok("drive", output=0, state=2)
    host.run(5)
    assert (bench.given(3), bench.given(2), bench.given(8)) == (1, 1, 0)
    bench.set(supply=0)
    assert bench.high_impedance()


def check_measure_every_channel(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    for channel in range(10):
        bench.raw[channel] = 1000 + channel
    for channel in range(10):
        for n in (1, 7, 256):
            result = host.ok("measure", channel=channel, n=n)
            assert (result["n"], result["total"]) == (n, n * (1000 + channel)), (channel, result)
    bench.raw[3] = 65535  # the largest sums
    result = host.ok("measure", channel=3, n=256)
    assert result["total_sq"] == 256 * 65535 * 65535
    assert host.refused("measure", channel=10, n=1) == names.REFUSED_RANGE
    host.turn()
    assert bench.timer is None


def check_measure_takes_a_millisecond_each(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    before_us = bench.now_us
    host.ok("measure", channel=names.CH_VS, n=200)
    assert 200000 <= bench.now_us - before_us <= 230000


def check_measure_beside_watching(folder):
    # Watched channels wait for their turn, and get it again.
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    for channel in (names.CH_M1, names.CH_CHARGER_I, names.CH_SUPPLY, names.CH_LIGHT):
        host.ok("watch", channel=channel, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=0)
    host.run(60)
    bench.raw[names.CH_VS] = 4242
    for channel in (names.CH_VS, names.CH_LIGHT, names.CH_SUPPLY):
        expected = bench.raw[channel]
        result = host.ok("measure", channel=channel, n=50)
        assert result["low"] == result["high"] == expected
    for channel in (names.CH_M1, names.CH_CHARGER_I, names.CH_SUPPLY, names.CH_LIGHT):
        bench.raw[channel] = 100
    at_us = bench.now_us
    host.run(60)
    last = {}
    for event in host.named("band"):
        last[event["channel"]] = event
    assert len(last) == 4
    for event in last.values():
        assert event["band"] == 0 and event["t_us"] - at_us <= 6000


def check_comparator(folder):
    # Hysteresis, dwell, and the time at which the new band began.
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    channel = names.CH_CHARGER_I
    bench.raw[channel] = 5000
    host.ok("watch", channel=channel, count=3, t1=10000, t2=20000, t3=30000, hysteresis=2000, dwell_ms=20)
    host.run(60)
    assert [e["band"] for e in host.named("band")] == [0]

    def sees(raw, ms=60):
        before = len(host.named("band"))
        bench.raw[channel] = raw
        at_us = bench.now_us
        host.run(ms)
        new = host.named("band")[before:]
        for event in new:
            assert event["raw"] == raw and 0 < event["t_us"] - at_us <= 3000, event
        return [e["band"] for e in new]

    assert sees(10900) == []  # inside the hysteresis: 10000 +/- 1000
    assert sees(11100) == [1]
    assert sees(9100) == []
    assert sees(8900) == [0]
    assert sees(20500) == [1]  # past the first threshold, not yet past the second with its hysteresis
    assert sees(65535) == [3]
    assert sees(19500) == [2]
    assert sees(21100) == []
    assert sees(0) == [0]
    assert sees(25000) == [2]
    assert sees(0, 15) == [] and sees(25000, 15) == []  # shorter than the dwell
    assert host.refused("watch", channel=99, count=0, t1=0, t2=0, t3=0, hysteresis=0, dwell_ms=0) == names.REFUSED_RANGE
    swallowed = {"t1": 100, "t2": 200, "t3": 0, "hysteresis": 100, "dwell_ms": 0}
    assert host.refused("watch", channel=channel, count=2, **swallowed) == names.REFUSED_RANGE


def check_blobs(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    data = fake_board.profile(name=b"one")
    assert host.ok("blob_read", kind=1, offset=0)["length"] == 0
    assert host.refused("blob_write", kind=4, offset=0, data=b"x") == names.REFUSED_RANGE
    assert host.refused("blob_write", kind=1, offset=5, data=b"x") == names.REFUSED_RANGE  # a hole
    assert host.refused("blob_commit", kind=1, length=1, crc=0) == names.REFUSED_RANGE
    assert host.ok("blob_write", kind=1, offset=0, data=data[:20])["length"] == 20
    assert host.refused("blob_write", kind=2, offset=20, data=b"x") == names.REFUSED_RANGE  # of another record
    assert host.ok("blob_write", kind=1, offset=20, data=data[20:])["length"] == len(data)
    assert host.refused("blob_commit", kind=1, length=len(data) - 1, crc=crc32(data)) == names.REFUSED_RANGE
    assert host.refused("blob_commit", kind=1, length=len(data), crc=crc32(data) ^ 1) == names.REFUSED_BAD_BLOB
    assert host.ok("blob_commit", kind=1, length=len(data), crc=crc32(data))["crc"] == crc32(data)
    read = host.ok("blob_read", kind=1, offset=0)
    assert read["data"] == data[:128] and read["length"] == len(data) and read["crc"] == crc32(data)
    assert host.ok("blob_read", kind=1, offset=len(data))["data"] == b""
    assert host.ok("status")["profile_crc"] == crc32(data)
    host.ok("arm")
    assert host.refused("blob_write", kind=1, offset=0, data=b"x") == names.REFUSED_ARMED
    assert host.refused("blob_commit", kind=1, length=1, crc=0) == names.REFUSED_ARMED


def check_bad_blobs_leave_the_old_one(folder):
    from shared_proto import blobs

    jig, _service, host = fake_board.start(folder)
    host.hello()
    good = fake_board.profile()
    host.load(1, good)
    fields = [row[0] for row in blobs.PROFILE_FIELDS]
    for changes, field in (
        ({"supply_min_mv": 3600, "supply_max_mv": 1700}, "supply_max_mv"),
        ({"angle_max_mdeg": 0}, "angle_max_mdeg"),
        ({"start_mdeg": 180001}, "start_mdeg"),
        ({"release_mdeg_1": 18000}, "release_mdeg_1"),
    ):
        answer = host.load(1, fake_board.profile(**changes))
        assert answer.name == "refusal" and answer.fields["reason"] == names.REFUSED_BAD_BLOB
        assert fields[answer.fields["detail"]] == field, answer
    for data in (b"", b"\x02" + good[1:], good[:9], good[:4] + b"\xff\xff\xff\xff" + good[8:]):
        answer = host.load(1, data or b"\x00")
        assert answer.fields["reason"] == names.REFUSED_BAD_BLOB
    assert host.ok("status")["profile_crc"] == crc32(good)
    assert jig.store.load("profile") == good


def check_restart_keeps_profile_and_wiring(folder):
    _jig, _service, host = fake_board.start(folder)
    first = host.hello().fields["boot_id"]
    data = fake_board.profile(safe_route=0, start_mdeg=45000)
    host.load(1, data)
    bench.reset()
    _jig, _service, host = fake_board.start(folder)
    assert host.hello().fields["boot_id"] != first
    status = host.ok("status")
    assert status["profile_crc"] == crc32(data) and status["angle_mdeg"] == 45000
    assert status["route"] == names.ROUTE_OPEN and bench.given(16) == 1


def check_log(folder):
    import struct

    jig, _service, host = fake_board.start(folder)
    host.hello()
    answer = host.ok("log_read", start=0)
    assert answer["first"] == 0 and answer["total"] == len(answer["entries"]) // 16
    _t_us, code, cause, boot_id = struct.unpack("<QHHI", answer["entries"][:16])
    assert (code, cause, boot_id) == (names.LOG_BOOT, names.RESET_POWER, jig.boot_id)
    for n in range(100):
        jig.log.add(1000 + n, 200, n, -n)
    total = jig.log.total
    answer = host.ok("log_read", start=0)
    assert answer["first"] == total - 64 and len(answer["entries"]) == 128  # the newest 64 are kept, 8 an answer
    answer = host.ok("log_read", start=total - 1)
    assert struct.unpack("<QHHi", answer["entries"]) == (1099, 200, 99, -99)
    assert host.ok("log_read", start=total)["entries"] == b""


def check_leave(folder):
    import os

    import boards
    import main as board_main
    from firmware import console

    good_console = console.StdConsole
    boards.boot_files = lambda: folder
    bench.open = lambda: bench.interrupt_characters.append(-1)
    bench.close = lambda: bench.interrupt_characters.append(3)
    console.StdConsole = lambda stdin, stdout: bench
    script = []

    def wait(timeout_ms):
        # the host: says hello, arms where asked to, leaves
        from shared_proto import codec, frame

        if script:
            name, fields = script.pop(0)
            bench.rx.extend(frame.encode_frame(codec.encode(name, 10 - len(script), **fields)))
        bench.advance(timeout_ms * 1000)
        return bool(bench.rx)

    bench.wait = wait
    hello = ("hello", {"major": 1, "minor": 0, "session": 5})
    try:
        script.extend([hello, ("leave", {})])
        board_main.main()
        assert bench.interrupt_characters == [-1, 3]
        assert bench.high_impedance() and bench.timer is None and bench.given(16) == 0
        assert [h for h in bench.handlers if h is not None] == []

        # The next start is one that the host asked for, whatever the chip says: after any reset by software it
        # says "watchdog", and goes on saying so when the prompt starts main.py again.
        # MicroPython 1.26, ports/rp2/modmachine.c: mp_machine_reset(), mp_machine_reset_cause()
        bench.cause = 3
        jig, _service, _host = fake_board.start(folder)
        assert jig.cause == names.RESET_HOST and jig.lock.state == names.DISARMED

        # unplugged at the prompt, it is a start by power all the same
        bench.cause = 1
        script.extend([hello, ("leave", {})])
        board_main.main()
        jig, _service, _host = fake_board.start(folder)
        assert jig.cause == names.RESET_POWER
        bench.cause = 3
        jig, _service, _host = fake_board.start(folder)
        assert jig.cause == names.RESET_WATCHDOG and jig.lock.state == names.TRIPPED  # the note counts once
        bench.cause = 1
        del bench.interrupt_characters[2:]

        # with the watchdog running, the way to the prompt goes through a reset
        script.extend([hello, ("arm", {}), ("leave", {})])
        try:
            board_main.main()
            raise AssertionError("no reset")
        except fake_board.ResetNow:
            pass
        assert bench.high_impedance()
        board_main.main()  # and then the firmware is not started
        assert bench.interrupt_characters == [-1, 3, -1, 3]
        bench.cause = 3
        jig, _service, _host = fake_board.start(folder)  # from the prompt
        assert jig.cause == names.RESET_HOST and jig.lock.state == names.DISARMED
        bench.cause = 1

        # a reset that the host asked for is told from one by the watchdog
        script.extend([hello, ("reset", {})])
        try:
            board_main.main()
            raise AssertionError("no reset")
        except fake_board.ResetNow:
            pass
        bench.cause = 3
        _jig, _service, host = fake_board.start(folder)
        assert _jig.cause == names.RESET_HOST and _jig.lock.state == names.DISARMED
        _jig, _service, host = fake_board.start(folder)
        assert _jig.cause == names.RESET_WATCHDOG
        bench.cause = 1

        # the mark switch held at power-up
        bench.mark = 0
        script.extend([hello])
        board_main.main()
        assert len(script) == 1 and "leave" not in os.listdir(folder)
    finally:
        console.StdConsole = good_console
        del bench.wait, bench.open, bench.close


def check_host_that_does_not_read(folder):
    # Answers pile up to a bound, are counted when dropped, and nothing stalls.
    jig, service, host = fake_board.start(folder)
    host.hello()
    bench.tx_room = 0
    from shared_proto import codec, frame

    for n in range(60):
        bench.rx.extend(frame.encode_frame(codec.encode("status", 100 + n)))
        service.turn()
    assert jig.session.tx_dropped >= 30
    assert len(service._out) <= 128
    bench.tx_room = 1 << 20
    host = fake_board.Host(service, 78)
    host.hello()
    assert host.ok("status")["tx_dropped"] == jig.session.tx_dropped


fake_board.checks(globals())
