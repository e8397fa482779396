"""Teaching on the simulated bench, from the first prompt to a run with the profile that came of it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from lidjig.bench import load_machine, parse_machine
from lidjig.errors import BadInput
from lidjig.procedures.base import Bench
from lidjig.procedures.report import Report
from lidjig.procedures.teaching import Teach
from lidjig.record.power_states import from_learned, model_of, smoothed_timeline
from lidjig.record.store import Store

from tests.procedures.conftest import Make

BLINK = '[machine]\nmodel = "birch-13"\n[machine.parameters.power_light]\nperiod_ms = 2000\non_ms = 400\n'


def taught(bench: Bench, name: str, seconds: float = 10.0, *, s0ix: bool = False) -> tuple[Report, list[str]]:
    written: list[str] = []

    def write(text: str) -> str:
        written.append(text)
        return "new.toml"

    return Teach(bench, (name, load_machine(name)[1]), write, seconds, s0ix=s0ix).run(), written


def test_a_blinking_machine_is_taught_and_then_known(bench: Make, store: Store, tmp_path: Path) -> None:
    made = bench(f"seed = 5\n{BLINK}", vm="cpython", machine="birch-13", sensor="hinge-b2")
    report, written = taught(made, "birch-13")
    assert report.outcome == "pass", report
    assert [finding.where for finding in report.findings] == ["none"]
    values = {measured.name: measured for measured in report.measurements}
    assert values["S0 recorded"].value == pytest.approx(15.0, abs=0.5)
    assert values["blocks misclassified"].value == 0.0
    assert values["blocks misclassified"].n == 90
    machine = parse_machine(written[0], "new.toml")
    assert machine.learned is not None
    shape = machine.learned.states["S3"]["light"]
    assert len(shape.levels) == 2 and shape.period_s == pytest.approx(2.0, abs=0.1)
    assert machine.signatures()["S5"]["charger_i"].isdisjoint(machine.signatures()["S3"]["charger_i"])
    # All else is the base's, and how it was made is in it.
    old, new = tomllib.loads(load_machine("birch-13")[1]), tomllib.loads(written[0])
    for key in old.keys() - {"observers", "states"}:
        assert new[key] == old[key]
    assert new["learned"]["board_id"] == made.jig.hello.board_hex
    assert new["learned"]["seed"] == "5"
    assert new["learned"]["run"] == report.run
    # The run itself, read back from the record with what was learned from it.
    found = smoothed_timeline(store, str(report.run), machine)
    known = [span.state for span in found.spans if span.state != "unknown" and span.seconds > 1.0]
    assert known == ["S5", "S0", "S3", "S0", "G3"]
    recorded = [step for step in store.run(str(report.run)).steps if step.name == "record"]
    assert len(recorded) == 5
    for step in recorded:
        middle = (step.result["begin_us"] + step.result["end_us"]) // 2
        assert found.state_at(middle) == step.result["state"]


def test_states_that_look_alike_are_refused(bench: Make) -> None:
    """A machine that never sleeps looks the same asleep and awake, and no profile comes of that."""
    text = 'seed = 3\n[[fault]]\nwhere = "machine"\nkind = "ignores-lid"\n'
    report, written = taught(bench(text, vm="cpython"), "alder-14", 6.0)
    assert report.outcome == "incomplete", "nothing is said about the machine"
    assert not written
    pairs = next(m for m in report.measurements if m.name == "pairs of states that overlap")
    assert pairs.value == 1.0 and pairs.outcome == "fail" and pairs.n == 6
    figures = {m.name: m for m in report.measurements}
    alone = figures["S0 and S3 in one band"]
    assert alone.value is not None and alone.value > 0.9 and alone.outcome == "fail" and alone.low is not None
    assert figures["S0 and S3 evidence"].outcome == "fail" and figures["S5 and S0 evidence"].outcome == "pass"
    # Nothing of 1 % is shown by so few blocks: rule of three, 3 / n (value from memory).
    few = figures["S5 and S0 confused"]
    assert few.outcome == "marginal" and few.high is not None and few.high > 0.03
    asleep, alike = report.findings
    assert "does not look asleep" in asleep.evidence[0]
    told = " ".join(alike.evidence)
    assert (alike.where, alike.what) == ("unknown", "states-alike") and not alike.is_fault
    assert "do not tell S0 and S3 apart on this machine as it is now" in told and "nats" in told
    assert "ire" not in alike.next and "SLP_S3#" not in alike.next, "it is wired, as are light and current"
    assert any("no profile was written" in note for note in report.notes)


def test_a_battery_that_hides_the_current_is_told_with_the_remedy(bench: Make) -> None:
    text = 'seed = 4\n[machine]\nmodel = "birch-13"\n[machine.parameters.battery]\nshare_percent = 100\noffset_ma = 5\n'
    text += "[machine.parameters.drift]\nripple_percent = 0\n"
    report, written = taught(bench(text, vm="cpython", machine="birch-13", sensor="hinge-b2"), "birch-13", 6.0)
    assert report.outcome == "incomplete" and not written
    assert any("S5 and S3" in " ".join(finding.evidence) for finding in report.findings)
    alike = next(finding for finding in report.findings if "S5 and S3" in " ".join(finding.evidence))
    assert "disconnect it by its connector" in alike.next and "lithium" in alike.caution
    assert "monitor" not in alike.next, "the charger's current is observed already"


def test_a_current_that_wanders_is_said(bench: Make) -> None:
    text = (
        'seed = 6\n[machine]\nmodel = "alder-14"\n[machine.parameters.charging]\nma = 1200\n'
        "constant_s = 0\ntaper_s = 40\n"
    )
    report, _ = taught(bench(text, vm="cpython"), "alder-14", 6.0)
    (note,) = [note for note in report.notes if note.startswith("moved slowly while a state was recorded")]
    assert re.search(r"\?\): (?:\w+ \(.+\), )?charger_i \(S5\b", note)


def test_stopping_it_writes_nothing(bench: Make) -> None:
    made = bench("seed = 2\n", vm="cpython")
    heard = made.operator.ask

    def ask(*given: object, **more: object) -> tuple[int, int]:
        made.stop.wanted = True
        return heard(*given, **more)  # type: ignore[arg-type]

    made.operator.ask = ask  # type: ignore[method-assign]
    report, written = taught(made, "alder-14", 6.0)
    assert report.outcome == "incomplete"
    assert not written


def test_a_profile_that_cannot_be_written_is_an_error(bench: Make) -> None:
    made = bench("seed = 2\n", vm="cpython")

    def refuse(_text: str) -> str:
        raise BadInput("", "--out", "x.toml", "a file that can be written")

    report = Teach(made, ("alder-14", load_machine("alder-14")[1]), refuse, 6.0).run()
    assert report.outcome == "error"
    assert "x.toml" in report.error


LEARNED = """
[learned]
when_utc = "2026-01-01T00:00:00+00:00"
how = "by hand"
board_id = "00"
run = "r-000001"
base = "alder-14"
host_version = "0"
surprise = 3.0
recorded_s = {S0 = 1.0}
estimate = {blocks = 1, block_s = 0.5, misclassified = 0.0, misclassified_low = 0.0, misclassified_high = 1.0}
[learned.scopes.light]
low = 0.0
high = 1000.0
[learned.states.S0.light]
independent_per_s = 100.0
levels = [{centre = 600.0, spread = 5.0, share = 1.0}]
[learned.evidence.S0.S3]
light = 8.0
"""


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("learned.scopes.light", "learned.scopes.pulses", "learned.scopes.pulses"),
        ("high = 1000.0", "high = -1.0", "learned.scopes.light.high"),
        ("states.S0.light", "states.S9.light", "learned.states.S9"),
        ("states.S0.light", "states.S0.charger_i", "learned.states.S0.charger_i"),
        ("evidence.S0.S3", "evidence.S0.S9", "learned.evidence.S0"),
        ("spread = 5.0", "spread = 0.0", "learned.states"),
    ],
)
def test_a_learned_part_that_does_not_fit_is_refused(old: str, new: str, key: str) -> None:
    whole = load_machine("alder-14")[1] + LEARNED.replace("evidence.S0.S3", "evidence.S0.S0")
    assert model_of(parse_machine(whole, "a.toml")).states == ("S0",)
    text = load_machine("alder-14")[1] + LEARNED.replace("evidence.S0.S3", "evidence.S0.S0").replace(old, new)
    if "evidence" in old:
        text = load_machine("alder-14")[1] + LEARNED.replace(old, new)
    with pytest.raises(BadInput) as caught:
        parse_machine(text, "a.toml")
    assert caught.value.key.startswith(key)


def test_what_was_learned_comes_back_as_it_was() -> None:
    machine = parse_machine(load_machine("alder-14")[1] + LEARNED.replace("S0.S3", "S0.S0"), "a.toml")
    assert machine.learned is not None
    model = from_learned(machine.learned)
    assert model.signatures["S0"]["light"].levels[0].centre == 600.0
    assert model.evidence["S0", "S0"] == {"light": 8.0}
