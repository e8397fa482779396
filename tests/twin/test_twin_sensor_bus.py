"""What a program on the board finds at the sensor's side: a controller by software, a sensor to clock, edges to count.

The numbers of errors and the calls are those of MicroPython's extmod/machine_i2c.c.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from twin_firmware import printed, program

OAK = '[machine]\nmodel = "oak-14"\n[sensor]\nprofile = "hinge-r1"\n'
HAZEL = '[machine]\nmodel = "hazel-14"\n[sensor]\nprofile = "hinge-s1"\n'
JUNIPER = '[machine]\nmodel = "juniper-14"\n[sensor]\nprofile = "hinge-q1"\n'

# The relay open, the sensor fed, its lines pulled up; as the pins of the firmware do it.
FED = """
relay, power, pull_1, pull_2 = Pin(16, Pin.OUT, value=1), Pin(17), Pin(18), Pin(19)
time.sleep_ms(10)
def feed():
    power.init(Pin.OUT, value=1)
    pull_1.init(Pin.OUT, value=1)
    pull_2.init(Pin.OUT, value=1)
    time.sleep_ms(100)
"""


def said(body: str, scenario: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vm: str) -> list[str]:
    with program(FED + body + "\nconsole.wait(-1)\n", tmp_path, monkeypatch, vm=vm, scenario=scenario) as link:
        return printed(link, 2.0)


def test_a_controller_byte_by_byte(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Address and pointer, a start again, a read; 100 kHz are ten microseconds a bit."""
    body = """
feed()
bus = machine.SoftI2C(scl=Pin(13), sda=Pin(12), freq=100000, timeout=1000)
start = time.ticks_us()
bus.start()
say(bus.write(bytes((0x36 << 1, 0x0B))))
bus.start()
say(bus.write(bytes((0x36 << 1 | 1,))))
data = bytearray(3)
bus.readinto(data)
bus.stop()
say(time.ticks_diff(time.ticks_us(), start) >= 6 * 90, Pin(12).value(), Pin(13).value())
say(*data)
bus.start()
say(bus.write(bytes((0x37 << 1, 0x0B))))
bus.stop()
"""
    lines = said(body, OAK, tmp_path, monkeypatch, vm)
    # STATUS says that a magnet is there, then RAW ANGLE: a lid at 110 deg is count 1252 of 4096 (ams AS5600 datasheet
    # v1-06, p.18 figure 21); the other address acknowledges nothing.
    assert lines == ["2", "1", "True 1 1", f"{0x20} {1252 >> 8} {1252 & 0xFF}", "0"]


def test_a_bus_that_does_not_rise(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the sensor's supply the translator is off: the clock never rises, which ends after the time-out."""
    body = """
bus = machine.SoftI2C(scl=Pin(13), sda=Pin(12), freq=100000, timeout=1000)
start = time.ticks_us()
try:
    bus.start()
except OSError as error:
    say(error.args[0])
say(1000 <= time.ticks_diff(time.ticks_us(), start) < 1100)
for scl, sda in ((12, 13), (7, 6)):
    try:
        machine.SoftI2C(scl=Pin(scl), sda=Pin(sda))
    except ValueError as error:
        say(error)
"""
    lines = said(body, OAK, tmp_path, monkeypatch, vm)
    assert lines[:2] == ["110", "True"]  # ETIMEDOUT
    assert len(lines) == 4 and all("GP12" in line for line in lines[2:])


def test_pins_pull_the_lines_only_while_the_translator_is_on(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
adc = ADC(27)
a, b, c = Pin(22, Pin.OUT), Pin(0, Pin.OUT), Pin(1, Pin.OUT)
def line_1():  # input 3 of the analog switch
    a(1); b(1); c(0)
    time.sleep_ms(1)
    return adc.read_u16() * 6600 // 65535
feed()
sda = Pin(12)
for _ in range(2):
    sda.init(Pin.OUT, value=0)
    say(line_1() > 2500)
    sda.init(Pin.IN)
    say(line_1() > 2500)
    power(0)
"""
    # Unfed, the pull alone holds the line (through 10 kohm, into a sensor that is off), whatever the pin does.
    assert said(body, OAK, tmp_path, monkeypatch, vm) == ["False", "True", "True", "True"]


def test_a_clock_that_comes_without_select_is_not_heard(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
feed()
pull_1.init(Pin.IN)
data, select = Pin(12), Pin(21)
def clock(count):
    seen = 0
    for _ in range(count):
        pull_2(0)
        time.sleep_us(5)
        pull_2(1)
        time.sleep_us(5)
        seen = seen << 1 | data()
    return seen
say(clock(24) == (1 << 24) - 1)
select.init(Pin.OUT, value=0)
first = clock(24)
say(first >> 10, clock(4))
select(1)
say(data())
select(0)
say(clock(24) == first)
select.init(Pin.IN)
say(clock(24) == (1 << 24) - 1)
"""
    # 110 deg of 360 in 14 bits; after the word, and while nobody is selected, data is high.
    assert said(body, HAZEL, tmp_path, monkeypatch, vm) == ["True", "5006 15", "1", "True", "True"]


def test_edges_come_one_by_one_to_whoever_listens(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lid that moves 10 deg gives 114 quarter steps of 4096 a turn, each an edge of one line."""
    body = """
from array import array
one, two = Pin(12), Pin(13)
edges = array("i", [0, 0])
def on_edge(pin):
    edges[0] += 1
    edges[1] += one() ^ two()
feed()
before = (one(), two())
one.irq(handler=on_edge, trigger=Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=True)
two.irq(handler=on_edge, trigger=Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=True)
say("now")
time.sleep_ms(8000)
say(*edges)
"""
    text = FED + body + "\nconsole.wait(-1)\n"
    with program(text, tmp_path, monkeypatch, vm=vm, scenario=JUNIPER) as link:
        assert printed(link, 1.0) == ["now"]
        link.tell_operator("set-lid 100000")
        lines = printed(link, 8.0)
        assert link.look()["lid_mdeg"] == 100000
    count, unequal = map(int, lines[0].split())
    assert abs(count - round(10 * 4096 / 360)) <= 1
    assert abs(2 * unequal - count) <= 1  # the lines are equal after every other edge
