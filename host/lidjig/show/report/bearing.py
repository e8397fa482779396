"""Which measurements a recorded sentence of evidence speaks of: a reader can then go from the sentence to the figures.

Sentence by its beginning, as the procedures record it; a sentence that no row knows leads nowhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from lidjig.record.stored import StoredRun

_START, _DRIVEN = "start", "lines driven hard"  # steps
_OUTSIDE = re.compile(r"(.+) is outside its limits")
_LINE = re.compile(r"line (\d) (?:is|looks|shows)\b")
# Beginning of a sentence, and the names of the measurements that it tells, each as a pattern of the whole name.
_TOLD: tuple[tuple[str, str], ...] = (
    (r"sensor supply ", r"sensor supply"),
    (r"charger gives ", r"charger voltage"),
    (r"the sensor draws ", r"sensor current"),
    (r"lid open: the sensor", r"sensor (line \d|angle), lid open"),
    (r"lid shut: the sensor", r"sensor (line \d|angle), lid shut"),
    (r"the sensor gave ", r"sensor readings lost"),
    (r"the sensor's angle moved ", r"sensor spread, lid at rest"),
    (r"from open to shut the sensor's ", r"sensor angle, lid (open|shut)"),
    (r"from open to shut the sensor counted ", r"sensor travel"),
    (r"the sensor's lines changed ", r"sensor changes, lid at rest"),
    (r"lines open: the machine", r"start, lines open"),
    (r"stand-in open: the machine", r"start, stand-in open"),
    (r"real sensor, lid open: the machine", r"start, real sensor"),
    (r"lines open, lid shut: the machine", r"lines open, lid shut: .*"),
    (r"real sensor, lid shut: the machine", r"real sensor, (lid shut: .*|sleep latency)"),
    (r"real sensor, lid opened: the machine", r"real sensor, (lid opened: .*|wake latency)"),
    (r"stand-in: slept ", r"sleep misses|sleep latency, .*|sleeps too late"),
    (r"stand-in: woke ", r"wake misses|wake latency, .*|wakes too late"),
    (r"stand-in: (told to sleep|sleep after)", r"sleep latency"),
    (r"stand-in: (told to wake|wake after)", r"wake latency"),
    (r"the machine (left no state|was found in)", r"states lost"),
)


def outside(sentence: str) -> str:
    """The measurement that a sentence calls outside its limits, or ""."""
    found = _OUTSIDE.fullmatch(sentence)
    return found.group(1) if found and not sentence.startswith("none of ") else ""


def lines_told(sentence: str) -> list[str]:
    """Numbers of the machine's lines whose pull or hold a sentence tells."""
    return _LINE.findall(sentence)


def step_times(sentence: str, run: StoredRun) -> tuple[int, ...]:
    """Board times in us of the step that a sentence tells and no measurement does: begin and end of lines driven hard,
    the operator's act and S0 of a start that is no figure of the run.
    """
    for step in run.steps:
        result = step.result if isinstance(step.result, dict) else {}
        if step.name == _DRIVEN and sentence.startswith(f"{_DRIVEN} ("):
            return tuple(t_us for t_us in (step.begin_t_us, step.end_t_us) if t_us is not None)
        if step.name == _START and not step.arguments.get("measured"):
            if sentence.startswith(f"{step.arguments.get('how')}: the machine"):
                return tuple(result[key] for key in ("marked_us", "s0_us") if result.get(key) is not None)
    return ()


def measurements_of(sentence: str, names: Iterable[str]) -> list[str]:
    """Those of the names that the sentence tells, in their order."""
    told = [pattern for begins, pattern in _TOLD if re.match(begins, sentence)]
    told += [rf"line {number} (pull|idle level)" for number in lines_told(sentence)]
    if outside(sentence):
        told.append(re.escape(outside(sentence)))
    return [name for name in names if any(re.fullmatch(pattern, name) for pattern in told)]
