"""Roof searches against the full assessment of each spot, on houses of the tests' own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from houses import (
    HOUSES,
    flat_roof,
    l_shape,
    raster_site,
    roof_m,
    row_house,
    surface_m,
    vector_site,
    write_raster,
)
from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.overhead_lines import near_lines
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.terrain import ground_at
from skysill.io.site_file import read_site_file
from skysill.model.site import MastKit, Terminal
from skysill.siting.cables import cable_run
from skysill.siting.mast_search import mast_heights_m, mount_at, searched_room
from skysill.siting.mounts import compare_mounts
from skysill.siting.spots import stands_off


@pytest.fixture
def rng():
    return np.random.default_rng(20261126)


def has_room(job, mount, satellite):
    """What the full assessment says, today and after growth."""
    found = assess(replace(job, satellites=(satellite,)), mount, explain=False).results[0]
    states = [found.clearance] if found.later is None else [found.clearance, found.later]
    return found.look.visible and all(c.has_clearance and not c.obstructed for c in states)


@pytest.mark.parametrize("kind", ["raster", "vector"])
@pytest.mark.parametrize("house", HOUSES, ids=lambda h: h.name)
def test_least_masts_are_what_the_full_assessment_of_each_spot_says(house, kind, tmp_path, rng):
    """At the least height the room is there, 0.05 m lower it is not; where there is none, the tallest lacks it."""
    path = raster_site(tmp_path, house) if kind == "raster" else vector_site(tmp_path, house, years_ahead=5)
    job = prepared(read_site_file(path))
    found, room = searched_room(job, 1.0, None, JobContext())
    assert len(found.spots) > 25
    for spot in rng.choice(np.flatnonzero(room.usable), 6, replace=False):
        for k, satellite in enumerate(job.satellites):
            least = found.least_height_m[spot, k]
            if np.isnan(least):
                tallest = float(room.heights_m[spot, room.usable[spot] - 1])
                assert not has_room(job, mount_at(found.spots, spot, tallest), satellite)
                continue
            assert has_room(job, mount_at(found.spots, spot, float(least)), satellite), (spot, k)
            if least > room.heights_m[spot, 0] + 1e-9:
                lower = mount_at(found.spots, spot, float(least) - 0.05)
                assert not has_room(job, lower, satellite), (spot, k)


def bests(job, grid, heights_m):
    """(order, spot, height) of the least clear mast of every spot, by full assessments, best first."""
    ranked = []
    for spot in range(len(grid)):
        for height in heights_m:
            mount = mount_at(grid, spot, float(height))
            try:
                results = assess(job, mount, explain=False, losses=False).results
            except InputError:
                continue
            if any(r.verdict != "clear" for r in results):
                continue
            foot = np.array([[mount.east_m, mount.north_m, mount.surface_elevation_m]])
            cable = cable_run(job.roof, mount).length_m
            order = (
                int(near_lines(job, foot, float(height)).severity[0]),
                cable > job.terminal.cable_limit_m,
                float(height),
                round(cable, 3),
                -min(results, key=lambda r: r.clearance.spare_deg).clearance.margin_deg,
            )
            ranked.append((order, mount.name))
            break
    return sorted(ranked)


BOTH = (("Demo South", "24.0 W"), ("Demo West", "52.5 W"))
CASES = {  # heights: None for every step of 0.05 m up to 2 m
    "row house, raster": (row_house, "raster", 1.8, None),
    "L-shape, raster": (l_shape, "raster", 2.0, (0.7, 1.2, 1.7, 2.5)),
    "L-shape, facets and a wire": (l_shape, "facets", 2.0, (0.7, 1.2, 1.7, 2.5)),
    "flat roof, raster": (flat_roof, "raster", 2.5, (0.8, 1.3, 1.8, 2.6)),
    "flat roof, facets": (flat_roof, "facets", 2.5, (0.8, 1.3, 1.8, 2.6)),
}


@pytest.mark.parametrize(
    "case", [pytest.param(c, marks=() if c == "L-shape, raster" else pytest.mark.slow) for c in CASES]
)
def test_the_best_spot_is_that_of_an_exhaustive_search_by_full_assessments(case, tmp_path):
    """Every spot and height of a coarse grid assessed, ordered by verdict, lines, cable limit, mast, cable, margin."""
    build, kind, step_m, heights_m = CASES[case]
    house = build()
    if kind == "raster":
        path = raster_site(tmp_path, house, satellites=BOTH)
    else:
        write_raster(tmp_path / "bare.tif", house, 4.0, bare=True, half_m=400.0)
        path = vector_site(
            tmp_path, house, satellites=BOTH, roof="facets", rasters=("bare.tif",), kinds=("bare",)
        )
    job = prepared(read_site_file(path))
    if heights_m is not None:
        job = replace(job, mounts_named=False, mast_kits=(MastKit("pole", heights_m),))
    else:
        heights_m = mast_heights_m(job, 2.0)
    found = compare_mounts(job, grid_step_m=step_m, max_height_m=float(heights_m[-1]), keep=1)
    ranked = bests(job, found.searched.spots, heights_m)
    best = found.mounts[0]
    assert ranked
    order, name = ranked[0]
    assert best.name == name
    assert best.least_height_m == approx(order[2])
    assert best.margin_deg == approx(-order[4], abs=1e-6)


@pytest.mark.parametrize("cell_m", [0.5, 1.0])
@pytest.mark.parametrize("house", [l_shape(), row_house()], ids=lambda h: h.name)
def test_what_a_raster_shows_off_the_roof_is_no_spot_and_slopes_and_ridges_are(house, cell_m, tmp_path):
    job = prepared(read_site_file(raster_site(tmp_path, house, cell_m)))
    import shapely

    inner = shapely.Polygon(house.outline).buffer(-1.5)
    west, south, east, north = inner.bounds
    x, y = (g.ravel() for g in np.meshgrid(np.arange(west, east, 0.4), np.arange(south, north, 0.4)))
    inside = shapely.contains_xy(inner, x, y)
    x, y = x[inside], y[inside]
    off = stands_off(job.roof, job.site, job.sources.rasters, x, y)
    there = offset_position(house.latitude_deg, house.longitude_deg, x, y)
    raised = ground_at(job.sources.rasters[:1], *there)[0] - roof_m(house, x, y)
    assert off[raised > 0.45].all()  # the chimney, as blurred as the raster shows it
    assert off[np.abs(raised) < 0.1].mean() < 0.03
    ridge = np.array(house.ridges[0])[:, :2]
    along = ridge[0] + np.linspace(0.25, 0.75, 9)[:, None] * (ridge[1] - ridge[0])
    clear = surface_m(house, *along.T) < 46.0
    assert not stands_off(job.roof, job.site, job.sources.rasters, *along.T)[clear].all()


def test_a_crown_over_a_roof_is_no_spot(tmp_path):
    """A tree's crown, 4.4 m across, hangs over the flat roof: nothing of it is offered."""
    house = flat_roof()
    crown = replace(house.trees[0], east_m=9.0, north_m=-1.0, height_m=14.0, crown_radius_m=2.2)
    house = replace(house, trees=(*house.trees, crown), name="Netloft under a tree")
    job = prepared(read_site_file(raster_site(tmp_path, house)))
    turn = np.arange(12) * np.pi / 6
    x, y = 9.0 + 1.2 * np.sin(turn), -1.0 + 1.2 * np.cos(turn)
    assert stands_off(job.roof, job.site, job.sources.rasters, x, y).all()


