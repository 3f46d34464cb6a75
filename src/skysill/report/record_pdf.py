"""The survey record as PDF, from the same text as the HTML."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from skysill.report.as_built import PhotoRecord
from skysill.report.formatting import Table
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

    Parameters
    ----------
    record : from `survey_record`
    paper : "a4" or "letter"

    Returns
    -------
    bytes of the file

    Raises
    ------
    InputError : a paper that is neither a4 nor letter

    >>> import datetime as dt
    >>> from skysill import check, read_site_file, record_pdf, survey_record
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> assessment = check(job, job.mounts[0], paths=True)
    >>> record_pdf(survey_record(job, job.mounts[0], assessment, made=dt.date(2026, 6, 14)))[:5]
    b'%PDF-'
    """
    page = record_page(record)
    pdf = PdfBuilder.on(paper)
    return pdf.printed(page.title, page.footer, list(_record(pdf, page, pictures(record, "png"))))


def _record(pdf: PdfBuilder, page: RecordPage, drawn: Pictures) -> Iterator[Any]:
    yield pdf.text(page.title, "title")
    yield pdf.text(page.subtitle, "soft")
    for one, tilt in zip(page.satellites, drawn.tilt, strict=True):
        yield from _card(pdf, one, tilt)
    yield from pdf.heading("Verdict", room=90.0)
    for one in page.satellites:
        yield _verdict(pdf, one)
    yield from pdf.heading("Safety")
    yield from pdf.bullets(page.cautions)
    if page.notes:
        yield from pdf.heading("To bear in mind")
        yield from pdf.bullets(page.notes)
    if page.changes is not None:
        yield from pdf.heading(page.changes_heading)
        yield from pdf.bullets(page.changes)
    yield from pdf.heading("Place, mount and terminal", room=120.0)
    yield pdf.place(page.place, page.geo_uri)
    yield from pdf.heading("Sky view and plan" if drawn.plan is not None else "Sky view", room=320.0)
    yield _pictures(pdf, [drawn.sky] if drawn.plan is None else [drawn.sky, drawn.plan])
    for one, beside in zip(page.satellites, drawn.beside, strict=True):
        yield from _satellite(pdf, page, one, beside)
    yield from _rest(pdf, page)


def _card(pdf: PdfBuilder, one: SatellitePage, tilt: Picture | None) -> Iterator[Any]:
    """The pointing card, at the top of the record, for use on the roof."""
    yield from pdf.heading(f"{one.glyph} {one.word}: {one.name}", room=150.0)
    if not one.pointing:
        yield pdf.text(f"{one.where[0].upper()}{one.where[1:]}.")
        return
    side = 0.0 if tilt is None else 72.0 * tilt.width_in + 8.0
    card = pdf.facts(one.pointing, pdf.width - side - 6.0)
    yield pdf.side_by_side(
        [card, "" if tilt is None else pdf.picture(tilt, 72.0 * tilt.width_in)], [pdf.width - side, side]
    )
    if one.face:
        yield pdf.text(one.face)


def _pictures(pdf: PdfBuilder, shown: Sequence[Picture]) -> Any:
    """One or two pictures side by side at their own size, each above its caption."""
    half = pdf.width / 2.0
    cells = [[pdf.picture(one, half - 4.0), pdf.text(one.caption, "note")] for one in shown]
    return pdf.side_by_side(cells, [half] * len(cells))


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
    pdf: PdfBuilder, page: RecordPage, one: SatellitePage, beside: Sequence[Picture]
) -> Iterator[Any]:
    yield from pdf.heading(f"{one.name}: aiming, and what stands beside the line", room=90.0)
    for heading, sentences in (
        ("Aiming by eye", one.guides),
        ("Aiming by the sun's shadow", (page.sun_caution, *one.sun) if one.sun else ()),
        ("The sun and the path", one.sunlight),
    ):
        if sentences:
            yield from pdf.heading(heading, "h3", room=45.0)
            yield from pdf.bullets(sentences)
    if one.obstructions is not None:
        yield from pdf.heading("What stands beside the line", "h3", room=75.0)
        yield pdf.text(one.obstructions.caption, "note")
        yield pdf.table(one.obstructions, (28.5, 9, 11, 12.5, 15.5, 9, 18.5))
    if one.track is not None:
        yield from pdf.heading("Track", "h3", room=75.0)
        yield pdf.text(one.track.caption, "note")
        yield pdf.table(one.track, (24, 14, 14, 20, 20))
    yield from pdf.bullets(one.loss)
    if beside:
        yield _pictures(pdf, beside)


