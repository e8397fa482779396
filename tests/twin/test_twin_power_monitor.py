"""The power monitor's registers against its data sheet: worked example, power-on values, conversions, noise."""

from __future__ import annotations

import statistics
import subprocess
import sys
from pathlib import Path

import lidjig.twin
import pytest
from lidjig.link.twin_process import find_micropython
from lidjig.twin.vm.ina226 import (
    BUS,
    CALIBRATION,
    CONFIG,
    CURRENT,
    DIE,
    LIMIT,
    MANUFACTURER,
    MASK,
    POWER,
    SHUNT,
    Ina226,
)
from lidjig.twin.vm.kernel import Kernel
from lidjig.twin.vm.rng import Rng

VM = Path(lidjig.twin.__file__).parent / "vm"
READY = 0x0008
QUIET = {"address": 0x40, "shunt_uohm": 2000, "offset_nv": 0, "noise": 0}


def part(**more: int) -> Ina226:
    return Ina226(Kernel(), Rng(1, "meter"), {**QUIET, **more})  # type: ignore[arg-type]


def write(meter: Ina226, register: int, value: int) -> None:
    meter.write(bytes((register, value >> 8, value & 0xFF)))


def read(meter: Ina226, register: int) -> int:
    meter.write(bytes((register,)))
    two = bytearray(2)
    meter.read_into(two)
    return two[0] << 8 | two[1]


def after(meter: Ina226, us: int) -> None:
    meter.kernel.now += us


EXAMPLE = """
import sys
sys.path.insert(0, sys.argv[1])
from ina226 import Ina226
from kernel import Kernel
from rng import Rng
kernel = Kernel()
meter = Ina226(kernel, Rng(1, "m"), {"address": 64, "shunt_uohm": 2000, "offset_nv": 0, "noise": 0})
meter.feed(10000000, 11980, 0)
meter.write(b"\\x05\\x0a\\x00")
kernel.now += 2200
out = []
for register in (1, 2, 3, 4, 5):
    two = bytearray(2)
    meter.write(bytes([register]))
    meter.read_into(two)
    out.append(two[0] << 8 | two[1])
print(out)
"""


def test_worked_example_of_the_data_sheet(vm: str, tmp_path: Path) -> None:
    script = tmp_path / "example.py"
    script.write_text(EXAMPLE, encoding="ascii")
    command = find_micropython() if vm == "micropython" else sys.executable
    assert command is not None
    ran = subprocess.run([command, str(script), str(VM)], capture_output=True, text=True, check=True, timeout=30)
    # TI SBOS547, p. 15-16: 10 A through 2 mohm at 11.98 V, calibration 0x0A00: shunt 0x1F40, bus 0x2570, power 0x12B8
    # (the product of the registers; the printed 119.82 W is rounded elsewhere), current 0x2710
    assert ran.stdout.split() == str([0x1F40, 0x2570, 0x12B8, 0x2710, 0x0A00]).split()


def test_power_on_values_and_identity() -> None:
    meter = part()
    registers = (CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION, MASK, LIMIT, MANUFACTURER, DIE)
    # TI SBOS547B, table 7-1
    assert [read(meter, r) for r in registers] == [0x4127, 0, 0, 0, 0, 0, 0, 0, 0x5449, 0x2260]


def test_reset_bit_is_as_power_on_and_clears_itself() -> None:
    meter = part()
    meter.feed(1_000_000, 5000, 0)
    write(meter, CALIBRATION, 0x0A00)
    write(meter, CONFIG, 0x4927)
    after(meter, 300_000)
    assert read(meter, BUS) == 4000
    write(meter, CONFIG, 0x8000)
    # TI SBOS547B, configuration register: setting bit 15 generates a system reset, the bit clears itself
    assert [read(meter, r) for r in (CONFIG, BUS, CALIBRATION)] == [0x4127, 0, 0]


# Configuration, time of a set of conversions in us: TI SBOS547B, tables 7-3 to 7-5
TIMES = [
    (0x4127, 2 * 1100),  # as at power-on
    (0x4000 | 0 << 6 | 0 << 3 | 7, 2 * 140),
    (0x4000 | 1 << 9 | 2 << 6 | 3 << 3 | 7, 4 * (332 + 588)),
    (0x4000 | 2 << 9 | 1 << 6 | 1 << 3 | 7, 16 * 2 * 204),
    (0x4000 | 3 << 9 | 7 << 6 | 7 << 3 | 5, 64 * 8244),  # shunt alone
    (0x4000 | 7 << 9 | 5 << 6 | 6 << 3 | 6, 1024 * 2116),  # bus alone
]


@pytest.mark.parametrize(("config", "us"), TIMES)
def test_results_are_loaded_when_a_set_of_conversions_has_ended(config: int, us: int) -> None:
    meter = part()
    meter.feed(1_000_000, 12_000, 0)
    write(meter, CONFIG, config)
    after(meter, us - 1)
    assert (read(meter, SHUNT), read(meter, BUS), read(meter, MASK) & READY) == (0, 0, 0)
    after(meter, 1)
    # 1 A through 2 mohm are 800 steps of 2.5 uV, 12 V 9600 of 1.25 mV
    assert (read(meter, SHUNT), read(meter, BUS)) == (800 * (config & 1), 9600 * (config >> 1 & 1))
    assert read(meter, MASK) & READY and not read(meter, MASK) & READY  # reading the mask clears the flag


