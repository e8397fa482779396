"""A stored run of teach once more: learned anew from its samples and lines, in the stretches of the operator's answers.

The same procedure learns, judges and makes the profile, on a bench where nothing moves; nothing is written.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from lidjig.errors import BadInput
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Track
from lidjig.procedures.base import Bench
from lidjig.procedures.collecting import change_of, heard_enough, line_track, sampled_periods
from lidjig.procedures.rederiving import heard, spans_of
from lidjig.procedures.replay_bench import (
    Forgetting,
    as_far_as_recorded,
    blaming_nothing,
    closing,
    has_concluded,
    still_bench,
    without_argument,
    without_conclusion,
)
from lidjig.procedures.replayed import SAME_PART, Replayed, compare
from lidjig.procedures.report import Report
from lidjig.procedures.teaching import TAUGHT_TEXT, Teach
from lidjig.record.axis import Boot, Levels, boots_of, levels_of
from lidjig.record.model import RECORD_STEP
from lidjig.record.power_states import Series, tracks_of
from lidjig.record.stored import StoredRun, StoredStep

if TYPE_CHECKING:
    from lidjig.record.blocks import Segment

WRITTEN = re.compile(r"written: (.*); use it with --machine \1")  # the note on where the profile went
# What is learned from, and how the run ended: where rows of these are missing, nothing is learned.
LEARNED_FROM = ("blocks", "events", "samples", "steps", "notes")
RECORDED = " recorded"  # ending of the figures that no learning is needed for
NOTHING = Track(np.empty(0, np.int64), np.empty(0))
NOT_KEPT = "the profile that was learned is not in the record (an older lidjig did not keep it), so it is not compared"


class TeachAgain(Teach):
    """Teach on a still bench. stored: the run, whose [learned] part says when it was made and what its base is called;
    `text` is the profile that was learned, "" where none was.
    """

    def __init__(self, bench: Bench, stored: StoredRun) -> None:
        given = stored.arguments
        base = (bench.machine.name, stored.texts["machine"])
        super().__init__(bench, base, self._keep, float(given["seconds"]), s0ix=bool(given["s0ix"]))
        self.stored = stored
        self.text = ""

    def _keep(self, text: str) -> str:
        self.text = text
        found = (WRITTEN.fullmatch(note) for note in self.stored.notes)
        return next((one.group(1) for one in found if one), "")

    def made(self) -> dict[str, str]:
        """By the run's own row; when, and the name of the base, as the profile says that was kept."""
        stored = self.stored
        kept = table_of(stored.texts.get(TAUGHT_TEXT, "")).get("learned", {})
        return {
            "when_utc": str(kept.get("when_utc", stored.started_utc)),
            "how": self.how(),
            "board_id": stored.board_id,
            "run": stored.origin or stored.id,
            "base": str(kept.get("base", self.base_name)),
            "host_version": stored.host_version,
            "seed": stored.link_details.get("seed", ""),
        }


