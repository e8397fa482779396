"""lidjig selftest: is the jig itself in order? Needs the self-test plug and no machine."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from lidjig.cli.options import GlobalOptions
    from lidjig.jig import Jig
    from lidjig.record.recorder import RunRecorder
    from lidjig.record.store import Store


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def selftest(context: typer.Context) -> int:
        """Drive each output of the jig and read it back, with the self-test plug in the machine's place.

        Also looked at: supply sense, test loads, relay, sensor feed, mark switch. On the simulated bench --link twin
        or twin:selftest-plug; the operator there fits the plug.
        """
        return run(context.obj)


def run(options: GlobalOptions) -> int:
    """The self-test with its record; the exit status."""
    from lidjig.board.selftest import SelfTest, load_map
    from lidjig.cli.failing import tell
    from lidjig.cli.session import open_jig, status_of, stop_on_interrupt
    from lidjig.errors import LidjigError
    from lidjig.firmware_path import firmware_dir
    from lidjig.procedures.base import StopFlag
    from lidjig.record import open_store
    from lidjig.show.as_json import report_object
    from lidjig.show.terminal import TerminalProgress, console_on, show_report

    progress = TerminalProgress(console_on(sys.stderr))
    flag = StopFlag()
    run_id: str | None = None

    def check_stop() -> None:
        if flag.wanted:
            raise KeyboardInterrupt

    try:
        plug = load_map(firmware_dir())
        store = open_store(options.store)
        try:
            with open_jig(options) as jig:
                recorder = _start(options, store, jig)
                run_id = recorder.id
                test = SelfTest(jig, recorder, progress, plug, check_stop)
                with stop_on_interrupt(flag):
                    report = test.run()
        finally:
            store.close()
    except LidjigError as error:
        return tell(error, "selftest", options.json, run_id)
    finally:
        progress.close()
    if options.json:
        sys.stdout.write(report_object(report) + "\n")
        show_report(report, console_on(sys.stderr), with_measurements=False)
    else:
        show_report(report, console_on(sys.stdout))
    return status_of(report, test.failure)


def _start(options: GlobalOptions, store: Store, jig: Jig) -> RunRecorder:
    """The run's record, which becomes the jig's sink."""
    from lidjig import __version__
    from lidjig.cli.interrupted import run_begun

    recorder = store.start_run(
        "selftest",
        job=options.job,
        seed=options.seed,
        argv=list(options.argv),
        host_version=__version__,
        board_id=jig.hello.board_hex,
        firmware=jig.hello.firmware_text,
        texts=dict(getattr(jig.link, "texts", {})),
        link_details={"name": jig.link.name, **jig.link.details},
        clock=jig.clock,
    )
    run_begun(recorder.id)
    jig.sink = recorder
    return recorder
