"""What `show` and the exports say of runs that were killed, and of runs that judged nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.record import open_store
from lidjig.record.model import DECLARED_STEP, MeasuredValue

from tests.cli.conftest import Ran
from tests.cli.test_cli_record import make

Run = Callable[..., Ran]


def declared(store: str, *, closed: bool) -> None:
    """A run that declared two figures and took one of them."""
    taken = MeasuredValue("wake latency", 0.4, "s", 0.39, 0.41, 8, None, 1.0)
    coming = MeasuredValue("sleep latency", None, "s", limit_high=6.0)
    with open_store(store) as opened:
        run = opened.start_run("confirm")
        with run.step(DECLARED_STEP) as step:
            step.result = [
                {"name": one.name, "unit": one.unit, "limit_low": one.limit_low, "limit_high": one.limit_high}
                for one in (taken, coming)
            ]
        run.measurement(taken)
        if closed:
            run.measurement(coming)
            run.finish("incomplete")


@pytest.mark.parametrize("closed", [False, True], ids=["killed", "closed"])
def test_every_declared_figure_is_listed_once(run: Run, store: str, closed: bool) -> None:
    declared(store, closed=closed)
    told = run("show", "last").out
    assert told.count("wake latency: 0.4 s (0.39 to 0.41, n 8) [limit at most 1]  pass") == 1
    assert told.count("sleep latency: not measured [limit at most 6]  not measured") == 1
    listed = run("show", "last", "--json").json["measurements"]
    assert [(one["name"], one["outcome"]) for one in listed] == [
        ("wake latency", "pass"), ("sleep latency", "not measured"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("command", "word"), [("watch", "ended"), ("hold", "ended"), ("confirm", "pass"), ("isolate", "fail")]
)
def test_a_run_that_judged_nothing_never_reads_pass(
    run: Run, store: str, tmp_path: Path, command: str, word: str
) -> None:
    make(store, command)
    assert run("show", "last", "--json").json["outcome"] == word
    for suffix in ("json", "vcd"):
        assert run("export", "last", str(tmp_path / f"run.{suffix}")).status == 0
    assert json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["run"]["outcome"] == word
    assert f"({command}), outcome {word}, board" in (tmp_path / "run.vcd").read_text(encoding="ascii")
