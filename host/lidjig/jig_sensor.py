"""The requests of the jig that read a real sensor which tells an angle: levels of a line, registers, words, steps."""

from __future__ import annotations

from dataclasses import dataclass

from lidjig.errors import BadInput, TooOld
from lidjig.jig_core import JigCore
from lidjig.jig_types import OpenNumber
from shared_proto import names

SAMPLES_MIN, SAMPLES_MAX = 32, 65536  # shared_proto/messages.py, capture
SAMPLES_STEP = 32
STEP_NS_MIN, STEP_NS_MAX = 16, 500_000
CAPTURE_S_MAX = 2.0


class SensorAnswer(OpenNumber):
    """What a real sensor on I2C did when its registers were read (names.SENSOR_ANSWERS)."""

    ANSWERED = names.SENSOR_ANSWERED
    SILENT = names.SENSOR_SILENT
    HELD = names.SENSOR_HELD


@dataclass(frozen=True)
class Capture:
    """Levels of a line: a bit a sample, the earliest in bit 0 of the first byte. t_us: board time of the first sample.
    step_ps: time between two, in ps.
    """

    t_us: int
    step_ps: int
    samples: int
    bits: bytes


@dataclass(frozen=True)
class RegistersRead:
    """Bytes from a register on, none unless the sensor answered. t_us: board time."""

    t_us: int
    answer: SensorAnswer
    data: bytes


@dataclass(frozen=True)
class Steps:
    """A count of steps since it began: sensor 1 ahead of sensor 2 is up. skipped: times that both lines had changed."""

    t_us: int
    steps: int
    skipped: int
    levels: tuple[int, int]


class SensorSide(JigCore):
    """Part of Jig, which see for what every request raises; TooOld where the board's firmware cannot read sensors."""

    def check_reads(self) -> None:
        """Raises TooOld where the board's firmware cannot read a real sensor."""
        if not self.hello.abilities & names.ABILITY_READING:
            raise TooOld("reads no sensor that tells an angle", self.hello.firmware_text, self.link.name)

    def capture(self, line: int, step_s: float, samples: int) -> Capture:
        """Levels of the sensor's line 1 or 2, so many samples at most step_s apart; answered when all are taken."""
        if line not in (1, 2):
            raise BadInput("", "line", line, "1 or 2")
        self.check_reads()
        step_ns = min(max(int(step_s * 1e9), STEP_NS_MIN), STEP_NS_MAX)
        taken = self._ask("capture", line=line - 1, step_ns=step_ns, samples=samples)
        bits = b""
        while len(bits) < (length := int(taken["samples"]) // 8):
            part = self._ask("capture_read", offset=len(bits))
            if not part["data"] or part["length"] != length:
                break  # a disarm or a trip took them; what is there is there
            bits += bytes(part["data"])
        return Capture(int(taken["t_us"]), int(taken["step_ps"]), 8 * len(bits), bits)

    def registers(self, address: int, first: int, count: int) -> RegistersRead:
        """Registers of a real sensor on I2C, in one transfer. Armed, route other than through."""
        self.check_reads()
        read = self._ask("registers", address=address, first=first, count=count)
        return RegistersRead(int(read["t_us"]), SensorAnswer(read["state"]), bytes(read["data"]))

    def clock_word(self, bits: int, half_us: int, *, out_falling: bool) -> tuple[int, int]:
        """(board time in us, word) clocked out of a real sensor (SSI), its first bit highest. Armed, route other than
        through.
        """
        self.check_reads()
        read = self._ask("word", bits=bits, half_us=half_us, out_falling=int(out_falling))
        return int(read["t_us"]), int(read["word"])

    def count(self, run: str) -> Steps:
        """Steps of a real quadrature sensor: "begin" counts from 0, "read" tells, "stop" ends it (names.COUNTS)."""
        if run not in names.COUNTS:
            raise BadInput("", "run", run, ", ".join(names.COUNTS))
        self.check_reads()
        read = self._ask("count", run=names.COUNTS.index(run))
        levels = int(read["levels"])
        return Steps(int(read["t_us"]), int(read["steps"]), int(read["skipped"]), (levels & 1, levels >> 1))
