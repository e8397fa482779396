"""How fast the record takes samples, and what it costs: 8 channels at 1 kS/s each, beside plain CSV files.

python tests/bench/bench_record.py [--seconds S] [--hours H] [--folder FOLDER]

Without --hours: S seconds of samples (board time) through the recorder, and the same samples as lines of a CSV file in
the same run, each fed as fast as it takes them. With --hours: so many hours through the recorder; every sample is read
back and compared, memory is read once an hour of board time, and the size of the file is told. Never timed in a test.
"""

from __future__ import annotations

import argparse
import csv
import os
import sys
import tempfile
import time
import tracemalloc
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "host"), str(ROOT)]

import numpy as np  # noqa: E402
from lidjig.record import open_store  # noqa: E402
from lidjig.record.recorder import BLOCK_S  # noqa: E402
from lidjig.record.store import Store  # noqa: E402

CHANNELS = 8
RATE_HZ = 1000
PER_BATCH = 80  # the most that a batch on the wire holds
PERIOD_US = 1_000_000 // RATE_HZ
PATTERN_S = 80.0  # signals repeat after so long: far beyond a block, so that compression does not profit


@dataclass(frozen=True)
class Batch:
    """As the jig gives it."""

    channel: str
    number: int
    t_us: int
    span_us: int
    data: bytes


@dataclass(frozen=True)
class Event:
    name: str
    counter: int
    t_us: int
    data: dict[str, int] = field(default_factory=dict)


