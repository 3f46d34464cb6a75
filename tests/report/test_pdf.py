"""The PDF reports: their text is that of the HTML, on A4 and Letter, and long tables repeat their heads."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from matplotlib.text import Text
from pypdf import PdfReader

from skysill.errors import InputError
from skysill.plots.dish_tilt import dish_tilt_figure
from skysill.plots.labels import printable
from skysill.plots.path_profile import path_profile_figure
from skysill.plots.plan_surroundings import draw_plan
from skysill.plots.sky_view import sky_figure
from skysill.plots.strip import strip_figure
from skysill.plots.theme import PRINT_THEME, fixed_settings, new_figure
from skysill.report.pdf_builder import PAPERS
from skysill.report.pictures import pictures
from skysill.report.record_page import record_page
from skysill.report.record_pdf import record_pdf
from skysill.report.sheet_page import sheet_page
from skysill.report.sheet_pdf import sheet_pdf


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
    sentences += [cell for row in (*page.readings.rows, *page.sightings.rows) for cell in row]
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


def sizes_of(pdf: bytes) -> dict[float, set[str]]:
    """Texts by their size in points, as another library (pypdf) finds them."""
    found: dict[float, set[str]] = {}

    def visit(text, _matrix, _position, _font, size):
        if text.strip():
            found.setdefault(round(float(size), 2), set()).add(text.strip())

    for page in PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=visit)
    return found


def test_no_lettering_is_smaller_than_eight_points_but_foot_and_checksums(record_bytes):
    for size, texts in sizes_of(record_bytes).items():
        if size < 8.0:
            for text in texts:
                foot = "Made by skysill" in text or text.startswith("page") or text.startswith("plane.")
                assert foot or re.fullmatch(r"[0-9a-f ]+", text), (size, text)


@pytest.fixture(scope="module")
def drawn(record):
    return pictures(record, "png")


def test_pictures_are_set_as_large_as_they_are_drawn(record_bytes, drawn):
    """Pixels of each picture against the points it takes on the page: 160 dots an inch, so 0.45 points a pixel."""
    placed = []
    for page in PdfReader(io.BytesIO(record_bytes)).pages:
        stack: list[tuple[float, float]] = []

        def operand(operator, operands, _matrix, _text_matrix, stack=stack):
            if operator == b"cm":
                stack.append((float(operands[0]), float(operands[3])))
            elif operator == b"Do":
                placed.append(stack[-1])

        page.extract_text(visitor_operand_before=operand)
    for one in (drawn.sky, drawn.plan, *drawn.tilt, *(p for pair in drawn.beside for p in pair)):
        wide_pt, high_pt = 72.0 * one.width_in, 72.0 * one.height_in
        assert any(abs(w - wide_pt) < 0.5 and abs(h - high_pt) < 0.5 for w, h in placed), one.title


def test_lettering_in_the_records_pictures_is_eight_points_or_more(record):
    """The pictures are set unscaled (the test above), so points in the figure are points on paper."""
    assessment = record.assessment
    with fixed_settings():
        figures = [sky_figure(assessment, heading=False, theme=PRINT_THEME)]
        figures += [dish_tilt_figure(elevation_deg=24.1, tilt_deg=7.1, theme=PRINT_THEME)]
        for result in assessment.results:
            figures.append(strip_figure(assessment, result.satellite.name, heading=False, theme=PRINT_THEME))
            figures.append(
                path_profile_figure(assessment, result.satellite.name, heading=False, theme=PRINT_THEME)
            )
        plan = new_figure(PRINT_THEME.width_in, 3.75)
        draw_plan(plan.add_axes((0.01, 0.005, 0.98, 0.99)), record.surroundings, theme=PRINT_THEME)
        figures.append(plan)
    for figure in figures:
        for text in figure.findobj(Text):
            if text.get_text().strip() and text.get_visible():
                assert text.get_fontsize() >= 8.0, text.get_text()


def test_no_heading_stands_alone_at_the_foot_of_its_page(record_bytes, record):
    page = record_page(record)
    names = {
        "Verdict",
        "Safety",
        "To bear in mind",
        "Place, mount and terminal",
        "Sky view and plan",
        "As built",
    }
    names |= {
        "What was measured",
        "Photographs",
        "What this rests on",
        "Aiming by eye",
        "The sun and the path",
    }
    names |= {"Aiming by the sun's shadow", page.readings.caption, page.sightings.caption}
    names |= {f"{one.name}: aiming, and what stands beside the line" for one in page.satellites}
    met = set()
    for one in PdfReader(io.BytesIO(record_bytes)).pages:
        lines = [line.strip() for line in one.extract_text().splitlines() if line.strip()]
        body = [line for line in lines if not line.startswith(("Made by skysill", "page ", "plane."))]
        met |= names & set(body)
        assert body[-1] not in names
    assert met == names


def test_the_record_of_two_satellites_takes_seven_pages(make_record):
    """Without photographs and without what was built: cards, verdict, safety, pictures, readings, files."""
    pages = PdfReader(io.BytesIO(record_pdf(make_record(sun_after_utc=None)))).pages
    assert len(pages) <= 7


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
