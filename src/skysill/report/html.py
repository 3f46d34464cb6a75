"""Record and field sheet as one self-contained HTML file: no script, nothing loaded, every text escaped."""

from __future__ import annotations

import base64
from functools import cache
from pathlib import Path
from typing import Any

from skysill.io.photos import Photo
from skysill.report.pictures import pictures, qr_svg
from skysill.report.record import Record
from skysill.report.record_page import record_page
from skysill.report.sheet import FieldSheet
from skysill.report.sheet_page import sheet_page

__all__ = ["record_html", "sheet_html"]


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
    return environment


def _render(template: str, **given: Any) -> str:
    return str(_environment().get_template(template).render(**given)).strip() + "\n"


def _safe(markup: str) -> Any:
    """Markup made by this package, which is not escaped."""
    from markupsafe import Markup

    return Markup(markup)


def _data_uri(photo: Photo) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(photo.jpeg).decode('ascii')}"
