# The bus of a real sensor: a controller by software on GP12 (SDA) and GP13 (SCL), behind translator U17, which is on
# while the jig feeds the sensor. These two pins have no pair of a hardware controller that the jig's own bus does not
# have.
#
# The pins are the controller's between lend() and close(), and inputs else; let_go() may come in between. What a step
# under way still does then pulls low, never drives high (extmod/machine_i2c.c: open drain), and ends with it; U17 keeps
# it from the sensor, since its enable falls with the sensor's supply.
from machine import Pin, SoftI2C
from micropython import const

from boards import Board

_BUS_HZ = const(100000)
_STRETCH_US = const(1000)  # how long a part may hold the clock, at each of its pulses
_IN = Pin.IN
_OUT = Pin.OUT


class SoftBus:
    def __init__(self, board: Board) -> None:
        self._board = board
        self._pins = board.sensor_pins
        self.sda, self.scl = board.sensor_pins

    def lend(self) -> None:
        self._board.sensor_lent = 1

    def lent(self) -> int:
        return self._board.sensor_lent

    def open(self) -> SoftI2C:
        # Makes a start and a stop on the bus, with nothing in between.
        sda, scl = self._pins
        return SoftI2C(scl=scl, sda=sda, freq=_BUS_HZ, timeout=_STRETCH_US)

    def close(self) -> None:
        self._board.take_sensor()

    def at_rest(self) -> bool:
        sda, scl = self._pins
        return bool(sda() and scl())

    def pull(self, wire: int) -> None:
        # SDA (0) or SCL (1) low. The value comes before the direction, so it is never high.
        pin = self._pins[wire]
        pin.init(_OUT, value=0)
        if not self._board.sensor_lent:
            pin.init(_IN)

    def free(self, wire: int) -> None:
        # Lets go of it: the pulls make the high level.
        self._pins[wire].init(_IN)
