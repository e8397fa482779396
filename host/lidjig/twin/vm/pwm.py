"""machine.PWM with the arithmetic of the rp2 port (MicroPython, ports/rp2/machine_pwm.c), and its pins for the bench.

A slice counts 0..TOP in steps of its divider and gives high while the count is below CC; two channels share a slice,
and with it the frequency. New TOP and CC count from the next wrap (RP2040 datasheet 4.5.2.3); so does a new divider
here, which on the chip counts at once. Times inside are sixteenths of a clk_sys cycle, so that a divider is whole.
"""

from array import array

import gpio as g

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from gpio import Gpio
    from kernel import Kernel

CLK_HZ = 125000000
_PER_US = 125 * 16
SLICES = 8
TOP_MAX = 65534  # so that duty 65535 is high all the time
_KEPT = 256  # settings of a slice that the bench can look back on
_FAR = 1 << 60

_DUTY_NONE, _DUTY_U16, _DUTY_NS = range(3)


def slice_hz(div16: int) -> int:
    """Clock of a slice, rounded."""
    return (16 * CLK_HZ + div16 // 2) // div16


def divider_and_top(freq: int) -> tuple[int, int]:
    """(divider * 16, TOP) for a frequency in Hz. Raises ValueError."""
    if freq <= 0:
        raise ValueError("freq too small")
    count = (CLK_HZ + freq // 2) // freq
    if count < TOP_MAX:
        div16 = 16
        top = count - 1
    else:
        div16 = -(-16 * CLK_HZ // (TOP_MAX * freq))
        top = slice_hz(div16 * freq) - 1
    if top < 0:
        raise ValueError("freq too large")
    if div16 >= 256 * 16:
        raise ValueError("freq too small")
    return div16, top


class Slice:
    """Settings in force since when, newest last; the last one may still be to come."""

    def __init__(self) -> None:
        self._since = array("q", bytes(8 * _KEPT))  # time << 1 | running
        self._what = array("q", bytes(8 * _KEPT))  # divider, TOP, both CC, both inversions
        self._count0 = array("q", bytes(8 * _KEPT))  # the count at that time
        self.count = 0  # settings ever
        self.set = False  # a frequency was set
        self.div16 = 16
        self.top = 65535
        self.cc = [0, 0]
        self.invert = [0, 0]
        self.running = False

    def _row(self, k: int) -> tuple[int, int, int, int]:
        # (time, running, setting, count) of setting k
        since = self._since[k % _KEPT]
        return since >> 1, since & 1, self._what[k % _KEPT], self._count0[k % _KEPT]

    def change(self, now: int) -> None:
        """What div16, top, cc, invert and running say: in force at once where it stood still, else from a wrap."""
        k = self.count - 1
        at, count0 = now, 0
        what_now = self.div16 << 50 | self.top << 34 | self.cc[0] << 18 | self.cc[1] << 2
        what_now |= self.invert[0] << 1 | self.invert[1]
        if k >= 0 and self._what[k % _KEPT] == what_now and self._since[k % _KEPT] & 1 == self.running:
            return
        while k >= max(self.count - _KEPT, 0) and self._since[k % _KEPT] >> 1 > now:
            k -= 1  # one that had not come into force is replaced
        if k >= 0:
            since, was_running, what, count0 = self._row(k)
            div16, top = _timing(what)
            if was_running:
                counted = count0 + (now - since) // div16
                if self.running:
                    at = since + (-(-(counted + 1) // (top + 1)) * (top + 1) - count0) * div16
                    if at < now:
                        at = now
                    count0 = 0
                else:
                    count0 = counted % (top + 1)
        k += 1
        self.count = k + 1
        self._since[k % _KEPT] = at << 1 | self.running
        self._what[k % _KEPT] = what_now
        self._count0[k % _KEPT] = count0

    def level(self, channel: int, t: int) -> int:
        """What the channel gives at t."""
        k = self.count - 1
        while k >= max(self.count - _KEPT, 0):
            since, running, what, count0 = self._row(k)
            if since <= t:
                div16, top = _timing(what)
                counted = count0 + ((t - since) // div16 if running else 0)
                return _high(what, channel) ^ (counted % (top + 1) >= _compare(what, channel))
            k -= 1
        return 0

    def edges(self, channel: int, begin: int, end: int, before: int) -> list[tuple[int, int]]:
        """(time, level) of the edges in begin <= time < end; before: the level until then."""
        found = [(begin, before)]
        oldest = max(self.count - _KEPT, 0)
        if oldest and self._since[oldest % _KEPT] >> 1 > begin:
            raise ValueError("duty changes of that time are no longer kept; ask more often")
        for k in range(oldest, self.count):
            since = self._row(k)[0]
            until = self._row(k + 1)[0] if k + 1 < self.count else _FAR
            if until > begin and since < end:
                self._edges_of(k, channel, max(since, begin), min(until, end), found)
        return found[1:]

    def _edges_of(self, k: int, channel: int, begin: int, end: int, found: "list[tuple[int, int]]") -> None:
        since, running, what, count0 = self._row(k)
        div16, top = _timing(what)
        period = top + 1
        cc = _compare(what, channel)
        high = _high(what, channel)
        counted = count0 + ((begin - since) // div16 if running else 0)
        level = high if counted % period < cc else 1 - high
        if found[-1][1] != level:
            found.append((begin, level))
        if not running or cc == 0 or cc > top:
            return
        # Steps counted since count0 was 0, at which it goes high (multiples of the period) and low (cc later).
        at = counted // period * period
        while True:
            for step, level in ((at, high), (at + cc, 1 - high)):
                t = since + (step - count0) * div16
                if t >= end:
                    return
                if t > begin and found[-1][1] != level:
                    found.append((t, level))
            at += period


def _timing(what: int) -> tuple[int, int]:
    return what >> 50, what >> 34 & 65535


def _compare(what: int, channel: int) -> int:
    return what >> (2 if channel else 18) & 65535


def _high(what: int, channel: int) -> int:
    # the level while the count is below CC
    return 1 - (what >> (0 if channel else 1) & 1)


class Pwm:
    """All slices. Pins n and n + 16 share a channel, as on the chip."""

    def __init__(self, kernel: "Kernel", gpio: "Gpio") -> None:
        self.kernel = kernel
        self.gpio = gpio
        self.on_change: dict[int, Callable[[int], None]] = {}  # by pin: called when its duty or frequency was set
        # By pin: when it was the PWM's (us: from, until), and its levels before and after.
        self._span: dict[int, list[int]] = {}
        self.slices: dict[int, Slice] = {}
        gpio.peripherals.append(self)

    def reset(self) -> None:
        self.slices = {}

    def slice_of(self, pin: int) -> Slice:
        number = pin >> 1 & (SLICES - 1)
        found = self.slices.get(number)
        if found is None:
            found = self.slices[number] = Slice()
        return found

    def now(self) -> int:
        return self.kernel.now * _PER_US

    def changed(self, pin: int) -> None:
        """A setting of the pin's slice was changed."""
        self.slice_of(pin).change(self.now())
        for n in range(g.PINS):
            if (n ^ pin) & 14 == 0 and self.gpio.owner[n] is self and n in self.on_change:
                self.on_change[n](n)

    # an owner of pins

    def own(self, pin: int) -> None:
        self._span[pin] = [self.kernel.now, _FAR, self.gpio.given(pin), 0]
        self.gpio.take(pin, self)

    def release(self, pin: int, level: int) -> None:
        self._span[pin][1] = self.kernel.now
        self._span[pin][3] = level

    def given(self, pin: int) -> int:
        return self.slice_of(pin).level(pin & 1, self.now())

    def drives(self, _pin: int) -> bool:
        return True

    # what the bench asks

    def times(self, pin: int) -> tuple[int, int] | None:
        """(high, low) of a period as set now, in sixteenths of a clk_sys cycle (0.5 ns); None: not running."""
        of = self.slice_of(pin)
        if self.gpio.owner[pin] is not self or not of.running:
            return None
        high = min(of.cc[pin & 1], of.top + 1) * of.div16
        low = (of.top + 1) * of.div16 - high
        return (low, high) if of.invert[pin & 1] else (high, low)

    def level(self, pin: int, t_us: int) -> int:
        """What the pin gave at t_us, while it was the PWM's."""
        return self.slice_of(pin).level(pin & 1, t_us * _PER_US)

    def edges(self, pin: int, begin_us: int, end_us: int) -> list[tuple[int, int]]:
        """(time in cycles of clk_sys, rounded down, level) of each edge from begin_us until before end_us.

        ValueError where the settings of that time are no longer kept.
        """
        if pin not in self._span:
            return []
        since, until, before, after = self._span[pin]
        of, channel = self.slice_of(pin), pin & 1
        begin = max(begin_us, since) * _PER_US
        end = min(end_us, until) * _PER_US
        found: list[tuple[int, int]] = []
        if begin < end:
            if begin_us > since:
                before = of.level(channel, begin - 1)
            found = [(t // 16, level) for t, level in of.edges(channel, begin, end, before)]
        if begin_us <= until < end_us and of.level(channel, until * _PER_US - 1) != after:
            found.append((until * _PER_US // 16, after))
        return found


def make_pwm(pwm: Pwm, pin_number: "Callable[[Any], int]") -> type:
    """The class. pin_number: GPIO number of whatever stands for a pin."""

    kernel = pwm.kernel
    # By slice and channel: what was asked for last, to be computed again when the frequency changes.
    asked = [[_DUTY_NONE, 0] for _ in range(2 * SLICES)]

    def set_duty(of: Slice, channel: int, kind: int, value: int) -> None:
        if kind == _DUTY_U16:
            value = min(value, 65535)
            of.cc[channel] = (value * (of.top + 1) + 65535 // 2) // 65535
        elif kind == _DUTY_NS:
            of.cc[channel] = min((value * slice_hz(of.div16) + 500000000) // 1000000000, of.top + 1)

    class PWM:
        def __init__(
            self, dest: "Any", *, freq: int = -1, duty_u16: int = -1, duty_ns: int = -1, invert: int = 0
        ) -> None:
            self._pin = pin_number(dest)
            self._channel = self._pin & 1
            self._slice = pwm.slice_of(self._pin)
            self._asked = asked[self._pin & 15]
            self._asked[0] = _DUTY_NONE
            self._slice.invert[self._channel] = 0
            self.init(freq=freq, duty_u16=duty_u16, duty_ns=duty_ns, invert=invert)
            if pwm.gpio.owner[self._pin] is not pwm:
                pwm.own(self._pin)

        def init(self, *, freq: int = -1, duty_u16: int = -1, duty_ns: int = -1, invert: int = -1) -> None:
            if freq != -1:
                self._set_freq(freq)
            if duty_u16 != -1:
                self._ask(_DUTY_U16, duty_u16)
            if duty_ns != -1:
                self._ask(_DUTY_NS, duty_ns)
            if invert != -1:
                self._slice.invert[self._channel] = 1 if invert else 0
            self._start()

        def deinit(self) -> None:
            """The slice stands still, and with it the other channel; the pin stays as it was at that moment."""
            kernel.pause_isr()
            self._slice.running = False
            pwm.changed(self._pin)
            kernel.resume_isr()

        def freq(self, value: int | None = None) -> int | None:
            of = self._slice
            if value is None:
                return slice_hz(of.div16 * (of.top + 1)) if of.set else 0
            self._set_freq(value)
            self._start()
            return None

        def duty_u16(self, value: int | None = None) -> int | None:
            of = self._slice
            if value is None:
                if not (of.set and self._asked[0]):
                    return 0
                return (of.cc[self._channel] * 65535 + (of.top + 1) // 2) // (of.top + 1)
            self._ask(_DUTY_U16, value)
            self._start()
            return None

        def duty_ns(self, value: int | None = None) -> int | None:
            of = self._slice
            if value is None:
                if not (of.set and self._asked[0]):
                    return 0
                hz = slice_hz(of.div16)
                return (of.cc[self._channel] * 1000000000 + hz // 2) // hz
            self._ask(_DUTY_NS, value)
            self._start()
            return None

        def _set_freq(self, freq: int) -> None:
            of = self._slice
            of.div16, of.top = divider_and_top(freq)
            of.set = True
            for channel in (0, 1):
                row = asked[self._pin & 14 | channel]
                set_duty(of, channel, row[0], row[1])

        def _ask(self, kind: int, value: int) -> None:
            row = self._asked
            row[0] = kind
            row[1] = value
            set_duty(self._slice, self._channel, kind, value)

        def _start(self) -> None:
            of = self._slice
            if of.set and self._asked[0]:
                of.running = True
            kernel.pause_isr()
            pwm.changed(self._pin)
            kernel.resume_isr()

    return PWM
