"""The firmware's own console.py in the bench, on streams that behave as the board's; and what the bench replaces."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from lidjig.firmware_path import firmware_dir
from lidjig.link import twin_process
from lidjig.link.twin import TwinLink
from twin_bench import bench, jig_on, pass_time
from twin_firmware import printed, program

from shared_proto.codec import encode
from shared_proto.frame import encode_frame

HELLO = encode_frame(encode("hello", seq=1, major=1, minor=0, session=5))
# A frame with the byte of Ctrl-C in it: COBS leaves every value but zero as it is.
HELLO_3 = encode_frame(encode("hello", seq=3, major=1, minor=0, session=0x03030303))


@contextmanager
def changed(
    file: str, old: str, new: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vm: str = "cpython"
) -> Iterator[TwinLink]:
    """A bench that runs the firmware with one thing changed in one file."""
    folder = tmp_path / "device"
    shutil.copytree(firmware_dir(), folder)
    text = (folder / file).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")
    monkeypatch.setattr(twin_process, "firmware_dir", lambda: folder)
    with bench("", vm=vm) as link:
        yield link


def answers(link: TwinLink, frame: bytes = HELLO) -> bool:
    link.write(frame)
    return b"\x00" in pass_time(link, 0.5)


def test_the_firmware_speaks_through_its_own_console(vm: str) -> None:
    with bench("", vm=vm) as link:
        assert answers(link)


# What each line of console.py does for the link shows in the bench: without it the firmware is deaf, dumb or gone.
BROKEN = {
    "reads-nothing": ("            buffer[count] = one[0]\n", "            continue\n"),
    "polls-output-only": ("register(stdin, select.POLLIN)", "register(stdin, select.POLLOUT)"),
    "writes-nothing": ("        taken = self._out.write(data[:_WRITE_MAX])", "        taken = len(data)"),
    "never-opened": ("        kbd_intr(-1)", "        kbd_intr(3)"),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_broken_console_shows(kind: str, vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with changed("firmware/console.py", *BROKEN[kind], tmp_path, monkeypatch, vm) as link:
        assert not answers(link, HELLO_3)


def test_control_c_is_a_byte_like_any_other_once_the_console_is_open(vm: str) -> None:
    assert b"\x03" in HELLO_3
    with bench("", vm=vm) as link:
        assert answers(link, HELLO_3)
        assert b"KeyboardInterrupt" not in pass_time(link, 0.2)


def test_control_c_interrupts_a_program_that_did_not_open_it(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
say("begins")
try:
    time.sleep_ms(60000)
except KeyboardInterrupt:
    say("interrupted", console.read())
console.open()
console.wait(-1)
say("read", console.read())
console.close()
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        assert printed(link, 0.1) == ["begins"]
        # MicroPython, ports/rp2 and shared/tinyusb: the interrupt character drops the input before it
        link.write(b"lost\x03kept")
        assert printed(link, 0.1) == ["interrupted b'kept'"]
        link.write(b"\x03")
        assert printed(link, 0.1) == ["read b'\\x03'"]
        link.write(b"\x03")
        lines = printed(link, 0.1)
        assert any("KeyboardInterrupt" in line for line in lines) and lines[-1] == ">>>"
        link.write(b"\x03")
        assert printed(link, 0.1) == [">>>"]
        link.write(b"\x04")
        assert printed(link, 1.0) == ["begins"]


def test_polling_takes_time_and_ends(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = """
start = time.ticks_ms()
first = console.wait(50)
say(first, time.ticks_diff(time.ticks_ms(), start), console.read())
console.wait(-1)
start = time.ticks_ms()
say(console.wait(1000), time.ticks_diff(time.ticks_ms(), start), console.read())
console.wait(-1)
say(len(console.read()), console.wait(0))
say(len(console.read()), len(console.read()), len(console.read()), console.wait(0))
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        assert printed(link, 0.2) == ["False 50 b''"]
        link.write(b"abc")
        assert printed(link, 0.1) == ["True 0 b'abc'"]
        link.write(b"x" * 150)
        assert printed(link, 0.1) == ["64 True", "64 22 0 False"]  # console.py reads 64 bytes at a time


def test_a_read_waits_for_all_it_asked_for(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # micropython/micropython issue 8772: read(n) on the console blocks until n bytes have come
    body = """
three = bytearray(3)
count = streams()[0].buffer.readinto(three)
say(count, bytes(three))
time.sleep_ms(60000)
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        link.write(b"ab")
        assert printed(link, 0.5) == []
        link.write(b"cd")
        assert printed(link, 0.1) == ["3 b'abc'"]


def test_output_beyond_the_ports_buffer_waits_for_the_host(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
taken = 0
for _ in range(8):
    taken += console.write(b"." * 64)
start = time.ticks_ms()
console.write(b"|")
streams()[1].buffer.write(b"-" * 600)
say("|", taken, time.ticks_diff(time.ticks_ms(), start) < 100)
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        came = b"".join(line.encode() for line in printed(link))
    # 256 bytes of USB transmit buffer (MicroPython, shared/tinyusb/tusb_config.h); a write of more waits for room
    assert came == b"." * 256 + b"-" * 600 + b"| 256 True"


def test_long_answers_come_whole_and_in_order(vm: str) -> None:
    with bench("", vm=vm) as link, jig_on(link) as jig:
        for _ in range(5):
            jig.status()
        first = jig.read_log()
        assert first and jig.read_log()[: len(first)] == first


def test_exactly_these_modules_are_replaced(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # DEVELOPERS.md, "Firmware without a board", and SCENARIOS.md say the same.
    body = """
import sys
found = []
for name in sys.modules:
    if type(sys.modules[name]).__name__ == "Module":
        found.append(name)
say(sorted(found))
console.wait(-1)
"""
    whole, parts = {"machine", "rp2", "time", "select"}, {"gc", "micropython"}
    if vm == "micropython":
        parts.add("os")  # CPython's own has two functions exchanged in place
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        assert printed(link) == [str(sorted(whole | parts))]


def test_two_functions_of_the_firmware_are_replaced_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Every function and class under the firmware's names whose code does not come from the firmware's own files.
    list_foreign = """
    import sys
    found = []
    for name in sorted(sys.modules):
        if name.split(".")[0] not in ("main", "firmware", "boards", "shared_proto"):
            continue
        for key, value in sorted(vars(sys.modules[name]).items()):
            code = getattr(value, "__code__", None)
            if code is None and isinstance(value, type) and value.__module__ not in sys.stdlib_module_names:
                code = getattr(getattr(value, "__init__", None), "__code__", None)
            if code is not None and "/twin/vm/" in code.co_filename.replace("\\\\", "/"):
                found.append(name + "." + key)
    print(" ".join(found))
    console = StdConsole(*streams())
"""
    old = "    console = StdConsole(*streams())\n"
    with changed("main.py", old, list_foreign.lstrip("\n"), tmp_path, monkeypatch) as link:
        names = set(printed(link)[0].split())
    hardware = {name for name in names if name.rsplit(".", 1)[1] in ("Pin", "ADC", "I2C", "Timer", "WDT", "const")}
    other = names - hardware - {"firmware.console.kbd_intr", "firmware.app.alloc_emergency_exception_buf"}
    assert other == {"boards.boot_files", "boards.streams"}
