"""The sun's picture: its path, the satellite's azimuth, when they meet, and the seasons in the beam."""

from __future__ import annotations

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from skysill.model.site import Satellite, Site
from skysill.plots.labels import text_box
from skysill.plots.sun_path import draw_sun_crossings, draw_sun_path, sun_figure, write_sun, zone_name
from skysill.plots.theme import fixed_settings, new_figure
from skysill.pointing.look_vector import look_vector
from skysill.pointing.sun import Alignment, Crossing, SunReport

UTC = dt.UTC
SITE = Site("Skerrow clinic", 58.0312, -24.6541, 41.0, "given")
LOOK = look_vector(58.0312, -24.6541, 47.7, Satellite("Demo South", -24.0))
DAY = dt.datetime(2026, 6, 21, tzinfo=UTC)
NOON = SunReport(None, (Crossing(dt.datetime(2026, 6, 21, 13, 38, tzinfo=UTC), 55.4, "lit"),), ())
YEAR = SunReport(
    None,
    tuple(
        Crossing(dt.datetime(2026, 1, 1, 13, 30, tzinfo=UTC) + dt.timedelta(days=d), 20.0, "lit")
        for d in range(365)
    ),
    (
        Alignment(dt.datetime(2026, 2, 26, 13, 36, tzinfo=UTC), dt.datetime(2026, 3, 1, 13, 40, tzinfo=UTC),
                  dt.datetime(2026, 2, 28, 13, 38, tzinfo=UTC), 0.05, 6.0),
        Alignment(dt.datetime(2026, 10, 12, 13, 8, tzinfo=UTC), dt.datetime(2026, 10, 14, 13, 12, tzinfo=UTC),
                  dt.datetime(2026, 10, 13, 13, 10, tzinfo=UTC), 0.1, 5.0),
    ),
)  # fmt: skip


def _axes():
    return new_figure(5.6, 5.0).add_axes((0.15, 0.2, 0.8, 0.65))


def test_the_sun_culminates_at_the_solstice_at_the_height_that_the_obliquity_gives():
    """90 - latitude + 23.44 (obliquity of the ecliptic, from memory): 55.41 degrees at 58.0312 N."""
    with fixed_settings():
        drawn = draw_sun_path(_axes(), SITE, LOOK, NOON, first_utc=DAY)
    turn_deg, elevation_deg = drawn.path.get_xydata().T
    assert np.nanmax(elevation_deg) == pytest.approx(90.0 - 58.0312 + 23.44, abs=0.03)
    top = int(np.nanargmax(elevation_deg))
    assert turn_deg[top] + LOOK.azimuth_deg == pytest.approx(180.0, abs=1.5)  # drawn every four minutes


def test_satellite_and_crossing_stand_on_the_satellites_azimuth():
    with fixed_settings():
        drawn = draw_sun_path(_axes(), SITE, LOOK, NOON, first_utc=DAY)
    assert drawn.satellite.get_xydata()[0] == pytest.approx((0.0, LOOK.elevation_apparent_deg))
    (mark,) = drawn.crossings
    assert mark.get_xydata()[0] == pytest.approx((0.0, 55.4))
    words = [placed.text.get_text() for placed in drawn.labels]
    assert words == ["Demo South", "13:38\nsun 55.4° up"]
    one, other = (text_box(placed.text) for placed in drawn.labels)
    assert not one.overlaps(other)


def test_a_season_is_a_band_with_its_dates():
    with fixed_settings():
        drawn = draw_sun_crossings(
            _axes(), LOOK, YEAR, first_utc=dt.datetime(2026, 1, 1), last_utc=dt.datetime(2027, 1, 1)
        )
    assert len(drawn.crossings.get_xdata()) == 365
    assert [band.get_x() for band in drawn.seasons] == pytest.approx([56.567, 284.547], abs=0.001)
    assert all(band.get_hatch() for band in drawn.seasons)
    words = [placed.text.get_text() for placed in drawn.labels]
    assert words[0] == "sun in the beam\n26 Feb to 1 Mar\nup to 6 min a day"
    boxes = [text_box(placed.text) for placed in drawn.labels]
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))


def _words(figure):
    return [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]


