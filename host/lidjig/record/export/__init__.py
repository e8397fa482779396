"""A run of the record as a file for other tools; the suffix picks the format."""

from __future__ import annotations

from lidjig.record.export.formats import FORMATS, Exported, Wishes, export_run, format_of

__all__ = ["FORMATS", "Exported", "Wishes", "export_run", "format_of"]
