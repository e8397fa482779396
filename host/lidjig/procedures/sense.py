"""Sense: what does the real sensor say? The jig feeds it, the machine's lines apart, and reads it back."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from lidjig.bench.actions import lid_action
from lidjig.bench.families.base import ReadVolts
from lidjig.jig_types import Lock, Route
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.isolate_angle import tells_travel_only
from lidjig.procedures.reasoning import Seen, conclude, weighing
from lidjig.procedures.report import Declared
from lidjig.procedures.sense_curve import By, Curve, Heard, Visit, declare_curve
from lidjig.procedures.sensor_judging import GOOD, details_of, judge_words, silence_of, words_of
from lidjig.procedures.sensor_looks import SUPPLY, SUPPLY_N, Looked, steps_now
from lidjig.procedures.sensor_reading import SensorSaid, noise_limit_deg, read_looks, said_of, travel_deg
from lidjig.procedures.survey import (
    LEVEL_HALF,
    READINGS,
    declare_current,
    feed_sensor,
    judge_current,
    look_unfed,
    read_sensor,
    release_sensor,
)
from lidjig.record.model import ANGLES_STEP, WEIGHED_STEP, Finding

T = TypeVar("T")

COUNT = 20
COUNT_MIN, COUNT_MAX = 3, 200
VISIT_N = 8  # readings at each angle that is set
SETTLED_S = 0.2  # after the operator's mark, before the sensor is read
REST_S = 2.0  # steps are counted so long while nobody moves the lid
TRAVEL_MIN_DEG = 80.0  # of a lid that was opened past 100 deg, by eye (common practice, no source)
MACHINE_SIDE = ("wiring", "board", "setting", "elsewhere")
ESD = (
    "Caution: discharge yourself (ESD strap) before touching the sensor's connector. The jig feeds the sensor by "
    "itself, the machine's lines stay apart from it."
)
BY_HAND = "Caution: keep fingers and loose cables out of the hinge, and the machine off while its lid is moved."
FED, LOST, ANGLE = "sensor supply, fed", "sensor readings lost", "sensor angle"
NOISE = "sensor spread (sd), lid at rest"
TRAVEL, AT_REST = "sensor travel", "sensor changes, lid at rest"


class Sense(Procedure):
    """count: readings with the lid as it is. by: angles that the operator is to set, and how well."""

    command = "sense"

    def __init__(self, bench: Bench, count: int = COUNT, by: By | None = None) -> None:
        self.count, self.by = count, by or By()
        self.by.check(bench.sensor)
        super().__init__(bench)
        self.curve = Curve(bench.sensor, bench.machine, self.by, self.sheet)
        self.seen: list[Seen] = []
        self._not_tested: list[str] = []

    @property
    def _counts(self) -> bool:
        return not self.bench.sensor.is_switch and tells_travel_only(self.bench.sensor)

    def declare(self) -> list[Declared]:
        """Supply and current of the sensor, its readings, and its curve where that was asked for."""
        sensor = self.bench.sensor
        declared = [Declared(FED, "V", doc="3.3 V behind 47 ohm"), declare_current(sensor)]
        if sensor.is_switch:
            return [*declared, *(Declared(_level(line), "1", doc="part of its supply") for line in sensor.lines())]
        if self._counts:
            declared.append(Declared(AT_REST, "1", None, 1.0, "steps, while nobody moves the lid"))
            if not self.by.at_deg:
                declared.append(Declared(TRAVEL, "deg", TRAVEL_MIN_DEG, None, "from shut to open"))
        else:
            declared.append(Declared(LOST, "1", None, 0.0, "without an angle, or with a fault"))
            declared.append(Declared(ANGLE, "deg", doc="with the lid as it is"))
            limit = noise_limit_deg(sensor)
            declared.append(Declared(NOISE, "deg", None, limit, "sd; by its profile and the jig's own reading"))
        return [*declared, *(declare_curve(sensor, self.bench.machine, self.by) if self.by.at_deg else [])]

    # -- the work

    def prepare(self) -> None:
        """Known state; a board that cannot read such a sensor is told before anybody is asked for anything."""
        super().prepare()
        self.bench.trim = None  # of the jig's own output, which has no part in this
        sensor = self.bench.sensor
        if not sensor.is_switch and not isinstance(sensor.coded().ask(), ReadVolts):
            self.bench.jig.check_reads()

    def work(self) -> None:
        """Feed, read, and ask for the angles."""
        bench = self.bench
        bench.progress.step("The real sensor, fed by the jig")
        bench.progress.say(ESD)
        if bench.jig.status().supply_mv > round(bench.machine.supply.max_v * 1000):
            self._skip("sensor", "the jig is not armed where the machine's supply is too high")
            return
        self._safely(self._feed_and_current)
        if not bench.sensor.is_switch:
            self._read()
        self._look_unfed()

    def _read(self) -> None:
        """A sensor that tells an angle."""
        bench = self.bench
        if self._counts:
            self._safely(self._count_rest)
            if not self.by.at_deg:
                self.enter_travel(self._safely(self._count_travel))
        else:
            self.enter_readings(self._safely(lambda: read_looks(bench, self.count)))
        if self.by.at_deg:
            self._visit_all()

    def _look_unfed(self) -> None:
        """Of a sensor that neither draws current nor says anything: does its line hold on without supply? A dead part's
        may, and one that is not there lets go.
        """
        found = {one.name: one.value for one in self.seen}
        mute = self.bench.sensor.is_switch or found.get("sensor_speaks") == "silent"
        driven = any(output.drive == "push-pull" for output in self.bench.sensor.output)
        if found.get("sensor_current") == "none" and mute and not driven:
            self.take(self.bench.persist(self._unfed, self.bench.load_profiles))

    def _unfed(self) -> Seen:
        bench = self.bench
        if bench.jig.status().lock == Lock.ARMED:
            release_sensor(bench)
        bench.route(Route.OPEN)
        return look_unfed(bench, bench.sensor.lines())

    def _safely(self, step: Callable[[], T]) -> T:
        """The step with the sensor fed, repeated where link or board failed it."""

        def fed() -> T:
            if self.bench.jig.status().lock != Lock.ARMED:
                feed_sensor(self.bench)
            return step()

        return self.bench.persist(fed, self.bench.load_profiles)

    def _feed_and_current(self) -> None:
        bench, sensor = self.bench, self.bench.sensor
        feed_sensor(bench)
        found = read_sensor(bench, sensor.lines() if sensor.is_switch else ())
        supply = self.sheet.put(FED, bench.estimate(bench.measure(SUPPLY, SUPPLY_N)).scaled(0.001, "V"))
        seen = judge_current(sensor, found.current)
        if seen is None:
            self.note("the sensor's current was not judged: it is below what the jig resolves")
        else:
            self.sheet.put("sensor current", found.current)
            self.take(seen)
        for line, level in found.levels.items():
            self.sheet.set(_level(line), level, max(0.0, level - LEVEL_HALF), level + LEVEL_HALF, READINGS)
            self._say_level(line, level)
        underfed = self._underfed(supply.value)
        if underfed:
            self.note(underfed)

    def _underfed(self, supply_v: float | None) -> str:
        """That the jig's feed leaves it less than its supply window; "" where it does not."""
        lowest = self.bench.sensor.supply.min_v
        if supply_v is None or supply_v >= lowest:
            return ""
        return f"fed through the jig's 47 ohm it has {supply_v:.2f} V, and its profile wants {lowest:g} V"

    def _say_level(self, line: int, level: float) -> None:
        output = self.bench.sensor.output_on(line)
        if output is not None:
            operated = (level > 0.5) == (output.active == "high")
            says = "operated" if operated else "released"
            self.note(f"with the lid as it is the sensor says {says} (line {line} at {level:.2f} of its supply)")

    def take(self, seen: Seen) -> None:
        """An observation, recorded as it is made; it takes the place of an earlier one of its name."""
        self.bench.recorder.observation(seen.name, seen.value, seen.text)
        self.seen = [other for other in self.seen if other.name != seen.name] + [seen]

    def enter_readings(self, looked: Looked) -> None:
        """What a sensor that tells where it is said with the lid as it was."""
        sensor = self.bench.sensor
        said = said_of(sensor, looked)
        words = words_of(sensor, looked, said)
        underfed = self._underfed(said.supply_v)
        if underfed and words.count(GOOD) < len(words):
            self._skip("sensor", underfed)  # that may be why
            return
        self.sheet.set(LOST, len(words) - words.count(GOOD), n=len(words))
        angle, spread = said.angle(), said.spread()
        if angle is not None:
            self.sheet.put(ANGLE, angle)
        if spread.value is not None:
            noise = self.sheet.put(NOISE, spread)
            steady = noise.outcome != "fail" and not 0 < words.count(GOOD) < len(words)
            # Where all readings are the same this is a step of the format.
            text = f"the sensor's angle scattered by no more than {spread.high:.3f} deg (sd) while nobody moved the lid"
            if noise.outcome == "fail":
                text = f"the sensor's angle scattered by {spread.value:.3f} deg (sd) while nobody moved the lid"
            self.take(Seen("sensor_steady", "yes" if steady else "no", text))
        elif len(set(words)) == 1 and GOOD not in words:
            # What comes and goes would have shown itself in some of them.
            self.take(Seen("sensor_steady", "yes", f"all {len(words)} readings came to the same"))
        self.take(judge_words(words))
        self._say_faults(said)

    def _say_faults(self, said: SensorSaid) -> None:
        faults = said.faults()
        details, silence = details_of(said.readings), silence_of(said.readings)
        unfed = any(one.name == "sensor_current" and one.value == "none" for one in self.seen)
        if unfed and sum(faults.values()) == len(said.readings):
            self.note("what was read is not the sensor's: it draws no current, so it is dead, or nothing is plugged in")
        elif faults:
            all_of = len(said.readings)
            self.note(f"readings with a fault: {', '.join(f'{name} {n} of {all_of}' for name, n in faults.items())}")
        if silence:
            self.note(f"where it was silent: {', '.join(silence)}")
        if details:
            self.note(f"beside the angle its format carries: {', '.join(details)}")

    # -- a sensor that counts steps

    def _count_rest(self) -> None:
        self.bench.jig.count("begin")
        with self.bench.recorder.step(ANGLES_STEP, what="rest") as step:
            self.bench.idle(REST_S)
            looked = Looked([], [steps_now(self.bench)])
            step.result = looked.to_json()
        self.enter_rest(looked)

    def enter_rest(self, looked: Looked) -> None:
        """Steps while nobody moved the lid."""
        one = looked.looks[-1]
        self.sheet.set(AT_REST, abs(one["steps"]))
        steady = abs(one["steps"]) <= 1 and not one["skipped"]
        text = f"the sensor counted {one['steps']} steps in {REST_S:g} s while nobody moved the lid"
        self.take(Seen("sensor_steady", "yes" if steady else "no", text))

    def _count_travel(self) -> Looked:
        bench = self.bench
        bench.operator.ask(bench, "shut-lid")
        bench.idle(SETTLED_S)
        bench.jig.count("begin")
        with bench.recorder.step(ANGLES_STEP, what="travel") as step:
            bench.operator.ask(bench, "open-lid")
            bench.idle(SETTLED_S)
            looked = Looked([], [steps_now(bench)])
            step.result = looked.to_json()
        return looked

    def enter_travel(self, looked: Looked) -> None:
        """How far a lid that was opened went by the sensor's steps."""
        sensor, one = self.bench.sensor, looked.looks[-1]
        travel, step = self._travel_deg(looked), sensor.curve().lsb_deg(sensor.coded().codes)
        self.sheet.set(TRAVEL, travel, travel - step, travel + step)
        speaks = "silent" if one["steps"] == 0 else "wrong" if one["skipped"] else GOOD
        text = f"from shut to open the sensor gave {one['steps']} steps, {one['skipped']} times two at once"
        self.take(Seen("sensor_speaks", speaks, text))
        if speaks == GOOD:
            value = "right" if travel >= TRAVEL_MIN_DEG else "wrong"
            text = f"from shut to open the sensor counted {travel:.2f} deg (at least {TRAVEL_MIN_DEG:g} deg expected)"
            self.take(Seen("sensor_follows", value, text))
        self.note("its steps say how far the lid went, and not where it is: the zero was not measured")

    def _travel_deg(self, looked: Looked) -> float:
        sensor = self.bench.sensor
        reading = said_of(sensor, looked).readings[-1]
        return travel_deg(sensor, reading.code or 0)

    # -- at angles that the operator sets

    def _visit_all(self) -> None:
        bench = self.bench
        bench.progress.step("The real sensor at angles that you set, with a protractor at the lid")
        bench.progress.say(BY_HAND)
        visits = list(self.by.visits())
        if self._counts:
            heard = self._safely(lambda: self._counted(visits))
        else:
            heard = []
            for place, visit in enumerate(visits):
                heard.append(self.heard(visit, self._safely(lambda visit=visit: self._visit(visit))))  # type: ignore[misc]
                bench.progress.bar(place + 1, len(visits))
        self.enter_curve(heard)

    def _visit(self, visit: Visit) -> Looked:
        bench = self.bench
        bench.operator.ask(bench, lid_action(visit.lid_deg, opening=visit.opening))
        bench.idle(SETTLED_S)
        return read_looks(bench, VISIT_N, lid_deg=visit.lid_deg, opening=visit.opening, turn=visit.turn)

    def _counted(self, visits: list[Visit]) -> list[Heard]:
        """Steps go on being counted from the first angle on, so that a count that broke off begins anew there."""
        bench, heard = self.bench, list[Heard]()
        for visit in visits:
            bench.operator.ask(bench, lid_action(visit.lid_deg, opening=visit.opening))
            bench.idle(SETTLED_S)
            if not heard:
                bench.jig.count("begin")
            about = {"lid_deg": visit.lid_deg, "opening": visit.opening, "turn": visit.turn}
            with bench.recorder.step(ANGLES_STEP, **about) as step:
                looked = Looked([], [steps_now(bench)])
                step.result = looked.to_json()
            heard.append(self.heard(visit, looked))
        return heard

    def heard(self, visit: Visit, looked: Looked) -> Heard:
        """What was told at an angle. Of steps, the travel since the first angle, which counts as what it was set to."""
        if self._counts:
            return Heard(visit, min(self.by.at_deg) + self._travel_deg(looked))
        said = said_of(self.bench.sensor, looked)
        angle = said.angle()
        return Heard(visit, None if angle is None else angle.value, said.u_jig_deg)

    def enter_curve(self, heard: list[Heard]) -> None:
        """Figures and causes of the whole."""
        told = [one.told_deg for one in heard if one.told_deg is not None]
        if self._counts and told:
            travel = max(told) - min(told)
            text = f"over the angles that were set the sensor counted {travel:.2f} deg"
            self.take(Seen("sensor_speaks", GOOD if travel else "silent", text))
        for seen in self.curve.enter(heard):
            self.take(seen)
        for note in self.curve.notes:
            self.note(note)

    # -- the conclusion

    def _skip(self, what: str, why: str) -> None:
        self._not_tested.append(f"{what} ({why})")

    def conclude(self) -> None:
        """The sensor alone was looked at, so that only it can be blamed; what it was not asked is said."""
        for what in self._not_tested:
            self.note(f"not tested: {what}")
        if not self.seen:
            return
        failed = [measured.name for measured in self.sheet.all() if measured.outcome == "fail"]
        by_angles = bool(self.by.at_deg) and any(one.name == "sensor_follows" for one in self.seen)
        if self._all_well() and not by_angles:
            self.findings = [self._nothing_found()] if not failed else []
        else:
            self.findings = conclude(self.seen, untested=MACHINE_SIDE, failed=failed)
            with self.bench.recorder.step(WEIGHED_STEP) as step:
                step.result = weighing(self.findings, self.seen, MACHINE_SIDE)
        self.findings = self.curve.advised(self.findings)
        for shape in self.curve.shape() if not self.curve.crooked else ():
            self.note(shape)
        self.note("the machine was not tested: the sensor was read by itself")

    def _all_well(self) -> bool:
        return all(one.value in ("yes", "right") for one in self.seen)

    def _nothing_found(self) -> Finding:
        todo = "Whether it follows the lid was not tested: 'lidjig isolate' does that."
        if self._counts:
            todo = (
                "How far the lid went it told, and not where it is: 'lidjig isolate' tries it with the machine. How "
                "well it does, 'lidjig sense --at 0,30,60,90,120,150,180' measures."
            )
        elif not self.bench.sensor.is_switch:
            todo += " How well it does, 'lidjig sense --at 0,30,60,90,120,150,180' measures."
        return Finding("none", None, None, [one.text for one in self.seen], todo)

    def restore(self) -> None:
        """Take the feed off, let go."""
        if self.bench.jig.lock is Lock.ARMED:
            release_sensor(self.bench)
        super().restore()


def _level(line: int) -> str:
    return f"sensor line {line}, as the lid is"


__all__ = ["COUNT", "COUNT_MAX", "COUNT_MIN", "Sense"]
