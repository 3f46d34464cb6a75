"""The HTML reports in a real browser: no fault by axe-core, nothing wider than a phone, in light and dark.

Needs Chromium (Debian's package `chromium`); without it these tests say so and are left out, except under CI.
"""

from __future__ import annotations

import base64
import importlib.util
import io
import json
import os
import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import pytest
from PIL import Image

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--virtual-time-budget=20000",
    "--dump-dom",
]

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        CHROMIUM is None and not os.environ.get("CI"),
        reason="no Chromium on this machine: apt-get install chromium",
    ),
]


def dot() -> str:
    """A picture of one pixel, in place of the large ones."""
    kept = io.BytesIO()
    Image.new("RGB", (1, 1)).save(kept, "PNG")
    return f"data:image/png;base64,{base64.b64encode(kept.getvalue()).decode()}"


def axe() -> str:
    folder = importlib.util.find_spec("axe_core_python").submodule_search_locations[0]
    return (Path(folder) / "axe.min.js").read_text(encoding="utf-8")


def in_browser(text: str, script: str, folder: Path, *flags: str, width: int = 1000) -> object:
    """What a script leaves in a page that is shown `width` pixels wide; the page's own rule against scripts lifted."""
    assert CHROMIUM is not None, "CI must install chromium"
    page = re.sub(r"<meta http-equiv[^>]*>", "", text)
    page = re.sub(r'src="data:image/[^"]*"', f'src="{dot()}"', page)
    (folder / "page.html").write_text(
        page.replace("</body>", f"<script>{script}</script></body>"), encoding="utf-8"
    )
    frame = (
        f'<!DOCTYPE html><html lang="en"><title>frame</title><body style="margin:0"><iframe id="f" src="page.html" '
        f'style="border:0" width="{width}" height="2000"></iframe><pre id="out"></pre><script>onmessage = e => '
        "document.getElementById('out').textContent = e.data</script></body></html>"
    )
    (folder / "frame.html").write_text(frame, encoding="utf-8")
    command = [
        CHROMIUM,
        *FLAGS,
        *flags,
        f"--user-data-dir={folder / 'profile'}",
        f"file://{folder / 'frame.html'}",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    found = re.search(r'<pre id="out">(.+?)</pre>', done.stdout, flags=re.DOTALL)
    assert found, "the page answered nothing"
    return json.loads(unescape(found[1]))


@pytest.fixture(scope="module", params=["record", "sheet"])
def text(request, record_text, sheet_text):
    return record_text if request.param == "record" else sheet_text


ASK_AXE = (
    "axe.run(document, {resultTypes: ['violations']}).then(found => parent.postMessage(JSON.stringify("
    "{passes: found.passes.length, violations: found.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html)])"
    "}), '*'));"
)
ASK_WIDTH = (
    "parent.postMessage(JSON.stringify([document.documentElement.scrollWidth, "
    "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1 && "
    "getComputedStyle(e.closest('thead') || e).position !== 'absolute').map(e => e.outerHTML.slice(0, 80))]), '*');"
)
ASK_COLOURS = (
    "parent.postMessage(JSON.stringify([getComputedStyle(document.body).backgroundColor, "
    "getComputedStyle(document.body).color, "
    "getComputedStyle(document.querySelector('figure img, svg.qr')).backgroundColor]), '*');"
)
DARK = "--blink-settings=preferredColorScheme=0"


@pytest.mark.parametrize(("width", "flags"), [(390, (DARK,)), (1000, ())], ids=["phone, dark", "desk, light"])
def test_axe_finds_nothing(text, tmp_path, width, flags):
    found = in_browser(text, axe() + ASK_AXE, tmp_path, *flags, width=width)
    assert found["violations"] == []
    assert found["passes"] > 15


def test_axe_would_find_something(tmp_path):
    """The instrument itself: a picture without words and a faint text are found."""
    bad = '<!DOCTYPE html><html lang="en"><head><title>t</title></head><body><main><h1>a</h1>'
    bad += '<img src="data:image/png,">'
    bad += '<p style="color:#aaa;background:#fff">faint</p></main></body></html>'
    found = in_browser(bad, axe() + ASK_AXE, tmp_path)
    assert {"image-alt", "color-contrast"} <= {violation[0] for violation in found["violations"]}


def test_nothing_is_wider_than_a_phone(text, tmp_path):
    width, beyond = in_browser(text, ASK_WIDTH, tmp_path, width=390)
    assert beyond == []
    assert width <= 390


ASK_SHOWN = (
    "parent.postMessage(JSON.stringify([document.documentElement.scrollHeight, "
    "[...document.querySelectorAll('table.blank td.fill, table.blank tr.empty')].filter(e => "
    "e.getBoundingClientRect().height > 0).length, "
    "[...document.querySelectorAll('table.blank tbody tr:not(.empty)')].filter(e => "
    "e.getBoundingClientRect().height > 0).length, "
    "document.querySelector('table.facts').getBoundingClientRect().bottom]), '*');"
)


def test_on_a_phone_the_sheet_hides_what_can_only_be_written_on_paper(sheet_text, sheet, tmp_path):
    """Rows keep bearing and what is known, in a line or two each; at a desk the boxes are there."""
    _, fills, rows, _ = in_browser(sheet_text, ASK_SHOWN, tmp_path, width=360)
    assert fills == 0
    assert rows >= len(sheet.rows)
    _, fills, _, _ = in_browser(sheet_text, ASK_SHOWN, tmp_path, width=1000)
    assert fills > 5 * len(sheet.rows)


def test_on_a_phone_the_first_pointing_card_is_on_the_first_screen(record_text, tmp_path):
    """360 by 800 pixels: a small phone of today (common practice, no source)."""
    *_, bottom = in_browser(record_text, ASK_SHOWN, tmp_path, width=360)
    assert 100.0 < bottom < 800.0


def test_on_a_dark_screen_the_page_is_dark_and_the_pictures_keep_their_white_background(text, tmp_path):
    paper, ink, picture = in_browser(text, ASK_COLOURS, tmp_path, DARK)
    assert sum(map(int, re.findall(r"\d+", paper))) < 150
    assert sum(map(int, re.findall(r"\d+", ink))) > 600
    assert picture == "rgb(255, 255, 255)"
