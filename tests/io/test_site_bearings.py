"""Bearings of obstacles and mounts: as the survey's, or as each says of itself.

The farm at Larkspur Bend is invented; declination there is checked against the published test values' own range.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from pytest import approx

from skysill.errors import InputError
from skysill.io.site_file import read_site_file
from skysill.pointing.compass import declination

PLACE = 'position = "33.5 S 70.2 E"\nground_elevation_m = 20.0\n'
OAK = '[[obstacle]]\nkind = "tree"\nname = "oak"\nbearing_deg = 90.0\ndistance_m = 40.0\nheight_m = 12.0\n'
ELM = OAK.replace("oak", "elm")
MAGNETIC = '[survey]\nbearings = "magnetic"\ndate = 2026-06-14\n'


def site(tmp_path, *parts):
    path = tmp_path / "farm.toml"
    path.write_text(PLACE + "".join(parts))
    return path


def azimuth_deg(obstacle):
    east_m, north_m = obstacle.centre_m
    return np.rad2deg(np.arctan2(east_m, north_m)) % 360.0


def test_an_obstacles_bearing_follows_the_surveys(tmp_path):
    # WMM2025 through its own function, which is held to the published test values elsewhere: large here, far west
    expected = declination(-33.5, 70.2, 20.0, dt.date(2026, 6, 14)).declination_deg
    assert abs(expected) > 15.0
    job = read_site_file(site(tmp_path, MAGNETIC, OAK))
    assert azimuth_deg(job.sources.scene.obstacles[0]) == approx((90.0 + expected) % 360.0, abs=1e-6)
    assert any(
        f"The magnetic bearings of obstacles are turned by {expected:+.1f} degrees" in note
        for note in job.sources.scene.notes
    )


def test_the_declinations_own_error_counts_in_an_obstacles_place(tmp_path):
    # across the line of sight: 40 m x tan(hypot(compass, declination)), both at one standard deviation
    sigma_deg = declination(-33.5, 70.2, 20.0, dt.date(2026, 6, 14)).sigma_deg
    obstacle = read_site_file(site(tmp_path, MAGNETIC, OAK)).sources.scene.obstacles[0]
    assert obstacle.errors.across_m == approx(40.0 * np.tan(np.deg2rad(np.hypot(1.0, sigma_deg))))


def test_true_bearings_stay_and_are_not_spoken_of(tmp_path):
    job = read_site_file(site(tmp_path, OAK))
    assert azimuth_deg(job.sources.scene.obstacles[0]) == approx(90.0)
    assert not any("turned" in note for note in job.sources.scene.notes)


def test_an_obstacle_may_say_that_its_bearing_is_of_another_kind(tmp_path):
    job = read_site_file(site(tmp_path, MAGNETIC, OAK + 'bearings = "true"\n'))
    assert azimuth_deg(job.sources.scene.obstacles[0]) == approx(90.0)


def test_relative_bearings_turn_by_the_zero_mark(tmp_path):
    survey = '[survey]\nbearings = "relative"\nreference_bearing_deg = 205.0\n'
    assert azimuth_deg(read_site_file(site(tmp_path, survey, OAK)).sources.scene.obstacles[0]) == approx(
        295.0
    )


def test_a_landmark_sighted_with_the_compass_corrects_the_obstacles_too(tmp_path):
    # due north by position, 12 degrees by the compass: every bearing of that compass is 12 too large
    mark = '[[landmarks]]\nname = "silo"\nposition = "33.40 S 70.2 E"\nmeasured_bearing_deg = 12.0\n'
    job = read_site_file(site(tmp_path, MAGNETIC, mark, OAK))
    assert azimuth_deg(job.sources.scene.obstacles[0]) == approx(78.0, abs=0.01)


def test_an_unsaid_mixture_is_refused(tmp_path):
    path = site(tmp_path, MAGNETIC, OAK + 'bearings = "true"\n', ELM)
    with pytest.raises(InputError) as caught:
        read_site_file(path)
    assert '[[obstacle]] number 2 ("elm")' in str(caught.value)
    assert 'Write bearings = "true", "magnetic" or "relative" with each.' in str(caught.value)
    both = site(tmp_path, MAGNETIC, OAK + 'bearings = "true"\n', ELM + 'bearings = "magnetic"\n')
    oak, elm = read_site_file(both).sources.scene.obstacles
    assert azimuth_deg(oak) == approx(90.0)
    assert azimuth_deg(elm) != approx(90.0, abs=5.0)


def test_crossed_sightings_follow_the_survey(tmp_path):
    survey = '[survey]\nbearings = "relative"\nreference_bearing_deg = 45.0\n'
    pole = '[[obstacle]]\nkind = "pole"\nheight_m = 8.0\nsightings = [[0, 0, 0], [20, 0, 270]]\n'
    # true 45 from the origin and true 315 from 20 m east of it cross at (10, 10)
    obstacle = read_site_file(site(tmp_path, survey, pole)).sources.scene.obstacles[0]
    assert obstacle.centre_m == approx((10.0, 10.0))


def test_a_mounts_bearing_is_true_unless_it_says_otherwise_and_the_result_says_so(tmp_path):
    mount = "[[mounts]]\nbearing_deg = 0.0\ndistance_m = 10.0\n"
    survey = '[survey]\nbearings = "relative"\nreference_bearing_deg = 90.0\n'
    job = read_site_file(site(tmp_path, survey, mount))
    assert (job.mounts[0].east_m, job.mounts[0].north_m) == approx((0.0, 10.0), abs=1e-9)
    assert any("mounts are taken as true though the survey's are relative" in note for note in job.notes)
    job = read_site_file(site(tmp_path, survey, mount + 'bearings = "relative"\n'))
    assert (job.mounts[0].east_m, job.mounts[0].north_m) == approx((10.0, 0.0), abs=1e-9)
    assert any("bearings of mounts are turned by +90.0 degrees" in note for note in job.notes)


def test_magnetic_bearings_without_a_date_name_the_key_that_is_missing(tmp_path):
    with pytest.raises(InputError, match="magnetic bearings need the date of the survey"):
        read_site_file(site(tmp_path, '[survey]\nbearings = "magnetic"\n', OAK))


def test_the_command_takes_the_day_it_is_asked_where_the_survey_has_none(tmp_path):
    from skysill.io.job_options import JobOptions
    from skysill.io.jobs import read_job

    path = site(tmp_path, '[survey]\nbearings = "magnetic"\n', OAK)
    job = read_job(JobOptions(site_file=str(path), satellite=("60E",), date=dt.date(2027, 1, 1)))
    expected = declination(-33.5, 70.2, 20.0, dt.date(2027, 1, 1)).declination_deg
    assert azimuth_deg(job.sources.scene.obstacles[0]) == approx((90.0 + expected) % 360.0, abs=1e-6)
