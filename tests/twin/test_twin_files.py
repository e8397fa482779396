"""The bench's own files: fully annotated for the type check, and free of anything that one interpreter lacks."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import lidjig.twin
import pytest

VM = Path(lidjig.twin.__file__).parent / "vm"
ROOT = Path(__file__).resolve().parents[2]


def functions(tree: ast.AST) -> list[ast.FunctionDef]:
    return [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]


@pytest.mark.parametrize("file", sorted(path.name for path in VM.glob("*.py")))
def test_every_function_says_what_it_takes_and_gives(file: str) -> None:
    for function in functions(ast.parse((VM / file).read_text(encoding="utf-8"))):
        asked = function.args.posonlyargs + function.args.args + function.args.kwonlyargs
        bare = [a.arg for a in asked if a.annotation is None and a.arg != "self"]
        assert function.returns is not None and not bare, f"{file}:{function.lineno} {function.name} {bare}"


@pytest.mark.parametrize("file", sorted(path.name for path in VM.glob("*.py")))
def test_typing_is_not_imported_at_run_time(file: str) -> None:
    # MicroPython has neither module (docs.micropython.org, library index)
    tree = ast.parse((VM / file).read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.module not in ("typing", "collections.abc", "__future__"), f"{file}:{node.lineno}"


def test_the_type_check_leaves_no_file_out() -> None:
    if not (ROOT / "pyproject.toml").is_file():
        pytest.skip("no checkout around these tests")
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mypy"]
    assert settings["strict"] is True and "exclude" not in settings
    assert VM.relative_to(ROOT).as_posix() in settings["mypy_path"]  # the files there import each other by bare names
