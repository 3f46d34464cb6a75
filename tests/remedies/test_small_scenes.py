"""Raising, moving and trimming in scenes of one hall or one tree, by plain geometry."""

from __future__ import annotations

import dataclasses
import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.pipeline import assess
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.job import Job, Sources
from skysill.model.link import Link, Ray
from skysill.model.obstacle_builders import building, tree, wire
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Roof, Satellite, Site, Terminal
from skysill.model.survey import Survey
from skysill.remedies.moving import _ground_rise_m, _in_order, _rings, _there, spots_word
from skysill.remedies.parallax import shifted_spare_deg
from skysill.remedies.raising import least_height
from skysill.remedies.search import check
from skysill.remedies.tape_distances import _named, tapes_to
from skysill.remedies.trials import Trials, first_good, line_warning, short_of

EAST = Satellite("East", longitude_deg=30.0)  # due east of the site on the equator, near 55 degrees up
BELOW = Satellite("Below", longitude_deg=150.0)
WEST = Satellite("West", longitude_deg=-30.0)
NEXT = Satellite("Next", longitude_deg=-33.0)
HALL = building("hall", [[4, -3], [6, -3], [6, 3], [4, 3]], ground_elevation_m=0.0, height_m=9.0)
LIGHT_M_S, GHZ, DISH_M = 299_792_458.0, 12.0, 0.8


def job(*things, satellites=(EAST,), rasters=(), **more):
    level = Readings(
        np.arange(0.0, 360.0, 5.0), np.full(72, 1.0), np.full(72, 500.0), ("",) * 72, "horizon.csv"
    )
    return Job(
        Site("here", 0.0, 0.0, ground_elevation_m=0.0, ground_source="given"),
        satellites,
        terminal=Terminal(dish_diameter_m=DISH_M, receive_ghz=GHZ),
        criteria=Criteria(years_ahead=0, min_p_clear=0.0),
        sources=Sources(
            scene=Scene(things, complete=True),
            readings=level,
            survey=Survey(instrument_height_m=2.0),
            rasters=rasters,
        ),
        **more,
    )  # fmt: skip


def post(height_m=2.0, **more):
    return Mount("post", 0.0, 0.0, height_m, **more)


def trials(asked, mount):
    asked = prepared(asked)
    found = assess(asked, mount)
    return Trials.of(asked, mount, found.results[0], found.evidence, JobContext())


def room_m(distance_m):
    """Half the dish and 0.6 of the first Fresnel radius: ITU-R P.526, common practice."""
    return DISH_M / 2.0 + 0.6 * np.sqrt(LIGHT_M_S / (GHZ * 1e9) * distance_m)


def clears_edge(height_m, elevation_deg, *, edge_m=4.0, top_m=9.0):
    """Whether a ray due east from height_m passes a level edge with its room, points of the edge taken one by one.

    The edge is 6 m long and square to the ray, so the nearest of its points is in the ray's own upright plane.
    """
    along = np.deg2rad(elevation_deg)
    up_m = top_m - height_m
    ahead_m = edge_m * np.cos(along) + up_m * np.sin(along)
    over_m = edge_m * np.sin(along) - up_m * np.cos(along)
    return over_m > 0.0 and np.degrees(np.arctan2(over_m, ahead_m)) >= np.degrees(
        np.arctan2(room_m(np.hypot(ahead_m, over_m)), np.hypot(ahead_m, over_m))
    )


# --- raising ---


def test_a_raise_is_the_first_step_from_which_the_ray_passes_the_edge():
    [result] = check(job(HALL), post()).results
    [raised] = [r for r in result.remedies if r.action == "raise"]
    elevation_deg = result.look.elevation_apparent_deg
    steps = np.arange(41, 300) * 0.05
    [least_m] = [
        h for h in steps if clears_edge(h, elevation_deg) and not clears_edge(h - 0.05, elevation_deg)
    ]
    assert raised.to_height_m == pytest.approx(least_m, abs=1e-6)
    assert raised.by_m == pytest.approx(least_m - 2.0, abs=1e-6)


