"""How a procedure tells what it is doing. It is given one of these and never prints itself."""

from __future__ import annotations

from typing import Protocol

from lidjig.record.model import MeasuredValue


class Progress(Protocol):
    """Whoever shows progress: a terminal, a log, nobody."""

    def step(self, text: str) -> None:
        """A step begins."""
        ...

    def say(self, text: str) -> None:
        """Something worth knowing."""
        ...

    def prompt(self, text: str, caution: str) -> None:
        """The operator is to do something now. The caution belongs to it and is shown with it."""
        ...

    def prompt_done(self) -> None:
        """The operator has done it."""
        ...

    def question(self, text: str) -> None:
        """The operator is to type an answer; cautions stand in the text."""
        ...

    def bar(self, done: int, total: int) -> None:
        """done of total are through; time left is the shower's business."""
        ...

    def measured(self, value: MeasuredValue) -> None:
        """A figure is in, with its limits beside it."""
        ...

    def tick(self) -> None:
        """Time passes; a live view may refresh itself."""
        ...


class Quiet:
    """Shows nothing."""

    def step(self, text: str) -> None:
        """Nothing."""

    def say(self, text: str) -> None:
        """Nothing."""

    def prompt(self, text: str, caution: str) -> None:
        """Nothing."""

    def prompt_done(self) -> None:
        """Nothing."""

    def question(self, text: str) -> None:
        """Nothing."""

    def bar(self, done: int, total: int) -> None:
        """Nothing."""

    def measured(self, value: MeasuredValue) -> None:
        """Nothing."""

    def tick(self) -> None:
        """Nothing."""
