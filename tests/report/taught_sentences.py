"""What teach says, in each of its forms: evidence, next steps and notes."""

from __future__ import annotations

from types import SimpleNamespace

import msgspec
from lidjig.bench import load_machine
from lidjig.measure.estimate import Estimate
from lidjig.measure.states_cross import Pair, Separability
from lidjig.procedures.taught_advice import PACK_NEXT, SETTLE_NEXT, SURE_NEXT
from lidjig.procedures.taught_sleep import DISPLAY_NEXT, ELSE_NEXT, PACK_ASLEEP_NEXT, S0IX_NEXT
from lidjig.procedures.taught_sleep import WORDS as STATE_WORDS
from lidjig.procedures.taught_sleep import _told as told_figure
from lidjig.procedures.teaching import only_in_time, overlaps, told_apart, unsettled, wandering

PAIRS = (("S0", "S3"), ("S3", "S5"), ("S0", "S5"), ("S5", "G3"))


def learned() -> SimpleNamespace:
    """A model in which the light moved slowly in every state."""
    shape = SimpleNamespace(levels=[0], independent_per_s=1.0)
    rows = {state: {"light": shape} for state in ("S0", "S3", "S5", "G3")}
    return SimpleNamespace(signatures=rows, scopes={"light": SimpleNamespace(digital=False)})


def taught() -> list[str]:
    """What teach says, in each of its forms."""
    share, sure = Estimate(0.031, None, 0.002, 0.1, 40, "1"), Estimate(0.0, None, 0.0, 0.08, 45, "1")
    machine = load_machine("alder-14")[0]
    out: list[str] = []
    for by in ({"light": sure, "charger_v": share, "charger_i": Estimate(None, None, None, None, 0, "1")}, {}):
        pairs = [Pair(*both, share, 1.0, by, dict.fromkeys(by, nats)) for both in PAIRS for nats in (1.0, 1e6)]
        found = Separability(0.5, {("S0", "unknown"): 4, ("S0", "S0"): 6}, share, share, tuple(pairs))
        out += told_apart(found, machine)
        free = msgspec.structs.replace(machine, observers=type(machine.observers)())
        model = learned()
        model.signatures = {}
        findings = [*overlaps(found, machine, model, []), *overlaps(found, free, model, []), *unsettled(found)]
        findings += [only_in_time(pair, machine, model, []) for pair in PAIRS]
        out += [text for finding in findings for text in (*finding.evidence, finding.next)]
    level = "SLP_S3# (observer_1) was high for 100% of the time, where the profile alder-14 has it low in S3"
    given = [Estimate(681.0, None, 680.0, 684.0, 10, "mA"), Estimate(681.0, None, None, None, 10, "mA")]
    figures = [told_figure(figure, when) for figure in given for when in ("asleep", "working")]
    for asleep, working in (figures[:2], figures[2:]):
        for part in ("76% of it", "not below it"):
            most = "and sleep takes at most 33% (common practice, no source)"
            out.append(f"charger_i was {asleep} and {working}: {part}, {most}")
    light = "nothing but the light changed when the lid was shut"
    only_light = f"{light}, and a panel goes dark on a machine that stays awake"
    for text in (*out[-4:], level, only_light):
        out += [text, *(f"the machine does not look {words}: {text}" for words in STATE_WORDS.values())]
    out += [ELSE_NEXT, PACK_NEXT, SETTLE_NEXT, SURE_NEXT]
    lacking = ["SLP_S3# to a digital observer", "a light sensor on the screen", "a power monitor in the charger's lead"]
    wanted = [*lacking, ", or ".join(lacking), ", or ".join(lacking[1:]), "SLP_S4# to a digital observer"]
    wanted += ["SLP_S4# to a digital observer, or a power monitor in the charger's lead", "the charger voltage"]
    for text in wanted:
        for free in ("", " (observer_1 is free)"):
            out += [f"{cause} Or wire {text}{free}." for cause in (PACK_NEXT, SETTLE_NEXT)]
            sure = "Make sure first that the machine really was in both states."
            out.append(f"Wire another observer that shows the difference: {text}{free}. {sure}")
    for asleep in (DISPLAY_NEXT, PACK_ASLEEP_NEXT):
        out += [asleep, asleep + S0IX_NEXT]
        out += [f"{asleep} Wire what shows sleep besides the light: {text}." for text in wanted]
    for why in ("a state that the machine did not look to be in", "signatures that overlap"):
        out.append(f"no profile was written: {why} would be taken for certain")
    out += wandering(learned())  # type: ignore[arg-type]
    out += ["written: alder-14-taught.toml; use it with --machine alder-14-taught.toml", "Use it: --machine a.toml"]
    for lost in ("none missing", "1 batch missing", "4 batches missing", "not all that were due"):
        out.append(f"recorded: 9043 readings of 8 channels, {lost}")
    for told in ("no reading came of", "begin late or end early: the readings of", "gaps in the readings of"):
        out += [f"{told} meter_1_i", f"{told} meter_1_i, meter_1_v"]
    return out
