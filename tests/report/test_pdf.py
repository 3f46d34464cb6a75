"""The PDF papers: their text is that of the pages, on A4 and Letter, and long tables keep their heads."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from pypdf import PdfReader

from skysill.errors import InputError
from skysill.report.pdf_builder import PAPERS
from skysill.report.record_page import record_page
from skysill.report.record_pdf import record_pdf
from skysill.report.sheet_page import sheet_page
from skysill.report.sheet_pdf import sheet_pdf
from skysill.views.labels import printable


def squeezed(text: str) -> str:
    """Without spaces: lines break anywhere on paper."""
    return re.sub(r"\s+", "", printable(text))


def text_of(pdf: bytes) -> str:
    """Read back by another library (pypdf), without the foot of each page."""
    return "".join(squeezed(page.extract_text()) for page in PdfReader(io.BytesIO(pdf)).pages)


@pytest.fixture(scope="module")
def record_bytes(record):
    return record_pdf(record)


def test_everything_on_the_page_is_in_the_pdf(record_bytes, record):
    said, page = text_of(record_bytes), record_page(record)
    sentences = [page.title, *page.cautions, *page.notes, *(part for fact in page.survey for part in fact)]
    for one in page.satellites:
        sentences += [*one.reasons, *one.guides, *one.remedies, one.face, one.basis]
        sentences += [part for fact in one.pointing for part in fact]
        sentences += [cell for row in one.obstructions.rows for cell in row]
    sentences += [cell for row in page.files.rows for cell in row]
    sentences += [cell for row in page.built.table.rows for cell in row]
    missing = [sentence for sentence in sentences if squeezed(sentence) not in said]
    # a sentence that runs over a page's end has the foot of that page between its halves
    assert all(len(sentence) > 60 for sentence in missing), missing
    assert len(missing) <= 2


def test_the_sheet_holds_every_azimuth_asked_for(sheet):
    said, page = text_of(sheet_pdf(sheet, csv_name="clinic.csv")), sheet_page(sheet, csv_name="clinic.csv")
    for row in page.readings.rows:
        assert squeezed(row[0] + row[1]) in said
    for sentence in (*page.why, *page.equipment, *page.cautions):
        assert squeezed(sentence) in said


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_paper_sizes(sheet, paper):
    """ISO 216: A4 is 210 by 297 mm; Letter is 8.5 by 11 inches."""
    expected_mm = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[paper]
    for page in PdfReader(io.BytesIO(sheet_pdf(sheet, paper=paper))).pages:
        size_mm = [float(side) / 72.0 * 25.4 for side in page.mediabox[2:]]
        assert size_mm == pytest.approx(expected_mm, abs=0.1)


def test_another_paper_is_refused(sheet):
    with pytest.raises(InputError, match=r'"a5" is no paper known here\. Write a4 or letter\.'):
        sheet_pdf(sheet, paper="a5")


def test_a_long_table_keeps_its_head_on_every_page(sheet):
    long = replace(sheet, rows=tuple(replace(sheet.rows[0], azimuth_deg=float(a)) for a in range(120)))
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(sheet_pdf(long))).pages]

    def squash(text):
        return " ".join(text.split())

    holding = [text for text in pages if "distance m" in squash(text)]
    assert len(holding) >= 4
    rows = {float(row) for row in re.findall(r"(\d+\.0)°", "\n".join(pages))}
    assert {float(azimuth) for azimuth in range(120)} <= rows


def test_the_same_record_gives_the_same_bytes(sheet):
    assert sheet_pdf(sheet) == sheet_pdf(sheet)


def test_it_says_its_title_and_language(record_bytes, record):
    reader = PdfReader(io.BytesIO(record_bytes))
    assert reader.metadata.title == record.title
    assert reader.trailer["/Root"]["/Lang"] == "en"


def test_letters_that_the_type_lacks_become_a_mark_and_markup_stays_text(record_bytes):
    said = text_of(record_bytes)
    assert squeezed("<script>alert('x')</script>") in said
    assert "Ω" in said
    assert "診" not in said


def test_the_foot_has_the_page_number(record_bytes):
    for number, page in enumerate(PdfReader(io.BytesIO(record_bytes)).pages, start=1):
        assert f"page {number}" in page.extract_text()
