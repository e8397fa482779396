# Transfer: angle -> outputs, folded when the profile is loaded.
#
# One byte for every 0.1 deg: bits 0, 1 set outputs 1, 2 to operated, bits 2, 3 clear them; neither = inside
# the hysteresis, keep. The tick looks one byte up. A step of 0.1 deg counts as its middle, so a threshold is
# met within 0.05 deg.

from micropython import const

from shared_proto import blobs

STEP_MDEG = 100
STEPS = 3601  # 0 to 360 deg
_MIDDLE = const(50)

# What a level means for the pins of an output.
LOW = 0
HIGH = 1
RELEASED = 2


class Transfer:
    def __init__(self) -> None:
        self.table = bytearray(STEPS)
        # level_of[2 * output + operated]: LOW, HIGH or RELEASED
        self.level_of = bytearray([RELEASED] * 4)
        self.active_level = bytearray(2)
        self.outputs = 0

    def fold(self, values: dict) -> None:
        # Service loop, while nothing is driven. Filled run by run: 3601 single steps would hold the loop for
        # long.
        switch = values["family"] == blobs.FAMILY_SWITCH
        # A sensor that tells an angle has one: the lid counts as shut, or not.
        self.outputs = values["outputs"] if switch else 1
        cuts = [0, STEPS]
        for k in range(self.outputs):
            for name in ("operate_mdeg_%d", "release_mdeg_%d"):
                edge = values[name % (k + 1)]
                # first step whose middle is at or past the edge
                first = (edge + STEP_MDEG - 1 - _MIDDLE) // STEP_MDEG
                for cut in (first, first + 1):  # the middle may fall exactly on the edge
                    if 0 < cut < STEPS:
                        cuts.append(cut)
        cuts.sort()
        table = self.table
        for n in range(len(cuts) - 1):
            start, end = cuts[n], cuts[n + 1]
            if end > start:
                table[start:end] = bytes([self._code(values, start * STEP_MDEG + _MIDDLE)]) * (end - start)
        if switch:
            self._fold_levels(values)
        else:
            self._no_levels()

    def _code(self, values: dict, angle_mdeg: int) -> int:
        code = 0
        for k in range(self.outputs):
            operate = values["operate_mdeg_%d" % (k + 1)]
            release = values["release_mdeg_%d" % (k + 1)]
            if operate < release:
                operated, released = angle_mdeg < operate, angle_mdeg > release
            else:
                operated, released = angle_mdeg > operate, angle_mdeg < release
            if operated:
                code |= 1 << k
            elif released:
                code |= 4 << k
        return code

    def _no_levels(self) -> None:
        for k in range(4):
            self.level_of[k] = RELEASED
        self.active_level[0] = self.active_level[1] = 0

    def _fold_levels(self, values: dict) -> None:
        for k in range(2):
            active = values["active_high_%d" % (k + 1)]
            open_drain = values["drive_%d" % (k + 1)] == blobs.DRIVE_OPEN_DRAIN
            self.active_level[k] = active
            for operated in (0, 1):
                level = active if operated else 1 - active
                # An open-drain output never drives high: the line's own pull makes that level.
                released = k >= self.outputs or (open_drain and level)
                self.level_of[2 * k + operated] = RELEASED if released else level

    def initial(self, angle_mdeg: int) -> int:
        # Operated bits after loading. Inside the hysteresis a real part is indeterminate; here it starts
        # released.
        return self.table[angle_mdeg // STEP_MDEG] & 3
