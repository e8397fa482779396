"""Figures in recorded sentences with the digits that the tables give them."""

from __future__ import annotations

import re
from collections.abc import Iterable

from lidjig.record.model import MeasuredValue
from lidjig.show.numbers import places

# What a sentence adds of limits, which are told as they were set.
_SET = re.compile(r"\((?:limit|window|contract) [^)]*\)|\([-\d.]+ to [^)]*\)")
_NUMBER = re.compile(r"(?<![\w.])-?\d+\.(\d+)(?!\w)")


def retold(sentence: str, told: Iterable[MeasuredValue]) -> str:
    """A recorded sentence whose numbers are a value or an end of the interval of a measurement that it tells: each with
    as many places as that interval bears. The form of the record stays, so that its template still finds it.
    """
    known = [(m, figure) for m in told for figure in (m.value, m.low, m.high) if figure is not None]
    kept = [found.span() for found in _SET.finditer(sentence)]

    def written(found: re.Match[str]) -> str:
        if any(begin <= found.start() < end for begin, end in kept):
            return found.group()
        number, half = float(found.group()), 0.5000001 * 10.0 ** -len(found.group(1))
        for measured, figure in known:
            if abs(figure - number) <= half and measured.low is not None and measured.high is not None:
                digits = places(measured.low, measured.high, measured.unit)
                return found.group() if digits is None else f"{figure:z.{digits}f}"
        return found.group()

    return _NUMBER.sub(written, sentence)
