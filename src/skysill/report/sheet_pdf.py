"""The field sheet as PDF, from the same page as the HTML."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from skysill.report.formatting import Facts
from skysill.report.pdf_builder import PdfBuilder
from skysill.report.sheet import FieldSheet
from skysill.report.sheet_page import SheetPage, sheet_page

__all__ = ["sheet_pdf"]


def sheet_pdf(sheet: FieldSheet, *, csv_name: str = "", paper: str = "a4") -> bytes:
    """The field sheet as PDF, blank cells to be written into by hand.

    Parameters
    ----------
    sheet : from `field_sheet`
    csv_name : file name of the table that goes with it
    paper : "a4" or "letter"

    Returns
    -------
    bytes of the file; the same sheet gives the same bytes

    Raises
    ------
    InputError : a paper that is neither a4 nor letter

    >>> from skysill import field_sheet, read_site_file, sheet_pdf
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> sheet_pdf(field_sheet(job, job.mounts[0]))[:5]
    b'%PDF-'
    """
    page = sheet_page(sheet, csv_name=csv_name)
    pdf = PdfBuilder.on(paper)
    return pdf.printed(page.title, page.footer, list(_sheet(pdf, page)))


ROW_PT = 19.0
"""Height of a row to write on: 6.7 mm, near the 7 mm of ruled paper."""

LONG, LONG_ROW_PT = 40, 17.5
"""Tables of more rows than LONG have rows of 6.2 mm, so that the sheet keeps to three pages."""


def _sheet(pdf: PdfBuilder, page: SheetPage) -> Iterator[Any]:
    """The table first, then the compass check, then the texts to read beforehand."""
    where = "; ".join(f"{name}: {value}" for name, value in page.place)
    head = [pdf.text(page.title, "title"), pdf.text(page.subtitle, "soft"), pdf.text(page.summary, "word")]
    head += [pdf.text(line) for line in (page.at_mount, page.stand, page.before) if line]
    head.append(pdf.text(f"{where[0].upper()}{where[1:]}.", "note"))
    yield pdf.beside_code(head, page.geo_uri)
    rows = 0 if page.readings is None else len(page.readings.rows)
    tall = LONG_ROW_PT if rows > LONG else ROW_PT
    if page.readings is None:
        yield pdf.text("Nothing need be measured for these satellites.")
    else:
        yield pdf.text(page.readings.caption, "note")
        yield pdf.table(page.readings, (11.5, 11.5, 32, 12.5, 12, 12, 8.5, 14), tall=tall)
    yield _blanks(pdf, page.taken)
    yield from pdf.heading("Checking the compass", room=150.0)
    if page.sun is not None:
        yield pdf.text(page.sun_caution)
    half = pdf.width / 2.0 - 5.0
    tables = [
        [pdf.text(table.caption, "note"), pdf.table(table, shares, tall=tall, width=half)]
        for table, shares in ((page.landmarks, (35, 17, 22, 26)), (page.sun, (22, 24, 22, 26)))
        if table is not None
    ]
    yield pdf.side_by_side(tables, [pdf.width / 2.0] * len(tables))
    yield from pdf.heading("Safety")
    yield from pdf.bullets(page.cautions)
    yield from pdf.heading("How")
    yield from pdf.bullets(page.how)
    yield pdf.text(page.equipment)
    yield from pdf.heading("Why these azimuths", room=90.0)
    yield pdf.table(page.windows, (22, 18, 18, 13, 14, 20))
    yield pdf.text(" ".join((*page.why, *page.notes)))


def _blanks(pdf: PdfBuilder, rows: Facts) -> Any:
    """Names with space to write behind them, three in a row."""
    from reportlab.platypus import Table as Grid

    groups = [rows[at : at + 3] for at in range(0, len(rows), 3)]
    cells = [[part for name, _ in group for part in (pdf.text(name, "cell"), "")] for group in groups]
    style: list[Any] = [("VALIGN", (0, 0), (-1, -1), "BOTTOM"), ("LEFTPADDING", (0, 0), (-1, -1), 3)]
    style += [("LINEBELOW", (column, 0), (column, -1), 0.5, "#666666") for column in (1, 3, 5)]
    return Grid(
        cells,
        colWidths=[pdf.width * share for share in (0.15, 0.17, 0.17, 0.17, 0.17, 0.17)],
        rowHeights=22.0,
        style=style,
        hAlign="LEFT",
        spaceAfter=6.0,
    )
