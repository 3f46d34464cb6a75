"""The sky view shows what the assessment says, at the right place and size."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from skysill.plots.labels import text_box
from skysill.plots.sky_view import draw_sky, project, sky_figure, write_sky_view
from skysill.plots.theme import THEME, fixed_settings
from skysill.pointing.look_vector import look_angles
from skysill.units import separation_deg


def _drawn(assessment):
    with fixed_settings():
        figure = sky_figure(assessment)
        ax = next(ax for ax in figure.axes if ax.get_label() == "sky")
        for artist in list(ax.get_children()):
            if artist not in (ax.patch, *ax.spines.values(), ax.xaxis, ax.yaxis, ax.title):
                try:
                    artist.remove()
                except (NotImplementedError, ValueError):
                    continue
        return figure, ax, draw_sky(ax, assessment)


@pytest.fixture(scope="module")
def drawn(clinic):
    return _drawn(clinic)[2]


@pytest.fixture(scope="module")
def words(clinic):
    return _words(sky_figure(clinic))


def _direction(x, y):
    """Azimuth and elevation of a place on the disc: the projection undone."""
    return np.rad2deg(np.arctan2(x, y)) % 360.0, 90.0 - np.hypot(x, y)


def _words(figure):
    return [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]


@pytest.mark.parametrize(
    ("azimuth_deg", "elevation_deg", "place"),
    [
        (0.0, 0.0, (0.0, 90.0)),  # north is up
        (90.0, 0.0, (90.0, 0.0)),  # east is right
        (180.0, 30.0, (0.0, -60.0)),
        (270.0, 45.0, (-45.0, 0.0)),
        (123.0, 90.0, (0.0, 0.0)),  # straight up is the middle
        (90.0, -20.0, (90.0, 0.0)),  # below the horizon: at the rim
    ],
)
def test_the_disc_is_laid_out_as_a_map(azimuth_deg, elevation_deg, place):
    assert np.array(project(azimuth_deg, elevation_deg)) == pytest.approx(np.array(place), abs=1e-9)


def test_the_picture_says_how_it_is_turned(drawn, words):
    assert "As on a map: north up, east right; the middle is straight up" in words
    letters = {text.get_text(): text.get_position() for text in drawn.notes}
    assert letters["N"][1] > 90.0
    assert letters["E"][0] > 90.0
    assert letters["S"][1] < -90.0
    assert letters["W"][0] < -90.0
    assert {"15°", "30°", "45°", "60°", "75°"} <= set(letters)


def test_the_title_names_site_mount_and_height(words):
    assert "Skerrow clinic: sky view" in words
    assert "gable pole: dish centre 1.5 m above what it stands on" in words


def test_each_satellite_stands_at_its_look_angles(clinic, drawn):
    for result, mark in zip(clinic.results, drawn.satellites, strict=True):
        azimuth_deg, elevation_deg = _direction(*mark.get_xydata()[0])
        assert azimuth_deg == pytest.approx(result.look.azimuth_deg)
        assert elevation_deg == pytest.approx(max(result.look.elevation_apparent_deg, 0.0))
        assert mark.get_marker() == THEME.verdicts[result.verdict].marker


def test_the_required_room_is_drawn_to_scale(clinic, drawn):
    """6 m away a 1.2 m dish at 19.7 GHz needs 0.6 + 0.6 sqrt(0.015218 x 6) = 0.781 m: atan(0.781/6) = 7.42 degrees."""
    look = clinic.results[1].look
    outline = _direction(*drawn.rooms[1].get_xy().T)
    apart_deg = separation_deg(*outline, look.azimuth_deg, look.elevation_apparent_deg)
    np.testing.assert_allclose(apart_deg, 7.42, atol=0.01)
    assert drawn.rooms[2] is None  # nothing controls: no room is made up


def test_each_label_says_the_verdict_in_words_and_none_overlap(clinic, drawn):
    assert [placed.text.get_text() for placed in drawn.labels] == [
        "Demo East\nBLOCKED",
        "Demo South\nMARGINAL",
        "Demo West\nUNKNOWN",
        "Demo Far\nbelow the horizon",
    ]
    boxes = [text_box(t) for t in (*(p.text for p in drawn.labels), *drawn.ticks, *drawn.notes)]
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)


def test_eight_satellites_a_degree_apart_keep_readable_labels(make_assessment, make_result, make_silhouette):
    verdicts = ["clear", "marginal", "blocked", "needs-survey", "unknown", "clear", "marginal", "clear"]
    results = [make_result(f"Demo Sat {k}", -27.0 + k, v) for k, v in enumerate(verdicts)]
    ground = make_silhouette("terrain", np.arange(0.0, 360.0), 12.0, 900.0, spans=[[0.0, 360.0]])
    _, ax, drawn = _drawn(make_assessment(results, [ground]))
    boxes = [text_box(placed.text) for placed in drawn.labels]
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
    frame = ax.get_window_extent()
    assert all(frame.x0 <= box.x0 and box.x1 <= frame.x1 and frame.y0 <= box.y0 for box in boxes)


def test_azimuths_nobody_looked_at_are_hatched_and_named(clinic, drawn):
    (sector,) = drawn.uncovered
    assert sector.get_hatch() == THEME.sources[""].hatch
    azimuth_deg, _ = _direction(*sector.get_path().vertices[:-1].T)
    turn = (azimuth_deg[np.hypot(*sector.get_path().vertices[:-1].T) > 1.0] - 300.0) % 360.0
    assert (turn.min(), turn.max()) == pytest.approx((0.0, 90.0), abs=1e-6)  # 300 clockwise to 30
    assert "not measured" in [text.get_text() for text in drawn.notes]


def test_with_no_source_the_whole_sky_is_hatched(make_assessment, make_result):
    _, _, drawn = _drawn(make_assessment([make_result(verdict="unknown", control=None)]))
    (sector,) = drawn.uncovered
    assert np.hypot(*sector.get_path().vertices.T).max() > 90.0
    assert "not measured" in [text.get_text() for text in drawn.notes]
    assert drawn.areas == []


def test_each_source_stands_at_its_height_with_its_own_hatch(clinic, drawn):
    highest = {}
    for source, patch in drawn.areas:
        assert patch.get_hatch() == THEME.sources[source].hatch
        elevation_deg = _direction(*np.asarray(patch.get_path().vertices).T)[1]
        highest[source] = max(highest.get(source, 0.0), elevation_deg.max())
    assert highest == pytest.approx({"terrain": 8.0, "measured": 17.0, "obstacle": 38.4}, abs=0.1)


def test_a_wire_overhead_is_an_area_with_a_lower_edge(clinic, drawn):
    """The wire fills 37.6 to 38.4 degrees over azimuths 150 to 210 and leaves the sky below it open."""
    wire = [
        patch for source, patch in drawn.areas
        if source == "obstacle" and _direction(*np.asarray(patch.get_path().vertices).T)[1].min() > 30.0
    ]  # fmt: skip
    (wire,) = wire
    azimuth_deg, elevation_deg = _direction(*np.asarray(wire.get_path().vertices).T)
    assert (elevation_deg.min(), elevation_deg.max()) == pytest.approx((37.6, 38.4), abs=0.1)
    assert (azimuth_deg.min(), azimuth_deg.max()) == pytest.approx((150.0, 209.5), abs=0.2)


def test_the_arc_passes_through_the_geostationary_satellites(clinic, drawn):
    arc = drawn.arc[0].get_xydata()
    arc = arc[np.isfinite(arc).all(axis=1)]
    for result in clinic.results[:3]:
        x, y = project(result.look.azimuth_deg, result.look.elevation_deg)
        assert np.hypot(arc[:, 0] - x, arc[:, 1] - y).min() < 0.3  # the arc is drawn every half degree


def test_longitudes_are_named_beside_their_ticks(clinic, drawn):
    assert drawn.ticks
    for text in drawn.ticks:
        number, side = text.get_text().rstrip("EW").rstrip("°"), text.get_text()[-1]
        longitude_deg = float(number) * (-1.0 if side == "W" else 1.0)
        azimuth_deg, elevation_deg, _ = look_angles(
            58.0312, -24.6541, 0.0, satellite_longitude_deg=longitude_deg
        )
        place = np.array(project(azimuth_deg, elevation_deg))
        assert np.hypot(*(place - text.get_position())) == pytest.approx(7.0, abs=1e-6)


def test_a_satellite_straight_up_stands_in_the_middle(make_assessment, make_result):
    from dataclasses import replace

    result = make_result(verdict="clear", control=None)
    up = replace(result.look, azimuth_deg=None, elevation_deg=90.0, elevation_apparent_deg=90.0)
    _, _, drawn = _drawn(make_assessment([replace(result, look=up)]))
    assert drawn.satellites[0].get_xydata()[0] == pytest.approx((0.0, 0.0), abs=1e-9)


def test_rows_tell_the_numbers_or_the_reason(words):
    words = " ".join(words)
    assert "gutter (measured), 6 m: room 7.1°, needed 7.4°." in words
    assert "hill (terrain), 2000 m: covers the ray by 2.0°." in words
    assert "Nobody looked west." in words
    assert "Below the horizon: elevation" in words


def test_enough_room_and_still_not_clear_says_why(make_assessment, make_result):
    near = make_result(margin_deg=9.0, reasons=("The hedge grows into it in 3 years.",))
    words = " ".join(_words(sky_figure(make_assessment([near]))))
    assert "room 9.0°, needed 7.4°. The hedge grows into it in 3" in words


def test_a_horizon_without_satellites_is_drawn_too(tmp_path, make_assessment, make_silhouette):
    ground = make_silhouette("terrain", np.arange(0.0, 360.0), 12.0, 900.0, spans=[[0.0, 360.0]])
    write_sky_view(tmp_path / "horizon.png", make_assessment([], [ground]))
    assert (tmp_path / "horizon.png").stat().st_size > 10_000


def test_the_same_assessment_gives_the_same_svg(tmp_path, clinic):
    for name in ("one.svg", "two.svg"):
        write_sky_view(tmp_path / name, clinic)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
