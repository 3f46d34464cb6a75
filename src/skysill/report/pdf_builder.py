"""PDF documents from paragraphs, tables and pictures; A4 or Letter, tables broken only between rows."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from skysill.errors import InputError
from skysill.report.formatting import Facts, Table
from skysill.report.pictures import Picture, qr_png

__all__ = ["PAPERS", "PdfBuilder"]

PAPERS = {"a4": (595.2756, 841.8898), "letter": (612.0, 792.0)}
"""ISO 216 A4 and ANSI/ASME Y14.1 Letter, in points."""

_MARGIN = 36.0
_REGULAR, _BOLD = "SkysillSans", "SkysillSans-Bold"


@cache
def _register_fonts() -> None:
    """Register the fonts that come with matplotlib: they cover more scripts than the built-in fonts of PDF."""
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    spec = find_spec("matplotlib")
    assert spec is not None
    assert spec.origin is not None
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    registerFont(TTFont(_REGULAR, folder / "DejaVuSans.ttf"))
    registerFont(TTFont(_BOLD, folder / "DejaVuSans-Bold.ttf"))
    registerFontFamily(_REGULAR, normal=_REGULAR, bold=_BOLD, italic=_REGULAR, boldItalic=_BOLD)


@dataclass(frozen=True, slots=True)
class PdfBuilder:
    """Page size and paragraph styles, and the elements made with them."""

    size: tuple[float, float]
    styles: dict[str, Any]

    @classmethod
    def on(cls, paper: str) -> PdfBuilder:
        """A builder for a paper size.

        Raises
        ------
        InputError : a size that is not in PAPERS
        """
        if paper.lower() not in PAPERS:
            raise InputError(f'"{paper}" is no paper known here.', where="paper", mend="Write a4 or letter.")
        _register_fonts()
        return cls(PAPERS[paper.lower()], _styles())

    @property
    def width(self) -> float:
        """Width between the margins, points."""
        return self.size[0] - 2.0 * _MARGIN

    def text(self, words: str, style: str = "body") -> Any:
        """A paragraph of plain text, without markup."""
        from reportlab.platypus import Paragraph

        return Paragraph(_escaped(words), self.styles[style])

    def heading(self, words: str, style: str = "h2", *, room: float = 60.0) -> list[Any]:
        """A heading; with less than `room` points left on the page it begins the next one."""
        from reportlab.platypus import CondPageBreak

        return [CondPageBreak(room), self.text(words, style)]

    def bullets(self, items: Sequence[str]) -> list[Any]:
        """A bulleted list of plain texts."""
        from reportlab.platypus import Paragraph

        return [Paragraph(_escaped(item), self.styles["bullet"], bulletText="•") for item in items]

    def facts(self, rows: Facts, width: float) -> Any:
        """A table of names and values, `width` points wide."""
        from reportlab.platypus import Table as Grid

        cells = [[self.text(name, "cell"), self.text(value, "strong")] for name, value in rows]
        return Grid(cells, colWidths=[0.36 * width, 0.64 * width], style=_RULED, hAlign="LEFT")

    def table(
        self,
        table: Table,
        shares: Sequence[float],
        *,
        tall: float | None = None,
        width: float | None = None,
    ) -> Any:
        """A table that repeats its head on every page and never breaks a row.

        shares : relative widths of the columns; tall : height of each row in points, for tables to write in
        width : of the whole table, points
        """
        from reportlab.platypus import Table as Grid

        total, heads = sum(shares), table.heads
        cells = [[self.text(head.text, "head-right" if head.number else "head") for head in heads]]
        for at, row in enumerate(table.rows):
            weight = "strong" if at in table.strong else "cell"
            cells.append(
                [
                    self.text(
                        cell,
                        "code"
                        if heads[k].code
                        else f"{weight}-right"
                        if heads[k].number
                        else ("strong" if k == 0 and tall is None else weight),
                    )
                    for k, cell in enumerate(row)
                ]
            )
        style = [*_RULED, ("BACKGROUND", (0, 0), (-1, 0), "#EEEEEE")]
        if tall is not None:
            style += [
                ("INNERGRID", (0, 0), (-1, -1), 0.5, "#999999"),
                ("BOX", (0, 0), (-1, -1), 0.5, "#999999"),
                ("VALIGN", (0, 1), (-1, -1), "MIDDLE"),
            ]
        return Grid(
            cells,
            colWidths=[(width or self.width) * share / total for share in shares],
            rowHeights=None if tall is None else [None, *[tall] * len(table.rows)],
            repeatRows=1,
            style=style,
            hAlign="LEFT",
            spaceAfter=7.0,
        )

    def picture(self, picture: Picture, width: float, most_high: float = 1e9) -> Any:
        """A picture at its own size, or smaller where `width` or `most_high` points require it."""
        from reportlab.platypus import Image

        scale = min(72.0, width / picture.width_in, most_high / picture.height_in)
        return Image(
            io.BytesIO(picture.data),
            width=scale * picture.width_in,
            height=scale * picture.height_in,
            hAlign="LEFT",
        )

    def side_by_side(self, cells: Sequence[Any], widths: Sequence[float]) -> Any:
        """Elements beside each other, in columns of these widths in points."""
        from reportlab.platypus import Table as Grid

        style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
        return Grid([list(cells)], colWidths=list(widths), style=style, hAlign="LEFT")

    def beside_code(self, content: list[Any], geo_uri: str) -> Any:
        """Content with the position as a QR code at its right."""
        from reportlab.platypus import Image

        code = Image(io.BytesIO(qr_png(geo_uri)), width=76.0, height=76.0)
        return self.side_by_side([content, code], [self.width - 84.0, 84.0])

    def place(self, facts: Facts, geo_uri: str) -> Any:
        """Facts of a place, with its position as a QR code beside them."""
        from reportlab.platypus import Image

        code = Image(io.BytesIO(qr_png(geo_uri)), width=92.0, height=92.0)
        return self.side_by_side(
            [self.facts(facts, 0.7 * self.width - 6.0), [code, self.text(geo_uri, "caption")]],
            [0.7 * self.width, 0.3 * self.width],
        )

    def printed(self, title: str, footer: str, story: list[Any]) -> bytes:
        """The document as PDF bytes, with a footer and page numbers; the same input gives the same bytes."""
        from reportlab.platypus import SimpleDocTemplate

        buffer = io.BytesIO()
        document = SimpleDocTemplate(
            buffer,
            pagesize=self.size,
            leftMargin=_MARGIN,
            rightMargin=_MARGIN,
            topMargin=_MARGIN,
            bottomMargin=_MARGIN + 8.0,
            title=title,
            creator="skysill",
            lang="en",
            invariant=1,
        )

        def foot(canvas: Any, sheet: Any) -> None:
            canvas.saveState()
            canvas.setFont(_REGULAR, 7)
            canvas.setFillGray(0.3)
            words = self.text(footer, "foot")
            words.wrap(self.width - 50.0, 30.0)
            words.drawOn(canvas, _MARGIN, _MARGIN - 12.0)
            canvas.drawRightString(self.size[0] - _MARGIN, _MARGIN - 4.0, f"page {sheet.page}")
            canvas.restoreState()

        document.build(story, onFirstPage=foot, onLaterPages=foot)
        return buffer.getvalue()


_RULED = [
    ("LINEBELOW", (0, 0), (-1, -1), 0.5, "#B8B8B8"),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("TOPPADDING", (0, 0), (-1, -1), 1.5),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
]


def _styles() -> dict[str, Any]:
    from reportlab.lib.enums import TA_RIGHT
    from reportlab.lib.styles import ParagraphStyle

    body = ParagraphStyle("body", fontName=_REGULAR, fontSize=8.5, leading=11.5, spaceAfter=3.0)

    def like(name: str, **changes: Any) -> ParagraphStyle:
        return ParagraphStyle(name, parent=body, **changes)

    cell = {"fontSize": 8, "leading": 9.5, "spaceAfter": 0}
    return {
        "body": body,
        "title": like("title", fontName=_BOLD, fontSize=15, leading=19),
        "soft": like("soft", textColor="#444444"),
        "h2": like("h2", fontName=_BOLD, fontSize=11.5, leading=15, spaceBefore=12),
        "h3": like("h3", fontName=_BOLD, fontSize=9.5, leading=12.5, spaceBefore=7),
        "caption": like("caption", fontSize=8, leading=10, textColor="#444444", keepWithNext=1),
        "note": like("note", fontSize=8, leading=10, textColor="#444444"),
        "bullet": like("bullet", leftIndent=11, bulletIndent=2, spaceAfter=2),
        "word": like("word", fontName=_BOLD),
        "cell": like("cell", **cell),
        "cell-right": like("cell-right", alignment=TA_RIGHT, **cell),
        "strong": like("strong", fontName=_BOLD, **cell),
        "strong-right": like("strong-right", fontName=_BOLD, alignment=TA_RIGHT, **cell),
        "head": like("head", fontName=_BOLD, **cell),
        "head-right": like("head-right", fontName=_BOLD, alignment=TA_RIGHT, **cell),
        "code": like("code", fontSize=7, leading=8.5, spaceAfter=0, wordWrap="CJK"),
        "foot": like("foot", fontSize=7, leading=8.5, textColor="#444444"),
    }


def _escaped(words: str) -> str:
    """Text with markup escaped, and with a white square for glyphs that the font lacks."""
    from skysill.plots.labels import printable

    return escape(printable(words))
