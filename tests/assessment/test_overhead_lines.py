"""Distances from overhead lines, held to published tables, to hand arithmetic and to another geometry library."""

import itertools
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from pytest import approx

from brackendale import SITE, ground
from skysill.assessment.overhead_lines import (
    APPROACH_M,
    approach_distance_m,
    error_allowance_m,
    ladders_m,
    line_distances,
    near_lines,
    trees_at_lines,
)
from skysill.errors import InputError
from skysill.model.default_errors import ObstacleError
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import tree, wire
from skysill.model.scene import Scene
from skysill.model.site import Roof, Site, Terminal
from skysill.model.survey import Survey

EXACT = Survey(position_error_m=0.0, height_error_m=0.0)
SURE = ObstacleError(0.0, 0.0, 0.0, "as drawn")
LEVEL = [[-50.0, 3.0, 48.0], [50.0, 3.0, 48.0]]
FLAT_ROOF = Roof(
    outline=((0, 0), (10, 0), (10, 8), (0, 8)), surface=((0, 0, 46), (10, 0, 46), (10, 8, 46), (0, 8, 46))
)


def near(foot, tall, line=LEVEL, dish=1.2, survey=EXACT, errors=SURE, **more):
    scene = Scene((replace(wire("service wire", line, **more), errors=errors),))
    return line_distances(scene, foot, tall, dish_diameter_m=dish, survey=survey)


@pytest.mark.parametrize(
    ("kv", "feet"), [(50, 10), (200, 15), (350, 20), (500, 25), (750, 35), (1000, 45), (132, 15), (0.4, 10)]
)
def test_approach_distances_are_those_of_the_table(kv, feet):
    """29 CFR 1926.1408 Table A, Minimum Clearance Distances: up to 50 kV 10 ft, over 50 to 200 kV 15 ft, to 350 kV
    20 ft, to 500 kV 25 ft, to 750 kV 35 ft, to 1000 kV 45 ft (from memory). Rounded up to whole centimetres."""
    assert feet * 0.3048 <= approach_distance_m(kv) < feet * 0.3048 + 0.01
    assert approx(10 * 0.3048, abs=0.01) == APPROACH_M == approach_distance_m(None)


@pytest.mark.parametrize("kv", [0.0, -11.0, 1100.0])
def test_a_voltage_outside_the_table_is_refused(kv):
    with pytest.raises(InputError, match="is no voltage of an overhead line"):
        approach_distance_m(kv)


def test_distances_by_hand():
    """A level wire 3 m north and 7 m up; the mast 4 m with a 1.2 m dish, so its centre is 3 m under the wire's
    height: mast sqrt(3^2 + 3^2) - 0.6; raising sqrt(3^2 + 7^2) - 4.6; the shoulder, 1.5 m up, sqrt(3^2 + 5.5^2),
    less an arm's 1 m."""
    found = near([[0.0, 0.0, 41.0]], 4.0)
    assert found.mast_m[0, 0] == approx(18**0.5 - 0.6)
    assert found.raising_m[0, 0] == approx(58**0.5 - 4.6)
    assert found.person_m[0, 0] == approx((9 + 5.5**2) ** 0.5 - 1.0)
    assert found.reach_m[0] == approx(4.6)


def test_a_mast_longer_than_the_way_to_the_wire_can_touch_it():
    """5 m away in plan at the foot's height: a mast of 4.5 m and half a dish reaches 5.1 m."""
    found = near([[0.0, 0.0, 48.0]], 4.5, [[-50.0, 5.0, 48.0], [50.0, 5.0, 48.0]])
    assert found.raising_m[0, 0] == approx(-0.1)
    assert found.mast_m[0, 0] == approx(5.0 - 0.0, abs=0.61)
    assert found.severity.tolist() == [1]


def test_severity_counts_what_stands_before_what_swings():
    """At the height of a rooftop: 2 m beside the wire, 6 m beside it with 3 m of mast, and 30 m away."""
    found = near([[0, 1.0, 46.0], [0, -3.0, 46.0], [0, -27.0, 46.0]], 3.0)
    assert found.severity.tolist() == [2, 1, 0]
    assert found.flagged.tolist() == [True, True, False]


def test_errors_stated_widen_the_distance():
    """Twice sqrt(0.5^2 + 0.3^2) = 1.17 m: a wire 4 m beside a dish rim flags with them, not without."""
    rough, drawn = Survey(position_error_m=0.5, height_error_m=0.2), ObstacleError(0.3, 0.2, 0.3, "stated")
    line = [[-50.0, 4.6, 43.0], [50.0, 4.6, 43.0]]
    assert not near([[0, 0, 41.0]], 2.0, line).too_near.any()
    wide = near([[0, 0, 41.0]], 2.0, line, survey=rough, errors=drawn)
    assert wide.allowance_m == approx(2 * 0.34**0.5)
    assert wide.too_near.all()
    upright = ObstacleError(1.5, 0.2, 0.3, "stated")  # in height it is worse: 2 sqrt(0.2^2 + 1.5^2)
    assert error_allowance_m(replace(wire("w", line), errors=upright), rough) == approx(2 * 2.29**0.5)


