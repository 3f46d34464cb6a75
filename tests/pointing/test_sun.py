"""Crossings, seasons in the beam, shadows, and what sun or shade proves."""

import datetime as dt

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.model.site import Satellite
from skysill.pointing.look_vector import look_vector
from skysill.pointing.orbits import read_orbits
from skysill.pointing.shadows import lit_means, shadows
from skysill.pointing.sun import (
    alignments,
    interference_half_angle_deg,
    sun_crossings,
    sun_direction,
    sun_near,
    sun_position,
    sun_report,
    sunlight_elevation_deg,
)
from skysill.units import direction_enu

approx = pytest.approx
CLINIC = (58.0312, -24.6541, 47.7)
DEMO_SOUTH = Satellite("Demo South", longitude_deg=-24.0)
UTC = dt.UTC


def crossings_of(place, azimuth_deg, first, last, elevation_deg=24.1):
    return sun_crossings(
        *place, azimuth_deg=azimuth_deg, satellite_elevation_deg=elevation_deg, first_utc=first, last_utc=last
    )


def test_the_sun_crosses_due_south_at_local_apparent_noon():
    """Equation of time, +16.4 min on 3 November (from memory): at 15 W noon is 13:00 - 16.4 min."""
    [noon] = crossings_of((50.0, -15.0, 0.0), 180.0, dt.datetime(2026, 11, 3), dt.datetime(2026, 11, 4))
    assert noon.time.tzinfo is UTC
    assert abs(noon.time - dt.datetime(2026, 11, 3, 12, 43, 36, tzinfo=UTC)) < dt.timedelta(seconds=10)
    assert noon.sun_elevation_deg == approx(90.0 - 50.0 - 15.0, abs=0.3)  # declination -15 in early November


def test_at_each_crossing_the_sun_stands_at_the_azimuth_and_is_up():
    found = crossings_of(CLINIC, 200.0, dt.datetime(2026, 1, 1), dt.datetime(2026, 3, 1))
    assert len(found) == 59
    angles = sun_direction([crossing.time for crossing in found], *CLINIC)
    assert angles.azimuth_deg == approx(200.0, abs=0.01)
    bent = np.array([crossing.sun_elevation_deg for crossing in found]) - angles.elevation_deg
    assert (bent > 0.0).all()
    assert (bent < 0.3).all()


def test_the_range_takes_its_first_moment_and_not_its_last():
    [noon] = crossings_of(CLINIC, 180.0, dt.datetime(2026, 6, 1), dt.datetime(2026, 6, 2))
    later = noon.time + dt.timedelta(seconds=2)
    assert crossings_of(CLINIC, 180.0, dt.datetime(2026, 6, 1), later)
    assert not crossings_of(CLINIC, 180.0, later, later + dt.timedelta(hours=23))


@pytest.mark.parametrize("month", [6, 12])
def test_polar_winter_has_no_crossing_and_says_so(month):
    """Sun below the horizon all day from late November to mid January at 69.65 N (common knowledge, no source)."""
    place, satellite = (69.6492, 18.9553, 10.0), Satellite("Demo East", longitude_deg=5.5)
    day = dt.datetime(2026, month, 20)
    report = sun_report(
        *place, satellite, half_angle_deg=0.7, first_utc=day, last_utc=day + dt.timedelta(days=1)
    )
    if month == 12:
        assert report.crossings == ()
        assert report.notes == (
            "From 2026-12-20 00:00 to 2026-12-21 00:00 UTC the sun is never up at the azimuth of Demo East, "
            "194.3 degrees.",
        )
    else:
        assert len(report.crossings) == 1


