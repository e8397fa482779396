"""Hold: the stand-in keeps the machine's lid lines at one angle until told to stop."""

from __future__ import annotations

from collections.abc import Callable

from lidjig.bench.pair import closing_angle_deg, opening_angle_deg
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import BadInput
from lidjig.jig_types import Route
from lidjig.measure.power import UNKNOWN
from lidjig.procedures.base import Bench, Procedure, Stopped
from lidjig.procedures.lid import MARGIN_S, MOVE_S, OTHER
from lidjig.procedures.reasoning import conclude
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response
from lidjig.procedures.survey import declare_machine_side, survey_machine_side
from lidjig.record.model import FAIL

NOT_JUDGED = "the machine was not judged: this only holds an angle and shows its state"


class Hold(Procedure):
    """angle_deg: within the sensor profile's range. seconds: None = until stopped, which is then its ordinary end."""

    command = "hold"

    def __init__(
        self, bench: Bench, angle_deg: float, seconds: float | None = None, show: Callable[[str], None] | None = None
    ) -> None:
        self.angle_deg, self.seconds = angle_deg, seconds
        self._show = show or bench.progress.say
        check_angle(bench.sensor, "ANGLE", angle_deg)
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

        try:
            bench.wait(changed, self.seconds if self.seconds is not None else 1e9)
        except Stopped:
            if self.seconds is not None:
                raise
        self.note(NOT_JUDGED)
        self._say_what_does_not_fit((bench.jig.status().t_us - status.t_us) / 1e6)

    @property
    def _settled_s(self) -> float:
        """So long a machine may be on its way from one state to the other, when its observers do not agree."""
        return max(self.response.standin.limit_s(state) for state in OTHER) + MARGIN_S

    def _say_what_does_not_fit(self, held_s: float) -> None:
        """A note where the machine is not in the state that belongs to the angle: nothing more is made of it here."""
        wanted, found = self._belonging(), self.response.observer.state
        held = f"after {held_s:.1f} s at {self.angle_deg:g} deg"
        if found == UNKNOWN:
            self.note(f"the observers do not tell the machine's state {held}")
        elif found not in ("S0", "S3"):
            self.note(f"the machine is in {found} {held}: it was not running, so it could not follow the lid")
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


def check_angle(sensor: SensorProfile, key: str, angle_deg: float) -> None:
    """Raises BadInput for an angle outside the sensor profile's range."""
    angles = sensor.range
    if not angles.angle_min_deg <= angle_deg <= angles.angle_max_deg:
        accepted = f"{angles.angle_min_deg:g} to {angles.angle_max_deg:g} deg (range of sensor {sensor.name})"
        raise BadInput("", key, angle_deg, accepted)
