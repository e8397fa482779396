"""A look at the bench as lines of text for a terminal of a given size. No number is cut or broken over two lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rich.text import Text

from lidjig.measure.estimate import Estimate
from lidjig.show.given import LookLike, ReadingLike
from lidjig.show.numbers import figure
from lidjig.show.strips import (
    LID_COLUMNS,
    LID_ROWS,
    STATE_COLOURS,
    Glyphs,
    cells_for,
    legend,
    lid,
    ribbon,
    sparkline,
)

LABEL = 10  # columns
ROOMY = 76  # columns from which on there is room for the lid and for four digits
LOCK_COLOURS = {"tripped": "red", "armed": "green"}
CALLED = {
    "sensor_supply": "sensor supply",
    "jig_3v3": "jig 3.3 V",
    "charger_v": "charger voltage",
    "charger_i": "charger current",
    "sensor_i": "sensor current",
    **{f"{side}_{number}": f"{side} line {number}" for side in ("machine", "sensor") for number in (1, 2)},
    **{f"meter_{number}_v": f"meter {number} voltage" for number in (1, 2)},
    **{f"meter_{number}_i": f"meter {number} current" for number in (1, 2)},
}
MONITORS = {1: "charger supply", 2: "sensor supply"}
MONITOR_WORDS = {"none": "not in the jig's wiring", "ok": "answers"}
BUS_WORDS = {"not_wired": "not in the jig's wiring"}
RIBBON = "last minute:"


@dataclass
class Widths:
    """Columns that are not given back once they were needed, so that nothing jumps while numbers change."""

    values: dict[bool, int] = field(default_factory=dict)

    def value(self, wanted: int, roomy: bool) -> int:
        """Width of the column of values, at least so many."""
        self.values[roomy] = max(wanted, self.values.get(roomy, 0))
        return self.values[roomy]


def draw(look: LookLike, width: int, height: int, glyphs: Glyphs, widths: Widths, link: str = "") -> list[Text]:
    """At most `height` lines of at most `width` columns. What there is to do about power monitors is left out first;
    what is left out beyond that is said. link: the last that was heard of the link.
    """
    head, power = _head(look, width), _power(look, width, glyphs)
    tail = _tail(look, width, link)
    heading, channels = _channels(look, width, glyphs, widths)
    rows = [*heading, *(line for channel in channels for line in channel)]
    room = height - len(head) - len(power) - len(tail)
    trouble = [line for text in look.trouble for line in wrapped(text, width, "yellow")]
    if len(rows) + len(trouble) > room and trouble:
        trouble = [_left_out("what to do about the monitors", width)]
    if len(rows) + len(trouble) > room:
        rows = _shortened(channels, room - len(trouble), width)
    lines = [*head, *power, *rows, *trouble, *tail]
    if len(lines) <= height:
        return lines
    shown = max(height - 1, 0)
    return [*lines[:shown], _left_out(f"{len(lines) - shown} more lines", width)]


def _left_out(what: str, width: int) -> Text:
    """Says that there is more than there is room for, in as many words as there is room for."""
    wanted = (f"{what}: a taller terminal shows them", f"{what}: left out here", what)
    return Text(next((text for text in wanted if len(text) <= width), what[:width]), style="yellow", no_wrap=True)


def _shortened(channels: list[list[Text]], room: int, width: int) -> list[Text]:
    """Without their heading, and as many channels as there is room for, none of them in part."""
    if sum(map(len, channels)) <= room:
        return [line for channel in channels for line in channel]
    shown: list[Text] = []
    for number, channel in enumerate(channels):
        if len(shown) + len(channel) + 1 > room:
            return [*shown, _left_out(f"{len(channels) - number} more channels", width)]
        shown += channel
    return shown


def _head(look: LookLike, width: int) -> list[Text]:
    roomy = width >= ROOMY
    inner = width - LID_COLUMNS - 2 if roomy else width
    state = Text(look.state, style=f"bold {STATE_COLOURS.get(look.state, '')}".strip())
    top = [state, Text(f"board time {look.t_us / 1e6:.1f} s")]
    if look.recording:
        top.append(Text(f"recording {look.recording}", style="red"))
    lock = look.why if look.why.startswith(look.lock) else f"{look.lock}: {look.why}" if look.why else look.lock
    supply = Text(f"supply {look.supply_v:.2f} V", style="" if look.supply_v > 0.5 else "yellow")
    rows = _labelled("machine", top, inner)
    rows += _behind("", wrapped(look.doubt, inner - LABEL, "yellow")) if look.doubt else []
    rows += _labelled("route", [Text(look.route), Text(_angle(look)), supply], inner)
    rows += _behind("interlock", wrapped(lock, inner - LABEL, LOCK_COLOURS.get(look.lock, "")))
    rows += _labelled("lines", _line_levels(look), inner)
    if roomy and look.angle_deg is not None:
        _put_beside(rows, lid(look.angle_deg), inner + 2)
    if look.link_down:
        rows.insert(0, Text("LINK LOST: all below is as it was last heard", style="bold red"))
    return rows


def _put_beside(rows: list[Text], drawing: list[str], column: int) -> None:
    rows += [Text("")] * (LID_ROWS - len(rows))
    for at, line in enumerate(drawing):
        # Also under what is longer than the drawing, nothing moves.
        padded = rows[at].copy()
        padded.append(" " * (column - padded.cell_len))
        padded.append(line.rstrip(), style="bold")
        padded.rstrip()
        rows[at] = padded


def _angle(look: LookLike) -> str:
    if look.angle_deg is None:
        return "no angle"
    return f"angle {look.angle_deg:.2f} deg" + (" (moving)" if look.moving else "")


def _line_levels(look: LookLike) -> list[Text]:
    levels = {name.replace("_", " "): level for name, level in look.levels.items()}
    levels |= {f"{signal} ({name.replace('_', ' ')})": level for name, (signal, level) in look.signals.items()}
    return [Text(f"{name} {'high' if level else 'low'}") for name, level in levels.items()]


def _power(look: LookLike, width: int, glyphs: Glyphs) -> list[Text]:
    shown = look.ribbon[-width:]
    words = RIBBON if len(shown) == len(look.ribbon) else f"last {len(shown)} s:"
    return [*fill([Text(words, style="dim"), *legend(glyphs)], width), ribbon(shown, glyphs)]


def present(now: Estimate, digits: int) -> str:
    """ "3312 mV (3258 to 3366, n 13)"; "at least 3300 mA (n 13)" for a bound."""
    value = f"{figure(now.value, digits)} {now.unit}"
    if now.bound:
        return f"{now.bound} {value} (n {now.n})"
    return f"{value} ({figure(now.low, digits)} to {figure(now.high, digits)}, n {now.n})"


def _channels(look: LookLike, width: int, glyphs: Glyphs, widths: Widths) -> tuple[list[Text], list[list[Text]]]:
    """A heading, and the lines of each channel: name, value and sparkline."""
    if not look.readings:
        return [], []
    roomy = width >= ROOMY
    names = {key: CALLED.get(key, key.replace("_", " ")) for key in look.readings}
    values = {key: _value(reading, 4 if roomy else 3) for key, reading in look.readings.items()}
    first = max(len(name) for name in names.values()) + 1
    second = min(widths.value(max(len(value) for value in values.values()), roomy) + 1, width - first)
    cells = cells_for(max(len(reading.trail) for reading in look.readings.values()), width - first - second)
    heading = f"{'channel':<{first}}{'now (95 % interval, n)':<{second}}{'last 30 s' if cells >= 9 else ''}"
    out: list[list[Text]] = []
    for key, reading in look.readings.items():
        style = "" if reading.now is not None else "yellow" if reading.why else "dim"
        line = Text(f"{names[key]:<{first}}", no_wrap=True)
        if first + len(values[key]) > width:
            parts = [Text(part, style=style) for part in values[key].replace(" (", "\n(").split("\n")]
            out.append([line, *_labelled("", parts, width)])
            continue
        line.append(f"{values[key]:<{second}}", style=style)
        line.append(sparkline(reading.trail, look.first_step, cells, glyphs, _doubt(reading.now)))
        line.rstrip()
        out.append([line])
    return [Text(heading.rstrip(), style="dim", no_wrap=True)], out


def _doubt(now: Estimate | None) -> float:
    """Width of a value's interval: what is less than that is not drawn as a change."""
    return now.high - now.low if now is not None and now.low is not None and now.high is not None else 0.0


