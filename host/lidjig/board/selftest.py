"""Self-test of the jig alone, with the self-test plug in the machine's place: drive each output and read
it back.

The plug gives the jig's own 3.3 V as the machine's supply, pulls both machine lines up by 10 kohm and
wires observer k to machine line k. Map and tolerances are the board's: they stand in
device/boards/selftest_map.py and are read from there.

Declared measurements, in mV unless said otherwise (k = 1, 2):
  jig_3v3, supply                     the jig's own rail, and what the plug hands on of it
  supply_ok (level)                   the supply supervisor
  mark_switch (presses)               presses seen while the operator was asked
  output_k_released, _low, _high      machine line k with the drive buffer off, low, high
  output_k_X_line, _observer (level)  the same, read back digitally
  load_k_low, load_k_high             the 10 kohm test loads of the machine's side
  through_supply, through_k           relay at rest: the sensor's side has what the machine's side has
  open_supply, open_k                 relay pulled in: the sensor's side has nothing
  feed_on                             the sensor feed
  pull_k_high, pull_k_low             the 10 kohm pulls of the sensor's side
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from lidjig.bench.actions import ACTIONS
from lidjig.bench.observers import scale
from lidjig.errors import BadInput, JigTimeout, LidjigError, LinkLost, Refused, StoreFailed
from lidjig.jig import Jig
from lidjig.jig_types import Event, Route
from lidjig.link.base import Deadline
from lidjig.measure.adc import to_unit
from lidjig.procedures.progress import Progress
from lidjig.procedures.report import Declared, Report, Sheet, verdict
from lidjig.record.model import FAIL, PASS, Finding, MeasuredValue
from shared_proto import blobs, names

READINGS = 64
OPERATOR_S = 120.0
_RELEASE_S = 3.0  # a press lasts no longer
_PLUG_ONLY = "Nothing but the plug may be connected: unplug the sensor from the jig as well."
_SWITCH_ONLY = "Answer with the mark switch, not with Enter: the switch is part of the test."


class Recorder(Protocol):
    """What the self-test needs of a run's record."""

    id: str

    def measurement(self, m: MeasuredValue) -> None: ...
    def finding(self, f: Finding) -> None: ...
    def note(self, text: str) -> None: ...
    def frames(self, lines: list[str]) -> None: ...
    def finish(self, outcome: str) -> None: ...


@dataclass(frozen=True)
class LoopBack:
    """One output of the jig and where the plug brings it back."""

    number: int  # 1 or 2, as people count
    line: str  # names.LINES
    observer: str  # names.LINES
    channel: str  # names.CHANNELS


@dataclass(frozen=True)
class PlugMap:
    """The board's loop-back map: outputs, limits in mV by what is looked at, and the settling time in s."""

    loops: tuple[LoopBack, ...]
    limits_mv: dict[str, tuple[float, float]]
    settle_s: float


def load_map(firmware: Path) -> PlugMap:
    """Read device/boards/selftest_map.py: plain constants on top of shared_proto.names.

    BadInput where they do not fit.
    """
    path = firmware / "boards" / "selftest_map.py"
    spec = importlib.util.spec_from_file_location("lidjig_selftest_map", path)
    if spec is None or spec.loader is None or not path.is_file():
        raise BadInput(str(path), "self-test map", "missing", "the firmware files of this lidjig")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    try:
        loops = tuple(
            LoopBack(output + 1, names.LINES[line], names.LINES[observer], names.CHANNELS[channel])
            for output, line, observer, channel in module.LOOP_BACK
        )
        limits = {str(row[0]): (float(row[3]), float(row[4])) for row in module.TOLERANCES_MV}
        settle_s = module.SETTLE_MS / 1000.0
    except (AttributeError, TypeError, ValueError, IndexError) as error:
        raise BadInput(
            str(path), "self-test map", str(error), "LOOP_BACK, TOLERANCES_MV and SETTLE_MS"
        ) from error
    missing = {"jig_3v3", "supply", "driven_low", "driven_high", "pulled_up", "test_low"} - limits.keys()
    if missing:
        raise BadInput(str(path), "TOLERANCES_MV", ", ".join(sorted(missing)), "a row for each of them")
    return PlugMap(loops, limits, settle_s)


