"""Record and sheet as PDF, from the same pages as the HTML; A4 or Letter, tables parted between rows only."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from skysill.errors import InputError
from skysill.report.built import PhotoRecord
from skysill.report.pages import RecordPage, SatellitePage, SheetPage, Table, record_page, sheet_page
from skysill.report.pictures import Picture, Pictures, pictures, qr_png
from skysill.report.record import Record
from skysill.report.sheet import FieldSheet

__all__ = ["PAPERS", "record_pdf", "sheet_pdf"]

PAPERS = {"a4": (595.2756, 841.8898), "letter": (612.0, 792.0)}
"""ISO 216 A4 and ANSI/ASME Y14.1 Letter, in points."""

_MARGIN = 40.0
_REGULAR, _BOLD = "SkysillSans", "SkysillSans-Bold"
_MARKS = {
    "clear": "#56B4E9",
    "marginal": "#F0E442",
    "needs-survey": "#CC79A7",
    "unknown": "#8C8C8C",
    "blocked": "#D55E00",
}


def record_pdf(record: Record, *, paper: str = "a4") -> bytes:
    """The survey record as PDF; the same record gives the same bytes.

    Raises
    ------
    InputError : a paper that is neither a4 nor letter
    """
    page = record_page(record)
    press = _Press.on(paper)
    return press.printed(page.title, page.footer, list(_record(press, page, pictures(record, "png"))))


def sheet_pdf(sheet: FieldSheet, *, csv_name: str = "", paper: str = "a4") -> bytes:
    """The field sheet as PDF, blank cells to be written into by hand."""
    page = sheet_page(sheet, csv_name=csv_name)
    press = _Press.on(paper)
    return press.printed(page.title, page.footer, list(_sheet(press, page)))


@cache
def _letters() -> None:
    """Register the letters that matplotlib brings along: they hold more scripts than PDF's own."""
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
class _Press:
    """A paper, its type, and what can be set on it."""

    size: tuple[float, float]
    styles: dict[str, Any]

    @classmethod
    def on(cls, paper: str) -> _Press:
        if paper.lower() not in PAPERS:
            raise InputError(f'"{paper}" is no paper known here.', where="paper", mend="Write a4 or letter.")
        _letters()
        return cls(PAPERS[paper.lower()], _styles())

    @property
    def width(self) -> float:
        return self.size[0] - 2.0 * _MARGIN

    def text(self, words: str, style: str = "body") -> Any:
        """A paragraph of plain text: nothing in it is markup."""
        from reportlab.platypus import Paragraph

        return Paragraph(_plain(words), self.styles[style])

    def bullets(self, items: Sequence[str]) -> list[Any]:
        from reportlab.platypus import Paragraph

        return [Paragraph(_plain(item), self.styles["bullet"], bulletText="•") for item in items]

    def facts(self, rows: Sequence[tuple[str, str]], width: float) -> Any:
        from reportlab.platypus import Table as Grid

        cells = [[self.text(name, "cell"), self.text(value, "strong")] for name, value in rows]
        return Grid(cells, colWidths=[0.36 * width, 0.64 * width], style=_RULED, hAlign="LEFT")

    def table(self, table: Table, shares: Sequence[float], *, tall: float | None = None) -> Any:
        """A table whose head stands again on every page; rows are never cut."""
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
            ]
        return Grid(
            cells,
            colWidths=[self.width * share / total for share in shares],
            rowHeights=None if tall is None else [None, *[tall] * len(table.rows)],
            repeatRows=1,
            style=style,
            hAlign="LEFT",
            spaceAfter=7.0,
        )

    def picture(self, picture: Picture, width: float, most_high: float = 1e9) -> Any:
        from reportlab.platypus import Image

        scale = min(width / picture.width_in, most_high / picture.height_in)
        return Image(
            io.BytesIO(picture.data),
            width=scale * picture.width_in,
            height=scale * picture.height_in,
            hAlign="LEFT",
        )

    def side_by_side(self, cells: Sequence[Any], widths: Sequence[float]) -> Any:
        from reportlab.platypus import Table as Grid

        style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
        return Grid([list(cells)], colWidths=list(widths), style=style, hAlign="LEFT")

    def printed(self, title: str, footer: str, story: list[Any]) -> bytes:
        from reportlab.platypus import SimpleDocTemplate

        buffer = io.BytesIO()
        document = SimpleDocTemplate(
            buffer,
            pagesize=self.size,
            leftMargin=_MARGIN,
            rightMargin=_MARGIN,
            topMargin=_MARGIN,
            bottomMargin=_MARGIN + 14.0,
            title=title,
            creator="skysill",
            lang="en",
            invariant=1,
        )

        def foot(canvas: Any, sheet: Any) -> None:
            canvas.saveState()
            canvas.setFont(_REGULAR, 6.5)
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

    cell = {"fontSize": 7.5, "leading": 9.5, "spaceAfter": 0}
    return {
        "body": body,
        "title": like("title", fontName=_BOLD, fontSize=15, leading=19),
        "soft": like("soft", textColor="#444444"),
        "h2": like("h2", fontName=_BOLD, fontSize=11.5, leading=15, spaceBefore=12, keepWithNext=1),
        "h3": like("h3", fontName=_BOLD, fontSize=9.5, leading=12.5, spaceBefore=7, keepWithNext=1),
        "caption": like("caption", fontSize=7.5, leading=10, textColor="#444444", keepWithNext=1),
        "bullet": like("bullet", leftIndent=11, bulletIndent=2, spaceAfter=2),
        "word": like("word", fontName=_BOLD),
        "cell": like("cell", **cell),
        "cell-right": like("cell-right", alignment=TA_RIGHT, **cell),
        "strong": like("strong", fontName=_BOLD, **cell),
        "strong-right": like("strong-right", fontName=_BOLD, alignment=TA_RIGHT, **cell),
        "head": like("head", fontName=_BOLD, **cell),
        "head-right": like("head-right", fontName=_BOLD, alignment=TA_RIGHT, **cell),
        "code": like("code", fontSize=6, leading=8, spaceAfter=0, wordWrap="CJK"),
        "foot": like("foot", fontSize=6.5, leading=8, textColor="#444444"),
    }


