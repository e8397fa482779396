"""Scenarios of the simulated bench with known power states: what is seen, what the timeline says, and how they agree.

One run of 50 s each: off, working, asleep (from which the model is learned, unless another run teaches it), then
working, asleep, working and off again (which are judged). The truth is the bench's own state, asked for meanwhile.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from lidjig.bench import load_machine, load_sensor
from lidjig.bench.machine import MachineProfile
from lidjig.jig import Jig
from lidjig.jig_samples import Batch
from lidjig.jig_types import Event, Route
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from lidjig.measure.states import Timeline, timeline
from lidjig.measure.states_learn import Recording, learn
from lidjig.measure.states_model import UNKNOWN, Model, Track
from lidjig.twin.scenario import parse_scenario

from shared_proto import names

TEACH_S = 25.0
LENGTH_S = 50.0
SETTLED_S = 0.5  # after an arrival; what is recorded to be learned from begins then
DEEDS = ((5.0, "press-power"), (15.0, "shut-lid"), (TEACH_S, "open-lid"), (32.0, "shut-lid"), (39.0, "open-lid"))
OFF_AT_S = 36.0  # the button is held for 10 s
LATE_S = 1.0
RIPPLE = {"S0": (15.0, 60.0), "S3": (2.0, 8.0), "S5": (1.0, 3.0)}
PERIOD_S = {"light": 0.002, "pulses": 0.1}


@dataclass(frozen=True)
class Scene:
    """machine: a shipped model and profile; habits: TOML for [machine.parameters]; taught: the same of further runs to
    learn from, None = this run's own first half; unsure: share of settled time that may be "unknown"; wrong: share that
    may be wrong, where what tells two states apart moves through the levels of both.
    """

    name: str
    machine: str = "alder-14"
    habits: str = ""
    taught: tuple[str, ...] | None = None
    sensor: str = "hinge-a1"
    unsure: float = 0.02
    wrong: float = 0.005
    noise: float = 2.0


@dataclass
class Seen:
    """A run. truth: (from us, state, in transition) in board time."""

    machine: MachineProfile
    tracks: dict[str, Track]
    truth: list[tuple[int, str, bool]]
    end_us: int
    sink: object = field(repr=False, default=None)


class Nothing:
    """A record of nothing."""

    def events(self, batch: list[Event]) -> None:
        """Not kept."""

    def batch(self, batch: Batch) -> None:
        """Not kept."""

    def gap(self, kind: str, text: str, t_us: int | None) -> None:
        """Not kept."""

    def frames(self, lines: list[str]) -> None:
        """Not kept."""


def varied(unit: int) -> str:
    """One machine of a model is not like another: light, currents and latencies as TOML for [machine.parameters]."""
    rng = np.random.default_rng(unit)
    lines = []
    for state, light, current in (("S0", (300, 900), (500, 1200)), ("S3", (0, 0), (60, 180)), ("S5", (0, 0), (5, 25))):
        lines += [
            f"[machine.parameters.sign.{state}]",
            f"light_permille = {int(rng.integers(light[0], light[1] + 1))}",
            f"current_ma = {rng.uniform(*current):.1f}",
            f"current_ripple_ma = {rng.uniform(*RIPPLE[state]):.1f}",
        ]
        lines += [f"light_ripple_permille = {rng.uniform(4.0, 12.0):.1f}"] if state == "S0" else []
    for name in ("sleep", "wake"):
        lines += [f"[machine.parameters.latency.{name}]", f"median_ms = {rng.uniform(600.0, 1500.0):.0f}"]
    return "\n".join(lines)


def scenario_text(scene: Scene, habits: str, seed: int, unit: int) -> str:
    """The scenario of a run of one unit of the scene's machine."""
    deeds = "".join(f'[[event]]\nat_s = {at}\ndo = "{deed}"\n' for at, deed in (*DEEDS, (OFF_AT_S, "force-off")))
    head = f'seed = {seed}\n[machine]\nmodel = "{scene.machine}"\n'
    return f"{head}{varied(unit)}\n{habits}\n[jig]\nadc_noise_lsb = {scene.noise}\n{deeds}"


def watch(text: str, machine: str, sensor: str, seconds: float = LENGTH_S, vm: str = "cpython") -> Seen:
    """Run a scenario and collect what its observers show."""
    profile = load_machine(machine)[0]
    link = TwinLink(parse_scenario(text, "bench.toml"), vm=vm)
    try:
        with Jig(link, sink=Nothing(), nonce_seed=1) as jig:
            jig.connect(Deadline(jig.clock, 5.0))
            jig.load_blob(names.BLOB_PROFILE, load_sensor(sensor)[0].to_blob())
            jig.load_blob(names.BLOB_WIRING, profile.wiring_blob())
            return _watch(link, jig, profile, seconds)
    finally:
        link.close()


