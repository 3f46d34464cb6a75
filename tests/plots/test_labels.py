"""Labels keep out of each other's way, whatever is asked for."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from skysill.plots.labels import Label, add_text, place_labels, printable, shorten_to, text_box
from skysill.plots.theme import fixed_settings, new_figure, render


@pytest.fixture
def ax():
    with fixed_settings():
        ax = new_figure(5.4, 5.4).add_axes((0, 0, 1, 1))
        ax.set_xlim(-100, 100)
        ax.set_ylim(-100, 100)
        yield ax


def _overlapping(placed):
    boxes = [text_box(one.text) for one in placed]
    return [(a, b) for a, b in itertools.combinations(range(len(boxes)), 2) if boxes[a].overlaps(boxes[b])]


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 12])
@pytest.mark.parametrize("apart", [0.0, 1.2, 6.0])
def test_labels_of_crowded_points_do_not_overlap(ax, count, apart):
    labels = [Label(f"Demo Sat {k}\nNEEDS SURVEY", apart * k, -60.0) for k in range(count)]
    placed = place_labels(ax, labels)
    assert _overlapping(placed) == []
    assert [one.label for one in placed] == labels


def test_labels_of_scattered_points_do_not_overlap_and_stay_inside(ax):
    rng = np.random.default_rng(20260614)
    for _ in range(3):
        points = rng.uniform(-90.0, 90.0, (10, 2))
        placed = place_labels(ax, [Label(f"point {k}", x, y) for k, (x, y) in enumerate(points)])
        assert _overlapping(placed) == []
        frame = ax.get_window_extent()
        for one in placed:
            box = text_box(one.text)
            assert frame.x0 <= box.x0 < box.x1 <= frame.x1
            assert frame.y0 <= box.y0 < box.y1 <= frame.y1
            one.text.remove()


def test_a_label_keeps_off_what_must_stay_readable(ax):
    tick = add_text(ax, 0.0, 8.0, "20°W", ha="center", va="center")
    (placed,) = place_labels(ax, [Label("Demo South", 0.0, 0.0)], keep_clear=[text_box(tick)])
    assert not text_box(placed.text).overlaps(text_box(tick))


def test_a_label_rather_leaves_a_line_uncovered(ax):
    line = np.column_stack([np.linspace(-100, 100, 400), np.full(400, 9.0)])
    (placed,) = place_labels(ax, [Label("Demo South", 0.0, 0.0, toward_deg=90.0)], avoid=line)
    low, high = text_box(placed.text).intervaly
    height = ax.transData.transform((0.0, 9.0))[1]
    assert not low < height < high


def test_a_leader_runs_from_the_point_to_its_own_label(ax):
    labels = [Label(f"Demo Sat {k}", 1.0 * k, -60.0) for k in range(6)]
    for one in place_labels(ax, labels):
        if one.leader is None:
            continue
        start, end = one.leader.get_xydata()
        assert start == pytest.approx((one.label.x, one.label.y))
        reach = text_box(one.text).padded(6.0)
        assert reach.contains(*ax.transData.transform(end))


def test_the_same_labels_land_in_the_same_places(ax):
    labels = [Label(f"Demo Sat {k}", 2.0 * k, 10.0) for k in range(7)]
    first = [one.text.get_position() for one in place_labels(ax, labels)]
    assert [one.text.get_position() for one in place_labels(ax, labels)] == first


def test_a_name_is_written_as_it_stands(ax):
    text = add_text(ax, 0, 0, r"cost $5 \alpha$ _x_")
    assert text.get_text() == r"cost $5 \alpha$ _x_"
    assert not text.get_parse_math()


def test_letters_the_font_lacks_become_squares_and_draw_without_complaint(ax):
    assert printable("tower\n\x07\u5854") == "tower  \u25a1"
    add_text(ax, 0, 0, "Sk\u00e9rrow \u5854")
    render(ax.figure, "png")  # a missing letter would warn, and warnings are errors here


def test_a_long_name_is_cut_with_an_ellipsis(ax):
    text = shorten_to(add_text(ax, 0, 0, "a very long name of a satellite " * 4), 1.5)
    assert text_box(text).width <= 1.5 * ax.figure.dpi
    assert text.get_text().endswith("…")
    assert shorten_to(add_text(ax, 0, 0, "short"), 1.5).get_text() == "short"
