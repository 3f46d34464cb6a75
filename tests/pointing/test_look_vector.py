"""Look vectors against printed tables, other programs, limits and symmetries."""

import csv
import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from skysill.errors import InputError
from skysill.model.site import Satellite
from skysill.pointing.look_vector import (
    LookVector,
    directions_to,
    look_angles,
    look_track,
    look_vector,
    polarization_tilt_deg,
)
from skysill.pointing.refraction import refraction_deg
from skysill.units import GEOSTATIONARY_RADIUS_M, wrap_180

approx = pytest.approx

PUBLISHED = Path(__file__).parents[1] / "published"


def rows(name):
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def numbers(table, field):
    return np.array([float(row[field]) for row in table])


FOUR_PROGRAMS = rows("look_angles_four_programs.csv")
SOLER = rows("soler_eisemann_1994.csv")
TEXTBOOKS = rows("textbook_look_angles.csv")
SPHERES_M = {
    "sphere R=6371 km": 6_371_000.0,
    "sphere R=6378.137 km": 6_378_137.0,
    "sphere R=6378 km": 6_378_000.0,
}
GRS80_FLATTENING = 1.0 / 298.257222101
"""Moritz, Geodetic Reference System 1980, J. Geodesy 74 (2000), from memory."""


def place(table):
    return [numbers(table, f) for f in ("site_lat_deg", "site_lon_deg", "site_ellipsoidal_height_m")]


@pytest.mark.parametrize(
    ("radius_m", "elevation", "distance"),
    [
        (42_164_000.0, "geometric_el_deg", "slant_range_m"),
        (42_164_172.0, "el_deg_if_radius_42164172", "slant_range_m_if_radius_42164172"),
    ],
)
def test_look_angles_agree_with_four_programs(radius_m, elevation, distance):
    """look_angles_four_programs.csv, printed to 1e-8 degrees and 1 mm."""
    table = FOUR_PROGRAMS
    assert len(table) == 12
    got = look_angles(*place(table), satellite_longitude_deg=numbers(table, "sat_lon_deg"), radius_m=radius_m)
    azimuth_off_deg = wrap_180(got.azimuth_deg - numbers(table, "true_az_deg"))
    assert azimuth_off_deg == approx(
        0.0, abs=1e-8 if radius_m == 42_164_000.0 else 2e-7
    )  # column of the first
    assert got.elevation_deg == approx(numbers(table, elevation), abs=1e-8)
    assert got.slant_range_m == approx(numbers(table, distance), abs=1e-3)


def test_polarization_tilt_is_minus_the_counter_clockwise_angle_of_four_programs():
    """look_angles_four_programs.csv, printed to 1e-5 degrees; +90 and -90 are one direction, written +90."""
    table = FOUR_PROGRAMS
    got = polarization_tilt_deg(
        *place(table), satellite_longitude_deg=numbers(table, "sat_lon_deg"), radius_m=42_164_000.0
    )
    counter_clockwise = numbers(table, "pol_tilt_ccw_facing_sat_deg")
    assert np.mod(got + counter_clockwise + 90.0, 180.0) == approx(90.0, abs=6e-6)
    assert (got > -90.0).all()
    assert got[[row["id"] == "G12" for row in table]] == 90.0


def test_polarization_tilt_tends_to_the_textbook_short_form_for_a_distant_satellite():
    """atan(sin(dL)/tan(latitude)): in every text on satellite links, from memory."""
    table = [row for row in FOUR_PROGRAMS if row["pol_tilt_textbook_deg"] != "nan"]
    got = polarization_tilt_deg(
        *place(table), satellite_longitude_deg=numbers(table, "sat_lon_deg"), radius_m=1e15
    )
    assert got == approx(-numbers(table, "pol_tilt_textbook_deg"), abs=6e-6)


def test_ellipsoidal_table_of_soler_and_eisemann():
    """Soler & Eisemann 1994: 21 rows, four decimals; its radius is that of a 24 h solar day."""
    got = look_angles(
        numbers(SOLER, "site_lat_deg"),
        numbers(SOLER, "site_lon_deg"),
        0.0,
        satellite_longitude_deg=numbers(SOLER, "sat_lon_deg"),
        radius_m=numbers(SOLER, "sat_radius_km") * 1e3,
        flattening=GRS80_FLATTENING,
    )
    assert len(SOLER) == 21
    assert got.azimuth_deg == approx(numbers(SOLER, "printed_az_deg"), abs=1e-4)
    assert got.elevation_deg == approx(numbers(SOLER, "printed_el_deg"), abs=2e-4)  # as the radius was fitted


