"""Line inputs: edges stamped in the interrupt, the mark switch, oscillation, a full ring, time across wraps."""

import fake_board
from fake_board import bench

from shared_proto import names

MASK = 1 << names.LINE_OBS1 | 1 << names.LINE_S1


def watching(folder, mask=MASK):
    jig, service, host = fake_board.start(folder)
    host.hello()
    host.ok("watch_lines", mask=mask)
    return jig, service, host


def check_edges(folder):
    _jig, _service, host = watching(folder)
    times = []
    for n in range(6):
        bench.advance(777)
        bench.set(observers=[(n + 1) % 2, 0])
        times.append(bench.now_us)
    bench.set(sensor=[0, 1])
    bench.set(sensor=[0, 0])  # sensor line 2 is not watched
    host.run(60)
    edges = [e for e in host.named("edge") if e["line"] == names.LINE_OBS1]
    assert [e["t_us"] for e in edges] == times
    assert [e["level"] for e in edges] == [1, 0, 1, 0, 1, 0]
    assert [e["line"] for e in host.named("edge")][-1] == names.LINE_S1 and len(host.named("edge")) == 7


def check_glitch_shorter_than_the_interrupt(folder):
    # The handler looks and finds the old level: there and back, both are told.
    _jig, _service, host = watching(folder)
    bench.handlers[20](bench.pins[20])
    host.run(40)
    assert [e["level"] for e in host.named("edge")] == [1, 0]


def check_times_across_the_wrap(folder):
    bench.offset = fake_board.PERIOD - 3000000  # the counter wraps 3 s after the start
    _jig, _service, host = watching(folder)
    times = []
    for n in range(12):
        host.run(500)
        bench.set(observers=[(n + 1) % 2, 0])
        times.append(bench.now_us)
    host.run(40)
    assert [e["t_us"] for e in host.named("edge")] == times


def check_hours_of_wraps(folder):
    # The loop turns on; a period is 17.9 min. Three hours in steps of a minute.
    _jig, service, host = watching(folder)
    for _ in range(180):
        bench.now_us += 60000000
        host.turn()
    bench.set(observers=[1, 0])
    at_us = bench.now_us
    host.run(600)
    assert host.named("edge")[-1]["t_us"] == at_us


def check_order_of_both_rings(folder):
    # Edges and motion events come out in order of time, although they come through two rings.
    _jig, _service, host = fake_board.standin(folder)
    host.ok("watch_lines", mask=MASK)
    for n in range(4):
        host.ok("move", angle_mdeg=(n + 1) % 2 * 1000, duration_ms=3, shape=0)
        bench.set(observers=[(n + 1) % 2, 0])
    host.run(60)
    times = [e.fields["t_us"] for e in host.events if e.name in ("edge", "departed", "arrived", "output")]
    assert len(times) >= 12 and times == sorted(times), times


def check_mark_switch(folder):
    _jig, _service, host = watching(folder, 0)
    pressed_us = bench.now_us
    for level in (0, 1, 0, 1, 0):  # bounces for 40 ms, while the loop goes round
        bench.set(mark=level)
        host.run(10)
    host.run(200)
    bench.set(mark=1)
    released_us = bench.now_us
    host.run(60)
    marks = [(e["pressed"], e["t_us"]) for e in host.named("mark")]
    assert marks == [(1, pressed_us), (0, released_us)], marks
    assert host.named("edge") == []


def check_mark_shorter_than_the_debounce(folder):
    _jig, _service, host = watching(folder, 0)
    bench.set(mark=0)
    bench.advance(3000)
    bench.set(mark=1)
    host.run(60)
    assert host.named("mark") == []


def check_mark_without_an_interrupt(folder):
    # The edge was missed: the level is looked at all the same.
    _jig, _service, host = watching(folder, 0)
    bench.mark = 0
    host.run(80)
    assert [e["pressed"] for e in host.named("mark")] == [1]


def check_oscillation_is_rested_and_told(folder):
    _jig, _service, host = watching(folder)
    for n in range(500):
        bench.set(observers=[(n + 1) % 2, 0])
    host.run(400)
    edges = host.named("edge")
    lost = sum([e["count"] for e in host.named("lost")])
    assert 50 <= len(edges) <= 64  # what a turn may bring of one line, and what the session keeps
    # every edge that came, and one for the rest, in which nobody counted
    assert len(edges) + lost == 500 + 1 and host.ok("status")["events_lost"] == lost
    bench.set(observers=[1, 0])  # rested, then listened to again
    host.run(60)
    assert len(host.named("edge")) == len(edges) + 1 and host.named("edge")[-1]["level"] == 1
    for n in range(500):
        bench.set(observers=[n % 2, 0])
    host.run(40)
    assert bench.handlers[20] is None
    host.ok("watch_lines", mask=0)  # while it rests
    host.ok("watch_lines", mask=MASK)
    assert bench.handlers[20] is not None
    bench.set(observers=[0, 0])
    host.run(60)
    assert host.named("edge")[-1]["level"] == 0


def resting(folder):
    """Observer 1 has changed as often as a turn may bring and rests at level 0, told in full."""
    jig, service, host = watching(folder)
    host.run(60)
    for n in range(64):
        bench.set(observers=[(n + 1) % 2, 0])
    host.run(60)
    assert bench.handlers[20] is None
    edges = host.named("edge")
    assert edges[-1]["level"] == 0
    lost = host.ok("status")["events_lost"]
    host.events.clear()
    return jig, service, host, lost


