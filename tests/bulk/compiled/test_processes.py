"""A list screened by the compiled loops has the same bytes from one process and from two."""

from __future__ import annotations

import pytest

from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.io.screening import ScreeningRequest, screen_file
from skysill.io.survey_tables import read_satellites
from small_village import addresses, sources

pytest.importorskip("numba")


@pytest.mark.slow
def test_one_process_and_two_write_the_same_bytes(tmp_path, monkeypatch):
    monkeypatch.setattr("skysill.io.screening._PART_ROWS_COMPILED", 30)
    for raster in sources():
        write_geotiff(tmp_path / raster.name, raster.grid.values, like=raster.grid)
    rows = zip(*addresses(90, 61), strict=True)
    lines = [
        f"{i},{latitude:.7f},{longitude:.7f},{height:.2f}"
        for i, (latitude, longitude, height) in enumerate(rows)
    ]
    (tmp_path / "in.csv").write_text("\n".join(["id,latitude,longitude,mount_height_m", *lines]) + "\n")
    rasters = open_rasters(
        [RasterSpec(tmp_path / "village.tif", kind="surface"), RasterSpec(tmp_path / "around.tif")]
    )
    asked = ScreeningRequest(rasters, read_satellites("Demo=20.0W"), highest_ground_m=700.0)
    for jobs in (1, 2):
        screen_file(asked, tmp_path / "in.csv", tmp_path / f"{jobs}.csv", jobs=jobs)
    one, two = ((tmp_path / f"{jobs}.csv").read_bytes() for jobs in (1, 2))
    assert one == two
    assert one.count(b"\n") == 91