def _plain(words: str) -> str:
    """Text in which nothing is markup, of letters that the type has; others become a question mark."""
    from skysill.views.labels import printable

    return escape(printable(words))


def _record(press: _Press, page: RecordPage, drawn: Pictures) -> Iterator[Any]:
    yield press.text(page.title, "title")
    yield press.text(page.subtitle, "soft")
    yield press.text("Verdict", "h2")
    for one in page.satellites:
        yield _verdict(press, one)
    if page.notes:
        yield press.text("To bear in mind", "h3")
        yield from press.bullets(page.notes)
    yield press.text("Place, mount and terminal", "h2")
    yield _where(press, page.place, page.geo_uri)
    if page.cautions:
        yield press.text("Cautions", "h2")
        yield from press.bullets(page.cautions)
    yield press.text("Sky view", "h2")
    yield press.picture(drawn.sky, 0.64 * press.width)
    if drawn.plan is not None:
        yield press.text("Plan", "h2")
        yield press.picture(drawn.plan, 0.64 * press.width)
    for one, beside, tilt in zip(page.satellites, drawn.beside, drawn.tilt, strict=True):
        yield from _satellite(press, page, one, beside, tilt)
    yield from _rest(press, page)


def _verdict(press: _Press, one: SatellitePage) -> Any:
    from reportlab.platypus import Table as Grid

    inside: list[Any] = [press.text(f"{one.glyph} {one.word}: {one.name}, {one.where}", "word")]
    inside += [press.text(reason) for reason in one.reasons]
    if one.remedies:
        inside += [press.text("What would help", "word"), *press.bullets(one.remedies)]
    inside.append(press.text(one.basis, "caption"))
    style = [
        ("BOX", (0, 0), (-1, -1), 0.5, "#B8B8B8"),
        ("LINEBEFORE", (0, 0), (0, -1), 6.0, _MARKS[one.verdict]),
        ("LEFTPADDING", (0, 0), (-1, -1), 10),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ]
    return Grid([[inside]], colWidths=[press.width], style=style, spaceAfter=5.0)


def _where(press: _Press, facts: Sequence[tuple[str, str]], geo_uri: str) -> Any:
    from reportlab.platypus import Image

    code = Image(io.BytesIO(qr_png(geo_uri)), width=92.0, height=92.0)
    return press.side_by_side(
        [press.facts(facts, 0.7 * press.width - 6.0), [code, press.text(geo_uri, "caption")]],
        [0.7 * press.width, 0.3 * press.width],
    )


def _satellite(
    press: _Press, page: RecordPage, one: SatellitePage, beside: Sequence[Picture], tilt: Picture | None
) -> Iterator[Any]:
    from reportlab.platypus import KeepTogether, Spacer

    yield press.text(f"{one.name}: {one.word}", "h2")
    if one.pointing:
        card = press.facts(one.pointing, 0.64 * press.width - 6.0)
        drawing = "" if tilt is None else press.picture(tilt, 0.34 * press.width)
        yield press.text("Pointing card", "h3")
        yield press.side_by_side([card, drawing], [0.64 * press.width, 0.36 * press.width])
    if one.face:
        yield press.text(one.face)
    for heading, sentences in (
        ("Aiming by eye", one.guides),
        ("Aiming by the sun's shadow", (page.sun_caution, *one.sun) if one.sun else ()),
        ("The sun and the path", one.sunlight),
    ):
        if sentences:
            yield press.text(heading, "h3")
            yield from press.bullets(sentences)
    if one.obstructions is not None:
        yield press.text("What stands beside the line", "h3")
        yield press.text(one.obstructions.caption, "caption")
        yield press.table(one.obstructions, (30, 9, 9, 13, 16, 9, 18))
    if one.track is not None:
        yield press.text("Its way", "h3")
        yield press.text(one.track.caption, "caption")
        yield press.table(one.track, (24, 14, 14, 20, 20))
    yield from press.bullets(one.loss)
    if beside:
        half = press.width / 2.0
        yield KeepTogether(
            [
                Spacer(1, 6),
                press.side_by_side(
                    [press.picture(p, half - 8.0, 330.0) for p in beside], [half] * len(beside)
                ),
            ]
        )


