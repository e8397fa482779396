"""Tachometer pulses: counted in the interrupt over 100 ms, and the third and fourth observer line."""

import fake_board
from fake_board import bench

from shared_proto import names

TACH = names.CH_PULSES


def start(folder, line=names.LINE_OBS2, **changes):
    jig, service, host = fake_board.start(folder)
    host.hello()
    answer = host.load(2, fake_board.wiring(tach=1 + line, **changes))
    assert answer.name == "blob_commit_result", answer
    host.ok("watch_lines", mask=0x3FF)
    return jig, service, host


def turn_fan(host, ms, period_us):
    """Runs while the tach line gives a pulse every period_us."""
    clock = bench.advance
    due = [bench.now_us + period_us // 2]

    def advance(us):
        end = bench.now_us + us
        while due[0] < end:
            clock(max(due[0] - bench.now_us, 0))
            bench.set(observers=[0, 1])
            bench.set(observers=[0, 0])
            due[0] += period_us
        clock(end - bench.now_us)

    bench.advance = advance
    try:
        host.run(ms)
    finally:
        del bench.advance


def check_counts(folder):
    # 100 ms hold 100 ms / period pulses, give or take the one at the edge.
    _jig, _service, host = start(folder)
    assert host.ok("sample", channel=TACH, period_ms=1)["period_ms"] == 20
    for period_us in (10000, 3300, 1000, 25000):
        turn_fan(host, 300, period_us)
        host.batches.clear()
        turn_fan(host, 1000, period_us)
        raws = [raw for _t_us, raw in host.readings(TACH)]
        assert len(raws) > 30
        for raw in raws:
            assert abs(raw - 100000 / period_us) <= 1, (period_us, raws)
    host.run(300)
    assert host.readings(TACH)[-1][1] == 0
    assert host.named("edge") == []  # counted, not told
    assert host.ok("status")["events_lost"] == 0


def check_measure_and_watch(folder):
    _jig, _service, host = start(folder)
    host.ok("watch", channel=TACH, count=1, t1=5, t2=0, t3=0, hysteresis=2, dwell_ms=40)
    host.run(100)
    turn_fan(host, 500, 5000)
    assert [(e["channel"], e["band"]) for e in host.named("band")] == [(TACH, 0), (TACH, 1)]
    before_us = bench.now_us
    result = host.ok("measure", channel=TACH, n=50)
    assert result["n"] == 50 and 980000 <= bench.now_us - before_us <= 1100000
    assert result["high"] >= 15 and result["low"] == 0  # it has stopped meanwhile
    host.run(200)
    assert [e["band"] for e in host.named("band")] == [0, 1, 0]


def check_inverted_line(folder):
    # What counts as rising is the level behind the inversion.
    _jig, _service, host = start(folder, line=names.LINE_OBS1, invert=1 << names.LINE_OBS1)
    host.ok("sample", channel=TACH, period_ms=20)
    bench.set(observers=[1, 0])
    bench.set(observers=[0, 0])
    host.run(60)
    assert host.ok("measure", channel=TACH, n=1)["total"] == 1
    assert bench.triggers[20] == 4


def check_level_is_still_there(folder):
    _jig, _service, host = start(folder)
    bench.set(observers=[0, 1])
    assert host.ok("status")["lines"] >> names.LINE_OBS2 & 1


def check_an_oscillating_line_is_left_alone(folder):
    # More edges than can be told apart, between two turns: the interrupt is off for a window's length, and the reading
    # stays at its upper end for as long as nobody knows better.
    _jig, _service, host = start(folder)
    for _ in range(400):
        bench.set(observers=[0, 1])
        bench.set(observers=[0, 0])
    host.run(10)
    assert bench.handlers[21] is None
    assert host.ok("measure", channel=TACH, n=1)["total"] == 255
    host.run(110)
    assert bench.handlers[21] is not None
    assert host.ok("measure", channel=TACH, n=1)["total"] == 255
    host.run(150)
    turn_fan(host, 300, 10000)
    assert 8 <= host.ok("measure", channel=TACH, n=1)["total"] <= 10
    turn_fan(host, 300, 300)  # fast, but not so fast: read at the upper end, and listened to
    assert bench.handlers[21] is not None and host.ok("measure", channel=TACH, n=1)["total"] == 255
    assert host.ok("status")["events_lost"] == 0


def check_hours_of_rest(folder):
    # Stamps that wrapped (17.9 min) do not count as new.
    _jig, _service, host = start(folder)
    for _ in range(5):
        bench.set(observers=[0, 1])
        bench.set(observers=[0, 0])
    host.run(200)
    for _ in range(40):
        bench.now_us += 60000000
        host.turn()
        assert host.ok("measure", channel=TACH, n=1)["total"] == 0


def check_another_record_gives_the_line_back(folder):
    _jig, _service, host = start(folder)
    host.load(2, fake_board.wiring())
    host.ok("watch_lines", mask=1 << names.LINE_OBS2)
    bench.set(observers=[0, 1])
    host.run(40)
    assert [e["line"] for e in host.named("edge")] == [names.LINE_OBS2]
    assert host.refused("measure", channel=TACH, n=1) == names.REFUSED_RANGE


def check_four_observer_lines(folder):
    # The third and fourth are on the wires of the bus: lines where the record says so and there is no bus.
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    both = 1 << names.LINE_OBS3 | 1 << names.LINE_OBS4
    host.ok("watch_lines", mask=0x3FF)
    bench.set(more_observers=[0, 0])
    host.run(40)
    assert host.named("edge") == [] and not host.ok("status")["lines"] & both
    host.load(2, fake_board.wiring(lines_used=0x3FF, invert=1 << names.LINE_OBS4))
    host.ok("watch_lines", mask=0x3FF)
    times = []
    for n in range(4):
        bench.advance(321)
        bench.set(more_observers=[(n + 1) % 2, 0])
        times.append(bench.now_us)
    bench.set(more_observers=[0, 1])
    host.run(40)
    edges = [(e["line"], e["level"]) for e in host.named("edge")]
    assert edges == [(8, 1), (8, 0), (8, 1), (8, 0), (9, 0)], edges
    assert [e["t_us"] for e in host.named("edge")][:4] == times
    host.load(2, fake_board.wiring(lines_used=0x3FF, bus=1))
    host.ok("watch_lines", mask=0x3FF)
    host.events.clear()
    bench.set(more_observers=[1, 1])
    host.run(40)
    assert host.named("edge") == [] and not host.ok("status")["lines"] & both
    assert host.refused("watch_lines", mask=0x400) == names.REFUSED_RANGE


fake_board.checks(globals())
