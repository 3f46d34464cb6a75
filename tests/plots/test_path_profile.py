"""The path profile: ground, ray, zones and features in the vertical plane of one satellite."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from skysill.plots.labels import text_box
from skysill.plots.path_profile import draw_path_profile, path_profile_figure, write_path_profile
from skysill.plots.theme import THEME, fixed_settings, new_figure
from skysill.plots.vertical_section import VerticalSection

SOUTH, WEST = 1, 2


def _drawn(assessment, index=SOUTH, *, far_m=None, from_m=0.0):
    section = VerticalSection.of(assessment, index)
    height_in, _ = section.panel(section.ranges_m()[0] if far_m is None else far_m)
    with fixed_settings():
        figure = new_figure(5.6, height_in + 1.0)
        ax = figure.add_axes((0.76 / 5.6, 0.5 / (height_in + 1.0), 4.72 / 5.6, height_in / (height_in + 1.0)))
        return ax, draw_path_profile(
            ax, assessment, assessment.results[index].satellite.name, far_m=far_m, from_m=from_m
        )


def _words(figure):
    return [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]


def test_the_ray_leaves_the_dish_at_the_apparent_elevation(clinic):
    _, drawn = _drawn(clinic)
    (x0, y0), (x1, y1) = drawn.ray.get_xydata()
    assert (x0, y0) == pytest.approx((0.0, 47.7))
    up_deg = math.degrees(math.atan2(y1 - y0, x1 - x0))
    assert up_deg == pytest.approx(clinic.results[SOUTH].look.elevation_apparent_deg)


def test_the_ground_falls_away_by_the_earths_curvature(clinic):
    """Level ground 3 km out lies s**2 / 2R below the dish's plane: 0.53 m at R = 6370 km x 4/3 (from memory)."""
    _, drawn = _drawn(clinic, far_m=6000.0)
    x, y = drawn.ground.get_xydata().T
    far = np.argmin(np.abs(x - 3975.0))
    hill_m = 300.0 * math.exp(-(((x[far] - 2300.0) / 500.0) ** 2))
    assert y[far] == pytest.approx(41.0 + hill_m - x[far] ** 2 / (2.0 * 6.37e6 * 4.0 / 3.0), abs=0.02)
    assert "Ground lowered for Earth curvature, refraction factor 1.33" in _words(
        path_profile_figure(clinic, "Demo South")
    )


def test_the_zones_have_their_widths(clinic):
    """At 100 m and 19.7 GHz: F1 = sqrt(0.015218 x 100) = 1.2336 m; 0.6 F1 = 0.7402; D/2 + 0.6 F1 = 1.3402."""
    _, drawn = _drawn(clinic)
    up_rad = math.radians(clinic.results[SOUTH].look.elevation_apparent_deg)
    along, across = (math.cos(up_rad), math.sin(up_rad)), (-math.sin(up_rad), math.cos(up_rad))
    for name, half_m in (("zone", 1.2336), ("part", 0.7402), ("room", 1.3402)):
        corners = drawn.zones[name].get_xy() - (0.0, 47.7)
        there, side = corners @ along, corners @ across
        upper = side > 0.0
        order = np.argsort(there[upper])
        width_m = np.interp(100.0, there[upper][order], side[upper][order])
        assert width_m == pytest.approx(half_m, abs=0.003)  # straight between drawn points


def test_readings_and_obstacles_stand_where_they_are(clinic):
    _, drawn = _drawn(clinic, far_m=30.0)
    features = {feature.name: (feature, line) for feature, line in drawn.features}
    gutter, line = features["gutter"]
    below_deg = clinic.results[SOUTH].look.elevation_apparent_deg - 7.1  # it controls: drawn where it does
    assert line.get_xdata()[1] == pytest.approx(6.0 * math.cos(math.radians(below_deg)))
    assert line.get_ydata()[1] == pytest.approx(47.7 + 6.0 * math.sin(math.radians(below_deg)))
    assert line.get_ydata()[0] == pytest.approx(41.0, abs=0.1)  # down to the ground
    assert line.get_marker() == THEME.sources["measured"].marker
    wire, line = features["wire"]
    assert line.get_ydata() == pytest.approx(
        [47.7 + 15.0 * math.sin(math.radians(deg)) for deg in (37.6, 38.4)]
    )
    assert not gutter.assumed
    assert wire.floor_m is not None


def test_a_distance_nobody_measured_is_said_to_be_assumed(make_assessment, make_result, make_silhouette):
    hedge = make_silhouette(
        "measured", np.arange(170.0, 190.0), 15.0, np.nan, name="hedge", spans=[[170.0, 190.0]]
    )
    made = make_assessment([make_result(control=None)], [hedge])
    _, drawn = _drawn(made, 0)
    ((feature, line),) = drawn.features
    assert feature.assumed
    assert line.get_xdata()[1] == pytest.approx(10.0 * math.cos(math.radians(15.0)))
    assert "hedge, 10 m (assumed)" in [placed.text.get_text() for placed in drawn.labels]


