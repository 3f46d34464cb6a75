"""What heights count from: read, said, transformed where the grids are here, else counted as an error."""

import numpy as np
import pyproj
import pytest
import rasterio
from pyproj import CRS

from skysill.errors import InputError
from skysill.io.elevation import vertical_datums
from skysill.io.elevation.vertical_datums import datum_difference, vertical_datum
from skysill.io.rasters import RasterSpec, open_rasters

PLACE = (58.0312, -24.6541)
# EPSG codes of vertical systems: 5773 EGM96 height, 3855 EGM2008 height, 5703 NAVD88 height, 6360 the same in US feet
EGM96, EGM2008, ELLIPSOID, NONE = "EPSG:32627+5773", "EPSG:32627+3855", "EPSG:4979", "EPSG:32627"


def datum(crs):
    return vertical_datum(CRS.from_user_input(crs).to_wkt(), "x.tif")


def tif(path, crs, value=100.0, *, size=200, per_degree=3600):
    if CRS.from_user_input(crs).is_projected:
        at = rasterio.Affine(10, 0, 283_300.0, 0, -10, 6_439_000.0)
    else:
        at = rasterio.Affine(1 / per_degree, 0, -24.68, 0, -1 / per_degree, 58.06)
    with rasterio.open(path, "w", driver="GTiff", height=size, width=size, count=1, dtype="float32",
                       crs=CRS.from_user_input(crs).to_wkt("WKT2_2019"), transform=at) as target:  # fmt: skip
        target.write(np.full((size, size), value, np.float32), 1)
    return path


@pytest.fixture
def grids(tmp_path, monkeypatch):
    """Geoid grids of invented heights where PROJ looks for those of EGM96 and EGM2008; none elsewhere."""
    folder = tmp_path / "grids"
    folder.mkdir()

    place = {"crs": "EPSG:4326", "transform": rasterio.Affine(1, 0, -180.5, 0, -1, 90.5)}

    def put(name, at_lat):
        """A grid of 1 degree whose height is at_lat(latitude), in the form of PROJ's own grids (GeoTIFF, metres)."""
        lat = 90.0 - np.arange(181.0)
        values = np.repeat(at_lat(lat)[:, None], 361, axis=1).astype(np.float32)
        with rasterio.open(folder / name, "w", driver="GTiff", height=181, width=361, count=1, dtype="float32",
                           **place) as target:  # fmt: skip
            target.write(values, 1)
            target.update_tags(TYPE="VERTICAL_OFFSET_GEOGRAPHIC_TO_VERTICAL", target_crs_epsg_code="5773")
            target.update_tags(1, UNITTYPE="metre", DESCRIPTION="geoid_undulation")
            target.set_band_description(1, "geoid_undulation")
            target.update_tags(AREA_OR_POINT="Point")

    before = pyproj.datadir.get_data_dir()
    vertical_datums._transformer.cache_clear()
    pyproj.datadir.set_data_dir(f"{before}:{folder}")
    yield put
    pyproj.datadir.set_data_dir(before)
    vertical_datums._transformer.cache_clear()


def test_datums_are_read_from_the_coordinate_system():
    assert datum(NONE) is None
    assert datum("EPSG:4326") is None
    assert (datum(EGM96).name, datum(EGM96).kind) == ("EGM96 geoid", "sea")
    assert (datum(ELLIPSOID).name, datum(ELLIPSOID).kind) == ("WGS 84", "ellipsoid")
    assert datum("EPSG:4269+5703").same_as(datum("EPSG:4269+6360"))
    assert not datum(EGM96).same_as(datum(EGM2008))
    assert not datum(EGM96).same_as(datum(ELLIPSOID))
    assert datum(ELLIPSOID).same_as(datum("EPSG:4937"))  # ETRS89, within a metre of WGS 84


def test_depths_are_refused():
    with pytest.raises(InputError, match=r"x\.tif: counts depths, not heights"):
        datum("EPSG:32627+5715")  # mean sea level depth, positive down


def test_one_datum_is_said_and_changes_nothing(tmp_path):
    (raster,) = open_rasters([RasterSpec(tif(tmp_path / "a.tif", EGM2008))])
    assert raster.notes == ("a.tif: heights are above EGM2008 geoid.",)
    assert raster.shift is None
    (plain,) = open_rasters([RasterSpec(tif(tmp_path / "b.tif", NONE))])
    assert plain.notes == ()
    assert raster.vertical_error_m == plain.vertical_error_m


