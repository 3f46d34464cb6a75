"""Roofs searched together by the compiled loops, against the search one by one, points on the raster, and triangles.

The points and the triangles are those of the raster's bilinear cells, worked out again in the tests; angles, the
required room and the cone are written from their definitions.
"""

from __future__ import annotations

import numpy as np
import pytest
from pytest import approx

from houses import cast
from invented_village import HIGHEST_GROUND_M, SOUTH, WEST, patch_triangles, surface, to_degrees, village
from skysill.assessment.pipeline import assess
from skysill.bulk.compiled.jit import available
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.roof_results import RoofSearch
from skysill.bulk.roof_screening import screen_roofs
from skysill.bulk.roof_search import _job, mount_of
from skysill.bulk.roof_spots import Roofs, roof_spots
from skysill.geodesy.positions import plan_offset
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.site import Criteria, MastKit, Satellite, Terminal

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not available(), reason="numba is not installed"),
]

LIGHT_M_S = 299_792_458.0
DISH_M, RECEIVE_GHZ, FRACTION = 1.2, 19.7, 0.6


def scene(count, seed, trees_each=1.5):
    place = village(count, seed=seed, trees_each=trees_each)
    values, transform = surface(place, 1.0)
    source = HeldGrid(Grid(values, transform, "EPSG:32627"), "village.tif", "surface", 1.0, 0.2)
    import shapely

    plan, latitude, longitude = [], [], []
    for house in place.houses:
        x, y = to_degrees(house.east_m, house.north_m)
        ring = [plan_offset(y, x, b, a) for a, b in zip(*to_degrees(*house.outline.T), strict=True)]
        latitude.append(float(y))
        longitude.append(float(x))
        plan.append(shapely.Polygon([(float(e), float(n)) for e, n in ring]))
    roofs = Roofs(np.array(latitude), np.array(longitude), np.array(plan, dtype=object))
    return place, source, roofs


def query_of(longitude_deg=-24.0, **over):
    terminal = Terminal(dish_diameter_m=DISH_M, receive_ghz=RECEIVE_GHZ)
    return ScreeningQuery(Satellite("Demo", longitude_deg), terminal, Criteria(**over), HIGHEST_GROUND_M)


def stack_of(source):
    from skysill.bulk.compiled.raster_stack import raster_stack

    return raster_stack([source], [source.grid])


@pytest.mark.parametrize(
    ("longitude_deg", "search"),
    [
        (-24.0, RoofSearch(2.5, 1.0, 3.0)),
        (-72.0, RoofSearch(3.0, 0.8, 2.0)),
        (-52.5, RoofSearch(3.0, 1.0, None, (MastKit("low", (0.7, 1.0)), MastKit("tall", (1.8, 3.0))))),
    ],
)
def test_every_field_is_that_of_the_search_one_by_one(longitude_deg, search):
    """Dense trees, and satellites down to 12 degrees, so that masts must rise and some roofs have none."""
    _, source, roofs = scene(9, seed=21, trees_each=6.0)
    query = query_of(longitude_deg)
    asked = ((source,), [source.grid], roofs, np.full(len(roofs), 2.0), query, search)
    each, together = screen_roofs(*asked), screen_roofs(*asked, stack=stack_of(source))
    assert together.verdict.tolist() == each.verdict.tolist()
    assert together.reason.tolist() == each.reason.tolist()
    for name in ("least_height_m", "azimuth_deg", "elevation_deg", "margin_deg", "terrain_elevation_deg"):
        assert getattr(together, name) == approx(getattr(each, name), abs=1e-3, nan_ok=True), name
    assert together.margin_is_floor.tolist() == each.margin_is_floor.tolist()
    for name, values in each.numbers.items():
        within = {"p_clear": 0.01, "spot_latitude_deg": 1e-8, "spot_longitude_deg": 1e-8}.get(name, 2e-3)
        assert together.numbers[name] == approx(values, abs=within, nan_ok=True), name
    for name, texts in each.texts.items():
        assert together.texts[name].tolist() == texts.tolist(), name