def test_features_far_off_the_azimuth_are_left_out(make_assessment, make_result, make_silhouette):
    tree = make_silhouette("obstacle", np.arange(140.0, 150.0), 30.0, 20.0, name="tree")
    _, drawn = _drawn(make_assessment([make_result(control=None)], [tree]), 0)
    assert drawn.features == []


def test_the_label_gives_the_room_in_metres(clinic):
    _, drawn = _drawn(clinic, far_m=30.0)
    words = [placed.text.get_text() for placed in drawn.labels]
    assert "gutter, 6 m\nroom 0.74 m, needed 0.78 m" in words
    assert "ray, 24.1° up" in words


def test_labels_do_not_overlap(clinic):
    for index in (0, SOUTH, WEST):
        for far_m in VerticalSection.of(clinic, index).ranges_m():
            _, drawn = _drawn(clinic, index, far_m=far_m)
            boxes = [text_box(placed.text) for placed in drawn.labels]
            assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))


def test_the_mast_is_as_tall_as_the_mount(clinic):
    _, drawn = _drawn(clinic)
    assert drawn.mast.get_ydata() == pytest.approx([46.2, 47.7])


def test_a_far_hill_and_a_near_gutter_get_a_panel_each(clinic):
    far_m, near_m = VerticalSection.of(clinic, SOUTH).ranges_m()
    assert 2300.0 < far_m < 6000.0  # beyond the hill's top, and no farther than the ground goes
    assert near_m < 60.0
    _, drawn = _drawn(clinic, far_m=far_m, from_m=near_m)
    assert [feature.name for feature, _ in drawn.features if feature.level_m < near_m] == []
    assert (
        sum(ax.get_label().startswith("path to") for ax in path_profile_figure(clinic, "Demo South").axes)
        == 2
    )


def test_stretched_heights_are_said(make_assessment, make_result, make_path):
    low = make_result(control=None)
    low = replace(low, look=replace(low.look, elevation_apparent_deg=3.0))
    made = make_assessment([low], paths=(make_path(),))
    stretch = VerticalSection.of(made, 0).panel(2900.0)[1]
    assert stretch > 1.5
    assert any(word.startswith("heights drawn ") for word in _words(path_profile_figure(made)))
    assert VerticalSection.of(made, 0).panel(30.0)[1] >= 1.0


def test_ground_nobody_knows_is_hatched_and_not_bridged(clinic):
    _, drawn = _drawn(clinic, WEST)
    (band,) = drawn.unknown
    assert band.get_hatch() == THEME.sources[""].hatch
    x = np.asarray(band.get_path().vertices)[:, 0]
    assert (x.min(), x.max()) == pytest.approx((900.0, 1500.0), abs=1.0)
    assert len(drawn.ground_area) == 2
    ground = drawn.ground.get_xydata()
    assert np.isnan(ground[(ground[:, 0] > 905.0) & (ground[:, 0] < 1495.0), 1]).all()


def test_without_a_raster_the_ground_is_flat_and_said_to_be_unknown(make_assessment, make_result):
    made = make_assessment([make_result()])
    _, drawn = _drawn(made, 0)
    assert drawn.ground.get_ydata() == pytest.approx([41.0, 41.0])  # the site's own ground
    assert drawn.ground.get_linestyle() != "-"
    assert "Ground along the way not known: drawn flat" in _words(path_profile_figure(made))


def test_without_any_datum_heights_count_from_the_mounts_foot(make_assessment, make_result):
    made = make_assessment([make_result()])
    mount = replace(made.mount, antenna_elevation_m=None, surface_elevation_m=None)
    made = replace(made, mount=mount, site=replace(made.site, ground_elevation_m=None))
    _, drawn = _drawn(made, 0)
    assert drawn.mast.get_ydata() == pytest.approx([0.0, 1.5])
    assert drawn.ground.get_ydata() == pytest.approx([0.0, 0.0])
    assert "above the mount's foot, m" in _words(path_profile_figure(made))


@pytest.mark.parametrize("up_deg", [-15.0, 0.0, 0.4, 45.0, 89.9])
def test_any_elevation_can_be_drawn(make_assessment, make_result, make_path, up_deg):
    result = make_result(control=None)
    result = replace(result, look=replace(result.look, elevation_apparent_deg=up_deg))
    figure = path_profile_figure(make_assessment([result], paths=(make_path(),)))
    for ax in figure.axes:
        low, high = ax.get_ylim()
        assert np.isfinite([low, high]).all()
        assert low != high


def test_the_same_assessment_gives_the_same_svg(tmp_path, clinic):
    for name in ("one.svg", "two.svg"):
        write_path_profile(tmp_path / name, clinic, "Demo South")
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
