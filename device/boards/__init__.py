# The board in use. Everything that knows a chip or a pin number is in this folder; the rest of the firmware
# sees only what Board offers. Another board is another file here with the same names, and one changed line.
from boards.pico import Board, boot_files, mark_held, streams

__all__ = ["Board", "boot_files", "mark_held", "streams"]