def _value(reading: ReadingLike, digits: int) -> str:
    return present(reading.now, digits) if reading.now is not None else reading.why or "waiting"


def _tail(look: LookLike, width: int, link: str) -> list[Text]:
    lines: list[Text] = []
    if look.bus:
        hung = look.bus not in ("ok", *BUS_WORDS)
        tokens = [Text(f"bus {BUS_WORDS.get(look.bus, look.bus)}", style="red" if hung else "")]
        for number, state in look.meters.items():
            words = f"{number} ({MONITORS.get(number, 'unknown place')}) {MONITOR_WORDS.get(state, state)}"
            tokens.append(Text(words, style="" if state == "ok" else "yellow"))
        lines += _labelled("monitors", tokens, width)
    counts = look.counts
    rejects = Text(f"rejects {counts.host_rejects} here, {counts.board_rejects} by the jig")
    rejects.style = "yellow" if counts.host_rejects or counts.board_rejects else ""
    tokens = [_count("gaps", counts.gaps), _count("lost batches", counts.lost_batches), rejects]
    tokens.append(Text("Ctrl-C ends", style="dim"))
    lines += _labelled("counts", tokens, width)
    return lines + (_behind("link", wrapped(link, width - LABEL, "yellow")) if link else [])


def _count(name: str, count: int) -> Text:
    return Text(f"{name} {count}", style="yellow" if count else "")


def _labelled(label: str, tokens: Sequence[Text], width: int) -> list[Text]:
    """Tokens behind a label, on as many lines as they need."""
    return _behind(label, fill(tokens, width - LABEL))


def _behind(label: str, lines: Sequence[Text]) -> list[Text]:
    """Lines with a label before the first one and room for it before the others."""
    labels = [label, *[""] * (len(lines) - 1)]
    pairs = zip(labels, lines, strict=True)
    return [Text.assemble((f"{word:<{LABEL}}", "dim"), line, no_wrap=True) for word, line in pairs]


def fill(tokens: Sequence[Text], width: int) -> list[Text]:
    """Tokens on lines of at most `width` columns, two spaces between them, none broken."""
    lines: list[Text] = []
    for token in tokens:
        if lines and lines[-1].cell_len + 2 + token.cell_len <= width:
            lines[-1] = Text.assemble(lines[-1], "  ", token, no_wrap=True)
        else:
            lines.append(Text.assemble(token, no_wrap=True))
    return lines


def wrapped(text: str, width: int, style: str) -> list[Text]:
    """A sentence on lines of at most `width` columns. A number stays with the word behind it, which is its unit."""
    lines: list[str] = []
    words: list[str] = []
    for word in text.split():
        if words and _is_number(words[-1]):
            words[-1] += f" {word}"
        else:
            words.append(word)
    for word in words:
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return [Text(line, style=style, no_wrap=True) for line in lines]


def _is_number(word: str) -> bool:
    return word.lstrip("(-").replace(".", "", 1).isdigit()
