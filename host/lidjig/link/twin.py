"""The simulated bench as a link: the real firmware in a process of its own, on virtual time.

Virtual time advances in read() and, while the board restarts, in reopen(); nowhere else.
"""

from __future__ import annotations

import binascii
import json
import shutil
import struct
import tempfile
from collections import deque
from pathlib import Path
from typing import Any

from lidjig.errors import LinkLost, LossReason, NoJig
from lidjig.link import twin_process as process
from lidjig.link.base import BenchMeter, Clock, Deadline, Traits
from lidjig.link.twin_faults import LinkFaults
from lidjig.link.twin_meter import TwinMeter
from lidjig.twin.facts import make_facts
from lidjig.twin.scenario import Scenario, default_scenario, load_scenario, operator_knows, shipped

_STEP_MAX_US = 1_000_000  # one word to the bench moves time by this at most, so that a hang is told from a long wait
_READ_MIN_US = 50  # a read without patience still takes a moment, so that polling loops come to an end
_REOPEN_STEP_US = 50_000
_IF_LOST = "There is no cable here: the bench is a process of this computer. Repeat the command, which starts it anew."
_NO_START = "Choose another interpreter with --vm (auto, micropython, cpython); the healthy bench is --link twin."


def _profile_names(scenario: Scenario) -> dict[str, str]:
    """Names of the profiles that fit this bench, for whoever was given none."""
    names = {"machine": scenario.machine.name}
    sensor = scenario.sensor.profile or scenario.machine.sensor
    if sensor.endswith(".toml") and not Path(sensor).is_absolute():
        sensor = str(Path(scenario.file).parent / sensor)
    if not scenario.sensor.parameters:
        names["sensor"] = sensor
    return names


def _keep(flash: Path, kept: tuple[bytes, bytes]) -> None:
    """Sensor profile and wiring as the firmware keeps them (device/firmware/store.py): data, then CRC-32. What a board
    that was there before has kept stays.
    """
    for name, data in zip(("profile", "wiring"), kept, strict=True):
        path = flash / name
        if not path.exists():
            path.write_bytes(data + struct.pack("<I", binascii.crc32(data)))


class TwinClock:
    """Virtual time of one simulated bench."""

    def __init__(self) -> None:
        self.now_us = 0

    def now_s(self) -> float:
        """Seconds of virtual time since the bench came to life."""
        return self.now_us / 1e6