def test_the_lowest_mast_keeps_the_rim_off_the_roof_and_kits_restrict_the_heights(tmp_path):
    """Half the dish and 0.1 m, common practice, no source; with kits only their heights are offered, by name."""
    job = prepared(read_site_file(vector_site(tmp_path, l_shape())))
    assert mast_heights_m(job)[:3] == approx([0.55, 0.6, 0.65])
    assert mast_heights_m(replace(job, terminal=Terminal(dish_diameter_m=0.75)))[0] == approx(0.5)
    kits = (MastKit("tripod", (0.4, 0.9, 1.5)), MastKit("pole", (2.5,)))
    assert mast_heights_m(replace(job, mast_kits=kits)) == approx([0.9, 1.5, 2.5])
    south = replace(job, mast_kits=kits, satellites=job.satellites[:1], mounts_named=False)
    found = compare_mounts(south, grid_step_m=2.0, keep=3)
    assert {(row.height_m, row.kit) for row in found.mounts} <= {
        (0.9, "tripod"),
        (1.5, "tripod"),
        (2.5, "pole"),
    }
    assert np.isin(
        found.searched.least_height_m[np.isfinite(found.searched.least_height_m)], [0.9, 1.5, 2.5]
    ).all()


def test_a_bracket_stands_off_the_wall_beside_the_roofs_edge(tmp_path):
    job = prepared(read_site_file(vector_site(tmp_path, row_house())))
    bracket = MastKit("wall bracket", (0.6, 1.0), stand_off_m=0.35)
    alone = replace(job, mast_kits=(bracket,), satellites=job.satellites[:1], mounts_named=False)
    found, _ = searched_room(alone, 1.0, None, JobContext())
    import shapely

    away = shapely.distance(
        shapely.Polygon(job.roof.outline), shapely.points(found.spots.east_m, found.spots.north_m)
    )
    assert len(found.spots) > 15
    assert away == approx(0.35, abs=1e-6)
    assert set(found.spots.kit) == {"wall bracket"}
    assert found.spots.surface_elevation_m.min() == approx(37.4, abs=0.01)  # the eaves
    assert set(np.unique(found.least_height_m[np.isfinite(found.least_height_m)])) <= {0.6, 1.0}