class Relearning:
    """A run of teach on its way through the analysis. Raises BadInput for a run that lacks what it is made from."""

    def __init__(self, stored: StoredRun, series: Series) -> None:
        self.stored = stored
        bench = still_bench(stored)
        try:
            self.teach = TeachAgain(bench, stored)
        except KeyError as error:
            raise without_argument(stored, error) from error
        self.boots = heard(stored, bench.machine)
        self.lines = StoredLines(stored)
        wanted = {bench.channel(name) for name in bench.machine.analog()}
        kept = {channel: list(segments) for channel, segments in series.items() if channel in wanted}
        self.samples = tracks_of(stored, kept, bench.machine)
        self.missing = {name: list(holes_in(kept.get(bench.channel(name), []))) for name in bench.machine.analog()}
        self.hidden: list[tuple[str, str]] = []  # stretches that lie in a hole, as recorded
        self.sample_holes: list[str] = []

    @property
    def holes(self) -> list[str]:
        """What is missing of that which the conclusion stands on."""
        known = [hole.text for hole in self.stored.holes if hole.table in LEARNED_FROM]
        return known + self.sample_holes

    def run(self) -> Replayed:
        """Learn, judge, compare."""
        for step in self.stored.steps:
            if step.name == RECORD_STEP and step.state == "done":
                self._enter(step)
        report = self._conclude()
        seen = cast(Forgetting, self.teach.bench.recorder).seen
        if not has_concluded(self.stored):
            # What it did not come to is no difference.
            had = {one.name for one in self.stored.observations}
            seen = [one for one in seen if one.name in had]
        done = compare(self.stored, report, seen, [], spans_of(self.boots), 0)
        done.miss([*(hole.text for hole in self.stored.holes), *self.sample_holes], self.holes, self.hidden)
        self._compare_profiles(done)
        return done

    # -- what was recorded

    def _enter(self, step: StoredStep) -> None:
        state, begin_us, end_us = (step.result[key] for key in ("state", "begin_us", "end_us"))
        boot = self.lines.boot_at(state, begin_us)
        tracks: dict[str, Track] = {}
        for name in self.teach.bench.machine.watched_lines():
            tracks[name] = self.lines.track(boot, name, state, begin_us, end_us)
        for name, period_s in sampled_periods(self.teach.bench).items():
            track = tracks[name] = self._sampled(name, boot, begin_us, end_us)
            # No stretch counted that had one: what is missing now was lost from the record.
            lost = any(
                place == boot.number and last_us <= end_us and first_us >= begin_us
                for place, last_us, first_us in self.missing[name]
            )
            if lost or not heard_enough(track, end_us - begin_us, period_s):
                self.sample_holes.append(
                    f"readings of {name} in {state}: {track.values.size} are left from board time "
                    f"{begin_us / 1e6:.6f} s to {end_us / 1e6:.6f} s, one every {period_s:g} s is due"
                )
                self.hidden.append((f"recorded in {state}", f"from {begin_us} us to {end_us} us"))
        self.teach.enter(Recording(state, tracks, begin_us, end_us))

    def _sampled(self, name: str, boot: Boot, begin_us: int, end_us: int) -> Track:
        whole = self.samples.get(name, NOTHING)
        part = whole.between(begin_us + boot.offset_us, end_us + boot.offset_us)
        return Track(part.t_us - boot.offset_us, part.values)

    # -- the conclusion

    def _conclude(self) -> Report:
        """As the run ended; where part of the record is missing, nothing is learned from what is left."""
        teach, stored = self.teach, self.stored
        if self.holes:
            report = closing(teach, stored) if has_concluded(stored) else without_conclusion(teach, stored)
            return blaming_nothing(report, stored, self.holes)
        if has_concluded(stored):
            teach.conclude()
            return closing(teach, stored)
        if any(m.value is not None and not m.name.endswith(RECORDED) for m in stored.measurements):
            teach.conclude()
        return as_far_as_recorded(teach, stored)

    def _compare_profiles(self, done: Replayed) -> None:
        kept = self.stored.texts.get(TAUGHT_TEXT)
        if kept is None and self.teach.text:
            done.uncompared.append(NOT_KEPT)
            return
        if not self.teach.text and not has_concluded(self.stored):
            return
        recorded, replayed = dict(leaves(table_of(kept or ""))), dict(leaves(table_of(self.teach.text)))
        for name in dict.fromkeys([*recorded, *replayed]):
            old, new = recorded.get(name), replayed.get(name)
            numbers = isinstance(old, float) and isinstance(new, float) and math.isclose(old, new, rel_tol=SAME_PART)
            done.check("profile", name, told(old), told(old if numbers else new))


class StoredLines:
    """The digital lines of a stored run, from the levels that were read and the events that tell changes."""

    def __init__(self, run: StoredRun) -> None:
        self.run = run
        self.boots = boots_of(run)
        self.read = levels_of(run, self.boots)

    def boot_at(self, state: str, begin_us: int) -> Boot:
        """The boot in which a state was recorded from begin_us on: levels were read then. Raises BadInput."""
        found = [boot for boot in self.boots if any(read.t_us == begin_us for read in self.read[boot.number])]
        if found or len(self.boots) == 1:
            return (found or list(self.boots))[-1]
        raise self._lacks(f"in which of {len(self.boots)} boots of the board {state} was recorded")

    def track(self, boot: Boot, name: str, state: str, begin_us: int, end_us: int) -> Track:
        """A line between two board times. Raises BadInput where its level at the beginning is not told."""
        events = self.run.events[boot.first : boot.last + 1]
        read: Levels | None = max(
            (read for read in self.read[boot.number] if read.t_us <= begin_us), key=lambda one: one.t_us, default=None
        )
        if read is None or any(e.name == "lost" and read.t_us < e.t_us <= begin_us for e in events):
            raise self._lacks(f"the level of {name} when {state} began to be recorded")
        found = ((event.t_us, change_of(event)) for event in events)
        changes = [(t_us, change[1]) for t_us, change in found if change is not None and change[0] == name]
        before = [level for t_us, level in changes if read.t_us < t_us <= begin_us]
        return line_track(before[-1] if before else read.of(name), changes, begin_us, end_us)

    def _lacks(self, what: str) -> BadInput:
        accepted = (
            f"a run of teach that kept the levels of all lines whenever it began to record; this one lacks {what} "
            "(an older lidjig made it, or part of it was lost)"
        )
        return BadInput(self.run.id, "RUN", self.run.id, accepted)


def holes_in(segments: Iterable[Segment]) -> Iterator[tuple[int, int, int]]:
    """(boot from 1, board time of the last sample before, of the first one after it) of each hole in a channel."""
    boot, before_us = 1, None
    for segment in segments:
        begin_us, end_us = int(segment.t_us[0]), int(segment.t_us[-1])
        if before_us is not None and begin_us < before_us:
            boot += 1
        elif before_us is not None and segment.after_hole:
            yield boot, before_us, begin_us
        before_us = end_us


def table_of(text: str) -> dict[str, Any]:
    """A profile's text as a table; empty where it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}


def leaves(node: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """(dotted name, value) of all that a table holds."""
    rows = node.items() if isinstance(node, dict) else enumerate(node, start=1) if isinstance(node, list) else None
    if rows is None:
        yield name, node
        return
    for key, value in rows:
        yield from leaves(value, f"{name}.{key}" if name else str(key))


def told(value: object) -> str:
    """A value of a profile; "" where there is none."""
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value) or "empty"
