"""What every page has: frame, keyboard, light and dark, no violation of the accessibility rules."""

import pytest

pytestmark = pytest.mark.slow


def test_the_list_of_sites_opens_and_keeps_the_rules(page, axe):
    page.goto("/")
    assert page.get_by_role("link", name="Skerrow clinic").is_visible()
    assert axe(page) == []


@pytest.mark.parametrize("address", ["/", "/addresses", "/sites/farm/desk", "/sites/nowhere/desk", "/enter"])
def test_dark_pages_keep_the_rules_too(new_page, axe, address):
    page = new_page("desk", dark=True)
    page.goto(address)
    if "farm" in address:
        page.wait_for_selector("#more:not([hidden])", timeout=60_000)
    assert axe(page) == []


def test_light_and_dark_are_chosen_and_remembered(new_page):
    page = new_page("desk", dark=True)
    page.goto("/")
    page.click("text=Light page")
    page.reload()
    assert page.get_attribute("html", "data-lighting") == "light"
    assert page.get_by_role("button", name="Dark page").is_visible()


def test_a_page_that_is_not_there_says_so(page):
    page.goto("/sites/nowhere/desk")
    assert "there is no such site" in page.inner_text("main")
