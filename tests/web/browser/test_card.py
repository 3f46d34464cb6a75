"""The roof card in a real browser, at the size of a phone and of a desk: with its script and without, no network."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from card_scene import MADE, card_job
from skysill.report.card import roof_card
from skysill.report.html import card_html

PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 800}

FOLDER = Path(importlib.util.find_spec("axe_core_python").submodule_search_locations[0])
AXE = (FOLDER / "axe.min.js").read_text(encoding="utf-8")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def card():
    return roof_card(card_job(), made=MADE, weeks=2, grid_step_m=2.0)


@pytest.fixture(scope="module")
def address(card, tmp_path_factory):
    path = tmp_path_factory.mktemp("card") / "card.html"
    path.write_text(card_html(card), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def opened(browser, address):
    """A page without a network; whatever it asks for, or says is wrong, is kept in `heard`."""
    contexts = []

    def open_page(viewport=PHONE, **options):
        context = browser.new_context(viewport=viewport, offline=True, has_touch=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.heard = []
        page.on("console", lambda message: page.heard.append(message.text))
        page.on("pageerror", lambda fault: page.heard.append(str(fault)))
        page.on("request", lambda request: request.url == address or page.heard.append(request.url))
        page.goto(address)
        return page

    yield open_page
    for context in contexts:
        context.close()


@pytest.mark.parametrize(
    ("viewport", "scheme"), [(PHONE, "dark"), (DESK, "light")], ids=["phone, dark", "desk, light"]
)
def test_axe_finds_nothing(opened, viewport, scheme):
    page = opened(viewport, color_scheme=scheme, bypass_csp=True)
    page.evaluate(AXE + "; undefined")
    found = page.evaluate(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
    )
    assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found["violations"]] == []
    assert len(found["passes"]) > 15
    page.evaluate("document.documentElement.classList.remove('script')")
    found = page.evaluate("axe.run(document)")
    assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found["violations"]] == []


def test_nothing_is_asked_for_and_nothing_goes_wrong(opened):
    page = opened()
    page.locator("#place").select_option("3")
    page.locator("button[data-step='1,0']").click()
    page.locator("section.chosen select.day").select_option(index=2)
    assert page.heard == []


def test_all_fits_a_phone_and_a_glove(opened):
    """48 px: the target size of WCAG 2.2 is 24 px; 48 is asked of work with gloves (common practice, no source)."""
    page = opened()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, select, .heads a, summary')]
        .map(e => [e.outerHTML.slice(0, 60), e.getBoundingClientRect()])
        .filter(([_, box]) => box.width > 0 && (box.height < 48 || box.width < 48)).map(([text]) => text)"""
    )
    assert small == []
    without = opened(java_script_enabled=False)
    assert without.locator("details.every > summary").first.bounding_box()["height"] >= 48


def chosen(page):
    return page.locator("section.chosen details.answer.chosen")


def test_a_tap_on_the_plan_shows_the_nearest_place(opened, card):
    page = opened()
    for index in (2, 9, len(card.places) - 1):
        mark = page.locator(f"section.chosen .mark[data-place='{index}']")
        mark.scroll_into_view_if_needed()
        box = mark.bounding_box()
        page.touchscreen.tap(box["x"] + box["width"] / 2 + 3, box["y"] + box["height"] / 2 - 3)
        assert chosen(page).count() == 1
        assert chosen(page).get_attribute("data-place") == str(index)
        place, answer = card.places[index], card.places[index].answers[0]
        assert place.name in chosen(page).inner_text()
        if answer.verdict is not None:
            assert f"mast {answer.height_m:.2f} m" in chosen(page).inner_text()
        assert page.locator("#said").inner_text().endswith(chosen(page).locator("summary").inner_text()[-10:])


def test_the_arrows_go_from_spot_to_spot(opened, card):
    page = opened()
    start = next(k for k, p in enumerate(card.places) if not p.named and (p.east_m, p.north_m) == (0.0, 0.0))
    page.locator("#place").select_option(str(start))
    for step, east, north in (("1,0", 2.0, 0.0), ("0,1", 2.0, 2.0), ("-1,0", 0.0, 2.0), ("0,-1", 0.0, 0.0)):
        page.locator(f"button[data-step='{step}']").click()
        here = card.places[int(chosen(page).get_attribute("data-place"))]
        assert (here.east_m, here.north_m) == (east, north)
    page.locator("#place").select_option(label="spot 4.0 E 2.0 N")
    page.locator("button[data-step='0,1']").click()
    assert page.locator("#said").inner_text() == "No place lies farther that way."


def test_the_keyboard_alone_is_enough(opened, card):
    page = opened(DESK)
    page.locator(".heads a").nth(1).focus()
    page.keyboard.press("Enter")
    assert page.locator("section.chosen h2").inner_text() == "Far west"
    assert page.locator(".heads a[aria-current]").count() == 1
    page.locator("#place").focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowDown")
    assert chosen(page).get_attribute("data-place") == "1"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.locator("#said").inner_text()
    assert "NO MAST" in page.locator("section.chosen").inner_text() or "BLOCKED" in chosen(page).inner_text()


def test_the_day_of_the_phone_is_shown_or_missed_aloud(opened):
    page = opened()
    page.clock.install()
    page.clock.set_fixed_time("2026-06-17T09:00:00")
    page.reload()
    assert page.locator("section.chosen [data-day].chosen").get_attribute("data-day") == "2026-06-17"
    assert not page.locator("section.chosen .day-note").is_visible()
    page.clock.set_fixed_time("2026-08-01T09:00:00")
    page.reload()
    assert (
        "2026-08-01 by this phone, is not among these days"
        in page.locator("section.chosen .day-note").inner_text()
    )
    page.locator("section.chosen select.day").select_option("2026-06-20")
    shown = page.locator("section.chosen [data-day]:visible")
    assert [row.get_attribute("data-day") for row in shown.all()] == ["2026-06-20"]


def test_without_the_script_it_is_a_document(opened, card):
    page = opened(java_script_enabled=False)
    assert page.locator("section.satellite:visible").count() == 2
    assert page.locator("svg.plan:visible").count() == 2
    assert page.locator("#chooser:visible").count() == 0
    box = page.locator("details.every").first
    box.locator("> summary").click()
    assert box.locator("details.answer:visible").count() == len(card.places)
    box.locator("details.answer > summary").nth(1).click()
    assert "from the site" in box.inner_text()
    days = page.locator("details.days").first
    days.locator("summary").click()
    assert days.locator("li[data-day]:visible").count() == 14
