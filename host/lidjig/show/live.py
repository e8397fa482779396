"""The bench live: a view that redraws itself on a terminal, a line for each change elsewhere."""

from __future__ import annotations

from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.text import Text

from lidjig.show.given import LookLike
from lidjig.show.live_rows import Widths, draw, present
from lidjig.show.numbers import board_time
from lidjig.show.pace import Pace
from lidjig.show.reader import Stream
from lidjig.show.strips import glyphs_for

HELD_US = 500_000  # readings come in batches that span 250 ms at most (PROTOCOL.md)


class LiveView:
    """Use as a context manager; call it with each look. live: whether it redraws itself."""

    def __init__(self, console: Console, pace: Pace | None) -> None:
        self._console, self._pace = console, pace
        self.live = console.is_terminal and not console.is_dumb_terminal
        self._live = Live(console=console, auto_refresh=False, vertical_overflow="crop") if self.live else None
        self._glyphs = glyphs_for(console)
        self._widths = Widths()
        self._link = ""  # the last that was said of the link
        self._last = ""
        self._shown: LookLike | None = None  # the last look while the link was up
        self._held: LookLike | None = None  # its line waits for the readings of that moment

    def __enter__(self) -> LiveView:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()
        elif self._shown is not None:
            self._print_held(self._shown)

    def __call__(self, look: LookLike) -> None:
        """Show it; held back to wall time where the bench's time runs faster."""
        self._link = look.link or self._link
        if self._live is not None:
            self._redraw(self._live, look)
        else:
            self._line(look)
            if isinstance(self._console.file, Stream):
                self._console.file.look()
        if self._pace is not None:
            self._pace.keep()

    def _redraw(self, live: Live, look: LookLike) -> None:
        # One line is left free: where a view fills the terminal, its last line feed moves everything up.
        height = max(1, self._console.height - 1)
        lines = draw(look, self._console.width, height, self._glyphs, self._widths, self._link)
        live.start()  # not before there is something to draw, else it would begin with an empty line
        live.update(Text("\n", no_wrap=True).join(lines), refresh=True)

    def _line(self, look: LookLike) -> None:
        text = plain(look)
        if self._shown is not None and (look.link or text != self._last):
            self._print_held(self._shown)  # what is read from now on is of another moment
        if look.link:
            self._console.print(Text(f"{board_time(look.t_us)}  {look.link}"))
        if look.link_down:
            return
        if text != self._last:
            self._last, self._held = text, look
        self._shown = look
        if self._held is not None and (_is_read(look) or look.t_us - self._held.t_us >= HELD_US):
            self._print_held(look)

    def _print_held(self, look: LookLike) -> None:
        """The line that was held, if any, with the readings of a look that shows the same."""
        if self._held is not None:
            self._console.print(Text(f"{board_time(self._held.t_us)}  {plain(look, readings=True)}"))
            self._held = None


def _is_read(look: LookLike) -> bool:
    """Whether there is a reading of all that is shown, or none to be had."""
    shown = [look.readings[name] for name, value in look.showing.items() if value is not None and name in look.readings]
    return all(reading.settled is not None or reading.why for reading in shown)


def plain(look: LookLike, *, readings: bool = False) -> str:
    """A look in one line, without what changes all the time; with the present readings where they are wanted."""
    levels = " ".join(f"{name}={level}" for name, level in look.levels.items())
    lock = look.lock + (f" ({look.why})" if look.why else "")
    shown = "  ".join(_observer(look, name, readings) for name in look.showing)
    # Lines that the power state does not go by are watched all the same.
    others = [(name, *told) for name, told in look.signals.items() if name not in look.showing]
    wired = "  ".join(f"{signal} ({name}) {'high' if level else 'low'}" for name, signal, level in others)
    angle = "no angle" if look.angle_deg is None else f"{look.angle_deg:.1f} deg"
    # The supply is measured with noise: to a tenth of a volt, so that only changes make a line.
    supply = f"supply {look.supply_v:.1f} V"
    state = look.state + (f" ({look.doubt})" if look.doubt else "")
    parts = [state, angle, f"route {look.route}", lock, supply, levels, shown, *([wired] if wired else [])]
    parts += [f"monitor {number} {state}" for number, state in look.meters.items()]
    unread = [name for name, reading in look.readings.items() if reading.why]
    if unread:
        parts.append(f"no reading of {', '.join(unread)}")
    return "  ".join(parts)


def _observer(look: LookLike, name: str, readings: bool) -> str:
    """What an observer shows: "charger_i above 250 mA, now 752 mA (748 to 756, n 13)", "SLP_S3# (observer_1) high"."""
    value = look.showing[name]
    words = look.words.get(name, f"{name} {'?' if value is None else value}")
    reading = look.readings.get(name)
    if not readings or reading is None or reading.settled is None:
        return words  # a line tells of a change: what was read before it is not what is there now
    return f"{words}, now {present(reading.settled, 4)}"
