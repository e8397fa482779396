"""A procedure's frame on the simulated bench: whatever happens, the jig ends disarmed and the run is closed."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from lidjig.errors import JigTimeout, StoreFailed
from lidjig.jig_types import Lock, Reason, Route
from lidjig.procedures.asking import NobodyAnswered, Operator
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.observe import Observer
from lidjig.procedures.progress import Quiet
from lidjig.procedures.report import Declared, Report, Sheet
from lidjig.procedures.response import Response
from lidjig.procedures.survey import survey_machine_side
from lidjig.record.model import MeasuredValue
from lidjig.record.store import Store

from tests.procedures.conftest import Make


class Armed(Procedure):
    """Arms, stands in, then does what it is told."""

    command = "test"

    def __init__(self, bench: Bench, then: Callable[[], None]) -> None:
        super().__init__(bench)
        self._then = then

    def declare(self) -> list[Declared]:
        return [Declared("thing", "1")]

    def work(self) -> None:
        self.bench.route(Route.OPEN)
        self.bench.jig.set_route(Route.STANDIN)
        self._then()


def interrupt() -> None:
    raise KeyboardInterrupt


def time_out() -> None:
    raise JigTimeout("something", 1.0, 0, 0, 0.0)


def break_record() -> None:
    raise StoreFailed("here", "storing", "disk full")


@pytest.mark.parametrize(
    ("then", "outcome"),
    [(lambda: None, "incomplete"), (interrupt, "incomplete"), (time_out, "error"), (break_record, "error")],
    ids=["nothing measured", "Ctrl-C", "time-out", "record"],
)
def test_restored_whatever_happens(then: Callable[[], None], outcome: str, bench: Make, store: Store) -> None:
    here = bench()
    report = Armed(here, then).run()
    assert report.outcome == outcome
    status = here.jig.status()
    assert (status.lock, status.route) == (Lock.DISARMED, Route.THROUGH)
    kept = store.run(here.recorder.id)
    assert kept.closed and kept.outcome == outcome
    assert [m.outcome for m in kept.measurements] == ["not measured"]


def test_a_fault_of_the_program_still_lets_go(bench: Make) -> None:
    here = bench()

    def fault() -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        Armed(here, fault).run()
    assert here.jig.status().lock is Lock.DISARMED


def test_the_wish_to_stop_is_met_at_the_next_safe_point(bench: Make) -> None:
    here = bench()
    began_s = here.jig.clock.now_s()
    procedure = Armed(here, lambda: here.idle(1000.0))

    def wish(_event: object) -> None:
        here.stop.wanted = True

    here.jig.on_event.append(wish)
    report = procedure.run()
    assert report.outcome == "incomplete"
    assert "stopped by the operator" in " ".join(report.notes)
    assert here.jig.clock.now_s() - began_s < 5.0


def test_nobody_at_the_bench(bench: Make) -> None:
    here = bench("[operator]\nreaction_min_s = 50.0\nreaction_max_s = 60.0\n")
    here.load_profiles()
    with pytest.raises(NobodyAnswered) as caught:
        here.operator.ask(here, "open-lid", seconds=2.0)
    assert "Open the lid" in str(caught.value)


def test_enter_answers_as_well_as_the_mark(bench: Make) -> None:
    here = bench("[operator]\nreaction_min_s = 50.0\nreaction_max_s = 60.0\n")
    here.load_profiles()
    pressed = iter([True, False, False, True])
    here.operator = Operator(lambda: next(pressed, False))
    asked_us, answered_us = here.operator.ask(here, "open-lid", seconds=5.0)
    assert 0 < answered_us - asked_us < 1_000_000


def test_survey_of_a_healthy_connector(bench: Make) -> None:
    """The model: 3.3 V behind 0.5 ohm, pulled up by 47 kohm with 10 Mohm of leakage, charger 0.6 % high."""
    here = bench()
    here.load_profiles()
    from lidjig.procedures.survey import declare_machine_side

    sheet = Sheet(declare_machine_side(here.machine), lambda _m: None)
    side = survey_machine_side(here, sheet)
    assert (side.supply, side.charger, [line.state for line in side.lines]) == ("right", "right", ["right"])
    for name, true in (("line 1 pull", 47.0), ("sensor supply", 3.3), ("charger voltage", 20.12)):
        measured = sheet.get(name)
        assert measured is not None and measured.low is not None and measured.high is not None
        assert measured.low <= true <= measured.high, f"{name}: {measured}"


def test_a_miss_is_not_claimed_before_limit_and_margin(bench: Make) -> None:
    """A machine that reacts just inside its limit of 3 s passes; nothing ended the wait before."""
    here = bench('[[fault]]\nwhere = "machine"\nkind = "slow-sleep"\nfactor = 2.6\n')
    here.load_profiles()
    response = Response.on(here, Confirm(here).sheet)
    response.observer.start()
    assert response.start_standin()
    trials = [response.standin.trial("S3")]
    assert trials[0].result == "hit"
    assert trials[0].latency_s is not None and trials[0].latency_s > 1.5


def test_observer_tells_states_with_board_times(bench: Make) -> None:
    here = bench('[machine]\nmodel = "alder-14"\nstart_state = "S0"\n')
    here.load_profiles()
    observer = Observer(here)
    observer.start()
    assert observer.state == "S0"
    now_us = here.jig.status().t_us
    assert observer.reached("S0", now_us) == now_us
    assert observer.reached("S3", now_us) is None
    assert observer.wait_state("S3", since_us=now_us, seconds=0.5) is None
    assert here.jig.status().t_us >= now_us + 500_000


def test_a_repeated_step_is_noted(bench: Make, store: Store) -> None:
    """The board restarts in the middle: the step is taken again and the record says so."""
    here = bench('[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 15.0\n')
    report: Report = Confirm(here, repeat=2).run()
    assert report.outcome == "pass", report
    kept = store.run(here.recorder.id)
    assert any("step repeated" in note for note in kept.notes)
    kinds = [gap.kind for gap in kept.gaps]
    assert "restart" in kinds and "recovered" in kinds[kinds.index("restart") :]
    recovered = next(gap for gap in kept.gaps if gap.kind == "recovered")
    assert recovered.t_us is not None and "the step begins again from here: disarmed" in recovered.text


def test_a_trip_that_needs_a_person_is_not_cleared(bench: Make, store: Store) -> None:
    """Overvoltage on the sensor connector while armed: the run ends, the trip stays, the reason is told, and the
    firmware's own log is kept with the run."""
    here = bench('[[event]]\nat_s = 4.0\ndo = "set-rail"\nvolts = 5.0\n')
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "error"
    assert "overvoltage" in report.error
    status = here.jig.status()
    assert status.lock is Lock.TRIPPED and status.reason.text == "overvoltage"
    log = [line for line in store.run(here.recorder.id).frames if line.startswith("firmware log ")]
    assert any(": boot " in line for line in log) and f": trip {Reason.OVERVOLTAGE.value} " in log[-1]


def test_measured_figures_are_recorded_before_they_are_shown(bench: Make, store: Store) -> None:
    here = bench()
    shown: list[MeasuredValue] = []

    class Watching(Quiet):
        def measured(self, value: MeasuredValue) -> None:
            assert value.name in [m.name for m in store.run(here.recorder.id).measurements]
            shown.append(value)

    here.progress = Watching()
    Confirm(here, repeat=1).run()
    assert len(shown) > 8
