"""The emulated sensor: thresholds with hysteresis, drive kinds, update rate, overrides."""

import fake_board
from fake_board import bench

from shared_proto import names


def pins(output):
    """low, high or released, as the pins of an output say."""
    if not bench.given(3 + 2 * output):
        return "released"
    return "high" if bench.given(2 + 2 * output) else "low"


def at(host, angle_mdeg):
    """Goes to an angle and gives the outputs there."""
    host.ok("move", angle_mdeg=angle_mdeg, duration_ms=0, shape=0)
    host.run(6)
    return pins(0), pins(1)


def check_hysteresis(folder):
    # Operated below 18 deg, released above 22 deg, unchanged in between; steps of 0.1 deg, middle counts.
    _jig, _service, host = fake_board.standin(folder)
    walk = (
        (30000, "released"),
        (20000, "released"),
        (18100, "released"),
        (17900, "low"),
        (18100, "low"),
        (21900, "low"),
        (22100, "released"),
        (19000, "released"),
        (0, "low"),
        (180000, "released"),
    )
    for angle, expected in walk:
        assert at(host, angle)[0] == expected, (angle, expected)
    assert [e["operated"] for e in host.named("output")] == [1, 0, 1, 0]


def check_all_angles_up_and_down(folder):
    # Against the definition in words, for every step of 0.1 deg and both directions.
    from firmware.transfer import STEP_MDEG, STEPS, Transfer

    for operate, release in ((18000, 22000), (22000, 18000), (0, 360000), (100000, 100100)):
        values = dict(fake_board.PROFILE)
        values.update({"operate_mdeg_1": operate, "release_mdeg_1": release})
        transfer = Transfer()
        transfer.fold(values)
        state = 0
        for step in list(range(STEPS)) + list(range(STEPS - 1, -1, -1)):
            middle = step * STEP_MDEG + STEP_MDEG // 2
            code = transfer.table[step]
            state = (state | (code & 3)) & ~(code >> 2)
            if operate < release:
                expected = 1 if middle < operate else 0 if middle > release else None
            else:
                expected = 1 if middle > operate else 0 if middle < release else None
            assert expected is None or state == expected, (operate, release, step)
            assert (code & 1 == 0 and code & 4 == 0) == (expected is None)
            assert code & 0xA == 0  # output 2 is not in use


def check_threshold_on_a_middle(folder):
    # A threshold exactly on the middle of a step: neither below nor above it there.
    from firmware.transfer import Transfer

    values = dict(fake_board.PROFILE)
    values.update({"operate_mdeg_1": 18050, "release_mdeg_1": 18150})
    transfer = Transfer()
    transfer.fold(values)
    assert [transfer.table[n] for n in (179, 180, 181, 182)] == [1, 0, 0, 4]


def check_two_outputs_open_drain_and_push_pull(folder):
    # Output 1: push-pull, active high, near shut. Output 2: open drain, active low, operated above 170 deg.
    _jig, _service, host = fake_board.standin(
        folder,
        outputs=2,
        drive_1=1,
        active_high_1=1,
        drive_2=0,
        operate_mdeg_2=172000,
        release_mdeg_2=168000,
    )
    host.run(10)
    assert at(host, 90000) == ("low", "released")
    assert at(host, 0) == ("high", "released")
    assert at(host, 175000) == ("low", "low")
    assert at(host, 170000) == ("low", "low")
    assert at(host, 90000) == ("low", "released")
    assert host.ok("status")["lock"] == names.ARMED  # push-pull levels read back right
    told = [(e["output"], e["operated"]) for e in host.named("output")]
    assert told == [(0, 1), (0, 0), (1, 1), (1, 0)], told


def check_open_drain_active_high(folder):
    # Operated = let go (the line's pull makes the level), released = pulled low.
    _jig, _service, host = fake_board.standin(folder, active_high_1=1)
    host.run(10)
    assert at(host, 90000)[0] == "low"
    assert at(host, 0)[0] == "released"


def check_update_rate(folder):
    # A part that looks 20 times a second: the output changes only on its own beat of 50 ms, up to 50 ms late.
    # TI DRV5032, SLVSDC7, device table: 20 Hz versions
    _jig, _service, host = fake_board.standin(folder, update_us=50000)
    latest = []
    for n in range(12):
        host.run(37)
        crossing_us = bench.now_us
        host.ok("move", angle_mdeg=0 if n % 2 == 0 else 90000, duration_ms=0, shape=0)
        host.run(120)
        event = host.named("output")[-1]
        assert event["operated"] == (n + 1) % 2
        latest.append(event["t_us"])
        assert 0 < event["t_us"] - crossing_us <= 50000 + 2 * 2000 + 20000
    for n in range(len(latest) - 1):
        before, after = latest[n], latest[n + 1]
        # whole beats apart: ticks here come exactly every millisecond
        assert (after - before) % 50000 == 0, (before, after)


def check_update_of_part_milliseconds(folder):
    # 7.3 ms is no whole number of ticks: each look comes in the tick nearest to its beat, and none is gained or lost.
    _jig, _service, host = fake_board.standin(folder, update_us=7300)
    times = []
    for n in range(10):
        host.ok("move", angle_mdeg=0 if n % 2 == 0 else 90000, duration_ms=0, shape=0)
        host.run(53)
        times.append(host.named("output")[-1]["t_us"])
    for n in range(1, 10):
        spent = times[n] - times[0]
        off = spent % 7300
        assert min(off, 7300 - off) <= 1000, times


def check_update_after_any_rest(folder):
    # However long nothing moved (minutes to days, across the wrap of the count), the next look is not far.
    jig, _service, host = fake_board.standin(folder)
    for ahead in (0, 1, 0xFFFFF, 0x100000, (1 << 29), (1 << 30) - 1):
        jig.tick._state[7] = (jig.tick.count - ahead) & 0x3FFFFFFF  # _BEAT_AT
        assert at(host, 0)[0] == "low", ahead
        assert at(host, 90000)[0] == "released", ahead


def check_override(folder):
    _jig, _service, host = fake_board.standin(folder)
    host.ok("drive", output=0, state=1)
    host.run(5)
    assert pins(0) == "low" and host.named("output")[-1]["operated"] == 1
    host.ok("drive", output=0, state=2)
    host.run(5)
    assert pins(0) == "high" and host.named("output")[-1]["operated"] == 0
    host.ok("drive", output=1, state=2)
    host.run(5)
    assert pins(1) == "high"  # an output that the profile does not use: the override is explicit
    host.ok("drive", output=0, state=3)
    host.run(5)
    assert pins(0) == "released"
    host.ok("drive", output=0, state=0)
    assert at(host, 0)[0] == "low"
    host.ok("set_route", route=names.ROUTE_OPEN)
    host.run(5)
    assert pins(0) == "released" and pins(1) == "released"
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.run(5)
    assert pins(0) == "low" and pins(1) == "released"  # overrides end with the route


def check_contention_counts_only_driven_outputs(folder):
    # Released and held low by the machine: no contention, whatever the line does.
    _jig, _service, host = fake_board.standin(folder)
    bench.set(held=[0, 0])
    host.run(50)
    assert host.ok("status")["lock"] == names.ARMED


fake_board.checks(globals())
