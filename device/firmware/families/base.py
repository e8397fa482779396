# What a family of angle outputs gives to the jig. One is built when a profile of its family is put in force, and it has
# the pins while the jig stands in.
#
# Contract. put() and hold() run in the tick: small integers, nothing allocated, nothing that waits. What a family does
# to the pins ends with board.let_go(), which takes them back whatever the family does.
from micropython import const

# What stands for the level of a line that carries codes, while nobody holds it (tick.py).
CARRIES = const(3)

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from machine import Pin


class Family:
    # enables: of the buffers that the tick raises while standing in. digital: how many lines carry what their data pins
    # have, so that the two can be compared.
    lines = 0  # mask of names.LINES whose pins it has for itself
    on_bus = 0  # 1: those of the bus, on which others may be as well
    watched = 0  # 1: it says itself when somebody holds a line (sense)

    def __init__(self, enables: "tuple[Pin, ...]", digital: int) -> None:
        self.enables = enables
        self.digital = digital
        self.held = 1  # at a level, until a code has been put

    def ready(self) -> None:
        # Service loop, before anything is enabled: the hardware gets the pins.
        pass

    def end(self) -> None:
        # Service loop: another profile comes. Handlers of interrupts are taken back, which would hold the family.
        pass

    def put(self, code: int) -> int:
        # The code for the angle, or a word of curve.py; 0 where the hardware cannot take it yet.
        return 1

    def hold(self, level: int) -> None:
        # A level instead of codes, until the next put().
        pass

    def sense(self) -> int:
        # The tick, in every one while codes are put out, where it is watched. All but CARRIES trips.
        return CARRIES
