"""The field sheet as PDF, from the same page as the HTML."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from skysill.report.pdf_builder import PdfBuilder
from skysill.report.sheet import FieldSheet
from skysill.report.sheet_page import SheetPage, sheet_page
from skysill.report.words import Facts

__all__ = ["sheet_pdf"]


def sheet_pdf(sheet: FieldSheet, *, csv_name: str = "", paper: str = "a4") -> bytes:
    """The field sheet as PDF, blank cells to be written into by hand."""
    page = sheet_page(sheet, csv_name=csv_name)
    pdf = PdfBuilder.on(paper)
    return pdf.printed(page.title, page.footer, list(_sheet(pdf, page)))


def _sheet(pdf: PdfBuilder, page: SheetPage) -> Iterator[Any]:
    from reportlab.platypus import PageBreak

    yield pdf.text(page.title, "title")
    yield pdf.text(page.subtitle, "soft")
    yield pdf.text("What to measure", "h2")
    yield pdf.text(page.summary, "word")
    yield pdf.text(page.windows.caption, "caption")
    yield pdf.table(page.windows, (22, 18, 18, 13, 14, 20))
    yield from pdf.bullets(page.why)
    yield pdf.text("Safety", "h2")
    yield from pdf.bullets(page.cautions)
    if page.notes:
        yield pdf.text("To bear in mind", "h2")
        yield from pdf.bullets(page.notes)
    yield pdf.text("Where", "h2")
    yield pdf.place(page.place, page.geo_uri)
    yield pdf.text("How", "h2")
    yield from pdf.bullets(page.how)
    yield pdf.text("Take along", "h3")
    yield from pdf.bullets(page.equipment)
    yield PageBreak()
    yield pdf.text("Checking the compass", "h2")
    if page.landmarks is None:
        yield pdf.text("The site file names no landmark. Take the bearing of a far thing that is on the map.")
    else:
        yield pdf.text(page.landmarks.caption, "caption")
        yield pdf.table(page.landmarks, (26, 14, 16, 16, 26), tall=20.0)
    if page.sun is not None:
        yield pdf.text(page.sun_caution)
        yield pdf.text(page.sun.caption, "caption")
        yield pdf.table(page.sun, (26, 15, 14, 18, 15, 20), tall=20.0)
    yield pdf.text("Readings", "h2")
    yield _blanks(pdf, page.taken)
    if page.readings is None:
        yield pdf.text("Nothing need be measured for these satellites.")
        return
    yield pdf.text(page.readings.caption, "caption")
    yield pdf.table(page.readings, (10, 12, 36, 13, 13, 26), tall=21.0)


def _blanks(pdf: PdfBuilder, rows: Facts) -> Any:
    """Names with room to write behind them, two to a line."""
    from reportlab.platypus import Table as Grid

    pairs = [rows[at : at + 2] for at in range(0, len(rows), 2)]
    cells = [[part for name, _ in pair for part in (pdf.text(name, "cell"), "")] for pair in pairs]
    style: list[Any] = [
        ("LINEBELOW", (1, 0), (1, -1), 0.5, "#666666"),
        ("LINEBELOW", (3, 0), (3, -1), 0.5, "#666666"),
        ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
    ]
    return Grid(
        cells,
        colWidths=[pdf.width * share for share in (0.2, 0.3, 0.2, 0.3)],
        rowHeights=22.0,
        style=style,
        hAlign="LEFT",
        spaceAfter=8.0,
    )
