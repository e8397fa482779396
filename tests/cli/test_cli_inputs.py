"""Input that cannot be used is refused with file, key, value and what is accepted, before anything is begun."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from lidjig.cli import main
from lidjig.record.store import open_store
from lidjig.twin.scenario import parse_scenario


@pytest.mark.parametrize(
    ("words", "key", "accepted"),
    [
        (("hold", "900"), "ANGLE", "0 to 180 deg"),
        (("hold", "-5"), "ANGLE", "0 to 180 deg"),
        (("sweep", "-5", "10"), "FROM", "0 to 180 deg"),
        (("sweep", "10", "-5.5"), "TO", "0 to 180 deg"),
        (("sweep", "10", "10"), "TO", "another angle"),
        (("sweep", "10", "20", "--rate", "0"), "--rate", "0.01"),
        (("confirm", "--seed", "-1"), "--seed", "0 to 4294967295"),
        (("confirm", "--seed", "9999999999"), "--seed", "0 to 4294967295"),
    ],
)
def test_refused_before_a_run_is_begun(
    words: tuple[str, ...], key: str, accepted: str, run: Callable[..., Any], store: str
) -> None:
    ran = run(*words, "--link", "twin", "--json")
    assert ran.status == 2
    error = ran.json["error"]
    assert error["text"].startswith(f"{key} = ") and accepted in error["text"]
    assert error["next"]
    assert ran.json["run"] is None
    if Path(store).exists():
        with open_store(store) as record:
            assert record.runs() == []


def test_every_refusal_says_what_to_do(run: Callable[..., Any]) -> None:
    for words in (("confrim",), ("confirm", "--repeat", "0"), ("confirm", "--machine", "nope", "--link", "twin")):
        error = run(*words, "--json").json["error"]
        assert error["text"] and error["next"], words


def test_looking_creates_no_record(run: Callable[..., Any], store: str, monkeypatch: Any, tmp_path: Path) -> None:
    ran = run("runs", "--json")
    assert ran.status == 2 and "an existing record" in ran.json["error"]["text"]
    assert not Path(store).exists()
    # In the default place there may be none yet, which is no mistake of anybody's.
    default = tmp_path / "default" / "lidjig.db"
    monkeypatch.setattr("lidjig.record.engine.default_path", lambda: default)
    assert main.run(["runs"]) == 0
    assert not default.exists() and not default.parent.exists()


def test_a_job_that_nobody_began(run: Callable[..., Any]) -> None:
    run("watch", "--seconds", "0.5", "--link", "twin", "--job", "counter-7")
    ran = run("runs", "--job", "nosuch", "--json")
    assert ran.status == 2
    assert "nosuch" in ran.json["error"]["text"] and "counter-7" in ran.json["error"]["text"]
    assert run("runs", "--job", "counter-7", "--json").status == 0


def test_a_machine_of_ones_own_making_needs_a_profile(run: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text("[machine.parameters.rail]\nvolts = 3.3\n", encoding="utf-8")
    ran = run("confirm", "--link", f"twin:{path}", "--json")
    assert ran.status == 2
    assert str(path) in ran.json["error"]["text"] and "--machine" in ran.json["error"]["text"]
    assert run("watch", "--seconds", "0.5", "--machine", "alder-14", "--link", f"twin:{path}").status == 0


@pytest.mark.parametrize(
    ("line", "key"),
    [("median_ms = 4000.0", "median_ms"), ("median_ms = 100.0", "median_ms"), ("max_ms = 10.0", "max_ms")],
)
def test_a_latency_that_its_own_bounds_would_clip(line: str, key: str) -> None:
    from lidjig.errors import BadInput

    text = f'[machine]\nmodel = "alder-14"\n[machine.parameters.latency.sleep]\n{line}\n'
    with pytest.raises(BadInput) as caught:
        parse_scenario(text, "x.toml")
    assert (caught.value.file, caught.value.key) == ("x.toml", f"machine.parameters.latency.sleep.{key}")


def test_a_bound_is_shown_with_all_its_digits() -> None:
    from lidjig.errors import BadInput

    with pytest.raises(BadInput) as caught:
        parse_scenario("seed = -1\n", "x.toml")
    assert "4294967295" in str(caught.value)


def test_profiles_checks_the_sensor_that_the_machine_names(run: Callable[..., Any], tmp_path: Path) -> None:
    assert "hinge-a1" in main_out(run, "alder-14")
    path = tmp_path / "mine.toml"
    source = resources.files("lidjig.bench") / "data" / "machines" / "alder-14.toml"
    with resources.as_file(source) as shipped:
        shutil.copy(shipped, path)
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r'(?m)^sensor = ".*"$', 'sensor = "nope"', text), encoding="utf-8")
    ran = profiles(run, str(path))
    assert ran.status == 2
    assert f"{path}: sensor = 'nope'" in ran.err


def profiles(run: Callable[..., Any], machine: str) -> Any:
    return run("profiles", "--machine", machine)


def main_out(run: Callable[..., Any], machine: str) -> str:
    ran = profiles(run, machine)
    assert ran.status == 0, ran.err
    return str(ran.out)


def test_a_dead_simulated_link_is_not_told_to_flash(run: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "dead.toml"
    path.write_text('[[fault]]\nwhere = "link"\nkind = "drop"\nrate = 1.0\n', encoding="utf-8")
    error = run("confirm", "--link", f"twin:{path}", "--json").json["error"]
    assert "flash" not in error["next"] and "dead.toml" in error["next"]


def test_flash_without_a_board_does_not_recommend_what_it_refuses(run: Callable[..., Any], monkeypatch: Any) -> None:
    monkeypatch.setattr("lidjig.link.ports.serial_ports", list)
    ran = run("flash")
    assert ran.status == 3
    assert "twin" not in ran.err and "flash PORT" not in ran.err and "USB" in ran.err
    ran = run("confirm")
    assert ran.status == 3 and "--link twin" in ran.err


@pytest.mark.parametrize(
    "command", ["confirm", "isolate", "hold", "sweep", "watch", "cycle", "runs", "show", "attach", "flash"]
)
def test_help_names_values_in_words(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    main.run([command, "--help"])
    # (The parser's own help puts the type behind an argument's name; an option's value is named by us.)
    assert not re.search(r"--\w+ <", capsys.readouterr().out)
