"""A machine that leaves its state by itself in mid-run: it is seen, judged, started again, and never passed over."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from lidjig.procedures.base import Bench, Disturbed, Procedure
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle, Proof
from lidjig.procedures.isolate import Isolate
from lidjig.procedures.lid import StandIn, Trial, from_result, lost, to_result, told_lost
from lidjig.procedures.progress import Quiet
from lidjig.procedures.report import Report
from lidjig.record.store import Store

from tests.procedures.conftest import Make

RUNNING = '[machine]\nmodel = "alder-14"\nstart_state = "S0"\n'
NO_START = '[[fault]]\nwhere = "machine"\nkind = "no-start"\n'


def off_at(seconds: float) -> str:
    """Somebody holds the power button until the machine is off."""
    return f'[[event]]\nat_s = {seconds:.3f}\ndo = "force-off"\n'


def figures(report: Report) -> dict[str, tuple[float | None, str]]:
    return {m.name: (m.value, m.outcome) for m in report.measurements}


@pytest.mark.parametrize(
    ("make", "at_s"),
    [(lambda b: Cycle(b, 8), 8.0), (lambda b: Confirm(b, repeat=8), 22.0)],
    ids=["cycle", "confirm"],
)
def test_a_machine_that_goes_off_in_mid_run_fails_and_is_started_again(
    make: Callable[[Bench], Procedure], at_s: float, bench: Make, store: Store
) -> None:
    here = bench(off_at(at_s))
    procedure = make(here)
    report = procedure.run()
    assert report.outcome == "fail", report
    found = figures(report)
    assert found["states lost"] == (1.0, "fail")
    assert found["cycles" if isinstance(procedure, Cycle) else "rounds"] == (8.0, "pass")
    assert found["sleep misses"] == found["wake misses"] == (0.0, "pass")
    assert report.findings[0].where == "board" and report.findings[0].what is None
    assert any("found in S5 where S0 or S3 was due" in line for line in report.findings[0].evidence)
    asked = [note for note in store.run(here.recorder.id).notes if "power button once" in note]
    assert len(asked) >= 2, "it was started again"


def test_a_machine_that_goes_off_for_good_never_passes(bench: Make) -> None:
    report = Cycle(bench(RUNNING + NO_START + off_at(24.0)), 25).run()
    assert report.outcome == "fail", report
    found = figures(report)
    done, outcome = found["cycles"]
    assert done is not None and 1 <= done < 25 and outcome == "not measured"
    assert found["states lost"][1] == "fail"
    assert any("does not start again" in note for note in report.notes)
    assert report.findings[0].where not in ("none", "unknown")


def test_rounds_short_of_what_was_wanted_never_pass(bench: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    here = bench(off_at(22.0))
    confirm = Confirm(here, repeat=8)
    monkeypatch.setattr(confirm.response, "running", lambda: False)
    report = confirm.run()
    assert report.outcome == "fail"
    done, outcome = figures(report)["rounds"]
    assert done is not None and done < 8 and outcome == "not measured"


def test_cycles_short_of_what_was_wanted_never_pass(bench: Make) -> None:
    """Clean as far as it went, and stopped: incomplete, whatever else was seen."""
    here = bench()

    class Stopping(Quiet):
        def bar(self, done: int, total: int) -> None:
            here.stop.wanted = done == 3

    here.progress = Stopping()
    report = Cycle(here, 8).run()
    assert report.outcome == "incomplete"
    assert figures(report)["cycles"] == (3.0, "not measured")


def test_a_charger_that_drops_out_in_mid_run_never_passes(bench: Make) -> None:
    """The sensor supply goes with it: the jig lets go, and the run says nothing of the lid."""
    here = bench('[[event]]\nat_s = 22.0\ndo = "disconnect-charger"\n')
    report = Cycle(here, 25).run()
    assert report.outcome == "error" and "supply" in report.error


class Prompts(Quiet):
    """When each thing was asked, by the link's clock."""

    def __init__(self, clock: object) -> None:
        self.clock, self.asked = clock, []  # type: ignore[var-annotated]

    def prompt(self, text: str, caution: str) -> None:
        self.asked.append((text, self.clock.now_s()))  # type: ignore[attr-defined]


