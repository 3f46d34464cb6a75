"""The dish from the side: the face leans the way the words say."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.plots.dish_tilt import dish_tilt_figure, draw_dish_tilt
from skysill.plots.labels import text_box
from skysill.plots.theme import fixed_settings, new_figure, render


def drawn(elevation_deg, tilt_deg):
    with fixed_settings():
        figure = new_figure(4.4, 3.05)
        ax = figure.add_axes((0, 0, 1, 1))
        return ax, draw_dish_tilt(ax, elevation_deg=elevation_deg, tilt_deg=tilt_deg)


@pytest.mark.parametrize("tilt_deg", [-22.0, 0.0, 7.1, 60.0])
def test_the_face_leans_by_the_tilt_and_back_is_away_from_the_satellite(tilt_deg):
    _, artists = drawn(30.0, tilt_deg)
    (x, y) = artists.face.get_data()
    upper = np.array([x[1], y[1]])
    assert upper[1] > 0.0
    assert np.rad2deg(np.arctan2(-upper[0], upper[1])) == pytest.approx(
        tilt_deg
    )  # the satellite is to the right


@pytest.mark.parametrize("elevation_deg", [2.0, 24.1, 88.0])
def test_the_beam_rises_by_the_elevation(elevation_deg):
    _, artists = drawn(elevation_deg, elevation_deg - 17.0)
    (x, y) = artists.beam.get_data()
    assert np.rad2deg(np.arctan2(y[1], x[1])) == pytest.approx(elevation_deg)


@pytest.mark.parametrize(
    ("elevation_deg", "tilt_deg"), [(24.1, 7.1), (5.0, -12.0), (85.0, 68.0), (17.0, 0.0)]
)
def test_every_text_is_inside_the_picture(elevation_deg, tilt_deg):
    ax, _ = drawn(elevation_deg, tilt_deg)
    figure = ax.get_figure()
    for text in (text for text in ax.texts if text.get_text()):
        box = text_box(text)
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.width
        assert box.y0 >= 0.0
        assert box.y1 <= figure.bbox.height
    said = " ".join(text.get_text() for text in ax.texts)
    assert ("back" in said, "forward" in said) == (tilt_deg > 0.0, tilt_deg < 0.0)


def test_the_same_drawing_gives_the_same_bytes():
    with fixed_settings():
        first, second = (render(dish_tilt_figure(elevation_deg=24.1, tilt_deg=7.1), "svg") for _ in range(2))
    assert first == second
