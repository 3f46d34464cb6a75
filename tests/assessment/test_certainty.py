"""What makes a verdict less sure than its readings look: each claim against trigonometry or a closed form."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from pytest import approx
from scipy.optimize import brentq
from scipy.stats import norm

import houses
from skysill.assessment.confidence import confidence
from skysill.assessment.error_model import Errors, ObstacleErrors, RasterErrors, UncertainSilhouette, Unread
from skysill.assessment.pipeline import assess
from skysill.assessment.sampling import height_error_samples, interpolate_knots
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.horizon.measured import shift_to_dish
from skysill.horizon.raster_sharpness import Blur
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.io.site_file import read_site_file
from skysill.model.default_errors import ObstacleError, RasterFacts
from skysill.model.job import Job, Sources
from skysill.model.link import Link, Ray
from skysill.model.obstacle_builders import building
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    Mount,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import Survey

SITE = Site("Skerrow clinic", 58.0312, -24.6541, ground_elevation_m=10.0, ground_source="given")
SOUTH = Satellite("Demo South", -24.0)
TERMINAL, CRITERIA = Terminal(), Criteria(years_ahead=0.0)
STILL = Errors(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
RAY_DEG = 24.097180


def room_deg(distance_m):
    """Half of 1.2 m and 0.6 sqrt(lambda d) at 19.7 GHz, ITU-R P.526-8 eq. (2) with d2 -> infinity."""
    return np.rad2deg(np.arctan((0.6 + 0.6 * np.sqrt(0.299792458 / 19.7 * distance_m)) / distance_m))


def table(elevation, distance, azimuth=None):
    azimuth = np.arange(0.0, 360.0, 5.0) if azimuth is None else np.asarray(azimuth, dtype=float)
    shape = azimuth.shape
    return Readings(
        azimuth, np.full(shape, elevation), np.full(shape, distance), ("",) * azimuth.size, "horizon.csv"
    )


def job(**sources):
    return Job(SITE, (SOUTH,), criteria=CRITERIA, sources=Sources(**sources))


def result(asked, height_m):
    return assess(asked, Mount(height_m=height_m)).results[0]


def chance(uncertain, errors, elevation=RAY_DEG, azimuth=179.0):
    return confidence(
        [uncertain], Ray(azimuth, elevation), link=Link(TERMINAL, CRITERIA), errors=errors
    ).p_clear


# what the instrument could not see

HEDGE_M, HEDGE_RISE_M = 3.5, 2.45  # 35 degrees from the instrument, level distance and rise over it


def hedge_read_from(instrument_m):
    """Trigonometry: the same top from another height."""
    up_m = HEDGE_RISE_M + 1.6 - instrument_m
    return table(np.rad2deg(np.arctan2(up_m, HEDGE_M)), float(np.hypot(up_m, HEDGE_M)))


def test_what_may_stand_behind_a_hedge_read_from_below_needs_a_survey():
    asked = job(readings=hedge_read_from(1.6), survey=Survey(instrument_height_m=1.6), highest_ground_m=40.0)
    found = result(asked, 9.0)
    assert found.verdict == "needs-survey"
    assert found.p_clear is None
    said = next(reason for reason in found.reasons if reason.startswith("Behind"))
    assert "up to 30 m high" in said
    assert "instrument_height_m" in said
    assert result(asked, 1.6).verdict == "blocked"
    east = result(replace(asked, satellites=(Satellite("Demo East", 5.0),)), 9.0)
    for one in (found, east):
        said = next(reason for reason in one.reasons if reason.startswith("Behind"))
        first, last = map(int, re.search(r"Read azimuths (\d+) to (\d+) again", said).groups())
        assert first - 0.5 <= one.look.azimuth_deg <= last + 0.5
        assert last - first < 40  # about the ray, not the whole hedge
    assert "ground of" not in said  # 40 m is 30 m over the instrument's ground: no more than the things


def test_without_a_raster_ground_may_stand_hidden_too_and_the_sentence_says_so():
    """Where things are at most 2 m tall, it is the ground of 40 m that could stand behind the hedge, not they."""
    asked = job(readings=hedge_read_from(1.6), survey=Survey(instrument_height_m=1.6), highest_ground_m=40.0)
    low = replace(asked, criteria=replace(CRITERIA, hidden_tall_m=2.0))
    found = result(low, 9.0)
    assert found.verdict == "needs-survey"
    assert "ground of up to 40 m or something up to 2 m high could stand unseen" in found.reasons[0]
    level = replace(low, sources=replace(low.sources, highest_ground_m=11.0))
    assert result(level, 9.0).verdict == "clear"


def test_a_wood_that_the_hedge_hid_does_stand_in_the_line():
    """28 m of wood, its top on the instrument's line over the hedge: (28 - 1.6) / tan 35 = 37.7 m away. From 7.4 m
    higher it reaches atan(19 / 37.7) = 26.7 degrees, over the ray.
    """
    away_m = (28.0 - 1.6) / np.tan(np.deg2rad(35.0)) + 0.1
    wood = building("wood", [[-60, -away_m - 9], [60, -away_m - 9], [60, -away_m], [-60, -away_m]],
                    ground_elevation_m=10.0, height_m=28.0)  # fmt: skip
    asked = job(readings=hedge_read_from(1.6), survey=Survey(instrument_height_m=1.6), scene=Scene((wood,)))
    assert result(asked, 9.0).verdict == "blocked"


def test_read_again_from_the_height_told_it_is_clear_and_from_lower_it_is_not():
    survey = Survey(instrument_height_m=1.6)
    told = result(job(readings=hedge_read_from(1.6), survey=survey), 9.0)
    said = next(reason for reason in told.reasons if reason.startswith("Behind"))
    height_m = float(re.search(r"again from ([\d.]+) m above the ground", said).group(1))
    assert 1.6 < height_m < 9.0
    again = [
        result(job(readings=hedge_read_from(h), survey=replace(survey, instrument_height_m=h)), 9.0).verdict
        for h in (height_m, height_m - 0.3)
    ]
    assert again == ["clear", "needs-survey"]


def test_another_source_answers_for_what_the_hedge_hides():
    survey = Survey(instrument_height_m=1.6)
    listed = job(readings=hedge_read_from(1.6), survey=survey, scene=Scene((), complete=True))
    assert result(listed, 9.0).verdict == "clear"


def test_the_taller_unseen_things_may_be_the_more_is_in_doubt():
    """Under the line over the hedge things of 12 m reach (12 - 9) / ((12 - 1.6) / tan 35): 11 degrees."""
    asked = job(
        readings=hedge_read_from(1.6),
        survey=Survey(instrument_height_m=1.6),
        rasters=(flat(),),
        highest_ground_m=11.0,
    )
    low = replace(asked, criteria=replace(CRITERIA, hidden_tall_m=12.0))
    assert (result(asked, 9.0).verdict, result(low, 9.0).verdict) == ("needs-survey", "clear")


def flat(cell_m=30.0, kind="bare", half_m=900.0, error_m=0.3, facts=None, values=None, name="flat"):
    from pyproj import Transformer

    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32626", always_xy=True).transform(-24.6541, 58.0312)
    count = 2 * int(half_m / cell_m) + 1
    values = np.full((count, count), 10.0) if values is None else values
    corner = cell_m * (count // 2)
    transform = (cell_m, 0.0, east - corner, 0.0, -cell_m, north + corner)
    return HeldGrid(
        Grid(values.astype(np.float32), transform, "EPSG:32626"), name, kind, cell_m, error_m, facts
    )


def test_what_stands_near_the_dish_must_be_read_from_an_instrument_aside():
    """Instrument 12 m east of the dish, satellite due south but for 0.8 degrees: what stands 10 m from the dish lies
    at azimuth 180 + atan(12 / 10) = 230 from there.
    """
    survey = Survey(instrument_height_m=2.0, east_m=12.0)
    narrow = result(job(readings=table(5.0, 900.0, np.arange(160.0, 200.0, 4.0)), survey=survey), 2.0)
    assert narrow.verdict == "needs-survey"
    said = next(reason for reason in narrow.reasons if "beside the dish" in reason)
    assert float(re.search(r"azimuth (\d+)", said).group(1)) == approx(
        180.0 + np.rad2deg(np.arctan2(12.0, 10.0)), abs=1.0
    )
    wide = result(job(readings=table(5.0, 900.0, np.arange(160.0, 240.0, 4.0)), survey=survey), 2.0)
    assert wide.verdict == "clear"
    assert wide.p_clear <= 0.99  # nearer than that nobody read
    assert any("nearer than" in reason for reason in wide.reasons)
    assert result(job(readings=table(5.0, 900.0), survey=survey), 2.0).p_clear > 0.99


# blocked from an assumption


def test_a_reading_without_a_distance_does_not_block_a_higher_dish_but_asks_for_the_distance():
    survey = Survey(instrument_height_m=1.6)
    found = result(job(readings=table(30.0, np.nan), survey=survey), 5.6)
    assert found.verdict == "marginal"
    assert found.p_clear is None
    assert "distance_m" in found.reasons[0]
    limit_m = float(re.search(r"nearer than ([\d.]+) m", found.reasons[0]).group(1))
    # trigonometry: d sin 30 - 4.0 = d cos 30 tan(ray)
    assert limit_m == approx(4.0 / (0.5 - np.sqrt(0.75) * np.tan(np.deg2rad(RAY_DEG))), abs=0.6)
    verdicts = [
        result(job(readings=table(30.0, limit_m + by), survey=survey), 5.6).verdict for by in (-8.0, 2.0)
    ]
    assert verdicts[0] != "blocked"
    assert verdicts[1] == "blocked"


def test_what_stands_in_the_line_at_the_instruments_own_height_blocks_without_a_distance():
    assert (
        result(job(readings=table(30.0, np.nan), survey=Survey(instrument_height_m=2.0)), 2.0).verdict
        == "blocked"
    )


# distances, places and ground


@pytest.mark.parametrize(("elevation", "distance"), [(42.0, 12.0), (38.0, 16.0)])
def test_a_distance_error_turns_a_carried_edge_as_its_lever_does(elevation, distance):
    """One reading from 5 m below the dish; the distance at which its room is just there, by root finding."""
    one = Readings(np.array([179.0]), np.array([elevation]), np.array([distance]), ("",), "horizon.csv")
    step = np.array([0.0, 0.0, 5.0])
    columns = shift_to_dish(
        one, east_m=0.0, north_m=0.0, up_m=5.0, max_gap_deg=5.0, inclination_error_deg=0.0
    ).drawn

    def spare(factor):
        level, up = (
            distance * factor * np.cos(np.deg2rad(elevation)),
            distance * factor * np.sin(np.deg2rad(elevation)),
        )
        return RAY_DEG - np.rad2deg(np.arctan2(up - 5.0, level)) - room_deg(np.hypot(level, up - 5.0))

    just = brentq(spare, 0.55, 1.6)
    expected = norm.cdf((just - 1.0) / 0.05)
    uncertain = UncertainSilhouette(columns.silhouette, columns.anchors, columns.weights, step)
    assert 0.01 < expected < 0.99
    # first order: the angle is taken along the tangent
    assert chance(uncertain, replace(STILL, distance_fraction=0.05)) == approx(expected, abs=0.03)


@pytest.mark.parametrize("spare", [-0.4, 0.3])
def test_an_obstacles_place_towards_the_dish_counts(spare):
    """A long wall 12 m off: moved by a, it stands at atan(h / (12 + a)); its room is just there by root finding."""
    top = brentq(lambda t: RAY_DEG - t - room_deg(12.0 / np.cos(np.deg2rad(t))) - spare, 1.0, 24.0)
    height_m = 12.0 * np.tan(np.deg2rad(top))
    azimuth = np.array([179.0])
    wall = Silhouette(
        "obstacle",
        azimuth,
        np.array([top]),
        12.0 / np.cos(np.deg2rad(top)),
        (Feature("w", "wall", "obstacle"),),
        0,
    )
    uncertain = UncertainSilhouette(wall, obstacles={"w": ObstacleErrors(0.0, 0.8, 0.0)})

    def left(a):
        return RAY_DEG - np.rad2deg(np.arctan2(height_m, 12.0 + a)) - room_deg(np.hypot(height_m, 12.0 + a))

    expected = 1.0 - norm.cdf(brentq(left, -6.0, 9.0) / 0.8)
    assert chance(uncertain, replace(STILL, obstacle_m=0.3)) == approx(expected, abs=0.03)


@pytest.mark.parametrize(("distance", "sigma"), [(15.0, 0.1), (300.0, np.sqrt(2.0))])
def test_ground_of_a_coarse_raster_errs_together_with_what_stands_on_it(distance, sigma):
    """Correlation 150 m, error 3 m, dish on the same raster: 15 m away nearly the same error, 300 m away its own."""
    spare = 0.5
    top = brentq(lambda t: RAY_DEG - t - room_deg(distance / np.cos(np.deg2rad(t))) - spare, 1.0, 24.0)
    slant = distance / np.cos(np.deg2rad(top))
    house = Silhouette(
        "obstacle", np.array([179.0]), np.array([top]), slant, (Feature("h", "building", "obstacle"),), 0
    )
    uncertain = UncertainSilhouette(house, obstacles={"h": ObstacleErrors(0.0, 0.0, 0.0, ground_from="g")},
                      rasters={"g": RasterErrors(3.0, 150.0)}, ground_from="g")  # fmt: skip
    turn = np.rad2deg(3.0 * sigma * np.cos(np.deg2rad(top)) / slant)
    expected = norm.cdf(spare / turn)
    assert chance(uncertain, replace(STILL, obstacle_m=0.1, terrain=1.0)) == approx(expected, abs=0.04)


def test_between_posts_the_full_error_stands():
    along = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 3.0, 6.0, 12.0])
    spread = interpolate_knots(height_error_samples(20_000), along).std(axis=0)
    assert spread == approx(np.ones(along.size), abs=0.02)


# between and beside readings


def test_wide_gaps_between_readings_cost_certainty():
    """The same level skyline, read every degree and every five: nobody looked in the wider gaps."""
    survey = Survey(instrument_height_m=2.0, bearing_error_deg=0.5, inclination_error_deg=0.2)
    close, wide = (
        result(job(readings=table(22.0, 60.0, np.arange(0.0, 360.0, step)), survey=survey), 2.0).p_clear
        for step in (1.0, 5.0)
    )
    assert wide < close - 0.01


def test_an_upright_edge_may_stand_anywhere_in_a_gap():
    """Between 28 degrees up at azimuth 173.5 and 5 at 178.5 the high thing ends at any place, in six of ten such gaps.

    It takes the room, 15 m away, where its edge comes within room / cos(elevation) of the ray; in the other four the
    skyline runs straight, and stays clear of the room.
    """
    two = Readings(
        np.array([173.5, 178.5]), np.array([28.0, 5.0]), np.array([15.0, 15.0]), ("", ""), "horizon.csv"
    )
    columns = shift_to_dish(
        two, east_m=0.0, north_m=0.0, up_m=0.0, max_gap_deg=5.0, inclination_error_deg=0.0
    ).drawn
    unread = Unread(columns.stretch, columns.along, columns.width_deg, columns.rise_deg)
    uncertain = UncertainSilhouette(columns.silhouette, columns.anchors, columns.weights, unread=unread)
    near_deg = np.rad2deg(np.arcsin(np.sin(np.deg2rad(room_deg(15.0))) / np.cos(np.deg2rad(RAY_DEG))))
    taking = (178.5 - (179.2286 - near_deg)) / 5.0
    assert 0.1 < taking < 0.9
    assert chance(uncertain, replace(STILL, unread=1.0), azimuth=179.2286) == approx(
        1.0 - 0.6 * taking, abs=0.06
    )


def test_readings_over_sixteen_degrees_are_not_over_99_percent_where_the_thing_is_near():
    """A wall 4.5 m away that goes on, unread, past both ends of the window: its room is 12 degrees to each side."""
    survey = Survey(instrument_height_m=2.0, distance_error_m=0.05)
    narrow, wide = (
        result(job(readings=table(9.0, 4.5, np.arange(*window, 2.0)), survey=survey), 2.0)
        for window in ((171.0, 188.0), (131.0, 229.0))
    )
    assert wide.p_clear > 0.99
    assert narrow.p_clear < 0.98


# fine rasters near the dish


def hedge_raster(cells, *, horizontal_m=0.0, high_m=14.0, away_m=8):
    """A ridge one cell wide, `away_m` south of the dish."""
    values = np.full((401, 401), 10.0)
    values[200 + away_m, :] = high_m
    return flat(1.0, "surface", 200.0, 0.05, RasterFacts(horizontal_m, cells), values, "fine")


def test_cells_of_means_are_less_sure_of_a_hedge_than_cells_of_highest_points():
    mean, highest = (
        result(job(rasters=(hedge_raster(cells),), highest_ground_m=16.0), 2.0).p_clear
        for cells in ("mean", "highest")
    )
    assert mean < highest - 0.05


def test_a_raster_laid_askew_is_as_bad_as_a_dish_out_of_place():
    """Only the step between the two matters, so either error alone gives the same probability."""
    survey = Survey(position_error_m=0.0)
    laid = job(
        rasters=(hedge_raster("highest", horizontal_m=1.0, high_m=14.4),),
        highest_ground_m=16.0,
        survey=survey,
    )
    slipped = job(
        rasters=(hedge_raster("highest", high_m=14.4),),
        highest_ground_m=16.0,
        survey=replace(survey, position_error_m=1.0),
    )
    one, other = (result(asked, 2.0).p_clear for asked in (laid, slipped))
    assert one < 0.999
    assert one == approx(other, abs=0.03)


# order


def test_no_order_changes_the_probability():
    rng = np.random.default_rng(9)
    houses = tuple(
        replace(building(f"house {n}", [[e - 3, -d], [e + 3, -d], [e + 3, -d - 5], [e - 3, -d - 5]],
                         ground_elevation_m=10.0, height_m=2.0 + d * np.tan(np.deg2rad(19.0 + n))),
                errors=ObstacleError(0.5, 0.6, 0.7, "stated"))
        for n, (e, d) in enumerate([(0.0, 14.0), (4.0, 22.0), (-4.0, 31.0)])
    )  # fmt: skip
    azimuth = np.arange(150.0, 211.0, 3.0)
    read = table(17.0, 40.0, azimuth)
    others = (Satellite("Demo East", 5.5), Satellite("Demo West", -52.5))
    asked = Job(SITE, (SOUTH, *others), criteria=CRITERIA,
                sources=Sources(readings=read, survey=Survey(instrument_height_m=2.0),
                                scene=Scene(houses)))  # fmt: skip

    def p_clear(some):
        return next(
            r.p_clear for r in assess(some, Mount(height_m=2.0)).results if r.satellite.name == "Demo South"
        )

    first = p_clear(asked)
    assert 0.05 < first < 0.95
    shuffled = rng.permutation(azimuth.size)
    for other in (
        replace(asked, satellites=(*others, SOUTH)),
        replace(asked, sources=replace(asked.sources, scene=Scene(houses[::-1]))),
        replace(asked, sources=replace(asked.sources, readings=read.taken(shuffled))),
    ):
        assert p_clear(other) == first


def test_other_satellites_of_the_job_leave_a_probability_as_it_is(tmp_path):
    """A parapet two metres away, far aside of one ray but in the window of another (once 0.66 for 0.99).

    What is left, half a hundredth, is where the other windows' azimuths lie between this one's own.
    """
    job = read_site_file(houses.raster_site(tmp_path, houses.flat_roof()))
    mount = Mount("parapet", 9.89, 0.09, height_m=1.0)
    together = assess(job, mount, explain=False).results
    assert len(together) == 3
    for satellite, found in zip(job.satellites, together, strict=True):
        alone = assess(replace(job, satellites=(satellite,)), mount, explain=False).results[0]
        assert found.verdict == alone.verdict
        assert found.p_clear == pytest.approx(alone.p_clear, abs=0.005)


# each error by itself against a closed form


def one_column(top_deg, *, distance_m=np.nan, source="measured", azimuth_deg=179.0, **more):
    column = Silhouette(
        source,
        np.array([azimuth_deg]),
        np.array([top_deg]),
        np.array([distance_m]),
        (Feature("one", "reading", source),),
        0,
    )
    return UncertainSilhouette(column, **more)


@pytest.mark.parametrize("spare", [-0.5, 0.4])
def test_a_distance_that_nobody_measured_is_log_normal_about_the_assumed_one(spare):
    """Half a natural logarithm, as the code states: its room is there from some factor of the assumed 10 m on."""
    top = RAY_DEG - room_deg(10.0) - spare
    factor = brentq(lambda f: RAY_DEG - top - room_deg(10.0 * f), 0.1, 10.0)
    expected = 1.0 - norm.cdf(np.log(factor) / 0.5)
    assert 0.05 < expected < 0.95
    assert chance(one_column(top), replace(STILL, unread=1.0)) == approx(expected, abs=0.03)


@pytest.mark.parametrize(("along", "reached"), [(0.5, 0.5), (0.1, 0.35)])
def test_what_rises_unread_between_two_readings_is_half_as_wide_as_the_gap(along, reached):
    """0.0025 w^2 of the gaps have something 0.5 degree and an exponential of 0.7 high, over half the gap, anywhere."""
    gap = Unread(np.array([0]), np.array([along]), np.array([10.0]), np.array([0.0]))
    spare = 0.9
    uncertain = one_column(RAY_DEG - room_deg(300.0) - spare, distance_m=300.0, unread=gap)
    expected = 1.0 - 0.0025 * 10.0**2 * reached * np.exp(-(spare - 0.5) / 0.7)
    assert chance(uncertain, replace(STILL, unread=1.0)) == approx(expected, abs=0.015)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_an_edge_beside_the_ray_that_a_fine_raster_blurs_stands_nearer_to_it(side):
    """An upright edge 20 m away, on either side; it may be 0.3 m wider, standard deviation 0.1 m: a normal law."""
    gap_deg = 6.0
    angle = np.deg2rad(
        [gap_deg, RAY_DEG]
    )  # from the ray to the edge: sin = sin(azimuth difference) cos(elevation)
    level_m = 20.0
    from_ray_deg = np.rad2deg(np.arcsin(np.sin(angle[0]) * np.cos(angle[1])))
    needed_deg = room_deg(level_m / np.cos(np.deg2rad(60.0)))
    assert from_ray_deg > needed_deg
    azimuth_deg = 179.0 + side * gap_deg
    just_deg = np.rad2deg(np.arcsin(np.sin(np.deg2rad(needed_deg)) / np.cos(angle[1])))
    spare_m = level_m * (np.sin(angle[0]) - np.sin(np.deg2rad(just_deg)))
    lost_m, spread_m = spare_m + 0.05, 0.1
    blur = Blur(np.zeros(1), np.array([lost_m]), np.array([spread_m]))
    uncertain = one_column(
        60.0,
        distance_m=level_m / np.cos(np.deg2rad(60.0)),
        source="terrain",
        azimuth_deg=azimuth_deg,
        blur=blur,
        rasters={"one": RasterErrors(0.0, 5.0, fine=True)},
    )
    expected = norm.cdf((spare_m - lost_m) / spread_m)
    assert chance(uncertain, replace(STILL, terrain=1.0)) == approx(expected, abs=0.05)


def test_of_two_obstacles_with_one_name_the_wider_errors_count_and_the_ground_that_errs():
    known = ObstacleErrors(0.1, 0.2, 0.3, 0.4, "")
    other = ObstacleErrors(0.4, 0.1, None, 0.2, "island.tif")
    for wide in (known.widest(other), other.widest(known)):
        assert wide == ObstacleErrors(0.4, 0.2, None, 0.4, "island.tif")
