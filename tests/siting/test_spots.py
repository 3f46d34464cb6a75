"""Spots of a roof, its yards and along its walls, on invented ground at Brackendale Mill."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import SITE, ground, job
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.model.obstacle_builders import building
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import Criteria, MastKit, Mount, Roof
from skysill.model.survey import Survey
from skysill.siting.mounts import compare_mounts
from skysill.siting.spots import spots

OUTLINE = ((0.0, 0.0), (8.0, 0.0), (8.0, 6.0), (0.0, 6.0))
FLAT = Roof(outline=OUTLINE, surface=tuple((x, y, 104.0) for x, y in OUTLINE))


@pytest.mark.parametrize("step_m", [0.01, 200.0])
def test_a_step_that_is_no_step_is_refused(step_m):
    with pytest.raises(InputError, match="is no grid"):
        spots(FLAT, SITE, (), step_m=step_m)


def test_too_many_spots_are_refused_with_their_number():
    wide = Roof(
        outline=((0, 0), (90, 0), (90, 90), (0, 90)), surface=((0, 0, 104), (90, 0, 104), (90, 90, 104))
    )
    with pytest.raises(InputError, match=r"a 0\.05 m grid has 3,\d{3},\d{3} spots"):
        spots(wide, SITE, (), step_m=0.05)


def test_where_the_grid_is_coarser_than_the_roof_its_middle_is_a_spot():
    """6 m by 4 m are left inside the setback of a metre; no line of a 50 m grid crosses that."""
    east = replace(FLAT, outline=tuple((x + 20, y + 20) for x, y in OUTLINE),
                   surface=tuple((x + 20, y + 20, 104.0) for x, y in OUTLINE))  # fmt: skip
    found = spots(east, SITE, (), step_m=50.0)
    assert len(found) == 1
    assert 21.0 <= found.east_m[0] <= 27.0
    assert 21.0 <= found.north_m[0] <= 25.0
    assert found.surface_elevation_m[0] == approx(104.0)


def test_a_yard_stands_on_a_bare_raster_and_else_on_the_sites_ground():
    yard = replace(FLAT, yards=(((10, 0), (14, 0), (14, 4), (10, 4)),))
    slope = ground(lambda x, y: 98.0 + 0.1 * x, kind="bare")
    for rasters, want in (((slope,), lambda east: 98.0 + 0.1 * east), ((), lambda east: 100.0 + 0.0 * east)):
        found = spots(yard, SITE, rasters, step_m=1.0)
        outside = ~found.on_roof
        assert found.surface_elevation_m[outside] == approx(want(found.east_m[outside]), abs=0.02)
        assert (found.east_m[outside] >= 10.0).all()
        assert outside.sum() == 25  # both ends of the lattice counted
        assert found.on_roof.sum() == 7 * 5


def test_what_stands_off_a_roof_in_its_raster_is_left_out_and_said():
    """An outline without facets: a surface raster of 0.5 m tells, with a chimney of 2 m in its middle."""
    bare_outline = Roof(outline=OUTLINE)

    def house(x, y):
        roof = np.where((x > -1) & (x < 9) & (y > -1) & (y < 7), 104.0, 100.0)
        return np.where((np.abs(x - 4.0) < 0.6) & (np.abs(y - 3.0) < 0.6), 106.0, roof)

    found = spots(bare_outline, SITE, (ground(house, cell_m=0.5, half_m=40.0),), step_m=0.5)
    assert found.surface_elevation_m == approx(104.0, abs=0.05)
    assert np.hypot(found.east_m - 4.0, found.north_m - 3.0).min() > 0.5
    [note] = found.notes
    assert "were left out: fine.tif shows a chimney" in note


def test_brackets_stand_off_the_walls_at_steps_along_them():
    """0.3 m out from a ring of 28 m, a spot a metre, begun half a step from each corner; no spot on the roof."""
    bracket = MastKit("bracket", (1.0,), stand_off_m=0.3)
    found = spots(FLAT, SITE, (), step_m=1.0, kits=(bracket,))
    assert len(found) == 28
    out_m = np.maximum.reduce([-found.east_m, found.east_m - 8.0, -found.north_m, found.north_m - 6.0])
    assert out_m == approx(0.3)
    assert not found.on_roof.any()
    assert set(found.kit) == {"bracket"}
    both = spots(FLAT, SITE, (), step_m=1.0, kits=(bracket, MastKit("mast", (2.0,))))
    assert len(both) == 28 + 35


def test_without_a_satellite_or_with_only_impossible_mounts_the_comparison_is_refused():
    with pytest.raises(InputError, match="no satellite was named"):
        compare_mounts(replace(job(), satellites=()))
    barn = building("barn", [[-5, -5], [5, -5], [5, 5], [-5, 5]], ground_elevation_m=100.0, height_m=9.0)
    with pytest.raises(InputError, match='is inside "barn"'):
        compare_mounts(replace(job(scene=Scene((barn,))), mounts=(Mount("a", height_m=2.0),)))


def test_without_a_datum_the_least_mast_over_a_skyline_read_is_found():
    """Readings of a hedge 12 m off, seen 41 degrees up from 1.6 m: it sinks under the ray as the mast grows."""
    unknown = replace(SITE, ground_elevation_m=None, ground_source="unknown")
    azimuth = np.arange(0.0, 360.0, 4.0)
    hedge = Readings(azimuth, np.full(90, 41.0), np.full(90, 12.0), ("",) * 90, "hedge.csv")
    asked = job(site=unknown, readings=hedge, survey=Survey(instrument_height_m=1.6))
    asked = replace(asked, mounts=(Mount("post", height_m=1.6),))
    [found] = compare_mounts(asked, max_height_m=8.0).mounts
    least_m = found.least_height_m
    assert least_m is not None

    def content(height_m):
        return assess(asked, Mount("post", height_m=height_m)).results[0].verdict in ("clear", "needs-survey")

    assert content(least_m)
    assert not content(least_m - 0.1)


def test_where_no_spot_is_sure_enough_those_with_room_are_shown_at_their_tallest():
    """A wall 12 m before the one spot leaves a degree more than the room, and is known to 0.3 m: a degree as well."""
    azimuth = np.arange(0.0, 360.0, 4.0)
    low = Readings(azimuth, np.full(90, 2.0), np.full(90, 400.0), ("",) * 90, "horizon.csv")
    [spot] = zip(
        *(getattr(spots(FLAT, SITE, (), step_m=50.0), n).tolist() for n in ("east_m", "north_m")), strict=True
    )
    look = assess(job(), Mount(height_m=2.0)).results[0].look
    ahead_m = 12.0 / np.cos(np.radians(look.azimuth_deg))
    room = np.degrees(np.arctan((0.6 + 0.6 * np.sqrt(299_792_458.0 / 19.7e9 * 16.0)) / 16.0))
    top_m = 105.0 + ahead_m * np.tan(np.radians(look.elevation_apparent_deg - room - 1.0))
    north_m = spot[1] + 12.0
    wall = building("wall", [[-30, north_m], [40, north_m], [40, north_m + 1], [-30, north_m + 1]],
                    ground_elevation_m=100.0, top_elevation_m=float(top_m))  # fmt: skip
    asked = job(readings=low, survey=Survey(instrument_height_m=2.0), scene=Scene((wall,), complete=True))
    asked = replace(asked, roof=FLAT, criteria=Criteria(years_ahead=0.0, min_p_clear=1.0), mounts_named=False)
    found = compare_mounts(asked, grid_step_m=50.0, max_height_m=1.0, keep=3)
    [row] = found.mounts
    assert (row.verdict, row.least_height_m, row.height_m) == ("marginal", None, approx(1.0))
    sure = compare_mounts(
        replace(asked, criteria=Criteria(years_ahead=0.0, min_p_clear=0.2)),
        grid_step_m=50.0,
        max_height_m=1.0,
    )
    assert [row.verdict for row in sure.mounts] == ["clear"]
