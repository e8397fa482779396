"""The board's own hardware as the bench gives it: time, timers, interrupts, watchdog, ADC and pins."""

from __future__ import annotations

import ast
import statistics
from pathlib import Path

import pytest
from lidjig.errors import LinkLost, LossReason
from lidjig.link import twin_process
from lidjig.link.base import Deadline
from twin_bench import pass_time
from twin_firmware import printed, program


def test_ticks_wrap_as_on_rp2(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = """
start = time.ticks_us()
time.sleep_ms(2000)
end = time.ticks_us()
say(start, end, time.ticks_diff(end, start), time.ticks_diff(start, end))
say(time.ticks_add(end, -end), time.ticks_add((1 << 30) - 1, 1), time.ticks_diff(0, (1 << 30) - 1))
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, vm=vm, scenario="[jig]\nticks_start_s = 1073.0\n") as link:
        lines = printed(link, 3.0)
    start, end, forward, back = map(int, lines[0].split())
    # ticks_us wraps at 2**30 on rp2 (MicroPython, ports/rp2); 1073.0 + 2.0 s is beyond 1073.741824 s
    assert end < start < 1 << 30
    assert 2000000 <= forward <= 2000020 and back == -forward
    assert lines[1].split() == ["0", "0", "1"]


def test_busy_wait_ends_and_code_costs_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = """
start = time.ticks_us()
turns = 0
while time.ticks_diff(time.ticks_us(), start) < 10000:
    turns += 1
say(turns)
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch) as link:
        turns = int(printed(link)[0])
    # ticks_us takes 4.8 us on an RP2040 at 125 MHz (emulated)
    assert 1500 <= turns <= 2500