@pytest.mark.parametrize("row", TEXTBOOKS, ids=[row["id"] for row in TEXTBOOKS])
def test_worked_examples_of_textbooks(row):
    """textbook_look_angles.csv: each with its own sphere, radius and rounding."""
    got = look_angles(
        float(row["site_lat_deg"]),
        float(row["site_lon_deg"]),
        float(row["site_height_m"]),
        satellite_longitude_deg=float(row["sat_lon_deg"]),
        radius_m=float(row["sat_radius_km"]) * 1e3,
        semi_major_m=SPHERES_M[row["earth_model"]],
        flattening=0.0,
    )
    assert got.azimuth_deg == approx(float(row["printed_az_deg"]), abs=float(row["tol_az_deg"]))
    assert got.elevation_deg == approx(float(row["printed_el_deg"]), abs=float(row["tol_el_deg"]))
    if row["printed_range_km"]:
        tolerance_m = float(row["tol_range_km"]) * 1e3
        assert got.slant_range_m == approx(float(row["printed_range_km"]) * 1e3, abs=tolerance_m)


def test_sites_and_satellites_broadcast_to_a_table():
    latitudes, satellites = np.linspace(-60.0, 60.0, 5)[:, None], np.array([-24.0, 5.5, 52.5])
    got = look_angles(latitudes, 10.0, 0.0, satellite_longitude_deg=satellites)
    assert got.azimuth_deg.shape == got.elevation_deg.shape == got.slant_range_m.shape == (5, 3)
    one = look_angles(latitudes[1, 0], 10.0, 0.0, satellite_longitude_deg=5.5)
    assert got.elevation_deg[1, 1] == one.elevation_deg
    assert look_angles([], [], [], satellite_longitude_deg=5.5).azimuth_deg.shape == (0,)


def test_east_and_west_mirror_and_north_and_south_mirror():
    rng = np.random.default_rng(20261125)
    latitude, longitude, offset = (
        rng.uniform(-85, 85, 2000),
        rng.uniform(-180, 180, 2000),
        rng.uniform(-90, 90, 2000),
    )
    east = look_angles(latitude, longitude, 100.0, satellite_longitude_deg=longitude + offset)
    west = look_angles(latitude, longitude, 100.0, satellite_longitude_deg=longitude - offset)
    south = look_angles(-latitude, longitude, 100.0, satellite_longitude_deg=longitude + offset)
    assert wrap_180(east.azimuth_deg + west.azimuth_deg) == approx(0.0, abs=1e-9)
    assert wrap_180(east.azimuth_deg + south.azimuth_deg - 180.0) == approx(0.0, abs=1e-9)
    for other in (west, south):
        assert other.elevation_deg == approx(east.elevation_deg, abs=1e-10)
        assert other.slant_range_m == approx(east.slant_range_m, abs=1e-6)


def test_only_the_longitude_difference_matters_and_the_antimeridian_is_no_edge():
    shifts = np.array([-540.0, -180.0, -90.0, 0.0, 90.0, 179.999, 360.0])
    got = look_angles(20.0, 179.5 + shifts, 10.0, satellite_longitude_deg=-178.0 + shifts)
    assert got.azimuth_deg == approx(got.azimuth_deg[0], abs=1e-9)
    assert got.elevation_deg == approx(got.elevation_deg[0], abs=1e-9)


def test_straight_below_the_satellite_there_is_no_azimuth():
    got = look_angles(0.0, [-24.0, 13.0, 180.0], 0.0, satellite_longitude_deg=[-24.0, 13.0, -180.0])
    assert np.isnan(got.azimuth_deg).all()
    assert got.elevation_deg == approx(90.0)
    assert got.slant_range_m == approx(GEOSTATIONARY_RADIUS_M - 6_378_137.0)
    look = look_vector(0.0, 13.0, 0.0, Satellite("Demo", longitude_deg=13.0))
    assert (look.azimuth_deg, look.polarization_tilt_deg, look.visible) == (None, None, True)
    assert look.elevation_apparent_deg == approx(90.0)


def test_at_the_antipode_the_satellite_is_straight_below():
    got = look_angles(0.0, 100.0, 0.0, satellite_longitude_deg=-80.0)
    assert np.isnan(got.azimuth_deg)
    assert got.elevation_deg == approx(-90.0)
    assert not look_vector(0.0, 100.0, 0.0, Satellite("Demo", longitude_deg=-80.0)).visible


