"""Putting firmware on a board, so that at every moment the board has one that runs.

The files go into a new folder, named by their contents, beside the one in use; each is read back from the
flash by its hash. Then /main.py, which names the folder, is replaced in one rename: that is the switch.
The folder before stays until the next time, and the old /main.py is kept beside it, so that a firmware
that does not answer hello is switched back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Protocol

from lidjig.board.files import BoardFile, Image, folder_in_use, is_firmware_folder
from lidjig.board.prompt import BoardError, BoardFiles, Prompt, PromptError
from lidjig.errors import NoJig

OLDEST_MICROPYTHON = (1, 26)
_SPARE_BYTES = 16 * 1024  # left free for profiles and the firmware's own notes
_ENOSPC = 28
_KEPT = "/kept"  # the firmware's own folder, and the note in it that says "this reset was asked for"
_RESET_NOTE = "reset"

Progress = Callable[[str, int, int], None]  # what, bytes done, bytes in all


@dataclass(frozen=True)
class Written:
    """What a flash did. `previous` is the folder that ran before, None on a bare board."""

    folder: str
    previous: str | None
    files: int
    size: int
    compiled: bool
    already_there: bool


class InstallError(Exception):
    """Writing failed; the board still has what it had. Text for people, without port and remedy."""


@dataclass(frozen=True)
class Interpreter:
    """What runs on the board. `mpy`: its sys.implementation._mpy, which says what compiled code it takes."""

    machine: str
    version: tuple[int, ...]
    mpy: int | None

    def __str__(self) -> str:
        return f"{self.machine or 'unknown board'}, MicroPython {_dots(self.version)}"


def interpreter(prompt: Prompt) -> Interpreter:
    """Ask the board. Raises BoardError, PromptError; InstallError for one older than the firmware needs."""
    prompt.run("import sys\n_i=sys.implementation")
    value = BoardFiles(prompt).value(
        "(getattr(_i,'_machine',''), tuple(_i.version)[:3], getattr(_i,'_mpy',None))"
    )
    if not isinstance(value, tuple) or len(value) != 3:
        raise BoardError(0, "unexpected answer about its interpreter")
    found = Interpreter(str(value[0]), tuple(int(part) for part in value[1]), value[2])
    if found.version < OLDEST_MICROPYTHON:
        raise InstallError(
            f"it has MicroPython {_dots(found.version)}, the firmware needs {_dots(OLDEST_MICROPYTHON)} or newer: hold "
            "BOOTSEL while plugging it in and copy the newer UF2 file for this board onto the drive that appears"
        )
    return found


def write_image(prompt: Prompt, image: Image, *, root: str = "", progress: Progress | None = None) -> Written:
    """Write and verify an image, then switch /main.py to it. `root` goes in front of every path ("" on a
    board).

    Raises InstallError with the board unchanged, what was half written being removed as far as the board
    still answers.
    """
    try:
        return _write_image(prompt, image, root, progress or _no_progress)
    except BoardError as error:
        why = "its flash is full" if error.errno == _ENOSPC else str(error.args[-1])
        raise InstallError(f"the board reports: {why}") from error
    except PromptError as error:
        raise InstallError(f"the board stopped answering: {error}") from error


def _write_image(prompt: Prompt, image: Image, root: str, progress: Progress) -> Written:
    files = BoardFiles(prompt)
    previous = folder_in_use(files.read(f"{root}/main.py"))
    _remove_unused(files, root, previous)
    folder = f"{root}/{image.folder}"
    already_there = previous == image.folder
    if already_there and not _differing(files, folder, image):
        _switch(files, image, root)
        return Written(image.folder, previous, len(image.files), image.size, image.compiled, True)
    if already_there:
        raise InstallError(
            "files of the firmware in use are damaged; hold the mark switch at power-up and flash again"
        )
    _check_room(files, root, image.size)
    try:
        _write_files(files, folder, image, progress)
        wrong = _differing(files, folder, image)
        if wrong:
            raise InstallError(f"what was read back from the flash differs in {', '.join(wrong)}")
        _switch(files, image, root)
    except (BoardError, InstallError):
        _try(lambda: _clean_up(files, root, image.folder))
        raise
    return Written(image.folder, previous, len(image.files), image.size, image.compiled, False)


def _clean_up(files: BoardFiles, root: str, folder: str) -> None:
    """Take away what was written, unless /main.py already names it."""
    files.remove(f"{root}/main.new")
    if folder_in_use(files.read(f"{root}/main.py")) != folder:
        files.remove_tree(f"{root}/{folder}")


def _write_files(files: BoardFiles, folder: str, image: Image, progress: Progress) -> None:
    files.make_folder(folder)
    # A folder before those in it, which sort after it.
    for inside in sorted({str(parent) for file in image.files for parent in PurePosixPath(file.path).parents} - {"."}):
        files.make_folder(f"{folder}/{inside}")
    done = 0
    for file in image.files:
        start = done

        def part(count: int, file: BoardFile = file) -> None:
            nonlocal done
            done += count
            progress(file.path, done, image.size)

        files.write(f"{folder}/{file.path}", file.data, part)
        done = start + len(file.data)


def _differing(files: BoardFiles, folder: str, image: Image) -> list[str]:
    """Paths whose contents on the flash are not the image's."""
    wrong = []
    for file in image.files:
        try:
            same = files.sha256(f"{folder}/{file.path}") == file.sha256
        except BoardError:
            same = False  # not there
        if not same:
            wrong.append(file.path)
    return wrong


