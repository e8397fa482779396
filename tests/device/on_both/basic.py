"""A board that boots, answers, arms, routes, moves, measures and watches."""

import fake_board
from fake_board import bench

from shared_proto import names


def check_hello_and_status(folder):
    _jig, _service, host = fake_board.start(folder)
    hello = host.hello().fields
    # little-endian bytes 01..08 of the fake chip's unique id
    assert hello["board_id"] == 0x0807060504030201
    assert hello["reset_cause"] == names.RESET_POWER
    status = host.ok("status")
    assert status["lock"] == names.DISARMED and status["route"] == names.ROUTE_THROUGH
    assert status["supply_mv"] in range(1790, 1811)
    host.run(40)
    assert host.named("boot")[0]["cause"] == names.RESET_POWER
    assert bench.high_impedance()


def check_move_close_and_open(folder):
    _jig, _service, host = fake_board.standin(folder)
    host.ok("move", angle_mdeg=0, duration_ms=400, shape=1)
    host.run(500)
    outputs = host.named("output")
    assert len(outputs) == 1 and outputs[0]["operated"] == 1
    assert 17000 < outputs[0]["angle_mdeg"] < 18000
    assert bench.given(3) == 1 and bench.given(2) == 0  # open drain, operated: pulled low
    assert bench.given(5) == 0  # output 2 is not in the profile
    host.ok("move", angle_mdeg=110000, duration_ms=400, shape=0)
    host.run(500)
    assert bench.given(3) == 0  # released
    assert [e["operated"] for e in host.named("output")] == [1, 0]
    departed, arrived = host.named("departed"), host.named("arrived")
    assert [e["segment"] for e in departed] == [1, 2] and [e["segment"] for e in arrived] == [1, 2]
    assert 399000 <= arrived[0]["t_us"] - departed[0]["t_us"] <= 402000
    assert host.ok("status")["angle_mdeg"] == 110000


def check_measure_and_watch(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    bench.raw[names.CH_M1] = 1234
    result = host.ok("measure", channel=names.CH_M1, n=256)
    assert result["n"] == 256 and result["total"] == 256 * 1234 and result["total_sq"] == 256 * 1234 * 1234
    assert result["low"] == result["high"] == 1234
    bench.raw[names.CH_LIGHT] = 100
    host.ok("watch", channel=names.CH_LIGHT, count=1, t1=5000, t2=0, t3=0, hysteresis=200, dwell_ms=10)
    host.run(60)
    bench.raw[names.CH_LIGHT] = 9000
    at_us = bench.now_us
    host.run(60)
    bands = host.named("band")
    assert [e["band"] for e in bands] == [0, 1], bands
    assert 0 < bands[1]["t_us"] - at_us <= 2000  # the time it began, not the end of the dwell
    assert bands[1]["raw"] == 9000
    assert bench.timer is not None
    host.ok("watch", channel=names.CH_LIGHT, count=0, t1=0, t2=0, t3=0, hysteresis=0, dwell_ms=0)
    host.turn()
    assert bench.timer is None  # the tick runs only while it has something to do


fake_board.checks(globals())
