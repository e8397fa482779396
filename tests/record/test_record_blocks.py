"""Samples in blocks: every number and both stamps of every batch come back, holes are seen, memory stays flat."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st
from lidjig.errors import StoreDamaged
from lidjig.record import open_store, schema
from lidjig.record.blocks import Part, pack, unpack_data, unpack_marks
from lidjig.record.recorder import BLOCK_S, RunRecorder
from lidjig.record.store import Store
from record_made import Batch, Clock, Event, batch, feed
from sqlalchemy.dialects import postgresql


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "runs.db") as opened:
        yield opened


def blocks_of(store: Store) -> list[tuple[str, int, int]]:
    """(channel, place, n) of every block on the disk."""
    c = schema.blocks.c
    with store._engine.connect() as connection:
        rows = connection.execute(sa.select(c.channel, c.place, c.n).order_by(c.channel, c.place))
        return [(row.channel, row.place, row.n) for row in rows]


class Commits:
    """Counts the transactions of a recorder: each waits for the disk once."""

    def __init__(self, recorder: RunRecorder) -> None:
        self.n = 0
        self._engine = recorder._engine
        recorder._engine = self  # type: ignore[assignment]

    def begin(self):  # type: ignore[no-untyped-def]
        self.n += 1
        return self._engine.begin()

    def connect(self):  # type: ignore[no-untyped-def]
        return self._engine.connect()


PARTS = st.lists(
    st.builds(
        Part,
        st.integers(0, 2**62),
        st.integers(0, 2**32 - 1),
        st.lists(st.integers(0, 65535), min_size=1, max_size=80).map(lambda v: np.array(v, dtype="<u2").tobytes()),
    ),
    min_size=1,
    max_size=12,
)


@given(PARTS)
def test_a_block_holds_every_number_and_every_stamp(parts: list[Part]) -> None:
    columns = pack(parts)
    marks = unpack_marks(columns["marks"])  # type: ignore[arg-type]
    raw = unpack_data(columns["data"], columns["n"])  # type: ignore[arg-type]
    assert raw.tobytes() == b"".join(part.data for part in parts)
    assert marks.n.tolist() == [part.n for part in parts]
    assert marks.t_us.tolist() == [part.t_us for part in parts] and columns["t_us"] == parts[0].t_us
    assert marks.span_us.tolist() == [part.span_us for part in parts]


@given(st.lists(PARTS, min_size=1, max_size=4))
def test_stamps_of_several_blocks_are_those_of_each(blocks: list[list[Part]]) -> None:
    packed = [pack(parts)["marks"] for parts in blocks]
    together = unpack_marks(*packed)  # type: ignore[arg-type]
    assert together.t_us.tolist() == [part.t_us for parts in blocks for part in parts]
    assert together.span_us.tolist() == [part.span_us for parts in blocks for part in parts]
    assert together.n.tolist() == [part.n for parts in blocks for part in parts]


def test_stamps_between_the_marks_are_even_and_exact_at_both_ends() -> None:
    marks = unpack_marks(pack([Part(2**50, 7, bytes(8)), Part(2**50 + 100, 0, bytes(2))])["marks"])  # type: ignore[arg-type]
    # 7 us in 3 spaces: 2.33 us each, to the nearest us
    assert (marks.times_us() - 2**50).tolist() == [0, 2, 5, 7, 100]


def test_a_channel_reads_back_with_unit_and_scale(store: Store) -> None:
    run = store.start_run("watch")
    run.channel("meter_1_i", "A", 0.001, 32768)
    run.batch(batch("meter_1_i", 1, 5_000, [32768, 33768, 31768]))
    run.batch(batch("light", 1, 5_000, [0, 65535]))
    run.finish("pass")
    (segment,) = store.series("last", "meter_1_i")
    assert segment.values.tolist() == [0.0, 1.0, -1.0] and segment.unit == "A"
    assert segment.raw.tolist() == [32768, 33768, 31768] and segment.raw.dtype == np.uint16
    assert segment.t_us.tolist() == [5_000, 6_000, 7_000] and segment.t_us.dtype == np.int64
    (light,) = store.series("last", "light")  # not declared: raw numbers
    assert light.values.tolist() == [0.0, 65535.0] and light.unit == ""
    assert list(store.series("last", "supply")) == []
    with pytest.raises(ValueError, match="per raw"):
        run.channel("light", "V", float("nan"))


def test_a_new_scale_begins_a_new_block(store: Store) -> None:
    run = store.start_run("watch")
    for number, per_raw in ((1, 1.0), (2, 1.0), (3, 2.0)):
        run.channel("light", "V", per_raw)
        run.batch(batch("light", number, 10_000 * number, [1, 2]))
    run.finish("pass")
    assert [s.values.tolist() for s in store.series("last", "light")] == [[1, 2], [1, 2], [2, 4]]
    assert [(place, n) for _, place, n in blocks_of(store)] == [(1, 4), (2, 2)]


@pytest.mark.parametrize("data", [b"", b"abc"])
def test_a_batch_without_samples_is_a_fault_of_the_caller(data: bytes, store: Store) -> None:
    with pytest.raises(ValueError, match="batch of light"):
        store.start_run("watch").batch(Batch("light", 1, 0, 0, data))


def test_a_hole_parts_the_series(store: Store) -> None:
    run = store.start_run("watch")
    run.batch(batch("light", 1, 0, [1, 2, 3]))
    run.batch(batch("light", 2, 3_000, [4, 5]))
    run.batch(batch("light", 4, 6_000, [7]))  # 5_000 is missing, without a word about it
    run.batch(batch("light", 5, 7_000, [8, 9]))
    run.gap("lost-samples", "light: 2 batches", 9_000)  # and here with one
    run.batch(batch("light", 8, 13_000, [14, 15]))
    run.batch(batch("light", 1, 100, [90, 91]))  # the board began anew
    run.finish("pass")
    segments = list(store.series("last", "light"))
    assert [s.raw.tolist() for s in segments] == [[1, 2, 3, 4, 5], [7, 8, 9], [14, 15], [90, 91]]
    assert [s.after_hole for s in segments] == [False, True, True, True]
    (row,) = store.channels("last")
    assert (row.channel, row.n, row.gaps, row.begin_us, row.end_us) == ("light", 12, 3, 0, 1_100)
    assert row.rate_hz == pytest.approx(1000.0)


def test_blocks_of_a_whole_series_have_no_hole_between_them(store: Store) -> None:
    run = store.start_run("watch")
    n = feed(run, "light", 7.3)
    run.finish("pass")
    segments = list(store.series("last", "light"))
    assert len(segments) > 2 and not any(s.after_hole for s in segments)
    times_us = np.concatenate([s.t_us for s in segments])
    np.testing.assert_array_equal(times_us, 1000 * np.arange(n))
    (row,) = store.channels("last")
    assert (row.n, row.gaps, row.end_us) == (n, 0, 1000 * (n - 1)) and row.stored_bytes < 2 * n


def test_samples_are_written_two_seconds_after_they_were_heard(store: Store) -> None:
    run = store.start_run("watch")
    feed(run, "light", 1.9)
    assert blocks_of(store) == []
    feed(run, "light", 0.2, begin_us=1_900_000)
    assert sum(n for _, _, n in blocks_of(store)) >= 1900


def test_a_slow_channel_is_written_by_the_links_clock(store: Store) -> None:
    clock = Clock()
    run = store.start_run("watch", clock=clock)
    run.batch(batch("light", 1, 0, [1]))
    clock.time_s = BLOCK_S + 0.1
    run.batch(batch("light", 2, 1_000, [2]))
    assert blocks_of(store) == [("light", 1, 2)]


def test_all_channels_share_the_writes(store: Store) -> None:
    run = store.start_run("watch")
    commits = Commits(run)
    for at in range(0, 20_000, 80):
        for channel in range(8):
            run.batch(batch(f"channel {channel}", at // 80 + 1, 1000 * at + 37 * channel, [channel] * 80))
    assert commits.n <= 10  # 20 s of board time
    assert len(blocks_of(store)) == 8 * commits.n


def test_samples_go_with_an_event_and_need_no_write_of_their_own(store: Store) -> None:
    run = store.start_run("watch")
    commits = Commits(run)
    for second in range(30):
        feed(run, "light", 1.0, begin_us=1_000_000 * second)
        run.events([Event("edge", second + 1, 1_000_000 * second)])
        run.events([Event("edge", second + 101, 1_000_000 * second)])
    assert commits.n == 60
    assert sum(n for _, _, n in blocks_of(store)) >= 28_000


def test_a_gap_writes_what_waits(store: Store) -> None:
    run = store.start_run("watch")
    run.batch(batch("light", 1, 0, [1, 2]))
    run.gap("lost-samples", "light: 1 batch", 2_000)
    assert blocks_of(store) == [("light", 1, 2)]


def test_the_same_batches_make_the_same_blocks(tmp_path: Path) -> None:
    def write(name: str) -> list[object]:
        with open_store(tmp_path / name) as made:
            run = made.start_run("watch", clock=Clock())
            for second in range(5):
                feed(run, "light", 0.9, begin_us=second * 900_000, seed=second)
                with run.step("close"):
                    run.events([Event("edge", second, second)])
            run.finish("pass")
            with made._engine.connect() as connection:
                return [tuple(row) for row in connection.execute(sa.select(schema.blocks))]

    assert write("a.db") == write("b.db")


@pytest.mark.parametrize("after", [True, False], ids=["stored", "not stored"])
def test_a_write_that_is_broken_into_stores_samples_once(after: bool, store: Store) -> None:
    run = store.start_run("watch")
    engine = run._engine

    class Broken:
        def begin(self):  # type: ignore[no-untyped-def]
            run._engine = engine
            if after:
                with engine.begin() as connection:
                    for statement, rows in run._riders:
                        connection.execute(statement, rows)
            raise KeyboardInterrupt

    run.batch(batch("light", 1, 0, [1, 2]))
    run._engine = Broken()  # type: ignore[assignment]
    with pytest.raises(KeyboardInterrupt):
        run.flush()
    run.batch(batch("light", 2, 2_000, [3, 4]))
    run.finish("pass")
    assert [s.raw.tolist() for s in store.series("last", "light")] == [[1, 2], [3, 4]]


def test_making_blocks_that_is_broken_into_makes_each_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    run = store.start_run("watch")
    for channel in ("a", "b", "c"):
        run.batch(batch(channel, 1, 0, [1, 2]))
    made = run._samples
    assert made is not None
    columns = made.columns

    def interrupted(channel: str) -> dict[str, object]:
        if channel == "b":
            monkeypatch.setattr(made, "columns", columns)
            raise KeyboardInterrupt
        return columns(channel)

    class Sticky(dict):  # type: ignore[type-arg]
        """A dict that is broken into after a block rides and before it leaves its buffer."""

        def __delitem__(self, key: str) -> None:
            made.waiting = dict(self)
            raise KeyboardInterrupt

    monkeypatch.setattr(made, "columns", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run.flush()
    made.waiting = Sticky(made.waiting)
    with pytest.raises(KeyboardInterrupt):
        run.flush()
    run.events([Event("edge", 1, 1)])
    run.batch(batch("b", 2, 2_000, [3]))
    run.finish("pass")
    for channel, wanted in (("a", [1, 2]), ("b", [1, 2, 3]), ("c", [1, 2])):
        assert np.concatenate([s.raw for s in store.series("last", channel)]).tolist() == wanted


def test_a_block_that_is_no_block_is_told(store: Store) -> None:
    run = store.start_run("watch")
    run.batch(batch("light", 1, 0, [1, 2]))
    run.finish("pass")
    with store._engine.begin() as connection:
        connection.execute(sa.update(schema.blocks).values(data=b"\x00\x01"))
    with pytest.raises(StoreDamaged, match="block 1") as caught:
        list(store.series("last", "light"))
    assert "lidjig rescue" in caught.value.next_step
    with store._engine.begin() as connection:
        connection.execute(sa.update(schema.blocks).values(marks=b"\x00\x01"))
    with pytest.raises(StoreDamaged, match="light"):
        store.channels("last")


def test_blocks_can_be_written_and_read_in_another_database() -> None:
    """offset is a word of PostgreSQL's own (its documentation, appendix "SQL Key Words"): it has to be quoted."""
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    for statement in (sa.insert(schema.blocks), sa.select(schema.blocks)):
        text = str(statement.compile(dialect=dialect))
        assert '"offset"' in text and "INSERT OR" not in text


