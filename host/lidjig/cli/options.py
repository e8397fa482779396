"""Options that every command takes, before or after its name.

They are moved to the front of the command line before it is parsed, so that `lidjig confirm --link twin` and
`lidjig --link twin confirm` mean the same and no command has to repeat them.
"""

from __future__ import annotations

from dataclasses import dataclass

from lidjig.errors import BadInput

VALUE_OPTIONS = ("--link", "--store", "--job", "--seed", "--vm", "--recording")
FLAG_OPTIONS = ("--json",)
# For commands with angles: "-5" is a number out of range and not an option that nobody knows.
NEGATIVE_NUMBERS = {"ignore_unknown_options": True}
FORCE_HELP = "Replace a file that is there already."
SEED_MAX = 0xFFFFFFFF
VMS = ("auto", "micropython", "cpython")
EVERYWHERE = (
    "Before or after any command: --link PORT|twin|twin:FILE|replay:FILE, --json, --store FILE_OR_URL, --job NAME, "
    "--seed N, --vm auto|micropython|cpython, --recording FILE."
)


@dataclass(frozen=True)
class GlobalOptions:
    """What was asked for on the command line, whatever the command. None = not given."""

    link: str | None = None
    json: bool = False
    store: str | None = None
    job: str | None = None
    seed: int | None = None
    vm: str = "auto"
    recording: str | None = None
    argv: tuple[str, ...] = ()


def hoist(argv: list[str]) -> list[str]:
    """argv with the options of every command moved to the front, their order kept; what follows "--" is left alone."""
    front: list[str] = []
    rest: list[str] = []
    at = 0
    while at < len(argv):
        word = argv[at]
        if word == "--":
            rest += argv[at:]
            break
        if word in FLAG_OPTIONS or word.split("=", 1)[0] in VALUE_OPTIONS and "=" in word:
            front.append(word)
        elif word in VALUE_OPTIONS:
            front += argv[at : at + 2]
            at += 1
        else:
            rest.append(word)
        at += 1
    return front + rest


def check_seed(seed: int | None) -> int | None:
    """seed itself. Raises BadInput where no random number generator of the bench takes it."""
    if seed is not None and not 0 <= seed <= SEED_MAX:
        raise BadInput("", "--seed", seed, f"0 to {SEED_MAX}")
    return seed


def check_vm(vm: str) -> str:
    """vm itself. Raises BadInput where it is none of VMS."""
    if vm not in VMS:
        raise BadInput("", "--vm", vm, ", ".join(VMS))
    return vm
