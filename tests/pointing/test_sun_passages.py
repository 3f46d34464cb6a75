"""The sun's passages of many places at once, against positions of other programs and against the ephemeris."""

import csv
import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.pointing.ephemeris import sun_at_azimuth, sunlight_elevation_deg
from skysill.pointing.orbits import julian_date
from skysill.pointing.sun_passages import sun_passages_s

PUBLISHED = Path(__file__).parents[1] / "published" / "sun_positions_four_programs.csv"


def test_passages_are_at_the_times_of_the_positions_that_other_programs_give():
    """tests/published/sun_positions_four_programs.csv: at `utc` the sun stands at that azimuth. Two of its
    programs (skyfield, pyerfa) differ by up to 0.0015 degrees where the sun is not near the zenith: at the slowest rate
    here, 0.18 degrees a minute, 0.5 s; 2 s are allowed. Rows with the sun near the zenith or down are left out.
    """
    with open(PUBLISHED, encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    compared = 0
    for row in rows:
        height_deg = float(row["sun_geometric_el_deg_skyfield_de421"])
        if not 1.0 < height_deg < 75.0:
            continue
        when = dt.datetime.fromisoformat(row["utc"])
        place = [float(row["site_lat_deg"])], [float(row["site_lon_deg"])]
        azimuth = [float(row["sun_true_az_deg_skyfield_de421"])]
        begins = when - dt.timedelta(hours=11)
        [seconds] = sun_passages_s(*place, azimuth, first_utc=begins)
        assert seconds == pytest.approx(11 * 3600.0, abs=2.0), row["id"]
        compared += 1
    assert compared >= 7


@pytest.mark.parametrize(
    "first", ["2026-03-20T00:00", "2026-06-21T03:10", "2026-12-21T17:30", "2027-09-09T23:59"]
)
def test_passages_are_those_of_the_ephemeris_anywhere(first):
    """Against `sun_at_azimuth`, which finds each passage by secant steps on the ephemeris: 0.1 s, none missed."""
    begins = dt.datetime.fromisoformat(first)
    rng = np.random.default_rng(7)
    latitude, longitude = rng.uniform(-80.0, 80.0, 25), rng.uniform(-180.0, 180.0, 25)
    azimuth = rng.uniform(0.0, 360.0, 25)
    found = sun_passages_s(latitude, longitude, azimuth, first_utc=begins)
    midnight, fraction = julian_date([begins])
    start = float(midnight[0] + fraction[0])
    for k in range(25):
        times, angles = sun_at_azimuth(
            (latitude[k], longitude[k], 0.0),
            azimuth_deg=azimuth[k],
            midnight=midnight[0] + np.arange(-1.0, 4.0),
        )
        up = sunlight_elevation_deg(angles.elevation_deg, 0.0) > 0.0
        wanted = times[up & (times >= start) & (times < start + 1.0)]
        if wanted.size:
            assert found[k] == pytest.approx((wanted[0] - start) * 86_400.0, abs=0.1)
        else:
            assert np.isnan(found[k])


def test_in_the_tropics_the_earlier_of_two_passages_counts():
    """At 10 degrees north in June the sun rises north of east, turns back in azimuth and passes 67.5 degrees twice."""
    begins = dt.datetime(2026, 6, 21)
    midnight, _ = julian_date([begins])
    times, _ = sun_at_azimuth((10.0, 0.0, 0.0), azimuth_deg=67.5, midnight=midnight[0] + np.arange(3.0))
    day = (times[times < midnight[0] + 1.0] - midnight[0]) * 86_400.0
    assert day.size == 2
    [seconds] = sun_passages_s([10.0], [0.0], [67.5], first_utc=begins)
    assert seconds == pytest.approx(day[0], abs=0.1)


@pytest.mark.parametrize("month", [1, 4, 8, 10, 12])
@pytest.mark.parametrize("after_s", [-70.0, -2.0, -0.5, 0.5, 2.0, 70.0])
def test_a_day_that_begins_near_a_passage_has_the_passages_that_fall_into_it(month, after_s):
    """A passage just before the day does not count; the next one does where it is no more than 24 hours later."""
    place, azimuth = (40.0, 11.0, 0.0), 215.0
    midnight, _ = julian_date([dt.datetime(2026, month, 14)])
    first, second = sun_at_azimuth(place, azimuth_deg=azimuth, midnight=midnight[0] + np.arange(3.0))[0][:2]
    begins = dt.datetime(2026, month, 14) + dt.timedelta(days=float(first - midnight[0]), seconds=after_s)
    [seconds] = sun_passages_s([place[0]], [place[1]], [azimuth], first_utc=begins)
    next_s = (second - first) * 86_400.0 - after_s
    wanted = -after_s if after_s < 0.0 else next_s if next_s < 86_400.0 else np.nan
    assert seconds == pytest.approx(wanted, abs=0.1, nan_ok=True)


def test_no_passage_below_the_horizon_or_without_an_azimuth_and_no_day_outside_the_ephemeris():
    found = sun_passages_s(
        [58.0, 58.0, -33.9], [-24.6] * 3, [0.0, np.nan, 180.0], first_utc=dt.datetime(2026, 6, 21)
    )
    assert np.isnan(found).all()
    with pytest.raises(InputError, match="outside the sun's ephemeris"):
        sun_passages_s([58.0], [-24.6], [180.0], first_utc=dt.datetime(1850, 1, 1))
