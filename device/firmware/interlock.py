# The interlock: may the jig drive, and if not, why not. A table and the first reason, nothing else.
#
# Not listed = no change: a fault while nothing is driven changes nothing, and a second fault does not replace
# the first reason. Only a firmware fault or a watchdog reset trips out of every state, since then the state
# itself is in doubt.
from shared_proto.names import (
    ARMED,
    DISARMED,
    REASON_BOOT,
    REASON_CONTENTION,
    REASON_FIRMWARE,
    REASON_HOST,
    REASON_NONE,
    REASON_OVERVOLTAGE,
    REASON_SILENCE,
    REASON_SUPPLY_LOSS,
    REASON_WATCHDOG,
    TRIPPED,
)

# What the host asks for. Faults are known by their names.REASON_ number, which stays below these.
ARM = 100
DISARM = 101
CLEAR = 102

STATES = (DISARMED, ARMED, TRIPPED)
EVENTS = (
    ARM,
    DISARM,
    CLEAR,
    REASON_SILENCE,
    REASON_SUPPLY_LOSS,
    REASON_OVERVOLTAGE,
    REASON_CONTENTION,
    REASON_FIRMWARE,
    REASON_WATCHDOG,
)

NEXT = {
    (DISARMED, ARM): ARMED,
    (ARMED, ARM): ARMED,  # asked twice: nothing changes
    (ARMED, DISARM): DISARMED,
    (DISARMED, DISARM): DISARMED,
    (TRIPPED, DISARM): TRIPPED,  # a way out never clears a trip
    (DISARMED, CLEAR): DISARMED,
    (TRIPPED, CLEAR): DISARMED,
    (ARMED, REASON_SILENCE): TRIPPED,  # 1 s without a heartbeat
    (ARMED, REASON_SUPPLY_LOSS): TRIPPED,
    (ARMED, REASON_OVERVOLTAGE): TRIPPED,
    (ARMED, REASON_CONTENTION): TRIPPED,  # someone else drives this line: a person must look
    (ARMED, REASON_FIRMWARE): TRIPPED,
    (DISARMED, REASON_FIRMWARE): TRIPPED,
    (ARMED, REASON_WATCHDOG): TRIPPED,
    (DISARMED, REASON_WATCHDOG): TRIPPED,
}


class Interlock:
    def __init__(self) -> None:
        self.state = DISARMED
        self.reason = REASON_NONE  # of the trip; none while not tripped
        self.trip_t_us = 0
        self.detail = 0
        self.last_reason = REASON_BOOT  # of the last change, for events

    def step(self, event: int, t_us: int, detail: int = 0) -> bool:
        # True when the state changed.
        before = self.state
        after = NEXT.get((before, event), before)
        if after == before:
            return False
        self.state = after
        if after == TRIPPED:
            self.reason = event
            self.trip_t_us = t_us
            self.detail = detail
            self.last_reason = event
        else:
            self.reason = REASON_NONE
            self.trip_t_us = 0
            self.detail = 0
            self.last_reason = REASON_HOST
        return True
