"""The bus of the power monitors as the firmware finds it: machine.I2C, the parts, and what can go wrong with them."""

SDA, SCL = 6, 7
EIO, ETIMEDOUT = 5, 110


class I2C:
    """The controller on the bus's pins: registers of 16 bits, high byte first (the parts' data sheet)."""

    bench = None  # set by fake_board

    def __init__(self, number, *, scl, sda, freq=400000, timeout=50000):
        assert (number, scl.number, sda.number) == (1, SCL, SDA)  # GP6 and GP7 are I2C1's
        self.bench.mode[SDA] = self.bench.mode[SCL] = 0  # inputs: the controller has them, and pulls low only
        self._timeout_us = timeout
        self._byte_us = 9 * 1000000 // freq + 1
        self.bench.bus.opened += 1

    def _part(self, address):
        bus = self.bench.bus
        bus.transfers += 1
        if bus.hangs_in == bus.transfers:
            bus.sda_clocks = bus.hangs_for
        if bus.sda_clocks or bus.scl_held:
            self.bench.advance(self._timeout_us)
            raise OSError(ETIMEDOUT)
        if address not in bus.parts:
            self.bench.advance(2 * self._byte_us)
            raise OSError(EIO)
        return bus.parts[address]

    def readfrom_mem_into(self, address, register, buffer):
        part = self._part(address)
        self.bench.advance(5 * self._byte_us)
        value = part.read(register, self.bench.now_us)
        buffer[0] = value >> 8
        buffer[1] = value & 0xFF

    def writeto_mem(self, address, register, data):
        part = self._part(address)
        self.bench.advance(4 * self._byte_us)
        part.write(register, data[0] << 8 | data[1], self.bench.now_us)

    def writeto(self, address, data):
        part = self._part(address)
        self.bench.advance((1 + len(data)) * self._byte_us)
        part.take(data)
        return len(data)


class Meter:
    """A power monitor: registers after power-on (TI SBOS547; values from memory)."""

    CONVERTS_US = 4 * (332 + 588)  # in the firmware's settings; the current register is loaded at its end

    def __init__(self):
        self.shunt = 0  # steps of 2.5 uV
        self.forget()

    def forget(self):
        """As after its supply was away."""
        self.registers = {0x00: 0x4127, 0x02: 0, 0x05: 0, 0xFE: 0x5449, 0xFF: 0x2260}
        self._began_us = 0

    def read(self, register, now_us):
        if register == 0x04:
            converted = now_us - self._began_us >= self.CONVERTS_US
            return self.shunt * self.registers[0x05] // 2048 & 0xFFFF if converted else 0
        return self.registers.get(register, 0)

    def write(self, register, value, now_us):
        self.registers[register] = value
        if register == 0x00:
            self._began_us = now_us  # a write to the configuration begins the conversion anew


class Bus:
    def __init__(self):
        self.parts = {}
        self.opened = 0
        self.transfers = 0
        self.hangs_in = 0  # number of the transfer in which a part gets stuck
        self.hangs_for = 0
        self.sda_clocks = 0  # clocks until the part that holds SDA lets go
        self.scl_held = False
        self.clocks = 0  # by pin, and what ended them
        self.stops = 0