def test_sag_brings_the_middle_of_the_span_nearer():
    """1 m of sag in mid span, right over the mast: the distance shrinks by it."""
    line = [[-30.0, 0.0, 50.0], [30.0, 0.0, 50.0]]
    taut, slack = near([[0, 0, 41.0]], 2.0, line), near([[0, 0, 41.0]], 2.0, line, sag_m=1.0)
    assert taut.mast_m[0, 0] - slack.mast_m[0, 0] == approx(1.0, abs=0.002)  # drawn with chords


def test_an_unknown_elevation_counts_as_the_worst():
    """In plan the wire passes 3 m from the mast: whatever its height, it is flagged."""
    found = near([[0, 0, np.nan], [0, -40.0, np.nan]], 2.0)
    assert found.mast_m[:, 0] == approx([2.4, 42.4])
    assert found.severity.tolist() == [2, 0]
    assert found.in_plan.all()


def test_distances_of_many_spots_agree_with_another_library():
    """Plan distances by shapely, on wires and masts laid flat so that the plan is the whole truth."""
    rng = np.random.default_rng(7)
    foot = np.column_stack([rng.uniform(-30, 30, (400, 2)), np.full(400, 45.0)])
    line = np.column_stack([rng.uniform(-40, 40, (12, 2)), np.full(12, 45.0)])
    found = near(foot, 2.0, line)
    told = shapely.distance(shapely.points(foot[:, :2]), shapely.LineString(line[:, :2]))
    assert found.raising_m[:, 0] + found.reach_m == approx(told, abs=1e-9)


def test_distances_agree_with_a_dense_sampling():
    """Random masts and wires in space against points every 5 mm: never below by more than rounding, never far off."""
    rng = np.random.default_rng(11)
    foot = np.column_stack([rng.uniform(-8, 8, (60, 2)), rng.uniform(40, 46, 60)])
    tall = rng.uniform(0.5, 6.0, 60)
    line = np.column_stack([rng.uniform(-10, 10, (4, 2)), rng.uniform(44, 52, 4)])
    found = near(foot, tall, line, dish=0.6)
    wire_points = np.concatenate([a + np.linspace(0, 1, 4000)[:, None] * (b - a) for a, b in pairwise(line)])
    for at in range(60):
        up = np.arange(0.0, tall[at] + 0.005, 0.005)[:, None] * [0.0, 0.0, 1.0]
        mast = foot[at] + np.minimum(up, [0.0, 0.0, tall[at]])
        near_by = wire_points[np.argsort(np.linalg.norm(wire_points - foot[at], axis=1))]
        rough = np.linalg.norm(mast[::10, None] - near_by[None, ::10], axis=2).min()
        ball = np.linalg.norm(near_by - mast[-1], axis=1).min() - 0.3
        assert found.mast_m[at, 0] == approx(max(min(rough, ball), 0.0), abs=0.06)


def test_the_ladder_stands_a_quarter_of_its_height_out_from_the_nearest_edge():
    """29 CFR 1926.1053(b)(5)(i) (from memory): the foot a quarter of the working length out; the length is taken as
    the height, 5 m, so the foot is 1.25 m out."""
    (ends, aside) = ladders_m(FLAT_ROOF, [[5.0, 1.0, 46.0], [20.0, 4.0, 44.0], [20.0, 4.0, 41.0]], 41.0)
    assert ends[0, 0] == approx([5.0, -1.25, 41.0])
    assert ends[0, 1] == approx([5.0, 0.0, 46.0])
    assert (ends[1, 0, 2], ends[1, 1, 2], aside[1]) == approx((41.0, 44.0, 0.75))  # a bracket 3 m up
    assert np.isnan(ends[2]).all()  # on the ground


def test_somebody_on_the_ladder_counts():
    """A wire 2 m south of the wall at 4 m: the spot keeps its distance, the ladder does not."""
    line = [[-50.0, -2.0, 45.0], [50.0, -2.0, 45.0]]
    scene = Scene((replace(wire("service wire", line), errors=SURE),))
    job = Job(
        Site("a", 58.0, -24.0, 41.0),
        (),
        terminal=Terminal(dish_diameter_m=0.6),
        sources=Sources(scene=scene, survey=EXACT),
        roof=FLAT_ROOF,
    )
    found = near_lines(job, [[5.0, 3.9, 46.0]], 0.5)
    assert min(found.mast_m[0, 0], found.person_m[0, 0]) > 4.0
    assert found.ladder_m[0, 0] < 2.0
    assert found.severity.tolist() == [2]


