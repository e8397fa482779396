"""The record: every run whole, on disk before anybody is told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lidjig.record.model import Finding, MeasuredValue, outcome_of

if TYPE_CHECKING:
    from lidjig.record.store import Store

__all__ = ["Finding", "MeasuredValue", "open_store", "outcome_of"]


def open_store(url_or_path: str | Path | None = None, *, create: bool = True) -> Store:
    """Open a record, see record.store.open_store; the database library is imported here, not with the
    package.
    """
    from lidjig.record import store

    return store.open_store(url_or_path, create=create)
