"""What a printed report looks like on its pages: how many, and how near to the edge anything stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

PT_PER_MM = 72 / 25.4
PX_PER_MM = 4.0


@dataclass(frozen=True)
class Sheet:
    """One printed page. Distances of its ink from the edges in mm, None on an empty page; text: all of it."""

    left_mm: float | None
    right_mm: float | None
    top_mm: float | None
    bottom_mm: float | None
    text: str


def sheets(pdf: bytes) -> list[Sheet]:
    """Each page, from a picture of it."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    try:
        return [_sheet(document[number]) for number in range(len(document))]
    finally:
        document.close()


def _sheet(page: Any) -> Sheet:
    import numpy as np

    picture = page.render(scale=PX_PER_MM / PT_PER_MM, grayscale=True).to_numpy().squeeze()
    ink = picture < 235
    rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    text = page.get_textpage().get_text_bounded()
    if not len(rows):
        return Sheet(None, None, None, None, text)
    height, width = picture.shape
    return Sheet(
        left_mm=columns[0] / PX_PER_MM,
        right_mm=(width - 1 - columns[-1]) / PX_PER_MM,
        top_mm=rows[0] / PX_PER_MM,
        bottom_mm=(height - 1 - rows[-1]) / PX_PER_MM,
        text=text,
    )