def _rest(pdf: PdfBuilder, page: RecordPage) -> Iterator[Any]:
    built = page.built
    yield from pdf.heading("After alignment" if built is None else "As built", room=150.0)
    if built is not None:
        yield pdf.text(built.heading)
        yield pdf.text(built.table.caption, "note")
        yield pdf.table(built.table, (26, 26, 26, 20))
        yield from pdf.bullets(built.notes)
    yield pdf.text(page.commissioning.caption, "note")
    yield pdf.table(page.commissioning, (40, 60), tall=18.0)
    if built is not None:
        yield from _photos(pdf, built.photos)
    yield from pdf.heading("What was measured", room=90.0)
    if page.survey:
        yield pdf.facts(page.survey, pdf.width)
    else:
        yield pdf.text("No horizon was measured on site for this record.")
    if page.sightings is not None:
        yield from pdf.heading(page.sightings.caption, "h3", room=60.0)
        yield pdf.table(page.sightings, (40, 20, 20, 20))
    if page.readings is not None:
        rows = min(_BLOCK, -(-len(page.readings.rows) // 2))
        yield from pdf.heading(page.readings.caption, "h3", room=70.0 + 14.0 * rows)
        yield from _in_columns(pdf, page.readings)
    if page.photos:
        yield from pdf.heading("Photographs", room=_PHOTO_PT + 90.0)
        yield from _photos(pdf, page.photos)
    yield from pdf.heading("What this rests on", room=75.0)
    if page.files is not None:
        yield pdf.text(page.files.caption, "note")
        yield pdf.table(page.files, (21, 26, 10, 44))
    yield from pdf.bullets(page.basis)


def _in_columns(pdf: PdfBuilder, table: Table) -> Iterator[Any]:
    """A long, narrow table in two columns, in blocks that fit a page; a short one in one column."""
    shares = [_SHARES.get(head.text, 12) for head in table.heads]
    if len(table.rows) <= _SHORT or len(table.heads) > _NARROW:
        yield pdf.table(table, shares)
        return
    half = pdf.width / 2.0 - 6.0
    for start in range(0, len(table.rows), 2 * _BLOCK):
        block = table.rows[start : start + 2 * _BLOCK]
        middle = -(-len(block) // 2)
        sides = [
            pdf.table(replace(table, rows=part), shares, width=half)
            for part in (block[:middle], block[middle:])
        ]
        yield pdf.side_by_side(sides, [pdf.width / 2.0] * len(sides))


_SHORT, _NARROW, _BLOCK = 12, 6, 20
_SHARES = {"note": 30, "kind": 16, "elevation": 19, "distance": 17, "true": 13, "as read": 13}
"""Relative widths of the columns of readings; others have 12."""


_PHOTO_PT = 300.0
"""Greatest height of a photograph, points."""


def _photos(pdf: PdfBuilder, photos: Sequence[PhotoRecord]) -> Iterator[Any]:
    from reportlab.platypus import Image, KeepTogether

    for shown in photos:
        scale = min(0.75 * pdf.width / shown.photo.width, _PHOTO_PT / shown.photo.height)
        image = Image(
            io.BytesIO(shown.photo.jpeg),
            width=scale * shown.photo.width,
            height=scale * shown.photo.height,
            hAlign="LEFT",
        )
        words = " ".join((f"{shown.photo.name}.", *shown.facts, *shown.doubts))
        yield KeepTogether([image, pdf.text(words, "soft")])