def check_edge_during_a_rest(folder):
    # Where the line stands afterwards is told, after the news that something is missing.
    _jig, _service, host, lost = resting(folder)
    bench.set(observers=[1, 0])
    changed_us = bench.now_us
    host.run(20)
    assert host.named("edge") == []
    host.run(150)
    told = [event for event in host.events if event.name in ("lost", "edge")]
    assert [event.name for event in told] == ["lost", "edge"], told
    assert told[0].fields["count"] == 1 and host.ok("status")["events_lost"] == lost + 1
    assert told[1].fields["line"] == names.LINE_OBS1 and told[1].fields["level"] == 1
    assert 0 < told[1].fields["t_us"] - changed_us <= 120000  # when it was seen, since nobody knows when it came
    bench.set(observers=[0, 0])
    at_us = bench.now_us
    host.run(40)
    assert [(e["level"], e["t_us"]) for e in host.named("edge")] == [(1, told[1].fields["t_us"]), (0, at_us)]


def check_there_and_back_during_a_rest(folder):
    # The line stands where it stood: only that something may be missing can be told.
    _jig, _service, host, lost = resting(folder)
    bench.set(observers=[1, 0])
    bench.set(observers=[0, 0])
    host.run(200)
    assert host.named("edge") == [] and [e["count"] for e in host.named("lost")] == [1]
    assert host.ok("status")["events_lost"] == lost + 1


def check_rest_ended_by_the_host(folder):
    _jig, _service, host, lost = resting(folder)
    bench.set(observers=[1, 0])
    host.ok("watch_lines", mask=0)
    assert host.ok("watch_lines", mask=MASK)["lines"] >> names.LINE_OBS1 & 1
    host.run(40)
    assert [e["count"] for e in host.named("lost")] == [1] and host.ok("status")["events_lost"] == lost + 1
    bench.set(observers=[0, 0])
    host.run(40)
    assert [e["level"] for e in host.named("edge")] == [0]


def check_edge_while_the_interrupt_is_switched_on(folder):
    # After the look at the level, before the interrupt listens: seen all the same, at the latest after another rest.
    jig, _service, host, lost = resting(folder)
    listen = jig.board.on_edges
    late = [1]

    def on_edges(line, handler):
        if line == names.LINE_OBS1 and handler is not None and late:
            bench.set(observers=[late.pop(), 0])
        listen(line, handler)

    jig.board.on_edges = on_edges
    host.run(300)
    assert not late and bench.handlers[20] is not None
    assert [e["level"] for e in host.named("edge")] == [1]
    assert host.ok("status")["events_lost"] == lost + 2


def check_mark_pressed_during_a_rest(folder):
    # The switch rests like any other line; what the operator did is told once.
    _jig, _service, host = watching(folder, 0)
    for n in range(64):
        bench.set(mark=n % 2)
    host.run(60)
    assert bench.handlers[15] is None
    bench.set(mark=0)
    host.run(300)
    assert [e["pressed"] for e in host.named("mark")] == [1]
    assert bench.handlers[15] is not None and host.named("edge") == []


def check_supply_line_is_never_rested(folder):
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    for n in range(201):
        bench.set(supply=n % 2)
    host.run(300)
    bench.set(supply=1)
    host.ok("arm")
    bench.set(supply=0)
    assert bench.high_impedance()
    host.run(60)
    assert host.ok("status")["reason"] == names.REASON_SUPPLY_LOSS


def check_ring(folder):
    # One producer, one consumer: order, the full ring, the count of what was dropped.
    from array import array

    from firmware.ring import Ring

    ring = Ring(8)
    record = array("i", [0] * 4)
    assert ring.empty() and not ring.pop_into(record)
    for n in range(10):
        ring.push(1, n, n * 2, -n)
    assert ring.take_dropped() == 3 and ring.take_dropped() == 0
    got = []
    while ring.pop_into(record):
        got.append(tuple(record))
    assert got == [(1, n, n * 2, -n) for n in range(7)]
    for n in range(1000):
        ring.push(2, n, 0, 0)
        assert ring.peek_ticks() == n and ring.pop_into(record) and record[1] == n


def check_wiring(folder):
    _jig, _service, host = watching(folder, 0xFF)
    bench.set(observers=[1, 1])
    levels = host.ok("status")["lines"]
    assert levels >> names.LINE_OBS1 & 1 and levels >> names.LINE_OBS2 & 1
    assert not levels >> names.LINE_MARK & 1  # pressed pulls low
    wiring = fake_board.wiring(
        lines_used=0xFF & ~(1 << names.LINE_OBS2), invert=1 << names.LINE_OBS1, scan=1 << names.CH_CHARGER_I
    )
    assert host.load(2, wiring).name == "blob_commit_result"
    levels = host.ok("status")["lines"]
    assert not levels >> names.LINE_OBS1 & 1 and not levels >> names.LINE_OBS2 & 1
    host.events.clear()
    bench.set(observers=[0, 0])
    host.run(40)
    edges = [(e["line"], e["level"]) for e in host.named("edge")]
    assert edges == [(names.LINE_OBS1, 1)], edges  # inverted; observer 2 is not wired
    assert host.ok("measure", channel=names.CH_CHARGER_I, n=1)["n"] == 1
    assert host.refused("measure", channel=names.CH_LIGHT, n=1) == names.REFUSED_RANGE
    assert host.ok("measure", channel=names.CH_M1, n=1)["n"] == 1


fake_board.checks(globals())
