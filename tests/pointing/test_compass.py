"""Compass: declination against the model's own test values, bearings, and what landmarks say."""

from __future__ import annotations

import csv
import datetime as dt
import math
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job, Sources
from skysill.model.site import Satellite, Site
from skysill.model.survey import Landmark, SunSighting, Survey
from skysill.pointing.compass import (
    Sighting,
    compass_correction,
    decimal_year,
    declination,
    landmark_correction,
    magnetic_bearing,
    true_bearing,
)
from skysill.pointing.ephemeris import sun_direction
from skysill.pointing.survey_compass import compass_correction_of, survey_correction

PUBLISHED = Path(__file__).parents[1] / "published"
LAT, LON = 58.0312, -24.6541
CLINIC = {"latitude_deg": LAT, "longitude_deg": LON}


def rows() -> list[dict[str, str]]:
    with (PUBLISHED / "magnetic_declination.csv").open(newline="") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def landmark(name: str, *, true_deg: float, distance_m: float, correction_deg: float) -> Landmark:
    """A landmark seen at a true bearing from the clinic, with a compass that needs a correction."""
    turn_rad = math.radians(true_deg)
    lat, lon = offset_position(LAT, LON, distance_m * math.sin(turn_rad), distance_m * math.cos(turn_rad))
    return Landmark(name, float(lat), float(lon), (true_deg - correction_deg) % 360.0)


# --- declination ---


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["id"])
def test_declination_of_the_model_test_values(row: dict[str, str]) -> None:
    """WMM2025 test values (NOAA/NCEI), printed to 0.01 degree; X and Y, printed to six decimals, give 1e-5."""
    found = declination(
        float(row["lat_deg"]),
        float(row["lon_deg"]),
        float(row["height_km"]) * 1000.0,
        float(row["decimal_year"]),
    )
    assert found.declination_deg == pytest.approx(float(row["declination_deg"]), abs=0.01)
    assert found.declination_deg == pytest.approx(float(row["declination_deg_from_XY"]), abs=1e-5)
    assert found.horizontal_nt == pytest.approx(float(row["H_nT"]), abs=0.01)


def test_how_well_declination_is_known() -> None:
    """WMM2025 error model sqrt(0.26**2 + (5417/H)**2): 0.380 at 51.5 N, 0.12 W in 2026.9, H = 19557 nT."""
    assert declination(51.5, -0.12, 45.0, 2026.9).sigma_deg == pytest.approx(0.380, abs=5e-4)


def test_weak_fields_are_said() -> None:
    """Row W000 of the test values has H = 1504 nT, row W065 2582 nT; W005 14918 nT."""
    blackout = declination(89.0, -121.0, 28_000.0, 2025.0)
    assert blackout.notes == (
        "A compass cannot be used here: the horizontal magnetic field is 1504 nT (blackout zone, below 2000 nT). "
        "Take bearings from landmarks or the sun.",
    )
    caution = declination(79.0, 125.0, 75_000.0, 2028.0)
    assert caution.notes == (
        "A compass is weak here: the horizontal magnetic field is 2582 nT (caution zone, below 6000 nT), and "
        "declination is known to 2.1 degrees. Check it on landmarks or the sun.",
    )
    assert declination(-59.0, -8.0, 39_000.0, 2025.0).notes == ()


def test_dates_outside_the_model_are_refused() -> None:
    assert declination(LAT, LON, 0.0, dt.date(2025, 1, 1)).notes == ()
    assert declination(LAT, LON, 0.0, dt.date(2029, 12, 31)).notes == ()
    for date, shown in (
        (dt.date(2024, 12, 31), "2024-12-31"),
        (dt.date(2030, 1, 2), "2030-01-02"),
        (math.nan, "nan"),
    ):
        with pytest.raises(InputError) as fault:
            declination(LAT, LON, 0.0, date)
        assert str(fault.value) == (
            f"{shown} is outside the magnetic model WMM2025, which holds from 2025 to the end of 2029. "
            "Give the survey date, or true bearings."
        )