def test_a_satellite_below_the_horizon_or_overhead_has_no_crossing_and_says_so():
    day = {"first_utc": dt.datetime(2026, 6, 1), "last_utc": dt.datetime(2026, 6, 2), "half_angle_deg": 0.7}
    below = sun_report(*CLINIC, Satellite("Demo Far", longitude_deg=-140.0), **day)
    assert below.notes == ("Demo Far is below the horizon here: the sun cannot cross it.",)
    assert (below.crossings, below.alignments) == ((), ())
    above = sun_report(0.0, 13.0, 0.0, Satellite("Demo Up", longitude_deg=13.0), **day)
    assert above.notes == ("Demo Up is straight overhead, without an azimuth: the sun cannot cross it.",)


def test_straight_overhead_the_sun_stands_on_the_satellite_at_the_equinoxes():
    """Equinoxes of 2027: 20 March 20:25 and 23 September 06:02 UTC (from memory): peaks within a day."""
    report = sun_report(
        0.0, 13.0, 0.0, Satellite("Demo Up", longitude_deg=13.0), half_angle_deg=0.7,
        first_utc=dt.datetime(2027, 1, 1), last_utc=dt.datetime(2028, 1, 1),
    )  # fmt: skip
    peaks = [season.peak_time for season in report.alignments]
    assert len(peaks) == 2
    assert abs(peaks[0] - dt.datetime(2027, 3, 20, 20, 25, tzinfo=UTC)) < dt.timedelta(days=0.6)
    assert abs(peaks[1] - dt.datetime(2027, 9, 23, 6, 2, tzinfo=UTC)) < dt.timedelta(days=0.6)


def seasons_of(place, satellite_longitude_deg, half_angle_deg, first, last):
    look = look_vector(*place, Satellite("Demo", longitude_deg=satellite_longitude_deg))
    return alignments(
        *place, azimuth_deg=look.azimuth_deg, elevation_deg=look.elevation_deg, half_angle_deg=half_angle_deg,
        first_utc=first, last_utc=last,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("place", "satellite_longitude_deg", "spring", "autumn"),
    [
        ((60.1699, 24.9384, 26.0), 23.5, ("2027-02-28T10:39:01", 0.0754), ("2027-10-14T10:12:32", 0.094)),
        ((52.0, 5.0, 10.0), 9.0, ("2027-03-01T11:34:42", 0.1218), ("2027-10-12T11:08:54", 0.0473)),
        ((-0.3, 36.9, 1795.0), 36.5, ("2027-03-21T09:41:33", 0.1654), ("2027-09-23T09:26:45", 0.1084)),
        ((-33.8688, 151.2093, 58.0), 156.0, ("2027-04-04T01:36:25", 0.0762), ("2027-09-09T01:30:49", 0.0182)),
    ],
)  # fmt: skip
def test_two_seasons_a_year_peak_when_two_programs_say(place, satellite_longitude_deg, spring, autumn):
    """sun_transits_2027.csv. Both sides are rounded to a second."""
    year = dt.datetime(2027, 1, 1), dt.datetime(2028, 1, 1)
    seasons = seasons_of(place, satellite_longitude_deg, 0.7, *year)
    assert len(seasons) == 2
    for season, (peak, separation_deg) in zip(seasons, (spring, autumn), strict=True):
        peak = dt.datetime.fromisoformat(peak).replace(tzinfo=UTC)
        assert abs(season.peak_time - peak) <= dt.timedelta(seconds=1)
        assert season.separation_deg == approx(separation_deg, abs=2e-4)


def test_length_of_outage_and_season_follow_the_geometry():
    """The sun moves 0.25 degrees a minute and 0.38 degrees of declination a day near the equinox.

    A 1.2 m dish at 20 GHz: half angle 0.69 degrees, at most 5.5 minutes and 3 to 4 days.
    """
    half_angle_deg = interference_half_angle_deg(dish_diameter_m=1.2, receive_ghz=20.0)
    assert half_angle_deg == approx(0.437 + 0.25, abs=0.001)
    for season in seasons_of(
        (52.0, 5.0, 10.0), 9.0, half_angle_deg, dt.datetime(2027, 1, 1), dt.datetime(2028, 1, 1)
    ):
        chord_deg = 2.0 * np.sqrt(half_angle_deg**2 - season.separation_deg**2)
        assert season.longest_outage_min == approx(chord_deg / 0.25, rel=0.02)
        assert (season.season_end - season.season_start).days + 1 in (3, 4)


