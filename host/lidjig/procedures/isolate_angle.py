"""The real sensor by itself where it tells an angle: fed by the jig and read with the lid open and shut.

It is read again and again while nobody moves the lid, and judged by what it told: whether it speaks, whether its angle
rests, and whether it follows the lid from open to shut. The edges of its lines say nothing here: a line that carries
frames never rests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median_low as median

from lidjig.bench.families.base import SILENT, CountSteps
from lidjig.bench.machine import MachineProfile
from lidjig.bench.sensor import SensorProfile
from lidjig.measure.estimate import Estimate
from lidjig.procedures.base import Bench
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response
from lidjig.procedures.sensor_judging import GOOD, judge_words, words_of
from lidjig.procedures.sensor_looks import Looked, look
from lidjig.procedures.sensor_reading import SensorSaid, said_of, travel_deg
from lidjig.procedures.survey import (
    NO_CURRENT_PART,
    declare_current,
    feed_sensor,
    look_unfed,
    read_sensor,
    release_sensor,
)
from lidjig.record.model import WATCHED_STEP, Finding

LIDS = ("open", "shut")
SETTLED_S = 0.2  # after the operator's mark, before the sensor is read
READ_EVERY_S = 0.5
LOOKS_MIN, LOOKS_MAX = 8, 120
# The lid is asked for past 100 deg, which is judged by eye (common practice, no source).
TRAVEL_MIN_DEG = 80.0
STUCK_MAX_DEG = 5.0  # a lid that was moved, and less than this of it told (common practice, no source)
# An angle at rest may wander by this part of the way from where the lid counts as shut to where it counts as open.
STEADY_PART = 0.25
OPEN_NAME, SHUT_NAME, TRAVEL_NAME = "sensor angle, lid open", "sensor angle, lid shut", "sensor travel"
LOST_NAME, SPREAD_NAME = "sensor readings lost", "sensor spread, lid at rest"
FIGURES = (OPEN_NAME, SHUT_NAME, TRAVEL_NAME, LOST_NAME, SPREAD_NAME)
OBSERVED = ("sensor_open", "sensor_shut", "sensor_speaks", "sensor_follows", "sensor_steady")


def tells_travel_only(sensor: SensorProfile) -> bool:
    """Whether the jig learns from it how far the lid went, and not where it is."""
    return isinstance(sensor.coded().ask(), CountSteps)


def zero_window_deg(sensor: SensorProfile, machine: MachineProfile) -> tuple[float, float]:
    """How far the angle told with the lid shut may be from 0 before the machine closes or opens outside the windows of
    its profile; with the sensor's hysteresis, since the lid comes from open.
    """
    assert sensor.lid is not None  # the profile's check: every sensor that tells an angle has one
    windows, shut, opened = machine.windows, sensor.lid.shut_deg, sensor.lid.open_deg
    low = max(shut - windows.close_max_deg, opened - windows.open_max_deg)
    high = min(shut - windows.close_min_deg, opened - windows.open_min_deg)
    slack = sensor.curve().hysteresis_deg
    return low - slack, high + slack


def steady_max_deg(sensor: SensorProfile) -> float:
    """How far an angle at rest may wander."""
    assert sensor.lid is not None
    transfer = sensor.curve()
    way = STEADY_PART * (sensor.lid.open_deg - sensor.lid.shut_deg)
    # Rounding by a step either way, and the extremes of many readings (4 sigma either way).
    return max(way, 2.0 * transfer.lsb_deg(sensor.coded().codes) + 8.0 * transfer.noise_deg)


def declare_by_angle(sensor: SensorProfile, machine: MachineProfile) -> list[Declared]:
    """Current and angles of the real sensor, fed by the jig."""
    declared = [declare_current(sensor)]
    if tells_travel_only(sensor):
        declared.append(Declared(TRAVEL_NAME, "deg", TRAVEL_MIN_DEG, None, "from open to shut, by its steps"))
    else:
        low, high = zero_window_deg(sensor, machine)
        declared.append(Declared(OPEN_NAME, "deg", TRAVEL_MIN_DEG, None, "the lid fully open, past 100 deg"))
        declared.append(Declared(SHUT_NAME, "deg", low, high, "by the machine's closing and opening windows"))
    declared.append(Declared(LOST_NAME, "1", None, 0.0, "without an angle, or with a fault"))
    declared.append(Declared(SPREAD_NAME, "deg", None, steady_max_deg(sensor), "highest less lowest, nobody moving"))
    return declared


@dataclass(frozen=True)
class _Rest:
    """What the sensor told with the lid at rest in one position. words: of each reading, a value of the table's
    sensor_speaks. told_deg: the angles told; of a sensor that counts steps, the travel since the count began.
    """

    words: tuple[str, ...]
    told_deg: tuple[float, ...]
    angle: Estimate | None

    @property
    def spread_deg(self) -> float:
        return max(self.told_deg) - min(self.told_deg)


class AngleSide:
    """The sensor's side of the connector, where the sensor tells an angle. watch_s: how long it is read in each
    position of the lid.
    """

    def __init__(self, response: Response, watch_s: float) -> None:
        self.response, self.watch_s = response, watch_s

    @property
    def _bench(self) -> Bench:
        return self.response.bench

    @property
    def _sensor(self) -> SensorProfile:
        return self._bench.sensor

    # -- what is done

    def survey(self) -> tuple[Estimate, str]:
        """Reads the sensor with the lid open, then shut; figures and observations are entered. Returns the current,
        and why the sensor was not judged ("" where it was).
        """
        # Steps are counted on while the lid moves, so that both positions are one step of the bench.
        together = (LIDS,) if tells_travel_only(self._sensor) else tuple((lid,) for lid in LIDS)
        current: Estimate | None = None
        looked: dict[str, Looked] = {}
        for lids in together:
            found = self.response.safely(lambda lids=lids: self._read(lids))  # type: ignore[misc]
            current = current or found[0]
            looked |= found[1]
        assert current is not None
        why_not = self._underfed(looked)
        if not why_not:
            self.enter(looked)
            self._look_unfed(current)
        return current, why_not

    def _read(self, lids: Sequence[str]) -> tuple[Estimate, dict[str, Looked]]:
        """Read on while the lid is in each of these positions. Returns the current in the first one."""
        bench, operator = self._bench, self._bench.operator
        looked: dict[str, Looked] = {}
        current: Estimate | None = None
        counts = tells_travel_only(self._sensor)
        for lid in lids:
            operator.ask(bench, f"{lid}-lid")
            if not looked:
                feed_sensor(bench)
                if counts:
                    bench.jig.count("begin")
            bench.idle(SETTLED_S)
            with bench.recorder.step(WATCHED_STEP, lid=lid) as step:
                current = current or read_sensor(bench).current
                looked[lid] = self._look_on()
                step.result = {"edges": [], "looked": looked[lid].to_json()}
        if counts:
            bench.jig.count("stop")
        release_sensor(bench)
        assert current is not None
        return current, looked

    def _look_on(self) -> Looked:
        """Looks spread evenly over the time."""
        looks = min(max(LOOKS_MIN, round(self.watch_s / READ_EVERY_S)), LOOKS_MAX)
        clock = self._bench.jig.clock
        begin_s = clock.now_s()
        done = Looked([])
        for number in range(looks):
            self._bench.idle(max(0.0, begin_s + self.watch_s * number / looks - clock.now_s()))
            found = look(self._bench, 1)
            done.supply.extend(found.supply)
            done.looks.extend(found.looks)
        return done

    def _underfed(self, looked: Mapping[str, Looked]) -> str:
        """Why what it said says nothing of the sensor: the jig's feed left it less than its supply window."""
        feed_v = min(said_of(self._sensor, one).supply_v for one in looked.values())
        lowest = self._sensor.supply.min_v
        if feed_v >= lowest:
            return ""
        return f"fed through the jig's 47 ohm it has {feed_v:.2f} V, and its profile wants {lowest:g} V"

    def _look_unfed(self, current: Estimate) -> None:
        """Of a sensor that neither draws current nor says anything: does its line hold on without supply?

        A live output that drives is not asked: unfed, the part may clamp its line either way.
        """
        low = self._sensor.supply.current_min_ma
        lost = self.response.found("sensor_speaks") == "silent" or self.response.found("sensor_follows") == "stuck"
        if not lost or low is None or current.value is None or current.value >= NO_CURRENT_PART * low:
            return
        lines = self._sensor.lines()
        self.response.take(self.response.safely(lambda: look_unfed(self._bench, lines)))

    # -- what follows from it

    def enter(self, looked: Mapping[str, Looked]) -> None:
        """Figures and observations of what was read with the lid open and shut."""
        rests = {lid: self._rest(looked[lid]) for lid in LIDS}
        words = [word for lid in LIDS for word in rests[lid].words]
        self.response.sheet.set(LOST_NAME, len(words) - words.count(GOOD), n=len(words))
        self.response.take(judge_words(words))
        self._enter_steady(rests, words)
        if tells_travel_only(self._sensor):
            self._enter_travel(rests)
        else:
            self._enter_angles(rests)

    def _rest(self, looked: Looked) -> _Rest:
        said = said_of(self._sensor, looked)
        words = words_of(self._sensor, looked, said)
        # Of outputs that are held at ground no angle is taken, though they may look like one.
        lid = tuple(one if word != SILENT else None for one, word in zip(said.lid_deg, words, strict=False))
        said = replace(said, lid_deg=lid)
        return _Rest(tuple(words), tuple(self._told(said)), self._angle(said))

    def _angle(self, said: SensorSaid) -> Estimate | None:
        """The angle that most readings told: with others far from it, a mean of all would be one that none told."""
        told = said.told()
        if not told:
            return None
        middle, near = median(told), steady_max_deg(self._sensor)
        both = zip(said.readings, said.lid_deg, strict=True)
        kept = [(one, lid) for one, lid in both if lid is not None and abs(lid - middle) <= near]
        if not kept:
            return None
        readings, angles = zip(*kept, strict=True)
        return replace(said, readings=readings, lid_deg=angles).angle()

    def _told(self, said: SensorSaid) -> list[float]:
        if tells_travel_only(self._sensor):
            return [travel_deg(self._sensor, one.code) for one in said.readings if one.code is not None]
        return said.told()

    def _enter_steady(self, rests: Mapping[str, _Rest], words: Sequence[str]) -> None:
        told = [rest for rest in rests.values() if rest.told_deg]
        if not told:
            return
        most, n = max(rest.spread_deg for rest in told), sum(len(rest.told_deg) for rest in told)
        step = self._sensor.curve().lsb_deg(self._sensor.coded().codes)  # both ends may be rounded by half of it
        self.response.sheet.set(SPREAD_NAME, most, max(0.0, most - step), most + step, n)
        lost = 0 < len(words) - words.count(GOOD) < len(words)
        steady = most <= steady_max_deg(self._sensor) and not lost
        text = f"the sensor's angle moved by {most:.2f} deg in {2 * self.watch_s:g} s while nobody moved the lid"
        self.response.add("sensor_steady", "yes" if steady else "no", text)

    def _enter_angles(self, rests: Mapping[str, _Rest]) -> None:
        lid = self._sensor.lid
        assert lid is not None
        at: dict[str, float] = {}
        for place, name in (("open", OPEN_NAME), ("shut", SHUT_NAME)):
            angle = rests[place].angle
            if angle is None or angle.value is None:
                continue
            at[place] = angle.value
            self.response.sheet.put(name, angle)
            # Between the two a lid counts as what it was before, which is the other one.
            operated = angle.value <= lid.shut_deg if place == "shut" else angle.value < lid.open_deg
            says = "operated" if operated else "released"
            text = f"lid {place}: the sensor says {says} (at {angle.value:.2f} deg)"
            self.response.add(f"sensor_{place}", says, text)
        if len(at) < len(LIDS):
            return
        low, high = zero_window_deg(self._sensor, self._bench.machine)
        travel = at["open"] - at["shut"]
        value = "right" if low <= at["shut"] <= high else "displaced"
        if abs(travel) < STUCK_MAX_DEG:
            value = "stuck"
        elif travel < TRAVEL_MIN_DEG:
            value = "wrong"
        text = (
            f"from open to shut the sensor's angle went {travel:.2f} deg and ended at {at['shut']:.2f} deg "
            f"(window {low:g} to {high:g} deg)"
        )
        self.response.add("sensor_follows", value, text)

    def _enter_travel(self, rests: Mapping[str, _Rest]) -> None:
        opened, shut = rests["open"].told_deg, rests["shut"].told_deg
        if not opened or not shut:
            return
        travel, step = opened[-1] - shut[-1], self._sensor.curve().lsb_deg(self._sensor.coded().codes)
        self.response.sheet.set(TRAVEL_NAME, travel, travel - step, travel + step, 2)
        value = "stuck" if abs(travel) < STUCK_MAX_DEG else "wrong" if travel < TRAVEL_MIN_DEG else "right"
        text = f"from open to shut the sensor counted {travel:.2f} deg (at least {TRAVEL_MIN_DEG:g} deg expected)"
        self.response.add("sensor_follows", value, text)

    def advised(self, findings: list[Finding]) -> list[Finding]:
        """The findings, that on a displaced zero with the number that its setting wants."""
        shut = self.response.sheet.get(SHUT_NAME)
        if shut is None or shut.value is None:
            return findings
        wants = f"What it now tells as {shut.value:.1f} deg has to become 0 deg."
        return [replace(one, next=f"{one.next} {wants}") if one.what == "zero-off" else one for one in findings]