def test_places_outside_the_model_are_refused() -> None:
    with pytest.raises(InputError, match=r"^91\.0, 0\.0 is not a position\.$"):
        declination(91.0, 0.0, 0.0, 2026.0)
    with pytest.raises(InputError, match=r"^9e\+06 m is outside the magnetic model\. Give metres"):
        declination(0.0, 0.0, 9e6, 2026.0)


def test_years_are_counted_by_days() -> None:
    assert decimal_year(dt.date(2028, 12, 31)) == pytest.approx(2028.0 + 365.0 / 366.0)
    assert decimal_year(dt.date(2026, 12, 31)) == pytest.approx(2026.0 + 364.0 / 365.0)
    noon = dt.datetime(2026, 1, 1, 12, tzinfo=dt.UTC)
    assert decimal_year(noon) == pytest.approx(2026.0 + 0.5 / 365.0)
    ahead = dt.datetime(2026, 1, 1, 2, tzinfo=dt.timezone(dt.timedelta(hours=14)))
    assert decimal_year(ahead) == pytest.approx(2025.0 + (364.0 + 0.5) / 365.0)


def test_threads_do_not_disturb_each_other() -> None:
    places = [(float(lat), float(lon)) for lat in range(-60, 61, 20) for lon in range(-180, 180, 30)]
    one_by_one = [declination(lat, lon, 0.0, 2026.5).declination_deg for lat, lon in places]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(lambda at: declination(*at, 0.0, 2026.5).declination_deg, places))
    assert together == one_by_one


def test_the_model_is_loaded_only_when_asked() -> None:
    code = "import sys, skysill.pointing.compass; print('pygeomag' in sys.modules, 'pyproj' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False False"


# --- bearings ---


def test_east_declination_lowers_the_magnetic_bearing() -> None:
    """True = magnetic + declination, east positive (any compass handbook; common practice, no source)."""
    assert magnetic_bearing([0.0, 10.0, 180.0], 12.0).tolist() == [348.0, 358.0, 168.0]
    assert true_bearing([348.0, 358.0, 168.0], 12.0).tolist() == [0.0, 10.0, 180.0]
    assert magnetic_bearing([], 3.0).shape == (0,)
    assert magnetic_bearing(np.zeros((2, 1)), [1.0, 2.0]).shape == (2, 2)


@given(st.floats(0.0, 359.999), st.floats(-180.0, 180.0))
def test_bearings_come_back(azimuth: float, turn: float) -> None:
    there_and_back = float(true_bearing(magnetic_bearing(azimuth, turn), turn))
    assert abs((there_and_back - azimuth + 180.0) % 360.0 - 180.0) < 1e-9


# --- correction from sightings ---


@given(st.floats(-179.9, 179.9), st.lists(st.floats(0.0, 359.9), min_size=1, max_size=6))
def test_a_constant_turn_is_found_exactly(turn: float, bearings: list[float]) -> None:
    found = compass_correction(bearings, magnetic_bearing(bearings, turn))
    assert abs((found.correction_deg - turn + 180.0) % 360.0 - 180.0) < 1e-6
    assert max(abs(r) for r in found.residual_deg) < 1e-6
    assert found.sigma_deg == pytest.approx(1.0 / math.sqrt(len(bearings)))


def test_scatter_counts_when_it_is_more_than_stated() -> None:
    """Readings 2 degrees right, 2 left and 0 off: standard deviation 2, of the mean 2 / sqrt(3)."""
    found = compass_correction([0.0, 120.0, 240.0], [2.0, 118.0, 240.0], bearing_error_deg=0.5)
    assert found.correction_deg == pytest.approx(0.0, abs=1e-9)
    assert found.sigma_deg == pytest.approx(2.0 / math.sqrt(3.0))
    assert found.residual_deg == pytest.approx((-2.0, 2.0, 0.0))
    assert found.notes == ()