def test_more_certainty_and_less_room_are_asked_of_the_loops_too():
    _, source, roofs = scene(6, seed=4, trees_each=6.0)
    search = RoofSearch(3.0, 1.0, 3.0)
    for over in ({"min_p_clear": 0.99}, {"fresnel_fraction": 2.0}):
        asked = ((source,), [source.grid], roofs, np.full(len(roofs), 2.0), query_of(-52.5, **over), search)
        each, together = screen_roofs(*asked), screen_roofs(*asked, stack=stack_of(source))
        assert together.verdict.tolist() == each.verdict.tolist()
        assert together.least_height_m == approx(each.least_height_m, nan_ok=True)


@pytest.mark.parametrize(
    ("seed", "longitude_deg", "over"), [(4, -52.5, {"fresnel_fraction": 2.0}), (33, -60.0, {})]
)
def test_probabilities_are_those_of_the_assessment(seed, longitude_deg, over):
    """Groups of columns have their most critical one on any ray; the 48 most critical groups reach out far."""
    _, source, roofs = scene(6, seed=seed, trees_each=6.0)
    query, search = query_of(longitude_deg, **over), RoofSearch(3.0, 1.0, 3.0)
    spots = roof_spots(roofs, [source.grid], step_m=3.0, setback_m=1.0)
    from skysill.bulk.compiled.kernel import dish_findings
    from skysill.bulk.roof_kernel import _KernelRoom

    room = _KernelRoom(stack_of(source), roofs, spots, query)
    jobs = [_job((source,), roofs, at, query, search) for at in range(len(roofs))]
    compared = 0
    for height_m in np.arange(0.85, 3.1, 0.2).tolist():
        every = np.arange(len(spots.building))
        found = dish_findings(
            room.stack, room.at(every, np.full(every.size, height_m)), room.unexplained
        ).p_clear
        for spot in np.flatnonzero((found > 0.5) & (found < 0.99)).tolist():
            mount = mount_of(spots, spot, height_m)
            one = assess(
                jobs[spots.building[spot]], mount, explain=False, losses=False, magnetic=False
            ).results[0]
            assert found[spot] == approx(one.p_clear, abs=0.005), (spot, height_m)
            compared += 1
    assert compared > 15


# -- by points and by triangles ---------------------------------------------------------------------------------------


def room_m(distance_m):
    """Half the dish and 0.6 of the first Fresnel radius, sqrt(lambda d): ITU-R P.526, the far end at infinity."""
    wave_m = LIGHT_M_S / (RECEIVE_GHZ * 1e9)
    return DISH_M / 2.0 + FRACTION * np.sqrt(wave_m * distance_m)


