# Trim: which command gives the output that a code stands for, by what a meter read. Folded into the curve.
#
# Service loop, when a profile or a trim is put in force.
from shared_proto.family_blobs import TRIM_FULL


class Trim:
    # kept: `commands` (parts of the range) and `outputs` (parts of the supply), in 1/65535. values: of the profile.
    def __init__(self, kept: dict, values: dict) -> None:
        self._commands = kept["commands"]
        self._outputs = kept["outputs"]
        self._low = values["low_permyriad"]
        self._high = values["high_permyriad"]

    def command(self, wanted: int, top: int) -> int:
        # The command for a code, both in sixteenths, top: of the last code. What lies beyond the points is shifted as
        # the nearest of them is.
        if wanted < 0 or wanted > top:
            end = 0 if wanted < 0 else top
            return wanted + self.command(end, top) - end
        output = (self._low * top + (self._high - self._low) * wanted) * TRIM_FULL // (10000 * top)
        commands, outputs = self._commands, self._outputs
        last = len(commands) - 1
        k = 1
        while k < last and outputs[k] < output:
            k += 1
        rise = outputs[k] - outputs[k - 1]
        part = commands[k - 1]
        if rise:
            part += (output - outputs[k - 1]) * (commands[k] - commands[k - 1]) // rise
        return max(0, min(TRIM_FULL, part)) * top // TRIM_FULL
