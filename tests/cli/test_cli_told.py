"""What is said where nothing can be said of the machine, or an argument does not fit: units, roles, the way on."""

from __future__ import annotations

from collections.abc import Callable

from lidjig.bench import load_machine
from lidjig.errors import Contradicting, Disturbed
from lidjig.jig_samples import meter_name
from lidjig.measure.estimate import Estimate, at_least
from lidjig.procedures.telling import band_words, reading_words, role
from lidjig.record.store import open_store

from tests.cli.conftest import Ran

Run = Callable[..., Ran]


def test_bands_are_told_with_their_unit() -> None:
    machine = load_machine("dogwood-14")[0]  # charger_i: thresholds 30 and 250 mA
    told = [band_words(machine, "charger_i", band) for band in (0, 1, 2, 7, None)]
    assert told == ["below 30 mA", "30 to 250 mA", "above 250 mA", "band 7", "?"]
    assert band_words(machine, "supply_ok", 1) == "high"
    assert role(load_machine("alder-14")[0], "observer_1") == "SLP_S3# (observer_1)"


def test_readings_are_told_with_interval_and_n() -> None:
    assert reading_words(Estimate(20131.2, 1.0, 19650.0, 20604.4, 16, "mV")) == "20131 mV (19650 to 20604, n 16)"
    assert reading_words(at_least(5000.0, "mA", 3)) == "at least 5000 mA (n 3)"


def test_a_contradiction_gives_readings_and_names_s0ix(run: Run) -> None:
    """In S0ix the platform stays in S0, so that SLP_S3# stays high (common practice, no source)."""
    ran = run("confirm", "--link", "twin:habit-background", "--vm", "cpython", "--repeat", "1", "--json")
    assert ran.status == 3 and ran.json["outcome"] == "error"
    told = str(ran.json["error"])
    assert "SLP_S3# (observer_1) high" in told and "n 16)" in told and " mA (" in told
    assert "charger_i 1," not in told and "not S3 by SLP_S3# (observer_1)" in told
    assert "--s0ix" in ran.out


def test_s0ix_is_named_only_where_it_looks_so() -> None:
    assert "--s0ix" not in Contradicting({"light": 0}, {"S0": ["light"]}).next_step


def test_a_monitor_that_fails_is_named_and_looked_at_first() -> None:
    error = Disturbed("the machine was seen to reach S0", meter_name(1), did="stopped answering")
    assert str(error).startswith("power monitor 1 (charger supply) stopped answering before the machine")
    first = error.next_step.partition(":")[0]
    assert "power monitor 1 (charger supply)" in first and "USB" not in first
    assert Disturbed("x").next_step.startswith("Check the USB cable")


def test_a_watch_that_is_replayed_says_where_to_look(run: Run) -> None:
    assert run("watch", "--seconds", "0.5", "--link", "twin", "--vm", "cpython").status == 0
    ran = run("replay", "1")
    assert ran.status == 2 and "another RUN" not in ran.err and "lidjig show r-000001" in ran.err
    nobody = run("runs", "--job", "nope")
    assert nobody.status == 2 and "--job = 'nope'" in nobody.err
    none = run("runs", "--last", "0")
    assert none.status == 2 and "--last = 0 is not usable. Accepted: 1 or more." in none.err


def test_frames_are_listed_only_where_asked_for(run: Run, store: str) -> None:
    with open_store(store) as opened:
        recorder = opened.start_run("confirm")
        recorder.frames([f"in 00 {number:02x}" for number in range(40)])
        recorder.finish("error")
    short = run("show", "last", "--no-events").out
    assert "40 lines; list with: lidjig show r-000001 --frames" in short and "in 00 05" not in short
    assert "in 00 05" in run("show", "last", "--no-events", "--frames").out
