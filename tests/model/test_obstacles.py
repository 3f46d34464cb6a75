"""Obstacles from what is said of each: heights, crowns, growth, cuts, sag, and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.model.obstacle_builders import building, facet, pole, tree, wall, wire
from skysill.model.scene import Scene
from skysill.model.solids import first_hit_m

SLOPE = [[0, 0, 4.0], [6, 0, 4.0], [6, 4, 7.0], [0, 4, 7.0]]


def test_a_height_counts_from_the_ground_and_a_top_from_the_datum():
    square = [[0, 0], [4, 0], [4, 4], [0, 4]]
    by_height = building("a", square, ground_elevation_m=40.0, height_m=6.0)
    by_top = building("a", square, ground_elevation_m=40.0, top_elevation_m=47.5)
    assert (by_height.top_elevation_m, by_height.height_m) == (46.0, 6.0)
    assert (by_top.top_elevation_m, by_top.height_m) == (47.5, 7.5)
    assert by_height.centre_m == (2.0, 2.0)


@pytest.mark.parametrize(
    ("over", "top_after_m"),
    [
        ({}, (7.0, 7.0)),
        ({"growth_m_per_year": 0.25}, (8.0, 9.0)),
        ({"growth_m_per_year": 0.25, "max_height_m": 8.4}, (8.0, 8.4)),
        ({"growth_m_per_year": 0.25, "max_height_m": 6.0}, (7.0, 7.0)),  # taller already than was said
    ],
)
def test_a_hedge_and_a_wood_grow_by_their_rate_to_their_limit(over, top_after_m):
    """After four and eight years; ground at 40 m. A lower part of the same hedge grows on where the top has ended."""
    hedge = dataclasses.replace(wall("hedge", [[0, 5, 47.0], [8, 5, 46.0]], ground_elevation_m=40.0), **over)
    wood = dataclasses.replace(
        building("wood", [[0, 0], [9, 0], [9, 9], [0, 9]], ground_elevation_m=40.0, height_m=7.0), **over
    )
    for years, top_m in zip((4.0, 8.0), top_after_m, strict=True):
        assert hedge.grown(years).height_m == pytest.approx(top_m)
        assert wood.grown(years).height_m == pytest.approx(top_m)
        rate, most = over.get("growth_m_per_year", 0.0), over.get("max_height_m", 99.0)
        assert hedge.grown(years).line_m[1, 2] == pytest.approx(
            40.0 + max(6.0, min(6.0 + rate * years, most))
        )
        assert [len(ring) for area in wood.grown(years).areas_m for ring in area] == [4]
    assert hedge.grown(0.0) is hedge
    assert hedge.grown(-3.0) is hedge


def test_a_cut_crown_grows_from_the_cut_until_it_is_whole_again():
    ash = tree(
        "ash", (3.0, 4.0), ground_elevation_m=40.0, height_m=9.0, growth_m_per_year=0.5, max_height_m=9.5
    )
    cut = ash.lowered(46.0)
    assert (cut.top_elevation_m, cut.cut_m) == (46.0, 46.0)
    assert cut.grown(2.0).top_elevation_m == pytest.approx(47.0)
    assert cut.grown(20.0).top_elevation_m == pytest.approx(49.5)
    assert cut.grown(20.0).cut_m is None


def test_what_is_cut_lower_than_its_crown_is_a_trunk():
    ash = tree("ash", (3.0, 4.0), ground_elevation_m=40.0, height_m=9.0, crown_base_height_m=3.0)
    assert ash.lowered(43.1).crown == "ellipsoid"
    stump = ash.lowered(43.0)
    assert (stump.crown, stump.top_elevation_m) == (None, 43.0)
    mast = pole("mast", (0.0, 0.0), ground_elevation_m=40.0, height_m=5.0)
    assert mast.lowered(60.0).top_elevation_m == 45.0
    assert mast.lowered(42.0).top_elevation_m == 42.0
    with pytest.raises(InputError, match=r'"mast" would be cut to 40 m, below the ground'):
        mast.lowered(40.0)


def test_a_wall_with_steps_is_cut_where_it_is_higher():
    stepped = wall("wall", [[0, 5, 44.0], [8, 5, 46.0]], ground_elevation_m=40.0)
    assert stepped.lowered(45.0).line_m[:, 2].tolist() == [44.0, 45.0]
    assert facet("slope", SLOPE).lowered(5.0).areas_m[0][0][:, 2].tolist() == [4.0, 4.0, 5.0, 5.0]


def test_an_unmeasured_crown_is_two_thirds_of_the_height_and_half_as_wide_as_the_tree_is_tall():
    """Common practice, no source: as documented beside the two shares."""
    plain = tree("elm", (0.0, 0.0), ground_elevation_m=40.0, height_m=12.0)
    assert plain.crown_base_m == pytest.approx(44.0)
    assert plain.crown_radius_m == pytest.approx(3.0)
    assert any("a quarter of its height" in note for note in plain.notes)
    assert tree("elm", (0.0, 0.0), ground_elevation_m=40.0, height_m=12.0, crown_radius_m=2.0).notes == ()
    slim = tree("elm", (0.0, 0.0), ground_elevation_m=40.0, height_m=4.0, crown_radius_m=0.1)
    assert slim.radius_m == 0.1  # no trunk is thicker than its crown
    assert plain.radius_m == 0.15


def test_a_tree_that_was_trimmed_is_flat_at_that_height():
    cut = tree("elm", (0.0, 0.0), ground_elevation_m=40.0, height_m=12.0, trimmed_to_height_m=9.0)
    assert (cut.top_elevation_m, cut.line_m[0, 2]) == (49.0, 52.0)
    for height_m in (0.0, 12.0):
        with pytest.raises(InputError, match="cannot be trimmed"):
            tree("elm", (0.0, 0.0), ground_elevation_m=40.0, height_m=12.0, trimmed_to_height_m=height_m)


@pytest.mark.parametrize("rise_m", [-6.0, 0.0, 4.0])
def test_a_wire_hangs_from_both_supports_and_sags_under_the_middle_of_its_chord(rise_m):
    """z = c + a cosh((x - x0) / a) through both supports, for the one a that sags 1.2 m: solved here by halving."""
    start, stop = np.array([-12.0, 3.0, 10.0]), np.array([18.0, 43.0, 10.0 + rise_m])
    hung = wire("line", [start, stop], sag_m=1.2)
    assert hung.line_m[0] == pytest.approx(start)
    assert hung.line_m[-1] == pytest.approx(stop, abs=1e-9)
    x = np.hypot(*(hung.line_m[:, :2] - start[:2]).T)
    assert x[-1] == pytest.approx(50.0)
    low, high = 10.0, 1e5  # the catenary parameter
    for _ in range(200):
        a = (low + high) / 2.0
        x0 = 25.0 - a * np.arcsinh(rise_m / (2.0 * a * np.sinh(25.0 / a)))
        height = a * np.cosh((np.array([0.0, 25.0]) - x0) / a)
        sag = rise_m / 2.0 - (height[1] - height[0])
        low, high = (a, high) if sag > 1.2 else (low, a)
    want = 10.0 + a * np.cosh((x - x0) / a) - height[0]
    assert hung.line_m[:, 2] == pytest.approx(want, abs=1e-5)


def test_a_taut_wire_is_its_chord_and_its_ground_is_its_lowest_point():
    taut = wire("line", [[0, 0, 8.0], [10, 0, 9.0], [20, 0, 7.5]])
    assert taut.line_m.tolist() == [[0, 0, 8.0], [10, 0, 9.0], [20, 0, 7.5]]
    assert taut.ground_elevation_m == 7.5
    assert not taut.stands
    assert wire("line", [[0, 0, 8.0], [10, 0, 9.0]], ground_elevation_m=1.0).ground_elevation_m == 1.0


def test_a_roof_leaves_the_sky_under_its_eaves_and_a_dormer_does_not():
    assert not facet("slope", SLOPE).stands
    assert facet("slope", SLOPE).ground_elevation_m == 4.0
    assert facet("front", SLOPE, kind="building").stands
    assert facet("front", SLOPE, kind="wall").stands
    assert not facet("front", SLOPE, kind="building", stands=False).stands
    assert len(facet("slope", [*SLOPE, SLOPE[0]]).areas_m[0][0]) == 4
    assert facet("slope", SLOPE).notes == ()
    bent = [*SLOPE[:3], [0, 4, 7.3]]
    assert "not in one plane" in facet("slope", bent).notes[0]


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: pole("p", (0, 0), ground_elevation_m=0.0, height_m=3.0, radius_m=51.0), "51 m is no radius"),
        (lambda: pole("p", (0, 0), ground_elevation_m=0.0, height_m=3.0, radius_m=0.0), "0 m is no radius"),
        (lambda: tree("t", (0, 0), ground_elevation_m=0.0, height_m=9.0, crown_radius_m=51.0), "51 m is no crown"),
        (lambda: tree("t", (0, 0), ground_elevation_m=0.0, height_m=9.0, crown_radius_m=0.0), "0 m is no crown"),
        (lambda: tree("t", (0, 0), ground_elevation_m=0.0, height_m=9.0, growth_m_per_year=-1.0), "is no growth"),
        (lambda: tree("t", (0, 0), ground_elevation_m=0.0, height_m=9.0, crown_base_height_m=9.0), "would start"),
        (lambda: tree("t", (0, 0), ground_elevation_m=0.0, height_m=9.0, crown_base_height_m=-0.1), "would start"),
        (lambda: wire("w", [[0, 0, 9.0], [9, 0, 9.0]], sag_m=-0.1), "-0.1 m is no sag"),
        (lambda: wire("w", [[0, 0, 9.0], [9, 0, 9.0]], sag_m=501.0), "501 m is no sag"),
        (lambda: wire("w", [[0, 0, 9.0], [9, 0, 9.0]], voltage_kv=1001.0), "1001 kV is no voltage"),
        (lambda: wire("w", [[0, 0], [9, 0]]), "needs the elevation of its supports"),
        (lambda: wall("w", [[0, 0, 5.0], [9, 0, 4.0]], ground_elevation_m=5.0), "not above the ground"),
        (lambda: wall("w", [[0, 0]], ground_elevation_m=0.0, height_m=2.0), "needs at least 2 vertices"),
        (lambda: wall("w", [[0, 0], [20_001, 0]], ground_elevation_m=0.0, height_m=2.0), "20 km from the site"),
        (lambda: wall("w", [[0, 0], [np.nan, 0]], ground_elevation_m=0.0, height_m=2.0), "not a number"),
        (lambda: facet("f", [[0, 0, 1], [1, 0, 1], [2, 0, 1]]), "has no area"),
    ],
)  # fmt: skip
def test_what_cannot_be_built_is_refused(make, sentence):
    with pytest.raises(InputError, match=sentence):
        make()


def test_at_the_limits_of_what_can_be_built_it_is_built():
    assert pole("p", (0, 0), ground_elevation_m=0.0, height_m=3.0, radius_m=50.0).radius_m == 50.0
    assert (
        tree("t", (0, 0), ground_elevation_m=0.0, height_m=90.0, crown_radius_m=50.0).crown_radius_m == 50.0
    )
    assert (
        tree("t", (0, 0), ground_elevation_m=0.0, height_m=9.0, crown_base_height_m=0.0).crown_base_m == 0.0
    )
    assert wall("w", [[0, 0], [20_000, 0]], ground_elevation_m=0.0, height_m=2.0).height_m == 2.0
    assert wire("w", [[0, 0, 9.0], [9, 0, 9.0]], voltage_kv=1000.0).voltage_kv == 1000.0


@pytest.mark.parametrize("crown", ["ellipsoid", "cone", "dome"])
def test_a_point_is_in_a_crown_by_the_crowns_own_equation(crown):
    """Ellipsoid of revolution between base and top; cone from its base to its tip; the upper half of an ellipsoid."""
    elm = tree(
        "elm", (10.0, -5.0), ground_elevation_m=40.0, height_m=12.0, crown_radius_m=3.0, crown_base_height_m=4.0,
        crown=crown,
    )  # fmt: skip
    rng = np.random.default_rng(11)
    points = np.column_stack([rng.uniform(6, 14, 4000), rng.uniform(-9, -1, 4000), rng.uniform(39, 54, 4000)])
    aside_m = np.hypot(points[:, 0] - 10.0, points[:, 1] + 5.0)
    share = (points[:, 2] - 44.0) / 8.0
    in_crown = {
        "ellipsoid": (aside_m / 3.0) ** 2 + (2.0 * share - 1.0) ** 2 < 1.0,
        "cone": (aside_m < 3.0 * (1.0 - share)) & (share > 0.0),
        "dome": ((aside_m / 3.0) ** 2 + share**2 < 1.0) & (share > 0.0),
    }[crown]
    trunk = (aside_m < 0.15) & (points[:, 2] > 40.0) & (points[:, 2] < 44.0)
    assert np.array_equal(Scene((elm,)).holding(points)[:, 0], in_crown | trunk)


def test_a_facet_over_a_point_is_as_high_above_it_as_its_plane():
    """Plane through the slope: 4 m at its foot, 0.75 m a metre up it."""
    points = np.array([[3.0, 1.0, 0.0], [3.0, 3.0, 2.0], [3.0, 1.0, 5.0], [7.0, 1.0, 0.0]])
    up_m = Scene((facet("slope", SLOPE),)).overhead_m(points)[:, 0]
    assert up_m == pytest.approx([4.75, 4.25, np.inf, np.inf])


def test_things_are_found_removed_and_cut_by_name():
    scene = Scene((facet("slope", SLOPE), pole("mast", (0.0, 9.0), ground_elevation_m=0.0, height_m=5.0)))
    assert [o.name for o in scene.without("slope").obstacles] == ["mast"]
    assert scene.trimmed("mast", 3.0).named("mast").top_elevation_m == 3.0
    assert scene.trimmed("mast", 3.0).named("slope").top_elevation_m == 7.0
    with pytest.raises(InputError, match='no obstacle is called "flue"'):
        scene.without("flue")


CROWNS = {
    crown: tree(
        "elm", (10.0, -5.0), ground_elevation_m=40.0, height_m=12.0, crown_radius_m=3.0, crown_base_height_m=4.0,
        trunk_radius_m=0.4, crown=crown,
    )
    for crown in ("ellipsoid", "cone", "dome")
} | {"pole": pole("mast", (10.0, -5.0), ground_elevation_m=40.0, height_m=12.0, radius_m=0.8)}  # fmt: skip


def in_round(crown, points):
    """By the equations of the bodies: a crown from 44 m to 52 m, 3 m wide; a trunk of 0.4 m; a mast of 0.8 m."""
    aside_m, share = np.hypot(points[..., 0] - 10.0, points[..., 1] + 5.0), (points[..., 2] - 44.0) / 8.0
    up_m = points[..., 2]
    if crown == "pole":
        return (aside_m < 0.8) & (up_m < 52.0)
    body = {
        "ellipsoid": (aside_m / 3.0) ** 2 + (2.0 * share - 1.0) ** 2 < 1.0,
        "cone": (aside_m < 3.0 * (1.0 - share)) & (share > 0.0),
        "dome": ((aside_m / 3.0) ** 2 + share**2 < 1.0) & (share > 0.0),
    }[crown]
    return body | ((aside_m < 0.4) & (up_m < 44.0))


@pytest.mark.parametrize("crown", CROWNS)
def test_a_ray_meets_a_round_thing_where_it_first_is_inside(crown):
    """Walked along in steps of a centimetre; rays upward and downward, from beside, below and above."""
    rng = np.random.default_rng(17)
    dish = rng.uniform((2, -13, 41), (18, 3, 58), (60, 3))
    dish = dish[~in_round(crown, dish)]
    aim = np.column_stack([rng.normal((10, -5), 2.0, (len(dish), 2)), rng.uniform(43, 52, len(dish))])
    ray = aim - dish
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    scene = Scene((CROWNS[crown],))
    found = first_hit_m(scene.parts, np.zeros(len(dish), int), dish, ray)
    steps = np.arange(0.0, 40.0, 0.01)
    met = in_round(crown, dish[:, None] + steps[:, None] * ray[:, None])
    above = (dish[:, None, 2] + steps * ray[:, None, 2]) > 40.0
    met &= above
    assert met.any(axis=1).sum() > 15
    assert (~met.any(axis=1)).sum() > 3
    sure = met.sum(axis=1) >= 3  # not merely grazed
    assert found[sure] == pytest.approx(steps[met[sure].argmax(axis=1)], abs=0.011)
    assert np.isinf(found[~met.any(axis=1)]).mean() > 0.9  # a graze may lie between two steps


@pytest.mark.parametrize(
    ("crown", "top_m"),
    [("ellipsoid", 48.0 + 4.0 * np.sqrt(0.75)), ("cone", 48.0), ("dome", 44.0 + 8.0 * np.sqrt(0.75))],
)
def test_from_inside_a_crown_its_surface_overhead_is_its_top_there(crown, top_m):
    """Half way out: ellipsoid and dome at sqrt(1 - 1/4) of their half and whole height, a cone half way up."""
    scene = Scene((CROWNS[crown],))
    assert scene.overhead_m([[11.5, -5.0, 46.0]])[0, 0] == pytest.approx(top_m - 46.0)
    under = scene.overhead_m([[11.5, -5.0, 41.0]])[0, 0]
    assert under == pytest.approx((48.0 - 4.0 * np.sqrt(0.75) if crown == "ellipsoid" else 44.0) - 41.0)
    assert np.isinf(scene.overhead_m([[11.5, -5.0, 53.0]])[0, 0])
