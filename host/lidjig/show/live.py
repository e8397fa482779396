"""The bench live: a table that redraws itself on a terminal, a line for each change elsewhere."""

from __future__ import annotations

from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from lidjig.show.given import LookLike
from lidjig.show.numbers import board_time, figure
from lidjig.show.pace import Pace

_STATE_COLOURS = {"S0": "green", "S3": "cyan", "S5": "yellow", "G3": "red"}
_CALLED = {"sensor_supply": "supply at the sensor"}  # beside the supply that comes from the machine
_LOCK_COLOURS = {"tripped": "red", "armed": "green"}


def rows(look: LookLike) -> list[tuple[str, str, str]]:
    """(what, value, colour) of everything there is to see."""
    lock = look.lock + (f": {look.why}" if look.why else "")
    supply = f"{look.supply_v:.2f} V from the machine"
    out = [
        ("board time", f"{board_time(look.t_us)} s", ""),
        ("machine", look.state, _STATE_COLOURS.get(look.state, "yellow")),
        ("interlock", lock, _LOCK_COLOURS.get(look.lock, "")),
        ("route", look.route, ""),
        ("angle", f"{_angle(look, 2)}{' (moving)' if look.moving else ''}", ""),
        ("supply", supply, "" if look.supply_v > 0.5 else "yellow"),
    ]
    out += [(name.replace("_", " line "), _level(level), "") for name, level in look.levels.items()]
    out += [
        (_CALLED.get(name, name.replace("_", " ")), f"{figure(value.value)} {value.unit}", "")
        for name, value in look.readings.items()
    ]
    out += [
        (f"{name.replace('_', ' ')} ({signal})", _level(level), "") for name, (signal, level) in look.signals.items()
    ]
    return out


def _angle(look: LookLike, places: int) -> str:
    return "no angle" if look.angle_deg is None else f"{look.angle_deg:.{places}f} deg"


def _level(level: int) -> str:
    return "high" if level else "low"


class LiveView:
    """Use as a context manager; call it with each look."""

    def __init__(self, console: Console, pace: Pace | None) -> None:
        self._console, self._pace = console, pace
        self._live = Live(console=console, auto_refresh=False) if console.is_terminal else None
        self._link = ""  # the last that was said of the link
        self._last = ""

    def __enter__(self) -> LiveView:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def __call__(self, look: LookLike) -> None:
        """Show it; held back to wall time where the bench's time runs faster."""
        self._link = look.link or self._link
        if self._live is not None:
            self._live.update(_table(look, self._link), refresh=True)
        else:
            self._line(look)
        if self._pace is not None:
            self._pace.keep()

    def _line(self, look: LookLike) -> None:
        if look.link:
            self._console.print(Text(f"{board_time(look.t_us)}  {look.link}"))
        levels = " ".join(f"{name}={level}" for name, level in look.levels.items())
        lock = look.lock + (f" ({look.why})" if look.why else "")
        shown = " ".join(f"{name}={'?' if value is None else value}" for name, value in look.showing.items())
        # The supply is measured with noise: to a tenth of a volt, so that only changes make a line.
        supply = f"supply {look.supply_v:.1f} V"
        text = f"{look.state}  {_angle(look, 1)}  route {look.route}  {lock}  {supply}  {levels}  {shown}"
        if text != self._last:
            self._last = text
            self._console.print(Text(f"{board_time(look.t_us)}  {text}"))


def _table(look: LookLike, link: str) -> Table:
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column(style="dim", no_wrap=True)
    table.add_column()
    for what, value, colour in rows(look):
        table.add_row(what, Text(value, style=colour))
    if link:
        table.add_row("link", Text(link, style="yellow"))
    table.add_row("", Text("Ctrl-C ends", style="dim"))
    return table
