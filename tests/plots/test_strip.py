"""The strip: the room around one satellite, readable in degrees."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.plots.labels import artist_box, text_box
from skysill.plots.strip import draw_strip, half_width_deg, strip_figure, write_strip
from skysill.plots.theme import PRINT_THEME, THEME, fixed_settings, new_figure


def _drawn(assessment, index=0):
    with fixed_settings():
        ax = new_figure(5.6, 6.0).add_axes((0.1, 0.1, 0.8, 0.8 * 5.6 / 6.0))
        return ax, draw_strip(ax, assessment, assessment.results[index].satellite.name)


def _words(figure):
    return [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]


def test_the_required_room_is_a_circle_of_its_angle(clinic):
    """atan(0.781 m / 6 m) = 7.42 degrees; the projection is true in every direction from the cross."""
    _, drawn = _drawn(clinic, 1)
    assert drawn.room.center == (0.0, 0.0)
    assert drawn.room.radius == pytest.approx(7.42, abs=0.01)
    assert drawn.ray.get_xydata()[0] == pytest.approx((0.0, 0.0))


def test_the_strip_has_the_same_scale_both_ways(clinic):
    figure = strip_figure(clinic, "Demo South")
    ax = next(ax for ax in figure.axes if ax.get_label() == "strip")
    right, up = ax.transData.transform([(1.0, 0.0), (0.0, 1.0)]) - ax.transData.transform((0.0, 0.0))
    assert right[0] == pytest.approx(up[1], rel=1e-9)


def test_the_margin_is_as_long_as_it_says(clinic):
    _, drawn = _drawn(clinic, 1)
    start, end = drawn.margin.get_xydata()
    assert start == pytest.approx((0.0, 0.0))
    assert end == pytest.approx((0.0, -7.1))
    assert "room 7.1°" in [placed.text.get_text() for placed in drawn.labels]
    assert "needed 7.4°" in [placed.text.get_text() for placed in drawn.labels]
    assert "gutter, 6 m" in [placed.text.get_text() for placed in drawn.labels]


def test_an_obstruction_aside_that_stands_higher_is_met_beside_the_ray(make_assessment, make_result):
    """The named edge is at the thing's top; the nearest obstructed direction is on its side, margin_deg away."""
    result = make_result(margin_deg=5.0)
    look = result.look
    # Napier: a vertical circle 5 degrees away stands asin(sin 5 / cos el) of azimuth aside
    aside = np.rad2deg(np.arcsin(np.sin(np.deg2rad(5.0)) / np.cos(np.deg2rad(look.elevation_apparent_deg))))
    control = replace(
        result.clearance.controlling, azimuth_deg=look.azimuth_deg + float(aside), elevation_deg=60.0
    )
    _, drawn = _drawn(
        make_assessment([replace(result, clearance=replace(result.clearance, controlling=control))])
    )
    assert np.hypot(*drawn.margin.get_xydata()[1]) == pytest.approx(5.0, abs=1e-6)


def test_obstructions_stand_at_their_heights(clinic):
    _, drawn = _drawn(clinic, 1)
    look = clinic.results[1].look
    for source, patch in drawn.areas:
        assert patch.get_hatch() == THEME.sources[source].hatch
    (measured,) = (patch for source, patch in drawn.areas if source == "measured")
    edge = np.asarray(measured.get_path().vertices)
    at_ray = edge[np.abs(edge[:, 0]) < 0.3][:, 1].max()
    assert at_ray == pytest.approx(17.0 - look.elevation_apparent_deg, abs=0.02)


def test_nearer_lower_edges_are_marked(make_assessment, make_result, make_silhouette):
    """A wall 6 m away at 15 degrees under a hill at 20 degrees 2 km behind it."""
    azimuth_deg = np.repeat(np.arange(160.0, 200.0, 0.5), 2)
    elevation_deg, distance_m = np.tile([15.0, 20.0], 80), np.tile([6.0, 2000.0], 80)
    ground = make_silhouette("terrain", azimuth_deg, elevation_deg, distance_m, spans=[[160.0, 200.0]])
    _, drawn = _drawn(make_assessment([make_result()], [ground]))
    (line,) = drawn.low_edges
    look = make_result().look
    low = line.get_ydata()[np.abs(line.get_xdata()) < 1.0]
    assert low == pytest.approx(15.0 - look.elevation_apparent_deg, abs=0.02)


