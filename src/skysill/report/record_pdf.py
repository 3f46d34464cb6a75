"""The survey record as PDF, from the same pages as the HTML."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import Any

from skysill.report.built import PhotoRecord
from skysill.report.pdf_builder import PdfBuilder
from skysill.report.pictures import Picture, Pictures, pictures
from skysill.report.record import Record
from skysill.report.record_page import RecordPage, record_page
from skysill.report.satellite_page import SatellitePage

__all__ = ["record_pdf"]

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
    pdf = PdfBuilder.on(paper)
    return pdf.printed(page.title, page.footer, list(_record(pdf, page, pictures(record, "png"))))


def _record(pdf: PdfBuilder, page: RecordPage, drawn: Pictures) -> Iterator[Any]:
    yield pdf.text(page.title, "title")
    yield pdf.text(page.subtitle, "soft")
    yield pdf.text("Verdict", "h2")
    for one in page.satellites:
        yield _verdict(pdf, one)
    yield pdf.text("Safety", "h2")
    yield from pdf.bullets(page.cautions)
    if page.notes:
        yield pdf.text("To bear in mind", "h2")
        yield from pdf.bullets(page.notes)
    yield pdf.text("Place, mount and terminal", "h2")
    yield pdf.place(page.place, page.geo_uri)
    yield pdf.text("Sky view", "h2")
    yield pdf.picture(drawn.sky, 0.64 * pdf.width)
    if drawn.plan is not None:
        yield pdf.text("Plan", "h2")
        yield pdf.picture(drawn.plan, 0.64 * pdf.width)
    for one, beside, tilt in zip(page.satellites, drawn.beside, drawn.tilt, strict=True):
        yield from _satellite(pdf, page, one, beside, tilt)
    yield from _rest(pdf, page)


def _verdict(pdf: PdfBuilder, one: SatellitePage) -> Any:
    from reportlab.platypus import Table as Grid

    inside: list[Any] = [pdf.text(f"{one.glyph} {one.word}: {one.name}, {one.where}", "word")]
    inside += [pdf.text(reason) for reason in one.reasons]
    if one.remedies:
        inside += [pdf.text("What would help", "word"), *pdf.bullets(one.remedies)]
    inside.append(pdf.text(one.basis, "caption"))
    style = [
        ("BOX", (0, 0), (-1, -1), 0.5, "#B8B8B8"),
        ("LINEBEFORE", (0, 0), (0, -1), 6.0, _MARKS[one.verdict]),
        ("LEFTPADDING", (0, 0), (-1, -1), 10),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ]
    return Grid([[inside]], colWidths=[pdf.width], style=style, spaceAfter=5.0)


def _satellite(
    pdf: PdfBuilder, page: RecordPage, one: SatellitePage, beside: Sequence[Picture], tilt: Picture | None
) -> Iterator[Any]:
    from reportlab.platypus import KeepTogether, Spacer

    yield pdf.text(f"{one.name}: {one.word}", "h2")
    if one.pointing:
        card = pdf.facts(one.pointing, 0.64 * pdf.width - 6.0)
        drawing = "" if tilt is None else pdf.picture(tilt, 0.34 * pdf.width)
        yield pdf.text("Pointing card", "h3")
        yield pdf.side_by_side([card, drawing], [0.64 * pdf.width, 0.36 * pdf.width])
    if one.face:
        yield pdf.text(one.face)
    for heading, sentences in (
        ("Aiming by eye", one.guides),
        ("Aiming by the sun's shadow", (page.sun_caution, *one.sun) if one.sun else ()),
        ("The sun and the path", one.sunlight),
    ):
        if sentences:
            yield pdf.text(heading, "h3")
            yield from pdf.bullets(sentences)
    if one.obstructions is not None:
        yield pdf.text("What stands beside the line", "h3")
        yield pdf.text(one.obstructions.caption, "caption")
        yield pdf.table(one.obstructions, (30, 9, 9, 13, 16, 9, 18))
    if one.track is not None:
        yield pdf.text("Its way", "h3")
        yield pdf.text(one.track.caption, "caption")
        yield pdf.table(one.track, (24, 14, 14, 20, 20))
    yield from pdf.bullets(one.loss)
    if beside:
        half = pdf.width / 2.0
        yield KeepTogether(
            [
                Spacer(1, 6),
                pdf.side_by_side([pdf.picture(p, half - 8.0, 330.0) for p in beside], [half] * len(beside)),
            ]
        )


def _rest(pdf: PdfBuilder, page: RecordPage) -> Iterator[Any]:
    if page.built is not None:
        yield pdf.text("As built", "h2")
        yield pdf.text(page.built.heading)
        yield pdf.text(page.built.table.caption, "caption")
        yield pdf.table(page.built.table, (26, 26, 26, 20))
        yield from pdf.bullets(page.built.notes)
        yield from _photos(pdf, page.built.photos)
    yield pdf.text("What was measured", "h2")
    if page.survey:
        yield pdf.facts(page.survey, pdf.width)
    else:
        yield pdf.text("No horizon was measured on site for this record.")
    if page.photos:
        yield pdf.text("Photographs", "h2")
        yield from _photos(pdf, page.photos)
    yield pdf.text("What this rests on", "h2")
    if page.files is not None:
        yield pdf.text(page.files.caption, "caption")
        yield pdf.table(page.files, (21, 26, 10, 44))
    yield from pdf.bullets(page.basis)


def _photos(pdf: PdfBuilder, photos: Sequence[PhotoRecord]) -> Iterator[Any]:
    from reportlab.platypus import Image, KeepTogether

    for shown in photos:
        scale = min(0.75 * pdf.width / shown.photo.width, 300.0 / shown.photo.height)
        image = Image(
            io.BytesIO(shown.photo.jpeg),
            width=scale * shown.photo.width,
            height=scale * shown.photo.height,
            hAlign="LEFT",
        )
        words = " ".join((f"{shown.photo.name}.", *shown.facts, *shown.doubts))
        yield KeepTogether([image, pdf.text(words, "soft")])
