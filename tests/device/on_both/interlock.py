"""The interlock table, every (state, event) pair, listed or not."""

import fake_board

from shared_proto.names import (
    ARMED,
    DISARMED,
    REASON_CONTENTION,
    REASON_FIRMWARE,
    REASON_OVERVOLTAGE,
    REASON_SILENCE,
    REASON_SUPPLY_LOSS,
    REASON_WATCHDOG,
    TRIPPED,
)

FAULTS = (REASON_SILENCE, REASON_SUPPLY_LOSS, REASON_OVERVOLTAGE, REASON_CONTENTION)
IN_DOUBT = (REASON_FIRMWARE, REASON_WATCHDOG)


def expected(state, event):
    """In words: arming only from disarmed; a trip sticks until cleared; faults trip what is armed, and faults of the
    board itself trip always."""
    from firmware.interlock import ARM, CLEAR, DISARM

    if event == ARM:
        return TRIPPED if state == TRIPPED else ARMED
    if event == DISARM:
        return TRIPPED if state == TRIPPED else DISARMED
    if event == CLEAR:
        return DISARMED if state == TRIPPED else state
    if event in IN_DOUBT:
        return TRIPPED
    assert event in FAULTS
    return TRIPPED if state == ARMED else state


def check_every_pair(folder):
    from firmware.interlock import ARM, DISARM, EVENTS, NEXT, STATES, Interlock

    assert len(STATES) == 3 and len(EVENTS) == 9
    for state, event in NEXT:
        assert state in STATES and event in EVENTS
    walked = 0
    for state in STATES:
        for event in EVENTS:
            lock = Interlock()
            if state != DISARMED:
                lock.step(ARM, 10)
            if state == TRIPPED:
                lock.step(REASON_SILENCE, 20, 5)
            assert lock.state == state
            changed = lock.step(event, 30, 7)
            assert lock.state == expected(state, event), (state, event)
            assert changed == (lock.state != state)
            if state == TRIPPED and lock.state == TRIPPED:
                # the first reason, its time and detail stay
                assert (lock.reason, lock.trip_t_us, lock.detail) == (REASON_SILENCE, 20, 5)
            elif lock.state == TRIPPED:
                assert (lock.reason, lock.trip_t_us, lock.detail) == (event, 30, 7)
            else:
                assert (lock.reason, lock.trip_t_us, lock.detail) == (0, 0, 0)
            walked += 1
    assert walked == 27
    assert not Interlock().step(DISARM, 0)


fake_board.checks(globals())
