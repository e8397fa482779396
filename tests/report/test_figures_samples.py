"""Sampled channels in the figures: no spike is lost, holes are marked and never drawn over, the unit is on the axis."""

from __future__ import annotations

import re
from dataclasses import replace

import msgspec
import numpy as np
from figure_runs import Made, alder, cycles, labels
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench.machine import MachineProfile
from lidjig.bench.observers import Analog
from lidjig.record.axis import Boot
from lidjig.record.blocks import ChannelRow, Segment
from lidjig.show.report.figures.data import timeline_from
from lidjig.show.report.figures.samples import COLUMNS, Trace, Window, traces_of
from lidjig.show.report.figures.timeline import timeline_svg

POINTS_MAX = 4 * COLUMNS  # "at most a few thousand points" a panel
ONE_BOOT = (Boot(1, 0, 0, 0, 0, 0),)


def row(n: int, end_us: int, unit: str = "mA", gaps: int = 0, channel: str = "charger_i") -> ChannelRow:
    return ChannelRow(channel, unit, 1.0, 0.0, n, 0, end_us, 1000.0, gaps, 0)


def segment(t_us: np.ndarray, values: np.ndarray, *, hole: bool = False) -> Segment:
    raw = np.zeros(len(t_us), np.uint16)
    return Segment(np.asarray(t_us, np.int64), np.asarray(values, np.float64), raw, "mA", hole)


def one(segments: list[Segment], end_us: int, **more: int | str) -> Trace:
    n = sum(len(part.t_us) for part in segments)
    gaps = sum(part.after_hole for part in segments)
    (trace,) = traces_of(row(n, end_us, gaps=gaps, **more), segments, ONE_BOOT, [Window(0, end_us)])  # type: ignore[arg-type]
    assert trace is not None
    return trace


@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=5000), st.integers(1, 400))
@settings(max_examples=40, deadline=None)
def test_each_column_keeps_first_last_lowest_and_highest(values: list[int], cut: int) -> None:
    """Against the definition, column by column: M4, PVLDB 7(10), 2014, section 4."""
    data = np.array(values, np.float64)
    t_us = np.arange(len(data), dtype=np.int64) * 7
    end_us = int(t_us[-1])
    parts = [segment(t_us[i : i + cut], data[i : i + cut]) for i in range(0, len(data), cut)]
    trace = one(parts, end_us)
    edges = np.linspace(0, end_us, COLUMNS + 1)
    for left, right in zip(edges, edges[1:], strict=False):
        last = right == edges[-1]
        inside = (t_us >= left) & ((t_us <= right) if last else (t_us < right))
        kept = (trace.t_us >= left) & ((trace.t_us <= right) if last else (trace.t_us < right))
        assert inside.any() == kept.any()
        if inside.any():
            mine, shown = data[inside], trace.value[kept]
            assert (shown[0], shown[-1], shown.min(), shown.max()) == (mine[0], mine[-1], mine.min(), mine.max())
            assert len(shown) <= 4


def test_a_spike_of_one_sample_among_a_million_is_drawn() -> None:
    n = 1_000_000
    values = np.full(n, 500.0)
    values[654_321] = 900.0
    t_us = np.arange(n, dtype=np.int64) * 1000
    trace = one([segment(t_us[i : i + 2000], values[i : i + 2000]) for i in range(0, n, 2000)], int(t_us[-1]))
    assert trace.value.max() == 900.0
    assert int(trace.t_us[np.argmax(trace.value)]) == 654_321_000
    assert len(trace.t_us) <= POINTS_MAX
    assert not trace.broken[1:].any() and trace.holes == ()


def test_a_hole_breaks_the_line_and_is_told() -> None:
    before, after = np.arange(0, 100_000, 1000), np.arange(150_000, 250_000, 1000)
    parts = [segment(before, before * 0.0), segment(after, after * 0.0, hole=True)]
    trace = one(parts, 250_000)
    (at,) = np.flatnonzero(trace.broken[1:]) + 1
    assert int(trace.t_us[at]) == 150_000
    assert trace.holes == ((99_000, 150_000),)


def test_samples_of_a_second_boot_come_where_that_boot_lies() -> None:
    boots = (Boot(1, 0, 0, 0, 9000, 0), Boot(2, 1, 1, 0, 9000, 2_000_000))
    t_us = np.arange(0, 9000, 1000)
    parts = [segment(t_us, t_us * 1.0), segment(t_us, t_us * 1.0, hole=True)]
    (trace,) = traces_of(row(18, 9000), parts, boots, [Window(0, 2_009_000)])
    assert trace is not None
    first, second = trace.t_us[trace.t_us < 1_000_000], trace.t_us[trace.t_us > 1_000_000]
    assert (first[0], first[-1], second[0], second[-1]) == (0, 8000, 2_000_000, 2_008_000)
    assert trace.broken[len(first)]


