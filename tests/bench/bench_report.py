"""How long a report takes and how large it is, side by side with the plain dump of the same run (`show --json`).

    python tests/bench/bench_report.py [STORE RUN] [--cycles 1000]

Without STORE and RUN a run of so many cycles with misses is made on the simulated bench first. Each figure is a whole
command, start of the interpreter included; the least of several, since the machine may have other work.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
REPEAT = 5
# Now and then a miss, seldom enough that the run is not ended early.
SCENARIO = 'seed = 24\n[[fault]]\nwhere = "machine"\nkind = "random-miss"\nprobability = 0.02\n'


def lidjig(*words: str) -> subprocess.CompletedProcess[bytes]:
    """One command as a program of its own."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "host"), str(ROOT)])}
    return subprocess.run([sys.executable, "-m", "lidjig", *words], env=environment, capture_output=True, check=False)


def timed(*words: str) -> tuple[float, int]:
    """(least seconds of REPEAT, bytes on stdout)."""
    least, size = float("inf"), 0
    for _ in range(REPEAT):
        began = time.perf_counter()
        done = lidjig(*words)
        least = min(least, time.perf_counter() - began)
        assert done.returncode == 0, done.stderr.decode()
        size = len(done.stdout)
    return least, size


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("given", nargs="*", metavar="STORE RUN")
    parser.add_argument("--cycles", type=int, default=1000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        store, run = options.given if len(options.given) == 2 else (str(Path(folder) / "runs.db"), "last")
        if len(options.given) != 2:
            scenario = Path(folder) / "misses.toml"
            scenario.write_text(SCENARIO, encoding="utf-8")
            made = lidjig("cycle", "--count", str(options.cycles), "--link", f"twin:{scenario}", "--store", store)
            assert made.returncode in (0, 1), made.stderr.decode()
        out = Path(folder) / "report.html"
        rows = [("show --json (plain dump)", *timed("show", run, "--json", "--store", store))]
        for lang in ("en", "de"):
            seconds, _size = timed("report", run, "--lang", lang, "--out", str(out), "--store", store)
            rows.append((f"report --lang {lang}", seconds, out.stat().st_size))
        rows.append(("report --json", *timed("report", run, "--json", "--store", store)))
        for name, seconds, size in rows:
            print(f"{name:<28}{seconds:7.2f} s {size / 1e6:8.3f} MB")


if __name__ == "__main__":
    main()
