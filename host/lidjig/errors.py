"""Everything that lidjig raises on purpose, in one tree, and what to do about each fault.

LidjigError
 +-- BadInput       a profile, plan, scenario, argument or stored file that cannot be used      exit 2
 +-- NoJig          no board answers where one was asked for                                   exit 3
 +-- LinkLost       a jig that had answered is silent                                          exit 3
 +-- JigTimeout     the jig answers, but what was awaited did not come (also a TimeoutError)   exit 3
 +-- WrongProtocol  host and firmware speak different protocol majors                          exit 3
 +-- TooOld         the board's firmware lacks what a command needs                            exit 3
 +-- JigRestarted   the board was reset under us; an open request may or may not have acted    exit 3
 +-- Refused        the jig said no, and why                                                   exit 3
 +-- Tripped        the interlock let go in mid-procedure, and why                             exit 3
 +-- StoreFailed    the record could not be written or read                                    exit 3
 |    +-- StoreDamaged  its file is damaged; 'lidjig rescue' saves what can be read             exit 3
 +-- FileNotWritten a file did not get whole onto the disk (full, failing)                      exit 3
 +-- NotExported    a run cannot be written in the format asked for                            exit 3
 +-- OutputFailed   the jig's own output does not follow what it is commanded to                exit 1
 +-- NothingTold    nothing can be said of the machine, for want of what would tell            exit 3
      +-- Disturbed     link, board or monitor failed in the middle: the step is repeated       exit 3
      +-- NotSeen       observers that are needed cannot be read: something has to be mended    exit 3
      +-- Contradicting all observers are read and fit no state together                        exit 3

The data travel as attributes (and as args, so that the errors pickle); the text is built from them. Exit statuses stand
in one table, EXIT_STATUS: 0 passed, 1 the machine failed, 2 bad input, 3 no jig, lost link or an unusable bench.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping

from lidjig.error_advice import REFUSAL_ADVICE as REFUSAL_ADVICE
from lidjig.error_advice import TRIP_ADVICE as TRIP_ADVICE
from shared_proto import names


class LossReason(enum.Enum):
    """Why a link is gone."""

    SILENT = "no frame came"
    CLOSED = "the port closed"
    OS_ERROR = "the operating system reported an error on the port"
    PROCESS_ENDED = "the simulated bench ended"
    REPLAY_ENDED = "the recording ended"


class LidjigError(Exception):
    """Base of all errors that lidjig raises on purpose. `next_step` says what to do."""

    @property
    def next_step(self) -> str:
        return ""


class BadInput(LidjigError):
    """Seen when a file, argument or value that the user gave cannot be used. todo: what to do, if not the usual."""

    def __init__(self, file: str, key: str, value: object, accepted: str, todo: str = "") -> None:
        super().__init__(file, key, value, accepted, todo)
        self.file, self.key, self.value, self.accepted, self.todo = file, key, value, accepted, todo

    def __str__(self) -> str:
        where = f"{self.file}: " if self.file else ""
        if self.value is None:
            return f"{where}{self.key} is not given. Accepted: {self.accepted}."
        return f"{where}{self.key} = {self.value!r} is not usable. Accepted: {self.accepted}."

    @property
    def next_step(self) -> str:
        if self.todo:
            return self.todo
        if self.key == "command line":
            return f"{self.accepted[0].upper()}{self.accepted[1:]}."
        if self.file.endswith(".toml"):
            return f"Correct {self.key} in {self.file}, then repeat the command."
        return f"Repeat the command with {'' if self.value is None else 'another '}{self.key}."


class NoJig(LidjigError):
    """Seen when no port is there, when it is taken, or when nothing on it answers hello. todo: what to do, if not the
    usual."""

    def __init__(self, wanted: str, why: str, found: tuple[str, ...] = (), todo: str = "") -> None:
        super().__init__(wanted, why, found, todo)
        self.wanted, self.why, self.found, self.todo = wanted, why, found, todo

    def __str__(self) -> str:
        seen = f" Ports seen: {', '.join(self.found)}." if self.found else ""
        return f"no jig at {self.wanted}: {self.why}.{seen}"

    @property
    def next_step(self) -> str:
        if self.todo:
            return self.todo
        return "List what is there with 'lidjig ports'; put the firmware on a bare board with 'lidjig flash PORT'."


class LinkLost(LidjigError):
    """A jig that had answered is silent. Seen when: cable pulled, board reset, port taken by another program.

    todo: what to do, if not to look at the cable.
    """

    def __init__(
        self, board_id: str, port: str, silent_s: float, reason: LossReason, detail: str = "", todo: str = ""
    ) -> None:
        super().__init__(board_id, port, silent_s, reason, detail, todo)
        self.todo = todo
        self.board_id, self.port, self.silent_s, self.reason, self.detail = board_id, port, silent_s, reason, detail

    def __str__(self) -> str:
        detail = f" ({self.detail})" if self.detail else ""
        board = self.board_id or "(unknown)"
        return f"jig {board} on {self.port}: {self.reason.value}{detail}, {self.silent_s:.1f} s after the last frame."

    @property
    def next_step(self) -> str:
        if self.todo:
            return self.todo
        return "Check the cable and plug it in again; events that the board kept are fetched on reconnecting."


class JigTimeout(LidjigError, TimeoutError):
    """What was awaited did not come although the link is up. Says how much came meanwhile."""

    def __init__(self, awaited: str, waited_s: float, frames: int, rejects: int, last_frame_age_s: float) -> None:
        super().__init__(awaited, waited_s, frames, rejects, last_frame_age_s)
        self.awaited, self.waited_s = awaited, waited_s
        self.frames, self.rejects, self.last_frame_age_s = frames, rejects, last_frame_age_s

    def __str__(self) -> str:
        return (
            f"{self.awaited} did not come in {self.waited_s:.1f} s; meanwhile {self.frames} good frames, "
            f"{self.rejects} rejected, the last good one {self.last_frame_age_s:.1f} s ago."
        )


class WrongProtocol(LidjigError):
    """Host and board speak different majors."""

    def __init__(self, host: str, board: str, firmware: str, port: str) -> None:
        super().__init__(host, board, firmware, port)
        self.host, self.board, self.firmware, self.port = host, board, firmware, port

    def __str__(self) -> str:
        return f"this lidjig speaks protocol {self.host}, the board (firmware {self.firmware}) speaks {self.board}."

    @property
    def next_step(self) -> str:
        return f"Update the board with 'lidjig flash {self.port}'."


class TooOld(LidjigError):
    """The board speaks this host's protocol, but its firmware is from before what is asked of it. lacks: in words."""

    def __init__(self, lacks: str, firmware: str, port: str) -> None:
        super().__init__(lacks, firmware, port)
        self.lacks, self.firmware, self.port = lacks, firmware, port

    def __str__(self) -> str:
        return f"the board's firmware ({self.firmware}) {self.lacks}."

    @property
    def next_step(self) -> str:
        return f"Update the board with 'lidjig flash {self.port}'."


