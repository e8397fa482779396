"""Where samples are missing: a batch or a reading that never came is told, one that came late is not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lidjig.record import open_store, schema
from lidjig.record.sample_holes import GOES_ON, HOLE, SET_ANEW, Marks, with_kinds
from record_made import Batch

SPACING_US = 5_000  # of a power monitor
LONGEST = 50  # readings in a batch of 250 ms, as the jig makes them (device/firmware/sampler.py)


def batches_of(stamps: Sequence[int], spacing_us: int = SPACING_US) -> list[list[int]]:
    """Readings in batches as the jig puts them: one that is more than a quarter of the spacing beside its place begins
    a new batch (device/firmware/sampler.py, Series.put).
    """
    out: list[list[int]] = []
    for stamp in stamps:
        batch = out[-1] if out else []
        off_us = stamp - batch[0] - len(batch) * spacing_us if batch else 0
        if not batch or len(batch) == LONGEST or abs(4 * off_us) > spacing_us:
            out.append([stamp])
        else:
            batch.append(stamp)
    return out


def marks_of(batches: Sequence[Sequence[int]], numbers: Sequence[int] | None = None) -> Marks:
    """numbers: of the batches, None: not known, as in an older record."""
    return Marks(
        np.array([len(batch) for batch in batches], dtype=np.int64),
        np.array([batch[0] for batch in batches], dtype=np.int64),
        np.array([batch[-1] - batch[0] for batch in batches], dtype=np.int64),
        np.array([0] * len(batches) if numbers is None else numbers, dtype=np.int64),
    )


def kinds_of(marks: Marks, size: int = 1000) -> list[int]:
    """In blocks of `size` batches."""
    blocks = [(at, marks.part(at, at + size)) for at in range(0, len(marks.n), size)]
    found = list(with_kinds(blocks))
    assert [item for item, _marks, _kinds in found] == [at for at, _marks in blocks]
    return [int(kind) for _item, _marks, kinds in found for kind in kinds]


def beats(count: int, spacing_us: int = SPACING_US) -> list[int]:
    return [7_000 + spacing_us * beat for beat in range(count)]


def counted(batches: Sequence[Sequence[int]]) -> list[int]:
    return list(range(1, len(batches) + 1))


@pytest.mark.parametrize("late_us", [1_300, 2_600, 3_500, 4_700])
def test_a_late_reading_is_no_gap(late_us: int) -> None:
    """2600 us and more behind the beat: further than 1.5 spacings from the reading before."""
    stamps = beats(400)
    for at in (100, 101, 230, 300):
        stamps[at] += late_us
    batches = batches_of(stamps)
    assert len(batches) > 10 and HOLE not in kinds_of(marks_of(batches, counted(batches)))


@pytest.mark.parametrize("late_us", [0, 1_300, 2_600, 3_500])
@pytest.mark.parametrize("beside", [-1, 1])
def test_a_missing_reading_beside_a_late_one_is_a_gap(late_us: int, beside: int) -> None:
    """Without a hole in the numbers: a monitor that did not answer once."""
    stamps = beats(400)
    stamps[200 + beside] += late_us
    after = stamps[201]
    del stamps[200]
    batches = batches_of(stamps)
    kinds = kinds_of(marks_of(batches, counted(batches)))
    assert kinds.count(HOLE) == 1
    assert batches[kinds.index(HOLE)][0] == after


@settings(max_examples=40, deadline=None)
@given(st.sets(st.integers(4, 36).map(lambda n: 20 * n), max_size=4), st.integers(0, 2**32 - 1))
@example(missing=set(), seed=882)  # so many late ones in a row that the median of the slopes between stamps is off
def test_however_late_readings_are_each_missing_one_is_told_and_nothing_else(missing: set[int], seed: int) -> None:
    """Every tenth beat may be late by up to four fifths of the spacing, and readings are missing far enough apart."""
    late_us = np.random.default_rng(seed).integers(0, 4_001, 800).tolist()
    stamps, begins = [], []
    for beat, stamp in enumerate(beats(800)):
        if beat in missing:
            continue
        if beat - 1 in missing:
            begins.append(stamp)
        stamps.append(stamp + (late_us[beat] if beat % 10 == 5 else 0))
    batches = batches_of(stamps)
    kinds = kinds_of(marks_of(batches))
    assert [batch[0] for batch, kind in zip(batches, kinds, strict=True) if kind == HOLE] == begins


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from([0, 0, 0, 0, 2_600, 4_000, 5_000, 12_000]), min_size=3, max_size=40),
    st.sets(st.integers(5, 20), max_size=3),
)
def test_blocks_make_no_difference(delays: list[int], lost_before: set[int]) -> None:
    """The list of channels reads hundreds of blocks at once, the series one by one."""
    shift, stamps = 0, []
    for beat, delay_us in enumerate(delays):
        shift += delay_us if delay_us >= SPACING_US else 0
        stamps.append(SPACING_US * beat + shift + (delay_us if delay_us < SPACING_US else 0))
    batches = batches_of(stamps)
    numbers = [number + sum(lost <= number for lost in lost_before) for number in counted(batches)]
    marks = marks_of(batches, numbers)
    whole = kinds_of(marks)
    for size in (1, 2, 5):
        assert kinds_of(marks, size) == whole


@pytest.mark.parametrize("known", [True, False], ids=["numbered", "from an older record"])
def test_a_lost_batch_is_a_gap(known: bool) -> None:
    batches = batches_of(beats(500))
    numbers = counted(batches)
    del batches[4], numbers[4]
    kinds = kinds_of(marks_of(batches, numbers if known else None))
    assert [at for at, kind in enumerate(kinds) if kind] == [4] and kinds[4] == HOLE


def test_a_lost_batch_is_a_gap_where_times_could_not_tell() -> None:
    """Readings farther apart than a batch may be long come one by one."""
    batches = [[0], [2_000_000], [3_000_000]]
    assert kinds_of(marks_of(batches, [1, 3, 4])) == [GOES_ON, HOLE, GOES_ON]


def test_a_slow_channel_of_single_readings_tells_a_missing_one_by_its_beat() -> None:
    stamps = beats(30, 200_000)
    stamps[9] += 4_000
    after = stamps[21]
    del stamps[20]
    batches = [[stamp] for stamp in stamps]
    kinds = kinds_of(marks_of(batches, counted(batches)))
    assert kinds.count(HOLE) == 1 and stamps[kinds.index(HOLE)] == after


def test_between_two_series_nothing_was_due() -> None:
    """`sample` begins the numbers at 1 (shared_proto/messages.py, batch)."""
    first, second = beats(100), [900_000 + stamp for stamp in beats(100)]
    batches = batches_of(first) + batches_of(second)
    half = len(batches) // 2
    kinds = kinds_of(marks_of(batches, [*range(1, half + 1), *range(1, half + 1)]))
    assert kinds == [GOES_ON] * half + [SET_ANEW] + [GOES_ON] * (half - 1)
    # The first batches of the second series never came.
    kinds = kinds_of(marks_of(batches, [*range(1, half + 1), *range(2, half + 2)]))
    assert kinds[half] == HOLE


def test_a_restart_parts_what_was_before_and_after() -> None:
    batches = batches_of(beats(100)) + batches_of(beats(100))
    numbers = counted(batches_of(beats(100))) * 2
    assert kinds_of(marks_of(batches, numbers)).count(HOLE) == 1


def test_a_wider_spacing_is_no_gap() -> None:
    """Channels of the analog switch share its turns: when one more is sampled, the others are read less often."""
    batches = batches_of(beats(200)) + batches_of([1_012_000 + 10_000 * k for k in range(50)], 10_000)
    assert set(kinds_of(marks_of(batches, counted(batches)))) == {GOES_ON}


def test_the_list_of_channels_and_the_series_say_the_same(tmp_path: Path) -> None:
    """Through the record: a late reading, a reading that is missing, a batch that is missing, sampling set anew."""
    stamps = beats(700)
    stamps[120] += 3_300
    del stamps[400]
    batches = batches_of(stamps)
    sent = [(number, batch) for number, batch in zip(counted(batches), batches, strict=True) if number != 12]
    sent += [(number, [9_000_000 + t for t in batch]) for number, batch in enumerate(batches_of(beats(60)), start=1)]
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("watch")
        for number, batch in sent:
            raw = np.zeros(len(batch), dtype="<u2").tobytes()
            run.batch(Batch("meter_1_i", number, batch[0], batch[-1] - batch[0], raw))
        run.finish("pass")
        (row,) = store.channels("last")
        segments = list(store.series("last", "meter_1_i"))
        assert row.gaps == sum(s.after_hole for s in segments) == 2
        (again,) = [s for s in segments if s.set_anew]
        assert int(again.t_us[0]) == 9_007_000 and not again.after_hole
        with store._engine.connect() as connection:
            firsts = connection.execute(sa.select(schema.blocks.c.number).order_by(schema.blocks.c.place)).scalars()
            assert {1, 13} <= set(firsts)
