"""What goes wrong is said with where it was and what to do next."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.errors import LinkLost
from lidjig.jig import Jig
from lidjig.link.base import Deadline
from lidjig.link.twin import open_twin, scenarios
from lidjig.record.store import open_store


def test_a_missing_record_says_what_makes_one(run: Callable[..., Any]) -> None:
    ran = run("show", "last")
    assert ran.status == 2 and "this file does not exist" in ran.err and "'lidjig demo'" in ran.err


def test_an_empty_record_does_not_ask_for_another_run(run: Callable[..., Any], store: str) -> None:
    open_store(store).close()
    ran = run("show", "last")
    assert ran.status == 2 and "holds no run yet" in ran.err
    assert "another run" not in ran.err and "'lidjig demo'" in ran.err


def test_one_run_is_no_plural(run: Callable[..., Any], store: str) -> None:
    with open_store(store) as opened:
        opened.start_run("confirm").finish("pass")
        assert run("runs").out.splitlines()[-1].startswith("1 run in ")
        opened.start_run("confirm").finish("pass")
    assert run("runs").out.splitlines()[-1].startswith("2 runs in ")


@pytest.mark.skipif(sys.platform == "win32", reason="devices of POSIX")
def test_what_is_no_port_is_said_in_words(run: Callable[..., Any]) -> None:
    ran = run("ports", "--link", "/dev/null")
    assert ran.status == 3 and "/dev/null: this is no serial port" in ran.out
    assert "ioctl" not in ran.out and "lidjig flash PORT" in ran.out


def test_an_unknown_scenario_names_the_nearest_and_where_the_list_is(run: Callable[..., Any]) -> None:
    ran = run("confirm", "--link", "twin:sensor-ded")
    assert ran.status == 2 and "sensor-dead" in ran.err and "'lidjig profiles'" in ran.err
    assert max(map(len, ran.err.splitlines())) < 250
    listed = run("profiles").out
    assert all(f"  {name} " in listed and title in listed for name, title in scenarios())
    assert {row["name"] for row in run("profiles", "--json").json["scenarios"]} == {name for name, _ in scenarios()}


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_killed_simulated_bench_has_no_cable() -> None:
    link = open_twin()
    try:
        jig = Jig(link, nonce_seed=1)
        jig.connect(Deadline(link.clock, 5.0))
        os.kill(link.pid, signal.SIGKILL)
        with pytest.raises(LinkLost) as caught:
            jig.disarm()
    finally:
        link.close()
    assert "no cable here" in caught.value.next_step and "Check the cable" not in caught.value.next_step


def test_a_file_that_is_there_is_refused_in_the_same_words(run: Callable[..., Any], store: str, tmp_path: Path) -> None:
    words = "a file that is not there yet: nothing is overwritten without --force"
    photo, folder = tmp_path / "photo.jpg", tmp_path / "out"
    photo.write_bytes(b"new")
    folder.mkdir()
    with open_store(store) as opened:
        opened.start_run("confirm").finish("pass")
    assert run("attach", "last", str(photo)).status == 0
    commands = {
        "photo.jpg": ("attach", "last", "--take", "photo.jpg", str(folder)),
        "run.json": ("export", "last", str(folder / "run.json")),
    }
    for name, command in commands.items():
        (folder / name).write_bytes(b"mine")
        ran = run(*command)
        assert ran.status == 2 and words in ran.err and (folder / name).read_bytes() == b"mine"
        assert run(*command, "--force").status == 0 and (folder / name).read_bytes() != b"mine"
        assert "Replace a file that is there already." in " ".join(run(command[0], "--help").out.split())
