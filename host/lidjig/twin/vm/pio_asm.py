"""Assembler of PIO programs as rp2.asm_pio has it (docs.micropython.org, library rp2), for the RP2040.

Encoding: RP2040 datasheet 3.4.1, table of PIO instructions. A program is the list that the board's own decorator gives:
machine code (array of 16-bit words), where it is loaded in each of the two blocks (-1 = not yet), the EXECCTRL and
SHIFTCTRL registers without pins, and the first states of the out, set and side-set pins.
"""

import sys
from array import array

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

PROG_CODE, PROG_OFFSET, _, PROG_EXEC, PROG_SHIFT, PROG_OUT, PROG_SET, PROG_SIDE = range(8)

# Fields of EXECCTRL and SHIFTCTRL (RP2040 datasheet 3.7, list of registers).
EXEC_WRAP_BOTTOM = 7
EXEC_WRAP_TOP = 12
EXEC_SIDE_PINDIR = 29
EXEC_SIDE_EN = 30
SHIFT_AUTOPUSH = 16
SHIFT_AUTOPULL = 17
SHIFT_IN_RIGHT = 18
SHIFT_OUT_RIGHT = 19
SHIFT_PUSH_THRESH = 20
SHIFT_PULL_THRESH = 25
SHIFT_JOIN = 30

# Numbers under which a program knows things. Where one name has two codes, or is a function as well, the name gets a
# number of its own that no field has, and is translated where it is used.
_PIN = 6
_EXEC = 8
_NAMES = {
    "gpio": 0, "pins": 0, "x": 1, "y": 2, "null": 3, "pindirs": 4, "pc": 5, "status": 5, "isr": 6, "osr": 7,
    "exec": _EXEC,
    "not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": _PIN, "not_osre": 7,
    "noblock": 0x01, "block": 0x21, "iffull": 0x40, "ifempty": 0x40, "clear": 0x40,
}  # fmt: skip

# What each field takes; all other codes are reserved (RP2040 datasheet 3.4.2 to 3.4.10).
_IN_SOURCES = (0, 1, 2, 3, 6, 7)
_OUT_DESTINATIONS = (0, 1, 2, 3, 4, 5, 6, 7)
_MOV_DESTINATIONS = (0, 1, 2, 4, 5, 6, 7)
_MOV_SOURCES = (0, 1, 2, 3, 5, 6, 7)
_SET_DESTINATIONS = (0, 1, 2, 4)

_MOV_INVERT = 0x08
_MOV_REVERSE = 0x10
_IRQ_REL = 0x10
_NOP = 0xA042  # mov y, y


class PIOASMError(Exception):
    """A program that cannot be assembled; the text says what and where."""