class JigRestarted(LidjigError):
    """The board was reset; a request open across the reset may or may not have been carried out."""

    def __init__(self, board_id: str, boot_before: int, boot_now: int, open_request: str) -> None:
        super().__init__(board_id, boot_before, boot_now, open_request)
        self.board_id, self.boot_before, self.boot_now, self.open_request = (
            board_id,
            boot_before,
            boot_now,
            open_request,
        )

    def __str__(self) -> str:
        unknown = f" Whether '{self.open_request}' was carried out is unknown." if self.open_request else ""
        return f"jig {self.board_id} restarted (boot {self.boot_before:08x} -> {self.boot_now:08x}).{unknown}"

    @property
    def next_step(self) -> str:
        return "Check the jig's supply and cable; the interrupted run is kept and can be resumed or repeated."


class Refused(LidjigError):
    """The jig did not carry a request out, and says why."""

    def __init__(self, request: str, reason: int, detail: int = 0) -> None:
        super().__init__(request, reason, detail)
        self.request, self.reason, self.detail = request, reason, detail

    @property
    def reason_name(self) -> str:
        """The wire name, or the number where it is newer than this host."""
        return names.REFUSALS[self.reason] if self.reason < len(names.REFUSALS) else f"reason {self.reason}"

    def __str__(self) -> str:
        advice = REFUSAL_ADVICE.get(self.reason)
        why = advice.cause if advice else "this host does not know the reason; the firmware is newer"
        return f"the jig refused '{self.request}' ({self.reason_name}, detail {self.detail}): {why}."

    @property
    def next_step(self) -> str:
        advice = REFUSAL_ADVICE.get(self.reason)
        return advice.todo if advice else "Update lidjig on this computer."


