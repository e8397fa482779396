"""adafruit-circuitpython-as5600 as published, without CircuitPython: what it imports of that stands for names only."""

from __future__ import annotations

import importlib
import importlib.util
import sys
import types
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest


@contextmanager
def published_driver(bus: type[Any], monkeypatch: pytest.MonkeyPatch) -> Iterator[type[Any]]:
    """Its class; bus: what stands for busio.I2C. Skips where the driver is not installed."""
    if importlib.util.find_spec("adafruit_as5600") is None:
        pytest.skip("no driver to read with (.ci/run installs it: adafruit-circuitpython-as5600)")
    stands_for: dict[str, dict[str, Any]] = {
        "micropython": {"const": lambda value: value},
        "busio": {"I2C": bus, "SPI": object},
        "digitalio": {"DigitalInOut": object},
        "circuitpython_typing": {"ReadableBuffer": object, "WriteableBuffer": object, "__path__": []},
        "circuitpython_typing.device_drivers": {"I2CDeviceDriver": object, "SPIDeviceDriver": object},
    }
    for name, content in stands_for.items():
        module = types.ModuleType(name)
        module.__dict__.update(content)
        monkeypatch.setitem(sys.modules, name, module)
    before = set(sys.modules)
    try:
        yield importlib.import_module("adafruit_as5600").AS5600
    finally:
        for name in set(sys.modules) - before:
            if name.startswith(("adafruit_", "circuitpython_")):
                del sys.modules[name]
