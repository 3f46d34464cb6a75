"""Colours, strokes, markers and files."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.plots import theme

PICTURES = (".png", ".svg", ".pdf")


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour: W3C, Web Content Accessibility Guidelines 2.1 (2018), definition."""
    channel = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(channel <= 0.03928, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def _contrast(one: str, other: str) -> float:
    """Contrast ratio, same source."""
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_palette_is_the_published_one():
    """Okabe & Ito, Color Universal Design (2008), as 8-bit red, green, blue; from memory."""
    published = {
        "black": (0, 0, 0),
        "orange": (230, 159, 0),
        "sky blue": (86, 180, 233),
        "bluish green": (0, 158, 115),
        "yellow": (240, 228, 66),
        "blue": (0, 114, 178),
        "vermillion": (213, 94, 0),
        "reddish purple": (204, 121, 167),
    }
    assert {name: "#{:02X}{:02X}{:02X}".format(*rgb) for name, rgb in published.items()} == theme.PALETTE


def test_every_source_and_verdict_differs_from_each_other_without_its_colour():
    for one, other in itertools.combinations(theme.SOURCES.values(), 2):
        assert one.hatch != other.hatch
        assert one.stroke != other.stroke
        assert one.marker != other.marker
        assert one.word != other.word
    for one, other in itertools.combinations(theme.VERDICTS.values(), 2):
        assert one.marker != other.marker
        assert one.stroke != other.stroke
        assert one.word != other.word


def test_every_verdict_of_the_rules_has_its_style():
    assert set(theme.VERDICTS) == {"blocked", "unknown", "marginal", "needs-survey", "clear"}


def test_strokes_stand_out_from_the_background_and_letters_from_every_fill():
    """WCAG 2.1 (2018), success criteria 1.4.11 (3:1 for graphics) and 1.4.6 (7:1 for text)."""
    for source in theme.SOURCES.values():
        assert _contrast(source.colour, theme.THEME.background) >= 3.0
        assert _contrast(source.colour, source.fill) >= 3.0
        assert _contrast(theme.THEME.text, source.fill) >= 7.0
    assert _contrast(theme.THEME.arc, theme.THEME.background) >= 7.0


def test_letters_stand_nine_pixels_high_on_a_phone_four_hundred_pixels_wide():
    smallest = theme.THEME.small_pt - 0.5
    assert smallest / 72.0 * 400.0 / theme.THEME.width_in >= 8.0
    assert theme.THEME.body_pt / 72.0 * 400.0 / theme.THEME.width_in >= 9.9


def _simple_figure():
    figure = theme.new_figure(3.0, 2.0)
    ax = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    ax.add_artist(
        theme.source_area([[(0.1, 0.1), (0.9, 0.1), (0.5, 0.9)]], theme.SOURCES["measured"], zorder=1)
    )
    return figure


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_picture_gives_the_same_bytes(kind):
    first, second = (theme.render(_simple_figure(), kind, title="a sky") for _ in range(2))
    assert first == second
    assert b"202" not in first.split(b"stream")[0] or kind != "pdf"  # no date in the document's head


def test_a_vector_picture_carries_its_title_and_no_date():
    text = theme.render(_simple_figure(), "svg", title="sky over <the clinic>").decode()
    assert "sky over &lt;the clinic&gt;" in text
    assert "<dc:date>" not in text


@pytest.mark.parametrize("suffix", PICTURES)
def test_a_picture_is_written_by_its_suffix(tmp_path, suffix):
    theme.save(tmp_path / f"sky{suffix}", _simple_figure())
    head = (tmp_path / f"sky{suffix}").read_bytes()[:60]
    assert {".png": b"PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}[suffix] in head


@pytest.mark.parametrize("name", ["sky.gif", "sky", "sky.jpg"])
def test_other_suffixes_are_refused_and_leave_nothing(tmp_path, name):
    with pytest.raises(InputError, match=r"pictures are written as PNG, SVG or PDF\. End the name in \.png"):
        theme.save(tmp_path / name, _simple_figure())
    assert list(tmp_path.iterdir()) == []


def test_drawing_leaves_the_settings_of_others_as_they_were():
    import matplotlib

    before = dict(matplotlib.rcParams)
    with theme.fixed_settings():
        assert matplotlib.rcParams["svg.hashsalt"] == "skysill"
    assert dict(matplotlib.rcParams) == before


def test_no_window_toolkit_is_loaded():
    import subprocess
    import sys

    code = "import sys, skysill.plots.theme; assert 'matplotlib.pyplot' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_an_area_keeps_all_its_corners_and_its_hole():
    square = [(0, 0), (4, 0), (4, 4), (0, 4)]
    hole = [(1, 1), (1, 2), (2, 2), (2, 1)]
    figure = theme.new_figure(1.0, 1.0)
    ax = figure.add_axes((0, 0, 1, 1))
    ax.set_axis_off()
    ax.set_xlim(0, 4)
    ax.set_ylim(0, 4)
    ax.add_artist(theme.source_area([square, hole], theme.SOURCES[""], zorder=1))
    ax.patches[0].set_facecolor("#FF0000")
    ax.patches[0].set_hatch(None)
    image = _image(figure)
    side = image.shape[0]
    assert tuple(image[int(side * 0.03), int(side * 0.03), :3]) == (255, 0, 0)  # the corner written last
    assert tuple(image[int(side * 0.625), int(side * 0.375), :3]) == (255, 255, 255)  # x 1.5, y 1.5: the hole


def _image(figure):
    """The picture as an array (row, column, 4), rows from the top."""
    import io

    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(theme.render(figure, "png"))).convert("RGBA"))
