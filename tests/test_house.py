"""The arrows of the house: who may import whom, the visible top level, the size of a file."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
HOST = ROOT / "host" / "lidjig"

# What a part may import of lidjig itself. errors and the version are open to all.
ALLOWED: dict[str, set[str]] = {
    "measure": {"measure"},
    "bench": {"bench"},
    "record": {"record", "measure", "bench", "jig", "jig_samples", "jig_types"},
    "link": {"link", "twin", "firmware_path"},
    "procedures": {"procedures", "jig", "jig_samples", "jig_sensor", "jig_types", "measure", "record", "bench", "link"},
    "show": {"show", "record", "measure", "bench"},
    "twin": {"twin", "bench", "measure", "firmware_path"},
}
OPEN_TO_ALL = {"errors", "__version__"}


def imported_parts(path: Path) -> set[str]:
    """First name under lidjig of each import in a file."""
    parts: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "lidjig":
            names = node.module.split(".")[1:]
            parts |= {names[0]} if names else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            parts |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("lidjig.")}
    return parts


@pytest.mark.parametrize("part", sorted(ALLOWED))
def test_imports_run_one_way(part: str) -> None:
    for path in sorted((HOST / part).rglob("*.py")):
        surplus = imported_parts(path) - ALLOWED[part] - OPEN_TO_ALL
        where = path.relative_to(ROOT)
        assert not surplus, f"{where} imports {sorted(surplus)}; allowed for {part}: {sorted(ALLOWED[part])}"


def test_only_links_know_the_twin() -> None:
    for path in sorted(HOST.rglob("*.py")):
        part = path.relative_to(HOST).parts[0]
        if part in ("link", "twin"):
            continue
        direct = {p for p in imported_parts(path) if p == "twin"}
        assert not direct, f"{path.relative_to(ROOT)} imports lidjig.twin; the twin is reached through link alone"


KINDS = {"twin", "replay", "simulated"}


def texts_of(nodes: list[ast.expr]) -> set[str]:
    """Words that stand in these expressions, up to the first colon."""
    found = [n.value for node in nodes for n in ast.walk(node) if isinstance(n, ast.Constant)]
    return {text.partition(":")[0] for text in found if isinstance(text, str)}


def asked_for(tree: ast.AST) -> set[str]:
    """Words that a file decides by: what it compares with, or looks for at the end of a text."""
    asked: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            asked |= texts_of([node.left, *node.comparators])
        elif isinstance(node, ast.MatchValue):
            asked |= texts_of([node.value])
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in ("startswith", "endswith", "removeprefix", "find", "index"):
                asked |= texts_of(node.args)
    return asked


@pytest.mark.parametrize(
    "line",
    [
        'if link.kind == "twin": pass',
        'simulated = name.partition(":")[0] in ("twin", "replay")',
        'if not name.startswith("twin:"): pass',
        'match kind:\n    case "twin": pass',
    ],
)
def test_a_question_for_the_twin_is_seen(line: str) -> None:
    assert asked_for(ast.parse(line)) & KINDS


def test_nobody_but_links_asks_for_the_twin() -> None:
    """What differs on the simulated bench is told by link/base.py's Traits. Help texts may name it.

    show/ has no link to ask (see ALLOWED): it draws what the record says, where a simulated run has to be called one.
    """
    for path in sorted(HOST.rglob("*.py")):
        part = path.relative_to(HOST).parts[0]
        if part in ("link", "twin", "show"):
            continue
        found = asked_for(ast.parse(path.read_text(encoding="utf-8"))) & KINDS
        assert not found, f"{path.relative_to(ROOT)} decides by {sorted(found)}; see link/base.py, Traits"


PURE = {
    "__future__", "collections", "collections.abc", "dataclasses", "decimal", "math", "typing", "numpy", "numpy.typing",
    "scipy.special",
}  # fmt: skip
OUTSIDE = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}


def impure(tree: ast.AST) -> set[str]:
    """What a file of measure/ may not use: imports beyond numbers and types, and ways in and out of the program."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names} - PURE
        elif isinstance(node, ast.ImportFrom):
            module = node.module or "."
            found |= set() if module in PURE or module.startswith("lidjig.measure") else {module}
        elif isinstance(node, ast.Name):
            found |= {node.id} & OUTSIDE
    return found


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("from os import path", "os"),
        ("from pathlib import Path", "pathlib"),
        ("import time", "time"),
        ("import os.path as p", "os.path"),
        ("from . import files", "."),
        ("data = open('x')", "open"),
        ("print(1)", "print"),
    ],
)
def test_a_way_out_of_measure_is_seen(line: str, wanted: str) -> None:
    assert impure(ast.parse(line)) == {wanted}


def test_measure_does_no_io() -> None:
    for path in sorted((HOST / "measure").rglob("*.py")):
        found = impure(ast.parse(path.read_text(encoding="utf-8")))
        assert not found, f"{path.relative_to(ROOT)} uses {sorted(found)}"


def tracked() -> list[str]:
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip("not a git checkout")
    return done.stdout.splitlines()


def test_visible_top_level() -> None:
    top = {name.split("/")[0] for name in tracked()}
    assert {name for name in top if not name.startswith(".")} == {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "device", "host", "shared_proto", "tests",
    }  # fmt: skip


def test_files_can_be_held_in_the_head() -> None:
    long = [n for n in tracked() if n.endswith(".py") and (ROOT / n).read_text(encoding="utf-8").count("\n") > 500]
    assert not long
