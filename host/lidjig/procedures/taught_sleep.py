"""Whether a machine was in the state that the operator's answers say: what was learned against what its profile says.

A lid that is shut says nothing of sleep: with an external display a machine stays awake with its panel dark. Levels of
sleep signals are given by what they are, and a sleeping machine draws much less than a working one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from lidjig.bench.machine import MachineProfile
from lidjig.bench.remaining import SUPPLY_CURRENT
from lidjig.measure.estimate import Estimate, nothing
from lidjig.measure.states_cross import Separability
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Model
from lidjig.measure.states_rest import mostly
from lidjig.procedures.taught_advice import PACK_CAUTION, pack_charges, to_wire
from lidjig.record.model import Finding

WORDS = {"S0": "working", "S3": "asleep", "S5": "off", "G3": "without supply"}
SLEEP_SHARE_MAX = 1.0 / 3.0  # of the working current; sleep in memory takes far less (common practice, no source)
STRAY_MAX = 0.1  # part of the time for which a line may show the level of another state
SLEEP_SIGNAL = re.compile(r"SLP_?S3|\bSUSB", re.IGNORECASE)  # SUSB#: the older name (value from memory)
OF_THE_SCREEN = re.compile(r"BACKLIGHT|BKLT|\bBL|LCD|PANEL|EDP|SCREEN|LIGHT|\bLED", re.IGNORECASE)

SEE_ASLEEP = (
    " and see by the machine's own indicator (a blinking light, a fan that stops) that it sleeps once the lid is shut; "
    "then teach again."
)
DISPLAY_NEXT = "Unplug external displays and docks," + SEE_ASLEEP
PACK_ASLEEP_NEXT = "Let the pack charge full, or disconnect it by its connector," + SEE_ASLEEP
S0IX_NEXT = " Where this machine sleeps in S0ix, so that SLP_S3# stays high asleep, say so with --s0ix."
ELSE_NEXT = (
    "See to it that the machine is in the state that is asked for and that the wire is on the signal that the machine "
    "profile names; where the profile has the level wrong, correct it there. Then teach again."
)
NOT_IN_STATE = "not-in-state"


def doubts(
    model: Model, found: Separability, recordings: Sequence[Recording], machine: MachineProfile, *, s0ix: bool
) -> list[Finding]:
    """A finding for each state in which the machine does not look as the operator's answer says.

    s0ix: the machine sleeps in S0ix, where SLP_S3# stays high; its current is looked at all the same.
    """
    out = []
    for state in model.states:
        against, next_step, caution = _lines_against(model, state, machine, s0ix=s0ix), ELSE_NEXT, ""
        if state == "S3":
            current = _current_against(found, recordings, machine)
            next_step = DISPLAY_NEXT
            if current and pack_charges(recordings, machine):
                next_step, caution = PACK_ASLEEP_NEXT, PACK_CAUTION
            next_step += S0IX_NEXT if not current and not s0ix and against else ""
            against += current
            if not against:
                against = _only_light(model, found, machine)
                next_step, caution = _besides_light(machine)
        if against:
            evidence = [f"the machine does not look {WORDS[state]}: {against[0]}", *against[1:]]
            out.append(Finding("unknown", NOT_IN_STATE, None, evidence, next_step, caution))
    return out


def _besides_light(machine: MachineProfile) -> tuple[str, str]:
    """(what to do, caution) where only the light showed sleep."""
    hidden = SUPPLY_CURRENT in machine.analog()
    next_step, caution = (PACK_ASLEEP_NEXT, PACK_CAUTION) if hidden else (DISPLAY_NEXT, "")
    wanted = to_wire(("S0", "S3"), machine)
    return next_step + (f" Wire what shows sleep besides the light: {wanted}." if wanted else ""), caution


def _lines_against(model: Model, state: str, machine: MachineProfile, *, s0ix: bool) -> list[str]:
    """What digital observers showed in a state that the machine profile gives another level for."""
    wanted, out = machine.signatures().get(state, {}), []
    for name, line in machine.digital().items():
        shape = model.signatures[state].get(name)
        if shape is None or name not in wanted or (s0ix and state == "S3" and SLEEP_SIGNAL.search(line.signal)):
            continue
        other = {round(level.centre): level.share for level in shape.levels if round(level.centre) not in wanted[name]}
        if sum(other.values()) > STRAY_MAX:
            shown, due = max(other, key=lambda level: other[level]), next(iter(wanted[name]))
            out.append(
                f"{line.signal} ({name}) was {_level(shown)} for {sum(other.values()):.0%} of the time, "
                f"where the profile {machine.name} has it {_level(due)} in {state}"
            )
    return out


def _level(level: int) -> str:
    return "high" if level else "low"


def _current_against(found: Separability, recordings: Sequence[Recording], machine: MachineProfile) -> list[str]:
    """The charger's current asleep, where it is not clearly below that of a working machine."""
    if not _current_tells(found):
        return []
    unit = machine.analog()["charger_i"].unit
    asleep, working = (mostly(recordings, state, "charger_i", unit) for state in ("S3", "S0"))
    if asleep.value is None or working.value is None or asleep.value <= SLEEP_SHARE_MAX * working.value:
        return []
    share = f"{asleep.value / working.value:.0%} of it" if working.value > 0.0 else "not below it"
    return [
        f"charger_i was {_told(asleep, 'asleep')} and {_told(working, 'working')}: {share}, "
        f"and sleep takes at most {SLEEP_SHARE_MAX:.0%} (common practice, no source)"
    ]


