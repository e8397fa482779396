"""Power-state timelines on simulated benches: confusion table, share of time in the right state, errors of changes.

    python tests/bench/bench_states.py [--seeds N] [--vm cpython|micropython]

Every scene of states_twin.py, N machines each; two are 86 runs of 50 s of virtual time.

Levels required: wrong at most 0.5 % of the settled time, since a wrong state becomes a wrong finding, and unknown at
most 2 % where the machine was taught what it does; where it was not, "unknown" is right and allowed. The exceptions (a
charging current that moves through the levels of other states, where nothing else tells them) stand beside the scene.
Changes, where the signs are unambiguous: half within 5 ms, 95 % within 20 ms, against limits of machines in seconds;
with a light sensor or a current, since the signals alone come early. Exit status 1 where a level is not met.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

import numpy as np
from lidjig.measure.states_model import STATES, UNKNOWN

from tests.bench.states_twin import Judged, judge, scenes

HALF_US, MOST_US = 5_000, 20_000


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--vm", default="cpython")
    arguments = parser.parse_args()
    began = time.monotonic()
    done: list[Judged] = []
    print(f"{'machine':<12}{'scene':<28}{'right':>8}{'wrong':>8}{'unknown':>9}{'changes':>9}  errors, ms")
    for place, scene in enumerate(scenes()):
        for turn in range(1, arguments.seeds + 1):
            # No two runs alike: each has a machine of its own, with levels, ripple and latencies of its own.
            judged = judge(scene, 100 * turn + place, vm=arguments.vm)
            done.append(judged)
            errors = " ".join(f"{error / 1000:.1f}" for error in judged.errors_us)
            found = f"{judged.changes - judged.missed}/{judged.changes}"
            figures = f"{judged.right:>8.4f}{judged.wrong:>8.4f}{judged.unknown:>9.4f}{found:>9}"
            print(f"{scene.machine:<12}{scene.name:<28}{figures}  {errors}", flush=True)
    table(done)
    return summary(done, time.monotonic() - began)


def table(done: list[Judged]) -> None:
    """Seconds of settled time, true state by row."""
    whole: Counter[tuple[str, str]] = Counter()
    for judged in done:
        whole.update(judged.confusion)
    said = [*STATES, UNKNOWN]
    print(f"\n{'true / said, s':<16}" + "".join(f"{name:>10}" for name in said))
    for true in STATES:
        if any(whole[true, name] for name in said):
            print(f"{true:<16}" + "".join(f"{whole[true, name] / 1000:>10.1f}" for name in said))


def summary(done: list[Judged], seconds: float) -> int:
    """Quantiles of the errors, and whether the levels are met."""
    clear = [j for j in done if j.scene.machine != "cedar-15" and j.scene.unsure <= 0.02]
    placed = [error for judged in clear for error in judged.errors_us]
    half, most, all_ = np.quantile(np.abs(placed), [0.5, 0.95, 1.0]) / 1000.0
    print(f"\n{len(done)} runs in {seconds:.0f} s; changes with unambiguous signs: {len(placed)}")
    print(f"error of a change: half within {half:.1f} ms, 95 % within {most:.1f} ms, all within {all_:.1f} ms")
    bad = [j for j in done if j.wrong > j.scene.wrong or j.unknown > j.scene.unsure]
    for judged in bad:
        print(f"not met: {judged.scene.machine} {judged.scene.name}: {dict(judged.confusion)}")
    late = half * 1000.0 > HALF_US or most * 1000.0 > MOST_US
    if late:
        print(f"not met: half within {HALF_US / 1000:g} ms, 95 % within {MOST_US / 1000:g} ms")
    return 1 if bad or late else 0


if __name__ == "__main__":
    sys.exit(main())
