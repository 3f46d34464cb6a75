"""The survey page in a browser: by keyboard alone, at desk and phone size, with nothing lost."""

import re

import pytest

from skysill.io.survey_tables import read_horizon_csv

pytestmark = pytest.mark.slow

SMALL_TARGETS = """() => {
  const pressed = 'main button, main input:not([type=checkbox]):not([type=file]), main select, main summary,'
    + ' main label.button, main label:has(input[type=checkbox])';
  return [...document.querySelectorAll(pressed)]
    .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 47.5)
    .map((one) => one.outerHTML.slice(0, 90));
}"""
"""What is pressed and lower than 48 px (half a pixel of rounding)."""


def south_alone(folder, name):
    """Takes the other satellites from a site file, so that a change on the page costs one assessment."""
    path = folder / f"{name}.toml"
    others = r'\[\[satellites\]\]\nname = "Demo (West|East)"\n.*\n\n'
    path.write_text(re.sub(others, "", path.read_text(encoding="utf-8")), encoding="utf-8")
    return name


@pytest.fixture
def shieling(copy_of, folder):
    """A site whose raster has a hole to the south, without readings."""
    return south_alone(folder, copy_of("shieling"))


@pytest.fixture
def clinic(copy_of, folder):
    return south_alone(folder, copy_of("clinic", "clinic_horizon.csv"))


def opened(page, site):
    page.goto(f"/sites/{site}/survey")
    page.wait_for_selector(".satellite .verdict")
    return page


def card(page, satellite="Demo South"):
    return page.locator("article.satellite", has=page.get_by_role("heading", name=satellite))


def settled(page, text, satellite="Demo South"):
    """Waits until a satellite's card holds a text."""
    card(page, satellite).filter(has_text=re.compile(text)).wait_for()


def type_row(page, elevation, distance, what, note):
    """One row from the keyboard: Enter takes the azimuth that is offered, and goes on from field to field."""
    for keys in (elevation, distance):
        page.keyboard.press("Enter")
        page.keyboard.type(keys)
    page.keyboard.press("Enter")
    page.keyboard.press(what)
    page.keyboard.press("Enter")
    page.keyboard.type(note)
    page.keyboard.press("Enter")


def test_a_survey_is_typed_with_the_keyboard_alone_until_nothing_is_unmeasured(page, shieling, folder):
    opened(page, shieling)
    settled(page, "9 azimuths still to read")
    first = card(page).locator("img").get_attribute("src")
    page.locator("#rows li:last-child [name=azimuth_deg]").focus()
    type_row(page, "9,5", "300", "g", "ridge")
    settled(page, "8 azimuths still to read")
    page.wait_for_function(
        "([box, old]) => box.src && box.src !== old", arg=[card(page).locator("img").element_handle(), first]
    )
    for _ in range(8):
        type_row(page, "9", "300", "g", "ridge")
    settled(page, "Every azimuth that matters has been measured")
    settled(page, "Clear|Marginal|Needs a survey")
    page.keyboard.press("Control+s")
    page.get_by_text("Saved in").wait_for()
    read = read_horizon_csv(folder / f"{shieling}_horizon.csv")
    assert len(read) == 9
    assert set(read.kind) == {"ground"}
    assert 9.5 in read.elevation_deg
    assert f'horizon = "{shieling}_horizon.csv"' in (folder / f"{shieling}.toml").read_text()


def test_an_error_stands_at_its_field_and_no_verdict_is_given_until_it_is_mended(page, clinic, axe):
    opened(page, clinic)
    settled(page, "Clear")
    if page.locator("#all-rows").is_visible():
        page.click("#all-rows")
    field = page.get_by_label("Elevation of row 40, degrees")
    field.fill("3..")
    field.press("Enter")
    page.locator("#rows li:nth-child(40).faulty").wait_for()
    assert field.get_attribute("aria-invalid") == "true"
    said = page.locator(f"#{field.get_attribute('aria-describedby')}")
    assert said.inner_text() == 'Elevation: "3.." is not a number. Write 12.5 or 12,5.'
    settled(page, "Unknown")
    assert axe(page) == []
    page.keyboard.press("Control+s")
    page.get_by_text("Nothing is written before every row can be read").wait_for()
    field.fill("37")
    field.press("Enter")
    settled(page, "Clear")
    assert field.get_attribute("aria-invalid") is None


def test_unsaved_rows_survive_a_reload_and_undo_takes_them_back(page, shieling):
    opened(page, shieling)
    settled(page, "9 azimuths")
    page.locator("#rows li:last-child [name=azimuth_deg]").focus()
    type_row(page, "9", "300", "w", "barn")
    settled(page, "8 azimuths")
    page.reload()
    settled(page, "8 azimuths")
    assert page.get_by_label("Note of row 1").input_value() == "barn"
    type_into = page.locator("#rows li:last-child [name=azimuth_deg]")
    type_into.focus()
    type_row(page, "9", "300", "w", "barn 2")
    settled(page, "7 azimuths")
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    settled(page, "8 azimuths")
    page.get_by_role("button", name="Redo").click()
    page.get_by_role("button", name="Redo").click()
    settled(page, "7 azimuths")


def test_an_open_page_goes_on_taking_rows_without_a_network(page, shieling, folder):
    opened(page, shieling)
    settled(page, "9 azimuths")
    page.context.set_offline(True)
    page.locator("#rows li:last-child [name=azimuth_deg]").focus()
    type_row(page, "9", "300", "g", "ridge")
    page.get_by_text("The server does not answer").wait_for()
    page.keyboard.type("173")
    page.keyboard.press("Enter")
    page.keyboard.press("Control+s")
    page.context.set_offline(False)
    page.keyboard.type("9")
    page.keyboard.press("Enter")
    settled(page, "7 azimuths")
    page.keyboard.press("Control+s")
    page.get_by_text("Saved in").wait_for()
    assert read_horizon_csv(folder / f"{shieling}_horizon.csv").azimuth_deg.tolist() == [171.0, 173.0]


