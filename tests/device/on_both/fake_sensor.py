"""Real sensors at the fake board's sensor connector: one on I2C with machine.SoftI2C before it, one on SSI."""

SDA, SCL = 12, 13
CLOCK, SELECT, DATA = 19, 21, 12
ETIMEDOUT = 110


class SoftI2C:
    """The controller by software: open drain, a byte at a time, as in MicroPython's extmod/machine_i2c.c."""

    bench = None  # set by fake_board

    def __init__(self, scl, sda, *, freq=400000, timeout=50000):
        assert (sda.number, scl.number) == (SDA, SCL)
        assert freq == 100000 and timeout <= 1000
        self._timeout_us = timeout
        self._byte_us = 9 * 1000000 // freq
        self._let_go()

    def _let_go(self):
        self.bench.mode[SDA] = self.bench.mode[SCL] = 0

    def _pull(self, number):
        self.bench.out[number], self.bench.mode[number] = 0, 1

    def _rise(self):
        self.bench.mode[SCL] = 0
        if not self.bench.level(SCL):
            self.bench.advance(self._timeout_us)
            self._let_go()
            raise OSError(ETIMEDOUT)

    def _takes(self):
        # The time of a byte, in whose middle an interrupt may come; then SCL is low until the next.
        self.bench.advance(self._byte_us)
        self.bench.part.bytes += 1
        self._rise()
        self._pull(SCL)

    def start(self):
        self.bench.mode[SDA] = 0
        self._rise()
        self._pull(SDA)
        self.bench.part.started()

    def write(self, data):
        count = 0
        for byte in data:
            self._takes()
            self.bench.mode[SDA] = 0
            if not self.bench.part.took(byte) and self.bench.level(SDA):
                break
            count += 1
        return count

    def readinto(self, buffer, nack=True):
        for at in range(len(buffer)):
            self._takes()
            buffer[at] = self.bench.part.gives() if self.bench.level(SDA) else 0
            self.bench.part.told(1 if nack and at == len(buffer) - 1 else 0)
        self.bench.mode[SDA] = 0

    def stop(self):
        self._pull(SDA)
        self._rise()
        self._let_go()
        self.bench.part.stopped()


class Registers:
    """A part at an address, whose pointer goes on by itself. hangs_for: clocks until it lets go of SDA."""

    def __init__(self, bench, address):
        self._bench = bench
        self._address = address
        self.memory = bytearray(256)
        self.refuses = False  # the pointer
        self.hangs_for = 0
        self.bytes = self.clocks = self.starts = self.stops = 0
        self.last_refused = -1
        self._pointer = 0
        self._place = 0  # 0: the address is to come, 1: the pointer, -1: not for this part
        self._scl = 1

    def started(self):
        self.starts += 1
        self._place = 0

    def stopped(self):
        self.stops += 1

    def took(self, byte):
        if self._place == 0:
            self._place = 1 if byte >> 1 == self._address else -1
            return self._place == 1
        if self._place < 0 or self.refuses:
            return False
        self._pointer = byte
        return True

    def gives(self):
        self._pointer += 1
        return self.memory[self._pointer - 1 & 255]

    def told(self, refused):
        self.last_refused = refused

    def moved(self, bench):
        # Clocks by pin, not by the controller.
        level = bench.level(SCL)
        if level and not self._scl:
            self.clocks += 1
            if self.hangs_for:
                self.hangs_for -= 1
                if not self.hangs_for:
                    bench.sensor[0] = 1
        self._scl = level

    def hang(self, clocks):
        self.hangs_for = clocks
        self._bench.sensor[0] = 0


class Word:
    """A part that is selected and clocked. Kept: (what, level, time) of every edge."""

    def __init__(self, bench, word, out_falling):
        self._word = word
        self._out_falling = out_falling
        self.edges = []
        self._select = self._clock = 1
        self._place = -1
        bench.sensor[0] = 1

    def moved(self, bench):
        # What an input leaves to the pull-up at the connector is high; the clock keeps its level a while.
        select = bench.out[SELECT] if bench.mode[SELECT] else 1
        clock = bench.out[CLOCK] if bench.mode[CLOCK] else self._clock
        if select != self._select:
            self._select = select
            self.edges.append(("select", select, bench.now_us))
            self._place = 0 if not select else -1
            bench.sensor[0] = 1
        if clock != self._clock:
            self._clock = clock
            self.edges.append(("clock", clock, bench.now_us))
            if self._place >= 0 and clock != self._out_falling:
                bench.sensor[0] = self._word >> 23 - self._place & 1 if self._place < 24 else 1
                self._place += 1
