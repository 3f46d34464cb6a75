"""Roofs screened: the spot and mast of the search of one property, proved by full assessments; never clear unseen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from pytest import approx

from houses import HIGHEST_GROUND_M, HOUSES, flat_roof, l_shape, raster_site
from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import assess
from skysill.bulk import roof_screening
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.roof_results import RoofSearch
from skysill.bulk.roof_screening import is_fine_surface, screen_roofs
from skysill.bulk.roof_spots import Roofs
from skysill.errors import InputError
from skysill.geodesy.positions import plan_offset
from skysill.io.site_file import read_site_file
from skysill.model.site import Criteria, MastKit, Mount, Terminal
from skysill.siting.mounts import compare_mounts


def job_at(tmp_path, house, cell_m=1.0):
    """A house with its outline and its rasters, no cable and no mount."""
    job = read_site_file(raster_site(tmp_path, house, cell_m))
    site = replace(job.site, ground_elevation_m=None, ground_source="unknown")
    roof = replace(job.roof, cable_entry=None, keep_out=())
    terminal = replace(job.terminal, cable_limit_m=None)
    job = replace(job, site=site, roof=roof, terminal=terminal, mounts_named=False, property_boundary=())
    return replace(job, criteria=replace(job.criteria, years_ahead=5.0))


def query_of(job, satellite):
    return ScreeningQuery(satellite, job.terminal, job.criteria, HIGHEST_GROUND_M)


def screened(job, satellite, search, rasters=None):
    rasters = job.sources.rasters if rasters is None else rasters
    roofs = Roofs(
        np.array([job.site.latitude_deg]),
        np.array([job.site.longitude_deg]),
        np.array([shapely.Polygon(job.roof.outline)], dtype=object),
    )
    grids = [
        r.window(job.site.latitude_deg, job.site.longitude_deg, 60.0) for r in rasters if is_fine_surface(r)
    ]
    return screen_roofs(rasters, grids, roofs, np.array([2.0]), query_of(job, satellite), search)


def mount_of(job, found):
    east_m, north_m = plan_offset(
        job.site.latitude_deg,
        job.site.longitude_deg,
        found.numbers["spot_latitude_deg"][0],
        found.numbers["spot_longitude_deg"][0],
    )
    return Mount("spot", float(east_m), float(north_m), float(found.numbers["mast_height_m"][0]),
                 float(found.numbers["surface_elevation_m"][0]))  # fmt: skip


@pytest.mark.parametrize("satellite", [0, 1, 2])
@pytest.mark.parametrize("house", HOUSES, ids=lambda h: h.name)
def test_verdict_mast_and_margin_are_those_of_the_search_of_one_property(house, satellite, tmp_path):
    """And the full assessment says the same at that spot and height; 0.05 m lower it does not serve."""
    job = job_at(tmp_path, house)
    satellite = job.satellites[satellite]
    found = screened(job, satellite, RoofSearch(2.5, job.roof.edge_setback_m, 4.0))
    alone = replace(job, satellites=(satellite,))
    rows = compare_mounts(alone, grid_step_m=2.5, max_height_m=4.0, keep=3).mounts
    mount = mount_of(job, found)
    proof = assess(prepared(alone), mount, explain=False).results[0]
    assert found.verdict[0] == proof.verdict
    if not rows:
        assert proof.verdict in ("marginal", "blocked")
        assert np.isnan(found.least_height_m[0])
        return
    assert found.verdict[0] == rows[0].verdict
    assert mount.height_m == approx(rows[0].height_m)
    assert found.least_height_m[0] == approx(rows[0].least_height_m or np.nan, nan_ok=True)
    assert min(proof.clearance.margin_deg, 10.0) == approx(min(rows[0].margin_deg, 10.0), abs=1e-3)
    assert found.numbers["p_clear"][0] == approx(proof.p_clear, abs=1e-9)
    if rows[0].least_height_m is not None and mount.height_m > job.terminal.dish_diameter_m / 2 + 0.16:
        lower = replace(mount, height_m=mount.height_m - 0.05)
        assert assess(prepared(alone), lower, explain=False).results[0].verdict != "clear"


def test_only_the_heights_of_mast_kits_are_offered_and_named(tmp_path):
    job = job_at(tmp_path, l_shape())
    kits = (MastKit("tripod", (0.3, 0.9)), MastKit("pole", (1.5, 2.5)))
    found = screened(job, job.satellites[0], RoofSearch(3.0, 0.5, None, kits))
    alone = replace(job, satellites=job.satellites[:1], mast_kits=kits)
    row = compare_mounts(alone, grid_step_m=3.0, keep=1).mounts[0]
    assert found.numbers["mast_height_m"][0] == approx(row.height_m)
    assert found.texts["kit"][0] == row.kit
    with pytest.raises(InputError, match="is a bracket for a wall"):
        RoofSearch(kits=(MastKit("bracket", (0.5,), stand_off_m=0.3),))


def test_a_roof_that_no_fine_surface_shows_is_never_clear(tmp_path):
    """With bare ground only, with a coarse surface, and in a hole of the fine raster with fine ground all around."""
    job = job_at(tmp_path, flat_roof())
    surface, bare = job.sources.rasters
    south = job.satellites[0]
    for rasters in [(bare,), (replace_kind(surface, cell_size_m=2.5), bare)]:
        found = screened(job, south, RoofSearch(3.0, 0.6), rasters)
        assert found.verdict[0] in ("needs-survey", "unknown")
        assert np.isnan(found.least_height_m[0])
        assert "No surface raster of 2 m or finer shows this roof" in found.reason[0]
        assert found.texts["cautions"][0] == ""
    hole = Holed(surface, job.site, 30.0)
    found = screened(job, south, RoofSearch(3.0, 0.6), (hole, bare))
    assert found.verdict[0] != "clear"
    assert np.isnan(found.numbers["mast_height_m"][0])


def test_what_would_be_clear_over_the_ground_is_not_so_on_a_roof_that_nobody_sees(tmp_path, monkeypatch):
    job = job_at(tmp_path, flat_roof())
    _, bare = job.sources.rasters
    asked = roof_screening.screen_one_by_one

    def always_clear(*given, **options):
        found = asked(*given, **options)
        found.verdict[:] = "clear"
        return found

    monkeypatch.setattr(roof_screening, "screen_one_by_one", always_clear)
    found = screened(job, job.satellites[0], RoofSearch(3.0, 0.6), (bare,))
    assert found.verdict[0] == "needs-survey"


def test_a_roof_under_crowns_has_no_spot_and_says_so(tmp_path):
    job = job_at(tmp_path, flat_roof())
    surface, bare = job.sources.rasters

    class Spiky(Holed):
        def window(self, latitude_deg, longitude_deg, radius_m):
            grid = self.source.window(latitude_deg, longitude_deg, radius_m)
            row, column = np.indices(grid.values.shape)
            rough = (row * 7919 + column * 10473) % 13
            return replace(grid, values=grid.values + rough.astype(np.float32))

    found = screened(job, job.satellites[0], RoofSearch(2.0, 0.6), (Spiky(surface, job.site, 0.0), bare))
    assert found.verdict[0] == "unknown"
    assert "No place on the roof was found to stand a mast on" in found.reason[0]


class Holed:
    """A raster with a round hole of no data around the site."""

    def __init__(self, source, site, radius_m):
        self.source, self.site, self.radius_m = source, site, radius_m
        self.name, self.kind = source.name, source.kind
        self.cell_size_m, self.vertical_error_m = source.cell_size_m, source.vertical_error_m
        self.facts = source.facts

    def window(self, latitude_deg, longitude_deg, radius_m):
        grid = self.source.window(latitude_deg, longitude_deg, radius_m)
        rows, columns = grid.values.shape
        row, column = grid.lattice.cell(self.site.latitude_deg, self.site.longitude_deg)
        r, c = np.mgrid[0:rows, 0:columns]
        values = grid.values.copy()
        values[np.hypot(r - row, c - column) < self.radius_m / self.cell_size_m] = np.nan
        return replace(grid, values=values)


def replace_kind(source, *, cell_size_m):
    """The same raster said to be coarser than it is."""
    coarse = Holed(source, None, 0.0)
    coarse.cell_size_m = cell_size_m
    coarse.window = source.window
    return coarse


def test_cautions_name_the_edge_only_where_the_spot_is_near_it(tmp_path):
    """Nearer than 2 m: common practice, no source (`assessment.cautions.EDGE_M`)."""
    job = job_at(tmp_path, flat_roof())
    far = screened(job, job.satellites[0], RoofSearch(40.0, 2.5, 4.0))
    near = screened(job, job.satellites[0], RoofSearch(40.0, 0.5, 4.0))
    for found in (near, far):
        mount = mount_of(job, found)
        edge_m = shapely.Polygon(job.roof.outline).exterior.distance(
            shapely.Point(mount.east_m, mount.north_m)
        )
        codes = found.texts["cautions"][0].split()
        assert ("edge" in codes) == (edge_m < 2.0)
        assert codes[-9:-1] == [
            "no-line",
            "falls",
            "ladder",
            "fragile",
            "below",
            "alone",
            "lightning",
            "wind",
        ]
    assert ScreeningQuery(job.satellites[0], Terminal(), Criteria(), 80.0).link