class Assembler:
    """Collects the instructions of one program; finish() encodes them.

    Instructions return this object, so that .side(v), .delay(n) and [n] can follow.
    """

    def __init__(self, side_count: int) -> None:
        self._side_count = side_count
        self._rows: list[list[Any]] = []  # code, label or None, side or None, delay
        self._labels: dict[Any, int] = {}
        self._bottom = 0
        self._top = -1

    def names(self) -> "dict[str, Any]":
        """Everything that a program can say."""
        said: dict[str, Any] = dict(_NAMES)
        for name in ("word", "nop", "jmp", "wait", "in_", "out", "push", "pull", "mov", "irq", "set"):
            said[name] = getattr(self, name)
        for name in ("label", "wrap", "wrap_target"):
            said[name] = getattr(self, name)
        said["invert"] = lambda source: source | _MOV_INVERT
        said["reverse"] = lambda source: source | _MOV_REVERSE
        said["rel"] = lambda index: index | _IRQ_REL
        return said

    def _wrong(self, what: str, value: object) -> PIOASMError:
        return PIOASMError(what + " " + str(value) + " in instruction " + str(len(self._rows)))

    def _among(self, what: str, value: int, accepted: tuple[int, ...]) -> int:
        if value not in accepted:
            raise self._wrong("wrong " + what, value)
        return value

    def _below(self, what: str, value: int, end: int) -> int:
        if not 0 <= value < end:
            raise self._wrong(what + " out of range:", value)
        return value

    # what is no instruction

    def label(self, label: object) -> None:
        if label in self._labels:
            raise PIOASMError("duplicate label " + str(label))
        self._labels[label] = len(self._rows)

    def wrap_target(self) -> None:
        self._bottom = len(self._rows)

    def wrap(self) -> None:
        if not self._rows:
            raise PIOASMError("wrap before the first instruction")
        self._top = len(self._rows) - 1

    # additions to the instruction before

    def side(self, value: int) -> "Assembler":
        if not self._side_count:
            raise PIOASMError("no sideset")
        if not 0 <= value < 1 << self._side_count:
            raise PIOASMError("sideset too large: " + str(value))
        self._rows[-1][2] = value
        return self

    def delay(self, cycles: int) -> "Assembler":
        self._rows[-1][3] = cycles
        return self

    def __getitem__(self, cycles: int) -> "Assembler":
        return self.delay(cycles)

    # instructions

    def word(self, instr: int, label: object = None) -> "Assembler":
        self._rows.append([instr, label, None, 0])
        return self

    def nop(self) -> "Assembler":
        return self.word(_NOP)

    def jmp(self, cond: "Any", label: object = None) -> "Assembler":
        if label is None:
            return self.word(0x0000, cond)
        return self.word(self._below("condition", cond, 8) << 5, label)

    def wait(self, polarity: int, src: "Any", index: int) -> "Assembler":
        if src == _PIN:
            source = 1
        elif src == 0:
            source = 0
        else:
            source = 2  # irq is a function by its name
        if source == 2:
            self._irq_index(index)
        code = self._below("polarity", polarity, 2) << 7 | source << 5 | self._below("index", index, 32)
        return self.word(0x2000 | code)

    def _bit_count(self, count: int) -> int:
        if not 0 < count <= 32:
            raise self._wrong("invalid bit count", count)
        return count & 31

    def in_(self, src: int, data: int) -> "Assembler":
        return self.word(0x4000 | self._among("source", src, _IN_SOURCES) << 5 | self._bit_count(data))

    def out(self, dest: int, data: int) -> "Assembler":
        code = self._among("destination", 7 if dest == _EXEC else dest, _OUT_DESTINATIONS)
        return self.word(0x6000 | code << 5 | self._bit_count(data))

    def push(self, value: int = 0, value2: int = 0) -> "Assembler":
        return self._fifo(0x8000, value | value2)

    def pull(self, value: int = 0, value2: int = 0) -> "Assembler":
        return self._fifo(0x8080, value | value2)

    def _fifo(self, code: int, modifiers: int) -> "Assembler":
        if not modifiers & 1:  # neither block nor noblock was said
            modifiers |= 0x20
        return self.word(code | modifiers & 0x60)

    def mov(self, dest: int, src: int) -> "Assembler":
        code = self._among("destination", 4 if dest == _EXEC else dest, _MOV_DESTINATIONS)
        self._among("source", src & 7, _MOV_SOURCES)
        return self.word(0xA000 | code << 5 | self._below("source", src, 24))

    def _irq_index(self, index: int) -> int:
        if not 0 <= index & ~_IRQ_REL < 8:
            raise self._wrong("irq out of range:", index)
        return index

    def irq(self, mod: int, index: int | None = None) -> "Assembler":
        if index is None:
            return self.word(0xC000 | self._irq_index(mod))
        return self.word(0xC000 | mod & 0x60 | self._irq_index(index))

    def set(self, dest: int, data: int) -> "Assembler":
        code = self._among("destination", dest, _SET_DESTINATIONS)
        return self.word(0xE000 | code << 5 | self._below("value", data, 32))

    # the end

    def finish(self) -> "tuple[array[int], int]":
        """(machine code, bits of EXECCTRL)."""
        rows = self._rows
        with_side = sum([1 for row in rows if row[2] is not None])
        # Where only some instructions set the side pins, one more bit says which.
        optional = self._side_count > 0 and with_side != len(rows)
        code = array("H")
        for row in rows:
            code.append(self._encode(row, self._side_count, optional))
        top = self._top if self._top >= 0 else max(len(rows) - 1, 0)
        return code, self._bottom << EXEC_WRAP_BOTTOM | top << EXEC_WRAP_TOP | optional << EXEC_SIDE_EN

    def finish_one(self, side_count: int, optional: bool) -> int:
        """Code of the only instruction. side_count: with the bit that makes it optional."""
        if len(self._rows) != 1:
            raise PIOASMError("expecting exactly 1 instruction")
        return self._encode(self._rows[0], side_count - optional, optional)

    def _encode(self, row: "list[Any]", side_count: int, optional: bool) -> int:
        code: int = row[0]
        label, side, delay = row[1:]
        if label is not None:
            if label not in self._labels:
                raise PIOASMError("unknown label " + str(label))
            code |= self._labels[label]
        delay_bits = 5 - side_count - optional
        if not 0 <= delay < 1 << delay_bits:
            raise PIOASMError("delay too large: " + str(delay))
        code |= delay << 8
        if side is not None:
            code |= side << (8 + delay_bits) | optional << 12
        return code