def test_at_the_edges_of_a_season_the_sun_is_a_half_angle_away():
    from skysill.units import separation_deg

    place, half_angle_deg = (52.0, 5.0, 10.0), 1.5
    look = look_vector(*place, Satellite("Demo", longitude_deg=9.0))
    year = dt.datetime(2027, 1, 1), dt.datetime(2028, 1, 1)
    for season in seasons_of(place, 9.0, half_angle_deg, *year):
        sun = sun_direction([season.season_start, season.season_end], *place)
        apart = separation_deg(sun.azimuth_deg, sun.elevation_deg, look.azimuth_deg, look.elevation_deg)
        assert apart == approx(half_angle_deg, abs=0.005)  # a second is 0.004 degrees


def test_a_season_that_touches_the_range_is_given_whole():
    year = dt.datetime(2027, 1, 1), dt.datetime(2028, 1, 1)
    whole = seasons_of((52.0, 5.0, 10.0), 9.0, 1.5, *year)
    assert (
        seasons_of((52.0, 5.0, 10.0), 9.0, 1.5, dt.datetime(2027, 3, 1), dt.datetime(2027, 3, 2)) == whole[:1]
    )
    assert seasons_of((52.0, 5.0, 10.0), 9.0, 1.5, dt.datetime(2027, 6, 1), dt.datetime(2027, 7, 1)) == ()


def test_a_sunlit_lower_sun_proves_the_path_and_shade_does_not():
    sentence = lit_means(10.0, 24.1)
    assert "leaves the path at 24.1 degrees free" in sentence
    assert (
        "In shade: something reaches 10.0 degrees; whether it reaches the satellite is not known." in sentence
    )


def test_a_shaded_higher_sun_hides_the_satellite_and_sunlight_proves_little():
    sentence = lit_means(50.0, 24.1)
    assert "only the sky at 50.0 degrees is proved free, not the path below it at 24.1" in sentence
    assert "hides the satellite as well" in sentence


@pytest.mark.parametrize("sun_elevation_deg", [23.9, 24.1, 24.3])
def test_a_sun_at_the_satellites_height_proves_both(sun_elevation_deg):
    sentence = lit_means(sun_elevation_deg, 24.1)
    assert "Sunlit: the centre of the path is free" in sentence
    assert "In shade: the path is obstructed." in sentence


def test_a_shadow_points_away_from_the_sun_and_is_as_long_as_the_cotangent():
    noon = dt.datetime(2026, 6, 14, 13, 39)
    [shadow] = shadows([noon], *CLINIC, azimuth_deg=179.2)
    sun = sun_position(noon, *CLINIC)
    assert shadow.bearing_deg == approx((sun.azimuth_deg + 180.0) % 360.0)
    assert shadow.length_per_height == approx(1.0 / np.tan(np.deg2rad(sun.elevation_apparent_deg)))
    assert (shadow.bearing_deg + shadow.turn_to_satellite_deg) % 360.0 == approx(179.2)


def test_a_low_sun_casts_no_usable_shadow():
    night = [dt.datetime(2026, 12, 1, hour) for hour in (0, 13, 23)]
    assert [shadow.time.hour for shadow in shadows(night, *CLINIC)] == [13]


def test_the_report_has_the_position_asked_for():
    day = dt.datetime(2026, 6, 14)
    report = sun_report(
        *CLINIC, DEMO_SOUTH, half_angle_deg=0.7, first_utc=day, last_utc=day + dt.timedelta(days=1),
        time_utc=dt.datetime(2026, 6, 14, 12),
    )  # fmt: skip
    assert report.position == sun_position(dt.datetime(2026, 6, 14, 12, tzinfo=UTC), *CLINIC)
    assert report.position.elevation_apparent_deg > report.position.elevation_deg
    assert len(report.crossings) == 1
    assert "shadow at the dish centre" in report.notes[0]


