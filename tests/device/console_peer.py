"""The firmware's console on this process's own stdin and stdout; for test_console.py, under MicroPython only.

echo: gives every byte back; tells on stderr how often it waited without input; ends at a byte Q.
flood: writes until the port takes nothing more, tells how much that was, and still sees input.
"""

import sys

import micropython


class Cover:
    """The micropython module with what only a board has."""


cover = Cover()
for name in dir(micropython):
    if not name.startswith("__"):
        setattr(cover, name, getattr(micropython, name))
cover.kbd_intr = lambda character: sys.stderr.write(f"interrupt character {character}\n")
sys.modules["micropython"] = cover

from firmware.console import StdConsole  # noqa: E402  the cover comes first


def echo(console):
    idle = 0
    while True:
        if not console.wait(10):
            idle += 1
            if idle % 10 == 0:
                sys.stderr.write("idle\n")
            continue
        data = console.read()
        assert 0 < len(data) <= 64
        last = b"Q" in data
        while data:
            data = data[console.write(data) :]
        if last:
            return


def flood(console):
    total = 0
    while True:
        taken = console.write(b"x" * 64)
        if not taken:
            break
        total += taken
    sys.stderr.write(f"full {total}\n")
    while not console.wait(10):
        pass
    sys.stderr.write(f"input {console.read()[0]}\n")


console = StdConsole(sys.stdin, sys.stdout)
console.open()
(echo if sys.argv[1] == "echo" else flood)(console)
console.close()
