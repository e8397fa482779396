"""Fixtures of the families' tests: an interpreter, and a command run in this process."""

from __future__ import annotations

from tests.cli.conftest import run, store
from tests.twin.conftest import vm

__all__ = ["run", "store", "vm"]
