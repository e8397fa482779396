"""From observations to findings: Bayes' rule over the table, one fault assumed, observations taken as independent.

Observations of one fault hang together, so the figures rank causes and overstate certainty; they are capped for that.
Two faults are told only where the jig's two sides each show one by themselves: neither side can disturb the other.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from lidjig.measure import proportion
from lidjig.procedures.isolate_table import CAUSES, HEALTHY, Cause
from lidjig.record.model import Finding

CERTAIN_MAX = 0.99  # nothing is told as more certain than this: the table itself is not
KNOWN_MIN = 0.6  # below this no place is named: the finding is "unknown"
NAMED_SHARE = 0.7  # a fault kind is named when it holds this much of its place's probability
ALTERNATIVE_MIN = 0.02  # other places are mentioned from here
WEIGHS_MIN = 2.0  # an observation decides between two causes from this likelihood ratio on
CAUSE_MIN = 0.001  # less probable causes are not listed
FITS_MIN = 0.05  # what is less probable than this under a cause does not fit it
TWO_FAULTS = "two faults at once: the sensor by itself and the machine without it are both out of order"
# What the sensor shows when the jig feeds it, and what depends on both sides together.
_SENSOR_SIDE = frozenset(name for name in HEALTHY if name.startswith("sensor_"))
_ANGLE_READ = "sensor_speaks"  # seen wherever a sensor that tells an angle was read
_BOTH_SIDES = frozenset({"start_through", "sleep_through", "wake_through"})


@dataclass(frozen=True)
class Seen:
    """One observation: its name and value in the table, and the sentence (with numbers) it stands on."""

    name: str
    value: str
    text: str


def likelihood(cause: Cause, name: str, value: str) -> float:
    """Probability of a value under a cause; what a row leaves open is shared equally by the values it does not name.

    Raises KeyError for an observation or value that the table does not know.
    """
    healthy = HEALTHY[name]
    if value not in healthy:
        raise KeyError(f"{name}={value}")
    row = cause.sees.get(name)
    if row is None:
        return healthy[value]
    if value in row:
        return row[value]
    unnamed = len(healthy) - len(row)
    return max(1e-4, 1.0 - sum(row.values())) / unnamed


def posterior(seen: Mapping[str, str], causes: Collection[Cause] = CAUSES) -> list[tuple[Cause, float]]:
    """Causes with their probability given what was seen, most probable first. What was not seen counts for nothing."""
    kind = "angle" if _ANGLE_READ in seen else "switch"
    logs = [
        (cause, math.log(cause.prior) + sum(math.log(likelihood(cause, n, v)) for n, v in seen.items()))
        for cause in causes
        if cause.only in ("", kind)
    ]
    highest = max(value for _cause, value in logs)
    weights = [(cause, math.exp(value - highest)) for cause, value in logs]
    total = sum(weight for _cause, weight in weights)
    return sorted(((cause, weight / total) for cause, weight in weights), key=lambda pair: -pair[1])


def conclude(
    seen: Collection[Seen],
    *,
    untested: Collection[str] = (),
    failed: Collection[str] = (),
    rounds: int | None = None,
) -> list[Finding]:
    """Findings, the main one first; others are less probable explanations of the same observations, or a second fault.

    untested: places ("sensor") that had no part in the test and are therefore neither blamed nor cleared. failed: names
    of measurements outside their limits; the main finding names each. rounds: clean rounds behind a "none", which is
    told as no more probable than the next round being clean too.
    """
    findings = _explained(seen, untested)
    main = findings[0]
    if main.is_fault:
        evidence = [*main.evidence, *(f"{name} is outside its limits" for name in failed)]
        findings[0] = replace(main, evidence=evidence)
    elif main.where == "none" and main.probability is not None and rounds is not None:
        # Rule of succession (Laplace): after n clean rounds the next one is clean with (n + 1) / (n + 2).
        findings[0] = replace(main, probability=round(min(main.probability, (rounds + 1) / (rounds + 2)), 3))
    return findings


def weighing(
    findings: Collection[Finding], seen: Collection[Seen], untested: Collection[str] = ()
) -> dict[str, list[dict[str, object]]]:
    """What weighed, as the result of a step: {"findings": ..., "causes": ...}.

    findings: for each, the sentences of its evidence ("decided") that are at least WEIGHS_MIN times as probable under
    its cause as under the most probable other one ("rival", its place and kind), the weightiest first, led by what the
    cause says. causes: every kind of fault that no finding tells, with its probability, down to CAUSE_MIN.
    """
    ranked = posterior(
        {item.name: item.value for item in seen}, [cause for cause in CAUSES if cause.where not in untested]
    )
    out: list[dict[str, object]] = []
    left: dict[tuple[str, str | None], float] = {}
    for cause, probability in ranked:
        if not any(f.where == cause.where and f.what in (None, cause.what) for f in findings):
            left[cause.where, cause.what] = left.get((cause.where, cause.what), 0.0) + probability
    for finding in findings:
        mine = next((c for c, _p in ranked if c.where == finding.where and finding.what in (None, c.what)), None)
        other = next((c for c, _p in ranked if mine and (c.where, c.what) != (mine.where, mine.what)), None)
        if mine is None or other is None:
            continue
        ratio = {
            item.text: likelihood(mine, item.name, item.value) / likelihood(other, item.name, item.value)
            for item in seen
        }
        telling = [text for text in finding.evidence if ratio.get(text, 0.0) >= WEIGHS_MIN]
        decided = [text for text in finding.evidence if text == mine.says]
        decided += sorted(telling, key=lambda text: -ratio[text])
        rival = {"where": other.where, "what": other.what}
        if telling:
            out.append({"where": finding.where, "what": finding.what, "decided": decided, "rival": rival})
    causes: list[dict[str, object]] = [
        {"where": where, "what": what, "probability": round(probability, 4)}
        for (where, what), probability in sorted(left.items(), key=lambda pair: -pair[1])
        if probability >= CAUSE_MIN
    ]
    return {"findings": out, "causes": causes}


SENSOR_UNTESTED = "the sensor was not tested: the jig stood in for it"


def what_cycles_show(cycles: int) -> str:
    """What so many clean cycles leave open, as a note (exact one-sided bound, 95 %)."""
    bound = proportion.upper_bound(0, cycles)
    return (
        f"clean cycles: {cycles}; a machine that misses up to {100.0 * bound:.2g}% of its movements is not excluded by "
        "them (95 %); more cycles find rarer misses"
    )


def what_rounds_show(rounds: int) -> str:
    """What so many clean rounds leave open, as a note (exact one-sided bound, 95 %)."""
    bound = proportion.upper_bound(0, rounds)
    return (
        f"clean rounds: {rounds}; a machine that misses up to {bound:.0%} of its movements is not excluded by them "
        "(95 %); 'lidjig cycle' finds rarer misses"
    )


def _placed(ranked: list[tuple[Cause, float]]) -> dict[str, float]:
    """Place -> probability, the most probable first."""
    places: dict[str, float] = {}
    for cause, probability in ranked:
        places[cause.where] = places.get(cause.where, 0.0) + probability
    return dict(sorted(places.items(), key=lambda pair: -pair[1]))


def _explained(seen: Collection[Seen], untested: Collection[str]) -> list[Finding]:
    causes = [cause for cause in CAUSES if cause.where not in untested]
    by_name = {item.name: item for item in seen}
    ranked = posterior({item.name: item.value for item in seen}, causes)
    places = _placed(ranked)
    order = list(places)
    best = order[0]
    if not untested and not (places[best] >= KNOWN_MIN and _explains(ranked[0][0], by_name.values())):
        both = _two_faults(by_name)
        if both:
            return both
    # A fault that nothing seen speaks for is only the one met most often.
    blamed = ranked[0][0] if best == "none" else next(cause for cause, _p in ranked if cause.where == best)
    if places[best] < KNOWN_MIN or (best != "none" and not _telling(blamed, by_name, all_that_fits=False)):
        return [_unknown(list(by_name.values()), places)]
    findings = [_finding(best, ranked, places, by_name, main=True)]
    if best != "none":
        findings += [
            _finding(where, ranked, places, by_name, main=False)
            for where in order[1:]
            if where != "none" and places[where] >= ALTERNATIVE_MIN
        ]
    return findings


def _explains(cause: Cause, seen: Collection[Seen]) -> bool:
    """True where nothing that is out of order on either side of the connector contradicts the cause."""
    return all(
        likelihood(cause, item.name, item.value) >= FITS_MIN
        for item in seen
        if item.name not in _BOTH_SIDES and HEALTHY[item.name][item.value] < FITS_MIN
    )


def _two_faults(seen: Mapping[str, Seen]) -> list[Finding]:
    """The sensor's fault and the machine's, where each side by itself names one; else nothing."""
    sensor_side = {name: item for name, item in seen.items() if name in _SENSOR_SIDE}
    machine_side = {name: item for name, item in seen.items() if name not in _SENSOR_SIDE | _BOTH_SIDES}
    found: list[Finding] = []
    for side, causes in (
        (sensor_side, CAUSES),
        (machine_side, tuple(cause for cause in CAUSES if cause.where != "sensor")),
    ):
        ranked = posterior({name: item.value for name, item in side.items()}, causes)
        places = _placed(ranked)
        where = "sensor" if side is sensor_side else next(iter(places))
        if where == "none" or places[where] < KNOWN_MIN:
            return []
        order = "next" if found else "first"
        finding = _finding(where, ranked, places, side, main=True)
        todo = f"Two faults, mend this one {order}: {finding.next}"
        found.append(replace(finding, evidence=[TWO_FAULTS, *finding.evidence], next=todo))
    return found


def _finding(
    where: str,
    ranked: list[tuple[Cause, float]],
    places: dict[str, float],
    seen: Mapping[str, Seen],
    *,
    main: bool,
) -> Finding:
    """One place as a finding. Its fault kind is named only where the observations single it out.

    The main finding carries all that fits it; another explanation only what speaks for it and against it.
    """
    cause, probability = next(pair for pair in ranked if pair[0].where == where)
    # Rows of the same kind are variants of one fault.
    probability = sum(p for c, p in ranked if (c.where, c.what) == (where, cause.what))
    named = probability >= NAMED_SHARE * places[where]
    # What hardly happens under a cause speaks against it, however much less it happens on a healthy machine.
    unfit = {name for name, item in seen.items() if likelihood(cause, name, item.value) < FITS_MIN}
    evidence = [item.text for item in _telling(cause, seen, all_that_fits=main) if item.name not in unfit]
    against = [f"does not fit: {item.text}" for name, item in seen.items() if name in unfit]
    if not named:
        kinds = list(dict.fromkeys(c.what for c, p in ranked if c.where == where and c.what and p >= ALTERNATIVE_MIN))
        evidence.append(f"not told apart: {', '.join(kinds)}")
    return Finding(
        where=where,
        what=cause.what if named else None,
        probability=round(min(CERTAIN_MAX, probability if named else places[where]), 3),
        evidence=[cause.says, *evidence, *against] if named else [*evidence, *against],
        next=cause.todo,
        caution=cause.caution,
    )


def _telling(cause: Cause, seen: Mapping[str, Seen], *, all_that_fits: bool) -> list[Seen]:
    """The observations that speak for this cause: those more probable under it than on a healthy machine come first.

    For "none" these are all that fit.
    """
    if cause.where == "none":
        return [item for item in seen.values() if HEALTHY[item.name][item.value] >= 0.5]
    gain = {
        item.name: likelihood(cause, item.name, item.value) / HEALTHY[item.name][item.value] for item in seen.values()
    }
    strong = sorted((item for item in seen.values() if gain[item.name] > 2.0), key=lambda item: -gain[item.name])
    if not all_that_fits:
        return strong
    # What a healthy machine would show as well clears the other places, so it is evidence too.
    rest = [item for item in seen.values() if item not in strong and likelihood(cause, item.name, item.value) >= 0.5]
    return strong + rest


def _unknown(seen: list[Seen], places: dict[str, float]) -> Finding:
    """Nothing stands out: say what was seen and what is left."""
    left = sorted(places.items(), key=lambda pair: -pair[1])
    open_places = ", ".join(f"{where} {probability:.0%}" for where, probability in left if probability >= 0.05)
    return Finding(
        where="unknown",
        what=None,
        probability=None,
        evidence=[item.text for item in seen] + [f"not told apart: {open_places}"],
        next="Measure what is missing (see the measurements marked 'not measured'), then repeat.",
        caution="",
    )
