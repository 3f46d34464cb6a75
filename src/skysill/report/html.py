"""Record, field sheet and roof card as one self-contained HTML file each: nothing loaded, every text escaped.

Only the card has a script, its own, which the page allows by its hash.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.photos import Photo
from skysill.report.card import RoofCard
from skysill.report.card_page import card_page
from skysill.report.card_plan import plan_svg
from skysill.report.pictures import pictures, qr_svg
from skysill.report.record import Record
from skysill.report.record_page import record_page
from skysill.report.sheet import FieldSheet
from skysill.report.sheet_page import sheet_page

__all__ = ["card_html", "record_html", "sheet_html"]

MOST_CARD_BYTES = 3_000_000
"""A card is no larger, so that any phone opens it."""


def record_html(record: Record) -> str:
    """The survey record as one HTML page; pictures as SVG inside it.

    Parameters
    ----------
    record : from `survey_record`

    Returns
    -------
    text; the same record gives the same text

    >>> import datetime as dt
    >>> from skysill import check, read_site_file, record_html, survey_record
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> assessment = check(job, job.mounts[0], paths=True)
    >>> record_html(survey_record(job, job.mounts[0], assessment, made=dt.date(2026, 6, 14)))[:15]
    '<!DOCTYPE html>'
    """
    return _render(
        "record.html",
        page=record_page(record),
        drawn=pictures(record, "svg"),
        qr=_safe(qr_svg(record.geo_uri)),
    )


def sheet_html(sheet: FieldSheet, *, csv_name: str = "") -> str:
    """The field sheet as one HTML page, to be printed or read on a phone.

    Parameters
    ----------
    sheet : from `field_sheet`
    csv_name : file name of the table that goes with it

    Returns
    -------
    text; the same sheet gives the same text

    >>> from skysill import field_sheet, read_site_file, sheet_html
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> sheet_html(field_sheet(job, job.mounts[0]))[:15]
    '<!DOCTYPE html>'
    """
    return _render("sheet.html", page=sheet_page(sheet, csv_name=csv_name), qr=_safe(qr_svg(sheet.geo_uri)))


def card_html(card: RoofCard) -> str:
    """The roof card as one HTML page for a phone without a network; with its script switched off, a document to read.

    Parameters
    ----------
    card : from `roof_card`

    Returns
    -------
    text; the same card gives the same text

    Raises
    ------
    InputError : more answers than fit into `MOST_CARD_BYTES`

    >>> import datetime as dt
    >>> from skysill import card_html, read_site_file, roof_card
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> card_html(roof_card(job, made=dt.date(2026, 6, 14), weeks=1))[:15]
    '<!DOCTYPE html>'
    """
    script = (Path(__file__).parent / "card.js").read_text(encoding="utf-8")
    plans = [_safe(plan_svg(card, number)) for number in range(len(card.satellites))]
    text = _render("card.html", page=card_page(card), plans=plans, script=_safe(script))
    size = len(text.encode("utf-8"))
    if size > MOST_CARD_BYTES:
        raise InputError(
            f"the card would have {size:,} bytes, more than {MOST_CARD_BYTES:,}.",
            where="--grid",
            mend="Take a coarser grid, fewer weeks or fewer satellites.",
        )
    return text


@cache
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["data_uri"] = _data_uri
    environment.filters["source_hash"] = _source_hash
    return environment


def _render(template: str, **given: Any) -> str:
    return str(_environment().get_template(template).render(**given)).strip() + "\n"


def _safe(markup: str) -> Any:
    """Markup made by this package, which is not escaped."""
    from markupsafe import Markup

    return Markup(markup)


def _source_hash(script: str) -> Any:
    """A script as a source of a content security policy (CSP Level 3, hash-source): SHA-256 of its text."""
    digest = hashlib.sha256(str(script).encode("utf-8")).digest()
    return _safe(f"'sha256-{base64.b64encode(digest).decode('ascii')}'")


def _data_uri(photo: Photo) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(photo.jpeg).decode('ascii')}"
