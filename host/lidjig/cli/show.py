"""lidjig show RUN: one run of the record, whole."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lidjig.cli.options import GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow
    from lidjig.record.power_spans import PowerSpans
    from lidjig.record.store import Store
    from lidjig.record.stored import StoredRun


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command.")
    def show(
        context: typer.Context,
        run: Annotated[
            str, typer.Argument(help="Id from 'lidjig runs' (r-000042, 42), or last.", metavar="RUN")
        ] = "last",
        events: Annotated[bool, typer.Option("--events/--no-events", help="List every event.")] = True,
        frames: Annotated[
            bool, typer.Option("--frames", help="List the last frames kept with a failure, as hexadecimal bytes.")
        ] = False,
        states: Annotated[
            bool, typer.Option("--states", help="List every power state: begin, end, confidence, why unknown.")
        ] = False,
    ) -> int:
        """Show a run: outcome, findings, measurements, sampled channels, power states, notes, gaps, every event.

        A killed run says so at the top.
        """
        from lidjig.record.store import open_store
        from lidjig.show.pages import run_object, show_run
        from lidjig.show.terminal import console_on

        options: GlobalOptions = context.obj
        with open_store(options.store, create=False) as store:
            stored = store.run(run)
            channels = store.channels(stored.id)
            found = _power(store, stored, channels, whole=states) if states or not options.json else None
        if options.json:
            told = None if found is None else _object(found)
            sys.stdout.write(run_object(stored, events=events, channels=channels, states=told) + "\n")
        else:
            lines = [] if found is None else _lines(found, whole=states)
            show_run(stored, console_on(sys.stdout), events=events, frames=frames, channels=channels, states=lines)
        return 0


def _power(store: Store, stored: StoredRun, channels: Sequence[ChannelRow], *, whole: bool) -> PowerSpans | None:
    """The power states of a run; None where they were not asked for and nothing tells them.

    whole: asked for, however many samples there are. Raises BadInput then for a run without a usable machine profile.
    """
    from lidjig.record.power_spans import power_spans

    try:
        return power_spans(store, stored, channels, quick=not whole)
    except BadInput:
        if whole:
            raise
        return None


def _lines(found: PowerSpans, *, whole: bool) -> list[str]:
    from lidjig.show.states import states_line, states_lines

    return states_lines(found) if whole else states_line(found)


def _object(found: PowerSpans) -> dict[str, Any]:
    from lidjig.show.states import states_object

    return states_object(found)
