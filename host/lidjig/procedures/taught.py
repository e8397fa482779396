"""A machine profile with what was learned: thresholds, bands and signatures in place of the old ones, all else kept."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from lidjig.bench.learned import Learned
from lidjig.bench.machine import MachineProfile
from lidjig.measure.states_bands import Bands, apart, bands_of, comparator
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Model


def comparators_of(model: Model, recordings: Sequence[Recording], machine: MachineProfile) -> dict[str, Bands]:
    """Comparator settings for every analog observer that was learned.

    The charger voltage keeps its own: its bands are the levels of the supply contract, whatever this machine showed.
    """
    out = {}
    for name, analog in machine.analog().items():
        if name not in model.scopes:
            continue
        if name == "charger_v":
            shapes = {state: rows[name] for state, rows in model.signatures.items() if name in rows}
            shown = {state: bands_of(shape, analog.thresholds) for state, shape in shapes.items()}
            out[name] = Bands(tuple(analog.thresholds), analog.hysteresis, analog.dwell_ms, shown)
        else:
            out[name] = comparator(model, name, recordings, machine.scale(machine.channel_of(name)).per_raw)
    return out


def signatures_of(model: Model, bands: Mapping[str, Bands]) -> dict[str, dict[str, frozenset[int]]]:
    """State -> observer -> bands or levels that it shows, as the board's comparators see them.

    What says nothing (both levels of a line, every band, an observer without a threshold) is left out.
    """
    out: dict[str, dict[str, frozenset[int]]] = {}
    for state, rows in model.signatures.items():
        out[state] = {}
        for name, shape in rows.items():
            if model.scopes[name].digital:
                shown = frozenset(int(level.centre) for level in shape.levels)
                full = 2
            else:
                shown = frozenset(bands[name].bands.get(state, ()))
                full = len(bands[name].thresholds) + 1
            if shown and len(shown) < full:
                out[state][name] = shown
    return out


def confused_by_bands(signatures: Mapping[str, Mapping[str, frozenset[int]]]) -> list[tuple[str, str]]:
    """Pairs of states that no comparator and no line keeps apart."""
    names = list(signatures)
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    return [(a, b) for a, b in pairs if not apart(signatures[a], signatures[b])]


def profile_text(
    base: str,
    learned: Learned,
    bands: Mapping[str, Bands],
    signatures: Mapping[str, Mapping[str, frozenset[int]]],
) -> str:
    """The text of the new profile. base: the text of the old one, whose other keys are kept (comments are not).

    States that were not taught keep their signature. An observer without a threshold keeps its comparator.
    """
    import tomli_w

    table: dict[str, Any] = tomllib.loads(base)
    for name, found in bands.items():
        if found.thresholds and name != "charger_v":
            observer = table["observers"][name]
            observer["thresholds"] = [_short(threshold) for threshold in found.thresholds]
            observer["hysteresis"] = _short(found.hysteresis)
            observer["dwell_ms"] = found.dwell_ms
    for state, rows in signatures.items():
        table["states"][state] = {name: _value(shown) for name, shown in rows.items()}
    table["learned"] = _without_none(msgspec.to_builtins(learned))
    made = f"Taught by lidjig {learned.host_version}, {learned.when_utc}, board {learned.board_id}, run {learned.run}."
    kept = f"{learned.how}. Base: {learned.base}; thresholds, bands and [learned] are measured, the rest is the base's."
    head = f"# {made}\n# {kept}\n"
    return head + tomli_w.dumps(table)


def _value(shown: frozenset[int]) -> int | list[int]:
    return next(iter(shown)) if len(shown) == 1 else sorted(shown)


def _short(value: float) -> float:
    return float(f"{value:.4g}")


def _without_none(node: Any) -> Any:
    """TOML has no null: what is not there is left out."""
    if isinstance(node, dict):
        return {key: _without_none(value) for key, value in node.items() if value is not None}
    if isinstance(node, list):
        return [_without_none(value) for value in node]
    return node
