"""Sensor with registers on I2C: the 12-bit map of the ams AS5600, and a 14-bit part with the angle in two registers.

DS = ams AS5600 datasheet v1-06, 2018-Jun-20. Its map and bits: registers.py. How it answers on the bus is the business
of whoever models the part; here stands what its registers say.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from lidjig.bench.families import registers as reg
from lidjig.bench.families.base import (
    ABOVE,
    INTERNAL,
    NO_MAGNET,
    SILENT,
    STRONG,
    WEAK,
    Limits,
    Reading,
    ReadRegisters,
    Registers,
    Seen,
    part_of,
)
from lidjig.bench.families.turns import FULL_TURN_DEG, check_wrap
from lidjig.bench.sensor import PUSH_PULL_MAX_V
from lidjig.errors import BadInput

LAYOUTS = ("12-bit", "14-bit")  # by number in the board's record
COUNTS_12 = 4096
COUNTS_14 = 16384
RANGE_MIN_DEG = 18.0  # DS p.19, p.21: the range must be greater

ADDRESS = {"12-bit": 0x36, "14-bit": 0x06}  # DS p.18; MT6701 datasheet, second hand, quoted in a SimpleFOC thread
# RP2040 and RP2350 datasheets, I2C register IC_SAR: correct operation is not guaranteed on 0x00..0x07 and 0x78..0x7F.
ADDRESS_MIN, ADDRESS_MAX = 0x08, 0x77
# Where the 14-bit part can be moved to (second hand: github.com/noranraskin/MT6701, thread 9).
ADDRESS_14_OTHER = 0x46

Word12 = Annotated[int, Meta(ge=0, le=0xFFF)]


class I2cEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """zpos, mpos, mang, conf, burns: what the registers hold after power-up. register: which one the machine reads.
    scaled: whether ANGLE is spread over all 4096 codes when the range is narrowed (DS p.21) or keeps its 4096 counts a
    turn (DS p.19); the data sheet says both. wrap: true where a whole turn is counted.
    """

    layout: Literal["12-bit", "14-bit"] = "12-bit"
    address: Annotated[int, Meta(ge=0, le=0x7F)] | None = None
    register: Literal["angle", "raw-angle"] = "angle"
    scaled: bool = True
    zpos: Word12 = 0
    mpos: Word12 = 0
    mang: Word12 = 0
    conf: Annotated[int, Meta(ge=0, le=0x3FFF)] = 0
    burns: Annotated[int, Meta(ge=0, le=reg.BURN_ANGLE_MAX)] = 0
    wrap: bool = False

    @property
    def bus_address(self) -> int:
        """7-bit address; without one in the profile the part's own."""
        return ADDRESS[self.layout] if self.address is None else self.address

    @property
    def range_counts(self) -> int:
        """Counts from start to stop. Registers at zero are not programmed (DS p.18, note 2) and the range is then the
        whole turn (DS p.25); so it is at 4095, the most that 12 bits can say (value from memory).
        """
        if self.mpos:
            counts = (self.mpos - self.zpos) % COUNTS_12
        else:
            counts = self.mang or COUNTS_12
        return COUNTS_12 if counts == COUNTS_12 - 1 else counts

    @property
    def full_turn(self) -> bool:
        """Whether the register that is read counts a whole turn."""
        return self.layout == "14-bit" or self.register == "raw-angle" or self.range_counts == COUNTS_12

    @property
    def codes(self) -> int:
        """Positions that the register which is read tells apart. Narrowed and not scaled, both ends count: 180 deg are
        0..2048 (DS p.19).
        """
        if self.layout == "14-bit":
            return COUNTS_14
        return COUNTS_12 if self.full_turn or self.scaled else self.range_counts + 1

    def check(self, limits: Limits) -> None:
        """An address that the board can answer on, registers that the part can hold, a span that fits. Raises
        BadInput.
        """
        if not ADDRESS_MIN <= self.bus_address <= ADDRESS_MAX:
            accepted = (
                f"{ADDRESS_MIN}..{ADDRESS_MAX} (0x08..0x77): the rest is reserved on I2C, and the board's own I2C is "
                "not guaranteed to work there"
            )
            if self.layout == "14-bit":
                accepted += f" (the part's other address is {ADDRESS_14_OTHER} = 0x46)"
            raise BadInput(limits.file, "encoding.address", self.bus_address, accepted)
        if self.layout == "14-bit":
            self._check_plain(limits)
        else:
            self._check_settings(limits)
        self._check_span(limits)
        # What a push-pull output may stand on is what 3.3 V inputs take: here they are the board's own.
        if limits.supply_max_v > PUSH_PULL_MAX_V:
            accepted = (
                f"at most {PUSH_PULL_MAX_V:g} with family 'i2c': the bus is pulled up to it, and the board's pins "
                "there are 3.3 V inputs"
            )
            raise BadInput(limits.file, "supply.max_v", limits.supply_max_v, accepted)

    def _check_plain(self, limits: Limits) -> None:
        for name in ("zpos", "mpos", "mang", "conf", "burns"):
            if getattr(self, name):
                accepted = "0 with layout = '14-bit', which has no such register here"
                raise BadInput(limits.file, f"encoding.{name}", getattr(self, name), accepted)
        if self.register != "angle":
            accepted = "'angle' with layout = '14-bit', which has a single angle"
            raise BadInput(limits.file, "encoding.register", self.register, accepted)

    def _check_settings(self, limits: Limits) -> None:
        if self.mpos and self.mang:
            accepted = "0 where encoding.mpos is set: a range has a stop position or a size, not both"
            raise BadInput(limits.file, "encoding.mang", self.mang, accepted)
        lowest = int(RANGE_MIN_DEG / FULL_TURN_DEG * COUNTS_12) + 1
        if self.range_counts < lowest:
            name = "mpos" if self.mpos else "mang"
            accepted = (
                f"a range of at least {lowest} counts, more than {RANGE_MIN_DEG:g} deg (it is {self.range_counts}): "
                "the part takes none that is narrower"
            )
            raise BadInput(limits.file, f"encoding.{name}", getattr(self, name), accepted)
        if (self.zpos or self.mpos) and not self.burns:
            accepted = f"1..{reg.BURN_ANGLE_MAX} where zpos or mpos are set: what was not burned is 0 after power-up"
            raise BadInput(limits.file, "encoding.burns", self.burns, accepted)
        if reg.conf_fields(self.conf)["outs"] == reg.OUTS_RESERVED:
            accepted = "bits 5:4 of 0..2 (analog, analog reduced, PWM); 3 is reserved"
            raise BadInput(limits.file, "encoding.conf", self.conf, accepted)

    def _check_span(self, limits: Limits) -> None:
        if self.wrap != self.full_turn:
            why = "the register counts a whole turn" if self.full_turn else "the range is narrowed and ends at its ends"
            raise BadInput(limits.file, "encoding.wrap", self.wrap, f"{str(self.full_turn).lower()}: {why}")
        check_wrap(self.wrap, limits)
        one = FULL_TURN_DEG / COUNTS_12
        span_deg = FULL_TURN_DEG if self.full_turn else self.range_counts * one
        if abs(limits.span_deg - span_deg) > one:
            accepted = f"{span_deg:.5g} (to within {one:.2g}), the range that the registers give"
            raise BadInput(limits.file, "transfer.span_deg", limits.span_deg, accepted)

    def decode(self, seen: Seen) -> list[Reading]:
        """A reading for every time that the registers were read. detail: the registers that were read, by name, and
        the magnet's bits. Without a magnet the code is told and stands for nothing. Never raises.
        """
        decode = self._decode_14 if self.layout == "14-bit" else self._decode_12
        return sorted((decode(registers) for registers in seen.registers), key=lambda reading: reading.t_us)

    def _decode_14(self, registers: Registers) -> Reading:
        high, low = (reg.byte(registers.value, address) for address in reg.ANGLE_14)
        # Nobody who answers: the pull-up reads as ones.
        if high is None or low is None or high == low == 0xFF:
            return Reading(registers.t_us, None, None, SILENT, _of_bus(registers))
        code = high << 6 | low >> 2
        return Reading(registers.t_us, code, part_of(code, COUNTS_14, wrap=self.wrap))

    def _decode_12(self, registers: Registers) -> Reading:
        detail: dict[str, int | float | str] = dict(reg.words(registers.value))
        code = reg.word(registers.value, reg.ANGLE if self.register == "angle" else reg.RAW_ANGLE)
        if code is None or _floating(registers.value):
            return Reading(registers.t_us, None, None, SILENT, detail | _of_bus(registers))
        fault = _magnet_fault(registers.value, detail)
        part = None
        if fault not in (NO_MAGNET, INTERNAL):
            if code < self.codes:
                part = part_of(code, self.codes, wrap=self.wrap)
            else:
                fault = ABOVE
        return Reading(registers.t_us, code, part, fault, detail)

    def ask(self) -> ReadRegisters:
        """Angle, magnet and gain at every look, each pair in one transfer so that it belongs together; the settings
        once.
        """
        if self.layout == "14-bit":
            return ReadRegisters(self.bus_address, ((reg.ANGLE_14[0], 2),))
        each = ((reg.STATUS, 1), (reg.RAW_ANGLE, 2), (reg.ANGLE, 2), (reg.AGC, 1), (reg.MAGNITUDE, 2))
        return ReadRegisters(self.bus_address, each, ((reg.ZMCO, reg.CONF + 2 - reg.ZMCO),))

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record."""
        return {
            "address": self.bus_address,
            "layout": LAYOUTS.index(self.layout),
            "zpos": self.zpos,
            "mpos": self.mpos,
            "mang": self.mang,
            "conf": self.conf,
            "burns": self.burns,
            "raw_angle": int(self.register == "raw-angle"),
            "scaled": int(self.scaled),
        }

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        if self.layout == "14-bit":
            return "repeats its last angle: its registers tell of no error"
        return "repeats its last angle, and STATUS tells of no magnet (MD 0, ML 1)"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        rows = [("bus", f"I2C, address 0x{self.bus_address:02X}"), ("register map", f"{self.layout} part")]
        if self.layout == "14-bit":
            return [*rows, ("angle", f"{COUNTS_14} counts a turn, registers 0x03 and 0x04")]
        at = reg.ANGLE if self.register == "angle" else reg.RAW_ANGLE
        rows.append(("angle", f"{self.register}, registers 0x{at:02X} and 0x{at + 1:02X}, {self.codes} codes"))
        if self.range_counts != COUNTS_12:
            range_deg = self.range_counts * FULL_TURN_DEG / COUNTS_12
            how = "spread over all codes" if self.scaled else "not spread"
            rows.append(("range", f"{range_deg:.2f} deg from {self.zpos} counts, {how}"))
        rows.append(("settings", ", ".join(f"{k} {v}" for k, v in reg.conf_fields(self.conf).items())))
        rows.append(("burned", f"{self.burns} of {reg.BURN_ANGLE_MAX} times"))
        return rows


def _of_bus(registers: Registers) -> dict[str, int | float | str]:
    return {"bus": registers.bus} if registers.bus else {}


def _floating(value: Mapping[int, int]) -> bool:
    """Nothing but ones: nobody answers, and the pull-up is what is read. No angle register can be 0xFFFF."""
    return all(value.get(address) == 0xFF for address in value)


def _magnet_fault(value: Mapping[int, int], detail: dict[str, int | float | str]) -> str:
    """The fault that STATUS tells, DS p.20; its bits go into detail. Nothing where it was not read."""
    status = reg.byte(value, reg.STATUS)
    if status is None:
        return ""
    found, weak, strong = (int(bool(status & bit)) for bit in (reg.MD, reg.ML, reg.MH))
    detail.update(md=found, ml=weak, mh=strong)
    if not found:
        return NO_MAGNET
    if weak and strong:
        return INTERNAL  # the gain cannot be at both its ends
    return WEAK if weak else STRONG if strong else ""