class Cells:
    """Points of the raster's bilinear cells around a place, relative to it."""

    def __init__(self, values, transform, east, north, azimuth_deg, reach_m=45.0, step=0.1):
        cell, _, x0, _, _, y0 = transform
        column, row = (WEST + east - x0) / cell, (y0 - SOUTH - north) / cell
        reach = int(reach_m / cell)
        c = np.arange(int(column) - reach, int(column) + reach, step)
        r = np.arange(int(row) - reach, int(row) + reach, step)
        i, j = np.floor(r).astype(int)[:, None], np.floor(c).astype(int)[None]
        v, u = (r[:, None] - i), (c[None] - j)
        z = values.astype(float)
        self.z = (z[i, j] * (1 - u) + z[i, j + 1] * u) * (1 - v) + (
            z[i + 1, j] * (1 - u) + z[i + 1, j + 1] * u
        ) * v
        self.x, self.y = np.broadcast_arrays((c[None] - column) * cell, (row - r[:, None]) * cell)
        ahead = (
            np.abs(np.mod(np.arctan2(self.x, self.y) - np.deg2rad(azimuth_deg) + np.pi, 2 * np.pi) - np.pi)
            < 0.9
        )
        keep = ahead | (np.hypot(self.x, self.y) < 6.0)  # the room at 6 m is 7 degrees wide
        self.x, self.y, self.z = self.x[keep], self.y[keep], self.z[keep]

    def spare_deg(self, eye_m, azimuth_deg, elevation_deg, nearest_m=0.25):
        """Least angle between the ray and what stands up to the points, less the angle of the room at each."""
        level = np.hypot(self.x, self.y)
        up = self.z - eye_m
        slant = np.hypot(level, up)
        turn = np.arctan2(self.x, self.y) - np.deg2rad(azimuth_deg)
        ray, top = np.deg2rad(elevation_deg), np.arctan2(up, level)
        nearest = np.arctan2(np.sin(ray), np.cos(ray) * np.cos(turn))  # on the meridian of the point
        at = np.where(np.cos(turn) > 0.0, np.minimum(top, nearest), top)
        cosine = np.sin(ray) * np.sin(at) + np.cos(ray) * np.cos(at) * np.cos(turn)
        spare = np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0)) - np.arctan(room_m(slant) / slant))
        return float(np.where(level > nearest_m, spare, np.inf).min())


def test_least_heights_of_fifty_roofs_are_those_of_points_on_the_raster():
    """One spot a roof. Rays stand up to half a degree apart, and points lie between them."""
    from skysill.bulk.roof_kernel import _KernelRoom

    place, source, roofs = scene(50, seed=33, trees_each=4.0)
    query = query_of(-60.0)
    spots = roof_spots(roofs, [source.grid], step_m=2.0, setback_m=1.0)
    room = _KernelRoom(stack_of(source), roofs, spots, query)
    first = np.searchsorted(spots.building, np.arange(len(roofs)))
    least_m = room.least_heights_m(first, np.full(first.size, 0.7), np.full(first.size, 12.0))
    found = room.clearances(first, np.full(first.size, 2.0))[0]
    dishes = room.at(first, np.full(first.size, 2.0))
    raised = 0
    for k, spot in enumerate(first):
        house = place.houses[k]
        c, s = _convergence(house)
        x, y = spots.east_m[spot], spots.north_m[spot]
        azimuth = dishes.azimuth_deg[k] + np.rad2deg(np.arctan2(s, c))
        there = Cells(*_grid_of(source), house.east_m + c * x + s * y, house.north_m + c * y - s * x, azimuth)
        ray = azimuth, dishes.apparent_deg[k]
        floor = spots.surface_m[spot]
        if 0.0 <= found[k] < np.inf:
            assert there.spare_deg(floor + 2.0, *ray) == approx(found[k], abs=0.3), k
        if np.isfinite(least_m[k]):
            assert there.spare_deg(floor + least_m[k] + 0.02, *ray) >= 0.0, k
        if least_m[k] > 0.75:
            raised += 1
            assert there.spare_deg(floor + min(least_m[k], 12.0) - 0.03, *ray) < 0.0, k
    assert raised > 8


def _grid_of(source):
    return source.grid.values, source.grid.transform


def _convergence(house):
    """Cosine and sine of the turn from a roof's plan to the raster's, whose north lies beside the true."""
    longitude, latitude = to_degrees([house.east_m, house.east_m], [house.north_m, house.north_m + 50.0])
    east, north = plan_offset(latitude[0], longitude[0], latitude[1], longitude[1])
    turn = np.arctan2(float(east), float(north))
    return np.cos(turn), -np.sin(turn)