def test_day_and_hours_are_those_of_the_zone_asked():
    """South African Standard Time is UTC+2, so the 11th of March begins there at 22:00 UTC of the 10th."""
    zone = ZoneInfo("Africa/Johannesburg")
    first = dt.datetime(2026, 3, 11, tzinfo=zone).astimezone(UTC)
    met = SunReport(None, (Crossing(dt.datetime(2026, 3, 11, 10, 20, tzinfo=UTC), 61.6, "lit"),), ())
    site = Site("Vlakwater lodge", -31.4172, 21.0318, 1182.0, "given")
    look = look_vector(-31.4172, 21.0318, 1182.0, Satellite("North 28", 28.0))
    words = _words(
        sun_figure(site, look, met, first_utc=first, last_utc=first + dt.timedelta(days=1), zone=zone)
    )
    assert "2026-03-11; times in SAST (UTC+02:00)" in words
    assert "12:20\nsun 61.6° up" in words
    with fixed_settings():
        drawn = draw_sun_path(_axes(), site, look, met, first_utc=first, zone=zone)
    turn_deg, elevation_deg = drawn.hours.get_xydata().T
    # local apparent noon there: 12:00 - 4 min * (21.03 - 30) + equation of time of 10 min = 12:46, so 13 is the highest
    names = [text.get_text() for text in drawn.hour_names]
    assert names[0] == "7"
    assert "18" in names
    assert names == sorted(names, key=int)
    assert 60.0 < elevation_deg.max() < 63.0
    assert turn_deg[0] > 0.0  # in the morning to the right of north, the south looking north


def test_hours_keep_off_the_path_and_inside_the_frame():
    for month in (3, 6, 12):
        day = dt.datetime(2026, month, 21, tzinfo=UTC)
        with fixed_settings():
            ax = _axes()
            drawn = draw_sun_path(ax, SITE, LOOK, SunReport(None, (), ()), first_utc=day)
        path = ax.transData.transform(drawn.path.get_xydata())
        frame = ax.get_window_extent()
        boxes = [text_box(text) for text in drawn.hour_names]
        assert len(boxes) >= 4
        for box in boxes:
            assert not box.count_contains(path[np.isfinite(path).all(axis=1)])
            assert (box.min >= frame.min).all()
            assert (box.max <= frame.max).all()
        assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))


def test_clock_ticks_are_round_and_every_name_fits_the_picture():
    for days in (40, 110, 365):
        first = dt.datetime(2026, 2, 11, tzinfo=UTC)
        last = first + dt.timedelta(days=days)
        some = SunReport(None, tuple(c for c in YEAR.crossings if first <= c.time < last), ())
        figure = sun_figure(SITE, LOOK, some, first_utc=first, last_utc=last)
        ax = figure.axes[0]
        hours = np.asarray(ax.get_yticks())
        assert np.allclose(hours * 4.0, np.round(hours * 4.0))
        names = [text for text in (*ax.get_xticklabels(), *ax.get_yticklabels()) if text.get_text()]
        assert all(text_box(text).x0 >= 0.0 and text_box(text).x1 <= figure.bbox.x1 for text in names)
        xs = [text_box(text) for text in ax.get_xticklabels()]
        assert not any(one.overlaps(other) for one, other in itertools.combinations(xs, 2))


def test_a_span_with_summer_time_names_both():
    """Lisbon keeps UTC+0 in winter and UTC+1 in summer (IANA time zone database)."""
    zone = ZoneInfo("Europe/Lisbon")
    months = [dt.datetime(2026, month, 1, tzinfo=zone) for month in (1, 7, 12)]
    assert zone_name(months[0], months[2]) == "WET (UTC+00:00) and WEST (UTC+01:00)"
    assert zone_name(months[0], months[0]) == "WET (UTC+00:00)"


def test_no_crossing_is_said():
    figure = sun_figure(
        SITE, LOOK, SunReport(None, (), ()), first_utc=DAY, last_utc=DAY + dt.timedelta(days=1)
    )
    words = [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]
    assert "the sun does not cross this azimuth while it is up" in words


@pytest.mark.parametrize("latitude_deg", [-90.0, -34.0, 0.0, 21.0, 89.9])
def test_the_sun_can_be_drawn_anywhere(latitude_deg):
    site = Site("somewhere", latitude_deg, 0.0, None)
    for month in (6, 12):
        first = dt.datetime(2026, month, 21, tzinfo=UTC)
        figure = sun_figure(
            site, LOOK, SunReport(None, (), ()), first_utc=first, last_utc=first + dt.timedelta(days=1)
        )
        assert np.isfinite(figure.axes[0].get_ylim()).all()


def test_the_same_report_gives_the_same_svg(tmp_path):
    for name in ("one.svg", "two.svg"):
        write_sun(tmp_path / name, SITE, LOOK, NOON, first_utc=DAY, last_utc=DAY + dt.timedelta(days=1))
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
