"""Parts of the compiled loops by themselves, as plain Python: samples, angles, and what each error alone moves."""

from __future__ import annotations

import itertools
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from pyproj import Transformer

from plain_loops import plain_loops
from skysill.assessment import confidence
from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.horizon.raster_sharpness import _shape
from skysill.model.default_errors import RasterFacts
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal

FEW = 40


def wall_in_the_south(height_m=4.0, away_m=12, **facts):
    """A surface of 1 m, level but for a wall across the south; one place, and the query."""
    x, y = 500_000.0, 6_430_000.0
    values = np.full((100, 60), 300.0, np.float32)
    values[20 + away_m : 23 + away_m] += height_m
    grid = Grid(values, (1.0, 0.0, x - 30.4, 0.0, -1.0, y + 20.3), "EPSG:32627")
    raster = HeldGrid(grid, "yard.tif", "surface", 1.0, 0.3, RasterFacts(**facts))
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(x, y)
    place = np.array([latitude]), np.array([longitude]), np.array([1.0])
    return (raster,), place, ScreeningQuery(Satellite("Demo", -20.0), Terminal(), Criteria(), 310.0)


@contextmanager
def noted_spares(patch):
    """What `confidence` asks for: errors, number of samples, and spare room in a few of them."""
    asked, real = [], confidence._spares

    def spy(uncertain, ray, link, errors, samples, enough=0.0):
        found = real(uncertain, ray, link, errors, min(samples, FEW), enough)
        asked.append((errors, samples, found))
        return found

    patch.setattr(confidence, "_spares", spy)
    yield asked


def test_samples_are_as_many_and_the_same_and_each_error_alone_moves_as_much(monkeypatch):
    rasters, place, asked = wall_in_the_south(5.2, horizontal_error_m=0.3)
    job = Job(
        Site("a", float(place[0][0]), float(place[1][0])), (asked.satellite,),
        sources=Sources(rasters=rasters, highest_ground_m=310.0),
    )  # fmt: skip
    with noted_spares(monkeypatch) as spares:
        one = assess(job, Mount(height_m=1.0), losses=False).results[0]
    assert 0.02 < one.p_clear < 0.9
    loops = plain_loops()
    assert [spares[0][1], spares[1][1]] == [loops.draws.SAMPLES, loops.draws.ALONE_SAMPLES]
    for name in ("SAMPLES", "ALONE_SAMPLES"):
        monkeypatch.setattr(loops.draws, name, FEW)
    with np.errstate(all="ignore"):
        stack = loops.raster_stack.raster_stack(rasters, [raster.grid for raster in rasters])
        found = loops.kernel.dish_findings(stack, loops.placed.place_dishes(stack, *place, asked), asked)
    for number, name in enumerate(("position_m", "height_m", "terrain")):
        [alone] = [part.std() for errors, _, part in spares[1:] if getattr(errors, name) > 0.0]
        assert found.alone_deg[0, number] == pytest.approx(alone, rel=0.01), name
        assert alone > 0.02


