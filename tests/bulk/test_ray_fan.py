"""Rays from many places over one lattice, against geodesics walked in small steps and blocks counted by loops."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk import ray_samples
from skysill.bulk.local_maps import local_maps, over_mesh
from skysill.bulk.prefilter import Ground
from skysill.bulk.ray_fan import Rays, distance_to, stretches_to_sample
from skysill.bulk.ray_samples import first_gap_m, sampled
from skysill.horizon.lattice import Grid
from small_ground import (
    ELLIPSOID,
    asked_of,
    ground_of,
    hills,
    on_lattice,
    over_sphere,
    places_at,
    radius_along_m,
    seen_from,
    spots,
)

ASKED = asked_of(-20.0)


@pytest.mark.parametrize("count", [3, 400])
def test_local_maps_lead_where_geodesics_lead(count):
    """A few centimetres at 5 km; of many places close together by way of a mesh."""
    own = ground_of(hills())
    grid = Grid(own.grid.values, (1 / 1800, 1 / 9000, -21.0, 1 / 9000, -1 / 3600, 59.1), "EPSG:4326")
    own = Ground.of(grid, name="small.tif", kind="bare", cell_size_m=30.0, vertical_error_m=3.0)
    rng = np.random.default_rng(1)
    latitude, longitude = spots(own, rng.uniform(5, 40, count), rng.uniform(5, 40, count))
    azimuth, distance_m = rng.uniform(0.0, 360.0, count), rng.uniform(50.0, 6_000.0, count)
    maps = local_maps(own.grid, latitude, longitude)
    first, second = maps.along(np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth)))
    rays = Rays(np.arange(count), maps.start, first, second, *[np.zeros(count)] * 4, 0.0)
    east, north, _ = ELLIPSOID.fwd(longitude, latitude, azimuth, distance_m)
    wanted = on_lattice(own.grid, np.asarray(north), np.asarray(east))
    found = rays.at(distance_m)
    assert np.abs(np.stack(found) - np.stack(wanted)).max() * 30.0 < 0.08
    here = np.array([count - 1, 0])
    assert maps.take(here).start == pytest.approx(maps.start[[-1, 0]])
    taken = rays.take(here)
    assert np.stack(taken.at(distance_m[here])) == pytest.approx(np.stack(found)[:, here])
    # straight lines would not do: what bends them is metres at 6 km
    bent = np.stack(wanted) - (maps.start + first * distance_m[:, None]).T
    assert np.abs(bent).max() * 30.0 > 0.3


def test_a_smooth_function_over_a_mesh():
    """Bilinear between nodes: exact for 1, x, y, xy; few places, or a pole, are worked out themselves."""
    asked = []

    def function(latitude, longitude):
        asked.append(latitude.size)
        return np.stack([2.0 + latitude * 3.0 - longitude, latitude * longitude], axis=1)

    rng = np.random.default_rng(2)
    latitude, longitude = rng.uniform(58.0, 58.2, 500), rng.uniform(-21.0, -20.9, 500)
    wanted = function(latitude, longitude)
    asked.clear()
    assert over_mesh(function, latitude, longitude, spacing_deg=0.05) == pytest.approx(wanted, abs=1e-9)
    assert asked[0] < 60
    asked.clear()
    assert over_mesh(function, latitude[:20], longitude[:20], spacing_deg=0.05) == pytest.approx(wanted[:20])
    assert asked == [20]
    asked.clear()
    over_mesh(function, latitude[:40], longitude[:40], spacing_deg=0.1)
    assert asked == [40]  # a mesh of four by three nodes would have more than a quarter as many
    asked.clear()
    over_mesh(function, latitude + 30.0, longitude, spacing_deg=0.05)
    assert asked == [500]

    def broken(latitude, longitude):
        return np.where(np.arange(latitude.size)[:, None] == 0, np.nan, function(latitude, longitude))

    assert np.isfinite(over_mesh(broken, latitude, longitude, spacing_deg=0.05)).sum() == 2 * 499


def test_distance_along_a_bending_line():
    """Roots of bend d**2 + rate d = gone, near gone / rate; numpy's own root finder is the second route."""
    rng = np.random.default_rng(3)
    for _ in range(300):
        rate, bend, gone = rng.uniform(-0.1, 0.1), rng.uniform(-1e-6, 1e-6), rng.uniform(-40.0, 40.0)
        found = float(distance_to(np.array([gone]), np.array([rate]), np.array([bend]))[0])
        roots = [r.real for r in np.roots([bend, rate, -gone]) if abs(r.imag) < 1e-9]
        if not roots:
            assert abs(found) >= 1e8
            assert np.sign(found) == np.sign(gone * rate)
            continue
        assert found == pytest.approx(min(roots, key=abs), rel=1e-6, abs=1e-6)
    assert abs(distance_to(np.array([5.0]), np.array([0.0]), np.array([0.0]))[0]) > 1e8


