# Pulse width: a frame of head clocks active, one clock for every code, tail clocks at rest.
#
# Push-pull: the frames are the buffer's data, and the tick raises its enable. Open drain: the data rests low and the
# frames are the enable, so that the line is pulled low or let go.
from boards import Board
from boards.pio_pwm import HALF_MAX, HIGH_MIN, LOW_MIN, Frames

from firmware.curve_words import HIGH
from firmware.families.base import Family


def wrong(values: dict) -> str:
    # Name of a field that the frames cannot be made by; "" when all is well.
    least = max(HIGH_MIN, LOW_MIN)
    for name in ("head_clocks", "tail_clocks"):
        if values[name] < least:
            return name
    clocks = values["head_clocks"] + values["codes"] - 1 + values["tail_clocks"]
    if clocks - least > HALF_MAX:
        return "codes"
    # Divider of the state machine: 1 to 65535 (MicroPython documentation, rp2.StateMachine).
    return "" if 1908 <= clocks * 1000000000 // values["period_ns"] <= 125000000 else "period_ns"


class Output(Family):
    def __init__(self, board: Board, values: dict) -> None:
        push_pull, active_high = values["push_pull"], values["active_high"]
        Family.__init__(self, (board.drive_enable[0],) if push_pull else (), push_pull)
        self._head = values["head_clocks"]
        self._clocks = self._head + values["codes"] - 1 + values["tail_clocks"]
        # The level of a pin that is the line's high level: an enable of a buffer whose data is low pulls low.
        self._inverted = 0 if push_pull else 1
        self._active = active_high ^ self._inverted
        self._at_rest = active_high ^ 1 ^ self._inverted
        pin = board.drive_data[0] if push_pull else board.drive_enable[0]
        self._frames = Frames(pin, (self._clocks * 1000000000 + values["period_ns"] // 2) // values["period_ns"])

    def ready(self) -> None:
        self._frames.ready()
        self.held = 1  # the state machine stands still again

    def put(self, code: int) -> int:
        if code < 0:
            # No code is an error here: the line rests at a level.
            self._frames.hold((1 if code == HIGH else 0) ^ self._inverted)
            self.held = 1
            return 1
        active = self._head + code
        rest = self._clocks - active
        frames = self._frames
        taken = frames.put(active, rest) if self._active else frames.put(rest, active)
        if self.held:
            # Also where nothing was taken: a word that waits since before the level would wait for ever.
            self.held = 0
            frames.go()
        return taken

    def hold(self, level: int) -> None:
        self._frames.hold(level ^ self._inverted)
        self.held = 1