def test_azimuths_nobody_looked_at_are_hatched(make_assessment, make_result):
    _, drawn = _drawn(make_assessment([make_result(verdict="unknown", control=None)]))
    assert [patch.get_hatch() for patch in drawn.uncovered] == [THEME.sources[""].hatch]
    assert drawn.room is None
    assert drawn.margin is None


def test_both_true_and_magnetic_bearings_are_named_at_round_numbers(clinic):
    words = _words(strip_figure(clinic, "Demo South"))
    assert "azimuth, true" in words
    assert "bearing, magnetic (compass)" in words
    assert "180°" in words
    _, drawn = _drawn(clinic, 1)
    shown = [int(text.get_text().rstrip("°")) for text in drawn.compass_ticks]
    assert len(shown) >= 3
    assert all(value % 5 == 0 for value in shown)


def test_a_compass_number_stands_where_the_compass_shows_it(clinic):
    """Declination at the clinic on 2026-06-14 is west: the compass shows more than the true azimuth does."""
    ax, drawn = _drawn(clinic, 1)
    look, height = clinic.results[1].look, ax.get_ylim()[1]
    assert look.declination_deg < -5.0
    for text in drawn.compass_ticks:
        true_deg = float(text.get_text().rstrip("°")) + look.declination_deg
        assert _azimuth_at(look, text.get_position()[0], height) == pytest.approx(true_deg, abs=0.05)


def _azimuth_at(look, x, y):
    """Azimuth of a point, by the inverse of the projection (Snyder, eqs. 20-14 and 20-15, from memory)."""
    c, here = np.deg2rad(np.hypot(x, y)), np.deg2rad(look.elevation_apparent_deg)
    up = np.arcsin(np.cos(c) * np.sin(here) + y * np.sin(c) * np.cos(here) / np.hypot(x, y))
    return look.azimuth_deg + np.rad2deg(np.arcsin(x / np.hypot(x, y) * np.sin(c) / np.cos(up)))


def _with_compass(made, source, turn_deg):
    from skysill.assessment.evidence import Evidence
    from skysill.pointing.compass import CompassCorrection

    return replace(made, evidence=Evidence(None, correction=CompassCorrection(turn_deg, 0.5, source)))


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("landmarks", "on the survey's compass"),
        ("sun", "on the survey's compass"),
        ("reference", "on the survey's scale"),
        ("declination", "bearing, magnetic (compass)"),
        ("true", "bearing, magnetic (compass)"),
    ],
)
def test_the_top_edge_is_the_surveys_own_compass_where_there_is_one(clinic, source, words):
    made = _with_compass(clinic, source, -14.0)
    assert words in _words(strip_figure(made, "Demo South"))
    _, drawn = _drawn(made, 1)
    turn_deg = -14.0 if "survey" in words else made.results[1].look.declination_deg
    [at] = [text.get_position()[0] for text in drawn.compass_ticks if text.get_text() == "195°"]
    height = drawn.ray.axes.get_ylim()[1]
    assert _azimuth_at(made.results[1].look, at, height) == pytest.approx(195.0 + turn_deg, abs=0.05)


def test_near_the_zenith_no_two_numbers_touch_and_heights_are_named(make_assessment, make_result):
    """Azimuth lines run together towards the zenith, as at a site of 31 degrees south looking north."""
    result = make_result(verdict="unknown", control=None)
    for elevation_deg in (52.7, 70.0, 85.0):
        look = replace(
            result.look, azimuth_deg=13.2, elevation_apparent_deg=elevation_deg, declination_deg=-25.2
        )
        _, drawn = _drawn(make_assessment([replace(result, look=look)]))
        boxes = [text_box(text) for text in (*drawn.ticks, *drawn.compass_ticks)]
        assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
        assert any(text.get_text() in ("40°", "50°", "60°", "70°", "80°") for text in drawn.ticks)