def sleep_share(found: Separability, recordings: Sequence[Recording], machine: MachineProfile) -> Estimate:
    """The charger's current asleep as a part of the working one; its interval is that of both medians at their worst.
    Nothing where the current says nothing of the machine.
    """
    if not _current_tells(found):
        return nothing("1")
    unit = machine.analog()[SUPPLY_CURRENT].unit
    asleep, working = (mostly(recordings, state, SUPPLY_CURRENT, unit) for state in ("S3", "S0"))
    if asleep.value is None or working.value is None or working.value <= 0.0:
        return nothing("1")
    low = high = None
    if asleep.low is not None and asleep.high is not None and working.low is not None and working.high is not None:
        if working.low <= 0.0 or asleep.high < 0.0:
            return nothing("1")  # a part of what may be nothing, or a reading that is none of a current taken
        # All four ways: near zero the current asleep may be read as negative.
        ends = [part / whole for part in (asleep.low, asleep.high) for whole in (working.low, working.high)]
        low, high = min(ends), max(ends)
    return Estimate(asleep.value / working.value, None, low, high, min(asleep.n, working.n), "1")


def _current_tells(found: Separability) -> bool:
    """False where no current is wired, or a pack carries the load so that it is the same working and off."""
    pairs = [pair for pair in found.pairs if {pair.state, pair.other} == {"S0", "S5"}]
    return any("charger_i" in pair.carried_by for pair in pairs)


def _told(figure: Estimate, when: str) -> str:
    interval = "" if figure.low is None or figure.high is None else f"95 %: {figure.low:.0f} to {figure.high:.0f}, "
    return f"{figure.value:.0f} {figure.unit} {when} ({interval}n = {figure.n} half seconds)"


def _only_light(model: Model, found: Separability, machine: MachineProfile) -> list[str]:
    """Said where nothing but the screen's light was another one asleep than working, which a shut lid explains."""
    if _current_tells(found):
        return []
    for name, line in machine.digital().items():
        shapes = [model.signatures[state].get(name) for state in ("S0", "S3")]
        shown = [{round(level.centre) for level in shape.levels} for shape in shapes if shape is not None]
        if len(shown) == 2 and not shown[0] & shown[1] and not OF_THE_SCREEN.search(line.signal):
            return []
    pair = next((pair for pair in found.pairs if {pair.state, pair.other} == {"S0", "S3"}), None)
    if pair is None or pair.overlaps or "pulses" in pair.carried_by:
        return []
    return ["nothing but the light changed when the lid was shut, and a panel goes dark on a machine that stays awake"]
