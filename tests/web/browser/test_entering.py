"""The token of a server that others reach; a server that is gone; a site file that is broken."""

import os
import subprocess
import sys

import pytest

pytestmark = pytest.mark.slow


@pytest.fixture
def open_server(tmp_path):
    """Port and token of a server that other machines reach."""
    (tmp_path / "croft.toml").write_text('name = "Croft"\nposition = "58.0195 N 24.6699 W"\n')
    command = [sys.executable, "-m", "skysill.cli.main", "serve", str(tmp_path), "--bind", "0.0.0.0"]
    with subprocess.Popen(
        [*command, "--port", "0", "--no-browser"], stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        try:
            assert "open this link once on each device" in process.stdout.readline()
            address, _, token = process.stdout.readline().strip().partition("/enter#")
            yield f"http://127.0.0.1:{address.rpartition(':')[2]}", token
        finally:
            process.terminate()
            process.wait(20)


def test_the_link_is_the_way_in_and_its_token_does_not_stay_in_the_address(browser, open_server, axe):
    address, token = open_server
    context = browser.new_context()
    page = context.new_page()
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{address}/")
    assert page.url == f"{address}/enter"
    assert axe(page) == []
    page.fill("#token", "wrong")
    page.keyboard.press("Enter")
    page.wait_for_selector("#token-error:not(:empty)")
    assert "not the token" in page.inner_text("#token-error")
    page.goto("about:blank")
    page.goto(f"{address}/enter#{token}")
    page.wait_for_selector("#sites a")
    assert page.url == f"{address}/"
    assert not [url for url in asked if token in url.partition("#")[0]]
    (cookie,) = context.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert cookie["value"] != token
    context.close()


def test_when_the_server_is_gone_the_page_says_so_and_keeps_what_was_typed(browser, server, copy_of):
    context = browser.new_context(base_url=server)
    page = context.new_page()
    page.goto(f"/sites/{copy_of('farm')}/desk")
    page.wait_for_selector("#more:not([hidden])", timeout=60_000)
    page.route("**/api/**", lambda route: route.abort())
    page.fill("#height", "3.5")
    page.keyboard.press("Tab")
    page.click("text=Save")
    page.wait_for_selector("#alert:not(:empty)")
    assert "does not answer" in page.inner_text("#alert")
    page.unroute("**/api/**")
    page.reload()
    page.wait_for_function("() => document.getElementById('height').value === '3.5'")
    context.close()


def test_a_site_file_that_is_no_toml_is_told_on_its_desk(new_page, folder):
    (folder / "broken.toml").write_text("name = \n")
    try:
        page = new_page("desk")
        page.goto("/")
        assert "is not TOML" in page.locator("#sites li", has_text="broken").inner_text()
        page.goto("/sites/broken/desk")
        page.wait_for_selector("#alert:not(:empty)")
        assert "is not TOML" in page.inner_text("#alert")
    finally:
        (folder / "broken.toml").unlink()
