"""Hold: the stand-in keeps the machine's lid lines at one angle until told to stop."""

from __future__ import annotations

from collections.abc import Callable

from lidjig.errors import BadInput
from lidjig.jig_types import Route
from lidjig.procedures.base import Bench, Procedure, Stopped
from lidjig.procedures.lid import MOVE_S
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response
from lidjig.procedures.survey import declare_machine_side, survey_machine_side


class Hold(Procedure):
    """angle_deg: within the sensor profile's range. seconds: None = until stopped, which is then its ordinary end."""

    command = "hold"

    def __init__(
        self, bench: Bench, angle_deg: float, seconds: float | None = None, show: Callable[[str], None] | None = None
    ) -> None:
        self.angle_deg, self.seconds = angle_deg, seconds
        self._show = show or bench.progress.say
        check_angle(bench, "ANGLE", angle_deg)
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
        if not side.may_drive:
            self.note(f"nothing was driven: {side.supply_text if side.supply != 'right' else 'a line is held hard'}")
            return
        bench.turn(self.angle_deg, MOVE_S)
        bench.jig.set_route(Route.STANDIN)
        self.sheet.set("angle held", bench.jig.status().angle_deg)
        bench.progress.step(f"Holding {self.angle_deg:g} deg")
        state = ""

        def changed() -> bool:
            nonlocal state
            if response.observer.state != state:
                state = response.observer.state
                self._show(f"machine: {response.observer.told()}")
            return False

        try:
            bench.wait(changed, self.seconds if self.seconds is not None else 1e9)
        except Stopped:
            if self.seconds is not None:
                raise

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()


def check_angle(bench: Bench, key: str, angle_deg: float) -> None:
    """Raises BadInput for an angle outside the sensor profile's range."""
    angles = bench.sensor.range
    if not angles.angle_min_deg <= angle_deg <= angles.angle_max_deg:
        accepted = f"{angles.angle_min_deg:g} to {angles.angle_max_deg:g} deg (range of sensor {bench.sensor.name})"
        raise BadInput("", key, angle_deg, accepted)
