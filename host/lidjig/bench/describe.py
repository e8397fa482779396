"""What a struct type accepts, in words: for error messages."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import inspect as mi

Path = Sequence[str | int]


def value_at(table: object, path: Path) -> object:
    """What stands at the path in plain TOML data; None where nothing does."""
    node = table
    for part in path:
        if isinstance(node, dict) and part in node:
            node = node[part]
        elif isinstance(node, list) and isinstance(part, int) and part < len(node):
            node = node[part]
        else:
            return None
    return node


def keys_at(type_: type, path: Path) -> list[str]:
    """The keys of the struct at the path, required ones first as declared."""
    found = _walk(mi.type_info(type_), path)
    return [field.encode_name for field in found.fields] if isinstance(found, mi.StructType) else []


def accepted_at(type_: type, path: Path) -> str:
    """What is accepted at the path, in words; "" where the path leads nowhere."""
    found = _walk(mi.type_info(type_), path)
    return words(found) if found is not None else ""


def _walk(info: mi.Type, path: Path) -> mi.Type | None:
    node: mi.Type | None = _plain(info)
    for part in path:
        if isinstance(node, mi.StructType):
            node = next((f.type for f in node.fields if f.encode_name == part), None)
        elif isinstance(node, mi.UnionType):
            lists = [t for t in node.types if isinstance(t, (mi.ListType, mi.VarTupleType))]
            node = lists[0].item_type if lists else None
        elif isinstance(node, (mi.ListType, mi.VarTupleType)):
            node = node.item_type
        elif isinstance(node, mi.TupleType):
            inside = isinstance(part, int) and part < len(node.item_types)
            node = node.item_types[int(part)] if inside else None
        elif isinstance(node, mi.DictType):
            node = node.value_type
        else:
            return None
        node = _plain(node) if node is not None else None
    return node


def _plain(info: mi.Type) -> mi.Type:
    """The type without metadata, and without None where the key is merely optional."""
    if isinstance(info, mi.Metadata):
        return _plain(info.type)
    if isinstance(info, mi.UnionType):
        real = [_plain(t) for t in info.types if not isinstance(t, mi.NoneType)]
        return real[0] if len(real) == 1 else mi.UnionType(tuple(real))
    return info


def words(info: mi.Type) -> str:
    """A type in words a technician reads: "a number 1..5.5", "one of 'up', 'none'"."""
    node = _plain(info)
    if isinstance(node, mi.UnionType):
        return " or ".join(words(t) for t in node.types)
    if isinstance(node, (mi.IntType, mi.FloatType)):
        noun = "a whole number" if isinstance(node, mi.IntType) else "a number"
        return (noun + _range(node.ge, node.gt, node.le, node.lt)).strip()
    if isinstance(node, mi.LiteralType):
        return "one of " + ", ".join(repr(v) for v in node.values)
    if isinstance(node, mi.StrType):
        return "text" + _length(node.min_length, node.max_length, "characters") + _pattern(node.pattern)
    if isinstance(node, (mi.ListType, mi.VarTupleType)):
        return f"a list{_length(node.min_length, node.max_length, 'entries')} of {words(node.item_type)}"
    if isinstance(node, mi.TupleType):
        return f"a list of {len(node.item_types)} entries: {', '.join(words(t) for t in node.item_types)}"
    if isinstance(node, mi.BoolType):
        return "true or false"
    if isinstance(node, mi.StructType):
        return "a table with the keys " + ", ".join(f.encode_name for f in node.fields)
    if isinstance(node, mi.DictType):
        return f"a table whose values are {words(node.value_type)}"
    return type(node).__name__.removesuffix("Type").lower()


def _number(value: float) -> str:
    # A whole number keeps all its digits: a bound that reads 4.29497e+09 cannot be typed in.
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else f"{value:g}"


def _range(ge: float | None, gt: float | None, le: float | None, lt: float | None) -> str:
    if ge is not None and le is not None:
        return f" {_number(ge)}..{_number(le)}"
    parts = []
    for bound, text in ((ge, "at least"), (gt, "above"), (le, "at most"), (lt, "below")):
        if bound is not None:
            parts.append(f"{text} {_number(bound)}")
    return " " + ", ".join(parts) if parts else ""


def _length(low: int | None, high: int | None, noun: str) -> str:
    if low is not None and high is not None:
        return f" of {low}..{high} {noun}" if low != high else f" of {low} {noun}"
    if low is not None:
        return f" of at least {low} {noun}"
    return f" of at most {high} {noun}" if high is not None else ""


def _pattern(pattern: str | None) -> str:
    return f" matching {pattern}" if pattern else ""
