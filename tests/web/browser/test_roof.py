"""The installer's day on the roof page: move the mount, draw, search, compare, make the card; by mouse and keys."""

import re
import time

import pytest

pytestmark = pytest.mark.slow

PROVED = "#answers[aria-busy=false] .answer .whole"
WAIT = 60_000


def open_roof(page, site):
    page.set_default_timeout(WAIT)
    page.goto(f"/sites/{site}/roof")
    page.wait_for_selector(PROVED)


@pytest.fixture
def ferry(copy_of):
    """A copy of a site for one test; one satellite and few spots, so that a search is short."""
    return copy_of("ferry_house")


@pytest.fixture
def own_site(copy_of):
    return copy_of("clinic")


def until(page, expression):
    """Asks again until an expression holds; the page's policy forbids the browser to do so itself."""
    for _ in range(WAIT // 100):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never came true: {expression}")


def save(page):
    page.get_by_role("button", name="Save", exact=True).click()
    until(page, "document.querySelector('.save-bar .main').disabled")


def centre(page, selector):
    box = page.locator(selector).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def to_the_middle(page, selector):
    """Where the bar with Save does not cover it."""
    page.locator(selector).evaluate("one => one.scrollIntoView({block: 'center'})")


def drag(page, selector, right_px, down_px):
    to_the_middle(page, selector)
    x, y = centre(page, selector)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + right_px / 2, y + down_px / 2)
    page.mouse.move(x + right_px, y + down_px)
    page.mouse.up()


def text(page, selector):
    return " ".join(page.locator(selector).inner_text().split())