@pytest.mark.parametrize("first", [0, 1, 12, 40, 90])
@pytest.mark.parametrize("ample", [5, 60, None])
def test_the_least_height_does_not_depend_on_the_first_estimate(first, ample):
    """Heights from 2.05 m on in steps of 0.05; a full assessment of the first ones says no, of the others yes."""
    estimate_deg = np.where(np.arange(200) >= 40, 0.1, -1.0)
    if ample is not None:
        estimate_deg = np.where(np.arange(200) >= 40 + ample, 1.0, estimate_deg)
    asked = SimpleNamespace(
        job=job(),
        mount=post(),
        foot_m=np.zeros(3),
        scene_spare_deg=lambda step_m: estimate_deg,
        fixed_spare_deg=lambda step_m: np.full(200, 3.0),
        tried=lambda mount: (
            (SimpleNamespace(verdict="clear"), 0.0) if mount.height_m >= 2.05 + 0.05 * first - 1e-9 else None
        ),
    )
    height_m, verdict = least_height(asked)
    assert (height_m, verdict) == (pytest.approx(2.05 + 0.05 * first), "clear")


@pytest.mark.parametrize("start", [96, 97, 98])
def test_the_search_never_asks_beyond_the_last(start):
    asked = []
    assert first_good(lambda at: bool(asked.append(at)) or at >= 100, 0, 99, start) is None
    assert max(asked) == 99


def test_no_mast_is_offered_within_reach_of_a_line_and_none_is_warned_of_far_from_one():
    """10 ft, 3.05 m: 29 CFR 1926.1408 Table A, up to 50 kV, from memory."""
    at = job(HALL, wire("service line", [[-30, 0, 8.0], [30, 0, 8.0]]))
    assert line_warning(at, np.zeros(3), 7.5) is None
    assert line_warning(at, np.array([0.0, 60.0, 0.0]), 2.0) == ""


def test_the_foot_is_where_the_mount_stands():
    found = trials(job(HALL), Mount("post", 1.5, -1.0, 2.0, surface_elevation_m=0.25))
    assert found.foot_m == pytest.approx([1.5, -1.0, 0.25])


# --- moving ---


def sloping(east_rise, north_rise, *, kind="bare", bump_m=0.0):
    """Ground by degrees of longitude and latitude around 0, 0; a bump from 20 m east on."""
    degree_m = 111_319.49  # of the equator, WGS 84
    at_m = np.arange(-60, 61)
    east_m, north_m = np.meshgrid(at_m, -at_m)
    values = 100.0 + east_rise * east_m + north_rise * north_m + np.where(east_m >= 20, bump_m, 0.0)
    step = 1.0 / degree_m
    grid = Grid(values.astype(np.float32), (step, 0.0, -60 * step, 0.0, -step, 60 * step), "EPSG:4326")
    return HeldGrid(grid, kind=kind, cell_size_m=1.0, vertical_error_m=0.1)


def standing_at(east_m, north_m, *rasters, surface_m=None, source="raster", roof=None):
    mount = Mount("post", east_m, north_m, 2.0, surface_elevation_m=surface_m)
    place = SimpleNamespace(
        site=Site("here", 0.0, 0.0, ground_elevation_m=100.0),
        mount=dataclasses.replace(mount, surface_source=source),
        datum_known=True,
    )
    sources = SimpleNamespace(rasters=rasters)
    return SimpleNamespace(
        evidence=SimpleNamespace(place=place), job=SimpleNamespace(sources=sources, roof=roof), mount=mount
    )


def test_the_ground_rises_from_the_mount_as_it_slopes():
    """A plane: 0.1 m a metre to the east, 0.02 to the north; a degree of latitude is 0.7 % shorter at the equator."""
    steps_m = np.array([[3.0, 0.0], [0.0, 4.0], [-5.0, 2.0], [9.0, 0.0]])
    rise_m = _ground_rise_m(standing_at(7.0, -2.0, sloping(0.1, 0.02)), steps_m)
    assert rise_m == pytest.approx([0.3, 0.08, -0.46, 0.9], abs=2e-3)


def test_a_step_up_that_is_no_slope_is_no_ground():
    """0.3 m and 0.3 m a metre: as documented. A plateau 5 m up begins 20 m east: 9 m away that is too steep."""
    found = _ground_rise_m(
        standing_at(11.0, 0.0, sloping(0.0, 0.0, bump_m=5.0)), np.array([[9.5, 0.0], [3.0, 0.0]])
    )
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(0.0, abs=1e-6)


def test_from_the_sites_position_the_rise_to_the_mount_is_counted():
    """What a mount's stated elevation is held against: the ground at the mount less that at the origin."""
    at = standing_at(7.0, -2.0, sloping(0.1, 0.02))
    assert _ground_rise_m(at, np.zeros((1, 2)), origin=True) == pytest.approx([0.66], abs=2e-3)
    assert _ground_rise_m(at, np.array([[3.0, 0.0], [0.0, 4.0]]), origin=True) == pytest.approx(
        [0.96, 0.74], abs=2e-3
    )


