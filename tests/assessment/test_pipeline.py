"""The chain: verdicts by the sources there are, and never `clear` on missing data."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pytest import approx

from skysill.assessment.pipeline import assess, horizon_profile
from skysill.errors import InputError
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import building, tree
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    Mount,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import Landmark, SunSighting, Survey
from skysill.pointing.orbits import read_orbits
from skysill.remedies.search import check

SITE = Site("Skerrow clinic", 58.0312, -24.6541, ground_elevation_m=10.0, ground_source="given")
SOUTH = Satellite("Demo South", -24.0)
CENTRE = (520_000.0, 6_432_000.0)


def site_grid(values, cell_m, kind, *, name="ground", error_m=0.3):
    """A lattice in UTM 26N with the site at its middle (the site's own zone; 26N runs to 24 W)."""
    from pyproj import Transformer

    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32626", always_xy=True).transform(-24.6541, 58.0312)
    rows, cols = values.shape
    transform = (cell_m, 0.0, east - cell_m * (cols // 2), 0.0, -cell_m, north + cell_m * (rows // 2))
    return HeldGrid(Grid(values.astype(np.float32), transform, "EPSG:32626"), name, kind, cell_m, error_m)


def flat(half_m, cell_m, kind, level_m=10.0, **more):
    count = 2 * int(half_m / cell_m) + 1
    return site_grid(np.full((count, count), level_m), cell_m, kind, **more)


def readings(elevation, azimuth=None, distance=np.nan):
    azimuth = np.arange(0.0, 360.0, 5.0) if azimuth is None else np.asarray(azimuth, dtype=float)
    elevation = np.broadcast_to(np.asarray(elevation, dtype=float), azimuth.shape).copy()
    distance = np.broadcast_to(np.asarray(distance, dtype=float), azimuth.shape).copy()
    return Readings(azimuth, elevation, distance, ("",) * azimuth.size, "horizon.csv")


def job(**sources):
    criteria = sources.pop("criteria", Criteria())
    return Job(SITE, (SOUTH,), criteria=criteria, sources=Sources(**sources))


def result(asked, mount=None):
    return assess(asked, mount or Mount(height_m=2.0)).results[0]


FINE = flat(150.0, 1.0, "surface", name="fine.tif")
COARSE = flat(3000.0, 30.0, "bare", name="coarse.tif", error_m=3.0)


def test_low_readings_all_round_are_clear():
    found = result(job(readings=readings(5.0)))
    assert found.verdict == "clear"
    assert found.basis == ("measured",)
    assert found.clearance.controlling.distance_assumed


def test_a_high_reading_blocks():
    found = result(job(readings=readings(30.0)))
    assert found.verdict == "blocked"
    assert found.clearance.margin_deg == approx(found.look.elevation_apparent_deg - 30.0, abs=1e-6)
    assert "stands in the line" in found.reasons[0]


def test_a_reading_close_under_the_ray_is_marginal():
    assert result(job(readings=readings(22.0))).verdict == "marginal"


def test_fine_surface_and_low_ground_are_clear():
    found = result(job(rasters=(FINE,), highest_ground_m=40.0))
    assert found.verdict == "clear"
    assert found.basis == ("terrain",)


def test_bare_ground_alone_needs_a_survey():
    found = result(job(rasters=(COARSE,), highest_ground_m=500.0))
    assert found.verdict == "needs-survey"
    assert any("Trees and buildings nearby were not assessed" in reason for reason in found.reasons)


def test_a_raster_that_ends_too_soon_is_unknown_and_says_where():
    found = result(job(rasters=(COARSE,)))  # 8849 m of ground could stand 20 km off; the raster ends at 3 km
    assert found.verdict == "unknown"
    assert "end or have a hole 3.0 km out" in found.reasons[0]
    assert "8849 m" in found.reasons[0]


def test_a_measurement_speaks_where_the_raster_ends():
    assert result(job(rasters=(COARSE,), readings=readings(5.0))).verdict == "clear"


def test_a_void_on_the_ray_is_unknown():
    values = np.full((201, 201), 10.0)
    values[120:124, 95:106] = np.nan
    assert (
        result(job(rasters=(site_grid(values, 30.0, "bare"),), highest_ground_m=500.0)).verdict == "unknown"
    )


def test_no_source_at_all_is_unknown():
    found = result(job())
    assert found.verdict == "unknown"
    assert found.p_clear is None
    assert found.horizon.elevation_deg is None


def test_a_gap_in_the_readings_across_the_ray_is_unknown():
    assert result(job(readings=readings(5.0, np.r_[100:176:5, 185:260:5]))).verdict == "unknown"


def test_obstacles_declared_complete_say_nothing_of_far_ground():
    assert result(job(scene=Scene((), complete=True))).verdict == "unknown"


def test_complete_obstacles_over_coarse_low_ground_are_clear():
    assert (
        result(job(scene=Scene((), complete=True), rasters=(COARSE,), highest_ground_m=500.0)).verdict
        == "clear"
    )


EVIDENCE = {
    "rasters": (FINE, COARSE),
    "readings": readings(5.0),
    "scene": Scene((), complete=True),
    "highest_ground_m": 500.0,
}


@pytest.mark.parametrize(
    "left",
    [(), ("scene",), ("highest_ground_m", "scene"), ("highest_ground_m",)],
)
def test_without_what_covers_the_azimuths_it_is_never_clear(left):
    found = result(job(**{name: EVIDENCE[name] for name in left}))
    assert found.verdict == "unknown"


@pytest.mark.parametrize("gone", ["rasters", "readings", "scene"])
def test_taking_a_source_away_never_invents_one(gone):
    """The full evidence is clear; what is left must still cover near and far on its own, else it is not clear."""
    left = {name: value for name, value in EVIDENCE.items() if name != gone}
    assert result(job(**EVIDENCE)).verdict == "clear"
    found = result(job(**left))
    assert gone not in ("rasters",) or "terrain" not in found.basis
    assert found.verdict == "clear"  # readings alone, or fine and coarse rasters, do cover it


def test_ground_seen_only_by_cells_too_coarse_to_be_believed_needs_a_survey():
    """A 30 m raster with one high cell next door: nearer than two cells it may not block, and never clear."""
    values = np.full((201, 201), 10.0)
    values[101, 99:104] = 60.0  # one row south of the site, 30 m away
    found = result(
        job(
            rasters=(site_grid(values, 30.0, "bare"),), highest_ground_m=500.0, scene=Scene((), complete=True)
        )
    )
    assert found.verdict == "needs-survey"
    assert any("too coarse to be believed so near" in reason for reason in found.reasons)


def test_at_the_instruments_own_place_the_measurement_overrules_terrain():
    """The raster shows a wall that the surveyor, standing there, did not see."""
    values = np.full((301, 301), 10.0)
    values[170:172, :] = 40.0  # 20 m south, 30 m up
    grid = site_grid(values, 1.0, "surface")
    assert result(job(rasters=(grid,), highest_ground_m=50.0)).verdict == "blocked"
    seen = result(job(rasters=(grid,), highest_ground_m=50.0, readings=readings(5.0, distance=100.0)),
                  Mount(height_m=1.6))  # fmt: skip
    assert seen.verdict == "clear"


def test_terrain_that_a_near_thing_hid_emerges_when_the_dish_goes_up():
    """A reading of 35 degrees 8 m off hides, from the ground, a 25-degree hill; 8 m higher the hill controls."""
    values = np.full((201, 201), 10.0)
    south_m = (np.arange(201) - 100) * 30.0
    values[:, :] = np.where(south_m > 400.0, 10.0 + 0.5 * (south_m - 400.0), 10.0)[:, None]
    sources = {"rasters": (site_grid(values, 30.0, "bare"),), "highest_ground_m": 2000.0}
    low = result(job(**sources, readings=readings(35.0, distance=8.0)), Mount(height_m=1.6))
    high = result(job(**sources, readings=readings(35.0, distance=8.0)), Mount(height_m=9.6))
    assert low.clearance.controlling.source == "measured"
    assert low.verdict == "blocked"
    assert high.clearance.controlling.source == "terrain"
    assert high.horizon.elevation_deg == approx(20.0, abs=6.0)


def test_a_tree_that_grows_turns_clear_into_marginal():
    """Now 8 m, 20 m south: atan(6 / 17.5) = 19 degrees and room; in five years at 0.6 m a year it is 11 m."""

    def with_growth(rate):
        scene = Scene((tree("sycamore", (0.0, -20.0), ground_elevation_m=10.0, height_m=8.0, crown_radius_m=2.5,
                            growth_m_per_year=rate),))  # fmt: skip
        return result(job(readings=readings(3.0), scene=scene))

    assert with_growth(0.0).verdict == "clear"
    grown = with_growth(0.6)
    assert grown.verdict == "marginal"
    assert "grows into the line in 5 years" in grown.reasons[0]


def test_a_satellite_below_the_horizon_is_blocked_and_reported():
    far = replace(job(readings=readings(0.0)), satellites=(Satellite("Demo Far", 120.0),))
    found = result(far)
    assert found.verdict == "blocked"
    assert not found.look.visible
    assert "never rises here" in found.reasons[0]


def test_a_dish_inside_a_building_is_refused():
    hall = building("hall", [[-5, -5], [5, -5], [5, 5], [-5, 5]], ground_elevation_m=10.0, height_m=8.0)
    with pytest.raises(InputError, match=r'is inside "hall" \(building, up to 18\.0 m\)'):
        result(job(scene=Scene((hall,))))


def test_magnetic_readings_are_turned_by_the_declination_of_their_date():
    """The one blocked azimuth is read 8.98 degrees off: WMM2025 at the clinic on 2026-06-14, from pygeomag."""
    from skysill.pointing.compass import declination

    turn = declination(58.0312, -24.6541, 10.0, dt.date(2026, 6, 14)).declination_deg
    azimuth = np.arange(0.0, 360.0, 5.0)
    peak = readings(np.where(np.abs(azimuth - 180.0) < 6.0, 60.0, 3.0), (azimuth - turn) % 360.0)
    survey = Survey(bearings="magnetic", date=dt.date(2026, 6, 14))
    assert result(job(readings=peak, survey=survey)).verdict == "blocked"
    assert abs(turn) > 5.0
    assert result(job(readings=peak)).clearance.controlling.azimuth_deg == approx(
        (180.0 - turn) % 360.0, abs=10.5
    )


def test_a_landmark_corrects_a_compass_that_is_off():
    azimuth = np.arange(0.0, 360.0, 2.0)
    off = readings(np.where(np.abs(azimuth - 179.0) < 3.5, 60.0, 3.0), (azimuth + 12.0) % 360.0)
    from skysill.geodesy.positions import bearing_and_distance

    true, _ = bearing_and_distance(58.0312, -24.6541, 58.0375, -24.6480)
    spire = Landmark("chapel spire", 58.0375, -24.6480, measured_bearing_deg=float(true) + 12.0)
    assert result(job(readings=off, landmarks=(spire,))).verdict == "blocked"


def test_a_shadow_corrects_a_compass_that_is_off():
    """True sun azimuth from the published cases' own model; the compass reads 12 degrees high, shadow and all."""
    from skysill.pointing.sun import sun_direction

    when = dt.datetime(2026, 6, 14, 10, 20, tzinfo=dt.UTC)
    sun_deg = float(sun_direction([when], 58.0312, -24.6541, 10.0).azimuth_deg[0])
    azimuth = np.arange(0.0, 360.0, 2.0)
    off = readings(np.where(np.abs(azimuth - 179.0) < 3.5, 60.0, 3.0), (azimuth + 12.0) % 360.0)
    shadow = SunSighting(when, (sun_deg + 180.0 + 12.0) % 360.0)
    assert result(job(readings=off, sun_sightings=(shadow,))).verdict == "blocked"
    night = SunSighting(dt.datetime(2026, 6, 14, 2, 0, tzinfo=dt.UTC), 10.0)
    with pytest.raises(InputError, match=r"below the horizon at 2026-06-14 02:00 UTC\. Give the time in UTC"):
        result(job(readings=off, sun_sightings=(night,)))


def test_warnings_say_what_was_assumed():
    asked = replace(
        job(readings=readings(5.0)), terminal=Terminal(assumed=("dish_diameter_m", "receive_ghz"))
    )
    assert assess(asked, Mount()).warnings[:2] == (
        "No dish was named: 1.2 m is assumed.",
        "No frequency was named: 19.7 GHz is assumed.",
    )


def test_profile_names_the_source_and_leaves_what_nobody_saw_open():
    profile, _ = horizon_profile(
        job(readings=readings(5.0, np.r_[100:200:5])), Mount(height_m=1.6), np.arange(360.0)
    )
    assert profile.source[150] == "measured"
    assert profile.elevation_deg[150] == approx(5.0)
    assert profile.source[300] == ""
    assert np.isnan(profile.elevation_deg[300])


# remedies


def test_raise_is_the_least_height_and_is_proved():
    """A wall 10 m high, 15 m south, on flat ground. The ray to 24.1 degrees passes its top with D/2 + 0.6 F1 of room
    when h = 10 - 15 tan(24.1) + (0.6 + 0.6 sqrt(lambda d)) / cos(24.1), d = 15 / cos(24.1): 4.28 m (by hand)."""
    wall = building(
        "wall", [[-40, -16], [40, -16], [40, -15], [-40, -15]], ground_elevation_m=10.0, height_m=10.0
    )
    asked = job(scene=Scene((wall,)), readings=readings(2.0, distance=500.0))
    mount = Mount(height_m=1.6)
    found = check(asked, mount).results[0]
    assert found.verdict == "blocked"
    remedy = next(r for r in found.remedies if r.action == "raise")
    elevation = np.deg2rad(found.look.elevation_apparent_deg)
    far_edge = (
        16.0  # the wall's far top edge is the last that matters, the near one needs a little more angle
    )
    needs = [
        10.0
        - d * np.tan(elevation)
        + (0.6 + 0.6 * np.sqrt(0.015218 * d / np.cos(elevation))) / np.cos(elevation)
        for d in (15.0, far_edge)
    ]
    # p_clear asks for a little more than the bare room
    assert max(needs) - 0.05 <= remedy.to_height_m <= max(needs) + 1.0
    again = assess(asked, replace(mount, height_m=remedy.to_height_m)).results[0]
    assert again.verdict == "clear"
    lower = assess(asked, replace(mount, height_m=remedy.to_height_m - 0.1)).results[0]
    assert lower.verdict != "clear"


def test_no_height_within_the_limit_means_no_raise():
    wall = building(
        "wall", [[-40, -16], [40, -16], [40, -15], [-40, -15]], ground_elevation_m=10.0, height_m=10.0
    )
    asked = job(scene=Scene((wall,)), readings=readings(2.0, distance=500.0))
    found = check(asked, Mount(height_m=1.6, max_height_m=3.0)).results[0]
    assert "raise" not in [r.action for r in found.remedies]


def test_trim_names_the_tree_and_is_proved():
    crown = tree("sycamore", (0.0, -20.0), ground_elevation_m=10.0, height_m=13.0, crown_radius_m=2.5,
                 growth_m_per_year=0.3)  # fmt: skip
    asked = job(scene=Scene((crown,)), readings=readings(2.0, distance=500.0))
    found = check(asked, Mount(height_m=1.6)).results[0]
    remedy = next(r for r in found.remedies if r.action == "trim")
    assert remedy.obstacle == "sycamore"
    cut = asked.sources.scene.trimmed("sycamore", crown.top_elevation_m - remedy.by_m)
    again = assess(replace(asked, sources=replace(asked.sources, scene=cut)), Mount(height_m=1.6)).results[0]
    assert again.verdict == "clear"


def test_move_goes_to_the_nearest_spot_that_clears():
    pole = tree("larch", (0.0, -15.0), ground_elevation_m=10.0, height_m=14.0, crown_radius_m=1.0)
    asked = job(scene=Scene((pole,)), readings=readings(2.0, distance=500.0))
    remedy = next(r for r in check(asked, Mount(height_m=1.6)).results[0].remedies if r.action == "move")
    assert 1.0 <= remedy.by_m <= 6.0
    again = assess(asked, Mount(height_m=1.6, east_m=remedy.to_east_m, north_m=remedy.to_north_m)).results[0]
    assert again.verdict == "clear"


def test_another_satellite_is_offered_when_it_is_clear():
    azimuth = np.arange(0.0, 360.0, 5.0)
    asked = replace(
        job(readings=readings(np.where(np.abs(azimuth - 180.0) < 12.0, 50.0, 3.0))),
        satellites=(SOUTH, Satellite("Demo East", 5.5)),
    )
    found = check(asked, Mount(height_m=1.6)).results
    assert [r.verdict for r in found] == ["blocked", "clear"]
    assert [r.satellite for r in found[0].remedies if r.action == "other-satellite"] == ["Demo East"]


# objects that move


def moving(**sources):
    """An object near 24 W that swings north and south over a day, asked every two hours."""
    path = Path(__file__).parents[2] / "demo_terrain" / "orbit_demo.json"
    ((_, record),) = read_orbits(path.read_text(encoding="utf-8"), "orbit_demo.json")
    first = dt.datetime(2026, 6, 14, tzinfo=dt.UTC)  # the epoch of its elements
    times = tuple(first + dt.timedelta(hours=2 * step) for step in range(12))
    return replace(job(**sources), satellites=(Satellite("Swinging", orbit=record),), times_utc=times)


def test_the_worst_moment_of_a_track_is_told_and_the_others_beside_it():
    """A level skyline far off: the room needed is the same at all moments, so the lowest moment is the worst."""
    found = result(moving(readings=readings(5.0, distance=2000.0)))
    track = found.track
    assert len(track.margin_deg) == 12
    assert set(track.verdict) == {"clear"}
    assert max(track.margin_deg) - min(track.margin_deg) > 1.0
    assert found.clearance.margin_deg == min(track.margin_deg)
    lowest = int(np.argmin(track.elevation_deg))
    assert found.look.time_utc == track.time_utc[lowest]
    assert found.look.elevation_apparent_deg == min(track.elevation_deg)


def test_a_moment_with_a_worse_verdict_is_worse_than_one_with_less_room():
    """Between its extremes the skyline stands: some moments are blocked, and the deepest of those is the worst."""
    clear = result(moving(readings=readings(5.0, distance=2000.0)))
    low, high = min(clear.track.elevation_deg), max(clear.track.elevation_deg)
    found = result(moving(readings=readings((low + high) / 2, distance=2000.0)))
    assert found.verdict == "blocked"
    assert 0.0 < found.track.share_clear < 1.0
    assert found.track.share_clear == sum(v == "clear" for v in found.track.verdict) / 12
    assert found.clearance.margin_deg == min(found.track.margin_deg)


# what else is told


def test_the_whole_horizon_is_worked_out_only_where_it_is_asked_for():
    asked = job(readings=readings(5.0))
    assert assess(asked, Mount(height_m=2.0)).profile is None
    whole = assess(asked, Mount(height_m=2.0), profile_step_deg=2.0).profile
    assert whole.azimuth_deg.size == 180
    assert np.nanmax(whole.elevation_deg) == approx(5.0)


def test_the_path_profile_needs_rasters():
    mount = Mount(height_m=2.0)
    assert assess(job(readings=readings(5.0)), mount, paths=True).paths == (None,)
    (path,) = assess(job(rasters=(FINE, COARSE)), mount, paths=True).paths
    assert path is not None
    assert assess(job(rasters=(FINE, COARSE)), mount).paths == ()


def bare_tree(offsets_deg, azimuth_deg=179.23):
    """Readings of a far low skyline, with some of a tree without leaves at offsets from the satellite's azimuth."""
    azimuth = np.sort(np.concatenate([np.arange(0.0, 360.0, 5.0), azimuth_deg + np.asarray(offsets_deg)]))
    here = np.isin(azimuth, azimuth_deg + np.asarray(offsets_deg))
    return Readings(
        azimuth,
        np.full(azimuth.size, 5.0),
        np.full(azimuth.size, 300.0),
        ("",) * azimuth.size,
        "horizon.csv",
        kind=tuple("tree" if one else "ground" for one in here),
        leaf=tuple("bare" if one else "" for one in here),
    )


def told(found, words):
    return [note for note in found.reasons if words in note]


@pytest.mark.parametrize(
    ("offsets", "expected"),
    [([-14.0, 9.0], "azimuths 165 to 188 "), ([-16.0, 16.0], None), ([14.9], "azimuths 194 to 194 ")],
)
def test_branches_read_bare_within_15_degrees_of_the_ray_are_told_with_their_azimuths(offsets, expected):
    said = told(result(job(readings=bare_tree(offsets))), "read without leaves")
    assert len(said) == (expected is not None)
    if expected is not None:
        assert expected in said[0]


def unknown_kind(top_deg):
    return Readings(
        np.arange(0.0, 360.0, 5.0), np.full(72, top_deg), np.full(72, 40.0), ("",) * 72, "horizon.csv"
    )


@pytest.mark.parametrize(("spare", "asked"), [(9.0, True), (11.0, False)])
def test_what_was_read_may_be_a_tree_only_where_grown_it_would_come_within_ten_degrees(spare, asked):
    """40 m away a tree that gains 5 x 0.4 m stands 2.0 m taller; the angle is by trigonometry, room by hand."""
    ray = result(job(readings=readings(1.0))).look.elevation_apparent_deg
    room = np.rad2deg(np.arcsin((0.6 + 0.6 * np.sqrt(299_792_458.0 / 19.7e9 * 40.0)) / 40.0))
    grown = ray - room - spare
    gain = 5.0 * 0.4
    # the top as read, two metres under the grown one at the same place
    level = 40.0 * np.cos(np.deg2rad(grown))
    top = np.rad2deg(np.arctan2(level * np.tan(np.deg2rad(grown)) - gain, level))
    assert bool(told(result(job(readings=unknown_kind(top))), "is a tree, growing")) is asked


# the whole horizon, and the errors that a probability rests on


def bump(east_m, north_m, top_m):
    """Low ground with one block of 5 by 5 m, its middle so far from the site."""
    values = np.full((301, 301), 10.0)
    row, column = round(150 - north_m), round(150 + east_m)
    values[row - 2 : row + 3, column - 2 : column + 3] = top_m
    return site_grid(values, 1.0, "surface", name="fine.tif")


def test_the_profile_of_terrain_alone_has_what_stands_there():
    """A block 20 m tall 60 m to the east, its near side 58 m off, seen from 1.6 m over the same ground."""
    profile, _ = horizon_profile(
        job(rasters=(bump(60.0, 0.0, 30.0), COARSE)), Mount(height_m=1.6), np.arange(360.0)
    )
    high = int(np.nanargmax(profile.elevation_deg))
    assert abs(high - 92) <= 3  # 2.5 m to each side at 60 m; the lattice is turned by 2 degrees
    assert profile.elevation_deg[high] == approx(np.rad2deg(np.arctan2(18.4, 57.5)), abs=0.5)
    assert profile.source[high] == "terrain"
    assert np.nanmax(profile.elevation_deg[120:]) < 1.0


def test_the_profile_leaves_out_terrain_that_the_readings_speak_against():
    rasters = (bump(60.0, 0.0, 30.0), COARSE)
    seen = readings(2.0, distance=1000.0)
    profile, _ = horizon_profile(job(rasters=rasters, readings=seen), Mount(height_m=1.6), np.arange(360.0))
    assert np.nanmax(profile.elevation_deg) < 3.0


def test_a_hole_in_the_raster_is_told_by_its_own_distance():
    """The raster reaches 150 m round about, but a hole lies 60 m to the south; a nearer one, behind, matters not."""
    values = np.full((301, 301), 10.0)
    values[120:130, 130:171] = np.nan
    values[205:215, 130:171] = np.nan  # rows run to the south; the near side 55 m off
    holed = site_grid(values, 1.0, "surface", name="fine.tif")
    found = result(job(rasters=(holed,), highest_ground_m=60.0))
    assert found.verdict == "unknown"
    said = [float(m) for m in re.findall(r"hole (\d+) m out", " ".join(found.reasons))]
    assert len(said) == 1
    assert said[0] == approx(54.0, abs=3.0)


def test_bearings_err_as_stated_and_a_landmark_leaves_their_scatter_and_its_own_error():
    """Nine tenths of a compass error are common to all readings, which one sighting with the same compass replaces."""
    survey = Survey(bearing_error_deg=0.8, instrument_height_m=2.0)
    plain = assess(job(readings=readings(5.0), survey=survey), Mount(height_m=2.0)).evidence
    assert plain.errors.bearing_deg == approx(0.8)
    magnetic = replace(survey, bearings="magnetic", date=dt.date(2026, 6, 14))
    turned = assess(job(readings=readings(5.0), survey=magnetic), Mount(height_m=2.0)).evidence
    # the magnetic model knows the declination to about half a degree (WMM2025 technical report, table of errors)
    assert turned.errors.bearing_deg == approx(np.hypot(0.8, 0.45), abs=0.06)
    mark = Landmark("spire", 58.0412, -24.6541, measured_bearing_deg=1.0)
    tied = assess(job(readings=readings(5.0), survey=survey, landmarks=(mark,)), Mount(height_m=2.0)).evidence
    assert tied.errors.bearing_deg == approx(np.hypot(0.8 * np.sqrt(1.0 - 0.9**2), 0.8), abs=0.01)


def test_only_what_grows_errs_by_its_growth():
    scene = Scene(
        (
            tree("oak", (0.0, -40.0), ground_elevation_m=10.0, height_m=8.0, growth_m_per_year=0.5),
            building(
                "shed", [(10, -30), (14, -30), (14, -26), (10, -26)], ground_elevation_m=10.0, height_m=3.0
            ),
        )
    )
    found = assess(job(scene=scene, readings=readings(5.0)), Mount(height_m=2.0)).evidence
    (listed,) = [w for w in found.uncertain_silhouettes(found.obstacles, {"oak": 2.5}) if w.obstacles]
    assert listed.obstacles["oak"].grown_m == 2.5
    assert listed.obstacles["shed"].grown_m == 0.0