class TwinLink:
    """Link to a simulated bench; see lidjig.link.base.Link for the contract.

    scenario: what stands on the bench. vm: "micropython", "cpython" or "auto" (MicroPython where it is found).
    seed: instead of the scenario's. flash_dir: stands for the board's flash and is kept; None = thrown away at close.
    Raises BadInput for an unknown vm, NoJig where the interpreter does not start.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        vm: str = "auto",
        seed: int | None = None,
        flash_dir: Path | None = None,
        name: str = "twin",
    ) -> None:
        self.name = name
        self._clock = TwinClock()
        self.clock: Clock = self._clock
        self.seed = scenario.seed if seed is None else seed
        self._board_id = scenario.jig.board_id
        self._operator = scenario.operator
        self._faults = LinkFaults(scenario.faults, self.seed)
        self._temporary = None if flash_dir is not None else Path(tempfile.mkdtemp(prefix="lidjig-twin-"))
        flash = flash_dir if flash_dir is not None else self._temporary
        assert flash is not None
        flash.mkdir(parents=True, exist_ok=True)
        if scenario.kept is not None:
            _keep(flash, scenario.kept)
        self._out = bytearray()  # from the host, not yet handed over
        self._ready: deque[bytes] = deque()  # to the host, not yet read
        self._held = bytearray()  # to the host, held back by a stall
        self._loss: tuple[LossReason, str] | None = None
        self._restarted = False
        self._running = True
        self._closed = False
        self._last_bytes_us = 0
        try:
            self._process = process.BenchProcess(vm, make_facts(scenario, self.seed), flash.resolve())
        except BaseException as error:
            self._remove_flash()
            if isinstance(error, process.ProcessEnded):
                raise NoJig(name, f"the simulated bench does not start ({error})", todo=_NO_START) from error
            raise
        self.vm = self._process.vm
        try:
            interpreter = str(self._question(process.HEAP)["interpreter"])
        except LinkLost as error:
            self.close()
            raise NoJig(name, f"the simulated bench does not start ({error.detail})", todo=_NO_START) from error
        except BaseException:  # Ctrl-C: nothing stays behind
            self.close()
            raise
        self.details: dict[str, str] = {
            "kind": "twin",
            "vm": self.vm,
            "interpreter": interpreter,
            "seed": str(self.seed),
            "scenario": scenario.file,
            "title": scenario.title,
            "operator": "simulated",
            **_profile_names(scenario),
        }
        self.traits = Traits(True, True, self.details["machine"], self.details.get("sensor"), _IF_LOST)
        self.if_silent = (  # what to do where the board cannot be reached
            f"Look at the link faults in {scenario.file or 'the scenario'}; the healthy bench is --link twin."
        )
        self.texts = {"scenario": scenario.text}  # for the record, beside the profiles

    # bytes

    def write(self, data: bytes) -> None:
        """Hand over all of data; it reaches the board when time next advances. Raises LinkLost."""
        self._raise_if_lost()
        self._out += data

    def read(self, timeout_s: float) -> bytes:
        """Bytes from the board, as soon as there are any; b"" after timeout_s of virtual time. Raises LinkLost."""
        end_us = self._clock.now_us + max(_READ_MIN_US, round(timeout_s * 1e6))
        while True:
            if self._ready:
                self._last_bytes_us = self._clock.now_us
                return self._ready.popleft()
            self._raise_if_lost()
            now_us = self._clock.now_us
            if now_us >= end_us:
                return b""
            if self._faults.reset_due(now_us):
                self._reset_board()
                continue
            if self._faults.stalled(now_us):
                data = b""
            else:
                self._release_held()
                if self._ready:
                    continue
                data = self._take_out()
            stop_us = min(end_us, now_us + _STEP_MAX_US, max(now_us + 1, self._faults.change_us(now_us)))
            self._advance(stop_us - now_us, data)

    def _take_out(self) -> bytes:
        data = bytes(self._out)
        self._out.clear()
        return b"".join(self._faults.pass_on(data, to_host=False))

    def _release_held(self) -> None:
        if self._held:
            self._ready.extend(self._faults.pass_on(bytes(self._held), to_host=True))
            self._held.clear()

    def _advance(self, us: int, data: bytes) -> None:
        answer = self._ask(process.ADVANCE, data, us)
        self._clock.now_us = answer.now_us
        if self._faults.stalled_until_us > answer.now_us:
            self._held += answer.data
        elif answer.data:
            self._ready.extend(self._faults.pass_on(answer.data, to_host=True))
        if answer.kind == process.RESTARTED:
            self._lose(LossReason.CLOSED, "the board restarted")
            self._restarted = True
        self._running = bool(answer.flags & process.FLAG_RUNNING)

    def _ask(self, code: int, data: bytes = b"", number: int = 0) -> process.Answer:
        try:
            return self._process.ask(code, data, number)
        except process.ProcessEnded as error:
            self._lose(LossReason.PROCESS_ENDED, str(error))
            raise self._lost_error() from error

    def _reset_board(self) -> None:
        self._say(process.RESET)
        self._held.clear()
        self._lose(LossReason.CLOSED, "the board lost its supply")
        self._restarted = True

    def _say(self, code: int, data: bytes = b"") -> None:
        try:
            self._process.say(code, data)
        except process.ProcessEnded as error:
            self._lose(LossReason.PROCESS_ENDED, str(error))
            raise self._lost_error() from error

    # loss and return

    def _lose(self, reason: LossReason, detail: str) -> None:
        self._loss = (reason, detail)
        self._out.clear()

    def _lost_error(self) -> LinkLost:
        reason, detail = self._loss if self._loss is not None else (LossReason.CLOSED, "")
        silent_s = (self._clock.now_us - self._last_bytes_us) / 1e6
        return LinkLost(self._board_id, self.name, silent_s, reason, detail, _IF_LOST)

    def _raise_if_lost(self) -> None:
        if self._closed:
            self._loss = (LossReason.CLOSED, "closed by this program")
        if self._loss is not None:
            raise self._lost_error()

    def reopen(self, deadline: Deadline) -> None:
        """Wait (in virtual time) until the board has started again.

        Raises NoJig at the deadline, or at once when the bench itself has ended.
        """
        if self._closed or (self._loss is not None and self._loss[0] is LossReason.PROCESS_ENDED):
            why = f" ({self._loss[1]})" if self._loss else ""
            raise NoJig(self.name, f"the simulated bench has ended{why}", todo=_IF_LOST)
        self._ready.clear()
        self._held.clear()
        self._out.clear()
        self._running = not self._restarted
        while not self._running:
            left_us = round(deadline.left_s() * 1e6)
            if left_us <= 0:
                raise NoJig(self.name, f"the board did not start within {deadline.seconds:g} s")
            try:
                self._advance(min(_REOPEN_STEP_US, left_us), b"")
            except LinkLost as error:
                raise NoJig(self.name, f"the simulated bench has ended ({error.detail})", todo=_NO_START) from error
        self._loss = None
        self._restarted = False

    def tell_operator(self, action: str) -> None:
        """The simulated operator hears this prompt now, and acts after a reaction time. Raises LinkLost.

        An action that nobody knows is left undone, and stands in details["unknown_actions"].
        """
        self._raise_if_closed_process()
        if not operator_knows(action):
            known = self.details.get("unknown_actions", "")
            self.details["unknown_actions"] = f"{known}, {action}" if known else action
        self._say(process.OPERATOR, action.encode("ascii", "replace"))

    def bench_meter(self) -> BenchMeter | None:
        """The simulated operator's, with errors of its own inside its data sheet."""
        return TwinMeter(self.volts, self._operator, self.seed)

    def _raise_if_closed_process(self) -> None:
        if self._closed or (self._loss is not None and self._loss[0] is LossReason.PROCESS_ENDED):
            self._raise_if_lost()

    def close(self) -> None:
        """End the bench. Safe to call twice; never raises; returns within 2 s."""
        if self._closed:
            return
        self._closed = True
        self._process.close()
        self._remove_flash()

    def _remove_flash(self) -> None:
        if self._temporary is not None:
            shutil.rmtree(self._temporary, ignore_errors=True)
            self._temporary = None

    # for whoever tests or explains the bench; a procedure has no use for these

    def look(self) -> dict[str, Any]:
        """The state of the bench itself: power state, lid, node voltages in mV. Raises LinkLost."""
        return self._question(process.LOOK)

    def heap(self) -> dict[str, int]:
        """Heap of the bench's interpreter in bytes, `before` the firmware was imported and `now`; 0 on CPython."""
        report = self._question(process.HEAP)
        return {key: int(report[key]) for key in ("before", "now")}

    def wave(self, conductor: str, seconds: float) -> dict[str, Any]:
        """What a conductor carried at the machine's board in the last seconds: `begin`, `end` and `edges` (of [time,
        level]) in cycles of 125 MHz, `level` at the beginning. Raises LinkLost; ValueError
        for a conductor that carries none, and for more edges than are kept: the bench goes on.
        """
        asked = f"wave of {conductor!r}, {seconds:g} s"
        if not seconds >= 0.0:
            raise ValueError(f"{asked}: accepted 0 s and above")
        return self._question(process.WAVE, conductor.encode("utf-8"), round(seconds * 1e6), asked)

    def volts(self) -> dict[str, int]:
        """Voltages of the bench's nodes now, in uV by the names that look() has. Raises LinkLost."""
        return self._question(process.VOLTS)

    def transfer(self, address: int, data: bytes, count: int) -> bytes | None:
        """The machine's controller writes data to an I2C address (either may be left out), then reads so many bytes.
        None where nobody acknowledges. Raises LinkLost, ValueError where the machine's sensor is not on I2C.
        """
        found = self._question(process.TRANSFER, bytes([address]) + data, count, f"transfer to {address:#x}")
        return bytes(found["read"]) if found["acknowledged"] else None

    def _question(self, code: int, data: bytes = b"", number: int = 0, asked: str = "") -> dict[str, Any]:
        """asked: what errors call it. Raises LinkLost, ValueError for what cannot be answered."""
        self._raise_if_closed_process()
        found: dict[str, Any] = json.loads(self._ask(code, data, number).data)
        if "refused" in found:
            raise ValueError(f"{asked}: {found['refused']}")
        return found

    def fault_counts(self) -> dict[str, int]:
        """How often each link fault has struck."""
        return dict(self._faults.counts)

    @property
    def pid(self) -> int:
        """Process id of the bench."""
        return self._process.pid


def scenarios() -> list[tuple[str, str]]:
    """The shipped scenarios: what --link twin:NAME takes, and the title of each."""
    return [(name, load_scenario(name).title) for name in shipped()]


def open_twin(
    scenario: str | Path | None = None, *, vm: str = "auto", seed: int | None = None, flash_dir: Path | None = None
) -> TwinLink:
    """A simulated bench from a scenario's name or path; None = the healthy demo bench. Raises BadInput, NoJig."""
    loaded = default_scenario() if scenario is None else load_scenario(scenario)
    name = "twin" if scenario is None else f"twin:{scenario}"
    return TwinLink(loaded, vm=vm, seed=seed, flash_dir=flash_dir, name=name)