def test_a_given_elevation_follows_the_ground_and_takes_the_roofs_own():
    flat = Roof(
        outline=((2, -3), (8, -3), (8, 3), (2, 3)),
        surface=((2, -3, 104.9), (8, -3, 104.9), (8, 3, 104.9), (2, 3, 104.9)),
    )
    step_m = np.array([4.0, 1.0, 0.7])
    on_ground = _there(standing_at(1.0, 0.0, surface_m=100.0, source="given"), step_m)
    assert (on_ground.east_m, on_ground.north_m) == (5.0, 1.0)
    assert on_ground.surface_elevation_m == pytest.approx(100.7)
    on_roof = _there(standing_at(1.0, 0.0, surface_m=104.0, source="given", roof=flat), step_m)
    assert on_roof.surface_elevation_m == pytest.approx(104.9)  # 104.7 is the same roof, by its own surface
    under_it = _there(standing_at(1.0, 0.0, surface_m=100.0, source="given", roof=flat), step_m)
    assert under_it.surface_elevation_m == pytest.approx(100.7)


def test_spots_are_looked_for_on_circles_with_no_gap_wider_than_their_spacing():
    """Half a metre out to 6 m, a metre beyond, as documented; the spots of a circle are no farther apart."""
    spots_m = _rings(12.0)
    far_m = np.hypot(*spots_m.T).round(6)
    assert np.unique(far_m).tolist() == pytest.approx([*np.arange(0.5, 6.01, 0.5), *range(7, 13)])
    for radius_m in np.unique(far_m):
        ring = spots_m[far_m == radius_m]
        turn = np.sort(np.arctan2(*ring.T))
        gap_m = radius_m * np.diff(np.append(turn, turn[0] + 2.0 * np.pi))
        widest_m = 0.5 if radius_m <= 6.0 else 1.0
        assert gap_m.max() <= widest_m + 1e-9
        assert gap_m.min() >= widest_m / 2.0 or len(ring) == 8


def test_of_each_distance_the_roomiest_spot_is_tried_nearest_first():
    steps_m = np.array([[2.0, 0, 0], [0, 2.0, 0], [-2.0, 0, 0], [0, 1.0, 0], [1.0, 0, 0], [0.0, 4.0, 0]])
    spare_deg = np.array([1.5, 2.5, -1.0, -0.5, 0.5, 3.0])
    order = list(_in_order(steps_m, spare_deg))
    assert order[:2] == [1, 5]  # the ring at 1 m has no ample spot
    assert order[2:] == [0]  # of the others with room the roomiest, and none within 1.5 m of it


@pytest.mark.parametrize(("way", "satellite", "bearings_deg"), [(1, EAST, (180, 360)), (-1, WEST, (0, 180))])
def test_a_move_away_from_a_long_wall_has_a_bearing_from_0_to_360(way, satellite, bearings_deg):
    """The wall stands before the satellite: whatever clears is on the other side of the mount."""
    ring = [[3 * way, -40], [6 * way, -40], [6 * way, 40], [3 * way, 40]]
    wide = building("hall", ring, ground_elevation_m=0.0, height_m=8.0)
    [result] = check(job(wide, satellites=(satellite,)), post(max_height_m=2.0)).results
    [move] = result.remedies
    assert move.action == "move"
    assert move.to_east_m * way < -0.5
    assert bearings_deg[0] < move.bearing_deg < bearings_deg[1]
    assert move.by_m == pytest.approx(np.hypot(move.to_east_m, move.to_north_m))


@pytest.mark.parametrize(
    ("east_m", "surface_m", "words"),
    [
        (3.0, 5.0, "spot of the roof within 30 m"),
        (-0.4, 4.0, "spot of the roof within 30 m"),
        (-0.6, 4.0, ""),
        (3.0, None, "spot within 12 m"),
        (-6.0, 0.2, "spot within 12 m"),
    ],
)
def test_a_mount_moves_where_it_stands_on_the_roof_on_the_wall_or_on_the_ground(east_m, surface_m, words):
    roof = Roof(
        outline=((0, 0), (8, 0), (8, 6), (0, 6)), surface=((0, 0, 5), (8, 0, 5), (8, 6, 5), (0, 6, 5))
    )
    mount = Mount("post", east_m, 3.0, 2.0, surface_elevation_m=surface_m)
    place = SimpleNamespace(
        site=Site("here", 0.0, 0.0, ground_elevation_m=0.0),
        mount=dataclasses.replace(mount, surface_source="ground" if surface_m is None else "given"),
        datum_known=True,
    )
    sources = SimpleNamespace(rasters=())
    at = SimpleNamespace(
        evidence=SimpleNamespace(place=place), job=SimpleNamespace(sources=sources, roof=roof), mount=mount
    )
    assert spots_word(at) == words


