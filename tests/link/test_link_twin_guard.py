"""A simulated bench that hangs is ended; one that was stopped together with this program is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from lidjig.link import twin_process
from lidjig.link.twin_process import BenchProcess

TURNS = round(twin_process._ANSWER_MAX_S / twin_process._GUARD_S)


class Closing:
    """So many turns of the guard pass at once; before each of them something may happen."""

    def __init__(self, turns: int, before: Callable[[int], None]) -> None:
        self._turns, self._before, self._turn = turns, before, 0

    def wait(self, _seconds: float) -> bool:
        self._turn += 1
        self._before(self._turn)
        return self._turn > self._turns


class Process:
    killed = False

    def kill(self) -> None:
        self.killed = True


def guarded(turns: int, before: Callable[[BenchProcess, int], None]) -> bool:
    """Whether the process was ended."""
    bench: Any = object.__new__(BenchProcess)
    process = bench._process = Process()
    bench._asked, bench._killed = 1, False
    bench._closing = Closing(turns, lambda turn: before(bench, turn))
    bench._guard()
    assert bench._killed is process.killed
    return process.killed


def test_a_question_that_is_never_answered_ends_the_process() -> None:
    assert guarded(TURNS + 2, lambda _bench, _turn: None)


@pytest.mark.parametrize("idle", [True, False], ids=["now and then", "one after the other"])
def test_as_long_as_answers_come_nothing_is_ended(idle: bool) -> None:
    def answered(bench: Any, turn: int) -> None:
        bench._asked = 0 if idle and turn % 5 == 0 else turn // 5 + 1

    assert not guarded(TURNS * 20, answered)


def test_an_hour_in_which_this_computer_slept_does_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock jumps, but no turn has passed: the bench slept as well."""
    import time

    now_s = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: now_s + 3600.0)
    assert not guarded(TURNS - 2, lambda _bench, _turn: None)