def rays_of(own, places, query, offsets_deg, *, least_slope, limit_m, near_m):
    count = offsets_deg.size
    maps = local_maps(own.grid, places.latitude_deg, places.longitude_deg)
    owner = np.zeros(count, np.int64)
    azimuth = places.azimuth_deg[0] + offsets_deg
    first, second = maps.take(owner).along(np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth)))
    return Rays(owner, maps.start[owner], first, second, np.full(count, places.antenna_m[0]),
                radius_along_m(places.latitude_deg[0], azimuth), np.full(count, least_slope),
                np.full(count, limit_m), near_m)  # fmt: skip


@pytest.mark.parametrize(
    ("seed", "turn", "column", "row"), [(4, (0.0, 0.0), 20.3, 12.6), (5, (11.0, 11.0), 24.1, 24.4)]
)
@pytest.mark.parametrize("least_deg", [-89.0, 4.0])
def test_rays_meet_each_crossing_and_each_bulge_that_looks_high_enough(seed, turn, column, row, least_deg):
    own = ground_of(hills(48, seed=seed), turn=turn)
    places = places_at(own, ASKED, column, row)
    offsets = np.array([-170.0, -93.0, -20.5, 0.0, 14.0, 61.0, 120.0])
    limit_m, near_m = 370.0, 75.0
    rays = rays_of(own, places, ASKED, offsets, least_slope=np.tan(np.radians(least_deg)), limit_m=limit_m,
                   near_m=near_m)  # fmt: skip
    many = sampled(own.grid, rays, own.maxima)
    wanted = seen_from(own, places, 0, ASKED, offsets_deg=offsets, out_to_m=limit_m + 60.0, near_m=near_m)
    wanted = wanted.only(wanted.distance_m <= limit_m)
    assert (many.slope >= np.tan(np.radians(least_deg)) - 1e-12).all()
    assert (many.distance_m >= near_m).all()
    assert (many.distance_m <= limit_m).all()
    top_deg, _ = over_sphere(many.distance_m, many.elevation_m, places.antenna_m[0], rays.radius_m[many.ray])
    assert np.degrees(np.arctan(many.slope)) == pytest.approx(top_deg, abs=1e-6)
    interesting = wanted.only(wanted.top_deg >= least_deg + 0.01)
    assert interesting.crest.any()
    assert (~interesting.crest).any()
    columns = (interesting.offset_deg, interesting.distance_m, interesting.height_m, interesting.top_deg)
    for offset, distance_m, height_m, top_deg, crest in zip(*columns, interesting.crest, strict=True):
        mine = np.flatnonzero(offsets[many.ray] == offset)
        gap = np.abs(many.distance_m[mine] - distance_m)
        near = gap < (4.0 if crest else 0.05)  # the top of a bulge is flat: its place is the less sure
        assert near.any(), (offset, distance_m, crest)
        assert np.abs(np.degrees(np.arctan(many.slope[mine])) - top_deg)[near].min() < 0.01
        assert crest or np.abs(many.elevation_m[mine] - height_m)[near].min() < 0.01
    if least_deg < -80.0:  # and nothing else
        for number, ray in enumerate(many.ray):
            own_samples = wanted.only(wanted.offset_deg == offsets[ray])
            assert np.abs(own_samples.distance_m - many.distance_m[number]).min() < 4.0