class Tripped(LidjigError):
    """The interlock let go while a procedure needed the jig. `reason`: names.REASONS; `t_us`: board time."""

    def __init__(self, reason: int, detail: int, t_us: int) -> None:
        super().__init__(reason, detail, t_us)
        self.reason, self.detail, self.t_us = reason, detail, t_us

    @property
    def reason_name(self) -> str:
        """The wire name, or the number where it is newer than this host."""
        return names.REASONS[self.reason] if self.reason < len(names.REASONS) else f"reason {self.reason}"

    def __str__(self) -> str:
        advice = TRIP_ADVICE.get(self.reason)
        why = advice.cause if advice else "this host does not know the reason; the firmware is newer"
        return f"the jig let go at {self.t_us / 1e6:.3f} s ({self.reason_name}, detail {self.detail}): {why}."

    @property
    def next_step(self) -> str:
        advice = TRIP_ADVICE.get(self.reason)
        return advice.todo if advice else "Update lidjig on this computer."


class StoreFailed(LidjigError):
    """The record could not be written or read; a run ends with this rather than go on unrecorded."""

    def __init__(self, store: str, doing: str, why: str) -> None:
        super().__init__(store, doing, why)
        self.store, self.doing, self.why = store, doing, why

    def __str__(self) -> str:
        return f"record {self.store}: {self.doing} failed: {self.why}."

    @property
    def next_step(self) -> str:
        return "Check free space and access rights, or name another record with --store."


class StoreDamaged(StoreFailed):
    """The record's file is damaged: bad pages, or a part of it is missing."""

    @property
    def next_step(self) -> str:
        return (
            f"Leave the file as it is and save what can be read with: lidjig rescue {self.store} NEW.db; "
            "record meanwhile into another file, with --store."
        )


class FileNotWritten(LidjigError):
    """A file could not be written to the end: the disk is full or failing. What was there before is as it was."""

    def __init__(self, file: str, why: str) -> None:
        super().__init__(file, why)
        self.file, self.why = file, why

    def __str__(self) -> str:
        return f"writing {self.file} failed: {self.why}. Nothing was written; a file that was there is as it was."

    @property
    def next_step(self) -> str:
        return "Free space on that disk, or name a file in another place; then repeat the command."


class NotExported(LidjigError):
    """The library that writes a format does not take what is in a run; no file was written."""

    def __init__(self, run: str, suffix: str, why: str) -> None:
        super().__init__(run, suffix, why)
        self.run, self.suffix, self.why = run, suffix, why

    def __str__(self) -> str:
        return f"run {self.run} cannot be written as {self.suffix} ({self.why}). No file was written."

    @property
    def next_step(self) -> str:
        return "Export it in another format (.json and .csv hold everything); the run itself is as it was."


class OutputFailed(LidjigError):
    """The output that was measured does not follow its command: no trim can make it right. what: seen, with the
    numbers; todo: what to look at.
    """

    def __init__(self, what: str, todo: str) -> None:
        super().__init__(what, todo)
        self.what, self.todo = what, todo

    def __str__(self) -> str:
        return f"the output does not follow: {self.what}"

    @property
    def next_step(self) -> str:
        return self.todo


class NothingTold(LidjigError):
    """Nothing can be said of the machine. The kinds differ in what follows: a step that was disturbed is taken again;
    what cannot be read has to be mended; observers that contradict one another are explained by the machine or its
    bench.
    """