def _watch(link: TwinLink, jig: Jig, profile: MachineProfile, seconds: float) -> Seen:
    batches: list[Batch] = []
    edges: list[Event] = []
    jig.on_batch.append(batches.append)
    jig.on_event.append(edges.append)
    levels = jig.watch_lines(profile.watched_lines())
    if link.look()["charger_mv"]:
        jig.arm()
        jig.set_route(Route.THROUGH)
    for channel, observer in profile.channels().items():
        jig.sample(channel, PERIOD_S.get(observer, 0.005))
    begin_us = jig.status().t_us
    # Board time and the bench's differ by a constant; an answer takes about a millisecond.
    offset_us = max(jig.status().t_us - link.look()["t_us"] for _ in range(20))
    truth: list[tuple[int, str, bool]] = []
    while link.clock.now_s() < seconds:
        state = link.look()
        busy = bool(state["busy"])
        now = (state["t_us"] + offset_us, state["state"], busy)
        if not truth or truth[-1][1:] != now[1:]:
            truth.append(now)
        jig.pump(0.002 if busy else 0.02)
    end_us = jig.status().t_us
    while link.clock.now_s() < seconds + LATE_S:  # the last batches are still to come
        jig.pump(0.1)
    return Seen(profile, _tracks(profile, batches, edges, levels, begin_us, end_us), truth, end_us)


def _tracks(
    profile: MachineProfile, batches: list[Batch], events: list[Event], levels: dict[str, int], begin: int, end: int
) -> dict[str, Track]:
    out: dict[str, Track] = {}
    for line in profile.watched_lines():
        number = names.LINES.index(line)
        told = [(e.t_us, e.data["level"]) for e in events if e.name == "edge" and e.data["line"] == number]
        if line == "supply_ok":
            told += [(e.t_us, e.data["present"]) for e in events if e.name == "supply"]
        changes = [(begin, levels[line]), *sorted(c for c in told if c[0] > begin)]
        out[line] = Track(np.array([t for t, _ in changes]), np.array([v for _, v in changes], float), True, end)
    for channel, observer in profile.channels().items():
        mine = [b for b in batches if b.channel == channel]
        if mine:
            times = np.concatenate([b.t_us + np.rint(np.linspace(0, b.span_us, b.n)).astype(np.int64) for b in mine])
            raw = np.concatenate([np.frombuffer(b.data, "<u2").astype(float) for b in mine])
            scale = profile.scale(channel)
            out[observer] = Track(times, (raw - scale.offset) * scale.per_raw)
    return out


def labelled(seen: Seen, until_s: float = TEACH_S) -> list[Recording]:
    """Settled stretches with their true state, from the first part of a run."""
    out = []
    ends = [t for t, _, _ in seen.truth[1:]] + [seen.end_us]
    for (begin, state, busy), end in zip(seen.truth, ends, strict=True):
        begin += round(SETTLED_S * 1e6)
        # 20 ms before the change that ends it was seen, it may have come.
        end = min(end - 20_000, seen.truth[0][0] + round(until_s * 1e6))
        if not busy and end - begin > 1_000_000:
            cut = {name: track.between(begin, end) for name, track in seen.tracks.items()}
            out.append(Recording(state, cut, begin, end))
    return out


@dataclass
class Judged:
    """What came of a scene. confusion: (true, said) -> ms of settled time; errors_us: of the beginnings of states."""

    scene: Scene
    confusion: Counter[tuple[str, str]]
    errors_us: list[int]
    missed: int
    changes: int

    @property
    def total(self) -> int:
        return sum(self.confusion.values())

    @property
    def right(self) -> float:
        return sum(n for (true, said), n in self.confusion.items() if true == said) / self.total

    @property
    def unknown(self) -> float:
        return sum(n for (_, said), n in self.confusion.items() if said == UNKNOWN) / self.total

    @property
    def wrong(self) -> float:
        return max(0.0, 1.0 - self.right - self.unknown)


def judge(scene: Scene, seed: int, model: Model | None = None, vm: str = "cpython") -> Judged:
    """Run a scene, learn, decode its second half, compare. A model that is given is used instead of a learned one."""
    seen = watch(scenario_text(scene, scene.habits, seed, seed), scene.machine, scene.sensor, vm=vm)
    if model is None:
        recordings = labelled(seen) if scene.taught is None else []
        for number, habits in enumerate(scene.taught or ()):
            text = scenario_text(scene, habits, seed + 1000 + number, seed)
            recordings += labelled(watch(text, scene.machine, scene.sensor, TEACH_S, vm), TEACH_S)
        model = learn(recordings)
    begin_us = seen.truth[0][0] + round(TEACH_S * 1e6)
    found = timeline(model, {name: track.between(begin_us, seen.end_us) for name, track in seen.tracks.items()})
    return compare(scene, found, seen, begin_us)