def test_timer_runs_on_its_grid_while_the_program_waits(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
seen = []
times = [0] * 200
count = [0]
def tick(t):
    if count[0] < 200:
        times[count[0]] = time.ticks_us()
        count[0] += 1
timer = Timer(-1)
timer.init(period=1, mode=Timer.PERIODIC, callback=tick, hard=True)
time.sleep_ms(100)
timer.deinit()
at_stop = count[0]
time.sleep_ms(50)
once = Timer()
once.init(period=5, mode=Timer.ONE_SHOT, callback=tick)
other = Timer(period=10, mode=Timer.PERIODIC, callback=tick)
time.sleep_ms(34)
other.deinit()
say(at_stop, count[0] - at_stop, set(times[i + 1] - times[i] for i in range(at_stop - 1)))
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        assert printed(link) == ["100 4 {1000}"]


def test_interrupts_are_latched_and_run_lowest_pin_first(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
log = []
def handler(pin):
    micropython.heap_unlock()  # a test may; the firmware must not allocate here
    log.append((pin.number, pin()))
    micropython.heap_lock()
pins = [Pin(n, Pin.IN) for n in (20, 14, 10)]
for pin in pins:
    pin.irq(handler=handler, trigger=Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=False)
time.sleep_ms(2000)
say(log)
console.wait(-1)
"""
    scenario = "".join(
        f'[[event]]\nat_s = {at_s}\ndo = "set-rail"\nvolts = {volts}\n' for at_s, volts in ((1.0, 0.0), (1.5, 3.3))
    )
    with program(body, tmp_path, monkeypatch, vm=vm, scenario=scenario) as link:
        assert printed(link, 3.0) == ["[(10, 0), (14, 0), (10, 1), (14, 1)]"]


def test_supervisor_thresholds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    volts = [3.3, 1.45, 1.35, 1.45, 1.55, 1.45, 0.0]
    body = f"""
pin = Pin(14, Pin.IN)
levels = []
for _ in range({len(volts)}):
    time.sleep_ms(100)
    levels.append(pin())
say(levels)
console.wait(-1)
"""
    events = "".join(f'[[event]]\nat_s = {k / 10 + 0.05}\ndo = "set-rail"\nvolts = {v}\n' for k, v in enumerate(volts))
    with program(body, tmp_path, monkeypatch, scenario=events) as link:
        # the supervisor of the jig's schematic: rises above 1.5 V, falls below 1.4 V
        assert printed(link, 2.0) == ["[1, 1, 0, 0, 1, 1, 0]"]


def test_an_interrupt_that_allocates_fails_as_on_the_board(
    micropython: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
def tick(t):
    return [0] * 50
timer = Timer(period=1, callback=tick)
time.sleep_ms(10)
say("still here")
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, vm="micropython") as link:
        lines = printed(link)
    # The heap is locked in a hard interrupt (MicroPython documentation, writing interrupt handlers)
    assert any("MemoryError" in line for line in lines)
    assert sum("MemoryError" in line for line in lines) == 1  # and that timer runs no more
    assert lines[-1] == "still here"


def test_what_escapes_from_interrupts_is_printed(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = """
def tick(t):
    raise ValueError("in the tick")
def handler(pin):
    raise ValueError("in the handler")
Pin(14, Pin.IN).irq(handler=handler, trigger=Pin.IRQ_FALLING, hard=True)
timer = Timer(period=100, callback=tick)
time.sleep_ms(1000)
say("still here")
console.wait(-1)
"""
    scenario = '[[event]]\nat_s = 0.5\ndo = "set-rail"\nvolts = 0.0\n'
    with program(body, tmp_path, monkeypatch, vm=vm, scenario=scenario) as link:
        lines = printed(link, 2.0)
    assert sum("in the tick" in line and "raise" not in line for line in lines) == 1
    assert sum("in the handler" in line and "raise" not in line for line in lines) == 1
    assert lines[-1] == "still here"


STUCK = ("while True:\n    time.ticks_us()", "while True:\n    console.wait(0)", "time.sleep_ms(60000)")


@pytest.mark.parametrize("stuck", STUCK, ids=("busy", "polling", "asleep"))
def test_watchdog_resets_a_stuck_program(stuck: str, vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = f"""
say("cause", machine.reset_cause(), machine.WDT_RESET)
dog = WDT(timeout=2000)
for _ in range(10):
    dog.feed()
    time.sleep_ms(500)
say("stuck")
{stuck}
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        with pytest.raises(LinkLost) as caught:
            printed(link, 20.0)
        assert caught.value.reason is LossReason.CLOSED
        # fed for 5 s, then 2 s
        assert link.clock.now_s() == pytest.approx(6.5, abs=0.1)
        link.reopen(Deadline(link.clock, 5.0))
        assert printed(link)[0] == "cause 3 3"


def test_reset_forgets_ram_and_keeps_flash(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = """
import firmware, os
firmware.count = getattr(firmware, "count", 0) + 1
Pin(16, Pin.OUT, value=1)
say(firmware.count, sorted(os.listdir(".")), machine.reset_cause() == machine.PWRON_RESET)
with open("new", "w") as file:
    file.write("x")
os.rename("new", "kept")
Timer(period=1, callback=lambda t: None)
console.wait(-1 if len(os.listdir(".")) > 1 else 1000)
machine.reset()
"""
    with program(body, tmp_path, monkeypatch, vm=vm) as link:
        with pytest.raises(LinkLost):
            printed(link, 5.0)
        assert link.look()["pins"][16] == 0  # pins float after a reset
        link.reopen(Deadline(link.clock, 5.0))
        assert printed(link, 0.1)[0] == "1 ['kept'] False"


def test_program_that_never_calls_anything_is_ended(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(twin_process, "_ANSWER_MAX_S", 0.6)
    with program("console.wait(50)\nwhile True: pass", tmp_path, monkeypatch, vm=vm) as link:
        with pytest.raises(LinkLost, match="no answer within") as caught:
            pass_time(link, 1.0)
        assert caught.value.reason is LossReason.PROCESS_ENDED


def test_escaping_error_ends_at_the_prompt_with_its_trace(
    vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with program('print("by the interpreter")\nraise ValueError("escaped")', tmp_path, monkeypatch, vm=vm) as link:
        lines = printed(link)
    assert lines[0] == "by the interpreter"
    assert any(line.startswith("ValueError") and "escaped" in line for line in lines)
    assert lines[-1] == ">>>"


def test_adc_is_twelve_bit_and_noisy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = """
pins = [Pin(n, Pin.OUT, value=1) for n in (22, 0, 1)]
for adc in (ADC(27), ADC(Pin(26))):
    say([adc.read_u16() for _ in range(150)])
    console.wait(1)
console.wait(-1)
"""
    scenario = "[jig]\nadc_noise_lsb = 3.0\nadc_offset_mv = 0.0\n[machine.parameters.rail]\nvolts = 1.8\n"
    with program(body, tmp_path, monkeypatch, scenario=scenario) as link:
        own, supply = (ast.literal_eval(line) for line in printed(link))
    for value in own + supply:
        # read_u16 fills 16 bits from 12 (MicroPython, ports/rp2: value << 4 | value >> 8)
        assert value == (value >> 4 << 4 | value >> 12)
    # 3.3 V and 1.8 V through the divider of two, 3.3 V reference; noise 3 codes rms, n 150
    assert statistics.fmean(own) == pytest.approx(32768, abs=20)
    assert statistics.fmean(supply) == pytest.approx(1.8 / 6.6 * 65535, abs=20)
    assert statistics.stdev([value >> 4 for value in own]) == pytest.approx(3.0, rel=0.2)


def test_wide_code_swallows_its_neighbours() -> None:
    import sys

    import lidjig.twin

    sys.path.insert(0, str(Path(lidjig.twin.__file__).parent / "vm"))
    try:
        from gpio import Gpio
        from kernel import Kernel
        from rng import Rng
    finally:
        sys.path.pop(0)
    for spikes, width in ((1, 9), (0, 1)):
        gpio = Gpio(Kernel(), Rng(1, "x"), 0, 0, spikes)
        seen = []
        for code in range(4096):
            gpio.base[0] = code << 4
            seen.append(gpio.read_adc(0) >> 4)
        for wide in (512, 1536, 2560, 3584):
            # RP2350 datasheet 12.4.1, RP2040-E11; more than 9 LSB at 512: RP2040 datasheet, second hand
            assert seen.count(wide) == width
        assert seen.count(1000) == 1 and sorted(seen) == seen