def test_the_first_gap_lies_behind_the_last_known_crossing():
    """Along the ray's main axis: to the edge of the raster, and to a strip of voids."""
    values = hills(48, seed=6)
    values[30:33] = np.nan
    own = ground_of(values)
    places = places_at(own, ASKED, 20.3, 12.6)
    south = np.array([180.0 - places.azimuth_deg[0], -places.azimuth_deg[0], 90.0 - places.azimuth_deg[0]])
    rays = rays_of(own, places, ASKED, south, least_slope=0.0, limit_m=5_000.0, near_m=0.0)
    gap_m = first_gap_m(own.grid, rays)
    # row 29 is the last with both of its neighbours along the line known; 0 is the first of all; 47 the last column
    assert gap_m[0] == pytest.approx((29.0 - 12.6) * 30.0, abs=1.0)
    assert gap_m[1] == pytest.approx(12.6 * 30.0, abs=1.0)
    assert gap_m[2] == pytest.approx((47.0 - 20.3) * 30.0, abs=1.0)
    near = rays_of(own, places, ASKED, south, least_slope=0.0, limit_m=300.0, near_m=0.0)
    assert np.isinf(first_gap_m(own.grid, near)).all()


def test_over_a_plane_the_nearest_distance_leaves_out_nearer_samples_and_nothing_else():
    """A plane has no maxima inside cells, so every sample is a crossing, whatever the stretch it begins in."""
    row, column = np.mgrid[0:48, 0:48]
    own = ground_of(300.0 + 2.0 * row - 1.5 * column)
    places = places_at(own, ASKED, 20.3, 12.6)
    offsets = np.arange(-170.0, 175.0, 3.7)
    whole = rays_of(own, places, ASKED, offsets, least_slope=-1e3, limit_m=300.0, near_m=0.3)
    every = sampled(own.grid, whole, own.maxima)
    assert len(every.ray) > 10 * offsets.size
    for near_m in (40.0, 75.0, 117.0):
        rays = rays_of(own, places, ASKED, offsets, least_slope=-1e3, limit_m=300.0, near_m=near_m)
        some = sampled(own.grid, rays, own.maxima)
        kept = every.distance_m >= near_m
        found, wanted = (  # the line between two stretches may be sampled with both
            set(zip(ray.tolist(), distance_m.round(6).tolist(), strict=True))
            for ray, distance_m in (
                (some.ray, some.distance_m),
                (every.ray[kept], every.distance_m[kept]),
            )
        )
        assert found == wanted


def test_no_stretch_is_kept_over_ground_that_looks_lower_than_asked():
    own = ground_of(np.full((48, 48), 300.0))
    places = places_at(own, ASKED, 20.3, 12.6)
    high, low = (
        rays_of(
            own, places, ASKED, np.arange(-40.0, 41.0, 8.0), least_slope=slope, limit_m=600.0, near_m=60.0
        )
        for slope in (np.tan(np.radians(4.0)), -0.2)
    )
    assert not list(stretches_to_sample(high, own.maxima))
    kept = list(stretches_to_sample(low, own.maxima))
    assert sum(part.ray.size for part in kept) >= 11 * 600 / 30 / 6


def test_where_the_first_line_ahead_is_unknown_nothing_is_known():
    values = hills(48, seed=6)
    values[13] = np.nan
    own = ground_of(values)
    places = places_at(own, ASKED, 20.3, 11.0)
    places.latitude_deg, places.longitude_deg = spots(own, [20.3], [12.6])
    south = np.array([180.0 - places.azimuth_deg[0]])
    rays = rays_of(own, places, ASKED, south, least_slope=0.0, limit_m=500.0, near_m=0.0)
    assert first_gap_m(own.grid, rays)[0] < 1.0


@pytest.mark.parametrize("azimuth", [180.0, 90.0])
def test_the_bound_of_the_rise_is_that_of_the_ground_beside_each_stretch(azimuth):
    """Only ground more than 40 lines along the ray is twisted."""
    values = np.full((96, 96), 300.0)
    values[60:, :] = values[:, 60:] = 300.0
    (values[60:, 16:32] if azimuth == 180.0 else values[16:32, 60:])[::2, ::2] = 340.0
    own = ground_of(values)
    places = places_at(own, ASKED, *((24.3, 18.2) if azimuth == 180.0 else (18.2, 24.3)))
    offset = np.array([azimuth - places.azimuth_deg[0]])
    rays = rays_of(own, places, ASKED, offset, least_slope=-1e3, limit_m=2_100.0, near_m=60.0)
    for stretches in stretches_to_sample(rays, own.maxima):
        bound_m = ray_samples._largest_rise_m(own.grid, ray_samples._Lines(own.grid, rays, stretches))
        far = stretches.first > 50  # lines behind the place's own, which is 18
        assert far.any()
        assert (bound_m[far] == 10.0).all()  # a quarter of 340 - 300
        assert (bound_m[stretches.first < 10] == 0.0).all()