def test_windows_are_thinned_each_for_itself() -> None:
    n = 100_000
    t_us = np.arange(n, dtype=np.int64) * 1000
    parts = [segment(t_us, np.sin(t_us / 3e5))]
    windows = [Window(0, int(t_us[-1])), Window(5_000_000, 5_400_000), Window(200_000_000, 300_000_000)]
    whole, closer, nothing = traces_of(row(n, int(t_us[-1])), parts, ONE_BOOT, windows)
    assert whole is not None and closer is not None and nothing is None
    inside = (whole.t_us >= 5_000_000) & (whole.t_us <= 5_400_000)
    assert len(closer.t_us) > 20 * np.count_nonzero(inside)
    assert len(closer.t_us) == 401  # every sample of it: fewer than columns


# -- drawn


def drawn(trace: Trace) -> str:
    data = replace(timeline_from(cycles(2).run(), None, None, [trace.row]), traces=(trace,))
    return timeline_svg(data, labels(), "one")


def lines_of(svg: str) -> list[str]:
    """Paths of the signal's colour and the width of a sampled channel."""
    tags = [tag for tag in re.findall(r"<path[^>]*>", svg) if "--f-signal" in tag and "stroke-width" not in tag]
    return [re.search(r' d="([^"]*)"', tag).group(1) for tag in tags]  # type: ignore[union-attr]


def test_a_channel_is_named_with_its_unit_its_samples_and_its_holes() -> None:
    t_us = np.arange(0, 4_000_000, 1000)
    parts = [segment(t_us[:2000], t_us[:2000] / 200.0), segment(t_us[2500:], t_us[2500:] / 200.0, hole=True)]
    svg = drawn(one(parts, 4_000_000, unit="mV", channel="charger_v"))
    text = "".join(re.findall(r">([^<]+)<", svg))
    assert labels()["channel-charger_v"] in text
    assert labels()["sampled-holes"].replace("{n}", "3500").replace("{rate}", "1000").replace("{gaps}", "1") in text
    assert re.search(r">V<", svg) and re.search(r">10<", svg)  # 10000 mV are read as 10 V
    assert svg.count("url(#") >= 1  # the hatch over what is missing
    assert drawn(one(parts[:1], 4_000_000)).count("<pattern") < svg.count("<pattern")


def test_a_lone_sample_between_holes_is_seen() -> None:
    parts = [
        segment(np.arange(0, 1_000_000, 1000), np.zeros(1000)),
        segment(np.array([2_000_000]), np.array([800.0]), hole=True),
        segment(np.arange(3_000_000, 4_000_000, 1000), np.zeros(1000), hole=True),
    ]
    (path,) = lines_of(drawn(one(parts, 4_000_000)))
    strokes = re.findall(r"M([^M]*)", path)
    assert len(strokes) == 3
    (x0, y0), (x1, y1) = (pair.split() for pair in strokes[1].split("L"))
    assert x0 == x1 and abs(float(y1) - float(y0)) > 1.0


def test_noise_of_a_steady_channel_stays_flat() -> None:
    """A scale over the noise alone would make a steady supply look restless."""
    rng = np.random.default_rng(5)
    t_us = np.arange(0, 4_000_000, 1000)
    (path,) = lines_of(drawn(one([segment(t_us, 3300.0 + rng.normal(0.0, 2.0, len(t_us)))], 4_000_000)))
    heights = [float(pair.split()[1]) for pair in re.split("[ML]", path) if pair.strip()]
    assert max(heights) - min(heights) < 6.0


def test_samples_beyond_the_last_event_have_room_on_the_axis() -> None:
    made = Made("watch")
    made.begin()
    found = timeline_from(made.run(), None, None, [row(10, 30_000_000)])
    assert found.end_us == 30_000_000
    assert timeline_from(made.run(), None).end_us < 1_000_000


def test_an_observer_in_hertz_has_its_thresholds_named() -> None:
    machine = fan()
    made = Made("watch")
    made.begin()
    made.event("band", 1.0, channel=14, band=1, raw=0)
    svg = timeline_svg(timeline_from(made.run(), machine), labels(), "one")
    assert "Hz" in "".join(re.findall(r">([^<]+)<", svg))


def fan() -> MachineProfile:
    """The shipped machine with a fan's tach line as one more observer."""
    pulses = Analog(unit="Hz", thresholds=[50.0], hysteresis=5.0, dwell_ms=200)
    machine = alder()
    return msgspec.structs.replace(machine, observers=msgspec.structs.replace(machine.observers, pulses=pulses))
