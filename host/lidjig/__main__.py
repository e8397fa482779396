"""`python -m lidjig` is the `lidjig` command. Nothing is imported here before Ctrl-C is taken care of."""

import os
import signal


def _stopped_at_start(_number: int, _frame: object) -> None:
    # Half of the modules are there: nothing is left to be closed, and no exception finds its way through an import.
    os.write(2, b"lidjig: stopped by Ctrl-C before anything began. Nothing was recorded or written.\n")
    os._exit(3)  # lidjig.errors.EXIT_NO_JIG, which is not imported yet


def main() -> None:
    """Entry of the installed command."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stopped_at_start)
    from lidjig.cli.main import main as command

    command()


if __name__ == "__main__":
    main()
