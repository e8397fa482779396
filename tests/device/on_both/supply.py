"""An unpowered machine is never driven: its supply lost or missing at any moment, and which cause is told."""

import fake_board
from fake_board import bench, closed, is_safe, trip_of

from shared_proto import names


def supply_gone():
    # Also from within a tick: takes no memory.
    bench.supply = 0
    bench.settle()


class TooLate:
    """In the place of a pin or a call of the board: just before it is carried out, the supply is lost."""

    def __init__(self, real):
        self.real = real

    def __call__(self, what, state=None):
        # also from within the interrupt itself, so without memory
        supply_gone()
        return self.real(what) if state is None else self.real(what, state)

    def init(self, mode):
        self.real.init(mode)


def armed_without_supply(folder):
    """Armed with a profile and with the angle at which the sensor is operated; then the supply comes."""
    bench.set(supply=0)
    bench.raw[0] = 0
    jig, service, host = fake_board.start(folder)
    host.hello()
    host.load(1, fake_board.profile())
    host.ok("arm")
    host.ok("move", angle_mdeg=0, duration_ms=0, shape=0)
    host.run(10)
    bench.set(supply=1)
    bench.raw[0] = 17873
    host.run(40)
    return jig, service, host


def check_supply_loss(folder):
    _jig, _service, host = closed(folder)
    bench.advance(300)
    at_us = bench.now_us
    bench.set(supply=0)  # the edge runs the interrupt at once
    assert bench.high_impedance(), "in the interrupt itself"
    trip = trip_of(host)
    assert trip["reason"] == names.REASON_SUPPLY_LOSS and trip["t_us"] == at_us
    assert host.named("supply")[-1]["present"] == 0 and host.named("supply")[-1]["t_us"] == at_us
    is_safe(host)
    host.ok("clear")
    host.ok("arm")  # without supply, for the sensor's side
    assert host.refused("set_route", route=2) == names.REFUSED_SUPPLY_MISSING
    assert host.refused("load", target=0, state=1) == names.REFUSED_SUPPLY_MISSING


def check_supply_loss_and_another_cause(folder):
    # Two causes between two turns of the service loop: the one that came first is told.
    _jig, _service, host = closed(folder)
    bench.advance(300)
    bench.set(supply=0)
    lost_us = bench.now_us
    bench.raw[0] = 65535
    bench.advance(5000)  # the tick has latched the overvoltage by now
    trip = trip_of(host)
    assert trip["reason"] == names.REASON_SUPPLY_LOSS and trip["t_us"] == lost_us
    bench.set(supply=1)
    bench.raw[0] = 17873
    host.ok("clear")
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.events.clear()
    bench.raw[0] = 65535
    bench.advance(3000)
    bench.set(supply=0)
    assert trip_of(host)["reason"] == names.REASON_OVERVOLTAGE


def check_supply_sags_without_an_edge(folder):
    _jig, _service, host = closed(folder)
    bench.raw[0] = 1000 * 65535 // 6600
    bench.advance(2000)
    assert bench.high_impedance()
    assert trip_of(host)["reason"] == names.REASON_SUPPLY_LOSS


def check_supply_comes_and_goes_unneeded(folder):
    # Armed without supply (sensor's side only): its coming and going drives nothing and trips nothing.
    _jig, _service, host = fake_board.start(folder)
    bench.set(supply=0)
    bench.raw[0] = 0
    host.hello()
    host.ok("arm")
    bench.set(supply=1)
    host.run(40)
    bench.set(supply=0)
    host.run(40)
    assert host.ok("status")["lock"] == names.ARMED
    assert [e["present"] for e in host.named("supply")] == [0, 1, 0]


def check_never_back_powered(folder):
    # With the relay at rest both sides are joined: neither pull nor feed may be switched on.
    _jig, _service, host = fake_board.start(folder)
    host.hello()
    bench.set(supply=0)
    host.ok("arm")
    for state in (names.LOAD_LOW, names.LOAD_HIGH):
        assert host.refused("load", target=names.TARGET_S1, state=state) == names.REFUSED_ROUTE
        assert host.refused("load", target=names.TARGET_M1, state=state) == names.REFUSED_SUPPLY_MISSING
    assert host.refused("sensor_power", on=1) == names.REFUSED_ROUTE
    host.ok("set_route", route=names.ROUTE_OPEN)
    host.ok("sensor_power", on=1)
    host.ok("load", target=names.TARGET_S1, state=names.LOAD_HIGH)
    assert bench.given(17) == 1 and bench.given(18) == 1
    host.ok("set_route", route=names.ROUTE_THROUGH)
    assert bench.given(17) == 0 and bench.given(18) == 0 and bench.mode[18] == 0


def check_supply_goes_while_the_relay_settles(folder):
    # Armed without supply, so its loss was nothing to trip for. It comes, the stand-in is asked for, it goes again: at
    # whatever moment, no output is driven into a machine without supply.
    tripped = 0
    for late_us in range(100, 24000, 700):
        bench.reset()
        _jig, _service, host = armed_without_supply(folder)
        host.result = None
        host.session.request("set_route", bench.now_us, route=names.ROUTE_STANDIN)
        end_us = bench.now_us + late_us
        while bench.now_us + 2000 < end_us:
            host.turn()
        bench.advance(max(end_us - bench.now_us, 0))
        bench.set(supply=0)
        for _ in range(30):
            host.turn()
            assert bench.given(3) == 0 and bench.given(5) == 0, late_us
        answer = host.result.message
        if answer.name == "refusal" and answer.fields["reason"] == names.REFUSED_SUPPLY_MISSING:
            assert host.ok("status")["lock"] == names.ARMED  # gone before it was asked for
        else:
            assert trip_of(host)["reason"] == names.REASON_SUPPLY_LOSS, late_us
            is_safe(host)
            tripped += answer.name == "refusal"
    assert tripped >= 10  # while the relay settled