@pytest.mark.parametrize("dark", [False, True])
def test_the_page_keeps_the_rules_and_fits(new_page, size, axe, dark):
    page = new_page(size, dark=dark)
    open_roof(page, "clinic")
    assert axe(page) == []
    assert text(page, "#lines-caution").startswith("Overhead lines: only the listed ones are checked")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for panel in ("#points-panel", "#form-panel"):
        page.locator(f"{panel} > summary").click()
    page.get_by_label("Tree", exact=True).check()
    page.locator("#keep-spot").click()
    assert axe(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_dragged_mount_is_followed_kept_undone_and_saved(new_page, own_site, folder):
    page = new_page("desk")
    open_roof(page, own_site)
    assert "Clear" in text(page, "#answers .answer >> nth=0")
    north = float(page.input_value("#spot-north"))
    drag(page, '[data-key="mount"]', 0, -25)
    until(page, f"Number(document.querySelector('#spot-north').value) > {north} + 1")
    page.wait_for_selector(".save-bar >> text=unsaved")
    page.wait_for_selector(PROVED)
    moved = float(page.input_value("#spot-north"))
    assert "Least mast" in text(page, "#answers")
    assert "Cable:" in text(page, "#answers")
    page.reload()
    page.wait_for_selector(PROVED)
    assert float(page.input_value("#spot-north")) == moved  # unsaved edits survive a reload
    page.get_by_role("button", name="Undo").click()
    until(page, f"Number(document.querySelector('#spot-north').value) === {north}")
    page.get_by_role("button", name="Redo").click()
    until(page, f"Number(document.querySelector('#spot-north').value) === {moved}")
    save(page)
    saved = (folder / f"{own_site}.toml").read_text(encoding="utf-8")
    assert abs(float(re.search(r"north_m = ([\d.]+)", saved)[1]) - moved) < 0.006  # shown to the centimetre
    assert "# on the wall of the south gable" in saved
    # the new spot stands on the roof's own surface: 46.26 m at the ridge, falling 2.6 m over 4 m to the eaves
    surface = float(re.search(r"north_m = .*\nsurface_elevation_m = ([\d.]+)", saved)[1])
    east = float(page.input_value("#spot-east"))
    assert abs(surface - (46.26 - 2.6 / 4.0 * abs(east))) < 0.02


def test_arrow_keys_move_the_mount_and_the_height_follows(new_page, own_site, folder):
    page = new_page("desk")
    open_roof(page, own_site)
    page.locator('[data-key="mount"]').focus()
    for key in ("ArrowUp", "ArrowUp", "Shift+ArrowUp", "ArrowRight"):
        page.keyboard.press(key)
    until(page, "document.querySelector('#spot-north').value === '2.10'")
    assert page.input_value("#spot-east") == "0.10"
    assert page.evaluate("document.activeElement.dataset.key") == "mount"
    page.wait_for_selector(".save-bar >> text=unsaved")
    page.locator("#height").focus()
    page.keyboard.press("ArrowLeft")
    assert text(page, "#height-said") == "4.35 m"
    until(page, "document.querySelector('#answers').innerText.includes('Dish 4.35 m up')")


def test_touch_drags_the_mount(new_page, own_site):
    page = new_page("phone")
    open_roof(page, own_site)
    to_the_middle(page, '[data-key="mount"]')
    x, y = centre(page, '[data-key="mount"]')
    client = page.context.new_cdp_session(page)
    for kind, by in (("touchStart", 0), ("touchMove", 20), ("touchMove", 40), ("touchEnd", None)):
        points = [] if by is None else [{"x": x, "y": y - by}]
        client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    until(page, "Number(document.querySelector('#spot-north').value) > 2")
    page.wait_for_selector(".save-bar >> text=unsaved")


def test_a_corner_is_dragged_typed_and_snapped(new_page, ferry, folder):
    page = new_page("desk")
    open_roof(page, ferry)
    drag(page, '[data-key="outline.0"]', -12, 10)
    page.wait_for_selector(".save-bar >> text=unsaved")
    page.locator("#points-panel > summary").click()
    first = page.get_by_label("Point 1, east, metres")
    assert float(first.input_value()) < -0.3
    first.fill("0")
    first.press("Tab")
    page.get_by_label("Point 1, north, metres").fill("no")
    page.keyboard.press("Tab")
    assert '"no" is not a number' in text(page, "#alert")
    page.get_by_label("Point 1, north, metres").fill("0,4")
    page.keyboard.press("Tab")
    page.locator("#form-panel > summary").click()
    page.get_by_role("button", name="Snap the whole outline").click()
    until(page, "document.querySelector('#status').innerText.includes('edges were found')")
    save(page)
    assert "outline = [[" in (folder / f"{ferry}.toml").read_text(encoding="utf-8")


def test_a_tree_a_wire_and_a_keep_out_area_are_drawn(new_page, ferry, folder, axe):
    page = new_page("desk")
    open_roof(page, ferry)
    page.get_by_label("Tree", exact=True).check()
    page.locator("#new-name").fill("alder")
    page.locator("#new-height").fill("7,5")
    page.locator("#new-crown").fill("2")
    to_the_middle(page, "#plan")
    box = page.locator("#plan").bounding_box()
    page.mouse.click(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.85)
    assert "1 point" in text(page, "#new-points")
    assert axe(page) == []
    page.get_by_role("button", name="Finish").click()
    until(page, "document.querySelector('#plan').textContent.includes('alder')")
    page.get_by_label("Overhead line", exact=True).check()  # by the keyboard alone
    page.locator("#new-height").fill("6")
    page.locator("#plan").focus()
    for key in ("ArrowLeft", "Space", "Shift+ArrowRight", "Shift+ArrowRight", "Space"):
        page.keyboard.press(key)
    assert "2 points" in text(page, "#new-points")
    page.keyboard.press("Enter")
    until(page, "document.querySelector('#plan').textContent.includes('overhead line 1')")
    page.get_by_label("Keep-out area", exact=True).check()  # by numbers
    for east, north in (("1", "3"), ("2", "3"), ("2", "4")):
        page.locator("#new-east").fill(east)
        page.locator("#new-north").fill(north)
        page.get_by_role("button", name="Add this point").click()
    page.get_by_role("button", name="Finish").click()
    page.wait_for_selector('[data-key="keep_out-1.0"]')
    page.get_by_label("Property boundary", exact=True).check()
    for east, north in (("-12", "-9"), ("24", "-9"), ("24", "22"), ("-12", "22")):
        page.locator("#new-east").fill(east)
        page.locator("#new-north").fill(north)
        page.get_by_role("button", name="Add this point").click()
    page.get_by_role("button", name="Finish").click()
    page.wait_for_selector('[data-key="boundary.3"]')
    page.wait_for_selector(PROVED)
    assert "overhead line 1" in text(page, "#answers")  # it passes over the roof: said at once
    save(page)
    saved = (folder / f"{ferry}.toml").read_text(encoding="utf-8")
    assert 'name = "alder"' in saved
    assert "crown_radius_m = 2" in saved
    assert 'kind = "wire"' in saved
    assert "[property_boundary]" in saved
    assert "[2, 3]" in saved or "[2.0, 3.0]" in saved


def test_what_is_missing_for_something_new_is_said(new_page, ferry):
    page = new_page("desk")
    open_roof(page, ferry)
    page.get_by_label("Building", exact=True).check()
    page.get_by_role("button", name="Finish").click()
    assert text(page, "#alert") == "A building takes 3 points or more."
    for east, north in (("20", "3"), ("25", "3"), ("25", "8")):
        page.locator("#new-east").fill(east)
        page.locator("#new-north").fill(north)
        page.get_by_role("button", name="Add this point").click()
    page.get_by_role("button", name="Finish").click()
    assert text(page, "#alert") == "Height above its ground is not known. Type metres."
    page.keyboard.press("Escape")


def test_the_search_shows_the_field_and_a_found_spot_becomes_a_mount_and_a_card(new_page, ferry, folder, axe):
    page = new_page("desk")
    open_roof(page, ferry)
    page.locator("#grid").fill("3")
    page.get_by_role("button", name="Search the roof").click()
    page.wait_for_selector("#found table")
    assert axe(page) == []
    spots = page.locator(".mark").count()
    assert f"{spots} spots, 3 m apart" in text(page, "#search-said")
    page.locator("#found table button").first.click()
    until(page, "document.querySelector('#spot-title') && !document.querySelector('#use-spot').hidden")
    page.wait_for_selector(PROVED)
    least = re.search(r"Least mast: ([\d.]+) m", text(page, "#answers"))[1]
    assert "Clear" in text(page, "#answers")
    page.locator("#keep-spot").click()
    page.locator(".mark").last.click()
    page.wait_for_selector(PROVED)
    page.locator("#keep-spot").click()
    assert page.locator("#beside thead th").count() == 2
    page.locator("#found table button").first.click()
    page.wait_for_selector(PROVED)
    page.get_by_role("button", name="Make this spot a mount").click()
    page.wait_for_selector(".save-bar >> text=unsaved")
    page.get_by_role("button", name="Make the card").click()
    assert text(page, "#card-said") == "The card is made of what is saved: save first."
    save(page)
    saved = (folder / f"{ferry}.toml").read_text(encoding="utf-8")
    assert 'name = "mount 1"' in saved
    assert f"height_m = {float(least):g}" in saved
    page.get_by_role("button", name="Make the card").click()
    page.wait_for_selector("#card-links a")
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="Open the card").click()
    card = opened.value
    card.wait_for_selector("section.chosen details.answer.chosen")
    assert "Roof card: Ferry house" in card.inner_text("h1")
    assert "mount 1" in card.inner_text("#place")
    with page.expect_download() as got:
        page.get_by_role("link", name="Download the card").click()
    assert got.value.suggested_filename.endswith("-card.html")


