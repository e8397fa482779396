"""Every figure as SVG: well-formed, self-contained, the same twice, complete, and small."""

from __future__ import annotations

import re
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("matplotlib")

from figure_runs import Made, alder, cycles, labels, survey, timeline_of
from lidjig.record.model import MeasuredValue
from lidjig.record.stored import StoredGap, StoredSample
from lidjig.show.report.figures.causes import CauseBar, causes_svg
from lidjig.show.report.figures.compare import CompareRow, compare_svg
from lidjig.show.report.figures.connector import connector_from, connector_svg
from lidjig.show.report.figures.crowds import SPAN, columns_of, crowds_of, timeline_notes
from lidjig.show.report.figures.data import Miss
from lidjig.show.report.figures.latency import histogram_svg, run_chart_svg
from lidjig.show.report.figures.palette import COLOURS, css
from lidjig.show.report.figures.states import STATES
from lidjig.show.report.figures.timeline import timeline_svg
from lidjig.show.report.figures.tracks import AngleTrack, steps
from lidjig.show.report.figures.trials import Series, series_of, trials_from

SVG = "{http://www.w3.org/2000/svg}"


def _read(made: Made) -> Made:
    """With the levels of all lines as they were read when watching began: the power state is known from there on."""
    made.samples.append(StoredSample("lines boot 00000001", "mask", 208.0, None, 1, 50_000, None, (), None))
    return made


def _timeline(prefix: str) -> str:
    made = _read(cycles(6, miss_every=4))
    made.gaps.append(StoredGap("link-lost", "the port closed", None, 20))
    made.gaps.append(StoredGap("link-back", "a frame came", None, 22))
    return timeline_svg(timeline_of(made.run(closed=False), alder()), labels(), prefix)


def _series() -> list[Series]:
    return series_of(trials_from(cycles(30, miss_every=10).run()))


def _connector(prefix: str) -> str:
    made = Made("isolate")
    made.measurements = survey()
    return connector_svg(connector_from(made.run(), alder()), labels(), prefix)


def _compare(prefix: str) -> str:
    before = MeasuredValue("sleep latency", 0.93051, "s", 0.91, 0.95, 20, None, 3.0)
    rows = [
        CompareRow("sleep <latency>", before, MeasuredValue("x", 3.4, "s", 3.0, None, 1, None, 3.0), "longer"),
        CompareRow("not there", None, None),
        CompareRow("one side", before, None, "0.00412 longer"),
    ]
    return compare_svg(rows, labels(), prefix)


def _causes(prefix: str) -> str:
    bars = [CauseBar("sensor: dead & gone", 0.871, True), CauseBar("board", 0.0625)]
    return causes_svg(bars, labels(), prefix)


FIGURES: dict[str, Callable[[str], str]] = {
    "timeline": _timeline,
    "histogram": lambda prefix: histogram_svg(_series(), labels(), prefix),
    "run-chart": lambda prefix: run_chart_svg(_series(), labels(), prefix),
    "connector": _connector,
    "compare": _compare,
    "causes": _causes,
}


def texts(svg: str) -> str:
    """All texts of a figure, in order."""
    return " | ".join("".join(item.itertext()) for item in ET.fromstring(svg).iter(f"{SVG}text"))


def drawings(svg: str) -> list[ET.Element]:
    """The figure's drawings: itself, or those that stand in its one element."""
    root = ET.fromstring(svg)
    return [root] if root.tag == f"{SVG}svg" else list(root)


@pytest.mark.parametrize("name", FIGURES)
def test_is_a_self_contained_svg(name: str) -> None:
    svg = FIGURES[name]("one")
    root, *others = drawings(svg)
    assert root.get("aria-labelledby") == "one-title one-desc"
    for drawing in (root, *others):
        assert drawing.tag == f"{SVG}svg" and drawing.get("role") == "img"
        named = [drawing.find(f"{SVG}{part}").get("id") for part in ("title", "desc")]  # type: ignore[union-attr]
        assert drawing.get("aria-labelledby") == " ".join(str(part) for part in named)
    assert "".join(root.find(f"{SVG}title").itertext()) == labels()["title"]  # type: ignore[union-attr]
    assert "".join(root.find(f"{SVG}desc").itertext()) == labels()["desc"]  # type: ignore[union-attr]
    for banned in ("<style", "<metadata", "<image", "<!--", "xlink", "http://", "https://", "font-family", "DejaVu"):
        assert banned not in svg.replace("http://www.w3.org/2000/svg", ""), banned
    assert not re.search(r"20[0-9]{2}-[01][0-9]", svg), "a date"


@pytest.mark.parametrize("name", FIGURES)
def test_ids_are_unique_and_carry_the_prefix(name: str) -> None:
    one, two = FIGURES[name]("one"), FIGURES[name]("two")
    ids = re.findall(r'\bid="([^"]*)"', one + two)
    assert len(ids) == len(set(ids))
    assert all(found.startswith(("one-", "two-")) for found in ids)
    used = re.findall(r"url\(#([^)]*)\)", one) + re.findall(r'href="#([^"]*)"', one)
    assert set(used) <= set(re.findall(r'\bid="([^"]*)"', one))


