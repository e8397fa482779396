"""A power monitor of type INA226: registers, pointer, and when they are loaded (TI SBOS547B, figures from its tables).

Between two changes of what it measures everything is constant, so nothing has to happen at the end of a conversion:
whoever reads a register, or changes the input, lets the part catch up first. Shunt and bus voltage are averaged over
the whole time of a set of conversions, without telling apart which of the two is being converted at a moment.
"""

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from kernel import Kernel
    from rng import Rng

CONFIG = 0
SHUNT = 1
BUS = 2
POWER = 3
CURRENT = 4
CALIBRATION = 5
MASK = 6
LIMIT = 7
MANUFACTURER = 0xFE
DIE = 0xFF

_CONFIG_RESET = 0x4127  # continuous, shunt and bus, 1.1 ms each, no averaging
_RESET_BIT = 0x8000
_READY = 0x0008  # conversion ready, in MASK
_OVERFLOW = 0x0004  # current or power may be wrong
_MASK_WRITABLE = 0xFC03
_CONTINUOUS = 4
_CONVERSION_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
# Square roots of those, in thousandths: by so much averaging lowers noise.
_ROOTS = (1000, 2000, 4000, 8000, 11314, 16000, 22627, 32000)

_SHUNT_STEP_NV = 2500
_NOISE_BITS = 10
_NOISE_MASK = (1 << _NOISE_BITS) - 1


class Ina226:
    """facts: address, shunt_uohm, offset_nv (of the shunt input), noise (of one conversion, hundredths of a step)."""

    def __init__(self, kernel: "Kernel", rng: "Rng", facts: dict[str, int]) -> None:
        self.kernel = kernel
        self.address = facts["address"]
        self._shunt_uohm = facts["shunt_uohm"]
        self._offset_nv = facts["offset_nv"]
        self._own_noise = facts["noise"]
        self._noise = [rng.gauss_milli() for _ in range(1 << _NOISE_BITS)]
        self._ua = 0
        self._mv = 0
        self._ripple_ua = 0
        self.power_on()

    # what it measures

    def feed(self, ua: int, mv: int, ripple_ua: int) -> None:
        """Current through the shunt with its ripple (rms), bus voltage; from now on."""
        if ua != self._ua or mv != self._mv or ripple_ua != self._ripple_ua:
            self._catch_up()
            self._ua, self._mv, self._ripple_ua = ua, mv, ripple_ua

    # registers

    def power_on(self) -> None:
        """As at power-up, or by the reset bit."""
        self.pointer = 0
        self.config = _CONFIG_RESET
        self.shunt = self.bus = self.power = self.current = 0
        self.calibration = self.mask = self.limit = 0
        self._sets = 0  # of conversions since then
        self._restart()

    def write(self, data: bytes) -> None:
        """A write transfer: pointer, then a register's two bytes, high byte first. An incomplete one is not taken."""
        if not data:
            return
        self.pointer = data[0]
        if len(data) < 3:
            return
        value = data[1] << 8 | data[2]
        self._catch_up()
        if self.pointer == CONFIG:
            if value & _RESET_BIT:
                self.power_on()
            else:
                self.config = value & 0x0FFF | _CONFIG_RESET & 0x4000
                self.mask &= ~_READY
                self._restart()
        elif self.pointer == CALIBRATION:
            self.calibration = value & 0x7FFF
        elif self.pointer == MASK:
            self.mask = value & _MASK_WRITABLE | self.mask & ~_MASK_WRITABLE
        elif self.pointer == LIMIT:
            self.limit = value

    def read_into(self, buffer: "bytearray | memoryview") -> None:
        """A read transfer: the register that the pointer stands on, high byte first; over and over."""
        self._catch_up()
        value = self._value(self.pointer) & 0xFFFF
        for k in range(len(buffer)):
            buffer[k] = value & 0xFF if k & 1 else value >> 8
        if self.pointer == MASK:
            self.mask &= ~_READY

    def _value(self, pointer: int) -> int:
        # By how often they are asked for.
        if pointer == BUS:
            return self.bus
        if pointer == CURRENT:
            return self.current
        if pointer == SHUNT:
            return self.shunt
        if pointer == POWER:
            return self.power
        if pointer == CONFIG:
            return self.config
        if pointer == CALIBRATION:
            return self.calibration
        if pointer == MASK:
            return self.mask
        if pointer == LIMIT:
            return self.limit
        if pointer == MANUFACTURER:
            return 0x5449
        return 0x2260 if pointer == DIE else 0

    # conversions

    def _restart(self) -> None:
        # A write to the configuration ends the conversion under way and begins the next.
        self._began_us = self._last_us = self.kernel.now
        self._sum_ua = self._sum_mv = 0
        config = self.config
        us = 0
        if config & 1:
            us += _CONVERSION_US[config >> 3 & 7]
        if config & 2:
            us += _CONVERSION_US[config >> 6 & 7]
        self._set_us = us * _AVERAGES[config >> 9 & 7]  # 0: powered down

    def _catch_up(self) -> None:
        now, set_us = self.kernel.now, self._set_us
        if not set_us:
            return
        last = self._last_us
        self._last_us = now
        end = self._began_us + set_us
        if now < end:
            self._sum_ua += self._ua * (now - last)
            self._sum_mv += self._mv * (now - last)
            return
        sets = (now - self._began_us) // set_us
        if sets == 1 or not self.config & _CONTINUOUS:
            ua = (self._sum_ua + self._ua * (end - last)) // set_us
            mv = (self._sum_mv + self._mv * (end - last)) // set_us
        else:
            ua, mv = self._ua, self._mv  # the last set lay wholly after the last change
        self._sets += sets
        self._load(ua, mv)
        if not self.config & _CONTINUOUS:
            self._set_us = 0
            return
        self._began_us += sets * set_us
        self._sum_ua = self._ua * (now - self._began_us)
        self._sum_mv = self._mv * (now - self._began_us)

    def _load(self, ua: int, mv: int) -> None:
        # A set of conversions has ended: into the registers.
        at = self._sets & _NOISE_MASK
        # Another way through the table each time round, so that the noise has no period that anybody would meet.
        block = self._sets >> _NOISE_BITS
        at = (at * (2 * block + 1) + block) & _NOISE_MASK
        root = _ROOTS[self.config >> 9 & 7]
        self.mask = (self.mask | _READY) & ~_OVERFLOW
        if self.config & 1:
            noise_nv = self._ripple_ua * self._shunt_uohm // 1000 + self._own_noise * _SHUNT_STEP_NV // 100
            nv = ua * self._shunt_uohm // 1000 + self._offset_nv + noise_nv * self._noise[at] // root
            self.shunt = _within(_rounded(nv, _SHUNT_STEP_NV), -32768, 32767)
        if self.config & 2:
            noise = self._own_noise * self._noise[(at + 511) & _NOISE_MASK] * 10 // root
            self.bus = _within(_rounded(mv * 800 + noise, 1000), 0, 32767)  # steps of 1.25 mV
        product = self.shunt * self.calibration
        current = product // 2048 if product >= 0 else -(-product // 2048)
        self.current = _within(current, -32768, 32767)
        self.power = _within(abs(self.current) * self.bus // 20000, 0, 65535)
        if self.current != current:
            self.mask |= _OVERFLOW


def _rounded(value: int, step: int) -> int:
    return (2 * value + step) // (2 * step)


def _within(value: int, low: int, high: int) -> int:
    return low if value < low else high if value > high else value
