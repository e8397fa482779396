# Instruction memory of PIO 0, which holds the program of one family at a time.
from rp2 import PIO

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

# Where an assembled program keeps the place it was loaded to in block 0 (MicroPython, ports/rp2/rp2_pio.c,
# PROG_OFFSET_PIO0).
_PLACE = 1


def make_room(program: "Any") -> None:
    # Service loop. Everything is removed, and the program of whoever asks is loaded anew when a state machine is given
    # it. Removing all does not tell the programs: one that was loaded before would be believed to be there still, where
    # another family's is now. (remove_program(program) tells it, but does harm where the program is not loaded.)
    PIO(0).remove_program()
    program[_PLACE] = -1