def test_the_hatch_across_ground_is_explained_where_it_is_seen(make_assessment, make_result, make_silhouette):
    around = np.arange(150.0, 210.0, 0.5)
    short = make_silhouette("terrain", around, 20.0, 300.0)  # followed, but not far enough to count
    far = make_silhouette("terrain", around, 20.0, 300.0, spans=[[150.0, 210.0]])
    made = make_assessment([make_result(control=None)], [short])
    assert "seen, not far enough" in _words(strip_figure(made))
    _, drawn = _drawn(made)
    areas = [patch for source, patch in drawn.areas if source == "terrain"]
    assert len(areas) == 1  # one skyline, no slivers
    assert all(patch.get_zorder() > areas[0].get_zorder() for patch in drawn.uncovered)
    assert all(patch.get_facecolor()[3] == 0.0 for patch in drawn.uncovered)
    whole = make_assessment([make_result(control=None)], [far])
    assert "seen, not far enough" not in _words(strip_figure(whole))


def test_a_long_title_is_broken_and_not_cut(clinic):
    name = "Community clinic of Upper and Lower Skerrow with its two outbuildings"
    named = replace(clinic, site=replace(clinic.site, name=name))
    for figure in (strip_figure(named, "Demo South"), strip_figure(named, "Demo South", theme=PRINT_THEME)):
        title = [text.get_text() for text in figure.texts]
        assert f"{name}: sky around Demo South" in " ".join(title)
        assert not any("…" in line for line in title)
        boxes = [text_box(text) for text in figure.texts]
        assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
        assert all(box.x1 <= figure.bbox.x1 for box in boxes)


def test_the_key_fits_its_picture(clinic):
    for theme in (THEME, PRINT_THEME):
        figure = strip_figure(clinic, "Demo South", heading=False, theme=theme)
        box = artist_box(figure, figure.legends[0])
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.x1
        assert box.y0 >= 0.0


def test_labels_and_ticks_do_not_overlap(clinic):
    for index in range(3):
        _, drawn = _drawn(clinic, index)
        boxes = [text_box(text) for text in (*(placed.text for placed in drawn.labels), *drawn.ticks)]
        assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))


@pytest.mark.parametrize(("margin_deg", "half"), [(0.5, 11.0), (12.0, 18.0), (-3.0, 11.0), (70.0, 35.0)])
def test_the_window_holds_the_room_and_the_margin(make_result, margin_deg, half):
    """1.45 times the larger of 7.42 and the margin, rounded up, at most 35 degrees."""
    assert half_width_deg(make_result(margin_deg=margin_deg)) == half


def test_a_satellite_near_the_zenith_is_drawn_too(make_assessment, make_result, make_silhouette):
    result = make_result(verdict="clear", control=None)
    up = replace(result.look, azimuth_deg=300.0, elevation_apparent_deg=88.0)
    tree = make_silhouette("obstacle", np.arange(100.0, 140.0), 85.0, 3.0)
    _, drawn = _drawn(make_assessment([replace(result, look=up)], [tree]))
    (patch,) = (patch for _, patch in drawn.areas)
    nearest = np.hypot(*np.asarray(patch.get_path().vertices).T).min()
    # the law of cosines with sides 2 and 5 and 160 degrees between them at the zenith, flat enough there
    assert nearest == pytest.approx(np.sqrt(4.0 + 25.0 - 20.0 * np.cos(np.deg2rad(160.0))), abs=0.01)


def test_an_unknown_satellite_is_refused_with_the_known_ones(tmp_path, clinic):
    with pytest.raises(
        InputError, match=r'"Demo Nord" was not assessed\. Choose from: Demo East, Demo South'
    ):
        write_strip(tmp_path / "strip.png", clinic, "Demo Nord")
    assert list(tmp_path.iterdir()) == []


def test_the_same_assessment_gives_the_same_svg(tmp_path, clinic):
    for name in ("one.svg", "two.svg"):
        write_strip(tmp_path / name, clinic, "Demo South")
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
