"""Ctrl-C in the middle of a write: the record then has it once or not at all, and what is written next is whole."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from lidjig.errors import BadInput
from lidjig.record import open_store
from lidjig.record.recorder import RunRecorder
from lidjig.record.store import Store


@dataclass(frozen=True)
class Event:
    name: str
    counter: int
    t_us: int
    data: dict[str, int] = field(default_factory=dict)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "runs.db") as opened:
        yield opened


class Interrupted:
    """An engine whose next transaction is broken into, before or after it has reached the disk."""

    def __init__(self, recorder: RunRecorder, *, after: bool) -> None:
        self._recorder, self._engine, self._after = recorder, recorder._engine, after
        recorder._engine = self  # type: ignore[assignment]

    @contextmanager
    def begin(self) -> Iterator[Any]:
        self._recorder._engine = self._engine
        with self._engine.begin() as connection:
            yield connection
            if not self._after:
                raise KeyboardInterrupt
        raise KeyboardInterrupt

    def connect(self) -> Any:
        return self._engine.connect()


BATCH = [Event("edge", 1, 10), Event("edge", 2, 20)]


@pytest.mark.parametrize("after", [True, False], ids=["stored", "not stored"])
def test_a_batch_that_is_given_again_is_stored_once(after: bool, store: Store) -> None:
    recorder = store.start_run("cycle")
    recorder.events([Event("boot", 0, 1)])
    Interrupted(recorder, after=after)
    with pytest.raises(KeyboardInterrupt):
        recorder.events(BATCH)
    recorder.events([*BATCH, Event("edge", 3, 30)])
    recorder.gap("link-lost", "")
    kept = store.run(recorder.id)
    assert [event.counter for event in kept.events] == [0, 1, 2, 3]
    assert kept.gaps[0].after_event == 4


def test_equal_events_of_two_boots_are_two(store: Store) -> None:
    recorder = store.start_run("cycle")
    recorder.events([Event("boot", 1, 0)])
    recorder.events([Event("boot", 1, 0)])
    assert len(store.run(recorder.id).events) == 2


@pytest.mark.parametrize("after", [True, False], ids=["stored", "not stored"])
def test_steps_and_samples_that_ride_are_stored_once(
    after: bool, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = store.start_run("cycle")
    recorder.note("first")  # what follows rides with the next commit
    with recorder.step("cycle", number=1) as step:
        recorder.sample("supply", "mV", 3300.0, 1.0, 64, 5)
        step.result = "done"
    monkeypatch.setattr("lidjig.record.recorder.RIDE_S", 60.0)
    Interrupted(recorder, after=after)
    with pytest.raises(KeyboardInterrupt):
        recorder.note("second")
    with recorder.step("let go"):
        pass  # rides as well, before anybody knows what came of the write that was broken into
    recorder.finish("incomplete")
    kept = store.run(recorder.id)
    assert [(s.name, s.state, s.result) for s in kept.steps] == [("cycle", "done", "done"), ("let go", "done", None)]
    assert [(s.channel, s.value) for s in kept.samples] == [("supply", 3300.0)]
    assert kept.notes == (["first", "second"] if after else ["first"])
    assert kept.closed


# -- an operator's notes


def test_a_note_is_added_to_a_run_that_is_still_written(store: Store) -> None:
    recorder = store.start_run("cycle")
    recorder.note("the first of its own")
    assert store.add_note(recorder.id, " corrosion at pin 3 ") == recorder.id
    recorder.note("the second of its own")
    store.add_note("last", "replaced")
    recorder.finish("pass")
    assert store.run("last").notes == [
        "the first of its own", "the second of its own", "operator: corrosion at pin 3", "operator: replaced",
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["", "   ", "a\x07bell", "x" * 4001], ids=["empty", "blank", "control", "long"])
def test_a_note_that_cannot_be_shown_is_refused(text: str, store: Store) -> None:
    store.start_run("cycle")
    with pytest.raises(BadInput, match="TEXT"):
        store.add_note("last", text)
    assert store.run("last").notes == []


def test_a_note_on_no_run_is_refused(store: Store) -> None:
    with pytest.raises(BadInput, match="run"):
        store.add_note("r-7", "lost")
