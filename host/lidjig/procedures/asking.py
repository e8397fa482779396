"""Asking the person at the bench to do something, and hearing that it is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from lidjig.bench.actions import ACTIONS, LID_ACTIONS, words_of
from lidjig.errors import BadInput, LidjigError
from lidjig.jig_types import Event

if TYPE_CHECKING:
    from lidjig.procedures.base import Bench

OPERATOR_S = 180.0  # an operator who has not answered by then is not there
TYPING_S = 600.0  # as long for a line: a lead has to be held and a meter read
OWED_S = 12.0  # an answer that is still owed comes within this: the longest deed takes 10 s


class NobodyAnswered(LidjigError):
    """The operator was asked for something and neither the mark switch nor Enter came."""

    def __init__(self, asked: str, waited_s: float) -> None:
        super().__init__(asked, waited_s)
        self.asked, self.waited_s = asked, waited_s

    def __str__(self) -> str:
        return f"nobody answered within {self.waited_s:.0f} s: {self.asked}"

    @property
    def next_step(self) -> str:
        return "Do what is asked, then press the mark switch (or Enter in the terminal)."


class Typed(Protocol):
    """Lines that a person types."""

    def forget(self) -> None:
        """What was typed before now is no answer to what comes next."""

    def line(self) -> str | None:
        """The next line, None where none has come yet. Raises EOFError where none will come."""


class Operator:
    """The person at the bench: told what to do, and heard when it is done (mark switch, or Enter in a terminal), or
    heard what was typed.
    """

    def __init__(self, enter_pressed: Callable[[], bool] = lambda: False, typed: Typed | None = None) -> None:
        self._enter_pressed, self._typed = enter_pressed, typed
        self._owes = False  # an answer to a question during which link or board failed; it may still come

    def ask(self, bench: Bench, action: str, seconds: float = OPERATOR_S) -> tuple[int, int]:
        """Ask for an action of bench/actions.py; board time in us of the asking and of the operator's answer.

        The deed itself lies between the two. Raises NobodyAnswered, BadInput for an unknown action.
        """
        found = words_of(action)
        if found is None:
            raise BadInput("", "action", action, ", ".join([*ACTIONS, *LID_ACTIONS]))
        words, caution = found
        if self._owes:
            # The answer to the question before must not pass for one to this question.
            self._answered(bench, bench.jig.status().t_us, OWED_S)
        asked_us = bench.jig.status().t_us
        bench.progress.prompt(words, caution)
        bench.recorder.note(f"asked the operator: {words}")
        self._enter_pressed()  # an Enter from before the question is no answer to it
        self._owes = True
        bench.jig.link.tell_operator(action)
        answered_us = self._answered(bench, asked_us, seconds)
        self._owes = False
        bench.progress.prompt_done()
        if answered_us is None:
            raise NobodyAnswered(words, seconds)
        return asked_us, answered_us

    def hear_line(self, bench: Bench, question: str, seconds: float = TYPING_S) -> str | None:
        """Ask a question and hear the line that is typed; None where nobody types one."""
        typed = self._typed
        if typed is None:
            return None
        heard: list[str | None] = []

        def came() -> bool:
            try:
                line = typed.line()
            except EOFError:
                heard.append(None)
            else:
                heard.extend([] if line is None else [line])
            return bool(heard)

        typed.forget()
        bench.progress.question(question)
        bench.wait(came, seconds)
        return heard[0] if heard else None

    def _answered(self, bench: Bench, since_us: int, seconds: float) -> int | None:
        """Board time of the first answer after since_us; None where none comes."""
        marks: list[int] = []

        def heard(event: Event) -> None:
            if event.name == "mark" and event.data["pressed"] and event.t_us >= since_us:
                marks.append(event.t_us)

        bench.jig.on_event.append(heard)
        try:
            if not bench.wait(lambda: bool(marks) or self._enter_pressed(), seconds):
                return None
        finally:
            bench.jig.on_event.remove(heard)
        return marks[0] if marks else bench.jig.status().t_us
