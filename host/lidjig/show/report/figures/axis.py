"""The axis of board time that the figures are drawn on: see record/axis.py."""

from __future__ import annotations

from lidjig.record.axis import Boot, GapMark, Levels, Piece, boots_of, gaps_of, levels_of, pieces_of

__all__ = ["Boot", "GapMark", "Levels", "Piece", "boots_of", "gaps_of", "levels_of", "pieces_of"]
