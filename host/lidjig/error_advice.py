"""What the board's refusals and trips mean, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass

from shared_proto import names


@dataclass(frozen=True)
class Advice:
    """What a fault means and what to do next."""

    cause: str
    todo: str


REFUSAL_ADVICE: dict[int, Advice] = {
    names.REFUSED_NOT_ARMED: Advice(
        "the jig is not armed", "Arm it first; after a trip, read the reason and clear it."
    ),
    names.REFUSED_TRIPPED: Advice(
        "the interlock has tripped", "Read the reason with 'lidjig watch', mend it, then clear it."
    ),
    names.REFUSED_SUPPLY_MISSING: Advice(
        "there is no supply on the sensor connector",
        "Connect the charger and measure the supply line at the connector; feed the real sensor before it is asked.",
    ),
    names.REFUSED_SUPPLY_WINDOW: Advice(
        "the supply on the sensor connector is outside the sensor profile's window",
        "Check that the sensor profile fits this machine before anything is driven.",
    ),
    names.REFUSED_NO_PROFILE: Advice("the board holds no sensor profile", "Name one with --sensor."),
    names.REFUSED_RANGE: Advice(
        "a value is outside what this board or profile accepts", "Check the angle limits of the sensor profile."
    ),
    names.REFUSED_BUSY: Advice("the board is busy with a measurement", "Try again when it has ended."),
    names.REFUSED_QUEUE_FULL: Advice("the motion queue is full", "Wait for a segment to arrive."),
    names.REFUSED_ROUTE: Advice("this cannot be done in the present route", "Set the route first."),
    names.REFUSED_STALE: Advice(
        "the request is older than the last one carried out", "Say hello again; this is a fault of the host."
    ),
    names.REFUSED_UNKNOWN: Advice("this firmware has no such request", "Update the board with 'lidjig flash PORT'."),
    names.REFUSED_NO_SESSION: Advice("the board has no session with this host", "Reconnect."),
    names.REFUSED_VERSION: Advice(
        "host and firmware speak different protocols", "Update the board with 'lidjig flash PORT'."
    ),
    names.REFUSED_BAD_BLOB: Advice(
        "the profile or wiring sent does not parse on the board", "Update the board with 'lidjig flash PORT'."
    ),
    names.REFUSED_STORAGE: Advice(
        "the board's flash did not take it", "Run 'lidjig flash PORT'; replace the board if it stays so."
    ),
    names.REFUSED_ARMED: Advice("only possible while the jig is disarmed", "Disarm first."),
    names.REFUSED_MEMORY: Advice(
        "the board has no memory left for samples, power monitors or a fan's pulses",
        "Restart the board with its button or plug, or go on without them.",
    ),
}

TRIP_ADVICE: dict[int, Advice] = {
    names.REASON_NONE: Advice("no trip", ""),
    names.REASON_HOST: Advice("the host disarmed the jig", ""),
    names.REASON_BOOT: Advice("the board has just started", ""),
    names.REASON_SILENCE: Advice(
        "the jig heard nothing from the host for 1 s and let go",
        "Check the USB cable and that the computer does not go to sleep.",
    ),
    names.REASON_SUPPLY_LOSS: Advice(
        "the machine's supply on the sensor connector went away",
        "Check charger and connector; the jig never drives an unpowered board.",
    ),
    names.REASON_OVERVOLTAGE: Advice(
        "the supply on the sensor connector is above the profile's window",
        "Disconnect; check the sensor profile and the board's supply rail.",
    ),
    names.REASON_CONTENTION: Advice(
        "something else drives a line that the jig drives",
        "Look for a short or a fitted sensor on that line before arming again.",
    ),
    names.REASON_FIRMWARE: Advice(
        "the firmware met an error",
        "The firmware log is stored with the run; update the board with 'lidjig flash PORT'.",
    ),
    names.REASON_WATCHDOG: Advice(
        "the watchdog restarted the board", "The firmware log is stored with the run; update the board."
    ),
}
