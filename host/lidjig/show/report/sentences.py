"""Sentences of the record in the reader's language: recorded English, taken apart by template and put together again.

The record keeps evidence, notes and next steps as English sentences with numbers in them. Each has a template in both
catalogues under the same key; the English one finds the sentence and its numbers, the other one says it again. What no
template finds is shown as it was recorded, marked as English.

Slots of a template, by their first letter: n a number, m numbers in a row, t a sentence or term of the catalogue, l
sentences in a row, r text that is kept as it is (an id, a port).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

_NUMBER = r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
_SLOT = re.compile(r"\{([nmtlr])(\d*)\}")
_KINDS = {
    "n": f"({_NUMBER})",
    "m": f"({_NUMBER}(?:, {_NUMBER})*)",
    "t": "(.+?)",
    "l": "(.+?)",
    "r": "(.+?)",
}
_NEXT_LINE = re.compile(r"; (?=line \d)")  # figures of several lines stand in one sentence
DEPTH_MAX = 6  # a sentence in a sentence in a sentence


@dataclass(frozen=True)
class _Pattern:
    key: str
    regex: re.Pattern[str]
    slots: tuple[str, ...]


def slots_of(template: str) -> set[str]:
    """Names of the slots in a template."""
    return {"".join(found) for found in _SLOT.findall(template)}


def _pattern(key: str, template: str) -> _Pattern:
    regex, slots, at = "", [], 0
    for found in _SLOT.finditer(template):
        regex += re.escape(template[at : found.start()]) + _KINDS[found.group(1)]
        slots.append(found.group(1) + found.group(2))
        at = found.end()
    return _Pattern(key, re.compile(regex + re.escape(template[at:]), re.DOTALL), tuple(slots))


class Translator:
    """recorded: key -> English template. wanted: key -> template of the reader's language. number: writes a number."""

    def __init__(self, recorded: Mapping[str, str], wanted: Mapping[str, str], number: Callable[[str], str]) -> None:
        self._wanted, self._number = wanted, number
        # The template with most literal text first: it says most about the sentence.
        order = sorted(recorded, key=lambda key: (-len(_SLOT.sub("", recorded[key])), key))
        self._exact = {recorded[key]: key for key in reversed(order) if not _SLOT.search(recorded[key])}
        self._patterns = [_pattern(key, recorded[key]) for key in order if _SLOT.search(recorded[key])]
        self._known: dict[str, str | None] = {}

    def __call__(self, text: str) -> str | None:
        """The sentence in the reader's language, or None where no template finds it."""
        if text not in self._known:
            self._known[text] = self._said(text, 0)
        return self._known[text]

    def _said(self, text: str, depth: int) -> str | None:
        if depth > DEPTH_MAX:
            return None
        if text in self._exact:
            return self._wanted[self._exact[text]]
        parts = _NEXT_LINE.split(text)
        if len(parts) > 1:
            return self._row(parts, "; ", depth)
        for pattern in self._patterns:
            found = pattern.regex.fullmatch(text)
            if found is None:
                continue
            filled = self._fill(pattern, found.groups(), depth)
            if filled is not None:
                return filled
        return None

    def _row(self, parts: list[str], between: str, depth: int) -> str | None:
        said = [self._said(part, depth + 1) for part in parts]
        return None if None in said else between.join(part for part in said if part is not None)

    def _fill(self, pattern: _Pattern, values: tuple[str, ...], depth: int) -> str | None:
        filled: dict[str, str] = {}
        for slot, value in zip(pattern.slots, values, strict=True):
            said = self._slot(slot[0], value, depth)
            if said is None:
                return None
            filled[slot] = said
        return _SLOT.sub(lambda found: filled["".join(found.groups())], self._wanted[pattern.key])

    def _slot(self, kind: str, value: str, depth: int) -> str | None:
        if kind == "n":
            return self._number(value)
        if kind == "m":
            # A comma may be the decimal sign, so it cannot part the numbers.
            return "; ".join(self._number(part) for part in value.split(", "))
        if kind == "t":
            return self._said(value, depth + 1)
        if kind == "l":
            return self._row(value.split(", "), "; ", depth)
        return value
