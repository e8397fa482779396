"""A sensor's characteristic in a terminal and as a picture."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET

import pytest
from lidjig.bench import load_sensor, parse_sensor
from lidjig.bench.characteristic import characteristic
from lidjig.show.sensor_plot import COLUMNS_MAX, plot
from lidjig.show.sensor_svg import picture
from lidjig.show.terminal import console_on
from rich.console import Console

from tests.bench_profiles.angle_profiles import FAMILIES, changed, good, lid_at, transfer

TEXTS = {name: load_sensor(name)[1] for name in ("hinge-a1", "hinge-b2")} | {name: good(name) for name in FAMILIES}
SVG = "{http://www.w3.org/2000/svg}"


def plotted(text: str, console: Console | None = None) -> list[str]:
    console = console or console_on(io.StringIO())
    return [line.plain for line in plot(characteristic(parse_sensor(text, "mine.toml")), console)]


def drawn(text: str, title: str = "Mine") -> str:
    return picture(characteristic(parse_sensor(text, "mine.toml")), title)


class Stream(io.StringIO):
    """A stream of a narrow encoding."""

    encoding = "ascii"


# -- terminal


@pytest.mark.parametrize("name", TEXTS)
def test_it_fits_80_columns(name: str) -> None:
    lines = plotted(TEXTS[name])
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("lid, deg") for line in lines)
    assert any(re.match(r"accepted  \[=+ 0 to 180 deg =+\]$", line) for line in lines)
    assert all(line == line.rstrip() for line in lines)


def test_hysteresis_of_a_switch_is_seen() -> None:
    top, middle, bottom = (line.split("│")[1] for line in plotted(TEXTS["hinge-a1"])[1:4])
    # 70 columns or so for 190 deg: closing ends at 8 deg, column 3, opening at 14, column 5.
    assert top.startswith("   <<***") and middle == "   < >" and bottom == "****>>"


def test_opening_and_closing_are_apart_by_the_hysteresis() -> None:
    lines = plotted(lid_at(transfer("pwm", "hysteresis_deg = 10.0\n"), 8.0, 20.0))
    middle = next(line for line in lines if line.startswith("    2048")).split("│")[1]
    assert re.search(r"<+\*+>+", middle)
    assert "> while the lid opens, < while it closes, * both" in " ".join(lines)
    assert not re.search("[<>]", "".join(plotted(good("pwm"))))


def test_where_there_is_no_angle_a_row_says_what_there_is() -> None:
    text = changed(
        good("pwm"), "zero_deg = 0.0\nspan_deg = 180.0", 'zero_deg = 60\nspan_deg = 60\nbelow = "low"\nabove = "error"'
    )
    lines = plotted(lid_at(text, 70.0, 80.0))
    assert any(re.match(r"no angle  L{20,25} +E{20,30}$", line) for line in lines)
    assert "L rests low, E rests low: no width of a pulse stands for an error" in " ".join(lines)


def test_two_signals_have_their_letters() -> None:
    lines = plotted(good("sincos"))
    plot_rows = "".join(line.split("│")[1] for line in lines if "│" in line)
    assert {"s", "c"} <= set(plot_rows) and "s sin, c cos" in " ".join(lines)


def test_a_terminal_without_frames_gets_ascii() -> None:
    lines = plotted(TEXTS["hinge-b2"], Console(file=Stream(), width=80))
    assert all(line.isascii() for line in lines) and any("|" in line for line in lines)


@pytest.mark.parametrize("width", [20, 50, 80, 100, 200])
def test_it_is_as_wide_as_the_terminal_within_reason(width: int) -> None:
    stream = io.StringIO()
    console = Console(file=stream, width=width, force_terminal=True, color_system="standard")
    lines = plot(characteristic(load_sensor("hinge-a1")[0]), console)
    widest = max(len(line.plain) for line in lines)
    assert widest <= max(50, min(width, COLUMNS_MAX)) and widest >= min(width, COLUMNS_MAX) - 15
    for line in lines:
        console.print(line)
    assert "\x1b[36m" in stream.getvalue()


def test_without_a_terminal_there_is_no_colour() -> None:
    stream = io.StringIO()
    console = console_on(stream)
    for line in plot(characteristic(load_sensor("hinge-a1")[0]), console):
        console.print(line)
    assert "\x1b" not in stream.getvalue() and stream.getvalue().count("\n") == 9


# -- picture


@pytest.mark.parametrize("name", TEXTS)
def test_the_picture_stands_alone_and_is_the_same_each_time(name: str) -> None:
    svg = drawn(TEXTS[name])
    assert svg == drawn(TEXTS[name])
    root = ET.fromstring(svg.encode())
    assert root.tag == f"{SVG}svg" and root.get("role") == "img"
    assert root.findtext(f"{SVG}title") == "Mine"
    description = root.findtext(f"{SVG}desc") or ""
    assert "The jig accepts 0 to 180 deg." in description and "against the angle of the lid" in description
    # No variables, placeholders, ids of elsewhere, links, dates: viewers other than browsers show it alike.
    assert not re.search(r"var\(|#01[0-9a-f]{4}|http(?!://www\.w3\.org/2000/svg)|<style|20\d\d-\d\d", svg)
    references = set(re.findall(r"url\(#([^)]+)\)", svg)) | set(re.findall(r'href="#([^"]+)"', svg))
    assert references <= set(re.findall(r'id="([^"]+)"', svg))
    assert len(svg) < 200_000


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()).strip() for node in ET.fromstring(svg.encode()).iter(f"{SVG}text")]


def test_what_the_picture_says() -> None:
    shown = texts(drawn(transfer("analog", "hysteresis_deg = 2.0\n"), "Hinge 7"))
    for part in ("Hinge 7", "output, % of the supply", "shut, 8 deg", "open, 12 deg", "lid angle, deg", "50 %",
                 "while the lid opens", "while it closes", "the jig refuses"):  # fmt: skip
        assert part in shown, shown
    shown = texts(drawn(TEXTS["hinge-b2"]))
    assert {"line 1: level", "line 2: level", "operates, 7 deg", "releases, 19 deg", "high", "low"} <= set(shown)


def test_lines_are_told_apart_without_colour() -> None:
    svg = drawn(transfer("pwm", "hysteresis_deg = 2.0\n"))
    assert "stroke-dasharray" in svg and "stroke-dasharray" not in drawn(good("pwm"))


def test_codes_beside_the_axis_are_codes() -> None:
    shown = texts(drawn(changed(good("quadrature"), "steps_per_turn = 4096", "steps_per_turn = 16")))
    assert {"0", "4", "8", "11", "15"} <= set(shown)


@pytest.mark.parametrize("title", ['$\\frac$ & <b> "q" $x_1$', "W " * 60, "\u4f20\u611f\u5668", "a\x07b\nc", " "])
def test_any_title_is_drawn(title: str, recwarn: pytest.WarningsRecorder) -> None:
    root = ET.fromstring(drawn(good("pwm"), title).encode())
    assert len(root.findtext(f"{SVG}title") or "") == len(title)
    assert not recwarn.list
