"""Pictures of a report, to be looked at by a person.

    python tests/report/browser/look.py OUT REPORT.html ...

writes phone, phone-dark, laptop and laptop-dark as one long PNG each, and every page printed on A4.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import chromium


def look(page: chromium.Page, report: Path, out: Path) -> None:
    """All pictures of one report."""
    import pypdfium2

    for view in chromium.VIEWS:
        page.open(report, view)
        page.picture(out / f"{report.stem}-{view.name}.png")
    pdf = page.printed("A4")
    (out / f"{report.stem}-a4.pdf").write_bytes(pdf)
    document = pypdfium2.PdfDocument(pdf)
    for number in range(len(document)):
        document[number].render(scale=1.3).to_pil().save(out / f"{report.stem}-a4-{number + 1:02d}.png")


def main() -> None:
    why = chromium.missing()
    if why or len(sys.argv) < 3:
        sys.exit(why or __doc__)
    out = Path(sys.argv[1])
    out.mkdir(parents=True, exist_ok=True)
    for page in chromium.start():
        for name in sys.argv[2:]:
            look(page, Path(name), out)


if __name__ == "__main__":
    main()