def declarations(plug: PlugMap) -> list[Declared]:
    """All measurements with their limits, before any is taken."""
    rows: list[Declared] = []

    def mv(name: str, limits: str, doc: str) -> None:
        low, high = plug.limits_mv[limits]
        rows.append(Declared(name, "mV", low, high, doc))

    def level(name: str, expected: int, doc: str) -> None:
        rows.append(Declared(name, "level", float(expected), float(expected), doc))

    rows.append(Declared("mark_switch", "presses", 1.0, None, "mark switch, pressed and let go"))
    mv("jig_3v3", "jig_3v3", "the jig's own rail")
    mv("supply", "supply", "supply that the plug hands on")
    level("supply_ok", 1, "supply supervisor")
    for loop in plug.loops:
        for state, limits, expected in _DRIVEN:
            name = f"output_{loop.number}_{state}"
            mv(name, limits, f"machine line {loop.number}, output {state}")
            level(f"{name}_line", expected, "read back")
            level(f"{name}_observer", expected, "read back by the observer")
        mv(f"load_{loop.number}_low", "test_low", "test load against the plug's pull-up")
        mv(f"load_{loop.number}_high", "pulled_up", "test load beside the plug's pull-up")
    mv("through_supply", "supply", "relay at rest: supply at the sensor's side")
    mv("open_supply", "driven_low", "relay pulled in: no supply at the sensor's side")
    mv("feed_on", "supply", "sensor feed")
    for loop in plug.loops:
        mv(f"through_{loop.number}", "pulled_up", "relay at rest: the machine's line")
        mv(f"open_{loop.number}", "driven_low", "relay pulled in: nothing")
        mv(f"pull_{loop.number}_high", "pulled_up", "pull of the sensor's side, up")
        mv(f"pull_{loop.number}_low", "driven_low", "pull of the sensor's side, down")
    return rows


# State of `drive`, limits that its voltage has to keep, level that is read back.
_DRIVEN = (("released", "pulled_up", 1), ("low", "driven_low", 0), ("high", "driven_high", 1))

# What to look at when a measurement of this beginning fails.
_LOOK_AT = (
    ("mark_switch", "the mark switch, its pull-up and its wire"),
    ("jig_3v3", "the jig's own supply and the divider of its channel"),
    ("supply", "the self-test plug, the supply divider and the supervisor (is the sensor unplugged?)"),
    ("output_", "the drive buffer, its 220 ohm resistor and the translators of that line"),
    ("load_", "the test buffer and the 10 kohm resistor of that line"),
    ("through_", "the relay's resting contacts (is the sensor unplugged?)"),
    ("open_", "the relay's coil, its driver and the sensor side (is the sensor unplugged?)"),
    ("feed_", "the sensor feed transistor and its 47 ohm resistor"),
    ("pull_", "the 10 kohm resistor to that sensor line (is the sensor unplugged?)"),
)


