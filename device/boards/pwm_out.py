# A voltage by pulse width: the share of each period that a pin is high, in whole clocks. What smooths it is beside the
# board (WIRING.md).
import machine
from machine import PWM, Pin
from micropython import const

_COUNTS_MAX = const(65534)  # MicroPython, ports/rp2/machine_pwm.c: TOP is at most so much without a divider
_FULL = const(65535)


class Duty:
    # counts: positions of the edge in a period. hz: 8 Hz and up; below 1.9 kHz the counts are those of duty_u16 itself.
    def __init__(self, pin: Pin, hz: int) -> None:
        self._pin = pin
        self._hz = hz
        clock_hz = machine.freq()
        counts = (clock_hz + hz // 2) // hz  # as the port rounds it
        self.counts = counts if counts < _COUNTS_MAX else _FULL
        # duty_u16 is count * 65535 / counts, rounded. In two parts, so that every product stays below 2**30: the rest
        # is below counts, and above 32767 counts it is 65535 - counts.
        self._whole = _FULL // self.counts
        self._rest = _FULL % self.counts
        self._half = self.counts >> 1
        self._pwm: PWM | None = None

    def ready(self) -> None:
        # Service loop: the pin is the PWM's from here on, and low.
        self._pwm = PWM(self._pin, freq=self._hz, duty_u16=0)

    def put(self, count: int) -> int:
        # Tick. count: 0..counts clocks high, from the next period on. The port rounds back to the same count.
        pwm = self._pwm
        if pwm is None:
            return 0
        pwm.duty_u16(count * self._whole + (count * self._rest + self._half) // self.counts)
        return 1