def test_memory_stays_flat_while_samples_are_written_and_read(store: Store) -> None:
    run = store.start_run("watch")
    feed(run, "light", 20.0)
    next(iter(store.series("last", "light")))
    tracemalloc.start()
    try:
        peaks = []
        for minute in range(3):
            tracemalloc.reset_peak()
            feed(run, "light", 60.0, begin_us=20_000_000 + minute * 60_000_000, seed=minute)
            n = sum(len(segment.raw) for segment in store.series("last", "light"))
            assert n > 58_000 * (minute + 1)
            peaks.append(tracemalloc.get_traced_memory()[1])
    finally:
        tracemalloc.stop()
    assert peaks[2] < 1.3 * peaks[0], f"peak by minute, bytes: {peaks}"


WRITER = """
import sys
sys.path.insert(0, sys.argv[2])
import numpy as np
from lidjig.record import open_store
from sqlalchemy.dialects import postgresql
from record_made import Batch
run = open_store(sys.argv[1]).start_run("watch")
for number in range(1, 100_000_000):
    raw = np.full(80, number % 65536, dtype="<u2").tobytes()
    for channel in ("light", "supply"):
        run.batch(Batch(channel, number, 80_000 * number, 79_000, raw))
    print(number, flush=True)
"""


@pytest.mark.parametrize("after", [30, 400])
def test_a_killed_writer_leaves_what_was_written(after: int, tmp_path: Path) -> None:
    path = tmp_path / "runs.db"
    command = [sys.executable, "-c", WRITER, str(path), str(Path(__file__).parent)]
    writer = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    for _ in range(after):
        writer.stdout.readline()
    writer.kill()
    told = [line for line in writer.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
    writer.wait(timeout=10)
    last = int(told[-1]) if told else after
    with open_store(path, create=False) as store:
        assert store.run("last").outcome == "incomplete"
        rows = store.channels("last")
        for row in rows:
            raw = np.concatenate([s.raw for s in store.series("last", row.channel)])
            np.testing.assert_array_equal(raw, np.repeat(np.arange(1, row.n // 80 + 1) % 65536, 80).astype(np.uint16))
            # At most BLOCK_S was waiting, 80 ms a batch.
            assert row.n // 80 >= last - BLOCK_S / 0.08 - 1 and row.gaps == 0
        assert [row.channel for row in rows] == ["light", "supply"]