# --- trimming ---

ASH = tree(
    "ash", (5.0, 0.0), ground_elevation_m=0.0, height_m=9.5, crown_radius_m=1.5, crown_base_height_m=2.0
)


def cut_to(height_m):
    return assess(prepared(job(ASH.lowered(height_m))), post()).results[0].verdict


def test_a_trim_is_the_least_cut_in_tenths_of_a_metre():
    [result] = check(job(ASH), post()).results
    [trim] = [r for r in result.remedies if r.action == "trim"]
    [one] = trim.trims
    assert one.trimmed_to_height_m * 10.0 == pytest.approx(round(one.trimmed_to_height_m * 10.0), abs=1e-6)
    assert cut_to(one.trimmed_to_height_m) == "clear"
    assert cut_to(one.trimmed_to_height_m + 0.1) != "clear"
    assert one.by_m == pytest.approx(9.5 - one.trimmed_to_height_m)
    assert one.share == pytest.approx(one.by_m / 9.5, abs=1e-4)
    assert ("more than the third" in trim.text) is (one.by_m > 9.5 / 3.0)


def test_a_building_is_not_trimmed_nor_a_tree_that_is_not_in_the_way():
    bush = tree("bush", (-6.0, 0.0), ground_elevation_m=0.0, height_m=6.0, crown_radius_m=1.5)
    [result] = check(job(HALL, bush), post()).results
    assert result.verdict == "blocked"
    assert not [r for r in result.remedies if r.action == "trim"]


# --- what else is said ---


def test_another_satellite_is_named_only_if_it_is_clear_from_the_same_mount():
    east, west, _ = check(job(HALL, satellites=(EAST, WEST, NEXT)), post(max_height_m=2.0)).results
    assert (east.verdict, west.verdict) == ("blocked", "clear")
    [other] = [r for r in east.remedies if r.action == "other-satellite"]
    assert other.satellite == "West"
    assert other.text == "From this same mount West is clear."
    assert not west.remedies
    near = Satellite("Near", longitude_deg=30.5)
    for result in check(job(HALL, satellites=(EAST, near)), post(max_height_m=2.0)).results:
        assert result.verdict == "blocked"
        assert not [r for r in result.remedies if r.action == "other-satellite"]


def test_for_a_satellite_below_the_horizon_nothing_is_searched():
    [result] = check(job(HALL, satellites=(BELOW,)), post()).results
    assert not result.look.visible
    assert (result.verdict, result.remedies, result.searched) == ("blocked", (), "")


def test_paths_and_profiles_are_worked_out_only_for_pictures():
    assert check(job(satellites=(WEST,)), post()).paths == ()


# --- first estimates ---

LINK = Link(Terminal(dish_diameter_m=DISH_M, receive_ghz=GHZ), Criteria())


def column(*, azimuth_deg, elevation_deg, distance_m):
    count = np.size(azimuth_deg)
    return Silhouette(
        "reading",
        np.atleast_1d(azimuth_deg),
        np.broadcast_to(elevation_deg, (count,)),
        np.broadcast_to(distance_m, (count,)),
        (Feature("pole", "reading", "reading"),),
        np.zeros(count, dtype=int),
    )


def test_a_near_top_seen_from_higher_up_leaves_the_room_of_the_plain_triangle():
    """A top 10 m away at 30 degrees, dead ahead; from 2 m higher it stands at atan((10 sin 30 - 2) / (10 cos 30))."""
    near = column(azimuth_deg=90.0, elevation_deg=30.0, distance_m=10.0)
    far = column(azimuth_deg=[90.0, 95.0], elevation_deg=[1.0, 2.0], distance_m=5000.0)
    steps_m = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 2.0], [3.0, 0.0, 2.0]])
    level_m, up_m = 10.0 * np.cos(np.pi / 6.0) - steps_m[:, 0], 5.0 - steps_m[:, 2]
    away_m = np.hypot(level_m, up_m)
    want = 40.0 - np.degrees(np.arctan2(up_m, level_m)) - np.degrees(np.arctan2(room_m(away_m), away_m))
    beside = column(azimuth_deg=[91.0, 90.0], elevation_deg=[2.0, 30.0], distance_m=10.0)
    for seen in ((near,), (near, far), (beside,)):
        found = shifted_spare_deg(seen, Ray(90.0, 40.0), steps_m, link=LINK, enough_deg=90.0)
        assert found == pytest.approx(want, abs=1e-3)  # single precision