def test_isolate_does_not_call_a_machine_that_went_off_awake(bench: Make) -> None:
    """Lines open and lid shut, a healthy machine stays awake. One that is off has not."""
    first = bench()
    first.progress = prompts = Prompts(first.jig.clock)
    assert Isolate(first, repeat=1, watch_s=1.0).run().outcome == "pass"
    shut_s = [at_s for text, at_s in prompts.asked if text.startswith("Shut the lid")][1]
    # The same bench to the microsecond, and the button held for 10 s until just after the lid was shut.
    report = Isolate(bench(off_at(shut_s - 6.0)), repeat=1, watch_s=1.0).run()
    assert report.outcome == "fail"
    found = figures(report)
    assert found["lines open, lid shut: stays awake"][0] is None
    assert found["states lost"] == (1.0, "fail")


# -- a round by itself


class Machine:
    """Stands for bench, jig and observer: `moves` says what the machine makes of each movement of the lid."""

    def __init__(self, state: str, moves: list[str]) -> None:
        self.state, self._moves = state, moves
        self.timeline = [(0, state)]
        self.t_us = 1_000_000
        self.interruptions = self.lost = 0
        self.heard = True
        self.on_event: list[object] = []
        self.jig = self
        self.turned: list[bool] = []
        self.machine: Any = None
        self.sensor: Any = None
        self.limits: Any = None

    # the bench
    def idle(self, _seconds: float) -> None:
        self.t_us += 500_000

    def wait(self, _ready: object, _seconds: float) -> bool:
        return False

    def turn(self, angle_deg: float, _seconds: float) -> None:
        self.turned.append(angle_deg == 0.0)
        self.goes(self._moves.pop(0), self.t_us + 400_000)

    def status(self) -> Machine:
        return self

    # the observer
    def goes(self, state: str, at_us: int) -> None:
        self.state = state
        self.timeline.append((at_us, state))

    @property
    def showing(self) -> dict[str, int | None]:
        return {"light": 1 if self.heard else None}

    def state_at(self, t_us: int) -> str:
        return next(state for since, state in reversed(self.timeline) if since <= t_us)

    def settle(self, *states: str, seconds: float) -> bool:
        self.t_us += round(seconds * 1e6)
        return self.state in states

    def wait_state(self, state: str, *, since_us: int, seconds: float) -> int | None:
        return self.t_us + 400_000 if self.state == state else None


def standin(machine: Machine) -> StandIn:
    from lidjig.bench import load_machine, load_sensor

    machine.machine, machine.sensor = load_machine("alder-14")[0], load_sensor("hinge-a1")[0]
    machine.limits = machine.machine.limits
    return StandIn(machine, machine)  # type: ignore[arg-type]


def results(trials: list[Trial]) -> list[tuple[str, str, str]]:
    return [(trial.state, trial.result, trial.found) for trial in trials]


def test_a_round_is_a_shutting_and_an_opening() -> None:
    assert results(standin(Machine("S0", ["S3", "S0"])).round()) == [("S3", "hit", ""), ("S0", "hit", "")]


def test_a_miss_excuses_the_movement_after_it_and_no_other() -> None:
    machine = Machine("S0", ["S0", "S0", "S0", "S0"])
    stand_in = standin(machine)
    assert results(stand_in.round()) == [("S3", "miss", "")]
    assert results(stand_in.round()) == [("S3", "miss", "")]
    assert len(machine.turned) == 4, "the lid is opened all the same"
    never_wakes = standin(Machine("S0", ["S3", "S3", "S3", "S3"]))
    assert results(never_wakes.round()) == [("S3", "hit", ""), ("S0", "miss", "")]
    assert results(never_wakes.round()) == [("S0", "miss", "")]


@pytest.mark.parametrize("state", ["S5", "G3", "S3", "unknown"])
def test_a_state_lost_before_shutting_is_a_result(state: str) -> None:
    machine = Machine("S0", ["S3", "S0", "S3"])
    stand_in = standin(machine)
    stand_in.round()
    machine.goes(state, machine.t_us)
    assert results(stand_in.round()) == [("S3", "lost", state)]


@pytest.mark.parametrize("state", ["S5", "S0"])
def test_a_state_lost_while_shut_is_a_result(state: str) -> None:
    machine = Machine("S0", ["S3", "S0"])
    stand_in = standin(machine)
    idle = machine.idle
    machine.idle = lambda seconds: (idle(seconds), machine.goes(state, machine.t_us))[0]  # type: ignore[method-assign]
    assert results(stand_in.round()) == [("S3", "hit", ""), ("S0", "lost", state)]


def test_a_machine_that_goes_off_on_shutting_has_lost_its_state() -> None:
    assert results(standin(Machine("S0", ["S5"])).round()) == [("S3", "lost", "S5")]


