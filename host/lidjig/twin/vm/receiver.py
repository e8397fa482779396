"""The model machine's controller, where the hinge sensor tells an angle: listens on a grid, and believes or not.

It decodes by the format that the machine was built for (format_*.py), turns the code into an angle and compares that
with its own closing and opening angles. Nothing that can be read: a line at rest low is a dead sensor, which reads as
shut, and one at rest high is a sensor that is not there, which reads as open (common practice, no source).
"""

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from angle_line import AngleLine
    from kernel import Kernel


class Receiver:
    """facts: sample_us, shut_mdeg, open_mdeg, low_permille, high_permille, and the transfer of the sensor expected:
    zero_mdeg, span_mdeg, codes, down, wrap. Tells through `changed`, which whoever owns it sets.
    """

    def __init__(self, kernel: "Kernel", line: "AngleLine", form: "Any", facts: "dict[str, Any]") -> None:
        self._kernel = kernel
        self._line = line
        self._form = form
        self._facts = facts
        self.changed: Callable[[], object] = bool  # called after every look; the machine's
        self.shut = False
        self.angle_mdeg = -1  # last one that was heard; -1: none
        self.unread = 0  # looks in which nothing could be read

    def begin(self) -> None:
        """The first look now, then one every sample_us."""
        self._look(None)

    def _look(self, _argument: None) -> None:
        self._kernel.after(self._facts["sample_us"], self._look)
        self.look()
        self.changed()

    def look(self) -> None:
        """Hears what the line has carried until now."""
        facts = self._facts
        begin_us = self._kernel.now - self._form.window // 125
        level, edges = self._line.edges(begin_us, facts["low_permille"], facts["high_permille"])
        if not edges:
            self.angle_mdeg = -1
            self.unread += 1
            self.shut = not level
            return
        self.take(self._form.hear(edges))

    def take(self, code: int) -> None:
        """A code as it was heard; negative: half a frame after the sensor started, or one that says nothing. What was
        known then stays.
        """
        if code < 0:
            self.unread += 1
            return
        self.believe(self._angle(code))

    def believe(self, angle: int) -> None:
        """An angle: between the two limits the lid counts as what it was."""
        self.angle_mdeg = angle
        if angle <= self._facts["shut_mdeg"]:
            self.shut = True
        elif angle >= self._facts["open_mdeg"]:
            self.shut = False

    def _angle(self, code: int) -> int:
        facts = self._facts
        steps = facts["codes"] if facts["wrap"] else facts["codes"] - 1
        if facts["down"]:
            code = steps - code
        angle: int = facts["zero_mdeg"] + code * facts["span_mdeg"] // steps
        return angle % 360000 if facts["wrap"] else angle
