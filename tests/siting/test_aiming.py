"""Aiming without a compass: turns, tilts and shadows, against plane geometry and against other rooms' answers."""

from __future__ import annotations

import datetime as dt
from math import asin, atan, atan2, cos, degrees, radians, sin, tan

import numpy as np
import pytest

from skysill.assessment.placement import place
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import wall
from skysill.model.scene import Scene
from skysill.model.site import (
    Mount,
    Roof,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import Landmark, Survey
from skysill.pointing.dish_pointing import (
    beam_half_width_deg,
    compass_point,
    face_tilt,
    side_of,
)
from skysill.pointing.look_vector import look_vector
from skysill.pointing.sun import sun_position
from skysill.pointing.sun_guides import local_zone, shadow_days, sun_guides
from skysill.siting.aiming import aim, guides

approx = pytest.approx

HERE = (58.0312, -24.6541)
SITE = Site("clinic", *HERE, ground_elevation_m=41.0, ground_source="given")
SOUTH = Satellite("Demo South", longitude_deg=-24.0)
MORNING = dt.datetime(2026, 6, 14, 6, tzinfo=dt.UTC)


def look_of(satellite: Satellite = SOUTH):
    return look_vector(*HERE, 47.0, satellite, date=dt.date(2026, 6, 14))


def job_with(**more) -> Job:
    return Job(SITE, (SOUTH,), mounts=(Mount(),), terminal=Terminal(offset_angle_deg=17.0), **more)


def test_a_landmark_straight_east_is_a_quarter_turn_left_of_a_satellite_in_the_south():
    """Plane geometry: bearing 90, azimuth az: the turn is az - 90, to the right."""
    latitude, longitude = offset_position(*HERE, 1000.0, 0.0)
    job = job_with(sources=Sources(landmarks=(Landmark("spire", float(latitude), float(longitude)),)))
    [guide] = guides(job, place(job, job.mounts[0]), look_of())
    assert guide.bearing_deg == approx(90.0, abs=0.01)
    assert guide.distance_m == approx(1000.0, abs=0.1)
    assert guide.turn_deg == approx(look_of().azimuth_deg - 90.0, abs=0.01)
    assert guide.error_deg == approx(degrees(atan(5.0 / 1000.0)))
    assert guide.text == "89.2 degrees right of spire, seen from the mount."


def test_the_ridge_and_the_edges_of_the_roof_each_serve_once():
    """A roof 8 by 16 m whose ridge runs due north: 0.8 degrees and a quarter turn to the azimuth 179.2."""
    outline = ((-4.0, 1.0), (4.0, 1.0), (4.0, 17.0), (-4.0, 17.0))
    surface = ((-4, 1, 43.6), (0, 1, 46.2), (4, 1, 43.6), (-4, 17, 43.6), (0, 17, 46.2), (4, 17, 43.6))
    job = job_with(roof=Roof(outline=outline, surface=surface))
    ridge, edge = guides(job, place(job, Mount(north_m=2.0)), look_of())
    assert (ridge.kind, ridge.bearing_deg) == ("ridge", approx(180.0))
    assert ridge.text == "0.8 degrees left of the ridge line, looking along it to the south."
    assert (edge.kind, edge.bearing_deg) == ("roof edge", approx(90.0))


def test_a_wall_far_away_is_no_guide():
    near = wall("garden wall", [[0.0, 5.0, 42.0], [10.0, 15.0, 42.0]], ground_elevation_m=41.0)
    far = wall("far wall", [[0.0, 205.0, 42.0], [10.0, 205.0, 42.0]], ground_elevation_m=41.0)
    job = job_with(sources=Sources(scene=Scene((near, far))))
    [guide] = guides(job, place(job, Mount()), look_of())
    assert guide.name == "garden wall"
    assert guide.bearing_deg == approx(225.0)  # the way of the two that is nearer to the satellite
    assert guide.turn_deg == approx(look_of().azimuth_deg - 225.0)


@pytest.mark.parametrize(
    ("offset_deg", "sign", "word"), [(17.0, 1, "leans back"), (30.0, -1, "leans forward"), (24.1, 0, "plumb")]
)
def test_the_face_leans_by_elevation_less_offset(offset_deg, sign, word):
    """The beam leaves above the face's normal by the offset angle (geometry of an offset reflector)."""
    look = look_of()
    tilt = face_tilt(look, Terminal(offset_angle_deg=offset_deg))
    assert tilt.tilt_deg == approx(look.elevation_apparent_deg - offset_deg)
    assert word in tilt.text
    assert np.sign(round(tilt.tilt_deg, 1)) == sign


def test_no_offset_angle_no_tilt():
    assert face_tilt(look_of(), Terminal()) is None


def test_shadow_and_turn_lead_to_the_satellite_and_match_the_sun():
    """From where the sun stands (held elsewhere to published values): the shadow is opposite, tan of its height."""
    look = look_of()
    found = sun_guides((*HERE, 47.0), look, after_utc=MORNING)
    assert len(found) == 3
    assert [guide.time for guide in found] == sorted(guide.time for guide in found)
    for guide in found:
        sun = sun_position(guide.time, *HERE, 47.0)
        assert guide.bearing_deg == approx((sun.azimuth_deg + 180.0) % 360.0, abs=1e-6)
        assert guide.length_per_height == approx(1.0 / tan(radians(sun.elevation_apparent_deg)), rel=1e-6)
        assert (guide.bearing_deg + guide.turn_deg) % 360.0 == approx(look.azimuth_deg, abs=1e-6)
        assert 10.0 <= sun.elevation_apparent_deg <= 60.0
        assert 8 <= guide.time.hour < 18
        assert abs(guide.drift_deg_per_min) < 1.0


def test_one_of_the_times_puts_the_shadow_on_the_pointing_line():
    [on_line] = [g for g in sun_guides((*HERE, 47.0), look_of(), after_utc=MORNING) if g.on_line]
    assert on_line.on_line == "away"  # the sun stands in the south then, as the satellite does
    assert sun_position(on_line.time, *HERE, 47.0).azimuth_deg == approx(look_of().azimuth_deg, abs=0.01)
    assert "straight away from the satellite" in on_line.text


def test_where_the_sun_does_not_rise_high_enough_no_time_is_made_up():
    """At 88 N the sun's height is its declination within 2 degrees: under 10 until late March (+8 is 11 April)."""
    look = look_vector(75.0, 0.0, 0.0, Satellite("low", longitude_deg=0.0))
    winter = dt.datetime(2026, 10, 1, tzinfo=dt.UTC)
    times = [guide.time for guide in sun_guides((88.0, 0.0, 0.0), look, after_utc=winter)]
    assert all(time.date() > dt.date(2027, 4, 1) for time in times)


def test_times_keep_to_working_hours_of_the_zone_asked_for():
    zone = local_zone("Asia/Tokyo")
    look = look_vector(35.0, 139.0, 0.0, Satellite("s", longitude_deg=140.0))
    for guide in sun_guides((35.0, 139.0, 0.0), look, after_utc=MORNING, zone=zone):
        assert 8 <= guide.time.astimezone(zone).hour < 18
        assert "JST" in guide.text


def test_an_unknown_zone_is_refused_in_a_line():
    with pytest.raises(InputError, match='"Hollinsay/Skerrow" is not a time zone'):
        local_zone("Hollinsay/Skerrow")
    with pytest.raises(InputError, match="is not a time zone"):
        local_zone("../../etc/passwd")


def test_going_back_with_the_same_compass():
    """The compass read 8 degrees too little at the landmark: it will at the satellite, too."""
    latitude, longitude = offset_position(*HERE, 0.0, 2000.0)
    mark = Landmark("cairn", float(latitude), float(longitude), measured_bearing_deg=352.0)
    job = job_with(
        sources=Sources(landmarks=(mark,), survey=Survey(bearings="magnetic", date=dt.date(2026, 6, 14)))
    )
    found = aim(job, place(job, Mount()), look_of(), after_utc=None)
    assert found.survey_bearing_source == "landmarks"
    assert found.survey_bearing_deg == approx(look_of().azimuth_deg - 8.0, abs=0.01)


def test_words_for_directions():
    assert side_of(-23.4) == "23.4 degrees left of"
    assert [compass_point(b) for b in (0.0, 359.0, 90.0, 191.3)] == [
        "north",
        "north",
        "east",
        "south-south-west",
    ]


def test_half_the_beam_of_the_highest_frequency():
    """70 lambda / D: 1.2 m at 29.5 GHz gives 0.59 degrees in all (tapered dish, from memory)."""
    terminal = Terminal(dish_diameter_m=1.2, receive_ghz=19.7, transmit_ghz=29.5)
    assert beam_half_width_deg(terminal) == approx(35.0 * 0.299792458 / 29.5 / 1.2)


def almanac_sun(time_utc: dt.datetime, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Azimuth and geometric elevation, degrees, by the low-precision formulae of the Astronomical Almanac, page C24
    (0.01 degrees from 1950 to 2050; from memory).
    """
    n = (time_utc - dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC)).total_seconds() / 86400.0
    mean, anomaly = 280.460 + 0.9856474 * n, radians(357.528 + 0.9856003 * n)
    ecliptic = radians(mean + 1.915 * sin(anomaly) + 0.020 * sin(2 * anomaly))
    tilt = radians(23.439 - 0.0000004 * n)
    right_ascension = degrees(atan2(cos(tilt) * sin(ecliptic), cos(ecliptic)))
    declination = asin(sin(tilt) * sin(ecliptic))
    sidereal = 15.0 * ((18.697374558 + 24.06570982441908 * n) % 24.0)
    hour, latitude = radians(sidereal + longitude_deg - right_ascension), radians(latitude_deg)
    elevation = asin(sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour))
    east = -cos(declination) * sin(hour)
    north = sin(declination) * cos(latitude) - cos(declination) * sin(latitude) * cos(hour)
    return degrees(atan2(east, north)) % 360.0, degrees(elevation)


def test_the_shadows_of_some_days_agree_with_the_almanac():
    """Who turns by the turn from the shadow faces the satellite; on the line, sun and satellite have one azimuth."""
    look, zone = look_of(), local_zone("Atlantic/Azores")
    days = shadow_days((*HERE, 47.0), look, first=dt.date(2026, 3, 27), days=4, zone=zone)
    assert [day.date.isoformat() for day in days] == ["2026-03-27", "2026-03-28", "2026-03-29", "2026-03-30"]
    for day in days:
        assert len(day.hours) > 6
        for shadow in day.hours:
            local = shadow.time.astimezone(zone)
            assert (local.date(), local.minute) == (day.date, 0)
            azimuth_deg, elevation_deg = almanac_sun(shadow.time, *HERE)
            faced_deg = azimuth_deg + 180.0 + shadow.turn_to_satellite_deg
            assert (faced_deg - look.azimuth_deg + 180.0) % 360.0 - 180.0 == approx(0.0, abs=0.03)
            assert 9.9 <= elevation_deg <= 60.1
        [line] = day.on_line
        assert line.on_line == "away"
        assert almanac_sun(line.time, *HERE)[0] == approx(look.azimuth_deg, abs=0.03)


def test_in_the_dark_months_no_shadow_is_made_up():
    """At 65 N in December the sun's height at noon is 90 - 65 - 23.4 = 1.6 degrees."""
    look = look_vector(65.0, 0.0, 0.0, Satellite("low", longitude_deg=0.0))
    days = shadow_days((65.0, 0.0, 0.0), look, first=dt.date(2026, 12, 20), days=3)
    assert [(day.on_line, day.hours) for day in days] == [((), ())] * 3


def test_a_satellite_that_is_not_up_has_no_shadow_days():
    look = look_vector(58.0, -24.0, 0.0, Satellite("far", longitude_deg=150.0))
    assert shadow_days((58.0, -24.0, 0.0), look, first=dt.date(2026, 6, 1), days=1) == ()


def test_straight_overhead_no_line_on_the_ground_leads_to_the_satellite():
    overhead = look_vector(0.0, 13.0, 0.0, Satellite("Demo", longitude_deg=13.0))
    job = job_with()
    assert guides(job, place(job, job.mounts[0]), overhead) == ()
    place_m = (0.0, 13.0, 0.0)
    assert sun_guides(place_m, overhead, after_utc=dt.datetime(2027, 3, 1, tzinfo=dt.UTC), zone=dt.UTC) == ()


def test_a_landmark_as_near_as_twice_its_error_is_no_guide():
    """5 m of error, as documented: at 9 m it could stand anywhere."""
    for distance_m, count in ((9.0, 0), (12.0, 1)):
        latitude, longitude = offset_position(*HERE, distance_m, 0.0)
        job = job_with(sources=Sources(landmarks=(Landmark("gate", float(latitude), float(longitude)),)))
        assert len(guides(job, place(job, job.mounts[0]), look_of())) == count


def test_a_direction_straight_along_is_said_so():
    assert side_of(0.0) == "straight along"
    assert side_of(12.34) == "12.3 degrees right of"
    assert side_of(-12.34) == "12.3 degrees left of"
