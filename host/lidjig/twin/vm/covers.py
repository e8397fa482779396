"""Thin covers over os, gc and micropython: they make what would differ from run to run, or is missing on this
interpreter, come out the same everywhere. Everything else in these modules is this interpreter's own.
"""

import sys

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from board import Board


class Module:
    """A module made of attributes."""

    def __init__(self, name: str, **entries: object) -> None:
        self.__name__ = name
        for key in entries:
            setattr(self, key, entries[key])


def cover(module: object, name: str, **entries: object) -> Module:
    """A module with everything of the one given and these entries instead (built-in modules cannot be changed)."""
    covered = Module(name)
    for key in dir(module):
        if not key.startswith("__"):
            setattr(covered, key, getattr(module, key))
    for key in entries:
        setattr(covered, key, entries[key])
    return covered


def cover_os(board: "Board") -> None:
    """os: random bytes come from the seed, and rename replaces as it does on the board's file system."""
    import os

    if sys.implementation.name == "micropython":
        sys.modules["os"] = cover(os, "os", urandom=board.random_bytes)  # type: ignore[assignment]
    else:
        # The running interpreter's own library shares this module: change only what differs. On Windows its rename
        # refuses to replace.
        os.urandom = board.random_bytes
        os.rename = os.replace


def make_gc(board: "Board") -> Module:
    """gc: free and used heap are the board's, as the scenario states them, not this interpreter's."""
    import gc

    return cover(gc, "gc", mem_free=lambda: board.heap_free, mem_alloc=lambda: board.heap_total - board.heap_free)


def make_micropython(board: "Board") -> Module:
    """micropython: the interrupt character is the simulated port's; CPython gets what the firmware uses."""

    def kbd_intr(character: int) -> None:
        board.port.interrupt_character = character

    def emergency(size: int) -> None:
        pass

    if sys.implementation.name == "micropython":
        import micropython

        return cover(micropython, "micropython", kbd_intr=kbd_intr, alloc_emergency_exception_buf=emergency)
    import builtins

    # Viper code is Python but for its types, which are names of the compiler there.
    for name in ("ptr8", "ptr16", "ptr32"):
        setattr(builtins, name, lambda data: data)
    return Module(
        "micropython",
        kbd_intr=kbd_intr,
        alloc_emergency_exception_buf=emergency,
        const=lambda value: value,
        viper=lambda function: function,
        heap_lock=lambda: 0,
        heap_unlock=lambda: 0,
    )
