"""What the firmware has in viper, in plain Python, written apart from it: one class or function for each.

They are what viper is compared with, for what it gives (streams.py) and for what it costs (viper_budget.py). They keep
what they need in attributes, as bytecode is cheapest.
"""

NOTHING, ERROR, HIGH = -9, -3, -2  # firmware/curve_words.py
SIXTEENTHS, HALF = 16, 8


class Step:
    """firmware/motion.py, of one segment."""

    def __init__(self, begin, target, duration_us, is_smooth, ticks_diff):
        self._ticks_diff = ticks_diff
        self._smooth = [0] * 258
        for i in range(257):
            value = i * i * i * (10 * 256 * 256 - 15 * 256 * i + 6 * i * i)
            self._smooth[i] = ((value << 20) + (1 << 39)) >> 40
        self._smooth[257] = 1 << 20
        self._shift = 0
        while duration_us >> self._shift >= 1 << 20:
            self._shift += 1
        self._scaled = duration_us >> self._shift
        self._duration = duration_us
        self._is_smooth = is_smooth
        self._from, self._delta = begin, target - begin
        self._start = 0
        self.angle_mdeg = begin

    def step(self, now):
        e = self._ticks_diff(now, self._start)
        if e >= self._duration:
            return 1
        e >>= self._shift
        d = self._scaled
        e <<= 10
        u = e // d
        u = (u << 10) | (((e - u * d) << 10) // d)
        if self._is_smooth:
            i = u >> 12
            low = self._smooth[i]
            u = low + (((self._smooth[i + 1] - low) * (u & 4095)) >> 12)
        d = self._delta
        self.angle_mdeg = self._from + ((d * (u >> 10) + ((d * (u & 1023)) >> 10) + 512) >> 10)
        return 0


class Look:
    """firmware/curve.py, and what puts its codes out. table: of whole degrees, in sixteenths of a code."""

    def __init__(self, values, table, lag, lag_shift, put):
        self._table = table
        self._put = put
        self._wrap = values["wrap"]
        self._full = values["codes"] * SIXTEENTHS
        top = self._full - SIXTEENTHS
        before, past = ("above", "below") if values["down"] else ("below", "above")
        self._floor, self._ceiling = -HALF, top + HALF
        self._below = -values[before]
        self._above = -values[past] if values[past] else top + HALF >> 4
        per_turn = self._full if self._wrap else top
        self._play = values["hysteresis_mdeg"] * per_turn // (2 * values["span_mdeg"])
        self._noise = values["noise_mdeg"] * per_turn // values["span_mdeg"]
        self._lag, self._lag_shift = lag, lag_shift
        self._carry = self._x = self._begun = self.restless = 0
        self._seed = 4711
        self._sent = NOTHING

    def follow(self, angle_mdeg, driving):
        code = self.look(angle_mdeg)
        if code != self._sent:
            if driving and not self._put(code):
                return 1
            self._sent = code
        return self.restless

    def look(self, angle_mdeg):
        degree = angle_mdeg // 1000
        table = self._table
        low = table[degree]
        x = low + (table[degree + 1] - low) * (angle_mdeg - degree * 1000) // 1000
        full, wrap, noise = self._full, self._wrap, self._noise
        if wrap:
            x %= full
        restless = 1 if noise else 0
        if self._begun:
            before = self._x
            way = x - before
            if wrap:
                half = full >> 1
                way = (way + half) % full - half
            play = self._play
            if play:
                way = way - play if way > play else way + play if way < -play else 0
            if way and self._lag:
                part = way * self._lag + self._carry
                step = part >> self._lag_shift
                self._carry = part - (step << self._lag_shift)
                if step != way:
                    restless = 1
                way = step
            x = before + way
            if wrap:
                x %= full
        else:
            self._begun = 1
            self._carry = 0
        self.restless = restless
        self._x = x
        if noise:
            x += self._draw()
        if wrap:
            return ((x + HALF) % full) >> 4
        if x < self._floor:
            return self._below
        if x >= self._ceiling:
            return self._above
        return (x + HALF) >> 4

    def _draw(self):
        first = (self._seed * 205 + 29573) % 139968
        self._seed = second = (first * 205 + 29573) % 139968
        return ((first + second >> 7) - 1093) * self._noise // 446


class Words:
    """Between a family and its state machine: room is how many words may wait."""

    def __init__(self, machine, room):
        self._machine = machine
        self._room = room

    def put(self, word):
        machine = self._machine
        if machine.tx_fifo() >= self._room:
            return 0
        machine.put(word)
        return 1


class Sent:
    """firmware/families/sent.py: words for codes, while frames run."""

    SHAPES = ((0, 0, 0), (0, 3, 3), (1, 3, 0), (1, 4, 0), (1, 3, 3), (1, 3, 3), (0, 4, 2), (0, 4, 2))
    TABLE = b"\x00\x0d\x07\x0a\x0e\x03\x09\x04\x01\x0c\x06\x0b\x0f\x02\x08\x05"

    def __init__(self, values, machine):
        self._words = Words(machine, 1)
        self._table = self.TABLE
        self._format = values["frame_format"]
        self._first, self._told, zeros = self.SHAPES[self._format]
        self._flag = values["status"] & 1
        self._shift = 4 * zeros + 4
        self._flag_at = 4 * (self._told + zeros + 1)
        self._last = bytes(range(16)) if values["legacy_crc"] else self.TABLE
        counted = self._format == 4
        self._after = self._rest(2, bytes(range(16))) if counted else self._rest(zeros, self._last)

    def _rest(self, zeros, last):
        rest = bytearray(range(16))
        for k in range(16):
            for _ in range(zeros):
                rest[k] = self.TABLE[rest[k]]
            rest[k] = last[rest[k]]
        return bytes(rest)

    def put(self, code):
        value, flag = code + self._first, self._flag
        if code == ERROR:
            if self._first:
                value = 4090
            else:
                value, flag = 0, 1
        table, form = self._table, self._format
        if form == 3:
            value = (value & 0xE00) << 3 | (value & 0x1C0) << 2 | (value & 0x38) << 1 | value & 7
        elif form == 6:
            value <<= 2
        check = table[5]
        if self._told == 4:
            check = table[value >> 12 ^ check]
        check = table[(value >> 8 & 15) ^ check]
        check = table[(value >> 4 & 15) ^ check]
        check = self._after[(value & 15) ^ check]
        word = flag << self._flag_at | value << self._shift
        if form == 4:
            turned = 15 - (value >> 8)
            word |= turned << 4 | self._last[turned ^ table[check]]
        else:
            word |= check
        return self._words.put(word)


class Ssi:
    """firmware/families/ssi.py."""

    def __init__(self, values, machine):
        self._words = Words(machine, 4)
        self._status = values["status"]
        self._last = 0
        self.held = 0
        self._crc = bytes([_remainder(six) for six in range(64)])

    def put(self, code):
        status = self._status
        if code == ERROR:
            status |= 8
            code = self._last
        self._last = code
        told = code << 4 | status
        table = self._crc
        crc = table[table[table[told >> 12] ^ told >> 6 & 63] ^ told & 63]
        taken = self._words.put(told << 6 | crc)
        if self.held and taken:
            self.held = 0
        return taken


def _remainder(six):
    value = six << 6
    for place in range(11, 5, -1):
        if value >> place & 1:
            value ^= 0x43 << place - 6
    return value


class Pwm:
    """firmware/families/pwm.py."""

    def __init__(self, values, machine):
        self._words = Words(machine, 1)
        self.held = 0
        self._head = values["head_clocks"]
        self._clocks = self._head + values["codes"] - 1 + values["tail_clocks"]
        self._active = values["active_high"] ^ (0 if values["push_pull"] else 1)

    def put(self, code):
        active = self._head + code
        rest = self._clocks - active
        high, low = (active, rest) if self._active else (rest, active)
        taken = self._words.put((low - 5) << 15 | (high - 3))
        if self.held:
            self.held = 0
        return taken


class Quadrature:
    """firmware/families/quadrature.py, once it is at a code."""

    LEVELS = ((1, 1), (0, 1), (0, 0), (1, 0))

    def __init__(self, values, machine, at):
        self._machine = machine
        self._codes = values["codes"]
        self._half = self._codes >> 1
        self._wide = values["index_quarters"]
        self._at = at
        self._next = [0] * 16
        for entry in range(16):
            for k in range(4):
                a, b = self.LEVELS[((entry & 3) + (k if entry & 8 else -k)) % 4]
                if values["b_leads"]:
                    a, b = b, a
                self._next[entry] |= (a | 4 * b | (16 if entry & 4 else 0)) << 10 + 5 * k

    def put(self, code):
        machine, codes = self._machine, self._codes
        wide, at = self._wide, self._at
        left = (code - at + self._half) % codes - self._half
        way = 1
        if left < 0:
            left, way = -left, -1
        words = 8 - machine.tx_fifo()
        if words > 4:
            words = 4
        while left and words:
            first = (at + way) % codes
            if first < wide:
                run = wide - first if way > 0 else first + 1
                entry = first & 3 | 4
            else:
                run = codes - first if way > 0 else first - wide + 1
                entry = first & 3
            if run > left:
                run = left
            if run > 1024:
                run = 1024
            machine.put(self._next[entry | 8 if way > 0 else entry] | run - 1)
            at = (at + way * run) % codes
            left -= run
            words -= 1
        self._at = at
        return 0 if left else 1


class Registers:
    """firmware/families/i2c.py: the bytes of an angle, where the map tells codes as they are."""

    def __init__(self, values):
        self.map = Map14() if values["layout"] else Map12()
        self.held = 0

    def put(self, code):
        if code >= 0:
            self.map.tell(code)
        if self.held:
            self.held = 0
        return 1


class Map14:
    def __init__(self):
        self.next, self.now = bytearray(2), bytearray(2)

    def tell(self, code):
        two = self.next
        two[0] = code >> 6
        two[1] = (code & 0x3F) << 2
        self.change_over()

    def change_over(self):
        self.now, self.next = self.next, self.now


class Map12:
    def __init__(self):
        self.next, self.now = bytearray(4), bytearray(4)
        self.held = bytearray([0x20])
        self._plain = 1
        self._code = 0

    def tell(self, code):
        self._code = code
        if not self.held[0] & 0x20:
            return
        if self._plain:
            four = self.next
            four[0] = four[2] = code >> 8
            four[1] = four[3] = code & 0xFF
            self.now, self.next = four, self.now


class Sincos:
    """firmware/families/sincos.py: counts of both outputs. tables: sixteenths of a count, 513 each."""

    def __init__(self, values, sin_table, cos_table, put_sin, put_cos):
        self._codes = values["codes"]
        self._sin, self._cos = sin_table, cos_table
        self._put_sin, self._put_cos = put_sin, put_cos

    def put(self, code):
        codes = self._codes
        along = code * 512
        at = along // codes
        along -= at * codes
        table = self._cos
        low = table[at]
        self._put_cos(low + (table[at + 1] - low) * along // codes + HALF >> 4)
        table = self._sin
        low = table[at]
        return self._put_sin(low + (table[at + 1] - low) * along // codes + HALF >> 4)
