"""Hold: the stand-in keeps the machine's lid lines at one angle until told to stop."""

from __future__ import annotations

from collections.abc import Callable

from lidjig.bench.pair import closing_angle_deg, opening_angle_deg
from lidjig.bench.sensor import SensorProfile
from lidjig.bench.sensor_words import internal_told
from lidjig.errors import BadInput
from lidjig.jig_types import Route
from lidjig.measure.power import UNKNOWN
from lidjig.procedures.base import Bench, Procedure, Stopped
from lidjig.procedures.lid import MARGIN_S, MOVE_S, OTHER
from lidjig.procedures.reasoning import conclude
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response
from lidjig.procedures.survey import declare_machine_side, survey_machine_side
from lidjig.record.model import FAIL, FORCED_STEP

NOT_JUDGED = "the machine was not judged: this only holds an angle and shows its state"
NOT_RUNNING = "it was not running, so it could not follow the lid; start it first, then repeat the command"

FOLLOW, HIGH, RELEASED, ERROR = "follow", "high", "released", "error"
# What the output is, by the word that it was given.
SAID = {
    FOLLOW: "",
    "low": "forced low",
    HIGH: "forced high",
    RELEASED: "let go",
    ERROR: "made to say an internal error",
}


class Hold(Procedure):
    """angle_deg: within the sensor profile's range. seconds: None = until stopped, which is then its ordinary end. say:
    what the output does (SAID); forced after the angle was reached, and let go of with it.
    """

    command = "hold"

    def __init__(
        self,
        bench: Bench,
        angle_deg: float,
        seconds: float | None = None,
        show: Callable[[str], None] | None = None,
        say: str = FOLLOW,
    ) -> None:
        self.angle_deg, self.seconds, self.say = angle_deg, seconds, say
        self._show = show or bench.progress.say
        check_angle(bench.sensor, "ANGLE", angle_deg)
        check_said(bench.sensor, "say", say)
        self._before = UNKNOWN  # the machine's state when the output was forced
        super().__init__(bench)
        self.response = Response.on(bench, self.sheet)

    def declare(self) -> list[Declared]:
        """The connector, and the angle as the board confirms it."""
        return [*declare_machine_side(self.bench.machine), Declared("angle held", "deg", None, None)]

    def work(self) -> None:
        """Survey, turn, hold; say each change of the machine's power state."""
        bench, response = self.bench, self.response
        response.observer.start()
        side = survey_machine_side(bench, self.sheet)
        response.take(*side.seen())
        if not side.may_drive:
            self.note(f"nothing was driven: {side.supply_text if side.supply != 'right' else 'a line is held hard'}")
            return
        bench.turn(self.angle_deg, MOVE_S)
        bench.jig.set_route(Route.STANDIN)
        status = bench.jig.status()
        self.sheet.set("angle held", status.angle_deg)
        bench.progress.step(f"Holding {self.angle_deg:g} deg")
        state = ""
        since_s = bench.jig.clock.now_s()

        def changed() -> bool:
            nonlocal state, since_s
            now_s = bench.jig.clock.now_s()
            if response.observer.state == UNKNOWN and now_s - since_s >= self._settled_s:
                response.observer.go_by_lines()
            if response.observer.state != state:
                state, since_s = response.observer.state, now_s
                self._show(f"machine: {response.observer.told()}")
            return False

        if self.say != FOLLOW:
            bench.wait(lambda: changed() or self._at_rest(), self._settled_s)
            self._before = response.observer.state
            self._force()
            status = bench.jig.status()
        try:
            bench.wait(changed, self.seconds if self.seconds is not None else 1e9)
        except Stopped:
            if self.seconds is not None:
                raise
        self.note(NOT_JUDGED)
        self._say_what_does_not_fit((bench.jig.status().t_us - status.t_us) / 1e6)

    def _at_rest(self) -> bool:
        """Whether the machine is where the angle puts it, or off, where no angle moves it."""
        found, wanted = self.response.observer.state, self._belonging()
        return found not in ("S0", "S3", UNKNOWN) or found == wanted

    def _force(self) -> None:
        """The outputs do as they are told; the run says which, how, and since when."""
        bench, sensor = self.bench, self.bench.sensor
        for line, state in forced(sensor, self.say).items():
            with bench.recorder.step(FORCED_STEP, line=line, say=self.say, state=state) as step:
                bench.jig.drive(line, state)
                step.result = {"t_us": bench.jig.status().t_us}
        how = f": {internal_told(sensor)}" if self.say == ERROR else ""
        self.note(f"the output was {SAID[self.say]}{how}; it did not follow the angle")

    @property
    def _settled_s(self) -> float:
        """So long a machine may be on its way from one state to the other, when its observers do not agree."""
        return max(self.response.standin.limit_s(state) for state in OTHER) + MARGIN_S

    def _say_what_does_not_fit(self, held_s: float) -> None:
        """A note where the machine is not in the state that belongs to the angle: nothing more is made of it here."""
        wanted, found = self._belonging(), self.response.observer.state
        held = f"after {held_s:.1f} s at {self.angle_deg:g} deg"
        if self.say != FOLLOW:
            # How a machine should react nobody says, so what it did is all that is told.
            forced_so = f"after {held_s:.1f} s of an output {SAID[self.say]}"
            if found == UNKNOWN:
                self.note(f"the observers do not tell the machine's state {forced_so}")
            elif self._before == UNKNOWN:
                self.note(f"the machine is in {found} {forced_so}")
            else:
                off = f": {NOT_RUNNING}" if found == self._before and found not in ("S0", "S3") else ""
                self.note(f"the machine is in {found} {forced_so}; before, it was in {self._before}{off}")
            return
        if found == UNKNOWN:
            self.note(f"the observers do not tell the machine's state {held}")
        elif found not in ("S0", "S3"):
            self.note(f"the machine is in {found} {held}: {NOT_RUNNING}")
        elif wanted is not None and found != wanted:
            if held_s >= self.response.standin.limit_s(wanted) + MARGIN_S:
                self.note(f"the machine is in {found} {held}, where {wanted} belongs: try 'lidjig confirm'")

    def _belonging(self) -> str | None:
        """The machine's state at this angle; None in the hysteresis between shutting and opening."""
        sensor, rule = self.bench.sensor, self.bench.machine.lid_rule
        if self.angle_deg < closing_angle_deg(sensor, rule):
            return "S3"
        return "S0" if self.angle_deg > opening_angle_deg(sensor, rule) else None

    def conclude(self) -> None:
        """Where the connector is out of order, what it points to. The machine itself is not judged."""
        if any(measured.outcome == FAIL for measured in self.sheet.taken()):
            self.findings = conclude(self.response.seen, untested=("sensor",))

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()


