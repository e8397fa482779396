# Trim: which command gives the output that a code stands for, by what a meter read. Folded into the curve, or, where
# there are two outputs, into the table of each.
#
# Service loop, when a profile or a trim is put in force.
from shared_proto.family_blobs import TRIM_FULL


def _command(points: tuple, output: int) -> int:
    # points: commands and outputs, both in 1/65535, as is what comes out.
    commands, outputs = points
    last = len(commands) - 1
    k = 1
    while k < last and outputs[k] < output:
        k += 1
    rise = outputs[k] - outputs[k - 1]
    part = commands[k - 1]
    if rise:
        part += (output - outputs[k - 1]) * (commands[k] - commands[k - 1]) // rise
    return max(0, min(TRIM_FULL, part))


def moved(points: tuple, wanted: int, whole: int) -> int:
    # The level to command for a level wanted, both in parts of `whole`, which is the supply.
    return (_command(points, (wanted * TRIM_FULL + whole // 2) // whole) * whole + TRIM_FULL // 2) // TRIM_FULL


class Trim:
    # points: commands (parts of the range) and outputs (parts of the supply). values: of the profile.
    def __init__(self, points: tuple, values: dict) -> None:
        self._points = points
        self._low = values["low_permyriad"]
        self._high = values["high_permyriad"]

    def command(self, wanted: int, top: int) -> int:
        # The command for a code, both in sixteenths, top: of the last code. What lies beyond the points is shifted as
        # the nearest of them is.
        if wanted < 0 or wanted > top:
            end = 0 if wanted < 0 else top
            return wanted + self.command(end, top) - end
        output = (self._low * top + (self._high - self._low) * wanted) * TRIM_FULL // (10000 * top)
        return _command(self._points, output) * top // TRIM_FULL
