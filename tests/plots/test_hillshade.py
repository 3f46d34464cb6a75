"""Shaded relief of planes, against the cosine between the light and a normal by a cross product."""

import numpy as np
import pytest

from skysill.plots.hillshade import hillshade, hillshade_png


@pytest.mark.parametrize(
    ("rise_east", "rise_north"), [(0.6, 0.0), (0.0, 0.4), (-0.3, 0.2), (0.1, -0.7), (0.0, 0.0)]
)
@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(315.0, 45.0), (200.0, 30.0), (80.0, 60.0)])
def test_brightness_of_planes(rise_east, rise_north, azimuth_deg, elevation_deg):
    row, column = np.mgrid[:4, :5]
    plane = rise_east * 2.0 * column - rise_north * 2.0 * row
    normal = np.cross([1.0, 0.0, rise_east], [0.0, 1.0, rise_north])
    azimuth, elevation = np.deg2rad([azimuth_deg, elevation_deg])
    light = [np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)]
    expected = max(normal @ light / np.linalg.norm(normal), 0.0)
    shade = hillshade(plane, 2.0, light_azimuth_deg=azimuth_deg, light_elevation_deg=elevation_deg)
    assert shade == pytest.approx(np.full((4, 5), expected))


def test_maps_are_lit_from_the_north_west():
    slope = np.arange(5.0)
    faces_west, faces_east = (
        hillshade(slope[None, :] * np.ones((5, 1)), 1.0),
        hillshade(-slope * np.ones((5, 1)), 1.0),
    )
    faces_north, faces_south = (hillshade(side * slope[:, None] * np.ones(5), 1.0) for side in (1.0, -1.0))
    assert faces_west[2, 2] > faces_east[2, 2]
    assert faces_north[2, 2] > faces_south[2, 2]


def test_the_picture_is_grey_where_the_ground_is_known_and_clear_elsewhere():
    from io import BytesIO

    from matplotlib.image import imread

    shade = np.array([[0.0, 0.5, 1.0, np.nan], [1.0, np.nan, 0.25, 0.0]])
    pixels = imread(BytesIO(hillshade_png(shade)))
    assert pixels.shape == (2, 4, 4)
    known = np.isfinite(shade)
    assert (pixels[..., 3] == known).all()
    for colour in range(3):
        assert pixels[known, colour] == pytest.approx(0.35 + 0.65 * shade[known], abs=0.003)
