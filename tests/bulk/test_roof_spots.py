"""Spots on many roofs at once: those of the search of one property, and what holes and parts leave."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from houses import HOUSES, flat_roof, l_shape, raster_site
from invented_village import patch_triangles, surface, village
from skysill.bulk import roof_spots as roof_spots_module
from skysill.bulk.roof_spots import Roofs, roof_spots
from skysill.horizon.lattice import Grid
from skysill.io.site_file import read_site_file
from skysill.siting.spots import spots


def one_roof(latitude, longitude, shape):
    plan = np.array([shape], dtype=object)
    return Roofs(np.array([latitude]), np.array([longitude]), plan)


@pytest.mark.parametrize("loops", [False, True])
@pytest.mark.parametrize("step_m", [0.7, 1.0, 40.0])
@pytest.mark.parametrize("house", HOUSES, ids=lambda h: h.name)
def test_the_spots_of_a_roof_are_those_of_the_search_of_one_property(
    house, step_m, loops, tmp_path, monkeypatch
):
    """With the compiled loops, where they are installed, and without."""
    if not loops:
        monkeypatch.setattr(roof_spots_module, "available", lambda: False)
    job = read_site_file(raster_site(tmp_path, house))
    roofs = one_roof(job.site.latitude_deg, job.site.longitude_deg, shapely.Polygon(job.roof.outline))
    fine = job.sources.rasters[0]
    grid = fine.window(job.site.latitude_deg, job.site.longitude_deg, 100.0)
    found = roof_spots(roofs, [grid], step_m=step_m, setback_m=job.roof.edge_setback_m)
    wanted = spots(job.roof, job.site, job.sources.rasters, step_m=step_m)
    assert len(wanted) == found.building.size
    assert found.east_m == pytest.approx(wanted.east_m[wanted.on_roof], abs=1e-9)
    assert found.north_m == pytest.approx(wanted.north_m[wanted.on_roof], abs=1e-9)
    assert found.surface_m == pytest.approx(wanted.surface_elevation_m, abs=1e-5)


def test_many_roofs_together_have_the_spots_of_each_alone():
    place = village(12, seed=3)
    values, transform = surface(place, 1.0)
    grid = Grid(values, transform, "EPSG:32627")
    from invented_village import to_degrees

    shapes = []
    for house in place.houses:
        longitude, latitude = to_degrees(house.east_m, house.north_m)
        ring = house.outline - [house.east_m, house.north_m]
        shapes.append((float(latitude), float(longitude), shapely.Polygon(ring)))
    roofs = Roofs(*(np.array(part) for part in zip(*(s[:2] for s in shapes), strict=True)),
                  np.array([s[2] for s in shapes], dtype=object))  # fmt: skip
    whole = roof_spots(roofs, [grid], step_m=1.0, setback_m=0.8)
    for k in range(len(roofs)):
        alone = roof_spots(roofs.take(np.array([k])), [grid], step_m=1.0, setback_m=0.8)
        mine = whole.building == k
        assert whole.surface_m[mine].tolist() == alone.surface_m.tolist()
        assert whole.east_m[mine].tolist() == alone.east_m.tolist()
        assert whole.left_out[k] == alone.left_out[0]
    assert whole.left_out.sum() > 10  # chimneys
    cast = patch_triangles(values, transform, place.houses[0].east_m, place.houses[0].north_m, 10.0)
    assert cast[..., 2].max() == pytest.approx(np.nanmax(values[-200:]), abs=20.0)


def test_spots_keep_their_distance_from_courtyards_and_lie_in_every_part(tmp_path):
    house = flat_roof()
    job = read_site_file(raster_site(tmp_path, house))
    west, south, east, north = shapely.Polygon(job.roof.outline).bounds
    whole = shapely.box(west, south, east, north)
    yard = shapely.box(4.0, -4.0, 7.0, -1.0)
    apart = shapely.MultiPolygon([whole.difference(yard), shapely.box(30.0, 0.0, 36.0, 5.0)])
    fine = job.sources.rasters[0].window(job.site.latitude_deg, job.site.longitude_deg, 100.0)
    roofs = one_roof(job.site.latitude_deg, job.site.longitude_deg, apart)
    found = roof_spots(roofs, [fine], step_m=0.5, setback_m=1.0)
    points = shapely.points(found.east_m, found.north_m)
    assert shapely.distance(points, yard).min() >= 1.0 - 1e-6
    assert shapely.contains(apart, points).all()
    assert (found.east_m > 30.0).sum() == 9 * 7  # 31.0 to 35.0 by 1.0 to 4.0 in half metres


def test_a_hole_in_the_raster_and_a_coarser_raster_behind_it(tmp_path):
    """Where the finest has no data the next speaks; where none has, there is no spot."""
    house = l_shape()
    job = read_site_file(raster_site(tmp_path, house))
    fine = job.sources.rasters[0].window(job.site.latitude_deg, job.site.longitude_deg, 100.0)
    holed = fine.values.copy()
    holed[:, holed.shape[1] // 2 + 4 :] = np.nan  # east of 4 m, across the roof
    first = Grid(holed, fine.transform, fine.crs)
    roofs = one_roof(job.site.latitude_deg, job.site.longitude_deg, shapely.Polygon(job.roof.outline))
    alone = roof_spots(roofs, [first], step_m=1.0, setback_m=1.0)
    both = roof_spots(roofs, [first, fine], step_m=1.0, setback_m=1.0)
    whole = roof_spots(roofs, [fine], step_m=1.0, setback_m=1.0)
    assert both.surface_m.tolist() == pytest.approx(whole.surface_m.tolist(), abs=1e-6)
    assert set(both.raster.tolist()) == {0, 1}
    assert alone.without_surface[0] > 0
    assert alone.building.size < whole.building.size
    nothing = roof_spots(roofs, [], step_m=1.0, setback_m=1.0)
    assert nothing.building.size == 0
    assert nothing.without_surface[0] >= whole.building.size


def test_distances_from_the_edge_are_those_of_the_plane_geometry_library():
    """shapely.distance to the boundary, courtyards and parts included."""
    from skysill.bulk.roof_results import edge_distances_m

    rng = np.random.default_rng(2)
    plan = np.array(
        [
            shapely.box(0, 0, 10, 8),
            shapely.box(-9, -9, 9, 9).difference(shapely.box(-2, -2, 3, 1)),
            shapely.MultiPolygon([shapely.box(0, 0, 4, 4), shapely.Point(12, 3).buffer(5.0)]),
        ],
        dtype=object,
    )
    roofs = Roofs(np.zeros(3), np.zeros(3), plan)
    building = np.sort(rng.integers(0, 3, 200))
    east, north = rng.uniform(-10, 15, (2, 200))
    wanted = shapely.distance(shapely.boundary(plan)[building], shapely.points(east, north))
    assert edge_distances_m(roofs, building, east, north) == pytest.approx(wanted, abs=1e-9)


def test_of_equal_spots_those_off_the_edge_come_first_then_the_highest_then_the_farthest_from_it():
    from skysill.bulk.roof_results import order_among_equals

    edge_m = np.array([1.9, 3.0, 2.0, 2.5])
    surface_m = np.array([9.0, 5.0, 7.0, 7.0])
    order = np.lexsort(order_among_equals(edge_m, surface_m)[::-1])
    assert order.tolist() == [3, 2, 1, 0]