@pytest.mark.parametrize("shape", [(2, 2), (3, 40), (41, 5), (17, 9), (24, 71)])
def test_block_maxima_and_voids_are_those_of_the_nodes_under_them(shape):
    loops, rng = plain_loops(), np.random.default_rng(shape[0])
    values = rng.uniform(0.0, 9.0, shape).astype(np.float32)
    values[rng.uniform(size=shape) < 0.02] = np.nan
    values[0, 0] = np.nan
    raster = HeldGrid(
        Grid(values, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), "EPSG:32627"), "a.tif", "surface", 1.0, 0.3
    )
    part, levels, fill = loops.raster_stack, [], -1e30
    stack = part.raster_stack((raster,), (raster.grid,))
    for level in range(stack.parts[0, part.LEVELS]):
        at, down, across = stack.parts[0, part.LEVEL_0 + 3 * level : part.LEVEL_0 + 3 * level + 3]
        size = 2 << level  # cells a side; a block has the nodes on its rim too
        found = (some[at : at + down * across].reshape(down, across) for some in (stack.cells, stack.voids))
        blocks = [
            [values[size * i : size * (i + 1) + 1, size * j : size * (j + 1) + 1] for j in range(across)]
            for i in range(down)
        ]
        highest = np.array(
            [[np.nanmax(b, initial=fill, where=np.isfinite(b)) for b in row] for row in blocks]
        )
        assert np.array_equal(next(found), highest.astype(np.float32))
        assert np.array_equal(next(found) != 0, [[np.isnan(block).any() for block in row] for row in blocks])
        levels.append((down, across))
    assert max(levels[-1]) <= 2  # a search climbs until it needs no more than two blocks a side
    assert levels[0] == (-(-(shape[0] - 1) // 2), -(-(shape[1] - 1) // 2))


def test_a_dish_in_a_deep_yard_stands_as_deep_in_the_walls_as_the_assessment_says():
    """Walls of 30 to 60 m all round, 7 to 14 m away: the nearest open direction is more than 45 degrees off."""
    rng, side = np.random.default_rng(4), 60
    row, column = np.mgrid[:side, :side] - side / 2
    turned = np.arctan2(row, column)
    wall_m = 45.0 + 10.0 * np.sin(3.0 * turned + 1.0) + rng.uniform(-3.0, 3.0, (side, side))
    values = np.where(
        np.hypot(row, column) > 10.0 + 3.0 * np.cos(2.0 * turned), 300.0 + wall_m, 300.0
    ).astype(np.float32)
    rasters, place, asked = wall_in_the_south()
    grid = Grid(values, (1.0, 0.0, 500_000.0 - 30.4, 0.0, -1.0, 6_430_000.0 + 29.7), "EPSG:32627")
    rasters, asked = (
        (HeldGrid(grid, "yard.tif", "surface", 1.0, 0.3),),
        replace(asked, highest_ground_m=400.0),
    )
    job = Job(
        Site("a", float(place[0][0]), float(place[1][0])), (asked.satellite,),
        sources=Sources(rasters=rasters, highest_ground_m=400.0),
    )  # fmt: skip
    one = assess(job, Mount(height_m=1.0), explain=False, losses=False).results[0]
    loops = plain_loops()
    with np.errstate(all="ignore"):
        stack = loops.raster_stack.raster_stack(rasters, [grid])
        found = loops.kernel.dish_clearances(stack, loops.placed.place_dishes(stack, *place, asked), asked)
    assert one.clearance.margin_deg < -45.0
    assert found.margin_deg[0] == pytest.approx(one.clearance.margin_deg, abs=0.001)


@pytest.mark.parametrize("distance_m", [30.0, 4_000.0, 60_000.0, 400_000.0])
def test_slopes_over_the_sphere(distance_m):
    """Against vectors in the plane of the ray: the exact figure, and its terms to the sixth power at 400 km."""
    radius_m, eye_m, top_m = 8_500_000.0, 310.0, 2_900.0
    turn = np.longdouble(distance_m) / radius_m
    level, up = (radius_m + top_m) * np.sin(turn), (radius_m + top_m) * np.cos(turn) - (radius_m + eye_m)
    loops = plain_loops()
    assert loops.cone.sight(distance_m, top_m, eye_m, radius_m) == pytest.approx(float(up / level), abs=1e-11)


@pytest.mark.parametrize("turned", [0, 1])
@pytest.mark.parametrize("along", [1.0, -1.0])
def test_a_ray_along_the_rim_of_a_raster_sees_the_rim(turned, along):
    """On the first and the last line there is ground, a hundredth of a cell outside there is none."""
    loops = plain_loops()
    values = np.arange(56, dtype=np.float32).reshape(8, 7)
    raster = HeldGrid(
        Grid(values, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), "EPSG:32627"), "a.tif", "surface", 1.0, 0.3
    )
    stack, sampling = loops.raster_stack.raster_stack((raster,), (raster.grid,)), loops.ray_sampling
    last = values.shape[turned] - 1
    for rim, inside in ((0.0, True), (last, True), (-0.01, False), (last + 0.01, False)):
        rays, terms = np.zeros((1, sampling.RAY_FIELDS)), np.zeros(loops.cubic_maps.MAP_TERMS)
        start = 0.5 if along > 0.0 else 5.5
        terms[:2] = (rim, start) if turned else (start, rim)
        # metres east and north to columns and rows: one of both runs along the ray, the other stays
        terms[2:6] = (0.0, 1e-12, along, 0.0) if turned else (along, 0.0, 1e-12, 0.0)
        sampling.turn_rays(rays, 0, 1, 0, np.pi / 2.0, 1e-7, 1e-7)
        sampling.lay_rays(rays, 1, terms)
        away, height = np.zeros((sampling.MOST_SAMPLES, 3)), np.zeros(sampling.MOST_SAMPLES)
        count = sampling.sample_ray(
            stack.cells, stack.parts[0], rays[0], 0.1, 4.2, 0.1, 9.0, -1e4, away, height
        )
        line = np.arange(1.0, 5.0) if along > 0.0 else np.arange(5.0, 1.0, -1.0)
        if not inside:
            assert count == 0
            continue
        assert away[:count, 0] == pytest.approx(np.abs(line - start))
        at = line.astype(int), np.full(4, round(rim))
        assert height[:count] == pytest.approx(values[at if turned else at[::-1]])


def angle_from_the_ray(offset, top, apparent):
    """From the ray to the nearest direction of a column from the horizon up to `top`, radians: by vectors."""
    directions = [np.array([np.cos(t) * np.sin(offset), np.cos(t) * np.cos(offset), np.sin(t)]) for t in
                  np.append(np.linspace(min(top, 0.0), top, 2001), top)]  # fmt: skip
    ray = np.array([0.0, np.cos(apparent), np.sin(apparent)])
    return min(2.0 * np.arcsin(min(np.linalg.norm(one - ray) / 2.0, 1.0)) for one in directions)


def test_columns_moved_by_large_errors():
    """The dish steps, the column is higher, nearer and wider: as two turns by arc tangents, in double precision."""
    rng = np.random.default_rng(3)
    for _ in range(40):
        offset, top, apparent = rng.uniform(-2.6, 2.6), rng.uniform(-0.3, 1.1), rng.uniform(0.1, 1.0)
        slant, azimuth, fine = rng.uniform(1.0, 20.0), rng.uniform(0.0, 6.3), rng.integers(2)
        level = slant * np.cos(top)
        step, up, raised, wider = rng.normal(0.0, 1.5, 2), rng.normal(), rng.normal(), rng.uniform(0.0, 0.8)
        outward = np.array([np.sin(azimuth), np.cos(azimuth)])
        right = np.array([outward[1], -outward[0]])
        aside = -step @ right - np.sign(offset) * min(abs(level * np.sin(offset)), wider)
        seen = np.array([-step @ outward - wider, -up])
        lift = seen @ [-np.sin(top), np.cos(top)] + raised * np.cos(top)
        far = slant * max(1.0 + fine * (seen @ [np.cos(top), np.sin(top)]) / slant, 0.1)
        moved_offset, moved_top = offset + np.arctan(aside / level), top + np.arctan(lift / slant)
        given = (np.sin(offset), np.cos(offset), np.sin(top), np.cos(top), slant, level, *outward, fine, *step, up,
                 raised, wider, np.cos(apparent), np.sin(apparent))  # fmt: skip
        off2, forward, far_m = plain_loops().sampled_room._turned(*map(np.float32, given))
        assert far_m == pytest.approx(max(far, 0.1), rel=1e-5)
        found = np.arctan2(np.sqrt(off2), forward)
        if (
            abs(moved_offset) < np.pi / 2.0 or moved_top > 0.0
        ):  # else all of it lies under the horizon behind the dish
            assert found == pytest.approx(angle_from_the_ray(moved_offset, moved_top, apparent), abs=2e-3)


def test_spare_room_as_a_number_that_grows_with_the_angle():
    """y / (|x| + |y|) up to a right angle, 2 less that beyond: turned back, the angle to the column less the room."""
    certainty, before = plain_loops().certainty, -np.inf
    nothing, one = np.zeros((3, 1), np.float32), np.zeros(1, np.float32)
    apparent, half_dish, zone, slant = 0.4, 0.6, 0.07, 8.0
    for offset in np.linspace(0.2, 3.0, 12):
        column = np.zeros(certainty.DRAW_FIELDS, np.float32)
        fields = {"OFF_SIN": np.sin(offset), "OFF_COS": np.cos(offset), "TOP_SIN": 0.0, "TOP_COS": 1.0, "SLANT": slant,
                  "LEVEL": slant, "EAST": 0.0, "NORTH": 1.0}  # fmt: skip
        for name, value in fields.items():
            column[getattr(certainty, f"D_{name}")] = value
        least = np.full(1, np.inf, np.float32)
        ray = map(np.float32, (np.cos(apparent), np.sin(apparent), half_dish, zone))
        plain_loops().sampled_room._least_spares(
            column, nothing, one, one, one, one, one, np.float32(1.0), *ray, least
        )
        part = float(least[0])
        spare = np.arctan2(part, 1.0 - abs(part)) if part <= 1.0 else np.arctan2(2.0 - part, 1.0 - part)
        room = np.arctan((half_dish + zone * np.sqrt(slant)) / slant)
        assert spare == pytest.approx(np.arccos(np.cos(apparent) * np.cos(offset)) - room, abs=1e-4)
        assert part > before
        before = part


def test_fields_of_the_table_of_errors_share_no_place():
    c = plain_loops().columns
    places = [
        *range(c.BOUNDS),
        c.NOTED,
        c.OVERFLOW,
        *range(c.FLOOR, c.FLOOR + c.FLOOR_BINS),
        c.LEAF_THIN,
        c.LEAF_DROP,
    ]
    assert sorted(places) == list(range(c.ERROR_FIELDS))


def test_blur_of_every_node_and_its_bounds():
    """Against the arrays of `raster_sharpness`: at edges, thin lines, corners of the raster and beside voids."""
    loops, rng = plain_loops(), np.random.default_rng(8)
    values = rng.uniform(0.0, 0.5, (21, 27)).astype(np.float32)
    values[5:9, 4:12] += 4.0
    values[12, :] += 3.0
    values[rng.integers(0, 21, 12), rng.integers(0, 27, 12)] += 2.5
    values[rng.integers(0, 21, 15), rng.integers(0, 27, 15)] = np.nan
    raster = HeldGrid(
        Grid(values, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), "EPSG:32627"), "a.tif", "surface", 1.0, 0.3
    )
    stack = loops.raster_stack.raster_stack((raster,), (raster.grid,))
    given = stack.cells, stack.parts[0]
    row, column = np.mgrid[:21, :27]
    thin, drop = _shape(raster.grid, column.ravel().astype(float), row.ravel().astype(float))
    found = np.array(
        [loops.columns.blur_at(*given, r, c) for r, c in zip(row.ravel(), column.ravel(), strict=True)]
    )
    assert found == pytest.approx(np.column_stack([thin, drop]))
    thin, drop = found.T.reshape(2, 21, 27)
    for left, right, upper, lower in ((3.2, 6.7, 4.1, 11.9), (0.0, 0.4, 0.0, 20.0), (17.3, 25.8, 13.0, 13.0)):
        box = np.s_[
            int(np.rint(upper)) : int(np.rint(lower)) + 1, int(np.rint(left)) : int(np.rint(right)) + 1
        ]
        most = loops.columns.most_blur(*given, left, right, upper, lower)
        nodes = loops.columns.blur_of_nodes(*given, left, right, upper, lower)
        assert nodes == pytest.approx((thin[box].max(), drop[box].max()))
        assert all(bound >= value for bound, value in zip(most, nodes, strict=True))
    for r, c in itertools.product(range(0, 21, 4), range(0, 27, 5)):
        # blocks of 8 cells a side, with the nodes on their rims and a node around
        block = np.s_[max(r // 8 * 8 - 1, 0) : r // 8 * 8 + 10, max(c // 8 * 8 - 1, 0) : c // 8 * 8 + 10]
        most = loops.columns.most_blur(*given, c, c, r, r)
        assert most == pytest.approx((thin[block].max(), drop[block].max()), rel=1e-5)


@pytest.mark.parametrize("ground_m", [300.0, -2.5])
def test_holes_around_a_thing_never_raise_the_probability_and_the_loops_agree(monkeypatch, ground_m):
    """A block beside the line, 3 m away, and the same with its surroundings missing on the side away from the line."""
    probability = []
    for holed in (False, True):
        rasters, place, asked = wall_in_the_south(0.0)
        values = np.full((100, 60), ground_m, np.float32)
        values[22:25, 32:36] += 2.7
        if holed:
            values[21:26, 36:38] = values[21, 32:38] = values[25, 32:38] = np.nan
        grid = Grid(values, rasters[0].grid.transform, "EPSG:32627")
        rasters, asked = (replace(rasters[0], grid=grid),), replace(asked, highest_ground_m=ground_m + 6.0)
        job = Job(
            Site("a", float(place[0][0]), float(place[1][0])), (asked.satellite,),
            sources=Sources(rasters=rasters, highest_ground_m=ground_m + 6.0),
        )  # fmt: skip
        with pytest.MonkeyPatch.context() as patch, noted_spares(patch), np.errstate(all="ignore"):
            one = assess(job, Mount(height_m=1.0), losses=False).results[0]
            loops = plain_loops()
            for name in ("SAMPLES", "ALONE_SAMPLES"):
                patch.setattr(loops.draws, name, FEW)
            stack = loops.raster_stack.raster_stack(rasters, [grid])
            found = loops.kernel.dish_findings(stack, loops.placed.place_dishes(stack, *place, asked), asked)
        assert found.p_clear[0] == pytest.approx(one.p_clear, abs=0.5 / FEW)
        probability.append(one.p_clear)
    assert probability[1] <= probability[0]


def test_ground_in_the_line_that_is_too_coarse_to_be_believed_is_named_at_its_nearest():
    """A ridge 25 m to the south in a raster of 30 m; from 60 m on, where such cells count, the ground is low."""
    _, place, asked = wall_in_the_south()
    values = np.full((12, 12), 300.0, np.float32)
    values[6] = 345.0
    grid = Grid(values, (30.0, 0.0, 500_000.0 - 165.0, 0.0, -30.0, 6_430_000.0 + 155.0), "EPSG:32627")
    rasters, asked = (HeldGrid(grid, "hills.tif", "bare", 30.0, 1.0),), replace(asked, highest_ground_m=346.0)
    job = Job(
        Site("a", float(place[0][0]), float(place[1][0])), (asked.satellite,),
        sources=Sources(rasters=rasters, highest_ground_m=346.0),
    )  # fmt: skip
    one = assess(job, Mount(height_m=1.0), explain=False, losses=False).results[0]
    loops = plain_loops()
    with np.errstate(all="ignore"):
        stack = loops.raster_stack.raster_stack(rasters, [grid])
        found = loops.verdicts.screen_compiled(stack, rasters, *place, asked)
    assert "seems to stand in the line, but hills.tif is too coarse" in one.reasons[0]
    assert (found.verdict[0], found.reason[0]) == (one.verdict, one.reasons[0])
