"""Runs the firmware on the simulated bench: started by the host, one process per bench.

Arguments: folder of the firmware, folder that holds shared_proto, folder that stands for the board's flash. The first
line on stdin is the bench in JSON; after it the words of lockstep.py.
"""

import sys

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any


def _forget(folder: str) -> None:
    # The firmware must not find the bench's own modules.
    if folder in sys.path:
        sys.path.remove(folder)


def _read_line() -> bytes:
    line = b""
    while not line.endswith(b"\n"):
        byte = sys.stdin.buffer.read(1)
        if not byte:
            break
        line += byte
    return line


def main(firmware: str, proto: str, flash: str) -> int:
    import gc
    import json

    import lockstep
    import shims
    from board import failure_text, run_firmware
    from kernel import BoardReset
    from world import World

    world = World(json.loads(_read_line()))
    kernel, board = world.kernel, world.board
    shims.install(kernel, world.gpio, board, world.bus, world.pio, world.pwm, world.targets, world.sensor_bus)
    version = ".".join([str(number) for number in sys.implementation.version[:3]])
    heap: dict[str, Any] = {"interpreter": sys.implementation.name + " " + version}

    def heap_now() -> int:
        gc.collect()
        return gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0

    def heap_report() -> "dict[str, Any]":
        heap["now"] = heap_now()
        return heap

    link = lockstep.Lockstep(world, heap_report)
    _forget(sys.path[0])
    sys.path.insert(0, firmware)
    kernel.attention = True
    heap["before"] = heap_now()
    try:
        while True:
            try:
                board.power_up()
                run_firmware(board, (firmware, proto), flash)
                board.prompt()
            except BoardReset:
                board.power_down()
    except lockstep.Quit:
        return 0
    except Exception as error:  # noqa: BLE001  whatever it was, the host is told before this process ends
        link.failed(failure_text(error))
        return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2], sys.argv[3]))
