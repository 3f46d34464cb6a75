"""The invented houses are what they say: planes, sampled rasters and triangles agree with each other."""

import numpy as np
import pytest

from houses import HOUSES, cast, l_shape, plane, raster_site, roof_m, surface_m, triangles, vector_site
from skysill.geodesy.positions import offset_position
from skysill.horizon.terrain import ground_at
from skysill.io.site_file import read_site_file


@pytest.fixture
def rng():
    return np.random.default_rng(20261126)


@pytest.mark.parametrize("house", HOUSES, ids=lambda h: h.name)
def test_corners_of_a_facet_lie_in_its_plane_and_facets_fill_the_outline(house, rng):
    for ring in house.facets:
        a, b, c = plane(ring)
        for east, north, up in ring:
            assert a * east + b * north + c == pytest.approx(up, abs=2e-3)  # corners turned to the millimetre
    import shapely

    inside = shapely.Polygon(house.outline).buffer(-0.01)
    west, south, east, north = inside.bounds
    places = rng.uniform((west, south), (east, north), (400, 2))
    places = places[shapely.contains_xy(inside, places)]
    assert np.isfinite(roof_m(house, *places.T)).all()
    outer = np.array(house.outline)[:, 0].max() + 3.0
    assert np.isnan(roof_m(house, outer, 0.0))


def test_rays_from_above_meet_the_triangles_where_the_surface_is(rng):
    for house in HOUSES:
        east, north = rng.uniform(-15, 20, (2, 60))
        want = surface_m(house, east, north)
        for e, n, up in zip(east, north, want, strict=True):
            down = cast(triangles(house), np.array([e, n, 200.0]), np.array([[0.0, 0.0, -1.0]]))[0]
            standing = up - (house.ground_m + house.slope[0] * e + house.slope[1] * n) > 0.01
            assert not standing or 200.0 - down == pytest.approx(up, abs=0.02), (house.name, e, n)


def test_sampled_rasters_and_site_files_are_read_back(tmp_path):
    house = l_shape()
    job = read_site_file(raster_site(tmp_path, house, 0.5))
    east, north = np.array([7.0, 2.0, 30.0]), np.array([2.0, 12.0, 30.0])
    found, _ = ground_at(
        job.sources.rasters, *offset_position(house.latitude_deg, house.longitude_deg, east, north)
    )
    assert found == pytest.approx(surface_m(house, east, north), abs=0.02)  # planes are bilinear
    for one in HOUSES:
        job = read_site_file(vector_site(tmp_path, one))
        assert len(job.sources.scene) == len(one.blocks) + len(one.roofs_beside) + len(one.trees) + len(
            one.lines
        )