def _rest(press: _Press, page: RecordPage) -> Iterator[Any]:
    if page.built is not None:
        yield press.text("As built", "h2")
        yield press.text(page.built.heading)
        yield press.text(page.built.table.caption, "caption")
        yield press.table(page.built.table, (26, 26, 26, 20))
        yield from press.bullets(page.built.notes)
        yield from _photos(press, page.built.photos)
    yield press.text("What was measured", "h2")
    if page.survey:
        yield press.facts(page.survey, press.width)
    else:
        yield press.text("No horizon was measured on site for this record.")
    if page.photos:
        yield press.text("Photographs", "h2")
        yield from _photos(press, page.photos)
    yield press.text("What this rests on", "h2")
    if page.files is not None:
        yield press.text(page.files.caption, "caption")
        yield press.table(page.files, (21, 26, 10, 44))
    yield from press.bullets(page.basis)


def _photos(press: _Press, photos: Sequence[PhotoRecord]) -> Iterator[Any]:
    from reportlab.platypus import Image, KeepTogether

    for shown in photos:
        scale = min(0.75 * press.width / shown.photo.width, 300.0 / shown.photo.height)
        image = Image(
            io.BytesIO(shown.photo.jpeg),
            width=scale * shown.photo.width,
            height=scale * shown.photo.height,
            hAlign="LEFT",
        )
        words = " ".join((f"{shown.photo.name}.", *shown.facts, *shown.doubts))
        yield KeepTogether([image, press.text(words, "soft")])


def _sheet(press: _Press, page: SheetPage) -> Iterator[Any]:
    from reportlab.platypus import PageBreak

    yield press.text(page.title, "title")
    yield press.text(page.subtitle, "soft")
    yield press.text("What to measure", "h2")
    yield press.text(page.summary, "word")
    yield press.text(page.windows.caption, "caption")
    yield press.table(page.windows, (22, 18, 18, 13, 14, 20))
    yield from press.bullets(page.why)
    if page.notes:
        yield press.text("To bear in mind", "h3")
        yield from press.bullets(page.notes)
    yield press.text("Where", "h2")
    yield _where(press, page.place, page.geo_uri)
    if page.cautions:
        yield press.text("Cautions", "h2")
        yield from press.bullets(page.cautions)
    yield press.text("How", "h2")
    yield from press.bullets(page.how)
    yield press.text("Take along", "h3")
    yield from press.bullets(page.equipment)
    yield PageBreak()
    yield press.text("Checking the compass", "h2")
    if page.landmarks is None:
        yield press.text(
            "The site file names no landmark. Take the bearing of a far thing that is on the map."
        )
    else:
        yield press.text(page.landmarks.caption, "caption")
        yield press.table(page.landmarks, (26, 14, 16, 16, 26), tall=20.0)
    if page.sun is not None:
        yield press.text(page.sun_caution)
        yield press.text(page.sun.caption, "caption")
        yield press.table(page.sun, (26, 15, 14, 18, 15, 20), tall=20.0)
    yield press.text("Readings", "h2")
    yield _blanks(press, page.taken)
    if page.readings is None:
        yield press.text("Nothing need be measured for these satellites.")
        return
    yield press.text(page.readings.caption, "caption")
    yield press.table(page.readings, (10, 12, 36, 13, 13, 26), tall=21.0)


def _blanks(press: _Press, rows: Sequence[tuple[str, str]]) -> Any:
    """Names with room to write behind them, two to a line."""
    from reportlab.platypus import Table as Grid

    pairs = [rows[at : at + 2] for at in range(0, len(rows), 2)]
    cells = [[part for name, _ in pair for part in (press.text(name, "cell"), "")] for pair in pairs]
    style: list[Any] = [
        ("LINEBELOW", (1, 0), (1, -1), 0.5, "#666666"),
        ("LINEBELOW", (3, 0), (3, -1), 0.5, "#666666"),
        ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
    ]
    return Grid(
        cells,
        colWidths=[press.width * share for share in (0.2, 0.3, 0.2, 0.3)],
        rowHeights=22.0,
        style=style,
        hAlign="LEFT",
        spaceAfter=8.0,
    )