def _switch(files: BoardFiles, image: Image, root: str) -> None:
    """Replace /main.py in one step; the old text is kept as /main.old for switching back."""
    new = image.main_file(root)
    old = files.read(f"{root}/main.py")
    if old == new:
        return
    if old is not None:
        _put(files, f"{root}/main.old", old)
    _put(files, f"{root}/main.new", new)
    files.rename(f"{root}/main.new", f"{root}/main.py")


def _put(files: BoardFiles, path: str, data: bytes) -> None:
    files.write(path, data)
    if files.read(path) != data:
        raise InstallError(f"what was read back from the flash differs in {path}")


def switch_back(prompt: Prompt, written: Written, *, root: str = "") -> bool:
    """Back to the /main.py of before, after a firmware that does not answer. False when there was none."""
    files = BoardFiles(prompt)
    old = files.read(f"{root}/main.old")
    if written.already_there or old is None:
        return False
    _put(files, f"{root}/main.new", old)
    files.rename(f"{root}/main.new", f"{root}/main.py")
    return True


def restart(prompt: Prompt, *, root: str = "") -> None:
    """Reset the board so that its firmware knows that it was asked for. Raises PromptError.

    An RP2040 or RP2350 reports every reset by software as its watchdog's, and after one of those the firmware
    comes up tripped.
    """
    _try(lambda: _note_reset(prompt, root))  # a full flash loses no more than the note
    prompt.restart()


def _note_reset(prompt: Prompt, root: str) -> None:
    files = BoardFiles(prompt)
    files.make_folder(f"{root}{_KEPT}")
    files.write(f"{root}{_KEPT}/{_RESET_NOTE}", b"")


def _remove_unused(files: BoardFiles, root: str, in_use: str | None) -> None:
    """Folders of earlier flashes that /main.py does not name, and what a broken-off flash left."""
    for name, is_folder in files.names(root or "/"):
        if is_folder and is_firmware_folder(name) and name != in_use:
            files.remove_tree(f"{root}/{name}")
    files.remove(f"{root}/main.new")


def _check_room(files: BoardFiles, root: str, size: int) -> None:
    # statvfs: (bsize, frsize, blocks, bfree, bavail, ...)
    stat = files.value(f"os.statvfs({root or '/'!r})")
    if isinstance(stat, tuple) and len(stat) > 3:
        free = int(stat[0]) * int(stat[3])
        if free < size + _SPARE_BYTES:
            raise InstallError(f"its flash has {free} bytes free, {size + _SPARE_BYTES} are needed")


def _try(action: Callable[[], None]) -> None:
    """Clean up as far as the board still answers; what is left is removed by the next flash."""
    try:
        action()
    except (BoardError, PromptError):
        return


def _no_progress(_what: str, _done: int, _total: int) -> None:
    """Nobody watches."""


# -- the whole of it: leave, write, reset, hello


