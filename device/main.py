# What the board starts at power-up. Three ways past the firmware, so that no board is ever locked out:
# the mark switch held at power-up, a "leave" request, and any error below, which ends at the prompt.
import os

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from boards import Board

_LEAVE = "/leave"


def _asked_to_stay_out(folder: str) -> bool:
    # Noted by stay_out() below. Taken away first, so that it counts once.
    try:
        os.remove(folder + _LEAVE)
    except OSError:
        return False
    return True


def _stay_out(folder: str, board: "Board") -> None:
    # A running watchdog cannot be stopped, and nobody feeds it at the prompt. Only a reset ends it: note that
    # the firmware is not wanted, and start again without it. The port is gone for a moment meanwhile.
    open(folder + _LEAVE, "w").close()
    board.reset()


def main() -> None:
    from boards import Board, boot_files, mark_held, streams

    if mark_held():
        print("lidjig: mark switch held, firmware skipped")
        return
    folder = boot_files()
    if _asked_to_stay_out(folder):
        print("lidjig: left on request")
        return
    from firmware import app
    from firmware.console import StdConsole

    console = StdConsole(*streams())
    console.open()
    try:
        watchdog_runs = app.run(console, folder)
    finally:
        console.close()
    if watchdog_runs:
        _stay_out(folder, Board())
    print("lidjig: left on request")


if __name__ == "__main__":
    main()