def test_scatter_of_the_mean_agrees_with_many_draws() -> None:
    rng = np.random.default_rng(11)
    true = rng.uniform(0.0, 360.0, 5)
    draws = [compass_correction(true, true - 8.0 - rng.normal(0.0, 1.5, 5)) for _ in range(2000)]
    assert np.std([d.correction_deg for d in draws]) == pytest.approx(1.5 / math.sqrt(5.0), rel=0.05)


def test_sightings_that_disagree_are_said() -> None:
    pair = compass_correction([10.0, 100.0], [10.0, 92.0], names=["chapel spire", "mast"])
    again = "Sight another landmark, or the sun (type measured_bearing_deg under [[landmarks]], or [[sun_sightings]])."
    assert pair.notes == (f"chapel spire and mast disagree by 8.0 degrees. {again}",)
    three = compass_correction([0.0, 90.0, 180.0], [0.0, 90.0, 171.0], names=["a", "b", "c"])
    assert three.notes == (
        "The sightings of the landmarks do not agree: c is 6.0 degrees off their mean: iron nearby, or the "
        "wrong mark. Sight it again, or leave it out (type measured_bearing_deg, shadow_bearing_deg).",
    )
    sun = compass_correction([170.0], [163.0], names=["sun at 11:52"], source="sun")
    assert (sun.correction_deg, sun.source) == (7.0, "sun")
    assert sun.notes == (
        f"One sighting (sun at 11:52) sets the compass correction; nothing checks it. {again}",
    )


def test_sightings_without_a_mean_are_refused() -> None:
    with pytest.raises(InputError) as fault:
        compass_correction([0.0, 0.0], [0.0, 180.0])
    assert str(fault.value) == (
        "the sightings contradict each other: they give no single compass correction. "
        "Check which reading belongs to which landmark."
    )
    for true, reading in (([], []), ([1.0, 2.0], [1.0])):
        with pytest.raises(InputError, match=r"^a compass correction needs one reading for each sighting"):
            compass_correction(true, reading)
    with pytest.raises(InputError, match=r"^a sighting for the compass correction is not a number\.$"):
        compass_correction([math.nan], [1.0])


# --- landmarks and surveys ---


def test_landmarks_correct_the_compass() -> None:
    marks = [
        landmark("chapel spire", true_deg=27.0, distance_m=800.0, correction_deg=-11.0),
        landmark("ridge cairn", true_deg=181.0, distance_m=2100.0, correction_deg=-11.0),
        Landmark("not sighted", 58.1, -24.6),
    ]
    found = landmark_correction(marks, **CLINIC, bearing_error_deg=1.0, position_error_m=2.0)
    assert found is not None
    assert found.correction_deg == pytest.approx(-11.0, abs=1e-3)  # plan against geodesic at 2 km
    assert found.source == "landmarks"
    assert found.notes == ()
    assert landmark_correction(marks[2:], **CLINIC) is None


def test_a_near_landmark_weighs_little_and_says_so() -> None:
    far = [
        landmark(n, true_deg=t, distance_m=2000.0, correction_deg=8.0) for n, t in (("a", 20.0), ("b", 200.0))
    ]
    near = landmark("gatepost", true_deg=90.0, distance_m=30.0, correction_deg=12.0)
    found = landmark_correction([*far, near], **CLINIC, bearing_error_deg=1.0, position_error_m=5.0)
    assert found is not None
    sigma2 = 1.0 + math.degrees(math.atan2(5.0, 30.0)) ** 2
    far2 = 1.0 + math.degrees(math.atan2(5.0, 2000.0)) ** 2
    assert found.correction_deg == pytest.approx(8.0 + 4.0 / sigma2 / (1.0 / sigma2 + 2.0 / far2), abs=2e-3)
    assert found.notes[0] == (
        "Landmark gatepost is 30 m away: the position error of 5 m turns its bearing by 9.5 degrees. "
        "Choose one farther off."
    )
    touching = landmark("doorstep", true_deg=90.0, distance_m=3.0, correction_deg=8.0)
    left_out = landmark_correction([*far, touching], **CLINIC, position_error_m=5.0)
    assert left_out is not None
    assert len(left_out.residual_deg) == 2
    assert left_out.notes[0].endswith("It is left out.")
    with pytest.raises(InputError) as fault:
        landmark_correction([touching], **CLINIC, position_error_m=5.0)
    assert str(fault.value) == (
        "every landmark with a measured bearing stands too near for the position error. "
        "Take a bearing to something farther off."
    )