class SelfTest:
    """One self-test. run() gives the report; `failure` keeps the error where it ended with one."""

    command = "selftest"

    def __init__(
        self,
        jig: Jig,
        recorder: Recorder,
        progress: Progress,
        plug: PlugMap,
        check_stop: Callable[[], None] = lambda: None,
    ) -> None:
        self._jig, self._recorder, self._progress, self._plug = jig, recorder, progress, plug
        self._check_stop = check_stop  # raises KeyboardInterrupt where stopping is wanted
        self._kept: dict[int, bytes] = {}
        self._notes: list[str] = []
        self.sheet = Sheet(declarations(plug), self._taken)
        self.failure: LidjigError | None = None

    def run(self) -> Report:
        """The whole self-test. The jig ends disarmed, with the sensor profile and wiring that it had."""
        stopped = False
        try:
            try:
                self._prepare()
                self._work()
            except KeyboardInterrupt:
                stopped = True
                self._note("stopped by the operator before the end")
            finally:
                self._restore()
        except LidjigError as error:
            self.failure = error
        return self._close(stopped)

    # -- the steps

    def _prepare(self) -> None:
        self._jig.clear()
        self._jig.disarm()
        for kind in (names.BLOB_PROFILE, names.BLOB_WIRING):
            self._kept[kind] = self._jig.read_blob(kind)
        self._jig.load_blob(names.BLOB_PROFILE, _plug_profile(self._plug))
        self._jig.load_blob(names.BLOB_WIRING, _plug_wiring())

    def _work(self) -> None:
        self._ask_for_plug()
        self._supply()
        self._through()
        self._jig.arm()
        self._jig.set_route(Route.OPEN)
        self._open()
        self._loads()
        if not self._plug_is_there():
            return
        self._jig.set_route(Route.STANDIN)
        for loop in self._plug.loops:
            self._output(loop)

    def _ask_for_plug(self) -> None:
        words, caution = ACTIONS["fit-plug"]
        self._progress.step("self-test plug and mark switch")
        self._progress.say(_PLUG_ONLY)
        self._progress.say(_SWITCH_ONLY)
        self._progress.prompt(words, caution)
        self._recorder.note(f"asked the operator: {words} {_PLUG_ONLY}")
        self._jig.link.tell_operator("fit-plug")
        presses = 0
        try:
            self._wait_mark(1, OPERATOR_S)
            self._wait_mark(0, _RELEASE_S)
            presses = 1
        except JigTimeout:
            # Without the switch the plug may be in all the same; without its supply nothing more can be
            # tested.
            if not self._jig.status().lines["supply_ok"]:
                raise
        finally:
            self._progress.prompt_done()
        self.sheet.set("mark_switch", presses)

    def _wait_mark(self, pressed: int, seconds: float) -> None:
        def match(event: Event) -> bool:
            return event.name == "mark" and event.data["pressed"] == pressed

        what = "the press of the mark switch" if pressed else "the release of the mark switch"
        self._jig.wait_event(match, Deadline(self._jig.clock, seconds), what)

    def _supply(self) -> None:
        self._progress.step("supply")
        self._mv("jig_3v3", "jig_3v3")
        self._mv("supply", "supply")
        self._level("supply_ok", "supply_ok")

    def _through(self) -> None:
        self._progress.step("relay at rest")
        self._settle()
        self._mv("through_supply", "sensor_supply")
        for loop in self._plug.loops:
            self._mv(f"through_{loop.number}", f"sensor_{loop.number}")

    def _open(self) -> None:
        self._progress.step("relay pulled in, sensor feed and pulls")
        self._settle()
        self._mv("open_supply", "sensor_supply")
        for loop in self._plug.loops:
            self._mv(f"open_{loop.number}", f"sensor_{loop.number}")
        self._jig.sensor_power(True)
        self._settle()
        self._mv("feed_on", "sensor_supply")
        self._jig.sensor_power(False)
        for loop in self._plug.loops:
            self._with_load(
                f"sensor_{loop.number}", "high", f"pull_{loop.number}_high", f"sensor_{loop.number}"
            )
            self._with_load(
                f"sensor_{loop.number}", "low", f"pull_{loop.number}_low", f"sensor_{loop.number}"
            )

    def _loads(self) -> None:
        self._progress.step("test loads")
        for loop in self._plug.loops:
            for state in ("low", "high"):
                self._with_load(f"machine_{loop.number}", state, f"load_{loop.number}_{state}", loop.channel)

    def _plug_is_there(self) -> bool:
        """Nothing is driven into what may be a machine: the plug's pull-ups and its wires to the observers
        must show.
        """
        lines = self._jig.status().lines
        bare = [loop for loop in self._plug.loops if not (lines[loop.line] and lines[loop.observer])]
        weak = [loop for loop in self._plug.loops if self._outcome(f"load_{loop.number}_low") == FAIL]
        if bare or weak:
            numbers = ", ".join(sorted({str(loop.number) for loop in bare + weak}))
            self._note(f"the plug does not show on line {numbers} (is it fitted?); outputs were not driven")
        return not (bare or weak)

    def _outcome(self, name: str) -> str:
        measured = self.sheet.get(name)
        return measured.outcome if measured is not None else ""

    def _output(self, loop: LoopBack) -> None:
        self._progress.step(f"output {loop.number}")
        for state, _limits, _expected in _DRIVEN:
            self._jig.drive(loop.number, state)
            self._settle()
            name = f"output_{loop.number}_{state}"
            self._mv(name, loop.channel)
            self._level(f"{name}_line", loop.line)
            self._level(f"{name}_observer", loop.observer)
        self._jig.drive(loop.number, "released")

    # -- leaves

    def _with_load(self, target: str, state: str, name: str, channel: str) -> None:
        self._jig.load(target, state)
        self._settle()
        self._mv(name, channel)
        self._jig.load(target, "off")

    def _mv(self, name: str, channel: str) -> None:
        reading = self._jig.measure(channel, READINGS)
        self.sheet.put(name, to_unit(channel, scale(channel), reading.mean_raw, reading.sd_raw, reading.n))

    def _level(self, name: str, line: str) -> None:
        self.sheet.set(name, self._jig.status().lines[line])

    def _settle(self) -> None:
        self._check_stop()
        self._jig.idle(self._plug.settle_s)

    def _taken(self, measured: MeasuredValue) -> None:
        # Recorded before it is shown.
        self._recorder.measurement(measured)
        self._progress.measured(measured)

    def _note(self, text: str) -> None:
        self._notes.append(text)
        self._recorder.note(text)

    # -- the end

    def _restore(self) -> None:
        try:
            self._jig.stop()
            self._jig.disarm()
            if self._jig.status().reason and self._jig.clear():
                self._note("the jig had let go by itself during the test; the trip was cleared")
            for kind, data in self._kept.items():
                if data:
                    self._jig.load_blob(kind, data)
        except (LinkLost, JigTimeout, Refused) as error:
            self._note(
                f"not confirmed that the jig let go ({error}); it does so by itself after 1 s of silence"
            )

    def _findings(self) -> list[Finding]:
        failed = [m for m in self.sheet.taken() if m.outcome == FAIL]
        if not failed:
            return []
        evidence = [
            f"{m.name} = {m.value:g} {m.unit}, limits {_limit(m.limit_low)}..{_limit(m.limit_high)}"
            for m in failed
        ]
        places = [place for start, place in _LOOK_AT if any(m.name.startswith(start) for m in failed)]
        return [
            Finding(
                "elsewhere",
                None,
                None,
                evidence,
                f"The fault is in the jig or its plug, not in a machine. Look at {'; '.join(places)} (WIRING.md).",
                ACTIONS["fit-plug"][1],
            )
        ]

    def _close(self, stopped: bool) -> Report:
        findings = self._findings()
        report = Report(self.command, self._recorder.id, "error", findings, self.sheet.all(), self._notes)
        if self.failure is None:
            report.outcome = verdict(findings, self.sheet, stopped=stopped)
            if report.outcome == PASS:
                passed = [f"{len(self.sheet.taken())} measurements within their limits"]
                findings.append(
                    Finding("none", None, None, passed, "The jig is ready for use; remove the plug.")
                )
        else:
            report.error, report.error_next = str(self.failure), self.failure.next_step
        try:
            for measured in self.sheet.unset():
                self._recorder.measurement(measured)
            for finding in findings:
                self._recorder.finding(finding)
            if self.failure is not None:
                self._recorder.note(report.error)
                self._recorder.frames(self._jig.last_frames())
            self._recorder.finish(report.outcome)
        except StoreFailed as error:
            # The verdict was not stored, so there is none.
            self.failure = self.failure or error
            report.outcome, report.error, report.error_next = "error", str(error), error.next_step
        return report


