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
    "record": {"record", "measure", "bench", "jig", "jig_types"},
    "link": {"link", "twin", "firmware_path"},
    "procedures": {"procedures", "jig", "jig_types", "measure", "record", "bench", "link"},
    "show": {"show", "record", "measure", "bench"},
    "twin": {"twin", "bench", "firmware_path"},
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


def test_measure_does_no_io() -> None:
    for path in sorted((HOST / "measure").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                for alias in node.names:
                    assert alias.name.split(".")[0] not in {"os", "sys", "time", "socket", "subprocess"}, path


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