def test_at_a_pole_the_satellite_is_below_and_the_azimuth_counts_from_the_given_meridian():
    """Polar radius b = 6 356 752.314 m (WGS 84); straight trigonometry."""
    got = look_angles([90.0, -90.0], 10.0, 0.0, satellite_longitude_deg=[40.0, 40.0])
    down_deg = -np.degrees(np.arctan2(6_356_752.314, GEOSTATIONARY_RADIUS_M))
    assert got.elevation_deg == approx(down_deg, abs=1e-9)
    assert got.azimuth_deg == approx([150.0, 30.0], abs=1e-9)


def test_a_point_in_the_earth_fixed_frame_is_seen_where_the_orbit_formula_sees_it():
    rng = np.random.default_rng(5)
    latitude, longitude, over = (
        rng.uniform(-89, 89, 500),
        rng.uniform(-180, 180, 500),
        rng.uniform(-180, 180, 500),
    )
    angle_rad = np.deg2rad(over)
    target_m = GEOSTATIONARY_RADIUS_M * np.stack(
        [np.cos(angle_rad), np.sin(angle_rad), 0.0 * angle_rad], axis=-1
    )
    got = directions_to(latitude, longitude, 300.0, target_ecef_m=target_m)
    want = look_angles(latitude, longitude, 300.0, satellite_longitude_deg=over)
    assert wrap_180(got.azimuth_deg - want.azimuth_deg) * np.cos(np.deg2rad(got.elevation_deg)) == approx(
        0.0, abs=1e-9
    )
    assert got.elevation_deg == approx(want.elevation_deg, abs=1e-9)


@pytest.mark.parametrize(
    ("elevation_deg", "height_m", "bending_deg"),
    [
        (-0.5, 0.0, 0.681776), (0.0, 0.0, 0.578704), (1.0, 0.0, 0.433589), (2.0, 0.0, 0.337938),
        (3.0, 500.0, 0.253560), (5.0, 0.0, 0.186419), (5.0, 1000.0, 0.159666), (10.0, 0.0, 0.092064),
        (10.0, 3000.0, 0.054557),
    ],
)  # fmt: skip
def test_bending_is_the_fit_of_the_recommendation(elevation_deg, height_m, bending_deg):
    """ITU-R P.619-5 eq. (26), evaluated apart from this project to six decimals."""
    assert refraction_deg(elevation_deg, height_m) == approx(bending_deg, abs=5e-7)


def bending_by_quadrature_deg(apparent_deg, height_km):
    """Bouguer's integral through n(h) = 1 + 315e-6 exp(-0.1361 h), the atmosphere of ITU-R P.834 eq. (8)."""

    def index(h):
        return 1.0 + 315e-6 * np.exp(-0.1361 * h)

    constant = (6370.0 + height_km) * index(height_km) * np.cos(np.deg2rad(apparent_deg))

    def bend(h):
        cosine = constant / ((6370.0 + h) * index(h))
        return 0.1361 * (index(h) - 1.0) / index(h) * cosine / np.sqrt(1.0 - cosine**2)

    return np.rad2deg(quad(bend, height_km, height_km + 150.0, limit=400)[0])


@pytest.mark.parametrize("height_km", [0.0, 1.0, 3.0])
@pytest.mark.parametrize(
    ("apparent_deg", "tolerance_deg"),
    [(0.7, 0.011), (1.0, 0.011), (2.0, 0.011), (4.0, 0.011), (8.0, 0.011), (10.0, 0.011), (12.0, 0.005),
     (14.0, 0.002), (20.0, 0.001), (45.0, 1e-4), (80.0, 1e-4)],
)  # fmt: skip
def test_bending_agrees_with_an_integration_through_the_atmosphere(apparent_deg, tolerance_deg, height_km):
    """The recommendation's fit is good to 0.011 degrees of its own atmosphere; the law above is better."""
    bending_deg = bending_by_quadrature_deg(apparent_deg, height_km)
    assert refraction_deg(apparent_deg - bending_deg, height_km * 1e3) == approx(
        bending_deg, abs=tolerance_deg
    )


def test_average_bending_of_cold_dry_air():
    """ITU-R P.834, Table 1, polar continental air, from memory: 0.32 degrees at 2, 0.21 at 4, 0.10 at 10.

    The mean atmosphere of the fit is moister, so it bends a little more at the low angles.
    """
    assert refraction_deg([2.0 - 0.32, 4.0 - 0.21, 10.0 - 0.10], 0.0) == approx([0.32, 0.21, 0.10], abs=0.05)