def test_a_top_that_a_step_may_pass_is_looked_at_too():
    """1.5 m away and 2 m up: the dish may end above it, and then it is in the way no more."""
    near = column(azimuth_deg=90.0, elevation_deg=60.0, distance_m=1.5)
    up_m, level_m = 1.5 * np.sin(np.pi / 3.0), 0.75
    away_m = np.hypot(level_m, up_m)
    found = shifted_spare_deg(
        (near,), Ray(90.0, 40.0), np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 2.0]]), link=LINK
    )
    assert found[0] == pytest.approx(
        -np.degrees(np.arctan2(room_m(away_m), away_m)), abs=1e-3
    )  # it meets the top
    after_m = np.hypot(level_m, up_m - 2.0)
    top_deg = np.degrees(np.arctan2(up_m - 2.0, level_m))
    assert found[1] == pytest.approx(
        40.0 - top_deg - np.degrees(np.arctan2(room_m(after_m), after_m)), abs=1e-3
    )


def test_what_is_far_off_is_not_counted():
    far = column(azimuth_deg=[200.0], elevation_deg=[30.0], distance_m=5000.0)
    assert np.isinf(shifted_spare_deg((far,), Ray(90.0, 40.0), np.zeros((2, 3)), link=LINK)).all()


# --- tapes ---


def test_tapes_begin_at_the_nearest_corners_that_cross_well():
    """From 3 m before the middle of a wall 6 m long the two near corners are seen square to each other."""
    tapes = tapes_to(job(HALL), 1.0, 0.0, on_roof=False)
    assert {tape.corner for tape in tapes} == {
        'the north-west corner of "hall"',
        'the south-west corner of "hall"',
    }
    assert [tape.distance_m for tape in tapes] == pytest.approx([np.hypot(3.0, 3.0)] * 2, abs=0.006)
    assert {tape.along for tape in tapes} == {"level"}


def test_of_the_pairs_that_cross_well_the_nearest_is_told():
    """Asked of every pair of corners of two buildings: those that cross at 30 to 150 degrees, least in total."""
    shed = building("shed", [[-9, 5], [-4, 5], [-4, 8], [-9, 8]], ground_elevation_m=0.0, height_m=3.0)
    corners = {
        f'the {side} corner of "{name}"': at
        for name, (west, south, east, north) in {"hall": (4, -3, 6, 3), "shed": (-9, 5, -4, 8)}.items()
        for side, at in {
            "north-west": (west, north), "north-east": (east, north),
            "south-west": (west, south), "south-east": (east, south),
        }.items()
    }  # fmt: skip
    rng = np.random.default_rng(3)
    for east_m, north_m in rng.uniform(-12, 2, (40, 2)):
        arms = {name: np.array(at) - (east_m, north_m) for name, at in corners.items()}
        pairs = []
        for a, b in itertools.combinations(arms, 2):
            crossing = np.degrees(
                np.arccos(arms[a] @ arms[b] / np.linalg.norm(arms[a]) / np.linalg.norm(arms[b]))
            )
            lengths = np.linalg.norm(arms[a]), np.linalg.norm(arms[b])
            if 30.0 <= crossing <= 150.0 and min(lengths) >= 0.3:
                pairs.append((sum(lengths), {a, b}))
        tapes = tapes_to(job(HALL, shed), east_m, north_m, on_roof=False)
        assert {tape.corner for tape in tapes} == min(pairs, key=lambda pair: pair[0])[1]


@pytest.mark.parametrize("closed", [False, True])
def test_corners_are_called_by_their_side_then_in_finer_words_then_by_number(closed):
    """By the bearing from the plan's middle: 31 degrees is north-east in eight words, north-north-east in sixteen."""

    def names(ring):
        ring = [*ring, ring[0]] if closed else ring
        return [corner.name for corner in _named(np.array(ring, float), "it", of_roof=False)]

    square = [[0, 0], [10, 0], [10, 10], [0, 10]]
    assert names(square) == [
        f"the {side} corner of it" for side in ("south-west", "south-east", "north-east", "north-west")
    ]
    assert names([[0, 0], [10, 0], [10, 10], [8, 10], [0, 10]])[2:4] == [
        "the north-east corner of it",
        "the north-north-east corner of it",
    ]
    assert names([[0, 0], [10, 0], [10, 10], [9.8, 10], [0, 10]])[2:4] == [
        "the north-east corner of it (number 3 of its outline)",
        "the north-east corner of it (number 4 of its outline)",
    ]