def test_no_wire_is_no_flag_and_any_number_of_spots_is_served():
    assert not line_distances(None, [[0, 0, 41.0]], 2.0, dish_diameter_m=1.0).flagged.any()
    assert near(np.zeros((0, 3)), []).severity.shape == (0,)


def test_a_voltage_given_asks_for_its_own_distance():
    """132 kV: 15 ft, 4.57 m (Table A): 4 m beside the dish is enough for a low voltage and not for this."""
    line = [[-50.0, 4.6, 43.0], [50.0, 4.6, 43.0]]
    assert near([[0, 0, 41.0]], 2.0, line, voltage_kv=11.0).severity.tolist() == [1]
    assert near([[0, 0, 41.0]], 2.0, line, voltage_kv=132.0).severity.tolist() == [2]


def test_trees_that_touch_a_line_are_named():
    """Crown 3 m wide at 6, 9 and 6.5 m from the line: 3.0, 6.0 and 3.5 m of air."""
    at = (6.0, 9.0, 6.5)
    trees = [
        tree(f"ash {east:g}", (east, 0.0), ground_elevation_m=40.0, height_m=9.0, crown_radius_m=3.0)
        for east in at
    ]
    line = [[0.0, -20.0, 46.0], [0.0, 20.0, 46.0]]
    assert trees_at_lines(Scene((*trees, wire("service wire", line)))) == ("ash 6",)
    assert trees_at_lines(Scene((*trees, wire("trunk line", line, voltage_kv=132.0)))) == ("ash 6", "ash 6.5")
    assert trees_at_lines(Scene(tuple(trees))) == ()


@pytest.mark.parametrize("flat", [False, True])
def test_distances_from_masts_to_a_line_agree_with_points_along_both(flat):
    """Second route: 401 points on the mast against 2001 on each span, in space or in plan."""
    from skysill.assessment.overhead_lines import _apart_m

    rng = np.random.default_rng(11)
    start, stop = rng.uniform(-12.0, 12.0, (2, 25, 3))
    line = rng.uniform(-15.0, 15.0, (4, 3))
    found = _apart_m(start, stop, line, np.full(25, flat))
    share = np.linspace(0.0, 1.0, 2001)[:, None]
    spans = np.concatenate([a + share * (b - a) for a, b in itertools.pairwise(line)])
    for mast, (a, b) in enumerate(zip(start, stop, strict=True)):
        points = a + share[::5] * (b - a)
        gap = points[:, None] - spans[None]
        if flat:
            gap = gap[..., :2]
        least_m = np.sqrt((gap**2).sum(axis=2)).min()
        assert found[mast] == pytest.approx(
            least_m, abs=0.05
        )  # points lie up to 0.06 m from the nearest ones
        assert found[mast] <= least_m + 1e-9


def test_a_ladder_to_low_eaves_stands_a_quarter_of_their_height_out():
    """29 CFR 1926.1053(b)(5)(i), from memory: a quarter of the working length; eaves of 0.6 m, and of none at all."""
    for eaves_m, out_m in ((0.6, 0.15), (-0.2, 0.0)):
        z = 41.0 + eaves_m
        low = Roof(
            outline=((0, 0), (10, 0), (10, 8), (0, 8)), surface=((0, 0, z), (10, 0, z), (10, 8, z), (0, 8, z))
        )
        ends, aside = ladders_m(low, [[5.0, 1.0, z]], 41.0)
        assert ends[0, 0] == approx([5.0, -out_m, 41.0])
        assert aside[0] == 0.0


@pytest.mark.parametrize(
    ("rasters", "known"),
    [
        ((), False),
        ((ground(lambda x, y: 100.0 + 0.0 * x),), True),
        ((ground(lambda x, y: np.nan * x),), False),
    ],
)
def test_without_a_stated_ground_the_ladder_stands_on_what_the_rasters_have(rasters, known):
    unknown = replace(SITE, ground_elevation_m=None, ground_source="unknown")
    scene = Scene((replace(wire("line", [[-50, -2, 104.0], [50, -2, 104.0]]), errors=SURE),))
    flat = replace(FLAT_ROOF, surface=tuple((x, y, 105.0) for x, y, _ in FLAT_ROOF.surface))
    asked = Job(unknown, (), terminal=Terminal(dish_diameter_m=0.6), roof=flat,
                sources=Sources(scene=scene, survey=EXACT, rasters=rasters))  # fmt: skip
    found = near_lines(asked, [[5.0, 3.9, 105.0]], 0.5)
    assert bool(np.isfinite(found.ladder_m).all()) is known