@pytest.mark.parametrize("height_m", [-400.0, 0.0, 1500.0, 3000.0, 5000.0])
def test_apparent_elevation_is_continuous_and_increasing(height_m):
    elevation_deg = np.linspace(-90.0, 90.0, 360_001)
    bending_deg = refraction_deg(elevation_deg, height_m)
    assert (np.diff(elevation_deg + bending_deg) > 0.0).all()
    assert np.abs(np.diff(bending_deg)).max() < 3e-4  # no jump: 0.5 degree per degree at the steepest
    assert (np.diff(bending_deg[elevation_deg >= -1.0]) < 0.0).all()
    assert bending_deg[0] == 0.0
    assert bending_deg[-1] == approx(0.0, abs=1e-12)


def test_bending_of_heights_outside_the_formula_is_that_of_its_nearest_height():
    assert refraction_deg(5.0, [-50.0, 4000.0]) == approx(refraction_deg(5.0, [0.0, 3000.0]))


def test_a_satellite_below_the_horizon_is_reported():
    """Row G09 of look_angles_four_programs.csv, other radius: 3e-5 degrees."""
    look = look_vector(52.52, 13.405, 34.0, Satellite("Demo", longitude_deg=-110.0))
    assert look.elevation_deg == approx(-27.277, abs=1e-3)
    assert look.elevation_apparent_deg == look.elevation_deg
    assert not look.visible
    assert look.azimuth_deg == approx(297.652, abs=1e-3)


def test_bending_lifts_a_satellite_over_the_horizon():
    """Row G10: geometric -0.2717 degrees; P.834 bends by more than half a degree there."""
    look = look_vector(81.6, 0.0, 0.0, Satellite("Demo", longitude_deg=0.0))
    assert look.elevation_deg < 0.0 < look.elevation_apparent_deg < 0.45
    assert look.visible


def test_the_fields_are_those_of_the_documented_json():
    look = look_vector(58.0312, -24.6541, 47.7, Satellite("Demo South", longitude_deg=-24.0))
    assert isinstance(look, LookVector)
    assert (look.satellite, look.satellite_longitude_deg) == ("Demo South", -24.0)
    assert (look.bearing_magnetic_deg, look.declination_deg, look.time_utc) == (None, None, None)
    assert all(type(getattr(look, f)) is float for f in ("azimuth_deg", "elevation_deg", "slant_range_m"))
    assert type(look.visible) is bool


def test_magnetic_bearing_is_true_azimuth_minus_declination():
    """Declination east positive: true = magnetic + declination (WMM2025 technical report)."""
    look = look_vector(
        58.0312, -24.6541, 47.7, Satellite("Demo", longitude_deg=-24.0), date=dt.date(2026, 6, 14)
    )
    assert wrap_180(look.azimuth_deg - look.declination_deg - look.bearing_magnetic_deg) == approx(
        0.0, abs=1e-9
    )
    assert -15.0 < look.declination_deg < -5.0  # west of Iceland and Ireland the needle points west of north


def test_a_survey_date_outside_the_magnetic_model_is_refused():
    with pytest.raises(InputError, match="2036"):
        look_vector(58.0, -24.0, 0.0, Satellite("Demo", longitude_deg=-24.0), date=dt.date(2036, 6, 14))


def test_a_geostationary_satellite_stands_still_along_a_track():
    times = [dt.datetime(2026, 6, 14, hour, tzinfo=dt.UTC) for hour in (0, 12)]
    track = look_track(58.0, -24.0, 0.0, Satellite("Demo", longitude_deg=-24.0), times_utc=times)
    assert [look.time_utc for look in track] == ["2026-06-14T00:00:00Z", "2026-06-14T12:00:00Z"]
    assert track[0].azimuth_deg == track[1].azimuth_deg


def test_a_feed_that_is_not_turned_is_written_without_a_minus_sign():
    """On the satellite's own meridian, north and south of it."""
    tilt_deg = polarization_tilt_deg([58.0, 10.0, -10.0, -58.0], 5.0, 0.0, satellite_longitude_deg=5.0)
    assert tilt_deg == approx(0.0, abs=1e-9)
    assert not np.signbit(tilt_deg[tilt_deg == 0.0]).any()
    assert not np.signbit(polarization_tilt_deg(-10.0, 0.0, 0.0, satellite_longitude_deg=-0.0))