def test_a_table_is_taken_in_from_a_file_and_from_a_spreadsheet(page, shieling, tmp_path):
    opened(page, shieling)
    settled(page, "9 azimuths")
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("# taken in rain\nazimuth_deg;elevation_deg;distance_m\n171;9,5;300\n173;9;300\n175;;\n")
    page.set_input_files("#file", str(sheet))
    page.get_by_text("3 rows added").wait_for()
    settled(page, "7 azimuths")
    page.set_input_files("#file", str(sheet))
    page.get_by_text("0 rows added, 3 were there already").wait_for()
    page.get_by_text("Paste from a spreadsheet").click()
    page.fill("#paste", "175\t9,5\t300\ttree\tbare\n177\t9\tnear\n")
    page.get_by_role("button", name="Add these rows").click()
    page.get_by_text("2 rows added").wait_for()
    page.locator("#rows li.faulty").wait_for()
    assert (
        page.locator("#rows li.faulty .field-error")
        .inner_text()
        .startswith('Distance: "near" is no distance')
    )
    junk = tmp_path / "junk.csv"
    junk.write_bytes(b"\xff\xd8\xff\xe0" * 100)
    page.set_input_files("#file", str(junk))
    page.get_by_text("junk.csv is not text").wait_for()
    big = tmp_path / "big.csv"
    big.write_bytes(b"1,2\n" * 300_000)
    page.set_input_files("#file", str(big))
    page.get_by_text("a table of readings has at most").wait_for()


def test_two_surveyors_on_one_table_lose_nothing(new_page, clinic, folder):
    one, other = new_page("desk"), new_page("desk")
    for number, page in enumerate((one, other)):
        opened(page, clinic)
        page.locator("#rows li:last-child [name=azimuth_deg]").fill(str(300 + number))
        page.locator("#rows li:last-child [name=azimuth_deg]").press("Enter")
        page.keyboard.type("1")
        page.keyboard.press("Enter")
        page.get_by_text("unsaved change").wait_for()
    one.keyboard.press("Control+s")
    one.get_by_text("Saved in").wait_for()
    other.keyboard.press("Control+s")
    other.get_by_text("Their rows and yours stand together").wait_for()
    other.keyboard.press("Control+s")
    other.get_by_text("Saved in").wait_for()
    assert read_horizon_csv(folder / f"{clinic}_horizon.csv").azimuth_deg.tolist()[-2:] == [300.0, 301.0]


def test_landmarks_and_the_sun_correct_the_compass(page, clinic, folder):
    opened(page, clinic)
    page.locator("#correction").filter(has_text="by the landmarks sighted").wait_for()
    before = page.inner_text("#correction")
    page.get_by_role("group", name=re.compile("Landmark 1")).get_by_label("Compass showed").fill("29")
    page.keyboard.press("Tab")
    page.wait_for_function("old => document.getElementById('correction').innerText !== old", arg=before)
    assert page.locator("#left-over tbody tr").count() == 2
    form = page.get_by_role("form", name="New sighting")
    form.get_by_label("Time, UTC").fill("2026-06-14T10:20")
    form.get_by_label("Shadow by the compass").fill("303")
    form.get_by_role("button", name="Add sighting").click()
    page.locator("#left-over tbody tr").nth(2).wait_for()
    page.keyboard.press("Control+s")
    page.get_by_text("Saved in").wait_for()
    text = (folder / f"{clinic}.toml").read_text()
    assert "measured_bearing_deg = 29" in text
    assert "time = 2026-06-14T10:20:00" in text


def test_an_obstacle_by_bearing_and_distance_with_an_error_at_its_field(page, clinic):
    opened(page, clinic)
    form = page.get_by_role("form", name="New obstacle")
    for label, value in (
        ("Name", "new mast"),
        ("Bearing, °", "189"),
        ("Level distance, m", "12"),
        ("or height, m", "tall"),
    ):
        form.get_by_label(label, exact=True).fill(value)
    form.get_by_label("Kind").select_option("mast")
    form.get_by_role("button", name="Add obstacle").click()
    group = page.get_by_role("group", name="Obstacle 1: new mast")
    group.get_by_text("is not a number").wait_for()
    height = group.get_by_label("or height, m")
    assert height.get_attribute("aria-invalid") == "true"
    height.fill("20")
    height.press("Tab")
    settled(page, "Blocked")
    assert "new mast" in card(page).inner_text().lower()


def test_no_rule_of_accessibility_is_broken(page, clinic, axe):
    page.emulate_media(reduced_motion="reduce")  # colours are judged when none fades
    opened(page, clinic)
    settled(page, "Clear")
    page.get_by_text("Paste from a spreadsheet").click()
    page.get_by_text("Safety: read this").click()
    page.get_by_label("Columns for station and growth").check()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert axe(page) == [], scheme


def test_nothing_is_wider_than_the_screen_and_fingers_in_gloves_find_what_they_press(new_page, copy_of):
    page = new_page("phone")
    opened(page, copy_of("clinic", "clinic_horizon.csv"))
    settled(page, "Clear")
    for width in (360, 768, 1024, 1920):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
        if width <= 768:
            small = page.evaluate(SMALL_TARGETS)
            assert small == [], width