def compare(scene: Scene, found: Timeline, seen: Seen, begin_us: int) -> Judged:
    """Settled time ms by ms, and each arrival in a state against the beginning of the span nearest to it."""
    starts = np.array([t for t, _, _ in seen.truth])
    times = np.arange(begin_us, found.end_us, 1_000)
    at = np.searchsorted(starts, times, side="right") - 1
    busy = np.array([b for _, _, b in seen.truth])[at]
    true = np.array([s for _, s, _ in seen.truth])[at]
    # A change is noticed up to 20 ms late: that long after the last look nothing is known of the truth.
    soon = np.array([np.min(starts[starts > t], initial=np.iinfo(np.int64).max) - t < 20_000 for t in times[~busy]])
    begins = np.array([span.begin_us for span in found.spans])
    said = np.array([s.state for s in found.spans])[np.searchsorted(begins, times, side="right") - 1]
    confusion: Counter[tuple[str, str]] = Counter(
        (str(a), str(b)) for a, b in zip(true[~busy][~soon], said[~busy][~soon], strict=True)
    )
    errors, missed, changes = [], 0, 0
    arrivals = [(t, s) for (t, s, b), before in zip(seen.truth[1:], seen.truth, strict=False) if not b and before[2]]
    for at_us, state in arrivals:
        if at_us < begin_us + 500_000:
            continue
        changes += 1
        near = [span.begin_us - at_us for span in found.spans[1:] if span.state == state]
        best = min(near, key=abs, default=10**9)
        if abs(best) > 1_000_000:
            missed += 1
        else:
            errors.append(best)
    return Judged(scene, confusion, errors, missed, changes)


BLINK = "[machine.parameters.power_light]\nperiod_ms = 2000\non_ms = 400\nlight_permille = 60"
CHARGE = "[machine.parameters.charging]\nma = 1500\nconstant_s = 20\ntaper_s = 60"
DIM = "[machine.parameters.screen]\ndim_after_s = 3.0\ndim_percent = 30\ndim_less_ma = 200"
BATTERY = "[machine.parameters.battery]\nshare_percent = 97\noffset_ma = 5"
DRIFT = "[machine.parameters.drift]\nlight_permille = 10\ncurrent_ma = 5\nperiod_s = 60\nripple_percent = 200"
WORK = "[machine.parameters.background]\nperiod_s = 3\non_ms = 500\nma = 300"
NOISE = "[machine.parameters.drift]\nripple_percent = 200"
SCREEN_OUT = "[machine.parameters.external_display]\nconnected = true\nless_ma = 250"


def both(*habits: str) -> str:
    """Several habits at once."""
    return "\n".join(habits)


def scenes() -> list[Scene]:
    """Kinds of bench, each with the machines that have the observers for it. Run with several seeds."""
    out = []
    for machine, sensor in (("alder-14", "hinge-a1"), ("birch-13", "hinge-b2"), ("dogwood-14", "hinge-a1")):
        base = Scene("plain", machine, sensor=sensor)
        # The charging current tapers off through the levels that were taught. On alder-14 signals and light still tell
        # every state, but while the current says another one that is a contradiction: S0 (half of the time) may be lost
        # to it, nothing may be wrong. Asleep and off of the others have nothing but the current.
        charging: dict[str, Any] = {"unsure": 0.5} if machine == "alder-14" else {"unsure": 0.75, "wrong": 0.02}
        out += [
            base,
            replace(base, name="noisy", noise=4.0, habits=NOISE),
            replace(base, name="blinks", habits=BLINK),
            replace(base, name="dims", habits=DIM),
            replace(base, name="drifts", habits=DRIFT),
            replace(base, name="works asleep", habits=WORK),
            replace(base, name="charges", habits=CHARGE, **charging),
            replace(base, name="charges, blinks, dims", habits=both(CHARGE, BLINK, DIM), **charging),
            # The rest is taught by a machine without the habit: what is new may be "unknown", never wrong.
            replace(base, name="dims, untaught", habits=DIM, taught=("",), unsure=0.5),
            replace(base, name="blinks, untaught", habits=BLINK, taught=("",), unsure=0.5),
            replace(base, name="charges, untaught", habits=CHARGE, taught=("",), **{**charging, "unsure": 1.0}),
            replace(base, name="external display, untaught", habits=SCREEN_OUT, taught=("",), unsure=0.6),
            replace(base, name="external display", habits=SCREEN_OUT, taught=("", SCREEN_OUT), unsure=0.6),
        ]
        # Without the supply current only alder-14's signals keep asleep and off apart.
        out.append(replace(base, name="battery", habits=BATTERY, unsure=0.02 if machine == "alder-14" else 1.0))
    out += [Scene("lines alone", "cedar-15", sensor="slow-20")]
    return out