def patterns() -> list[bytes]:
    """Raw readings of each channel: a 12-bit converter with noise of 2 to 4 steps on a level, a slow drift, a supply
    current that jumps, a light that flickers; made up, seed 1.
    """
    rng = np.random.default_rng(1)
    n = round(PATTERN_S * RATE_HZ)
    t_s = np.arange(n) / RATE_HZ
    shapes = [
        np.full(n, 2000.0),
        1500 + 200 * np.sin(t_s / 7),
        np.where((t_s // 13) % 2, 3000.0, 400.0),
        1800 + 300 * np.sin(2 * np.pi * 97 * t_s),
    ]
    out = []
    for channel in range(CHANNELS):
        steps = shapes[channel % len(shapes)] + rng.normal(0.0, 2.0 + channel / 4, n)
        # The converter has 12 bits; its reading is scaled to 16, as MicroPython's read_u16 does it.
        twelve = np.clip(np.round(steps), 0, 4095).astype(np.uint16)
        out.append((twelve << 4 | twelve >> 8).astype("<u2").tobytes())
    return out


def batches(seconds: float) -> Iterator[Batch]:
    """All channels in turn, the board's time a little apart between them."""
    made = patterns()
    wide = 2 * PER_BATCH
    in_pattern = len(made[0]) // wide
    for number in range(round(seconds * RATE_HZ / PER_BATCH)):
        at = number % in_pattern * wide
        t_us = number * PER_BATCH * PERIOD_US
        for channel in range(CHANNELS):
            data = made[channel][at : at + wide]
            yield Batch(f"channel {channel}", number + 1, t_us + 11 * channel, (PER_BATCH - 1) * PERIOD_US, data)


def rss_mb() -> float:
    """Memory that the process holds; 0 where the system does not say."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError, AttributeError):
        return 0.0


def size_mb(path: Path) -> float:
    return sum(p.stat().st_size for p in path.parent.glob(path.name + "*")) / 1e6


@dataclass
class Cost:
    """What writing took."""

    rows: int
    wall_s: float
    cpu_s: float
    size_mb: float
    board_s: float

    def line(self, name: str) -> str:
        return (
            f"{name:<22}{self.rows / self.wall_s:>12,.0f} rows/s{100 * self.cpu_s / self.board_s:>9.2f} % of one core"
            f"{100 * self.wall_s / self.board_s:>9.2f} % of the time{3600 * self.size_mb / self.board_s:>10.1f} MB/h"
        )


def into_record(folder: Path, seconds: float) -> Cost:
    """Batches through the recorder, an event a second beside them."""
    path = folder / "runs.db"
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    with open_store(path) as store:
        rows = feed(store, seconds)
        wall_s, cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
    return Cost(rows, wall_s, cpu_s, size_mb(path), seconds)  # closed: without the write-ahead log


def feed(store: Store, seconds: float, every_hour: Iterator[None] | None = None) -> int:
    run = store.start_run("watch")
    for channel in range(CHANNELS):
        run.channel(f"channel {channel}", "V", 3.3 / 65536)
    rows, next_event_us, next_hour_us = 0, 1_000_000, 3600_000_000
    for batch in batches(seconds):
        run.batch(batch)
        rows += PER_BATCH
        if batch.t_us >= next_event_us:
            run.events([Event("edge", next_event_us // 1_000_000, next_event_us, {"line": 1, "level": 1})])
            next_event_us += 1_000_000
        if every_hour is not None and batch.t_us >= next_hour_us:
            next(every_hour)
            next_hour_us += 3600_000_000
    run.finish("pass")
    return rows


def into_csv(folder: Path, seconds: float) -> Cost:
    """The same samples as lines (board time, channel, volts), on the disk every BLOCK_S of board time."""
    path = folder / "samples.csv"
    rows, next_sync_us = 0, BLOCK_S * 1e6
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("t_us", "channel", "value_v"))
        for batch in batches(seconds):
            values = (np.frombuffer(batch.data, dtype="<u2") * (3.3 / 65536)).tolist()
            times = range(batch.t_us, batch.t_us + batch.span_us + 1, PERIOD_US)
            writer.writerows((t, batch.channel, v) for t, v in zip(times, values, strict=True))
            rows += len(values)
            if batch.t_us >= next_sync_us:
                file.flush()
                os.fsync(file.fileno())
                next_sync_us += BLOCK_S * 1e6
    return Cost(rows, time.perf_counter() - begin_s, time.process_time() - begin_cpu_s, size_mb(path), seconds)


def side_by_side(folder: Path, seconds: float) -> None:
    print(f"{seconds:g} s of {CHANNELS} x {RATE_HZ} S/s, as fast as each takes them:")
    print(into_record(folder, seconds).line("record"))
    print(into_csv(folder, seconds).line("plain CSV, fsync"))


def many_hours(folder: Path, hours: float) -> int:
    """Feed, then read everything back; the exit status."""
    path = folder / "long.db"
    held: list[float] = []

    def look() -> Iterator[None]:
        while True:
            held.append(rss_mb())
            print(f"  hour {len(held):>3}: {held[-1]:.1f} MB held, file {size_mb(path):.1f} MB", flush=True)
            yield

    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    with open_store(path) as store:
        rows = feed(store, hours * 3600, look())
        wall_s, cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
        print(Cost(rows, wall_s, cpu_s, size_mb(path), hours * 3600).line(f"{hours:g} h, record"))
        lost = compare(store, hours * 3600)
    if len(held) > 1:
        first, last = held[0], held[-1]
        print(f"memory held: {first:.1f} MB after one hour, {last:.1f} MB after the last, most {max(held):.1f} MB")
    return 1 if lost else 0


def compare(store: Store, seconds: float) -> int:
    """Channels that do not read back as they were fed."""
    made, begin_s = patterns(), time.perf_counter()
    count = round(seconds * RATE_HZ / PER_BATCH) * PER_BATCH
    bad = 0
    for channel, pattern in enumerate(made):
        whole, rest = divmod(2 * count, len(pattern))
        fed = 0
        for part in [pattern] * whole + [pattern[:rest]]:
            fed = zlib.crc32(part, fed)
        read, n, next_us, holes = 0, 0, 11 * channel, 0
        for segment in store.series("last", f"channel {channel}"):
            read = zlib.crc32(segment.raw.astype("<u2").tobytes(), read)
            holes += int(segment.t_us[0]) != next_us or bool((np.diff(segment.t_us) != PERIOD_US).any())
            n, next_us = n + len(segment.raw), int(segment.t_us[-1]) + PERIOD_US
        bad += (read, n, holes) != (fed, count, 0)
    told = "nothing lost" if not bad else f"{bad} channels differ"
    rate = CHANNELS * count / (time.perf_counter() - begin_s)
    print(f"read back: {CHANNELS} x {count} samples with their times, {told}; {rate:,.0f} rows/s")
    begin_s = time.perf_counter()
    gaps = sum(row.gaps for row in store.channels("last"))
    print(f"channels told in {time.perf_counter() - begin_s:.1f} s, {gaps} gaps")
    return bad


def traced(folder: Path) -> None:
    """Python's own memory over 10 min, by tracemalloc; slow, hence short."""
    tracemalloc.start()
    peaks = []
    with open_store(folder / "traced.db") as store:
        for _ in range(2):
            tracemalloc.reset_peak()
            feed(store, 300.0)
            peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
    tracemalloc.stop()
    print(f"tracemalloc: most {peaks[0]:.2f} MB in the first 5 min, {peaks[1]:.2f} MB in the second")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--hours", type=float, default=0.0)
    parser.add_argument("--folder", type=Path, default=None, help="where the files are made; default: temporary files")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as made:
        folder = Path(made)
        if given.hours > 0:
            return many_hours(folder, given.hours)
        side_by_side(folder, given.seconds)
        traced(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
