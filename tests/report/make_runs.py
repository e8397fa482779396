"""Makes the runs that the report's tests are drawn from, on the simulated bench.

    python tests/report/make_runs.py STORE [--cycles N] [--full] [--only NAME ...]

writes one line per run: its name here, then its id in the record. All names, customers and machines are invented.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

JOB_HEALTHY = "bench-2041"
JOB_PAIR = "bench-2044"
JOB_MARKUP = "bench-2046"
MARKUP = "<b>Ruß & Söhne</b> <script>document.title='taken'</script> \"Ltd\""
LONG = "Lichtschrankenverstellgestellbefestigungswinkel"  # no blank to break it at

# What a person entered about a job, before its first run.
FIELDS: dict[str, dict[str, str]] = {
    JOB_HEALTHY: {
        "customer": "Mara Ölwein, Lantern Street Workshop",
        "machine": "Alder 14, silver",
        "serial": "AL14-0073-2291",
        "complaint": "Tea over the keyboard in March. Takes charge, never starts.",
        "done": "Board washed and dried, hinge connector replaced.",
        "bench": "bench 2, by the window",
        "technician": "J. Fenn",
    },
    JOB_PAIR: {
        "customer": "Tobias Rehn-Castellane, Lantern Street Workshop, unit 4",
        "machine": "Alder 14, silver, 16 GB",
        "serial": "AL14-0073-2291-EU",
        "complaint": "Now and then it stays awake in the bag and comes out hot and empty; since the tea in March the "
        "light at the hinge blinks twice before it does.",
        "done": "Board washed and dried, hinge connector and sensor replaced, lid line's input resistor resoldered, "
        "zero set, cover closed with new gaskets.",
        "bench": "bench 1, by the north window",
        "technician": "Simone Okafor",
    },
    JOB_MARKUP: {"customer": MARKUP, "machine": LONG, "serial": "0" * 60, "complaint": f"{LONG} & <i>more</i>\n" * 3},
}

RESET = (
    'title = "board that loses its supply once"\nseed = 30\n[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 40.0\n'
)
GONE = (
    'title = "link that stays silent"\nseed = 30\n'
    '[[fault]]\nwhere = "link"\nkind = "stall"\nat_s = 40.0\nduration_ms = 60000\n'
)
# Many cycles need rarer misses: five in a row end a run early.
RARE = """title = "board that misses a closing lid once in twelve"
seed = 24
[[fault]]
where = "machine"
kind = "random-miss"
probability = 0.08
on = "shut"
"""
MANY = 200
DIES_AFTER = 130  # events on disk when the killed run ends: some cycles done, one in progress


@dataclass(frozen=True)
class Recipe:
    """One run. words: the command line without link, job and store. quick: appended in the ordinary tests.

    scenario: a shipped name or the text of one. statuses: accepted exit statuses. dies_after: the process kills itself
    when so many events are on disk. many: the scenario instead, from MANY cycles on.
    """

    words: tuple[str, ...]
    scenario: str
    statuses: tuple[int, ...]
    quick: tuple[str, ...] = ()
    job: str | None = None
    dies_after: int | None = None
    many: str | None = None


ISOLATE = ("--repeat", "4", "--watch", "5")
RECIPES: dict[str, Recipe] = {
    "healthy": Recipe(("confirm",), "healthy-alder-14", (0,), ("--repeat", "8"), JOB_HEALTHY),
    "failed": Recipe(("confirm",), "machine-never-wakes", (1,), ("--repeat", "8")),
    "sensor": Recipe(("isolate",), "sensor-dead", (1,), ISOLATE),
    "wiring": Recipe(("isolate",), "wiring-line-open-line-2", (1,), ISOLATE),
    "board": Recipe(("isolate",), "machine-ignores-lid", (1,), ISOLATE),
    "cycles": Recipe(("cycle", "--count", "{cycles}"), "machine-random-miss", (1,), (), JOB_PAIR, many=RARE),
    "after": Recipe(("cycle", "--count", "{cycles}"), "healthy-alder-14", (0,), (), JOB_PAIR),
    "killed": Recipe(("cycle", "--count", "40"), "healthy-alder-14", (-9, 137), dies_after=DIES_AFTER),
    "lost": Recipe(("cycle", "--count", "12"), RESET, (0, 3)),
    "gone": Recipe(("cycle", "--count", "12"), GONE, (3,)),
    "watched": Recipe(("watch", "--seconds", "12", "--record"), "healthy-alder-14", (0,)),
    "taught": Recipe(("teach", "--seconds", "5", "--out", "{out}"), "healthy-alder-14", (0,)),
    "markup": Recipe(("confirm",), "healthy-alder-14", (0,), ("--repeat", "2"), JOB_MARKUP),
}
QUICK_CYCLES = 40
FULL_CYCLES = 1000


@dataclass
class Made:
    """The record that was made. ids: name of the recipe -> id of its run."""

    store: str
    ids: dict[str, str] = field(default_factory=dict)


def environment() -> dict[str, str]:
    """The checkout's packages for a program of its own."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "host"), str(ROOT)])}