def check_supply_goes_between_two_looks(folder):
    # The supply goes right after the nth time that the firmware has looked at it, for every n: either the loss trips,
    # or nothing is driven and what was asked for is refused.
    requests = (
        ("arm", {}),
        ("load", {"target": names.TARGET_M1, "state": names.LOAD_LOW}),
        ("set_route", {"route": names.ROUTE_STANDIN}),
    )
    for name, fields in requests:
        nth = 0
        while True:
            nth += 1
            bench.reset()
            jig, _service, host = armed_without_supply(folder)
            if name == "arm":
                host.ok("disarm")
            bench.meanwhile(14, nth, supply_gone)
            answer = host.ask(name, **fields)
            if bench.supply:
                break  # it has not looked that often
            bench.advance(3000)
            assert [bench.given(n) for n in (3, 5, 8, 9)] == [0] * 4, (name, nth)
            host.run(60)
            status = host.ok("status")
            if status["lock"] == names.TRIPPED:
                assert status["reason"] == names.REASON_SUPPLY_LOSS
            else:
                assert status["lock"] == names.ARMED and jig.tick.needs_supply == 0, (name, nth)
                assert name == "arm" or answer.fields["reason"] == names.REFUSED_SUPPLY_MISSING
        assert nth > 2, name


def check_supply_leaves_its_window_while_the_relay_settles(folder):
    for route, relay in ((names.ROUTE_THROUGH, 0), (names.ROUTE_OPEN, 1)):
        bench.reset()
        _jig, _service, host = armed_without_supply(folder)
        host.ok("set_route", route=route)
        host.run(40)
        host.events.clear()
        host.result = None
        host.session.request("set_route", bench.now_us, route=names.ROUTE_STANDIN)
        host.turn()
        assert host.result is None and bench.given(16) == 1
        bench.raw[0] = 1500 * 65535 // 6600  # the window of the profile begins at 1700 mV
        for _ in range(10):
            host.turn()
            assert bench.given(3) == 0
        fields = host.result.message.fields
        assert fields["reason"] == names.REFUSED_SUPPLY_WINDOW and 1490 <= fields["detail"] <= 1500
        # as if it had not been asked for
        status = host.ok("status")
        assert status["lock"] == names.ARMED and status["route"] == route and bench.given(16) == relay
        assert host.named("routed") == []
        bench.raw[0] = 17873
        host.run(10)
        host.ok("set_route", route=names.ROUTE_STANDIN)
        host.run(10)
        assert bench.given(3) == 1


def check_trip_in_the_turn_in_which_the_relay_has_settled(folder):
    # After the loop has looked for trips, before the route is in force: it never comes into force.
    jig, _service, host = armed_without_supply(folder)
    host.events.clear()
    spikes = []

    def read():
        if jig.routing() and jig.board.ticks_diff(jig.ticks, jig.route_since) >= 10000:
            spikes.append(bench.now_us)
            bench.raw[0] = 65535
            bench.advance(3000)
            bench.raw[0] = 17873
            bench.advance(1000)
        return fake_board.Bench.read(bench)

    bench.read = read
    try:
        assert host.refused("set_route", route=names.ROUTE_STANDIN) == names.REFUSED_TRIPPED
    finally:
        del bench.read
    assert len(spikes) == 1 and names.ROUTE_STANDIN not in [e["route"] for e in host.named("routed")]
    assert trip_of(host)["reason"] == names.REASON_OVERVOLTAGE
    is_safe(host)


def check_supply_goes_between_level_and_enable(folder):
    # The interrupt comes in the middle of the tick that is about to raise the enable: it must not stay raised, and the
    # output counts as not driven, so that nothing is read back from it.
    for moving in (True, False):
        bench.reset()
        jig, _service, host = fake_board.standin(folder, drive_1=1)
        bench.meanwhile(2, 1, supply_gone)
        if moving:
            jig.motion.add(0, 0, 0)
            jig.tick.busy = 1
        else:
            jig.tick.override[0] = 2  # driven high
            jig.tick.apply()
        for _ in range(10):
            bench.advance(1000)
            assert bench.high_impedance() and bench.out[3] == 0  # not even behind the pin that is an input now
        assert bench.supply == 0 and jig.tick.error is None
        assert jig.tick.lost and not jig.tick.reason  # the tick found nothing that would contradict
        assert trip_of(host)["reason"] == names.REASON_SUPPLY_LOSS


def check_trip_between_check_and_pin(folder):
    # What was switched on by then goes off again, and whoever asked is told.
    cases = (
        ("set_test", "load", {"target": names.TARGET_M1, "state": names.LOAD_LOW}),
        ("set_pull", "load", {"target": names.TARGET_S1, "state": names.LOAD_HIGH}),
        ("sensor_power", "sensor_power", {"on": 1}),
    )
    for part, name, fields in cases:
        bench.reset()
        jig, _service, host = fake_board.start(folder)
        host.hello()
        host.load(1, fake_board.profile())
        host.ok("arm")
        host.ok("set_route", route=names.ROUTE_OPEN)
        setattr(jig.board, part, TooLate(getattr(jig.board, part)))
        assert host.refused(name, **fields) == names.REFUSED_TRIPPED, part
        assert bench.high_impedance(), part  # before the loop takes the trip
        assert jig.lock.state == names.ARMED and jig.tick.lost
        assert trip_of(host)["reason"] == names.REASON_SUPPLY_LOSS


fake_board.checks(globals())