def test_a_moving_satellite_is_refused():
    lines = (
        "1 00005U 58002B   00179.78495062  .00000023  00000-0  28098-4 0  4753\n"
        "2 00005  34.2682 348.7242 1859667 331.7664  19.3264 10.82419157413667"
    )
    [(name, record)] = read_orbits(lines, "old.tle")
    day = dt.datetime(2026, 6, 14)
    with pytest.raises(
        InputError, match='"object 5" moves: the sun is compared with geostationary satellites only'
    ):
        sun_report(
            *CLINIC, Satellite(name, orbit=record), half_angle_deg=0.7, first_utc=day,
            last_utc=day + dt.timedelta(days=1),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "sentence"),
    [
        ("2026-06-14", "2026-06-14", "2026-06-14 00:00 to 2026-06-14 00:00 is no usable range of dates"),
        ("2026-06-14", "2026-06-01", "The end must come after the start, by at most ten years"),
        ("2026-06-14", "2046-06-14", "no usable range"),
        ("2098-06-14", "2100-06-14", "2100-06-14 is outside the sun's ephemeris"),
    ],
)
def test_ranges_that_cannot_be_meant_are_refused(first, last, sentence):
    with pytest.raises(InputError, match=sentence):
        crossings_of(CLINIC, 180.0, dt.datetime.fromisoformat(first), dt.datetime.fromisoformat(last))


@pytest.mark.parametrize(
    ("place", "azimuth_deg", "elevation_deg", "day"),
    [
        ((58.0312, -24.6541, 50.0), 179.23, 24.1, (2027, 3, 2)),
        ((-34.6, 18.9, 200.0), 8.5, 49.0, (2027, 9, 9)),
    ],
)
def test_the_minutes_near_the_satellite_are_those_of_a_dot_product_minute_by_minute(
    place, azimuth_deg, elevation_deg, day
):
    first = dt.datetime(*day, tzinfo=dt.UTC)
    found = sun_near(
        place, "Demo", azimuth_deg=azimuth_deg, elevation_deg=elevation_deg, first_utc=first, within_deg=5.0
    )
    minutes = [first + dt.timedelta(minutes=minute) for minute in range(1440)]
    sun = sun_direction(minutes, *place)
    height = sunlight_elevation_deg(sun.elevation_deg, place[2])
    ours, mark = direction_enu(sun.azimuth_deg, height), direction_enu(azimuth_deg, elevation_deg)
    near = (ours @ mark >= np.cos(np.deg2rad(5.0))) & (height > -1.0)
    assert near.any()
    wanted = [minutes[at] for at in np.flatnonzero(near)]
    assert len(found.spans) == 1
    assert found.spans[0] == (wanted[0], wanted[-1])
    assert found.season is None  # the day has its minutes
    before = first - dt.timedelta(days=40)  # the sun's declination is 10 degrees away then
    ahead = sun_near(
        place, "Demo", azimuth_deg=azimuth_deg, elevation_deg=elevation_deg, first_utc=before, within_deg=5.0
    )
    assert ahead.spans == ()
    assert ahead.season is not None
    assert ahead.season.season_start <= wanted[0] <= ahead.season.season_end


def test_below_the_horizon_the_sun_is_near_nothing():
    """On 1 January at 58 N the sun is down at 6 h; a mark at its azimuth and depth is no danger to anybody."""
    place, time = (58.0312, -24.6541, 0.0), dt.datetime(2027, 1, 1, 6, tzinfo=dt.UTC)
    sun = sun_direction([time], *place)
    assert float(np.squeeze(sun.elevation_deg)) < -10.0
    found = sun_near(
        place,
        "Demo",
        azimuth_deg=float(np.squeeze(sun.azimuth_deg)),
        elevation_deg=float(np.squeeze(sun.elevation_deg)),
        first_utc=time.replace(hour=0),
        within_deg=5.0,
    )
    assert found.spans == ()