def test_a_survey_without_landmarks_takes_what_it_states() -> None:
    assert survey_correction(Survey(), **CLINIC).correction_deg == 0.0
    relative = survey_correction(Survey(bearings="relative", reference_bearing_deg=350.0), **CLINIC)
    assert (relative.correction_deg, relative.source) == (-10.0, "reference")
    date = dt.date(2026, 6, 14)
    magnetic = survey_correction(Survey(bearings="magnetic", date=date), **CLINIC, height_m=42.0)
    model = declination(LAT, LON, 42.0, date)
    assert (magnetic.correction_deg, magnetic.sigma_deg) == (model.declination_deg, model.sigma_deg)
    assert magnetic.source == "declination"


def test_a_survey_that_states_too_little_is_refused() -> None:
    for survey, sentence in (
        (
            Survey(bearings="magnetic"),
            "date: magnetic bearings need the date of the survey. "
            "Give date, or a landmark with its measured bearing.",
        ),
        (
            Survey(bearings="relative"),
            "reference_bearing_deg: relative bearings need the true bearing of their zero mark. "
            "Give reference_bearing_deg, or a landmark with its measured bearing.",
        ),
    ):
        with pytest.raises(InputError) as fault:
            survey_correction(survey, **CLINIC)
        assert str(fault.value) == sentence


def test_landmarks_overrule_what_the_survey_states() -> None:
    marks = [
        landmark(n, true_deg=t, distance_m=1500.0, correction_deg=-60.0)
        for n, t in (("a", 10.0), ("b", 140.0))
    ]
    relative = survey_correction(Survey(bearings="relative"), marks, **CLINIC)
    assert relative.correction_deg == pytest.approx(-60.0, abs=1e-3)
    assert relative.notes == (
        "The landmarks alone correct the bearings: relative bearings need the true bearing of their zero mark.",
    )
    true = survey_correction(Survey(), marks, **CLINIC)
    assert true.notes == (
        "Landmarks turn the readings 60.0 degrees left of the true bearings given; the landmarks are used. Where no "
        "iron is near, look at the date and at what the bearings count from (type date and bearings under [survey]).",
    )
    date = dt.date(2026, 6, 14)
    model_deg = declination(LAT, LON, 0.0, date).declination_deg
    close = [
        landmark(n, true_deg=t, distance_m=1500.0, correction_deg=model_deg + 1.0)
        for n, t in (("a", 10.0), ("b", 140.0))
    ]
    tied = survey_correction(Survey(bearings="magnetic", date=date), close, **CLINIC)
    assert tied.correction_deg == pytest.approx(model_deg + 1.0, abs=1e-3)
    assert tied.notes == ()


# --- values that a wrong constant or sign would change ---


def test_a_sighting_is_exact_unless_an_error_is_stated() -> None:
    """The sun at a known time: sigma of one sighting is that of the reading alone, 1 degree."""
    sun = Sighting("the sun at 12:00 UTC", true_deg=180.0, reading_deg=172.0)
    found = landmark_correction([], **CLINIC, bearing_error_deg=1.0, further=[sun])
    assert found is not None
    assert (found.correction_deg, found.sigma_deg) == (pytest.approx(8.0), pytest.approx(1.0))


