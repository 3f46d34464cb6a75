"""Names of tiles by degree and by grid square. Names of real tile sets: their makers' documents, from memory."""

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.io.elevation.areas import Around, box_of
from skysill.io.elevation.source_names import is_template
from skysill.io.elevation.tile_names import parse_template

CLINIC = (58.0312, -24.6541)


def names(template, latitude_deg=CLINIC[0], longitude_deg=CLINIC[1], radius_m=100.0):
    return parse_template(template).names(Around(latitude_deg, longitude_deg, radius_m))


@pytest.mark.parametrize(
    ("template", "place", "name"),
    [
        # SRTM names a tile by its south-west corner (NASA SRTM documentation, section 2.1.1, from memory)
        ("{lat_letter}{lat:02d}{lon_letter}{lon:03d}.hgt", (34.9, -118.2), "N34W119.hgt"),
        ("{lat_letter}{lat:02d}{lon_letter}{lon:03d}.hgt", (-0.5, 0.5), "S01E000.hgt"),
        ("{lat_letter:lower}{lat:02d}_{lon_letter:lower}{lon:03d}", (-33.9, 151.2), "s34_e151"),
        # a tile set that names the north-west corner
        ("n{top_lat:02d}{lon_letter:lower}{lon:03d}", (58.9, -155.5), "n59w156"),
        ("{lat/5:02d}{lat_letter}{lon/5:03d}{lon_letter}", (52.3, 4.9), "50N000E"),
        ("{lat}_{right_lon}{right_lon_letter}", (10.5, -0.5), "10_0E"),
    ],
)
def test_tiles_by_degree(template, place, name):
    assert names(template, *place) == [name]


def test_tiles_by_grid_square():
    """The central meridian of UTM 32N is at 500 000 m by definition; 52.5 N is 5816 km north of the equator there."""
    near = names("{grid=EPSG:25832}{east_km/1}_{north_km/1}.tif", 52.5, 9.005)
    assert near == ["500_5816.tif"]
    assert names("{grid=EPSG:25832}{east_m/2000}_{top_north_m/2000}.tif", 52.5, 9.005) == [
        "500000_5818000.tif"
    ]
    assert names("{grid=EPSG:25832}{east_km/10:04d}{north_km/10}", 52.5, 9.005) == ["05005810"]


def test_every_place_within_the_radius_lies_in_a_named_tile_and_the_nearest_comes_first():
    rng = np.random.default_rng(5)
    from pyproj import Geod

    for latitude, longitude, radius in (
        (58.0, -24.65, 40_000.0),
        (0.01, 179.99, 30_000.0),
        (-71.3, -0.2, 90_000.0),
    ):
        found = names("{lat_letter}{lat}{lon_letter}{lon}", latitude, longitude, radius)
        bearing, away = rng.uniform(0, 360, 500), radius * np.sqrt(rng.uniform(0, 1, 500))
        lon, lat, _ = Geod(ellps="WGS84").fwd(np.full(500, longitude), np.full(500, latitude), bearing, away)
        wanted = {
            f"{'N' if y >= 0 else 'S'}{abs(int(np.floor(y)))}{'E' if x >= 0 else 'W'}{abs(int(np.floor(x)))}"
            for y, x in zip(lat, lon, strict=True)
        }
        assert wanted <= set(found)
        assert found[0] in names("{lat_letter}{lat}{lon_letter}{lon}", latitude, longitude, 1.0)
        assert len(found) <= len(wanted) + 12


def test_a_pole_has_tiles_at_all_longitudes():
    found = names("{lat_letter}{lat}{lon_letter}{lon}", 89.99, 10.0, 5000.0)
    assert len(found) == 360
    assert all(name.startswith("N89") for name in found)


def test_braces_are_written_twice():
    assert names("{{x}}{lat}{lon}") == ["{x}5825"]
    assert is_template("a{lat}")
    assert not is_template("a.tif")


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ("{latt}{lon}", r'"{latt}" is no placeholder. Did you mean {lat}\?'),
        ("{lat}", "both how far east and how far north"),
        ("{east_km}{north_km}", "metres of a grid that it does not name"),
        ("{grid=EPSG:32627}{lat}{lon}", "names a grid, and counts degrees"),
        ("{grid=EPSG:4326}{east_km}{north_km}", "no grid in metres"),
        ("{grid=EPSG:2263}{east_km}{north_km}", "no grid in metres"),  # US survey feet
        ("{grid=nowhere}{east_km}{north_km}", "no coordinate reference system"),
        ("{grid=EPSG:32627}{east_km}{lat}", "mixes degrees and metres"),
        ("{lat}{lon}{", "without its other half"),
        ("{lat:s}{lon}", "not written as placeholders are"),
        ("{lat_letter:02d}{lat}{lon}", "not written as placeholders are"),
        ("{lat/2}{top_lat/3}{lon}", "two steps on one axis"),
        ("{lat/0}{lon}", "two steps on one axis"),
        ("{lat.__class__}{lon}", "is no placeholder"),
    ],
)
def test_templates_that_are_none_are_refused(bad, said):
    with pytest.raises(InputError, match=said):
        parse_template(bad)


def test_too_many_names_are_refused():
    with pytest.raises(InputError, match="over 100,000 tiles within 200 km"):
        names("{grid=EPSG:32627}{east_km/1}_{north_km/1}", radius_m=200_000.0)
    with pytest.raises(InputError, match="lies outside the grid"):
        names("{grid=EPSG:32627}{east_km/1}_{north_km/1}", 0.0, 70.0)


def test_boxes_are_found_across_the_meridian_of_180_degrees():
    fiji = Around(-17.0, 179.95, 20_000.0)
    boxes = [
        (-18, 179, -16, 180),
        (-18, -180, -16, -179),
        (-18, 178, -16, 179.5),
        (-18, 179.5, -16, 181),
        (10, 179, 11, 180),
    ]
    assert fiji.touches(boxes).tolist() == [True, True, False, True, False]


def test_the_box_of_a_raster_holds_all_of_its_cells():
    from pyproj import CRS, Transformer

    crs = CRS.from_epsg(32627).to_wkt()
    south, west, north, east = box_of(crs, (100.0, 0.0, 200_050.0, 0.0, -100.0, 6_499_950.0), 1000, 2000)
    col, row = np.meshgrid(np.linspace(-0.5, 1999.5, 200), np.linspace(-0.5, 999.5, 100))
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(
        200_050.0 + 100.0 * col, 6_499_950.0 - 100.0 * row
    )
    assert south <= lat.min() <= south + 0.05
    assert north - 0.05 <= lat.max() <= north
    assert west <= lon.min() <= west + 0.05
    assert east - 0.05 <= lon.max() <= east
