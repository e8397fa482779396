"""Putting firmware on a board, against a real MicroPython prompt: at every step, what is there must run."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from lidjig.board import files as board_files
from lidjig.board.files import (
    Image,
    build_image,
    find_mpy_cross,
    firmware_version,
    folder_in_use,
    source_files,
)
from lidjig.board.install import InstallError, flash, interpreter, no_prompt, restart, write_image
from lidjig.board.prompt import BoardError, BoardFiles, PromptError, SerialPrompt, board_error
from lidjig.errors import BadInput, NoJig
from lidjig.firmware_path import firmware_dir, proto_dir
from lidjig.jig_types import Lock, ResetCause

if os.name != "posix":
    pytest.skip("the prompt is MicroPython's unix build on a pseudo-terminal", allow_module_level=True)

from tests.host.prompt_rig import UnixBoard, UnixStation, small_image

OLD, NEW = (0, 1, 0), (0, 2, 0)


@pytest.fixture
def board(micropython: str, tmp_path: Path) -> Iterator[UnixBoard]:
    root = tmp_path / "flash"
    root.mkdir()
    found = UnixBoard(micropython, root)
    yield found
    found.close()


def put(board: UnixBoard, image: Image) -> UnixStation:
    station = UnixStation(board)
    flash(station, lambda _mpy: image, root=str(board.root))
    return station


def contents(root: Path) -> dict[str, bytes]:
    return {str(p.relative_to(root)): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


def test_a_bare_board_gets_firmware_that_runs(board: UnixBoard) -> None:
    said: list[str] = []
    told: list[tuple[str, int, int]] = []
    image = small_image(NEW)
    station = UnixStation(board)
    done = flash(
        station, lambda _mpy: image, root=str(board.root), say=said.append,
        progress=lambda what, part, whole: told.append((what, part, whole)),
    )  # fmt: skip
    assert done.now.firmware == NEW and done.before is not None and done.before.firmware == OLD
    assert done.written.previous is None and not done.written.already_there
    assert board.power_up() == "version 0 2 0"
    written = contents(board.root)
    for file in image.files:
        assert written[f"{image.folder}/{file.path}"] == file.data
    assert folder_in_use(written["main.py"]) == image.folder
    assert told[-1][1] <= told[-1][2] == image.size and station.restarts == 1
    assert any("verified" in text for text in said)


def test_an_update_keeps_the_one_before_and_removes_older_ones(board: UnixBoard) -> None:
    first, second, third = small_image(OLD), small_image(NEW), small_image((0, 3, 0))
    for image in (first, second):
        put(board, image)
    assert {first.folder, second.folder} <= {p.name for p in board.root.iterdir()}
    (board.root / "lidjig_notes").mkdir()  # not ours: left alone
    put(board, third)
    names = {p.name for p in board.root.iterdir()}
    assert first.folder not in names and {second.folder, third.folder, "lidjig_notes"} <= names
    assert board.power_up() == "version 0 3 0"


def test_flashing_the_same_again_writes_nothing_new(board: UnixBoard) -> None:
    image = small_image(NEW)
    put(board, image)
    before = contents(board.root)
    station = UnixStation(board)
    done = flash(station, lambda _mpy: image, root=str(board.root))
    assert done.written.already_there and contents(board.root) == before


@pytest.mark.parametrize("kind", ["silent", "full"])
def test_whenever_it_breaks_off_the_old_firmware_runs_or_the_new_one_does(
    board: UnixBoard, kind: str
) -> None:
    """Promise of the flash command: at every single step a break leaves firmware that runs, nearly always
    the old one.
    """
    put(board, small_image(OLD))
    counting = UnixStation(board)
    flash(counting, lambda _mpy: small_image(NEW), root=str(board.root))
    steps = counting.codes
    assert steps > 20
    put(board, small_image(OLD))
    kept_old = 0
    for step in range(0, steps, 2):
        error: Exception = PromptError("no answer") if kind == "silent" else BoardError(28, "OSError: 28")
        station = UnixStation(board, fail_at=step, error=error)
        try:
            flash(station, lambda _mpy: small_image(NEW), root=str(board.root))
        except NoJig as failed:
            assert station.name in str(failed)
            if board.power_up() == "version 0 1 0":
                kept_old += 1
            else:
                assert board.power_up() == "version 0 2 0", f"step {step}"
        board.start()
        if board.power_up() == "version 0 2 0":
            put(board, small_image(OLD))
    assert kept_old > steps // 4


def test_a_full_flash_is_named_and_cleaned_up(board: UnixBoard) -> None:
    put(board, small_image(OLD))
    before = contents(board.root)
    station = UnixStation(board, fail_at=30, error=BoardError(28, "OSError: [Errno 28] ENOSPC"))
    with pytest.raises(NoJig) as failed:
        flash(station, lambda _mpy: small_image(NEW), root=str(board.root))
    assert "its flash is full" in str(failed.value) and "unchanged" in str(failed.value)
    after = contents(board.root)
    after.pop("main.old", None)
    assert after == before and station.restarts == 1


def test_too_little_room_is_known_beforehand(board: UnixBoard) -> None:
    image = small_image(NEW)
    prompt = SerialPrompt(board.device)
    try:

        class Crowded:
            """Reports a small flash."""

            def run(self, code: str, timeout_s: float = 10.0) -> bytes:
                if "statvfs" in code:
                    return b"(4096, 4096, 10, 2, 2, 0, 0, 0, 0, 255)\n"
                return prompt.run(code, timeout_s)

            def restart(self) -> None:
                raise AssertionError("not reached")

            def close(self) -> None:
                raise AssertionError("not reached")

        with pytest.raises(InstallError) as full:
            write_image(Crowded(), image, root=str(board.root))
        assert "8192 bytes free" in str(full.value)
    finally:
        prompt.close()


def test_what_reads_back_wrong_is_never_switched_to(board: UnixBoard) -> None:
    put(board, small_image(OLD))
    image = small_image(NEW)
    station = UnixStation(board)
    real = station.prompt

    def flipping() -> object:
        prompt = real()
        run = prompt.run

        def spoiled(code: str, timeout_s: float = 10.0) -> bytes:
            return run(code.replace("VERSION = 0, 2", "VERSION = 0, 3"), timeout_s)

        prompt.run = spoiled  # type: ignore[method-assign]
        return prompt

    station.prompt = flipping  # type: ignore[assignment, method-assign]
    with pytest.raises(NoJig) as failed:
        flash(station, lambda _mpy: image, root=str(board.root))
    assert "firmware/app.py" in str(failed.value)
    assert board.power_up() == "version 0 1 0"
    assert not (board.root / image.folder).exists()


def test_firmware_that_does_not_answer_is_switched_back(board: UnixBoard) -> None:
    put(board, small_image(OLD))
    station = UnixStation(board)
    with pytest.raises(NoJig) as failed:
        flash(
            station, lambda _mpy: small_image(NEW, text="raise ValueError('broken')\n"), root=str(board.root)
        )
    assert "does not answer" in str(failed.value) and "firmware of before is back" in str(failed.value)
    assert "mark switch" in str(failed.value)
    assert board.power_up() == "version 0 1 0" and station.restarts == 2


STARTS = """
import sys
sys.path[:0] = sys.argv[2:]
import fake_board
import boards
fake_board.bench.cause = 3  # what machine.reset() looks like afterwards: the watchdog's reset
for _ in range(2):
    jig, _service, _host = fake_board.start(sys.argv[1] + boards.boot_files())
    print(jig.cause, jig.lock.state)