def test_a_state_reached_before_the_stimulus_is_no_reaction() -> None:
    machine = Machine("S0", ["S3"])
    turn = machine.turn

    def asleep_already(angle_deg: float, seconds: float) -> None:
        turn(angle_deg, seconds)
        machine.timeline[-1] = (machine.t_us - 1, "S3")

    machine.turn = asleep_already  # type: ignore[method-assign]
    assert results(standin(machine).round()) == [("S3", "lost", "S3")]


def test_no_state_is_lost_where_an_observer_has_to_be_heard_anew() -> None:
    machine = Machine("unknown", [])
    machine.heard = False
    with pytest.raises(Disturbed):
        standin(machine).round()


def test_what_was_found_wrong_in_a_round_that_is_repeated_stays() -> None:
    machine = Machine("S0", ["S0", "S3", "S0"])
    stand_in = standin(machine)
    idle = machine.idle

    def fail_once(_seconds: float) -> None:
        machine.idle = idle  # type: ignore[method-assign]
        raise Disturbed("the lid was opened")

    machine.idle = fail_once  # type: ignore[method-assign]
    with pytest.raises(Disturbed):
        stand_in.round()
    assert results(stand_in.round()) == [("S3", "miss", ""), ("S3", "hit", ""), ("S0", "hit", "")]


def test_a_link_loss_is_no_miss_of_the_machine() -> None:
    for trouble in ("interruptions", "lost"):
        machine = Machine("S0", ["S0"])
        turn = machine.turn

        def troubled(angle_deg: float, seconds: float, turn: object = turn, trouble: str = trouble) -> None:
            assert callable(turn)
            turn(angle_deg, seconds)
            setattr(machine, trouble, 1)  # noqa: B023

        machine.turn = troubled  # type: ignore[method-assign]
        with pytest.raises(Disturbed):
            standin(machine).trial("S3")


def test_lost_states_are_kept_with_the_run_and_told_with_their_times() -> None:
    trials = [Trial("S3", 1, 2, 3.0), Trial("S0", 4_500_000, None, 3.0, "S5")]
    assert from_result(to_result(trials)) == trials
    assert "found" not in to_result(trials)[0]
    assert from_result([{"state": "S3", "stimulus_us": 1, "reaction_us": 2, "limit_s": 3.0}]) == trials[:1]
    assert from_result([]) is None, "a cycle in which nothing was tried is not done"
    text = told_lost(lost(trials))
    assert text == "the machine was found in S5 where S0 or S3 was due (opening the lid at board time 4.500 s)"


# -- what the cycles prove


def hit(state: str, seconds: float = 1.0) -> Trial:
    return Trial(state, 0, round(seconds * 1e6), 3.0)


GOOD = [hit("S3"), hit("S0")]


@pytest.mark.parametrize(
    "bad",
    [
        [hit("S3")],  # one movement was never tried
        [hit("S3"), hit("S0", 4.0)],  # answered too late
        [hit("S3"), Trial("S0", 0, None, 3.0)],
        [Trial("S3", 0, None, 3.0, "S5")],
    ],
    ids=["half", "late", "miss", "lost"],
)
def test_a_cycle_counts_only_when_both_movements_were_answered_in_time(bad: list[Trial], bench: Make) -> None:
    # Exact one-sided lower bound, 95 %: 13 of 14 good shows 0.7033, 14 of 14 shows 0.8074 (scipy.stats.binomtest).
    clean = Cycle(bench(), 14, proof=Proof(0.8, 0.95), before=[GOOD] * 14)
    clean.conclude()
    shown = clean.sheet.get("reliability shown")
    assert shown is not None and shown.low == pytest.approx(0.8074, abs=1e-4)
    assert (shown.high, shown.outcome) == (None, "pass"), "a bound, not a figure"
    spoilt = Cycle(bench(), 14, proof=Proof(0.8, 0.95), before=[GOOD] * 13 + [bad])
    spoilt.conclude()
    shown = spoilt.sheet.get("reliability shown")
    assert shown is not None and shown.value == pytest.approx(0.7033, abs=1e-4)
    assert shown.outcome == "fail"


def test_five_cycles_without_any_reaction_are_hopeless_and_an_empty_one_is_none(bench: Make) -> None:
    cycle = Cycle(bench(), 100)
    for trial in (Trial("S3", 0, None, 3.0), Trial("S3", 0, None, 3.0, "S5")):
        cycle.cycles = [[trial]] * 5
        assert cycle._hopeless()
    cycle.cycles = [[hit("S3"), Trial("S0", 0, None, 3.0)]] * 5
    assert not cycle._hopeless()
