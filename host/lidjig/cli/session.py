"""What a command needs opened and closed round a procedure: profiles, link, jig, record, progress, Ctrl-C."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from lidjig import __version__
from lidjig.bench import check_pair, load_machine, load_sensor, parse_machine, parse_sensor, shipped
from lidjig.bench.machine import MachineProfile
from lidjig.bench.profiles import check_family
from lidjig.bench.sensor import SensorProfile
from lidjig.cli.failing import exit_status, tell
from lidjig.cli.interrupted import run_begun
from lidjig.cli.options import GlobalOptions
from lidjig.errors import (
    EXIT_MACHINE_FAILED,
    EXIT_NO_JIG,
    EXIT_PASSED,
    BadInput,
    LidjigError,
)
from lidjig.jig import Jig
from lidjig.link.base import Deadline, Link, Traits
from lidjig.link.find import open_link
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench, Procedure, StopFlag
from lidjig.procedures.progress import Progress
from lidjig.procedures.report import Report
from lidjig.record.model import ERROR
from lidjig.record.store import Store, open_store

CONNECT_S = 10.0
# An interrupted or incomplete run is no pass and no failed machine; DESIGN's statuses leave it with the unusable bench.
OUTCOME_STATUS = {"pass": EXIT_PASSED, "fail": EXIT_MACHINE_FAILED, "incomplete": EXIT_NO_JIG, "error": EXIT_NO_JIG}


@dataclass
class Profiles:
    """Both profiles and the texts that the record keeps."""

    sensor: SensorProfile
    machine: MachineProfile
    texts: dict[str, str]


def kept_profiles(texts: dict[str, str], run: str) -> Profiles:
    """The profiles that a run was made with, from the texts in its record."""
    sensor = parse_sensor(texts.get("sensor", ""), f"sensor profile of run {run}")
    machine = parse_machine(texts.get("machine", ""), f"machine profile of run {run}")
    return Profiles(sensor, machine, dict(texts))


def load_profiles(sensor: str | None, machine: str | None, link: Link | None, *, loose: bool = False) -> Profiles:
    """The profiles named, else those that belong to what is behind the link. link: may be None where a machine is
    named. loose: a sensor by itself needs none; a shipped one that it fits stands for the bench.

    Raises BadInput where one is missing, wrong, or where the two do not fit each other.
    """
    traits = Traits() if link is None else link.traits
    machine_name = machine or traits.machine or (machine_of(sensor) if loose and sensor is not None else None)
    if machine_name is None:
        raise BadInput("", "--machine", None, "the name of a machine profile (see 'lidjig profiles') or a TOML file")
    if machine is None and machine_name not in shipped("machines"):
        # The simulated machine is one of its own making: no profile says what is to be expected of it.
        accepted = f"one of {', '.join(shipped('machines'))}, or no model and --machine with a profile that fits"
        raise BadInput("" if link is None else link.details.get("scenario", ""), "machine.model", None, accepted)
    machine_profile, machine_text = load_machine(machine_name)
    sensor_name = sensor or (traits.sensor if machine is None else None) or machine_profile.sensor
    sensor_profile, sensor_text = load_sensor(sensor_name)
    check_family(sensor_profile, machine_profile)
    check_pair(sensor_profile, machine_profile)
    return Profiles(sensor_profile, machine_profile, {"sensor": sensor_text, "machine": machine_text})


def machine_of(sensor: str) -> str | None:
    """A shipped machine profile that this sensor profile fits, its own before any other; None where there is none."""
    profile = load_sensor(sensor)[0]
    own: list[str] = []
    others: list[str] = []
    for name in shipped("machines"):
        found = load_machine(name)[0]
        try:
            check_family(profile, found)
            check_pair(profile, found)
        except BadInput:
            continue
        (own if found.sensor == profile.name else others).append(name)
    return next(iter([*own, *others]), None)


class EnterKey:
    """Hears Enter in a terminal, and lines where they are asked for, on a thread of its own so that nothing waits for
    it. Enter is heard in a terminal alone; lines may also come from a file or a pipe.
    """

    def __init__(self) -> None:
        self._pressed = threading.Event()
        self._listening = False
        self._ended = False
        self._lines: deque[str] = deque()
        self._rest = b""

    def __call__(self) -> bool:
        """Whether Enter came since the last time."""
        if self._in_terminal():
            self._start()
        if self._pressed.is_set():
            self._pressed.clear()
            return True
        return False

    def forget(self) -> None:
        """Lines typed before now, in a terminal: those of a file were written for the questions to come."""
        if self._in_terminal():
            self._lines.clear()

    def line(self) -> str | None:
        """The next line, None where none has come yet. Raises EOFError where none will come."""
        self._start()
        ended = self._ended  # looked at before the lines: the last one comes before it
        if self._lines:
            return self._lines.popleft()
        if ended:
            raise EOFError
        return None

    def _in_terminal(self) -> bool:
        return sys.stdin is not None and sys.stdin.isatty()

    def _start(self) -> None:
        if not self._listening:
            self._listening = True
            threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        # Unbuffered: a thread that sleeps inside sys.stdin holds its lock, which breaks the interpreter's shutdown.
        try:
            number, in_terminal = sys.stdin.fileno(), self._in_terminal()
            while data := os.read(number, 1024):
                if in_terminal:
                    self._pressed.set()
                *whole, self._rest = (self._rest + data).split(b"\n")
                self._lines.extend(line.decode("utf-8", "replace").strip() for line in whole)
        except (OSError, ValueError, AttributeError):
            pass  # there is no input
        if self._rest:
            self._lines.append(self._rest.decode("utf-8", "replace").strip())
        self._ended = True


@contextlib.contextmanager
def stop_on_interrupt(flag: StopFlag) -> Iterator[None]:
    """Ctrl-C sets the flag, so that the run ends at the next safe point; a second one interrupts at once.

    A reader of the output who goes away sets it too, and output that cannot be written: nobody sees what is asked of
    the operator any more.
    """
    from lidjig.show.reader import telling

    def gone(failure: OSError | None) -> None:
        flag.wanted = True
        if failure is not None:
            return  # said when the command ends, with what remains of it
        with contextlib.suppress(OSError, ValueError):  # it may have been the reader of this as well
            sys.stderr.write("lidjig: whoever read the output has gone; stopping safely.\n")

    def handle(_number: int, _frame: FrameType | None) -> None:
        if flag.wanted:
            raise KeyboardInterrupt
        flag.wanted = True
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.write("\nlidjig: stopping safely; press Ctrl-C again to stop at once.\n")

    with telling(gone):
        try:
            before = signal.signal(signal.SIGINT, handle)
        except ValueError:  # not the main thread (under some test runners): Ctrl-C stays as it was
            yield
            return
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, before)


@dataclass
class Opened:
    """A bench that is open: what a command makes its procedure from."""

    bench: Bench
    profiles: Profiles


@dataclass(frozen=True)
class Begin:
    """How a run begins beyond its options: what it needs to be resumed, and what it goes on with."""

    arguments: dict[str, Any] = field(default_factory=dict)
    texts: dict[str, str] | None = None  # profiles of the run that is resumed
    resumes: str | None = None
    check: Callable[[Profiles], None] = lambda _profiles: None  # raises BadInput where the arguments do not fit
    loose: bool = False  # see load_profiles


@contextlib.contextmanager
def open_jig(options: GlobalOptions, link: Link | None = None) -> Iterator[Jig]:
    """A connected jig without a record. Closed on every way out; raises what connecting raises."""
    link = link or open_link(options.link, seed=options.seed, vm=options.vm)
    try:
        # The session's number comes from the seed, so that a simulated run is the same byte for byte.
        jig = Jig(link, nonce_seed=nonce_seed(link))
        jig.connect(Deadline(link.clock, CONNECT_S))
        yield jig
    finally:
        link.close()


def nonce_seed(link: Link) -> int | None:
    """A fixed number where the link is reproducible (simulated, replayed), else None for a random session."""
    text = link.details.get("nonce_seed") or link.details.get("seed")
    return int(text) if text is not None and text.lstrip("-").isdigit() else None


@contextlib.contextmanager
def open_bench(
    options: GlobalOptions,
    command: str,
    progress: Progress,
    *,
    sensor: str | None = None,
    machine: str | None = None,
    begin: Begin | None = None,
) -> Iterator[Opened]:
    """Profiles, link, jig, record and bench for one run. The run is begun; a procedure closes it.

    Where the jig cannot be reached no run is begun. Raises BadInput before anything is opened that need not be.
    """
    begin = begin or Begin()
    profiles: Profiles | None = None
    if begin.texts is not None:
        profiles = kept_profiles(begin.texts, begin.resumes or "")
    elif machine is not None:
        profiles = load_profiles(sensor, machine, None)
    elif sensor is not None:
        load_sensor(sensor)
    if profiles is not None:
        begin.check(profiles)
    link = _link(options)
    try:
        if profiles is None:  # what is behind the link says which machine it is
            profiles = load_profiles(sensor, machine, link, loose=begin.loose)
            begin.check(profiles)
        if begin.texts is None:
            profiles.texts.update(getattr(link, "texts", {}))
        store = open_store(options.store)
        try:
            with open_jig(options, link) as jig:
                yield Opened(_bench(options, command, progress, jig, store, profiles, begin), profiles)
        finally:
            store.close()
    finally:
        link.close()


def _link(options: GlobalOptions) -> Link:
    """The link asked for; recorded where that is wanted."""
    if options.recording is not None:
        _check_recording(Path(options.recording))
    link = open_link(options.link, seed=options.seed, vm=options.vm)
    if options.recording is None:
        return link
    from lidjig.link.replay import RecordingLink

    try:
        seed = nonce_seed(link)
        return RecordingLink(link, Path(options.recording), nonce_seed=1 if seed is None else seed)
    except BadInput:
        link.close()
        raise


def _check_recording(path: Path) -> None:
    """Raises BadInput where no recording can be written, as far as that shows without writing."""
    if path.is_dir():
        raise BadInput("", "--recording", str(path), "a file, and this is a folder")
    if not path.parent.is_dir():
        raise BadInput("", "--recording", str(path), "a file in a folder that exists")


def _bench(
    options: GlobalOptions,
    command: str,
    progress: Progress,
    jig: Jig,
    store: Store,
    profiles: Profiles,
    begin: Begin,
) -> Bench:
    recorder = store.start_run(
        command,
        job=options.job,
        seed=jig.link.details.get("seed", options.seed),
        argv=list(options.argv),
        host_version=__version__,
        board_id=jig.hello.board_hex,
        firmware=jig.hello.firmware_text,
        texts=profiles.texts,
        link_details={"name": jig.link.name, **jig.link.details},
        arguments=begin.arguments,
        resumes=begin.resumes,
        clock=jig.clock,
    )
    run_begun(recorder.id)
    recorder.board_time_us = lambda: jig.pulse["t_us"] if jig.pulse else None
    jig.sink = recorder
    keys = EnterKey()
    operator = Operator(typed=keys) if jig.link.traits.operator_acts else Operator(keys, keys)
    return Bench(jig, recorder, profiles.machine, profiles.sensor, operator, progress)


def run_procedure(
    options: GlobalOptions,
    command: str,
    make: Callable[[Bench], Procedure],
    *,
    sensor: str | None = None,
    machine: str | None = None,
    texts: dict[str, str] | None = None,
    arguments: dict[str, Any] | None = None,
    resumes: str | None = None,
    paced: bool = False,
    check: Callable[[Profiles], None] = lambda _profiles: None,
    done: Callable[[], None] = lambda: None,
    loose: bool = False,
) -> int:
    """Open everything, run the procedure, show its report; the exit status.

    texts: profiles of the run that is resumed, instead of sensor and machine. paced: simulated time keeps to wall time.
    check: raises BadInput where the command's arguments do not fit the profiles; no run is begun then.
    done: called when the procedure has ended, before its report is shown. loose: see load_profiles.
    """
    from lidjig.show.as_json import report_object
    from lidjig.show.terminal import TerminalProgress, console_on, show_report

    progress = TerminalProgress(console_on(sys.stderr))
    begin = Begin(arguments or {}, texts, resumes, check, loose)
    run_id: str | None = None
    try:
        with open_bench(options, command, progress, sensor=sensor, machine=machine, begin=begin) as opened:
            run_id = opened.bench.recorder.id
            traits = opened.bench.jig.link.traits
            progress.simulated = traits.operator_acts
            if paced and traits.ahead:
                progress.keep_pace(opened.bench.jig.clock)
            procedure = _make(opened.bench, make)
            with stop_on_interrupt(opened.bench.stop):
                report = procedure.run()
    except LidjigError as error:
        return tell(error, command, options.json, run_id)
    finally:
        progress.close()
        done()
    if options.json:
        sys.stdout.write(report_object(report) + "\n")
        show_report(report, console_on(sys.stderr), with_measurements=False)
    else:
        show_report(report, console_on(sys.stdout))
    return status_of(report, procedure.failure)


def _make(bench: Bench, make: Callable[[Bench], Procedure]) -> Procedure:
    """The procedure; where its arguments do not fit the profiles, the run that was begun is closed as an error."""
    try:
        return make(bench)
    except BadInput as error:
        bench.recorder.note(str(error))
        bench.recorder.finish(ERROR)
        raise


def status_of(report: Report, failure: LidjigError | None) -> int:
    """Exit status of a finished procedure."""
    if failure is not None:
        return exit_status(failure)
    return OUTCOME_STATUS[report.outcome]
