"""The HTML reports: valid by a general HTML5 parser, self-contained, and no name is taken as markup."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import replace
from xml.etree import ElementTree

import html5lib
import pytest
import zxingcpp
from PIL import Image

from skysill.assessment.results import Track
from skysill.report.formatting import for_readers
from skysill.report.html import sheet_html
from skysill.report.pictures import qr_png, qr_svg
from skysill.report.record_page import record_page
from skysill.report.sheet_page import BLANK_ROWS, sheet_page

XHTML = "{http://www.w3.org/1999/xhtml}"


@pytest.fixture(scope="module", params=["record", "sheet"])
def text(request, record_text, sheet_text):
    return record_text if request.param == "record" else sheet_text


def tree(text):
    """Parsed by the HTML standard's own algorithm; strict: every parse error of the standard is a fault."""
    return html5lib.HTMLParser(strict=True).parse(text)


def words(element) -> str:
    return " ".join("".join(element.itertext()).split())


def test_a_general_parser_finds_no_error(text):
    tree(text)


def test_it_is_self_contained(text):
    """Nothing is fetched: every address is a data: one, an anchor on the page, or the geo: position."""
    for element in tree(text).iter():
        assert not element.tag.endswith("}script")
        assert not any(name.startswith("on") for name in element.attrib)
        for name in ("src", "href", "data", "srcset", "action"):
            address = element.attrib.get(name)
            assert address is None or address.startswith(("data:image/", "#", "geo:")), address
    assert not re.search(r"@import|url\(", text.split("</style>")[0])
    assert "default-src 'none'" in text


def test_names_stay_text(text, sheet):
    found = tree(text)
    assert sheet.site.name in words(found.find(f".//{XHTML}title"))
    assert "{{ 7*7 }}" in words(found)
    assert " 49 " not in words(found.find(f".//{XHTML}h1"))


def test_every_anchor_leads_somewhere_and_no_id_stands_twice(text):
    found = tree(text)
    ids = [element.attrib["id"] for element in found.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    for element in found.iter():
        for address in (element.attrib.get("href", ""), "#" + element.attrib.get("aria-labelledby", "")):
            if address.startswith("#") and len(address) > 1:
                assert address[1:] in ids


def test_headings_go_down_one_step_at_a_time(text):
    levels = [int(e.tag[-1]) for e in tree(text).iter() if re.fullmatch(rf"{re.escape(XHTML)}h[1-6]", e.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_every_picture_has_words(text):
    for image in tree(text).iter(f"{XHTML}img"):
        assert len(image.attrib["alt"]) > 10
        assert int(image.attrib["width"]) > 0


def test_every_table_has_a_caption_and_heads(text):
    for table in tree(text).iter(f"{XHTML}table"):
        assert words(table.find(f"{XHTML}caption"))
        for row in table.iter(f"{XHTML}tr"):
            assert row[0].tag == f"{XHTML}th"


def test_the_pointing_card_comes_first_and_the_verdict_after_it(record_text, record):
    main = tree(record_text).find(f".//{XHTML}main")
    assert words(main[0]).startswith("Pointing card ● CLEAR: Demo South")
    assert words(main[1]).startswith("Verdict ● CLEAR: Demo South")
    for one in record.satellites:
        look = one.result.look
        assert f"azimuth, true{look.azimuth_deg:.1f}°" in words(main[0])
        assert f"elevation{look.elevation_apparent_deg:.1f}°" in words(main[0])
        for reason in for_readers(one.result.reasons):
            assert reason in words(main[1])


def test_safety_stands_under_one_heading_before_what_is_said_of_the_data(text):
    heads = [words(head) for head in tree(text).iter(f"{XHTML}h2")]
    assert heads.count("Safety") == 1
    if "To bear in mind" in heads:
        assert heads.index("Safety") < heads.index("To bear in mind")
    [section] = [one for one in tree(text).iter(f"{XHTML}section") if one.get("aria-labelledby") == "safety"]
    said = words(section)
    assert "before raising anything" in said
    assert "turn your back to it and lay a straightedge along the shadow" in said
    assert "while the sun stands within 10 degrees of it: Demo South from " in said


def test_everything_on_the_page_is_in_the_html(record_text, record):
    said, page = words(tree(record_text)), record_page(record)
    sentences = [*page.cautions, *page.basis, *page.notes, *(part for fact in page.survey for part in fact)]
    for one in page.satellites:
        sentences += [*one.guides, *one.sun, *one.sunlight, *one.remedies, one.face]
        sentences += [part for fact in one.pointing for part in fact]
        sentences += [cell for row in one.obstructions.rows for cell in row]
    sentences += [cell for row in page.files.rows for cell in row]
    sentences += [cell for row in page.built.table.rows for cell in row]
    for sentence in sentences:
        assert " ".join(sentence.split()) in said, sentence


def test_the_pictures_are_sound(record_text):
    import base64

    images = [e.attrib["src"] for e in tree(record_text).iter(f"{XHTML}img")]
    svg = [base64.b64decode(one.partition(",")[2]) for one in images if one.startswith("data:image/svg+xml")]
    assert len(svg) == 2 + 3 * 2  # sky, plan; strip, path and tilt for each of two satellites
    for one in svg:
        assert ElementTree.fromstring(one).tag == "{http://www.w3.org/2000/svg}svg"
        assert b"<script" not in one


def test_the_same_sheet_gives_the_same_bytes(sheet_text, sheet):
    assert sheet_html(sheet, csv_name=f"{sheet.site.name}.csv") == sheet_text


def test_a_moving_object_has_a_table_of_its_track(make_record, clinic_job, clinic_assessment):
    times = tuple(f"2026-11-20T{hour:02d}:00:00Z" for hour in range(24))
    track = Track(times, (180.0,) * 24, (24.0,) * 24, (5.0,) * 24, ("clear",) * 18 + ("blocked",) * 6, 0.75)
    moving = replace(clinic_assessment.results[0], track=track)
    made = record_page(make_record(assessment=replace(clinic_assessment, results=(moving,))))
    told = made.satellites[0].track
    assert told.caption == "Clear at 75 % of the 24 times asked."
    assert told.rows[23] == ("2026-11-20 23:00", "180.0°", "24.0°", "5.0°", "BLOCKED")
    assert len(told.strong) == 6


def test_the_code_holds_the_geo_uri(record):
    """Read back by another library (ZXing). geo: URIs are RFC 5870."""
    assert re.fullmatch(r"geo:-?\d+\.\d+,-?\d+\.\d+", record.geo_uri)
    [found] = zxingcpp.read_barcodes(Image.open(io.BytesIO(qr_png(record.geo_uri))))
    assert found.text == record.geo_uri
    ElementTree.fromstring(qr_svg(record.geo_uri))


def test_the_sheet_has_a_row_to_fill_in_for_every_reading(sheet_text, sheet):
    tables = [
        table
        for table in tree(sheet_text).iter(f"{XHTML}table")
        if words(table.find(f"{XHTML}caption")).startswith("In the order of a sweep")
    ]
    assert len(tables[0].findall(f"{XHTML}tbody/{XHTML}tr")) == len(sheet.rows) + BLANK_ROWS
    page = sheet_page(sheet, csv_name="x.csv")
    for sentence in (*page.how, *page.equipment, *page.cautions, *page.why):
        assert sentence in words(tree(sheet_text))
