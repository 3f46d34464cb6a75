"""What every page has: frame, keyboard, light and dark, no violation of the accessibility rules."""

import pytest

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("dark", [False, True])
def test_the_list_of_sites_opens_and_keeps_the_rules(new_page, size, axe, dark):
    page = new_page(size, dark=dark)
    page.goto("/")
    assert page.get_by_role("link", name="Skerrow clinic").is_visible()
    assert axe(page) == []


def test_a_page_that_is_not_there_says_so(page):
    page.goto("/sites/nowhere/desk")
    assert "there is no such site" in page.inner_text("main")