def _limit(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _plug_profile(plug: PlugMap) -> bytes:
    """A sensor profile for the plug: both outputs push-pull, so that `drive` may drive either way, at 3.3
    V.
    """
    low_mv, high_mv = plug.limits_mv["supply"]
    output = {
        "drive": blobs.DRIVE_PUSH_PULL,
        "active_high": 0,
        "operate_mdeg": 10_000,
        "release_mdeg": 20_000,
    }
    values: dict[str, object] = {
        "version": blobs.BLOB_VERSION,
        "family": blobs.FAMILY_SWITCH,
        "outputs": 2,
        "safe_route": names.ROUTE_THROUGH,
        "update_us": 1000,
        # Wide enough that a supply out of tolerance is measured and judged instead of refused.
        "supply_min_mv": int(low_mv - 500),
        "supply_max_mv": int(high_mv + 500),
        "angle_min_mdeg": 0,
        "angle_max_mdeg": 180_000,
        "start_mdeg": 90_000,
        "name": b"self-test plug",
    }
    for k in (1, 2):
        values.update({f"{key}_{k}": value for key, value in output.items()})
    return bytes(blobs.pack(blobs.PROFILE_FIELDS, values))


def _plug_wiring() -> bytes:
    """Everything on the plug is wired, nothing inverted: the wires of the bus, which are lines 3 and 4 of the observers
    where there is no bus, are left alone.
    """
    values = {
        "version": blobs.WIRING_VERSION,
        "lines_used": (1 << names.LINE_OBS3) - 1,
        "invert": 0,
        "scan": (1 << names.CH_METER_1_V) - 1,
        "light_pull_up": 0,
        "bus": 0,
        "meter_1": 0,
        "cal_1": 0,
        "meter_2": 0,
        "cal_2": 0,
        "tach": 0,
        "name": b"self-test plug",
    }
    return bytes(blobs.pack(blobs.WIRING_FIELDS, values))
