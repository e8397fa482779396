"""Start time of `lidjig --help`, beside a bare interpreter, in one run.

    python tests/bench/bench_start.py [--n N]
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time


def times_s(command: list[str], n: int) -> list[float]:
    """n wall times of a command, one warm-up before them."""
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    taken = []
    for _ in range(n):
        start = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        taken.append(time.perf_counter() - start)
    return taken


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=15)
    n = parser.parse_args().n
    for label, command in (
        ("python -c pass", [sys.executable, "-c", "pass"]),
        ("python -c 'import typer'", [sys.executable, "-c", "import typer"]),
        ("lidjig --help", [sys.executable, "-m", "lidjig", "--help"]),
    ):
        taken = times_s(command, n)
        print(f"{label:28s} median {statistics.median(taken):.3f} s, min {min(taken):.3f}, max {max(taken):.3f}, n {n}")


if __name__ == "__main__":
    main()