@pytest.mark.parametrize("name", FIGURES)
def test_same_bytes_twice(name: str) -> None:
    assert FIGURES[name]("one") == FIGURES[name]("one")


@pytest.mark.parametrize("name", FIGURES)
def test_every_colour_is_a_variable_of_the_page(name: str) -> None:
    svg = FIGURES[name]("one")
    assert not re.search(r"#[0-9a-fA-F]{6}", svg), "a fixed colour"
    wanted = set(re.findall(r"var\((--[a-z0-9-]+)\)", svg))
    assert wanted
    assert wanted <= set(re.findall(r"(--f-[a-z0-9-]+):", css()))


@pytest.mark.parametrize("name", FIGURES)
def test_text_is_never_below_nine_pixels(name: str) -> None:
    """At the least width of the figure's class, or on a phone of 360 px with 15 px of air on either side."""
    svg = FIGURES[name]("one")
    width = max(float(drawing.get("viewBox", "").split()[2]) for drawing in drawings(svg))
    shown = 640.0 if "fig-wide" in svg else 330.0
    sizes = [float(size) for size in re.findall(r"font-size: ([0-9.]+)px", svg)]
    assert sizes
    assert min(sizes) * shown / width >= 9.0
    assert f"min-width:{640 if 'fig-wide' in svg else 300}px" in css()


@pytest.mark.parametrize("name", FIGURES)
def test_texts_stand_inside_the_figure(name: str) -> None:
    """By an estimate of a letter's width that is on the wide side; what is turned is left out."""
    for drawing in drawings(FIGURES[name]("one")):
        inside(drawing)


def inside(root: ET.Element) -> None:
    width, height = (float(part) for part in root.get("viewBox", "").split()[2:])
    for item in root.iter(f"{SVG}text"):
        style, text = item.get("style", ""), "".join(item.itertext())
        turn = re.search(r"rotate\((-?[0-9.]+)", item.get("transform", ""))
        if turn and float(turn.group(1)) != 0.0:
            continue
        place = re.search(r"translate\((-?[0-9.]+) (-?[0-9.]+)\)", item.get("transform", ""))
        x, y = (float(p) for p in place.groups()) if place else (float(item.get("x", 0)), float(item.get("y", 0)))
        wide = 0.5 * float(re.search(r"font-size: ([0-9.]+)px", style).group(1)) * len(text)  # type: ignore[union-attr]
        anchor = re.search(r"text-anchor: (\w+)", style)
        begin = x - {"middle": wide / 2, "end": wide}.get(anchor.group(1) if anchor else "", 0.0)
        assert -3.0 <= begin and begin + wide <= width + 3.0, text
        assert 0.0 <= y <= height, text


def test_numbers_in_texts_keep_their_digits() -> None:
    assert "0.00412 longer" in texts(_compare("one"))


def test_timeline_names_rows_states_and_gaps() -> None:
    told = texts(_timeline("one"))
    for wanted in ("lid angle", "output 1", "route", "interlock", "SLP_S3#", "charger current", "70 mA | 400 mA", "S0"):
        assert wanted in told, wanted
    assert labels()["gap-link-lost"] in told
    assert labels()["cut"] in told


def test_bars_too_narrow_to_be_seen_are_shares() -> None:
    """Outlines of narrow bars would run together into a tone that no legend names."""
    many = timeline_of(_read(cycles(100)).run(), alder())
    scale = SPAN / (many.end_us - many.begin_us)
    (crowd,) = crowds_of(many.power, scale)
    told = timeline_svg(many, labels(), "one")
    assert labels()["by-share"].split("{")[0] in " ".join(timeline_notes(many, labels()))
    assert labels()["S3"] in texts(told) and labels()["share-of-time"] in texts(told)
    # Each share sums up several cycles: both states are in every one, at a width that can be seen.
    asleep, awake = STATES.index("S3"), STATES.index("S0")
    parts = many.power.shares(np.linspace(crowd.begin_us, crowd.end_us, crowd.shares + 1))
    assert parts[asleep].min() > 0.1 and parts[awake].min() > 0.1
    assert SPAN / crowd.shares > 5.0
    few = timeline_of(_read(cycles(6)).run(), alder())
    assert few.power.heard
    assert crowds_of(few.power, SPAN / (few.end_us - few.begin_us)) == []
    assert labels()["by-share"].split("{")[0] not in " ".join(timeline_notes(few, labels()))
    assert labels()["share-of-time"] not in texts(timeline_svg(few, labels(), "one"))


def test_a_wide_block_stands_for_itself_beside_a_crowd() -> None:
    long, short = 60_000_000, 400_000
    changes = [(0, 0), (long, 1)]
    changes += [(long + short * (i + 1), i % 2) for i in range(60)]
    track = steps("power", STATES, [(0, 3 * long, changes, False)])
    (crowd,) = crowds_of(track, SPAN / (3 * long))
    assert crowd.begin_us == long and crowd.end_us < 2 * long
    assert crowd.share_us == pytest.approx(6 * short, rel=0.1)


