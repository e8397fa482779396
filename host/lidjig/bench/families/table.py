"""The families, a row each. Another one is a file here, a file on the board (device/firmware/families), and a row."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Any, cast

from lidjig.bench import reader
from lidjig.bench.families.base import Encoding
from lidjig.errors import BadInput
from shared_proto import family_blobs


@dataclass(frozen=True)
class Family:
    """One row. signals: its conductors, in order of the lines they are on. encoding: "module:struct" of its table,
    loaded when a profile names it; "" for the switch, which has none. says: what it is, in a line.
    """

    signals: tuple[str, ...]
    encoding: str
    says: str
    number: int = 0


_ROWS = {
    "switch": Family(("out",), "", "one or two lines, each says shut or open"),
    "analog": Family(("out",), "analog:AnalogEncoding", "a voltage, a part of the supply"),
    "pwm": Family(("out",), "pwm:PwmEncoding", "the width of a pulse"),
    "sent": Family(("out",), "sent:SentEncoding", "SENT (SAE J2716): nibbles as the time between falling edges"),
    "i2c": Family(("sda", "scl"), "i2c:I2cEncoding", "registers on an I2C bus"),
    "ssi": Family(("data", "clock", "select"), "ssi:SsiEncoding", "24 bits at the machine's clock, with a CRC"),
    "quadrature": Family(("a", "b", "index"), "quadrature:QuadratureEncoding", "two square waves, a quarter apart"),
    "sincos": Family(("sin", "cos"), "sincos:SincosEncoding", "two voltages, sine and cosine of the angle"),
}
FAMILIES = {
    name: Family(row.signals, row.encoding, row.says, family_blobs.FAMILIES.index(name)) for name, row in _ROWS.items()
}


def read_encoding(family: str, table: dict[str, Any], file: str) -> Encoding:
    """The [encoding] table of a profile as its family's struct. Raises BadInput with the key as the file has it."""
    row = FAMILIES[family]
    if not row.encoding:
        raise ValueError(f"family {family} codes no angle")
    module, _, name = row.encoding.partition(":")
    struct: type[Any] = getattr(importlib.import_module(f"lidjig.bench.families.{module}"), name)
    try:
        return cast(Encoding, reader.convert(table, struct, file))
    except BadInput as error:
        raise BadInput(error.file, f"encoding.{error.key}", error.value, error.accepted) from error
