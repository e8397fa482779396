"""What an operator may be asked to do, by name. The words that a person reads stand beside the name.

Every prompt carries the caution that belongs to the action; procedures show both.
"""

from __future__ import annotations

ACTIONS: dict[str, tuple[str, str]] = {
    # name: (what to do, caution or "")
    "connect-charger": (
        "Connect the machine's charger.",
        "Up to 20 V on the board from now on. No rings, no loose probes; never leave a lithium pack unattended.",
    ),
    "disconnect-charger": (
        "Disconnect the charger and the battery, and wait 10 s.",
        "Disconnect the lithium pack by its connector only; do not bend or pierce it.",
    ),
    "press-power": (
        "Press the machine's power button once, briefly.",
        "Up to 20 V on the board, and the backlight rail comes up to 50 V: keep off the display connector.",
    ),
    "force-off": (
        "Hold the power button until the machine is off (about 10 s).",
        "Up to 20 V on the board while the charger is connected: no rings, no loose probes.",
    ),
    "open-lid": (
        "Open the lid fully (past 100 deg) and leave it.",
        "The backlight rail carries up to 50 V while the screen is on; keep off the display connector.",
    ),
    "shut-lid": (
        "Shut the lid and leave it shut.",
        "Up to 20 V on the board while the charger is connected: no rings, no loose probes.",
    ),
    "fit-plug": (
        "Unplug the machine from the jig and fit the self-test plug.",
        "Discharge yourself (ESD strap) before touching the connector.",
    ),
    "remove-plug": ("Remove the self-test plug.", ""),
    "meter-to-supply": (
        "Hold the meter's lead on the supply pin of the machine's sensor connector, the other on ground.",
        "DC volts, leads in V and COM: in a current jack it shorts what it touches. A slip of the probe can damage the "
        "machine.",
    ),
    "meter-to-output": (
        "Hold the meter's lead on line 1 of the machine's sensor connector, the other on ground.",
        "DC volts, leads in V and COM: in a current jack it shorts what it touches. A slip of the probe can damage the "
        "machine.",
    ),
    "meter-to-output-2": (
        "Hold the meter's lead on line 2 of the machine's sensor connector, the other on ground.",
        "DC volts, leads in V and COM: in a current jack it shorts what it touches. A slip of the probe can damage the "
        "machine.",
    ),
}

# Those that go with an angle: the name, a blank, and the lid angle in thousandths of a degree. The side from which the
# lid comes to it matters where there is play or hysteresis.
LID_ACTIONS: dict[str, tuple[str, str]] = {
    "set-lid": ("Open the lid to {angle} deg by the protractor, not past it, and leave it.", ""),
    "set-lid-back": ("Shut the lid to {angle} deg by the protractor, not past it, and leave it.", ""),
}


def lid_action(angle_deg: float, *, opening: bool) -> str:
    """The action that brings the lid to an angle."""
    return f"{'set-lid' if opening else 'set-lid-back'} {round(1000.0 * angle_deg)}"


def words_of(action: str) -> tuple[str, str] | None:
    """(what to do, caution or "") of an action, with its angle where it has one; None for one that nobody knows."""
    name, _, mdeg = action.partition(" ")
    if name in LID_ACTIONS and mdeg.isdecimal():
        words, caution = LID_ACTIONS[name]
        if not int(mdeg):
            return ACTIONS["shut-lid"][0], caution
        return words.format(angle=f"{int(mdeg) / 1000.0:g}"), caution
    return ACTIONS.get(action)
