"""Confirm: does the board respond correctly to its lid line? The jig stands in for the sensor, which has no part in it.

Survey of the connector, a start with the lines open, a start with the stand-in open, then shutting and opening. What
is found out of order is taken further only as far as the connector allows: nothing is driven onto a short or where the
supply is missing.
"""

from __future__ import annotations

from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.reasoning import SENSOR_UNTESTED, conclude, what_rounds_show
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response, declare_starts, declare_trials
from lidjig.procedures.survey import MachineSide, declare_machine_side, survey_machine_side
from lidjig.record.model import FAIL, Finding


class Confirm(Procedure):
    """repeat: how often the lid is shut and opened."""

    command = "confirm"

    def __init__(self, bench: Bench, repeat: int = 20) -> None:
        self.repeat = repeat
        super().__init__(bench)
        self.response = Response.on(bench, self.sheet)

    def declare(self) -> list[Declared]:
        """Connector, two starts, and the trials."""
        machine = self.bench.machine
        return [
            *declare_machine_side(machine),
            *declare_starts(machine, "lines open", "stand-in open"),
            *declare_trials(machine, self.repeat),
        ]

    def prepare(self) -> None:
        """Known state, observers set up."""
        super().prepare()
        self.response.begin()

    def work(self) -> None:
        """Survey, then what the survey allows."""
        response = self.response
        side = response.safely(lambda: survey_machine_side(self.bench, self.sheet))
        response.take(*side.seen())
        response.need_states()
        if side.supply == "missing":
            response.safely(response.observer.without_supply)
        if side.supply == "missing":
            # Nothing may be driven; whether the machine itself is alive still tells a broken trace from a dead board.
            response.start_open()
            return
        if not side.may_drive:
            self._say_why_not(side)
            return
        response.start_open()
        respond(response, self.repeat)

    def _say_why_not(self, side: MachineSide) -> None:
        why = side.supply_text if side.supply != "right" else "a line is held hard"
        self.note(f"nothing was driven: {why}")

    def conclude(self) -> None:
        """The sensor has no part in this test and is neither blamed nor cleared."""
        self.note(SENSOR_UNTESTED)
        if self.response.seen:
            self.findings = concluded(self.response, untested=("sensor",))
            say_what_rounds_show(self, self.response)

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()


def concluded(response: Response, untested: tuple[str, ...] = ()) -> list[Finding]:
    """Findings from what was seen, with every figure that is outside its limits named."""
    sheet = response.sheet
    failed = [measured.name for measured in sheet.taken() if measured.outcome == FAIL]
    found = conclude(response.seen, untested=untested, failed=failed, rounds=rounds_done(response))
    return response.weigh(found, untested)


def rounds_done(response: Response) -> int | None:
    """Rounds behind the conclusion, or None."""
    measured = response.sheet.get("rounds")
    return None if measured is None or not measured.value else round(measured.value)


def say_what_rounds_show(procedure: Procedure, response: Response) -> None:
    """A note on what clean rounds leave open, where nothing was found."""
    rounds = rounds_done(response)
    if rounds and procedure.findings[0].where == "none":
        procedure.note(what_rounds_show(rounds))


def respond(response: Response, repeat: int) -> None:
    """Start and trials by the stand-in, and the probes that tell causes apart where something fails."""
    started = response.start_standin()
    if not started:
        if not response.start_driven():
            if response.found("start_open") in ("yes", "late") and response.found("start_shut") is None:
                # It starts by itself but not as told: told shut, it shows whether the level is the other way round.
                response.start_shut()
            return
        # It runs only while its lines are driven hard: shutting them hard shows whether it reacts at all.
        response.sleep_driven()
        return
    trials = response.rounds(repeat)
    if any(trial.result == "miss" for trial in trials if trial.state == "S3"):
        response.sleep_driven()