def forced(sensor: SensorProfile, say: str) -> dict[int, str]:
    """What `drive` is given by line. An open drain never drives high: the line's own pull makes that level."""
    if not sensor.is_switch:
        return {1: say}
    drives = {output.line: output.drive for output in sensor.output}
    return {line: RELEASED if say == HIGH and drives[line] == "open-drain" else say for line in sorted(drives)}


def check_said(sensor: SensorProfile, key: str, say: str) -> None:
    """Raises BadInput for a word that is none, and for one that the sensor's output has no meaning for."""
    if say not in SAID:
        raise BadInput("", key, say, f"one of {', '.join(SAID)}")
    if say == ERROR and sensor.is_switch:
        accepted = f"one of {', '.join(SAID)}, but not {ERROR} with sensor {sensor.name}: a switch tells of no error"
        raise BadInput("", key, say, accepted)


def check_angle(sensor: SensorProfile, key: str, angle_deg: float) -> None:
    """Raises BadInput for an angle outside the sensor profile's range."""
    angles = sensor.range
    if not angles.angle_min_deg <= angle_deg <= angles.angle_max_deg:
        accepted = f"{angles.angle_min_deg:g} to {angles.angle_max_deg:g} deg (range of sensor {sensor.name})"
        raise BadInput("", key, angle_deg, accepted)