@dataclass(frozen=True)
class Running:
    """What answered hello: board id and versions, for people."""

    board: str
    firmware: tuple[int, int, int]
    protocol: str


class Station(Protocol):
    """The ways to one board that flashing needs. PortStation is the real one."""

    name: str

    def leave(self) -> Running | None:
        """Ask a running firmware for the prompt. Returns what ran, None when no firmware answered.

        Raises NoJig.
        """
        ...

    def prompt(self) -> Prompt:
        """The board's prompt. Raises PromptError."""
        ...

    def hello(self) -> Running:
        """What answers after a reset. Raises NoJig when nothing does."""
        ...


@dataclass(frozen=True)
class Flashed:
    """Result of a flash: what ran before (None: no firmware answered), what runs now, what was written."""

    before: Running | None
    now: Running
    written: Written
    board: str  # what the board says it is


def flash(
    station: Station,
    build: Callable[[int | None], Image],
    *,
    root: str = "",
    say: Callable[[str], None] = lambda _text: None,
    progress: Progress | None = None,
) -> Flashed:
    """Leave, write, verify, switch, reset, compare versions. `build` makes the image for the board's _mpy
    number.

    Raises NoJig saying what failed, what the board runs now and what to press; BadInput from `build`.
    """
    before = station.leave()
    if before is not None:
        say(f"board {before.board} ran firmware {_dots(before.firmware)}")
    try:
        prompt = station.prompt()
    except PromptError as error:
        raise no_prompt(station.name, str(error)) from error
    try:
        board = interpreter(prompt)
        say(f"at the prompt of {board}")
        image = build(board.mpy)
        kind = "compiled" if image.compiled else "as source"
        say(f"writing {len(image.files) + 1} files, {image.size} bytes, {kind}")
        written = write_image(prompt, image, root=root, progress=progress)
        say("verified; switched over; resetting the board")
        restart(prompt, root=root)
    except InstallError as error:
        # So that the old firmware runs again, and not only lies there.
        _try(lambda: restart(prompt, root=root))
        raise NoJig(station.name, f"{error}. The firmware it had is unchanged") from error
    except (BoardError, PromptError) as error:
        raise NoJig(
            station.name, f"the board stopped answering while it was written: {error}. {_BY_HAND}"
        ) from error
    finally:
        prompt.close()
    return Flashed(before, _check(station, image, written, root, say), written, str(board))


def _check(
    station: Station, image: Image, written: Written, root: str, say: Callable[[str], None]
) -> Running:
    try:
        now = station.hello()
    except NoJig as error:
        back = _go_back(station, written, root)
        what = "the firmware of before is back" if back else "there is no firmware of before to go back to"
        raise NoJig(
            station.name, f"the new firmware does not answer ({error.why}); {what}. {_BY_HAND}"
        ) from error
    if now.firmware != image.version:
        raise NoJig(
            station.name,
            f"firmware {_dots(image.version)} was written, but {_dots(now.firmware)} answers; "
            "another main.py or a boot.py on the board starts it",
        )
    say(f"firmware {_dots(now.firmware)} answers")
    return now


def _go_back(station: Station, written: Written, root: str) -> bool:
    try:
        prompt = station.prompt()
    except PromptError:
        return False
    try:
        back = switch_back(prompt, written, root=root)
        restart(prompt, root=root)
        return back
    except (BoardError, PromptError, InstallError):
        return False
    finally:
        prompt.close()


_BY_HAND = (
    "If nothing answers any more: unplug the board, hold the mark switch while plugging it in "
    "(the firmware is then skipped), and flash again"
)


def no_prompt(port: str, heard: str) -> NoJig:
    """NoJig for a board whose prompt cannot be reached: what answered, and what to press."""
    return NoJig(
        port,
        f"MicroPython's prompt does not answer ({heard}). Unplug the board, hold the mark switch "
        "while plugging it in, and try again. A board without MicroPython: hold BOOTSEL while "
        "plugging it in, copy MicroPython's UF2 file for this board (1.26 or newer) onto the drive "
        "that appears, then try again",
    )


def _dots(version: tuple[int, ...]) -> str:
    return ".".join(str(part) for part in version)
