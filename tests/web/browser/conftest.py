"""One server and one browser for all tests here; a page at desk and at phone size; axe."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from axe_core_python import sync_playwright as axe_package
from playwright.sync_api import sync_playwright

DEMO = Path(__file__).parents[3] / "demo_terrain"
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
SIZES = {"desk": {"width": 1280, "height": 800}, "phone": {"width": 360, "height": 740}}
AXE = (Path(axe_package.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    """The served copy of the demo's files. Tests that save use a site of their own: `copy_of`."""
    place = tmp_path_factory.mktemp("served") / "sites"
    shutil.copytree(DEMO, place, ignore=shutil.ignore_patterns("survey_data", "*.py", "__pycache__"))
    return place


@pytest.fixture(scope="session")
def server(folder):
    """The address of a running server."""
    command = [
        sys.executable, "-m", "skysill.cli.main", "serve", str(folder), "--port", "0", "--no-browser",
        "--terrain", f"{folder / 'village_surface.tif'}:surface", "--terrain", str(folder / "island.tif"),
        "--highest-ground", "420", "--satellite", "Demo South=24.0W", "--satellite", "Demo West=52.5W",
    ]  # fmt: skip
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        line = process.stdout.readline()
        try:
            yield line.partition(": ")[2].split()[0].rstrip("/")
        finally:
            process.terminate()
            process.wait(10)


@pytest.fixture(scope="session")
def browser():
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield launched
        launched.close()


@pytest.fixture(params=["desk", "phone"])
def size(request):
    return request.param


@pytest.fixture
def new_page(browser, server):
    """Makes pages: new_page("phone", dark=True). A page that logs an error or asks another host fails the test."""
    contexts, faults = [], []

    def make(size="desk", *, dark=False):
        context = browser.new_context(
            base_url=server,
            viewport=SIZES[size],
            has_touch=size == "phone",
            color_scheme="dark" if dark else "light",
            bypass_csp=False,
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.on("pageerror", lambda fault: faults.append(f"{fault}"))
        page.on("console", lambda said: faults.append(said.text) if _is_fault(said) else None)
        page.on(
            "request",
            lambda asked: (
                None if asked.url.startswith((server, "blob:", "data:")) else faults.append(asked.url)
            ),
        )
        return page

    yield make
    for context in contexts:
        context.close()
    assert not faults, faults


def _is_fault(said):
    refused = (
        "status of 4" in said.text or "INTERNET_DISCONNECTED" in said.text
    )  # the page shows these itself
    return said.type == "error" and not refused


@pytest.fixture
def page(new_page, size):
    return new_page(size)


@pytest.fixture
def axe():
    """Violations of a page as it stands now, as lines; an empty list is what is wanted."""

    def run(page):
        # evaluated by the debugger, which the page's policy does not hinder
        page.evaluate(AXE + "; undefined")
        found = page.evaluate("rules => axe.run(document, {runOnly: rules})", RULES)
        return [
            f"{one['id']}: {one['help']}: {json.dumps([node['html'][:160] for node in one['nodes'][:3]])}"
            for one in found["violations"]
        ]

    return run


@pytest.fixture
def copy_of(folder):
    """Makes copies of demo sites, with a table of readings of their own: copy_of("clinic", "clinic_horizon.csv")."""

    def make(demo, table=None):
        name = f"{demo}-{time.monotonic_ns()}"
        text = (DEMO / f"{demo}.toml").read_text(encoding="utf-8")
        if table is not None:
            text = text.replace(f'"{table}"', f'"{name}_horizon.csv"')
            shutil.copy(DEMO / table, folder / f"{name}_horizon.csv")
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
        return name

    return make
