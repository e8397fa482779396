"""The live view: what stands where at 80 and 60 columns, in blocks and in ASCII, and what it does on a terminal."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from lidjig.measure.estimate import Estimate, at_least
from lidjig.show.live import LiveView, plain
from lidjig.show.live_rows import CALLED, Widths, draw, fill, present
from lidjig.show.strips import ASCII, BLOCKS, LID_COLUMNS, LID_ROWS, cells_for, glyphs_for, lid, sparkline
from rich.console import Console
from rich.text import Text

from shared_proto import names

STEPS = 120
# What stands for one number: digits with what belongs to them.
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@dataclass(frozen=True)
class Read:
    unit: str
    now: Estimate | None
    trail: tuple[float | None, ...] = (None,) * STEPS
    why: str = ""

    @property
    def settled(self) -> Estimate | None:
        return self.now


@dataclass(frozen=True)
class Counted:
    gaps: int = 0
    host_rejects: int = 0
    board_rejects: int = 0
    lost_batches: int = 0


def value(centre: float, unit: str, half: float = 0.0, n: int = 12) -> Estimate:
    return Estimate(centre, half / 2.0, centre - half, centre + half, n, unit)


def readings() -> dict[str, Read]:
    steady = (None,) * 20 + (1000.0,) * 100
    step = (None,) * 20 + (0.0,) * 50 + (900.0,) * 50
    return {
        "supply": Read("mV", value(3301.2, "mV", 80.0), steady),
        "machine_1": Read("mV", value(3131.0, "mV", 76.0), steady),
        "machine_2": Read("mV", value(3131.0, "mV", 76.0), steady),
        "sensor_supply": Read("mV", value(3300.0, "mV", 79.0), steady),
        "sensor_1": Read("mV", value(3129.0, "mV", 76.0), steady),
        "sensor_2": Read("mV", value(3129.0, "mV", 76.0), steady),
        "charger_v": Read("mV", value(20135.4, "mV", 478.6), steady),
        "charger_i": Read("mA", value(896.71, "mA", 38.65), step),
        "jig_3v3": Read("mV", value(3300.0, "mV", 80.0), steady),
        "light": Read("permille", value(598.33, "permille", 14.123), steady),
    }


@dataclass(frozen=True)
class Seen:
    """A look."""

    t_us: int = 123_456_789
    state: str = "S0"
    doubt: str = ""
    lock: str = "disarmed"
    why: str = "at rest"
    route: str = "through"
    angle_deg: float | None = 100.0
    moving: bool = False
    supply_v: float = 3.301
    levels: Mapping[str, int] = field(default_factory=lambda: {"machine_1": 1, "sensor_1": 0})
    showing: Mapping[str, int | None] = field(default_factory=lambda: {"light": 1, "charger_i": None})
    readings: Mapping[str, Read] = field(default_factory=readings)
    first_step: int = 1000
    signals: Mapping[str, tuple[str, int]] = field(default_factory=lambda: {"observer_1": ("SLP_S3#", 1)})
    ribbon: tuple[str, ...] = ("",) * 20 + ("S5",) * 8 + ("S0",) * 12 + ("unknown",) * 2 + ("S3",) * 16 + ("G3",) * 2
    bus: str = ""
    meters: Mapping[int, str] = field(default_factory=dict)
    trouble: tuple[str, ...] = ()
    counts: Counted = Counted()
    recording: str = ""
    link: str = ""
    link_down: bool = False
    words: Mapping[str, str] = field(
        default_factory=lambda: {"light": "light above 500 permille", "charger_i": "charger_i ?"}
    )


TRIPPED = replace(
    Seen(), lock="tripped", bus="hung", meters={1: "failed", 2: "missing"}, recording="r-000042",
    why="tripped at 17.345 s: the supply on the sensor connector went away. Give the machine its supply back.",
    trouble=("power monitor 1 (charger supply): a part holds the bus. Check the 3.3 V supply.",),
)  # fmt: skip


def lines(look: Any, width: int = 80, height: int = 23, **more: Any) -> list[str]:
    drawn = draw(look, width, height, more.pop("glyphs", BLOCKS), more.pop("widths", Widths()), **more)
    return [line.plain for line in drawn]


@pytest.mark.parametrize("look", [Seen(), TRIPPED], ids=["quiet", "tripped"])
@pytest.mark.parametrize(("width", "height"), [(80, 23), (60, 23), (60, 60), (120, 50), (40, 80)])
def test_nothing_is_wider_or_higher_than_the_terminal(look: Seen, width: int, height: int) -> None:
    console = Console(width=width, height=height + 1, force_terminal=True, file=io.StringIO(), record=True)
    drawn = draw(look, width, height, BLOCKS, Widths())
    assert len(drawn) <= height
    assert max(line.cell_len for line in drawn) <= width
    console.print(Text("\n", no_wrap=True).join(drawn))
    printed = console.export_text()
    assert [line.rstrip() for line in printed.splitlines()] == [line.plain.rstrip() for line in drawn]


@pytest.mark.parametrize("width", [80, 60])
def test_every_number_stands_whole_beside_its_unit(width: int) -> None:
    told = "\n".join(lines(TRIPPED, width, 60))
    for whole in ("123.5 s", "3.30 V", "17.345 s", "r-000042", "3.3 V", "angle 100.00 deg"):
        assert whole in told
    for key, reading in TRIPPED.readings.items():
        assert reading.now is not None
        assert f"{present(reading.now, 4 if width == 80 else 3)} " in told, key
    # No number is there that is not there at full width: none was cut in two.
    if width >= 80:
        assert set(NUMBER.findall(told)) <= set(NUMBER.findall("\n".join(lines(TRIPPED, 200, 60))))


def test_what_is_there_at_80_by_24() -> None:
    told = lines(Seen())
    assert len(told) <= 23
    text = "\n".join(told)
    for part in (
        "machine   S0", "board time 123.5 s", "Ctrl-C ends", "route     through", "angle 100.00 deg", "supply 3.30 V",
        "disarmed: at rest", "machine 1 high", "sensor 1 low", "SLP_S3# (observer 1) high", "last 30 s",
        "charger current 896.7 mA (858.1 to 935.4, n 12)", "gaps 0", "lost batches 0",
        "rejects 0 here, 0 by the jig",
    ):  # fmt: skip
        assert part in text, part
    assert "more" not in text and "monitors" not in text and "recording" not in text


def test_a_short_terminal_says_what_it_leaves_out() -> None:
    told = lines(Seen(), 80, 14)
    assert len(told) == 14
    assert any(re.fullmatch(r"\d+ more channels: a taller terminal shows them", line) for line in told)
    assert told[-1].startswith("counts")
    assert re.fullmatch(r"\d+ more lines: a taller terminal shows them", lines(Seen(), 80, 5)[-1])


@pytest.mark.parametrize("height", range(9, 25))
def test_a_small_terminal_says_how_many_channels_it_leaves_out(height: int) -> None:
    """At 40 columns a channel takes several lines: whole channels are counted, and no word is cut."""
    told = lines(Seen(), 40, height)
    assert len(told) <= height and max(map(len, told)) <= 40
    said = [match for line in told if (match := re.fullmatch(r"(\d+) more (channels|lines)(: left out here)?", line))]
    assert said
    shown = sum(any(line.startswith(name) for line in told) for name in ("charger current", "light", "supply "))
    channels = [int(match[1]) for match in said if match[2] == "channels"]
    assert all(count + shown <= len(Seen().readings) for count in channels)


def test_what_to_do_is_not_left_out_in_silence() -> None:
    assert any("Check the 3.3 V supply." in line for line in lines(TRIPPED, 80, 40))
    told = lines(TRIPPED, 80, 16)
    assert not any("Check the 3.3" in line for line in told)
    assert "what to do about the monitors: a taller terminal shows them" in told


def test_a_state_in_doubt_says_why() -> None:
    doubt = "the wiring in force on the jig is not that of dogwood-14: --load puts it in force"
    seen = replace(Seen(), state="unknown", doubt=doubt)
    told = lines(seen)
    assert told[0].startswith("machine   unknown") and "puts it in force" in told[2]
    assert plain(seen).startswith(f"unknown ({doubt})")


def test_channels_and_both_supplies_are_told_apart() -> None:
    every = {name: Read("mV", value(1.0, "mV")) for name in (*names.CHANNELS, "sensor_i")}
    told = lines(replace(Seen(), readings=every), 80, 60)
    rows = told[told.index(next(line for line in told if line.startswith("channel"))) + 1 :][: len(every)]
    called = [row.split("  ")[0] for row in rows]
    assert len(set(called)) == len(every)
    assert all(len(word) <= 15 for word in CALLED.values()), "there is room for a sparkline at 60 columns"


def test_what_has_no_reading_says_so_and_shows_no_old_value() -> None:
    gone = Read("mA", None, (750.0,) * 100 + (None,) * 20, "no reading")
    told = lines(replace(Seen(), readings={"supply": Read("mV", None), "charger_i": gone}))
    (current,) = [line for line in told if line.startswith("charger current")]
    assert "no reading" in current and not NUMBER.search(current)
    assert "▅" in current and current == current.rstrip(), "what was read is drawn, blank from then on"
    (supply,) = [line for line in told if line.startswith("supply ")]
    assert "waiting" in supply


def test_a_bound_reads_as_a_bound() -> None:
    assert present(at_least(3299.0, "mA", 12), 4) == "at least 3299 mA (n 12)"


def test_power_monitors_and_what_to_do() -> None:
    told = "\n".join(lines(TRIPPED, 80, 40))
    assert "bus hung  1 (charger supply) failed  2 (sensor supply) missing" in told
    assert "power monitor 1 (charger supply): a part holds the bus. Check the 3.3 V supply." in told
    fine = "\n".join(lines(replace(Seen(), bus="ok", meters={1: "ok"})))
    assert "monitors  bus ok  1 (charger supply) answers" in fine
    fresh = "\n".join(lines(replace(Seen(), bus="not_wired", meters={1: "none"})))
    assert "bus not in the jig's wiring" in fresh


def test_a_lost_link_stands_on_top() -> None:
    told = lines(replace(Seen(), link_down=True), link="link lost: no frame for 1.5 s")
    assert told[0].startswith("LINK LOST") and told[-1] == "link      link lost: no frame for 1.5 s"


def test_columns_do_not_jump_back() -> None:
    widths = Widths()
    before = lines(Seen(), widths=widths)
    short = {key: replace(reading, now=value(1.0, reading.unit)) for key, reading in readings().items()}
    after = lines(replace(Seen(), readings=short), widths=widths)
    assert [line.index("▅") for line in before if line.startswith("jig")] == [
        line.index("▅") for line in after if line.startswith("jig")
    ]


# -- ribbon, sparkline, lid


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
def test_states_differ_without_colours(glyphs: Any) -> None:
    shown = [glyphs.state(state) for state in ("S0", "S3", "S5", "G3", "unknown", "")]
    assert len(set(shown)) == 6 and all(len(glyph) == 1 for glyph in shown)
    told = lines(Seen(), glyphs=glyphs)
    at = next(number for number, line in enumerate(told) if line.startswith("last minute"))
    for state in ("S0", "S3", "S5", "G3", "unknown"):
        assert f"{glyphs.state(state)} {state}" in told[at], "the legend"
    wanted = " " * 20 + glyphs.state("S5") * 8 + glyphs.state("S0") * 12 + "??" + glyphs.state("S3") * 16 + "xx"
    assert told[at + 1] == wanted
    narrow = lines(Seen(), 40, 80, glyphs=glyphs)
    assert any(line.startswith("last 40 s:") for line in narrow) and wanted[-40:] in narrow


def test_ascii_is_ascii() -> None:
    for look in (Seen(), TRIPPED):
        "\n".join(lines(look, glyphs=ASCII)).encode("ascii")


def test_a_sparkline_rises_with_its_values() -> None:
    trail = [float(number) for number in range(STEPS)]
    drawn = [BLOCKS.levels.index(glyph) for glyph in sparkline(trail, 0, 24, BLOCKS)]
    assert drawn == sorted(drawn) and (drawn[0], drawn[-1]) == (0, 7)
    assert sparkline([None] * STEPS, 0, 24, BLOCKS) == " " * 24
    assert sparkline([0.0] * STEPS, 0, 24, BLOCKS) == sparkline([5.0] * STEPS, 0, 24, BLOCKS)
    assert len(set(sparkline([3300.0, 3301.0] * 60, 0, 24, BLOCKS))) == 1, "noise is no event"
    assert len(set(sparkline([0.0, 1.0] * 60, 0, 120, BLOCKS, span_min=30.0))) == 1
    assert sparkline([1.0] * 60 + [None] * 60, 0, 24, ASCII) == "=" * 12 + " " * 12
    assert sparkline([1.0] * STEPS, 0, 0, ASCII) == ""


def test_a_sparkline_moves_and_does_not_flicker() -> None:
    series = [float((number * 7919) % 100) for number in range(STEPS + 10)]
    one = sparkline(series[:STEPS], 1000, 24, BLOCKS)
    for later in range(1, 10):
        moved = sparkline(series[later : later + STEPS], 1000 + later, 24, BLOCKS)
        by = (1000 + later + STEPS - 1) // 5 - (1000 + STEPS - 1) // 5
        # Cells that were complete show the same; the newest one still fills.
        same = sum(a == b for a, b in zip(one[by:23], moved[: 23 - by], strict=True))
        assert same >= 23 - by - 1


@pytest.mark.parametrize(("columns", "cells"), [(200, 120), (119, 60), (35, 30), (26, 24), (13, 12), (7, 6), (0, 0)])
def test_cells_have_equally_many_steps(columns: int, cells: int) -> None:
    assert cells_for(STEPS, columns) == cells


def test_the_lid_from_the_side() -> None:
    for angle in range(0, 361, 5):
        drawn = lid(float(angle))
        assert len(drawn) == LID_ROWS and {len(line) for line in drawn} == {LID_COLUMNS}
        assert sum("o" in line for line in drawn) == sum("=" in line for line in drawn) == 1
    assert [line.strip() for line in lid(0.0)] == ["", "", "", "o_______", "========"]
    assert [line.strip() for line in lid(90.0)] == ["|", "|", "|", "o", "========"]
    assert lid(180.0)[3].strip() == "_______o"
    assert lid(270.0)[0].strip() == "========" and lid(270.0)[4].strip() == "|"
    assert "/" in lid(60.0)[1] and "\\" in lid(120.0)[1] and "\\" in lid(300.0)[3]


# -- on a terminal


class Terminal(io.TextIOWrapper):
    """A terminal with an encoding."""

    def __init__(self, encoding: str) -> None:
        self.raw_bytes = io.BytesIO()
        super().__init__(self.raw_bytes, encoding=encoding, write_through=True)

    def isatty(self) -> bool:
        return True

    def told(self) -> str:
        return self.raw_bytes.getvalue().decode(self.encoding)


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")


def show(encoding: str = "utf-8", width: int = 80) -> str:
    terminal = Terminal(encoding)
    console = Console(file=terminal, width=width, height=24, highlight=False)
    with LiveView(console, None) as view:
        assert view.live
        view(Seen())
        view(replace(Seen(), state="S3", link="link up: again"))
    return terminal.told()


def test_a_terminal_gets_the_view_with_colours() -> None:
    told = show()
    assert "█" in told and re.search(r"\x1b\[[0-9;]*32m", told) and "link up: again" in told
    assert told.endswith("\x1b[?25h"), "the cursor is back"


def test_no_color_is_kept_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    told = show()
    assert "█" in told and not re.search(r"\x1b\[[0-9;]*3[0-9]m", told)


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_without_block_glyphs_gets_ascii(encoding: str) -> None:
    told = show(encoding, 60)
    assert "#" * 12 in told
    told.encode("ascii")


def test_a_console_font_without_block_glyphs_gets_ascii(monkeypatch: pytest.MonkeyPatch) -> None:
    assert glyphs_for(Console(file=Terminal("utf-8"))) is BLOCKS
    monkeypatch.setenv("TERM", "linux")
    assert glyphs_for(Console(file=Terminal("utf-8"))) is ASCII


def test_elsewhere_there_is_a_line_for_each_change(monkeypatch: pytest.MonkeyPatch) -> None:
    def told(*looks: Seen) -> list[str]:
        out = io.StringIO()
        with LiveView(Console(file=out, width=400, highlight=False), None) as view:
            assert not view.live
            for look in looks:
                view(look)
        return out.getvalue().splitlines()

    same = told(Seen(), replace(Seen(), t_us=124_000_000, readings={}), Seen())
    assert len(same) == 1
    for part in ("123.456789  S0", "100.0 deg", "route through", "supply 3.3 V", "machine_1=1", "charger_i ?"):
        assert part in same[0]
    assert "light above 500 permille, now 598.3 permille (584.2 to 612.5, n 12)" in same[0]
    changed = told(Seen(), replace(Seen(), link="link lost: silent", link_down=True), replace(Seen(), state="S3"))
    assert [line.split("  ")[1].partition(":")[0] for line in changed] == ["S0", "link lost", "S3"]
    unread = replace(Seen(), readings={"light": Read("permille", None, why="no reading")}, meters={1: "failed"})
    assert plain(unread).endswith("monitor 1 failed  no reading of light")
    monkeypatch.setenv("TERM", "dumb")
    terminal = Terminal("utf-8")
    with LiveView(Console(file=terminal, width=400, highlight=False), None) as view:
        assert not view.live
        view(Seen())
    assert terminal.told().startswith("123.456789  S0")


def test_a_line_waits_for_the_readings_of_its_moment() -> None:
    """They come a quarter of a second late; what another change has overtaken is told without."""

    def told(*looks: Seen) -> list[str]:
        out = io.StringIO()
        with LiveView(Console(file=out, width=400, highlight=False), None) as view:
            for look in looks:
                view(look)
        return out.getvalue().splitlines()

    waits = {"light": Read("permille", None)}
    dark = replace(Seen(), state="S3", readings=waits, words={"light": "light below 500 permille"})
    read = replace(dark, t_us=123_756_789, readings={"light": Read("permille", value(2.0, "permille", 1.0))})
    (line,) = told(dark, replace(dark, t_us=123_556_789), read)
    assert line.startswith("123.456789  S3") and "below 500 permille, now 2 permille (1 to 3, n 12)" in line
    first, second = told(dark, replace(Seen(), t_us=123_656_789))
    assert first.startswith("123.456789  S3") and "now" not in first and second.startswith("123.656789  S0")
    assert told(dark)[0].startswith("123.456789  S3"), "the last one is told at the end"
    late = told(dark, replace(dark, t_us=123_956_789), replace(Seen(), t_us=124_000_000))
    assert [line.split("  ")[0] for line in late] == ["123.456789", "124.000000"]


def test_tokens_fill_lines_whole() -> None:
    tokens = [Text(word) for word in ("one", "two", "a very long token that fits nowhere", "three")]
    assert [line.plain for line in fill(tokens, 10)] == ["one  two", "a very long token that fits nowhere", "three"]


def test_a_line_that_no_state_goes_by_is_told_too() -> None:
    wired = {"observer_1": ("SLP_S3#", 1), "observer_2": ("backlight enable", 1)}
    lit, dark = (
        replace(Seen(), signals=wired | {"observer_2": ("backlight enable", level)}) for level in (1, 0)
    )  # fmt: skip
    assert "backlight enable (observer_2) high" in plain(lit) and "backlight enable (observer_2) low" in plain(dark)
    assert plain(replace(lit, showing=lit.showing | {"observer_2": 1})).count("observer_2") == 1
