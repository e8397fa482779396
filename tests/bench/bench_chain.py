"""One virtual hour of samples through the whole chain: firmware, link, host, record. Nothing may be lost.

python tests/bench/bench_chain.py [--seconds S] [--vm micropython|cpython] [--folder FOLDER]

All that the board samples at once, at its highest rates: supply, light and one channel behind the analog switch at
1 kS/s each, both power monitors with two channels each at 200 S/s, the tach counter at 50 S/s. Told are the samples
that came against those due, batches lost, memory of host and firmware at the beginning, in the middle and at the end,
the size of the record for an hour, and how long it took. Never timed in a test.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "host"), str(ROOT), str(ROOT / "tests" / "twin")]

from lidjig.jig import Jig  # noqa: E402
from lidjig.link.base import Deadline  # noqa: E402
from lidjig.link.twin import TwinLink  # noqa: E402
from lidjig.record import open_store  # noqa: E402
from lidjig.twin.scenario import parse_scenario  # noqa: E402
from test_twin_heap import METERS, WIRED  # noqa: E402

from shared_proto import blobs, names  # noqa: E402

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


def run(seconds: float, vm: str, folder: Path) -> int:
    """Prints what came of it; 1 where anything is missing."""
    path = folder / "chain.db"
    text = f'[machine]\nmodel = "dogwood-14"\nstart_state = "S0"\n{METERS}'
    memory: list[tuple[float, float, int]] = []
    with open_store(path) as store, closing(TwinLink(parse_scenario(text, "chain.toml"), vm=vm)) as link:
        recorder = store.start_run("chain", clock=link.clock)
        with Jig(link, sink=recorder, nonce_seed=7) as jig:
            jig.connect(Deadline(jig.clock, 5.0))
            jig.load_blob(names.BLOB_WIRING, blobs.pack(blobs.WIRING_FIELDS, WIRED))
            lost: list[int] = []
            jig.on_batch.append(lambda batch: lost.append(batch.lost))
            granted = {channel: jig.sample(channel, period_s) for channel, period_s in PERIOD_S.items()}
            began_s, wall_s = jig.clock.now_s(), time.perf_counter()
            looks = [0.0, seconds / 2]
            while (passed_s := jig.clock.now_s() - began_s) < seconds:
                if looks and passed_s >= looks[0]:
                    memory.append((looks.pop(0), resident_mb(), _firmware(link)))
                jig.idle(min(SLICE_S, seconds - passed_s))
            for channel in PERIOD_S:
                jig.sample(channel, 0.0)
            jig.idle(1.0)
            memory.append((seconds, resident_mb(), _firmware(link)))
            took_s = time.perf_counter() - wall_s
            recorder.flush()
            recorder.finish("pass")
        rows = {row.channel: row for row in store.channels(recorder.id)}
        gaps = store.run(recorder.id).gaps
    bytes_kept = sum(file.stat().st_size for file in folder.glob("chain.db*"))
    counts = {name: row.n for name, row in rows.items()}
    return _told(seconds, took_s, granted, counts, lost, len(gaps), memory, bytes_kept)


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
    memory: list[tuple[float, float, int]],
    bytes_kept: int,
) -> int:
    worst = 0.0
    for channel, period_s in granted.items():
        due, came = seconds / period_s, counts.get(channel, 0)
        worst = max(worst, abs(came / due - 1.0))
        print(f"  {channel:10} every {period_s * 1000:g} ms: {came} samples of {due:.0f} due ({came / due:.4%})")
    print(f"  batches: {len(lost)}, lost: {sum(lost)}, gaps in the record: {gaps}")
    for at_s, host_mb, firmware in memory:
        print(f"  after {at_s:.0f} s: host {host_mb:.1f} MB, firmware heap {firmware} bytes")
    an_hour = bytes_kept / 1e6 * 3600 / seconds
    print(f"  {seconds:.0f} s of virtual time took {took_s:.1f} s; record {an_hour:.1f} MB an hour")
    return int(sum(lost) > 0 or gaps > 0 or worst > 0.01)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=3600.0)
    parser.add_argument("--vm", default="micropython", choices=("micropython", "cpython"))
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    print(f"Whole chain, {len(PERIOD_S)} channels, firmware under {given.vm}")
    if given.folder is not None:
        return run(given.seconds, given.vm, given.folder)
    with tempfile.TemporaryDirectory() as folder:
        return run(given.seconds, given.vm, Path(folder))


if __name__ == "__main__":
    sys.exit(main())