def test_minutes_of_a_datetime_count_as_sixtieths_of_an_hour() -> None:
    """06:30 on 2 January is 1 + 6.5 / 24 days into a year of 365."""
    moment = dt.datetime(2026, 1, 2, 6, 30, tzinfo=dt.UTC)
    assert decimal_year(moment) == pytest.approx(2026.0 + (1.0 + 6.5 / 24.0) / 365.0, abs=1e-9)


def test_scatter_of_two_sightings_is_that_of_a_sample_of_two() -> None:
    """Residuals of -2 and 2: sample standard deviation sqrt(8), of the mean sqrt(8) / sqrt(2) = 2."""
    found = compass_correction([0.0, 90.0], [2.0, 88.0], bearing_error_deg=0.5)
    assert found.sigma_deg == pytest.approx(2.0)


@pytest.mark.parametrize(("distance_m", "noted"), [(100.0, True), (130.0, False)])
def test_a_landmark_gets_a_note_from_half_a_degree_of_position_error_on(
    distance_m: float, noted: bool
) -> None:
    """1 m across 100 m is atan(0.01) = 0.573 degrees, across 130 m 0.441 degrees."""
    far = landmark("spire", true_deg=20.0, distance_m=2000.0, correction_deg=8.0)
    near = landmark("gate", true_deg=200.0, distance_m=distance_m, correction_deg=8.0)
    found = landmark_correction([far, near], **CLINIC, position_error_m=1.0)
    assert found is not None
    assert any(note.startswith("Landmark gate is") for note in found.notes) == noted


def test_a_landmark_stands_half_a_metre_off_unless_more_is_stated() -> None:
    """atan(0.5 / 100) = 0.286 degrees, less than the half degree from which on a note is due."""
    near = landmark("gate", true_deg=200.0, distance_m=100.0, correction_deg=8.0)
    found = landmark_correction([near], **CLINIC, bearing_error_deg=1.0)
    assert found is not None
    assert found.sigma_deg == pytest.approx(math.hypot(1.0, math.degrees(math.atan2(0.5, 100.0))), abs=1e-6)
    assert not any(note.startswith("Landmark gate is") for note in found.notes)


def test_a_zero_mark_of_stated_bearing_is_exact() -> None:
    found = survey_correction(Survey(bearings="relative", reference_bearing_deg=350.0), **CLINIC)
    assert found.sigma_deg == 0.0


def test_a_shadow_is_read_to_its_own_error_and_to_that_of_the_compass() -> None:
    """0.3 degrees of the shadow (own reasoning, as documented) and 0.4 of the reading: 0.5 together.

    The sun stands opposite to the shadow: what is added to shadow and half a turn is the sun's true azimuth.
    """
    time = dt.datetime(2026, 6, 14, 13, 0, tzinfo=dt.UTC)
    job = Job(
        Site("clinic", LAT, LON),
        (Satellite("Demo", longitude_deg=-24.0),),
        sources=Sources(
            survey=Survey(bearings="magnetic", date=time.date(), bearing_error_deg=0.4),
            sun_sightings=(SunSighting(time, 10.0),),
        ),
    )
    found = compass_correction_of(job, job.site)
    assert found.sigma_deg == pytest.approx(0.5)
    sun_deg = float(sun_direction([time], LAT, LON, 0.0).azimuth_deg[0])
    assert (found.correction_deg + 10.0 + 180.0 - sun_deg) % 360.0 == pytest.approx(0.0, abs=1e-6)


def test_a_reading_of_exactly_north_is_a_reading() -> None:
    north = landmark("spire", true_deg=7.0, distance_m=900.0, correction_deg=7.0)
    assert north.measured_bearing_deg == 0.0
    found = landmark_correction([north], **CLINIC)
    assert found is not None
    assert found.correction_deg == pytest.approx(7.0, abs=1e-3)


def test_true_bearings_need_no_correction_and_add_no_error() -> None:
    found = survey_correction(Survey(bearings="true"), **CLINIC)
    assert (found.correction_deg, found.sigma_deg, found.source) == (0.0, 0.0, "true")