def test_rows_of_before_and_after_name_themselves() -> None:
    first = drawings(_compare("one"))[1]
    assert "".join(first.find(f"{SVG}title").itertext()) == "sleep <latency>"  # type: ignore[union-attr]


def test_connector_says_levels_pulls_and_outcomes() -> None:
    told = texts(_connector("one"))
    for wanted in ("3.301 V", "(3.250 to 3.352)", "2.120 V", "≥ 741 kΩ", "fail", "pass", "not measured", "not used"):
        assert wanted in told, wanted


def test_latency_figures_say_median_and_misses() -> None:
    series = _series()
    for svg in (histogram_svg(series, labels(), "one"), run_chart_svg(series, labels(), "one")):
        assert "3 of 30 missed" in texts(svg)
        assert f"n {len(series[0].latencies_s)}" in texts(svg)


def test_decimal_sign_is_the_readers() -> None:
    assert "87 %" in texts(_causes("one"))
    bars = [CauseBar("sensor", 0.034, True)]
    assert "3,4 %" in texts(causes_svg(bars, labels(decimal=","), "one"))


def test_nothing_to_draw_is_said() -> None:
    assert labels()["no-reactions"] in texts(histogram_svg([], labels(), "one"))
    assert labels()["no-reactions"] in texts(run_chart_svg([], labels(), "one"))
    empty = timeline_of(Made().run(), None)
    assert labels()["power-unknown"] in texts(timeline_svg(empty, labels(), "one"))
    assert labels()["no-probability"] in texts(causes_svg([CauseBar("x", None)], labels(), "one"))


@pytest.mark.parametrize("prefix", ["", "1a", "a b", 'a"b'])
def test_a_prefix_that_is_no_id_is_refused(prefix: str) -> None:
    with pytest.raises(ValueError, match="prefix"):
        _causes(prefix)


def test_a_missing_text_is_an_error() -> None:
    short = {key: text for key, text in labels().items() if key != "board-time"}
    with pytest.raises(KeyError, match="board-time"):
        timeline_svg(timeline_of(cycles(2).run(), alder()), short, "one")


def test_thousand_cycles_stay_small_and_quick() -> None:
    run = _read(cycles(1000, miss_every=50)).run()
    texts(_timeline("warm"))  # matplotlib reads its fonts on the first figure
    begin = time.perf_counter()
    timeline = timeline_svg(timeline_of(run, alder()), labels(), "one")
    series = series_of(trials_from(run))
    rest = [histogram_svg(series, labels(), "two"), run_chart_svg(series, labels(), "three")]
    seconds = time.perf_counter() - begin
    assert len(timeline) < 400_000
    assert sum(map(len, rest)) < 200_000
    assert seconds < 6.0  # 0.6 s on a quiet desktop; the bench machine of tests is shared
    notes = " ".join(timeline_notes(timeline_of(run, alder()), labels()))
    for key in ("angle-dense", "by-column", "by-share"):
        assert labels()[key].split("{")[0] in notes and labels()[key].split("{")[0] not in texts(timeline)


def test_a_dense_line_shows_the_part_of_the_time_at_its_upper_level() -> None:
    """Of a line that is up for 1 s of every 4 s each stretch is filled to a quarter, however often it changes."""
    changes = [(4_000_000 * i + 1_000_000 * k, 1 - k) for i in range(400) for k in (0, 1)]
    track = steps("output_1", ("low", "high"), [(0, 1_600_000_000, changes, False)])
    shares = track.shares(np.linspace(0, 1_600_000_000, columns_of(track) + 1))
    assert columns_of(track) > 40 and shares[1] == pytest.approx(0.25, abs=0.1)


def test_the_mean_of_an_angle_is_over_time() -> None:
    """0 for 3 s, a ramp of 2 s, 100 for 5 s: (0 + 100 + 500) / 10."""
    track = AngleTrack(np.array([0, 3, 5, 10]) * 1_000_000, np.array([0.0, 0.0, 100.0, 100.0]))
    assert track.means(np.array([0.0, 10e6]))[0] == pytest.approx(60.0)
    first, second, beyond = track.means(np.array([0.0, 4e6, 10e6, 20e6]))
    assert (first, second) == (pytest.approx(25.0 / 4), pytest.approx((75.0 + 500.0) / 6)) and np.isnan(beyond)


def test_misses_stand_in_a_row_of_their_own() -> None:
    data = timeline_of(_read(cycles(6)).run(), alder())
    bare = timeline_svg(data, labels(), "one")
    marked = timeline_svg(replace(data, misses=(Miss(5_000_000, "miss"), Miss(9_000_000, "late"))), labels(), "one")
    assert labels()["misses"] not in texts(bare) and labels()["misses"] in texts(marked)
    assert marked.count("<use") == bare.count("<use") + 2


def test_colour_names_make_variables() -> None:
    assert all(re.fullmatch(r"[a-z0-9_]+", name) for name in COLOURS)
    assert css().count("--f-ink:") == 3  # light, dark, and light again in print
