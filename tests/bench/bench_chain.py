"""One virtual hour of samples through the whole chain: firmware, link, host, record. Nothing may be lost.

python tests/bench/bench_chain.py [--fed] [--seconds S] [--vm micropython|cpython] [--folder FOLDER]

All that the board samples at once, at its highest rates: supply, light and one channel behind the analog switch at
1 kS/s each, both power monitors with two channels each at 200 S/s, the tach counter at 50 S/s.

With --fed eight channels at 1 kS/s each, which no board of ours can read: its switch wants a millisecond to settle. So
supply, light and machine_1 are read by the tick as ever, and invented readings of five more channels of the switch are
put, every millisecond of virtual time, where the firmware puts what it read. Their way through ring and comparators,
and what reading them would cost the tick, are therefore not shown; batches, numbers, session, console, link, host and
record are the real ones, for all eight.

Told are the samples that came against those due, batches lost, gaps, with --fed also readings in the record that are
not those given, memory of host and firmware at the beginning, in the middle and at the end, the size of the record for
an hour, and how long it took. Never timed in a test.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import closing, nullcontext
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "host"), str(ROOT), str(ROOT / "tests" / "twin")]

import chain_fed  # noqa: E402
from lidjig.jig import Jig  # noqa: E402
from lidjig.link.base import Deadline  # noqa: E402
from lidjig.link.twin import TwinLink  # noqa: E402
from lidjig.record import open_store  # noqa: E402
from lidjig.twin.scenario import parse_scenario  # noqa: E402
from twin_bench import WHOLE_SET, wire_whole_set  # noqa: E402

PERIOD_S = {
    "supply": 0.001,
    "light": 0.001,
    "machine_1": 0.001,
    "meter_1_v": 0.005,
    "meter_1_i": 0.005,
    "meter_2_v": 0.005,
    "meter_2_i": 0.005,
    "pulses": 0.02,
}
SLICE_S = 5.0


def resident_mb() -> float:
    """Memory that the host has in use; NaN where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        return float("nan")
    return pages * 4096 / 1e6


def run(seconds: float, vm: str, folder: Path, *, fed: bool) -> int:
    """Prints what came of it; 1 where anything is missing."""
    periods_s = chain_fed.PERIOD_S if fed else PERIOD_S
    scenario = parse_scenario(f'[machine]\nmodel = "dogwood-14"\nstart_state = "S0"\n{WHOLE_SET}', "chain.toml")
    memory: list[tuple[float, float, int]] = []
    with (
        chain_fed.board_that_is_fed(folder) if fed else nullcontext(),
        open_store(folder / "chain.db") as store,
        closing(TwinLink(scenario, vm=vm)) as link,
    ):
        recorder = store.start_run("chain", clock=link.clock)
        with Jig(link, sink=recorder, nonce_seed=7) as jig:
            jig.connect(Deadline(jig.clock, 5.0))
            wire_whole_set(jig)
            lost: list[int] = []
            jig.on_batch.append(lambda batch: lost.append(batch.lost))
            granted = {channel: jig.sample(channel, period_s) for channel, period_s in periods_s.items()}
            began_s, wall_s = jig.clock.now_s(), time.perf_counter()
            looks = [0.0, seconds / 2]
            while (passed_s := jig.clock.now_s() - began_s) < seconds:
                if looks and passed_s >= looks[0]:
                    memory.append((looks.pop(0), resident_mb(), _firmware(link)))
                jig.idle(min(SLICE_S, seconds - passed_s))
            for channel in periods_s:
                jig.sample(channel, 0.0)
            jig.idle(1.0)
            memory.append((seconds, resident_mb(), _firmware(link)))
            took_s = time.perf_counter() - wall_s
            recorder.flush()
            recorder.finish("pass")
        rows = {row.channel: row for row in store.channels(recorder.id)}
        gaps = store.run(recorder.id).gaps
        strange = chain_fed.not_as_given(store, recorder.id) if fed else 0
    bytes_kept = sum(file.stat().st_size for file in folder.glob("chain.db*"))
    counts = {name: row.n for name, row in rows.items()}
    return _told(seconds, took_s, granted, counts, lost, len(gaps), strange, memory, bytes_kept)


def _firmware(link: TwinLink) -> int:
    heap = link.heap()
    return heap["now"] - heap["before"]


def _told(
    seconds: float,
    took_s: float,
    granted: dict[str, float],
    counts: dict[str, int],
    lost: list[int],
    gaps: int,
    strange: int,
    memory: list[tuple[float, float, int]],
    bytes_kept: int,
) -> int:
    worst = 0.0
    for channel, period_s in granted.items():
        due, came = seconds / period_s, counts.get(channel, 0)
        worst = max(worst, abs(came / due - 1.0))
        print(f"  {channel:10} every {period_s * 1000:g} ms: {came} samples of {due:.0f} due ({came / due:.4%})")
    print(f"  batches: {len(lost)}, lost: {sum(lost)}, gaps in the record: {gaps}, readings not as given: {strange}")
    for at_s, host_mb, firmware in memory:
        print(f"  after {at_s:.0f} s: host {host_mb:.1f} MB, firmware heap {firmware} bytes")
    an_hour = bytes_kept / 1e6 * 3600 / seconds
    print(f"  {seconds:.0f} s of virtual time took {took_s:.1f} s; record {an_hour:.1f} MB an hour")
    return int(sum(lost) > 0 or gaps > 0 or strange > 0 or worst > 0.01)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=3600.0)
    parser.add_argument("--vm", default="micropython", choices=("micropython", "cpython"))
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--fed", action="store_true", help="eight channels at 1 kS/s, five of them invented")
    given = parser.parse_args()
    what = "8 channels at 1 kS/s, five of them fed" if given.fed else f"{len(PERIOD_S)} channels"
    print(f"Whole chain, {what}, firmware under {given.vm}", flush=True)
    if given.folder is not None:
        return run(given.seconds, given.vm, given.folder, fed=given.fed)
    with tempfile.TemporaryDirectory() as folder:
        return run(given.seconds, given.vm, Path(folder), fed=given.fed)


if __name__ == "__main__":
    sys.exit(main())
