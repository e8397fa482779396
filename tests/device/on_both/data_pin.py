"""The data pin that drive buffer and test buffer of a line share: neither ever gives a level that nobody asked for.

Watched is every state in between that the firmware's writes to the pins make, not only what is left at the end.
"""

import fake_board
from fake_board import Pin, bench

from shared_proto import names

OFF, DRIVE_LOW, DRIVE_HIGH, TEST_LOW, TEST_HIGH, BOTH, FLOATING = range(7)
DATA, DRIVE_OE, TEST_OE = 2, 3, 8  # line 1


class Watch:
    """In here: what the buffers of line 1 give, after every write to a pin. Allocates nothing: interrupts write too."""

    def __init__(self):
        self._seen = bytearray(32)
        self._count = 0
        self._last = OFF
        self._left = 0

    def __enter__(self):
        self._settle = bench.settle
        bench.settle = self.settle
        return self

    def __exit__(self, *_error):
        del bench.settle

    def settle(self):
        drive, test, level = bench.given(DRIVE_OE), bench.given(TEST_OE), bench.given(DATA)
        if drive and test:
            now = BOTH
        elif (drive or test) and bench.mode[DATA] != Pin.OUT:
            now = FLOATING
        elif drive:
            now = DRIVE_LOW + level
        else:
            now = TEST_LOW + level if test else OFF
        if now != self._last:
            self._last = now
            self._seen[self._count] = now
            self._count += 1
        self._settle()
        if self._left:
            self._left -= 1
            if not self._left:
                bench.supply = 0
                self._settle()

    def lose_supply_after(self, writes):
        """The supply goes right after so many more writes, in the middle of whatever writes them."""
        self._left = writes

    def take(self):
        """What they gave since the last look, in order."""
        seen = list(self._seen[: self._count])
        self._count = 0
        return seen


def load(host, state):
    host.ok("load", target=names.TARGET_M1, state=state)


def loaded_high(folder):
    """Armed, in route open, operated at 0 degrees, the test buffer of line 1 giving a high level."""
    jig, service, host = fake_board.closed(folder)
    host.ok("set_route", route=names.ROUTE_OPEN)
    load(host, names.LOAD_HIGH)
    return jig, service, host


def check_only_what_was_asked_for(folder):
    with Watch() as watch:
        _jig, _service, host = fake_board.standin(folder)
        assert watch.take() == []  # armed and standing in, released
        host.ok("move", angle_mdeg=0, duration_ms=0, shape=0)
        host.run(10)
        assert watch.take() == [DRIVE_LOW]
        host.ok("drive", output=0, state=2)
        host.run(5)
        assert watch.take() == [DRIVE_HIGH]
        host.ok("set_route", route=names.ROUTE_OPEN)
        assert watch.take() == [OFF]
        load(host, names.LOAD_HIGH)
        assert watch.take() == [TEST_HIGH]
        load(host, names.LOAD_LOW)
        load(host, names.LOAD_HIGH)
        assert watch.take() == [OFF, TEST_LOW, OFF, TEST_HIGH]
        host.ok("set_route", route=names.ROUTE_STANDIN)
        host.run(5)
        assert watch.take() == [OFF, DRIVE_LOW]  # never the high level that the data pin had
        load(host, names.LOAD_OFF)
        assert watch.take() == []
        host.ok("set_route", route=names.ROUTE_THROUGH)
        load(host, names.LOAD_HIGH)
        load(host, names.LOAD_OFF)
        assert watch.take() == [OFF, TEST_HIGH, OFF]
        load(host, names.LOAD_HIGH)
        host.ok("disarm")
        host.ok("arm")
        host.run(5)
        assert watch.take() == [TEST_HIGH, OFF]
        load(host, names.LOAD_LOW)
        assert watch.take() == [TEST_LOW]


def check_a_trip_after_any_write(folder):
    # Once the jig has let go, what was under way drives nothing, and nothing of it comes back with the next arming.
    cases = (
        ("load", {"target": names.TARGET_M1, "state": names.LOAD_LOW}),
        ("set_route", {"route": names.ROUTE_STANDIN}),
        ("set_route", {"route": names.ROUTE_THROUGH}),
        ("disarm", {}),
    )
    for name, fields in cases:
        writes = 0
        while True:
            writes += 1
            bench.reset()
            with Watch() as watch:
                _jig, _service, host = loaded_high(folder)
                watch.lose_supply_after(writes)
                host.ask(name, **fields)
                host.run(20)
                watch.lose_supply_after(0)
                if bench.supply:
                    break  # there are no more writes than that
                assert bench.high_impedance(), (name, writes)
                seen = watch.take()
                assert BOTH not in seen and FLOATING not in seen and seen[-1] == OFF, (name, writes, seen)
                bench.set(supply=1)
                host.ok("clear")
                host.ok("arm")
                host.run(20)
                assert watch.take() == [], (name, writes)
                load(host, names.LOAD_LOW)
                assert watch.take() == [TEST_LOW], (name, writes)
        assert writes > 3, (name, writes)  # a load makes three writes, all else more


fake_board.checks(globals())