def test_a_search_needs_no_named_mount_and_one_bad_mount_stands_beside_the_good_ones(tmp_path):
    house = l_shape()
    none = read_site_file(vector_site(tmp_path, house))
    found = compare_mounts(replace(none, satellites=none.satellites[:1]), grid_step_m=3.0, keep=2)
    assert all(row.name.startswith("spot") for row in found.mounts)
    mounts = """[[mounts]]
name = "post"
east_m = 14.0
north_m = 14.0
surface_height_m = 0.0
height_m = 2.0
max_height_m = 1.0e1
[[mounts]]
name = "in the chimney"
east_m = 8.5
north_m = 3.5
surface_elevation_m = 45.8
height_m = 0.6
"""
    two = read_site_file(vector_site(tmp_path, house, mounts=mounts))
    told = compare_mounts(two)
    assert [row.name for row in told.mounts][-1] in ("in the chimney", "post")
    bad = next(row for row in told.mounts if row.name == "in the chimney")
    assert bad.verdict == "unknown"
    assert "chimney" in bad.fault
    assert any("left out of the ranking" in text for text in told.warnings)


def test_a_joint_row_shows_the_worst_satellites_own_verdict_and_margin(tmp_path):
    job = prepared(read_site_file(vector_site(tmp_path, l_shape())))
    found = compare_mounts(replace(job, mounts_named=False), grid_step_m=3.0, keep=3)
    for row in found.mounts:
        mount = replace(mount_at(found.searched.spots, 0, row.height_m), east_m=row.east_m, north_m=row.north_m,
                        surface_elevation_m=row.surface_elevation_m)  # fmt: skip
        own = next(r for r in assess(job, mount, explain=False).results if r.satellite.name == row.worst)
        assert (row.verdict, row.margin_deg) == (own.verdict, approx(own.clearance.margin_deg))


def test_a_garden_posts_height_limit_does_not_limit_the_roof(tmp_path):
    mounts = '[[mounts]]\nname = "post"\neast_m = 14.0\nnorth_m = 14.0\nheight_m = 1.0\nmax_height_m = 1.5\n'
    job = read_site_file(vector_site(tmp_path, l_shape(), mounts=mounts))
    assert mast_heights_m(prepared(job))[-1] == approx(6.0)
