"""What options and the profiles they name already show to be wrong is refused before port or bench is opened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.bench import load_machine
from lidjig.cli import session

from tests.cli.conftest import Ran

PORT = ("--link", "/dev/ttyNoJigHere")
LARCH = ("--link", "twin:healthy-larch-14")
TYPED = ("--meter", "typed")
SHEET = ("--accuracy", "0.5%+3", "--resolution", "1 mV")


@pytest.fixture
def closed(monkeypatch: pytest.MonkeyPatch, run: Callable[..., Ran], store: str) -> Callable[..., Ran]:
    """A command that must not open a link, nor begin a run."""

    def no_link(*_words: object, **_options: object) -> None:
        raise AssertionError("a link was opened")

    def go(*words: str) -> Ran:
        monkeypatch.setattr(session, "open_link", no_link)
        ran = run(*words, "--json")
        assert not Path(store).exists()
        return ran

    return go


BENCH = (*LARCH, "--machine", "larch-14")


@pytest.mark.parametrize(
    ("words", "key", "accepted"),
    [
        # Who has no simulated meter types, whether --meter says so or not.
        ((*PORT, "--machine", "larch-14"), "--accuracy", "0.5%+3"),
        ((*PORT, "--machine", "larch-14", "--accuracy", "0.5%+3"), "--resolution", "1 mV"),
        ((), "--accuracy", "0.5%+3"),
        (("--link", "0123456789abcdef"), "--accuracy", "0.5%+3"),
        ((*LARCH, *TYPED), "--accuracy", "0.5%+3"),
        ((*LARCH, *TYPED, "--accuracy", "0.5%+3"), "--resolution", "1 mV"),
        ((*LARCH, *TYPED, "--accuracy", "0.1%+0.1% range", "--resolution", "1 mV"), "--range", "such as 6 V"),
        # Each for itself, where the bench's own meter stands for the other.
        ((*LARCH, "--accuracy", "fine"), "--accuracy", "0.5%+3"),
        ((*LARCH, "--resolution", "fine"), "--resolution", "1.234"),
        ((*LARCH, "--range", "fine"), "--range", "1.234"),
        ((*LARCH, "--accuracy", "0.1%+0.1% range"), "--range", "such as 6 V"),
        # A step or a range without its unit, and meters by which no trim would be worth storing.
        ((*LARCH, *TYPED, "--accuracy", "0.5%+3", "--resolution", "1"), "--resolution", "with its unit"),
        ((*LARCH, *TYPED, "--accuracy", "0.1%+0.1% range", "--resolution", "1 mV", "--range", "6"), "--range", "unit"),
        ((*BENCH, *TYPED, "--accuracy", "0.5%+3", "--resolution", "1 V"), "--resolution", "3.60 deg"),
        ((*BENCH, *TYPED, "--accuracy", "30%+3", "--resolution", "1 mV"), "--accuracy", "3.60 deg"),
        ((*LARCH, *TYPED, "--accuracy", "0.5", "--resolution", "1 mV"), "--accuracy", "0.5%+3"),
        ((*LARCH, "--meter", "TYPED", *SHEET), "--meter", "typed, a serial port"),
        ((*LARCH, "--meter", "", *SHEET), "--meter", "typed, a serial port"),
        ((*LARCH, "--meter", "voltmeter", *SHEET), "--meter", "typed, a serial port"),
        ((*PORT, "--machine", "larch-14", "--meter", PORT[1], *SHEET), "--meter", "another port than the jig's"),
        ((*PORT, "--machine", "alder-14", *TYPED, *SHEET), "--sensor", "family 'analog'"),
    ],
)
def test_trim(words: tuple[str, ...], key: str, accepted: str, closed: Callable[..., Ran]) -> None:
    refused(closed("trim", *words), key, accepted)


@pytest.mark.parametrize(
    ("words", "key", "accepted"),
    [
        (("hold", "900"), "ANGLE", "0 to 180 deg"),
        (("hold", "40", "--say", "error"), "--say", "a switch tells of no error"),
        (("sweep", "10", "10"), "TO", "another angle"),
        (("sweep", "10", "20", "--rate", "0"), "--rate", "0.01"),
        (("confirm", "--sensor", "hinge-b2"), "output[1].line", "has no other"),
        (("confirm", "--sensor", "hinge-v1"), "--sensor", "one of family 'switch', as hinge-a1 is"),
        (("hold", "40", "--sensor", "hinge-p1"), "--sensor", "machine alder-14 has"),
        (("cycle", "--count", "5", "--prove", "0.99"), "--count", "at least 299"),
        (("confirm", "--recording", "/no such folder/x.txt"), "--recording", "a folder that exists"),
        (("watch", "--recording", "."), "--recording", "a file, and this is a folder"),
        (("teach", "--out", "x.txt"), "--out", ".toml"),
    ],
)
def test_with_a_machine_that_is_named(
    words: tuple[str, ...], key: str, accepted: str, closed: Callable[..., Ran]
) -> None:
    refused(closed(*words, "--machine", "alder-14", *PORT), key, accepted)


@pytest.mark.parametrize("command", ["isolate", "sense"])
def test_a_pin_that_selects_the_real_sensor_is_no_observer(
    command: str, closed: Callable[..., Ran], tmp_path: Path
) -> None:
    text = load_machine("hazel-14")[1]
    assert "observer_3" in text
    machine = tmp_path / "mine.toml"
    machine.write_text(text.replace("observer_3", "observer_2"), encoding="utf-8")
    refused(closed(command, "--machine", str(machine), *PORT), "observers.observer_2.signal", "observer 3 or 4")


def test_a_file_to_write_into_that_is_there_already(
    closed: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("alder-14-taught.toml").write_text("", encoding="utf-8")
    refused(closed("teach", "--machine", "alder-14", *PORT), "--out", "does not exist yet")


def refused(ran: Ran, key: str, accepted: str) -> None:
    error = ran.json["error"]
    assert ran.status == 2, error
    assert f"{key} = " in error["text"] or f"{key} is not given" in error["text"]
    assert accepted in error["text"] and error["next"] and ran.json["run"] is None


def test_what_the_link_alone_knows_is_refused_before_a_run_is_begun(run: Callable[..., Ran], store: str) -> None:
    ran = run("trim", "--link", "twin:healthy-elm-14", "--json")
    refused(ran, "--sensor", "family 'analog'")
    assert not Path(store).exists()


def test_a_picture_is_all_that_force_is_for(run: Callable[..., Ran]) -> None:
    ran = run("profiles", "--sensor", "hinge-v1", "--force", "--json")
    assert ran.status == 2 and "--force" in ran.json["error"]["text"] and "--svg" in ran.json["error"]["text"]
