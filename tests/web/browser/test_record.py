"""The record page in a browser: sheet, photographs, as-built values, record; at desk and phone size."""

import re

import pytest
from PIL import Image

pytestmark = pytest.mark.slow


@pytest.fixture
def clinic(copy_of):
    return copy_of("clinic", "clinic_horizon.csv")


@pytest.fixture
def farm(copy_of, folder):
    """The farm with one satellite: few pages to make in a record."""
    name = copy_of("farm")
    path = folder / f"{name}.toml"
    others = r'\[\[satellites\]\]\nname = "Demo (West|East)"\n.*\n\n'
    path.write_text(re.sub(others, "", path.read_text(encoding="utf-8")), encoding="utf-8")
    return name


def opened(page, site):
    page.goto(f"/sites/{site}/record")
    page.wait_for_selector("#verdicts .verdict")
    return page


def test_a_record_is_made_opened_and_made_again(page, size, farm, folder, tmp_path, axe):
    """The surveyor's afternoon: sheet, photographs, as-built values, record."""
    page.emulate_media(reduced_motion="reduce")  # colours are judged when no button fades
    Image.new("RGB", (800, 600), "red").save(tmp_path / "gable wall.jpg")
    (tmp_path / "page.jpg").write_text("<script>alert(1)</script>")
    opened(page, farm)
    assert page.locator("main section").first.get_by_role("heading").inner_text() == "Safety"
    page.get_by_role("button", name="Make the sheet").click()
    with page.expect_popup() as popup:
        page.get_by_role("link", name="Field sheet, opens").click()
    assert "Field sheet: Eastside Farm" in popup.value.inner_text("h1")

    page.set_input_files("#camera", str(tmp_path / "gable wall.jpg"))
    page.get_by_text("gable wall.jpg is attached").wait_for()
    page.set_input_files("#pictures", str(tmp_path / "page.jpg"))
    page.get_by_text("page.jpg: is not a picture that can be read").wait_for()
    page.get_by_label("of the finished work").check()

    for label, value in (
        ("By", "installer 1"), ("Dish centre above what it stands on, m", "4,1"), ("Elevation as set, °", "95"),
    ):  # fmt: skip
        page.locator("#built").get_by_label(label, exact=True).fill(value)
    page.locator("#built").get_by_label("Satellite").select_option("Demo South")
    page.get_by_role("button", name="Save as-built values").click()
    page.get_by_text("95 is out of range, from -10 to 90.").wait_for()
    assert axe(page) == []
    page.reload()
    page.wait_for_selector("#verdicts .verdict")
    elevation = page.get_by_label("Elevation as set, °")
    assert elevation.input_value() == "95"
    elevation.fill("24.2")
    page.get_by_role("button", name="Save as-built values").click()
    page.get_by_text(f"Saved in {farm}_as_built.toml").wait_for()
    assert "elevation_deg = 24.2" in (folder / f"{farm}_as_built.toml").read_text()

    page.get_by_label("Made by").fill("surveyor 1")
    make = page.get_by_role("button", name="Make the record")
    make.click()
    page.get_by_text("It is the first one").wait_for(timeout=120_000)
    with page.expect_popup() as popup:
        page.get_by_role("link", name="The record just made, as HTML").click()
    record = popup.value
    assert record.inner_text("h1") == "Satellite site survey: Eastside Farm"
    assert record.locator("#built").is_visible()
    assert record.locator("img[alt^='Photograph']").count() == 1
    assert axe(page) == []
    if size == "desk":
        return  # one size is enough for what changed
    page.locator("#built-height_m").fill("4.6")
    page.get_by_role("button", name="Save as-built values").click()
    page.get_by_text(f"Saved in {farm}_as_built.toml").wait_for()
    make.click()
    page.get_by_role(
        "heading", name=re.compile("What changed since the record of .*, by surveyor 1")
    ).wait_for(timeout=120_000)
    assert "As built, height of the dish centre: 4.60 m now, 4.10 m before." in page.inner_text(
        "#record-made"
    )
    assert axe(page) == []


def test_no_rule_of_accessibility_is_broken_and_targets_are_large(page, size, clinic, axe):
    page.emulate_media(reduced_motion="reduce")  # colours are judged when none fades
    opened(page, clinic)
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert axe(page) == [], scheme
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    if size == "phone":
        small = page.evaluate(
            "() => [...document.querySelectorAll('main button, main select, main label.button, main a.button')]"
            ".filter((one) => one.offsetParent && one.getBoundingClientRect().height < 47.5).length"
        )
        assert small == 0


def test_a_wrong_zone_is_told_at_its_field_and_what_was_typed_stays(page, farm):
    opened(page, farm)
    page.fill("#record-zone", "Nowhere/City")
    page.get_by_role("button", name="Make the record").click()
    page.get_by_text("is not a time zone").wait_for()
    assert page.locator("#record-zone").get_attribute("aria-invalid") == "true"
    page.reload()
    page.wait_for_selector("#verdicts .verdict")
    assert page.input_value("#record-zone") == "Nowhere/City"
    page.keyboard.press("Tab")


def test_unsaved_changes_of_the_site_are_told_of_before_a_record_is_made(page, clinic):
    page.goto(f"/sites/{clinic}/survey")
    page.wait_for_selector(".satellite .verdict")
    page.get_by_label("Instrument above the ground, m", exact=True).first.fill("1.7")
    page.keyboard.press("Tab")
    page.get_by_text("1 unsaved change").wait_for()
    opened(page, clinic)
    assert "unsaved changes of this site" in page.inner_text("#unsaved")


def test_a_photograph_is_removed_only_after_a_question(page, farm, folder, tmp_path):
    Image.new("RGB", (80, 60)).save(tmp_path / "a.png")
    opened(page, farm)
    page.set_input_files("#pictures", str(tmp_path / "a.png"))
    remove = page.get_by_role("button", name="Remove photograph a.png")
    remove.click()
    page.get_by_role("button", name="Keep it").click()
    assert (folder / f"{farm}-photo-a.png").exists()
    remove.click()
    page.get_by_role("button", name="Remove it from the folder").click()
    page.get_by_text("a.png is removed").wait_for()
    assert not (folder / f"{farm}-photo-a.png").exists()