def _run_under(names: "dict[str, Any]", program: "Callable[[], object]") -> None:
    # A program finds its words among its module's names, which come back afterwards. On the board the module's own
    # names are gone meanwhile; constants that its compiler folded stay. CPython folds none, so there they are left.
    names_of_module: dict[str, Any] = program.__globals__
    before = dict(names_of_module)
    if sys.implementation.name == "micropython":
        names_of_module.clear()
    names_of_module.update(names)
    try:
        program()
    finally:
        names_of_module.clear()
        names_of_module.update(before)


def _count(first_states: "Any") -> int:
    if first_states is None:
        return 0
    return 1 if isinstance(first_states, int) else len(first_states)


def asm_pio(
    *,
    out_init: "Any" = None,
    set_init: "Any" = None,
    sideset_init: "Any" = None,
    side_pindir: bool = False,
    in_shiftdir: int = 0,
    out_shiftdir: int = 0,
    autopush: bool = False,
    autopull: bool = False,
    push_thresh: int = 32,
    pull_thresh: int = 32,
    fifo_join: int = 0,
) -> "Callable[[Callable[[], object]], list[Any]]":
    """The decorator; parameters as documented. Raises PIOASMError."""
    side_count = _count(sideset_init)
    if side_count > 5 or _count(set_init) > 5:
        raise PIOASMError("at most 5 pins for set and sideset")
    if not (0 < push_thresh <= 32 and 0 < pull_thresh <= 32):
        raise PIOASMError("threshold out of range: 1 to 32")
    shift = (
        fifo_join << SHIFT_JOIN
        | (pull_thresh & 31) << SHIFT_PULL_THRESH
        | (push_thresh & 31) << SHIFT_PUSH_THRESH
        | bool(out_shiftdir) << SHIFT_OUT_RIGHT
        | bool(in_shiftdir) << SHIFT_IN_RIGHT
        | bool(autopull) << SHIFT_AUTOPULL
        | bool(autopush) << SHIFT_AUTOPUSH
    )

    def assemble(program: "Callable[[], object]") -> "list[Any]":
        assembler = Assembler(side_count)
        _run_under(assembler.names(), program)
        code, execute = assembler.finish()
        execute |= bool(side_pindir) << EXEC_SIDE_PINDIR
        return [code, -1, -1, execute, shift, out_init, set_init, sideset_init]

    return assemble


def asm_pio_encode(instr: str, sideset_count: int, sideset_opt: bool = False) -> int:
    """One instruction, without labels. sideset_count: with the bit that makes it optional. Raises PIOASMError."""
    optional = bool(sideset_opt)
    assembler = Assembler(sideset_count - optional)
    names = assembler.names()
    names["jmp"] = None  # has nothing to jump to
    exec(instr, names)
    return assembler.finish_one(sideset_count, optional)