def test_a_change_within_a_set_is_averaged_and_nothing_is_seen_before_its_end() -> None:
    meter = part()
    after(meter, 2200)
    meter.feed(4_000_000, 20_000, 0)
    after(meter, 550)
    meter.feed(0, 0, 0)  # a quarter of the second set
    assert read(meter, SHUNT) == 0
    after(meter, 1650)
    assert (read(meter, SHUNT), read(meter, BUS)) == (3200 // 4, 16000 // 4)
    after(meter, 2199)
    assert read(meter, SHUNT) == 800
    after(meter, 1)
    assert read(meter, SHUNT) == 0


def test_after_a_long_time_the_last_whole_set_counts() -> None:
    meter = part()
    meter.feed(1_000_000, 5000, 0)
    after(meter, 10 * 2200 + 1100)
    meter.feed(3_000_000, 5000, 0)  # half of the eleventh set
    after(meter, 1100)
    assert read(meter, SHUNT) == 1600
    after(meter, 2200)
    assert read(meter, SHUNT) == 2400


def test_triggered_and_powered_down() -> None:
    meter = part()
    meter.feed(1_000_000, 5000, 0)
    write(meter, CONFIG, 0x4123)  # shunt and bus, triggered: TI SBOS547B, table 7-6
    after(meter, 2200)
    assert read(meter, SHUNT) == 800
    meter.feed(2_000_000, 5000, 0)
    after(meter, 100_000)
    assert read(meter, SHUNT) == 800
    write(meter, CONFIG, 0x4123)
    after(meter, 2200)
    assert read(meter, SHUNT) == 1600
    write(meter, CONFIG, 0x4120)
    meter.feed(0, 0, 0)
    after(meter, 100_000)
    assert read(meter, SHUNT) == 1600


def test_current_follows_the_calibration_at_the_next_conversion() -> None:
    meter = part()
    meter.feed(-1_000_000, 5000, 0)
    after(meter, 2200)
    # TI SBOS547B, 6.3.1.1: without a calibration current and power are zero
    assert (read(meter, CURRENT), read(meter, POWER)) == (0, 0)
    write(meter, CALIBRATION, 0x0A00)
    assert read(meter, CURRENT) == 0
    after(meter, 2200)
    # -1 A at 1 mA a step; two's complement
    assert read(meter, CURRENT) == 0x10000 - 1000
    assert read(meter, POWER) == 1000 * 4000 // 20000
    assert read(meter, SHUNT) == 0x10000 - 800


def test_full_scale_of_the_shunt() -> None:
    meter = part(shunt_uohm=100_000)
    write(meter, CALIBRATION, 0x7FFF)
    meter.feed(5_000_000, 5000, 0)
    after(meter, 2200)
    # 81.92 mV full scale, 81.9175 at 0x7FFF: TI SBOS547B, shunt voltage register
    assert read(meter, SHUNT) == 0x7FFF and read(meter, CURRENT) == 0x7FFF
    assert read(meter, MASK) & 0x0004  # math overflow


def test_pointer_stays_and_incomplete_writes_are_not_taken() -> None:
    meter = part()
    meter.write(bytes((CALIBRATION,)))
    meter.write(bytes((CALIBRATION, 0x12)))
    assert read(meter, CALIBRATION) == 0
    write(meter, CALIBRATION, 0x1234)
    four = bytearray(4)
    meter.read_into(four)  # without a pointer: the register written last
    assert four == b"\x12\x34\x12\x34"
    write(meter, MANUFACTURER, 0)
    write(meter, SHUNT, 77)
    assert read(meter, MANUFACTURER) == 0x5449 and read(meter, SHUNT) == 0  # read-only


def test_noise_falls_with_the_square_root_of_the_averages() -> None:
    def spread(config: int) -> tuple[float, float]:
        meter = part(shunt_uohm=10_000, noise=100)
        meter.feed(1_000_000, 12_000, 25_000)
        write(meter, CONFIG, config)
        seen = []
        for _ in range(3000):
            after(meter, 20_000)
            seen.append(read(meter, SHUNT))
        return statistics.fmean(seen), statistics.stdev(seen)

    mean, plain = spread(0x4000 | 7)
    # 25 mA rms in 10 mohm are 100 steps, and one of its own; n 3000, so 5 standard deviations are 6.5 %
    assert mean == pytest.approx(4000, abs=10) and plain == pytest.approx(101, rel=0.065)
    assert spread(0x4000 | 2 << 9 | 7)[1] == pytest.approx(101 / 4, rel=0.07)


def test_noise_has_no_period_of_its_table() -> None:
    meter = part(noise=1000)
    seen = []
    for _ in range(3 * 1024):
        after(meter, 2200)
        seen.append(read(meter, SHUNT) - (read(meter, SHUNT) & 0x8000) * 2)
    assert seen[:1024] != seen[1024:2048] != seen[2048:]
    for lag in (1, 2, 7, 511, 1023, 1024, 1025, 2048):
        pairs = list(zip(seen, seen[lag:], strict=False))
        # white noise: correlation 0, standard deviation 1 / sqrt(n); five of them
        assert abs(statistics.correlation([a for a, _ in pairs], [b for _, b in pairs])) < 5.0 / len(pairs) ** 0.5