def test_a_search_can_be_stopped(new_page, ferry):
    page = new_page("desk")
    open_roof(page, ferry)
    page.locator("#grid").fill("0.7")
    page.get_by_role("button", name="Search the roof").click()
    page.get_by_role("button", name="Stop").first.click()
    until(page, "document.querySelector('#search-said').innerText === 'Stopped.'")
    page.locator("#grid").fill("0.05")
    page.get_by_role("button", name="Search the roof").click()
    until(page, "document.querySelector('#search-said').innerText.includes('spots; 400 at most')")


def test_a_roof_is_drawn_where_there_was_none(new_page, folder):
    """A site with a position and a satellite only: outline, form, search."""
    name = f"own-bare-{time.monotonic_ns() % 10**9}"
    (folder / f"{name}.toml").write_text(
        'name = "Bare croft"\nposition = "58.0312 N 24.6541 W"\nground_elevation_m = 41.0\n'
        '[[satellites]]\nname = "Demo South"\nlongitude = "24.0 W"\n[terrain]\n'
        'rasters = ["village_surface.tif", "island.tif"]\nkinds = ["surface", "bare"]\nhighest_ground_m = 420\n',
        encoding="utf-8",
    )
    page = new_page("desk")
    open_roof(page, name)
    page.get_by_label("Roof outline", exact=True).check()
    for east, north in (("-4.6", "0.6"), ("4.4", "0.7"), ("4.4", "17.3"), ("-4.3", "17.2")):
        page.locator("#new-east").fill(east)
        page.locator("#new-north").fill(north)
        page.get_by_role("button", name="Add this point").click()
    page.get_by_role("button", name="Finish").click()
    page.wait_for_selector('[data-key="outline.3"]')
    page.locator("#form-panel > summary").click()
    page.get_by_role("button", name="Snap the whole outline").click()
    until(page, "document.querySelector('#status').innerText.includes('4 of 4 edges were found')")
    save(page)
    outline = re.search(r"outline = (\[\[.*\]\])", (folder / f"{name}.toml").read_text(encoding="utf-8"))[1]
    # the clinic's roof as it was taped: 8 by 16 m from 1 m north of the origin; cells are 1 m
    corners = [tuple(map(float, pair.split(","))) for pair in re.findall(r"\[?\[([-\d., ]+)\]", outline)]
    for corner, taped in zip(corners, ((-4, 1), (4, 1), (4, 17), (-4, 17)), strict=True):
        assert abs(corner[0] - taped[0]) < 0.6
        assert abs(corner[1] - taped[1]) < 0.6
    (folder / f"{name}.toml").unlink()


def test_the_search_fits_a_phone(new_page, ferry, axe):
    page = new_page("phone")
    open_roof(page, ferry)
    plan, bar = (page.locator(one).bounding_box() for one in ("#plan", ".save-bar"))
    assert plan["y"] + 0.8 * plan["height"] < bar["y"]  # most of the plan is on the first screen
    page.locator("#grid").fill("4")
    page.get_by_role("button", name="Search the roof").click()
    page.wait_for_selector("#found table")
    page.locator("#keep-spot").click()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    wide = "[...document.querySelectorAll('main select, main button, main input')].filter(one => one.offsetParent && "
    wide += "!one.closest('.scroll, .tools') && one.getBoundingClientRect().right > innerWidth).map(one => one.id)"
    assert page.evaluate(wide) == []
    assert axe(page) == []
    page.locator("#all-spots").select_option(index=1)
    until(page, "document.querySelector('#status').innerText.includes('spot')")
