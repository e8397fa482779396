"""TOML into checked structs, where every mistake becomes one BadInput: file, dotted key, value, what is
accepted.

Used for profiles here and open to every other TOML file that lidjig reads.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from lidjig.bench import describe
from lidjig.errors import BadInput

T = TypeVar("T")

MAX_FILE_BYTES = 256 * 1024  # a profile is a page; anything far larger is another file named by mistake

_AT_LINE = re.compile(r"\(at line (\d+), column (\d+)\)|\(at end of document\)")
_AT_PATH = re.compile(r" - at `(?:key in )?\$(.*)`$")
_PATH_PART = re.compile(r"\.([^.\[\]]+)|\[(\d+|\.\.\.)\]")
_UNKNOWN = re.compile(r"unknown field `(.*?)`")
_MISSING = re.compile(r"missing required field `(.*?)`")


def nearest(word: str, known: Iterable[str]) -> str:
    """What to add to a message: the known word that is close to the one given, or nothing."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" (did you mean {close[0]!r}?)" if close else ""


def read_text(path: Path, what: str) -> str:
    """The text of a file. Raises BadInput where it is missing, no plain file, too large or not UTF-8."""
    try:
        if not path.is_file():
            raise BadInput("", what, str(path), "an existing TOML file")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise BadInput(str(path), "size", path.stat().st_size, f"at most {MAX_FILE_BYTES} bytes")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(str(path), f"byte {error.start}", error.object[error.start], "UTF-8 text") from error
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have, such as one with a NUL
        raise BadInput("", what, str(path), f"a readable TOML file ({error})") from error


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """The table in a TOML text. Raises BadInput for syntax, repeated keys and numbers that are not finite."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax(text, file, str(error)) from error
    except RecursionError as error:
        raise BadInput(file, "nesting", "too deep", "tables and arrays nested a few levels") from error
    _refuse_not_finite(table, file, "")
    return table


def convert(table: dict[str, Any], type_: type[T], file: str) -> T:
    """The table as a checked struct. Raises BadInput with the dotted key and the value that stands there."""
    try:
        return msgspec.convert(table, type_)
    except msgspec.ValidationError as error:
        raise _invalid(table, type_, file, str(error)) from error


def read_toml(text: str, type_: type[T], file: str) -> T:
    """parse_toml and convert in one."""
    return convert(parse_toml(text, file), type_, file)


def _refuse_not_finite(node: object, file: str, key: str) -> None:
    if isinstance(node, float) and not math.isfinite(node):
        raise BadInput(file, key, node, "a finite number")
    if isinstance(node, dict):
        for name, child in node.items():
            _refuse_not_finite(child, file, f"{key}.{name}" if key else str(name))
    elif isinstance(node, list):
        for index, child in enumerate(node):
            _refuse_not_finite(child, file, f"{key}[{index}]")


def _syntax(text: str, file: str, message: str) -> BadInput:
    """tomllib's message as BadInput: the key is the one that stands on the line named."""
    lines = text.splitlines()
    found = _AT_LINE.search(message)
    row = int(found.group(1)) if found and found.group(1) else len(lines)
    # On a repeated key tomllib may already stand on the line after it.
    while row > 1 and (row > len(lines) or not lines[row - 1].strip()):
        row -= 1
    line = lines[row - 1].strip() if 0 < row <= len(lines) else ""
    why = _AT_LINE.sub("", message).strip()
    if "overwrite" in why or "twice" in why:
        key, value = _key_of(lines, row)
        first = _first_row(lines, row)
        return BadInput(file, key, value, f"each key and table once (repeated in line {row}{first})")
    key, _ = _key_of(lines, row) if "=" in line else (f"line {row}", line)
    return BadInput(file, key or f"line {row}", line, f"TOML, line {row}: {why[:1].lower()}{why[1:]}")


def _key_of(lines: list[str], row: int) -> tuple[str, str]:
    """(dotted key, value text) of the assignment or table header in that line, its table included."""
    line = lines[row - 1].strip() if 0 < row <= len(lines) else ""
    if line.startswith("["):
        return line.strip("[] "), line
    table = ""
    for above in reversed(lines[: max(0, row - 1)]):
        header = re.match(r"\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$", above)
        if header:
            table = header.group(1) + "."
            break
    name, _, value = line.partition("=")
    return table + name.strip(), value.split("#")[0].strip()


def _first_row(lines: list[str], row: int) -> str:
    """ " and N": where the same key stands for the first time."""
    wanted = _key_of(lines, row)[0]
    for number in range(1, row):
        text = lines[number - 1].strip()
        if text and not text.startswith("#") and _key_of(lines, number)[0] == wanted:
            return f", first in line {number}"
    return ""


def _invalid(table: dict[str, Any], type_: type, file: str, message: str) -> BadInput:
    """msgspec's message as BadInput: the place, the value that stands there, what the type accepts."""
    found = _AT_PATH.search(message)
    path = _parts(found.group(1)) if found else []
    why = message[: found.start()] if found else message
    unknown = _UNKNOWN.search(why)
    missing = _MISSING.search(why)
    if unknown:
        name = unknown.group(1)
        known = describe.keys_at(type_, path)
        value = describe.value_at(table, [*path, name])
        return BadInput(
            file, _dotted([*path, name]), value, f"the keys {', '.join(known)}{nearest(name, known)}"
        )
    if missing:
        name = missing.group(1)
        accepted = describe.accepted_at(type_, [*path, name])
        return BadInput(file, _dotted([*path, name]), None, f"{accepted} (the key is missing)")
    value = describe.value_at(table, path)
    accepted = describe.accepted_at(type_, path) or why[:1].lower() + why[1:]
    return BadInput(file, _dotted(path) or "file", value, accepted)


def _parts(path: str) -> list[str | int]:
    out: list[str | int] = []
    for name, index in _PATH_PART.findall(path):
        out.append(name if name else (int(index) if index.isdigit() else index))
    return out


def _dotted(path: list[str | int]) -> str:
    out = ""
    for part in path:
        if isinstance(part, int) or part == "...":
            out += f"[{part}]"
        else:
            out += f".{part}" if out else str(part)
    return out