class Disturbed(NothingTold):
    """Link, board or a power monitor (`who`) failed in the middle of something, so that nothing can be said of it:
    `what` was to happen; `did`: how it failed.
    """

    def __init__(self, what: str, who: str = "link or board", did: str = "failed") -> None:
        super().__init__(what, who, did)
        self.what, self.who, self.did = what, who, did

    def __str__(self) -> str:
        return f"{self.who} {self.did} before {self.what}, which therefore says nothing"

    @property
    def next_step(self) -> str:
        if self.who.startswith("power monitor"):
            return (
                f"Check plug, cable and 3.3 V of {self.who}: with a loose contact it starts anew and forgets how it "
                "was set up. Where all of that is sound, check the jig's own supply and USB cable. Then repeat the run."
            )
        return "Check the USB cable, the jig's supply and the plugs of the power monitors, then repeat the run."


class NotSeen(NothingTold):
    """Observers that the machine's states stand on cannot be read.

    blind: observer -> why. states: power states that are not told apart without them.
    """

    def __init__(self, blind: Mapping[str, str], states: tuple[str, ...]) -> None:
        super().__init__(dict(blind), states)
        self.blind, self.states = dict(blind), states

    def __str__(self) -> str:
        why = "; ".join(dict.fromkeys(self.blind.values()))
        return (
            f"{', '.join(self.blind)} cannot be read, so that {' and '.join(self.states)} are not told apart "
            f"and nothing can be said of the machine. {why}"
        )

    @property
    def next_step(self) -> str:
        return "Mend that, or name a machine profile whose other observers tell the states apart without it."


class Contradicting(NothingTold):
    """What the observers show together belongs to no power state, and stays so.

    showing: observer -> band or level. wanted: power state -> observers that would have to show something else. told:
    observer -> what it shows, in words with unit and role. s0ix: it looks like a machine that sleeps in S0ix.
    """

    def __init__(
        self,
        showing: Mapping[str, int | None],
        wanted: Mapping[str, list[str]],
        told: Mapping[str, str] | None = None,
        s0ix: bool = False,
    ) -> None:
        super().__init__(dict(showing), dict(wanted), dict(told or {}), s0ix)
        self.showing, self.wanted, self.told, self.s0ix = dict(showing), dict(wanted), dict(told or {}), s0ix

    def __str__(self) -> str:
        shown = ", ".join(self.told.get(name, f"{name} {value}") for name, value in self.showing.items())
        against = "; ".join(f"not {state} by {', '.join(names)}" for state, names in self.wanted.items())
        return f"the observers contradict one another ({shown}: {against}), so that nothing can be said of the machine"

    @property
    def next_step(self) -> str:
        s0ix = (
            "The light is out and the sleep line stays high: a machine that sleeps in S0ix does so, and "
            "'lidjig teach --s0ix' learns that. Else: "
        )
        return (s0ix if self.s0ix else "") + (
            "A pack that charges adds to the supply current and one that carries the machine hides it: let it charge "
            "full. A dimmed screen or an external display darkens the light: unplug displays, brighten the screen. "
            "Then repeat. Where a machine that does none of this shows other light or levels on this bench, "
            "'lidjig teach' learns them."
        )


EXIT_PASSED = 0
EXIT_MACHINE_FAILED = 1
EXIT_BAD_INPUT = 2
EXIT_NO_JIG = 3

EXIT_STATUS: dict[type[LidjigError], int] = {
    BadInput: EXIT_BAD_INPUT,
    NoJig: EXIT_NO_JIG,
    LinkLost: EXIT_NO_JIG,
    JigTimeout: EXIT_NO_JIG,
    WrongProtocol: EXIT_NO_JIG,
    TooOld: EXIT_NO_JIG,
    JigRestarted: EXIT_NO_JIG,
    Refused: EXIT_NO_JIG,
    Tripped: EXIT_NO_JIG,
    StoreFailed: EXIT_NO_JIG,
    FileNotWritten: EXIT_NO_JIG,
    NotExported: EXIT_NO_JIG,
    OutputFailed: EXIT_MACHINE_FAILED,
    NothingTold: EXIT_NO_JIG,
}