@pytest.mark.parametrize(
    ("other", "error_m", "said"),
    [
        (
            ELLIPSOID,
            30.0,
            "heights are above the WGS 84 ellipsoid and not above EGM2008 geoid, and the grids",
        ),
        (EGM96, 1.0, "heights are above EGM96 geoid and not above EGM2008 geoid, and the grids"),
        (NONE, 1.0, "its file does not say what its heights count from"),
        (EGM2008, 0.0, "heights are above EGM2008 geoid"),
    ],
)
def test_without_grids_the_difference_is_an_error_and_said(tmp_path, other, error_m, said):
    """Errors add as squares: the raster's own 3 m and that of the datums."""
    specs = [
        RasterSpec(tif(tmp_path / "fine.tif", EGM2008), "surface", vertical_error_m=0.5),
        RasterSpec(tif(tmp_path / "far.tif", other), vertical_error_m=3.0),
    ]
    fine, far = open_rasters(specs)
    assert fine.vertical_error_m == 0.5
    assert far.vertical_error_m == pytest.approx((3.0**2 + error_m**2) ** 0.5)
    assert any(said in note for note in far.notes)
    assert float(far.window(*PLACE, 100.0).values[0, 0]) == 100.0


def test_with_a_grid_heights_are_brought_to_the_datum_of_the_finest(tmp_path, grids):
    """Invented geoid, 40 m at 58 N and 1 m more each degree north: h = H + N, whatever PROJ does inside."""
    grids("us_nga_egm08_25.tif", lambda lat: 40.0 + (lat - 58.0))
    specs = [
        RasterSpec(tif(tmp_path / "fine.tif", EGM2008), "surface", vertical_error_m=0.5),
        RasterSpec(tif(tmp_path / "far.tif", ELLIPSOID, 150.0), vertical_error_m=3.0),
    ]
    _, far = open_rasters(specs)
    grid = far.window(*PLACE, 1000.0)
    row, col = np.meshgrid(*(np.arange(n) for n in grid.values.shape), indexing="ij")
    d, e, f = grid.transform[3:]
    latitude = d * col + e * row + f
    np.testing.assert_allclose(grid.values, 150.0 - 40.0 - (latitude - 58.0), atol=0.002)
    assert any("are brought to above EGM2008 geoid (-40.03 m here" in note for note in far.notes)
    assert 3.0 <= far.vertical_error_m < 4.0


def test_the_finest_may_be_the_one_above_the_ellipsoid(tmp_path, grids):
    grids("us_nga_egm08_25.tif", lambda lat: np.full_like(lat, 55.0))
    specs = [
        RasterSpec(tif(tmp_path / "fine.tif", ELLIPSOID, size=1000, per_degree=18_000), "surface"),
        RasterSpec(tif(tmp_path / "far.tif", EGM2008, 10.0)),
    ]
    _, far = open_rasters(specs)
    np.testing.assert_allclose(far.window(*PLACE, 500.0).values, 65.0, atol=0.002)


def test_voids_stay_voids(tmp_path, grids):
    grids("us_nga_egm08_25.tif", lambda lat: np.full_like(lat, 55.0))
    path = tif(tmp_path / "far.tif", ELLIPSOID, np.nan)
    _, far = open_rasters([RasterSpec(tif(tmp_path / "fine.tif", EGM2008)), RasterSpec(path)])
    assert far.shift is not None
    assert np.isnan(far.window(*PLACE, 500.0).values).all()


def test_no_grid_is_fetched(monkeypatch):
    """PROJ's own network access stays off, and is as it was afterwards."""
    seen = []
    true = vertical_datums._transformer.__wrapped__

    def watched(*given):
        seen.append(pyproj.network.is_network_enabled())
        return true(*given)

    monkeypatch.setattr(vertical_datums, "_transformer", watched)
    pyproj.network.set_network_enabled(active=True)
    try:
        datum_difference(datum(EGM96), datum(ELLIPSOID), *PLACE)
        assert pyproj.network.is_network_enabled()
    finally:
        pyproj.network.set_network_enabled(active=False)
    assert seen == [False]