def test_along_a_slope_the_tape_is_as_long_as_the_slope():
    """A roof of one plane, 0.5 m up a metre to the north, far from the origin."""
    roof = Roof(
        outline=((10, 20), (18, 20), (18, 26), (10, 26)),
        surface=((10, 20, 5), (18, 20, 5), (18, 26, 8), (10, 26, 8)),
    )
    tapes = tapes_to(job(roof=roof), 12.0, 24.5, on_roof=True)
    corners = {"north-west": (10, 26), "south-west": (10, 20), "north-east": (18, 26), "south-east": (18, 20)}
    assert len(tapes) == 2
    for tape in tapes:
        [side] = [side for side in corners if f"the {side} corner" in tape.corner]
        east_m, north_m = corners[side][0] - 12.0, corners[side][1] - 24.5
        assert tape.along == "the roof"
        assert tape.distance_m == pytest.approx(
            np.sqrt(east_m**2 + north_m**2 + (0.5 * north_m) ** 2), abs=0.006
        )


def test_a_tree_that_only_just_reaches_the_room_is_cut_by_one_step():
    """A tree with a flat top, a centimetre taller than what a full assessment clears: a decimetre at most is gone."""

    def ash(centimetres):
        return tree(
            "ash", (5.0, 0.0), ground_elevation_m=0.0, height_m=12.0, crown_radius_m=1.5, crown_base_height_m=2.0,
            trimmed_to_height_m=centimetres / 100.0,
        )  # fmt: skip

    low, high = 300, 1000
    while high - low > 1:
        middle = (low + high) // 2
        clear = assess(prepared(job(ash(middle))), post()).results[0].verdict == "clear"
        low, high = (middle, high) if clear else (low, middle)
    [trim] = [r for r in check(job(ash(high)), post()).results[0].remedies if r.action == "trim"]
    assert trim.trims[0].trimmed_to_height_m == pytest.approx((-(-high // 10) - 1) / 10.0)


def test_no_more_than_six_other_spots_are_tried_and_eight_ample_ones():
    """As documented: spots farther apart than 1.5 m, beyond the roomiest of each ring."""
    steps_m = np.column_stack([np.arange(1.0, 41.0), np.zeros((40, 2))])
    assert len(list(_in_order(steps_m, np.full(40, 5.0)))) <= 8 + 6
    assert len(list(_in_order(2.0 * steps_m, np.full(40, 0.5)))) == 6
    assert list(_in_order(steps_m, np.full(40, -1.0))) == []


def test_a_tree_whose_crown_cannot_be_cut_enough_is_not_offered():
    """A crown from 8.5 m up may be cut down to its base at most, and the ray passes below that."""
    tall = tree(
        "fir", (3.0, 0.0), ground_elevation_m=0.0, height_m=9.0, crown_radius_m=2.0, crown_base_height_m=8.5,
        trunk_radius_m=1.0,
    )  # fmt: skip
    [result] = check(job(tall), post()).results
    assert result.verdict == "blocked"
    assert not [r for r in result.remedies if r.action == "trim"]


def test_many_trees_in_one_line_are_not_all_cut():
    """Seven poplars behind each other: more than five are no trimming, as documented."""
    row = [
        tree(f"poplar {n}", (4.0 + 3.5 * n, 0.0), ground_elevation_m=0.0, height_m=9.0 + 5.0 * n, crown_radius_m=1.5,
             crown_base_height_m=1.0)
        for n in range(7)
    ]  # fmt: skip
    [result] = check(job(*row), post(max_height_m=2.0)).results
    assert result.verdict == "blocked"
    assert not [r for r in result.remedies if r.action == "trim"]


def test_what_a_remedy_falls_short_of_is_said():
    assert short_of("clear") == ""
    assert short_of("needs-survey").startswith(" That brings it to needs-survey")


def test_without_a_corner_there_is_no_tape():
    assert tapes_to(job(), 0.0, 0.0, on_roof=False) == ()
    assert tapes_to(job(HALL), 0.0, 0.0, on_roof=True) == ()