def make(store: Path, *, cycles: int = QUICK_CYCLES, full: bool = False, only: tuple[str, ...] = ()) -> Made:
    """Make the runs named (all of them without names), in the order of RECIPES, into one record."""
    made = Made(str(store))
    with tempfile.TemporaryDirectory() as folder:
        for name in only or tuple(RECIPES):
            recipe = RECIPES[name]
            if recipe.job:
                _enter(store, recipe.job)
            words = [word.format(cycles=cycles, out=Path(folder) / "taught.toml") for word in recipe.words]
            words += [] if full else recipe.quick
            scenario = recipe.many if recipe.many and cycles >= MANY else recipe.scenario
            words += ["--link", _link(scenario, name, Path(folder)), "--store", made.store]
            words += ["--job", recipe.job] if recipe.job else []
            status = _die(words, recipe.dies_after) if recipe.dies_after else _run(words)
            assert status in recipe.statuses, f"{name}: exit status {status} of lidjig {' '.join(words)}"
            made.ids[name] = _last(store)
    return made


def _link(scenario: str, name: str, folder: Path) -> str:
    if "\n" not in scenario:
        return f"twin:{scenario}"
    path = folder / f"{name}.toml"
    path.write_text(scenario, encoding="utf-8")
    return f"twin:{path}"


def _enter(store: Path, job: str) -> None:
    from lidjig.record.store import open_store

    with open_store(str(store)) as opened:
        opened.enter_job(job, FIELDS[job])


def _run(words: list[str]) -> int:
    """One command in this process, its output thrown away."""
    from lidjig.cli import main

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return main.run(words)


def _die(words: list[str], after: int) -> int:
    """One command as a program of its own that ends as by kill -9, always at the same event."""
    line = [sys.executable, str(Path(__file__).resolve()), "--dies-after", str(after), "--", *words]
    done = subprocess.run(line, env=environment(), capture_output=True, timeout=120, check=False)
    return -9 if done.returncode in (-9, 137) or sys.platform == "win32" else done.returncode


def _last(store: Path) -> str:
    from lidjig.record.store import open_store

    with open_store(str(store), create=False) as opened:
        return opened.run("last").id


def _run_and_die(words: list[str], after: int) -> None:
    from lidjig.cli import main
    from lidjig.record.recorder import RunRecorder

    stored = 0
    keep = RunRecorder.events

    def events(self: RunRecorder, batch: list[object]) -> None:
        nonlocal stored
        keep(self, batch)  # type: ignore[arg-type]
        stored += len(batch)
        if stored >= after:
            # No handler, no finally: what a power cut or the system's out-of-memory killer leaves.
            os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))

    RunRecorder.events = events  # type: ignore[assignment, method-assign]
    main.run(words)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--dies-after", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--cycles", type=int, default=QUICK_CYCLES)
    parser.add_argument("--full", action="store_true", help="as many repeats as a technician would make")
    parser.add_argument("--only", nargs="*", default=[], choices=list(RECIPES))
    parser.add_argument("words", nargs="+", metavar="STORE")
    given = parser.parse_args()
    if given.dies_after is not None:
        _run_and_die(given.words, given.dies_after)
        return
    made = make(Path(given.words[0]), cycles=given.cycles, full=given.full, only=tuple(given.only))
    for name, run_id in made.ids.items():
        print(name, run_id)


if __name__ == "__main__":
    sys.path[:0] = [str(ROOT / "host"), str(ROOT)]
    main()