def test_no_triangle_of_fifty_scenes_stands_in_the_room_of_the_spot_that_is_offered():
    """Rays cast in the cone of the room around the ray (`houses.cast`), against the cells as triangles."""
    place, source, roofs = scene(50, seed=7, trees_each=3.0)
    query, search = query_of(-40.0), RoofSearch(1.5, 1.0, 4.0)
    found = screen_roofs(
        (source,), [source.grid], roofs, np.full(50, 2.0), query, search, stack=stack_of(source)
    )
    clear = np.flatnonzero(found.verdict == "clear")
    assert clear.size > 40
    values, transform = _grid_of(source)
    met_lower = 0
    for k in clear:
        house = place.houses[k]
        c, s = _convergence(house)
        x, y = plan_offset(roofs.latitude_deg[k], roofs.longitude_deg[k], found.numbers["spot_latitude_deg"][k],
                           found.numbers["spot_longitude_deg"][k])  # fmt: skip
        east, north = house.east_m + c * float(x) + s * float(y), house.north_m + c * float(y) - s * float(x)
        ahead = np.array(
            [np.sin(found.azimuth_deg[k] * np.pi / 180.0), np.cos(found.azimuth_deg[k] * np.pi / 180.0)]
        )
        solid = np.concatenate(
            [
                patch_triangles(values, transform, east, north, reach_m, parts)
                for reach_m, parts in ((8.0, 4), (40.0, 2))
            ]
        )
        far = (solid.mean(axis=1)[:, :2] - [east, north]) @ ahead
        solid = solid[
            (far > 0.7 * np.hypot(*(solid.mean(axis=1)[:, :2] - [east, north]).T)) | (np.abs(far) < 4.0)
        ]
        eye = found.numbers["surface_elevation_m"][k] + found.numbers["mast_height_m"][k]
        azimuth = np.deg2rad(found.azimuth_deg[k]) + np.arctan2(s, c)
        elevation = np.deg2rad(found.elevation_deg[k] + 0.03)  # the ray bends by some hundredths of a degree
        assert not _taken(solid, np.array([east, north, eye]), azimuth, elevation), k
        met_lower += _taken(solid, np.array([east, north, eye - 1.5]), azimuth, elevation)
    assert met_lower > 10  # from inside the roofs rays do meet something


def _taken(solid, dish, azimuth, elevation):
    """Whether any ray in the cone meets a triangle nearer to the ray than the room allows at its distance."""
    ray = np.array(
        [np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)]
    )
    side = np.array([np.cos(azimuth), -np.sin(azimuth), 0.0])
    up = np.cross(side, ray)
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    off = np.deg2rad(np.array([0.0, 0.5, 1.0, 2.0, 4.0, 7.0, 10.0, 14.0, 20.0]))
    rays = np.concatenate(
        [
            np.cos(a) * ray + np.sin(a) * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * up)
            for a in off
        ]
    )
    away = np.minimum(cast(solid, dish, rays), 1e6)
    slack = np.deg2rad(0.3)  # triangles lie up to 0.03 m beside the cells
    return bool((np.repeat(off, turn.size) + slack < np.arctan(room_m(away) / away)).any())


def test_what_is_asked_is_enough_to_the_last_sample():
    """Probabilities are whole shares of the samples: asked for exactly one, its spot serves and lower ones do not."""
    from skysill.bulk.compiled.kernel import dish_findings
    from skysill.bulk.roof_kernel import _KernelRoom

    _, source, roofs = scene(6, seed=4, trees_each=6.0)
    stack, spots = stack_of(source), roof_spots(roofs, [source.grid], step_m=2.0, setback_m=1.0)
    every = np.arange(len(spots.building))
    low_m = np.full(every.size, 0.7)
    room = _KernelRoom(stack, roofs, spots, query_of())
    found = dish_findings(stack, room.at(every, low_m), query_of())
    known = np.isfinite(found.p_clear) & room._has_required_m(found.clearances)
    every, exact = every[known], found.p_clear[known]
    between = np.unique(exact[(exact > 0.3) & (exact < 0.99)])
    assert between.size > 8
    for asked in between:
        room = _KernelRoom(stack, roofs, spots, query_of(min_p_clear=float(asked)))
        content = room.findings(every, low_m[: every.size])[0]
        assert content.tolist() == (exact >= asked).tolist(), asked