"""


def starts(board: UnixBoard) -> list[tuple[ResetCause, Lock]]:
    """Reset cause and interlock of the next two starts of the real firmware on this board's flash."""
    root = Path(__file__).resolve().parents[2]
    folders = [str(root / "tests" / "device" / "on_both"), str(firmware_dir()), str(proto_dir().parent)]
    done = subprocess.run(
        [sys.executable, "-c", STARTS, str(board.root), *folders],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    numbers = [line.split() for line in done.stdout.splitlines()]
    return [(ResetCause(int(cause)), Lock(int(state))) for cause, state in numbers]


@pytest.mark.parametrize("way", ["good", "full", "switched back"])
def test_the_reset_after_a_flash_is_not_taken_for_the_watchdogs(board: UnixBoard, way: str) -> None:
    if way == "good":
        put(board, small_image(NEW))  # onto a bare board, which keeps nothing yet
    else:
        put(board, small_image(OLD))
        starts(board)  # takes the note of that one
        # It starts as far as taking the note.
        station, text = UnixStation(board), "import os\nos.remove('kept/reset')\nraise ValueError('broken')\n"
        if way == "full":
            station, text = UnixStation(board, fail_at=30, error=BoardError(28, "OSError: 28")), ""
        with pytest.raises(NoJig):
            flash(station, lambda _mpy: small_image(NEW, text=text), root=str(board.root))
        assert board.power_up() == "version 0 1 0"
    # Once only: a reset that nobody asked for is the watchdog's.
    assert starts(board) == [
        (ResetCause.HOST, Lock.DISARMED),
        (ResetCause.WATCHDOG, Lock.TRIPPED),
    ]


@pytest.mark.parametrize("error", [BoardError(28, "OSError: 28"), PromptError("no answer")])
def test_a_board_that_takes_no_note_is_reset_all_the_same(error: Exception) -> None:
    restarts = []

    class Stubborn:
        """Carries out nothing but the reset."""

        def run(self, _code: str, _timeout_s: float = 10.0) -> bytes:
            raise error

        def restart(self) -> None:
            restarts.append(error)

        def close(self) -> None:
            raise AssertionError("not reached")

    restart(Stubborn())
    assert restarts == [error]


def test_another_version_than_written_is_an_error(board: UnixBoard) -> None:
    image = small_image(NEW, text="VERSION = 9, 9, 9\n")
    with pytest.raises(NoJig) as failed:
        put(board, image)
    assert "0.2.0 was written, but 9.9.9 answers" in str(failed.value)


def test_no_prompt_says_what_to_press(board: UnixBoard) -> None:
    board.stop()
    with pytest.raises(PromptError):
        SerialPrompt(board.device, wait_s=0.3)
    with pytest.raises(PromptError):
        SerialPrompt("/dev/no-such-port", wait_s=0.3)
    station = UnixStation(board)
    station.prompt = lambda: SerialPrompt(board.device, wait_s=0.3)  # type: ignore[method-assign]
    with pytest.raises(NoJig) as failed:
        flash(station, lambda _mpy: small_image(NEW), root=str(board.root))
    text = str(failed.value)
    assert board.device in text and "BOOTSEL" in text and "mark switch" in text
    assert "UF2" in str(no_prompt("COM3", "silence"))


def test_mpremotes_own_words_do_not_reach_stdout(
    board: UnixBoard, capsys: pytest.CaptureFixture[str]
) -> None:
    board.stop()
    with pytest.raises(PromptError):
        SerialPrompt(board.device, wait_s=0.3)
    assert capsys.readouterr().out == ""


def test_file_operations_and_the_boards_errors(board: UnixBoard) -> None:
    root = str(board.root)
    prompt = SerialPrompt(board.device)
    try:
        files = BoardFiles(prompt)
        data = bytes(range(256)) * 5
        files.make_folder(f"{root}/a")
        files.make_folder(f"{root}/a")
        files.write(f"{root}/a/x", data)
        assert files.read(f"{root}/a/x") == data and files.read(f"{root}/none") is None
        # hashlib of CPython
        assert files.sha256(f"{root}/a/x") == board_files.BoardFile("x", data).sha256
        assert files.names(f"{root}/a") == [("x", False)] and files.names(f"{root}/none") == []
        files.rename(f"{root}/a/x", f"{root}/a/y")
        with pytest.raises(BoardError) as missing:
            files.rename(f"{root}/a/x", f"{root}/a/z")
        assert missing.value.errno == 2  # ENOENT
        with pytest.raises(BoardError):
            files.make_folder(f"{root}/none/below")
        files.remove_tree(f"{root}/a")
        files.remove_tree(f"{root}/a")
        assert not (board.root / "a").exists()
        with pytest.raises(BoardError):
            files.value("object()")
        found = interpreter(prompt)
        assert found.version >= (1, 26) and isinstance(found.mpy, int) and "MicroPython 1." in str(found)
    finally:
        prompt.close()


def test_error_numbers_are_read_from_tracebacks() -> None:
    text = 'Traceback (most recent call last):\n  File "<stdin>", line 1\nOSError: [Errno 28] ENOSPC\n'
    assert board_error(text).errno == 28
    assert board_error("OSError: 17").errno == 17
    assert board_error("ValueError: x").errno == 0 and board_error("").args[-1] == "no text"


# -- what is written


def test_the_real_firmware_is_complete_for_a_board() -> None:
    sources = source_files(firmware_dir(), proto_dir())
    assert {"boards/__init__.py", "boards/pico.py", "firmware/app.py", "shared_proto/messages.py"} <= set(
        sources
    )
    assert not {"shared_proto/docgen.py", "shared_proto/session_host.py"} & set(sources)
    assert firmware_version(firmware_dir()) >= (0, 1, 0)


def test_every_module_the_firmware_imports_is_written() -> None:
    """Follows the imports of main.py through the files that go on a board."""
    import ast

    sources = source_files(firmware_dir(), proto_dir())
    seen: set[str] = set()
    todo = [firmware_dir() / "main.py"]
    while todo:
        for node in ast.walk(ast.parse(todo.pop().read_text(encoding="utf-8"))):
            modules: list[str] = []
            if isinstance(node, ast.Import):
                modules = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                modules = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
            for module in modules:
                if module.split(".")[0] not in board_files.PACKAGES or module in seen:
                    continue
                seen.add(module)
                path = module.replace(".", "/")
                for candidate in (f"{path}.py", f"{path}/__init__.py"):
                    if candidate in sources:
                        todo.append(sources[candidate])
    for module in seen:
        if module.startswith("shared_proto.session_host"):
            continue  # loaded only when the host's half is asked for
        path = module.replace(".", "/")
        parent = module.rpartition(".")[0].replace(".", "/")
        known = {f"{path}.py", f"{path}/__init__.py", f"{parent}.py", f"{parent}/__init__.py"}
        assert known & set(sources), f"{module} is imported on the board and not written to it"


def test_the_real_firmware_is_compiled_and_imports_from_its_folder(micropython: str, tmp_path: Path) -> None:
    mpy = int(
        subprocess.run(
            [micropython, "-c", "import sys; print(sys.implementation._mpy)"],
            capture_output=True, text=True, timeout=20, check=True,
        ).stdout
    )  # fmt: skip
    image = build_image(firmware_dir(), proto_dir(), board_mpy=mpy)
    if find_mpy_cross(mpy) is None:
        pytest.skip("no mpy-cross that writes this build's version")
    assert image.compiled and all(file.path.endswith(".mpy") for file in image.files)
    for file in image.files:
        target = tmp_path / image.folder / file.path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(file.data)
    code = (
        "from shared_proto import codec, session, names\nprint(names.PROTOCOL_MAJOR, len(codec.BY_ID) > 20)\n"
    )
    main = Image(image.files, code.encode(), True, image.version)
    head = f'import sys\nsys.path.insert(0, "{tmp_path}/{image.folder}")\n'
    assert main.main_file(str(tmp_path)).decode().startswith(head.replace(image.folder, main.folder))
    (tmp_path / "main.py").write_text(head + code, encoding="utf-8")
    done = subprocess.run(
        [micropython, "main.py"], cwd=tmp_path, capture_output=True, text=True, timeout=20, check=False
    )
    assert done.stdout.strip() == "1 True", done.stderr


def test_without_a_fitting_compiler_sources_are_sent() -> None:
    image = build_image(firmware_dir(), proto_dir(), board_mpy=None)
    assert not image.compiled and all(file.path.endswith(".py") for file in image.files)
    assert find_mpy_cross(0x05) is None  # a board of another .mpy version
    assert image.folder == build_image(firmware_dir(), proto_dir(), board_mpy=None).folder


def test_incomplete_firmware_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as bad:
        build_image(tmp_path, proto_dir(), board_mpy=None)
    assert bad.value.value == "no Python files"
    shutil.copytree(firmware_dir() / "boards", tmp_path / "boards")
    (tmp_path / "firmware").mkdir()
    (tmp_path / "firmware" / "app.py").write_text("pass\n", encoding="utf-8")
    (tmp_path / "main.py").write_text("pass\n", encoding="utf-8")
    with pytest.raises(BadInput) as no_version:
        build_image(tmp_path, proto_dir(), board_mpy=None)
    assert no_version.value.key == "VERSION"


def test_only_our_folders_are_ours() -> None:
    assert board_files.is_firmware_folder("lidjig_0123abcd")
    assert not board_files.is_firmware_folder("lidjig_notes") and not board_files.is_firmware_folder(
        "firmware"
    )
    assert folder_in_use(b'import sys\nsys.path.insert(0, "/lidjig_0123abcd")\n') == "lidjig_0123abcd"
    assert folder_in_use(b"print('something else')") is None and folder_in_use(None) is None
    assert sys.version_info >= (3, 11)
