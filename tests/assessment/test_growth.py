"""Years ahead: readings of trees grow, unknown ones are asked about, surface rasters grow from their survey."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import SITE, ground, job
from skysill.assessment.growth import _leaf_note, _outlines_deg, growth_notes
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.horizon.vegetation_growth import GrownSurface
from skysill.model.default_errors import RasterFacts
from skysill.model.obstacle_builders import building, facet, tree
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount
from skysill.model.survey import Survey

AZIMUTH = np.arange(0.0, 360.0, 4.0)
HERE = Mount(height_m=1.6)


def readings(elevation_deg, distance_m=20.0, kind="", growth=np.nan, count=AZIMUTH.size):
    return Readings(
        AZIMUTH, np.full(count, float(elevation_deg)), np.full(count, float(distance_m)), ("",) * count, "r.csv",
        kind=(kind,) * count, growth_m_per_year=np.full(count, float(growth)),
    )  # fmt: skip


def result(asked, mount=HERE):
    return assess(asked, mount).results[0]


def test_a_tree_that_was_read_grows_into_the_room():
    """A top 20 m off along 32 degrees: 10.60 m up, 16.96 m out. Five years of 0.5 m: atan(13.10 / 16.96)."""
    found = result(job(readings=readings(32.0, kind="tree", growth=0.5)))
    top_deg = np.rad2deg(np.arctan2(20.0 * np.sin(np.deg2rad(32.0)) + 2.5, 20.0 * np.cos(np.deg2rad(32.0))))
    assert found.clearance.vertical_margin_deg == approx(found.look.elevation_apparent_deg - 32.0, abs=1e-6)
    assert found.later.vertical_margin_deg == approx(found.look.elevation_apparent_deg - top_deg, abs=1e-6)
    assert found.later.controlling.kind == "tree"


def test_growth_takes_the_room_of_a_tree_and_not_of_a_wall_read_alike():
    tall = result(job(readings=readings(36.0, kind="tree")))
    assert tall.verdict == "marginal"
    assert "grows: in 5 years it leaves" in tall.reasons[0]
    assert result(job(readings=readings(36.0, kind="building"))).verdict == "clear"
    assert result(job(readings=readings(36.0, kind="tree", growth=0.0))).verdict == "clear"


def test_a_tree_whose_rate_nobody_stated_grows_at_the_usual_rate_and_the_result_says_so():
    # 0.30 to 0.61 m a year is medium growth (Missouri Department of Conservation)
    asked = job(readings=readings(32.0, kind="tree"))
    found = result(asked)
    up_m = 20.0 * np.sin(np.deg2rad(32.0)) + 5.0 * 0.4
    top_deg = np.rad2deg(np.arctan2(up_m, 20.0 * np.cos(np.deg2rad(32.0))))
    assert found.later.vertical_margin_deg == approx(found.look.elevation_apparent_deg - top_deg, abs=1e-6)
    assert any("taken to grow 0.4 m a year for a tree" in note for note in assess(asked, HERE).warnings)


def test_a_tree_without_a_distance_grows_at_the_assumed_distance():
    asked = job(readings=readings(25.0, np.nan, kind="tree", growth=0.5))
    up_m = 10.0 * np.sin(np.deg2rad(25.0)) + 2.5
    top_deg = np.rad2deg(np.arctan2(up_m, 10.0 * np.cos(np.deg2rad(25.0))))
    found = result(asked)
    assert found.later.vertical_margin_deg == approx(found.look.elevation_apparent_deg - top_deg, abs=1e-6)
    assert any(
        "carry no distance: their growth counts at 10 m" in note for note in assess(asked, HERE).warnings
    )


@pytest.mark.parametrize("listed", [False, True])
def test_of_unknown_kind_the_growth_question_is_asked_whether_or_not_another_tree_is_listed(listed):
    oak = tree("far oak", (0.0, -90.0), ground_elevation_m=100.0, height_m=8.0, growth_m_per_year=0.3)
    scene = Scene((oak,)) if listed else None
    found = result(job(readings=readings(36.0), scene=scene))
    assert found.verdict == "clear"
    asked = [reason for reason in found.reasons if reason.startswith("If what was read at azimuth")]
    assert len(asked) == 1
    assert "is a tree, growing 0.4 m a year takes the room for the 5 years ahead" in asked[0]


def test_what_would_leave_its_room_even_as_a_tree_is_said_so_and_what_is_far_below_is_not_asked_about():
    leaves = result(job(readings=readings(28.0)))
    assert any("leaves the room for the 5 years ahead" in reason for reason in leaves.reasons)
    assert not any("is a tree" in reason for reason in result(job(readings=readings(5.0))).reasons)
    assert not any(
        "is a tree" in reason for reason in result(job(readings=readings(36.0, kind="ground"))).reasons
    )


def test_a_reading_of_a_listed_tree_leaves_the_growth_to_the_tree_and_raises_no_question():
    oak = tree("oak", (0.0, -90.0), ground_elevation_m=100.0, height_m=8.0, growth_m_per_year=0.3)
    named = replace(readings(36.0), note=("oak",) * AZIMUTH.size)
    found = result(job(readings=named, scene=Scene((oak,))))
    assert not any("is a tree" in reason for reason in found.reasons)
    found = result(job(readings=replace(named, kind=("tree",) * AZIMUTH.size), scene=Scene((oak,))))
    assert found.later.margin_deg == approx(found.clearance.margin_deg)
    alone = result(job(readings=replace(named, kind=("tree",) * AZIMUTH.size)))
    assert alone.later.margin_deg < alone.clearance.margin_deg - 2.0


def test_years_since_the_survey_count_too():
    old = Survey(date=dt.date(2021, 6, 1))
    asked = replace(
        job(readings=readings(32.0, kind="tree", growth=0.5), survey=old), date=dt.date(2026, 6, 1)
    )
    up_m = 20.0 * np.sin(np.deg2rad(32.0)) + 10.0 * 0.5
    top_deg = np.rad2deg(np.arctan2(up_m, 20.0 * np.cos(np.deg2rad(32.0))))
    found = result(asked)
    assert found.later.vertical_margin_deg == approx(found.look.elevation_apparent_deg - top_deg, abs=0.01)


# --- surface rasters -------------------------------------------------------------------------------------------------


def wood(x, y, *, top_m=109.0):
    """Flat ground of 100 m, a wood to the north from 14 m on, and a house under the mount."""
    values = np.where((y > 14.0) & (y < 40.0) & (np.abs(x) < 30.0), top_m, 100.0)
    return np.where((np.abs(x) < 5.0) & (np.abs(y + 4.0) < 4.5), 104.0, values)


def surface(height_m, **facts):
    held = ground(height_m)
    return replace(held, facts=RasterFacts(**facts))


ON_ROOF = Mount(north_m=-4.0, surface_elevation_m=104.0, height_m=1.2)


def later_of(raster, *more, years=5.0, date=dt.date(2026, 7, 1), mount=ON_ROOF):
    asked = replace(job(raster, *more), criteria=Criteria(years_ahead=years), date=date)
    return assess(asked, mount).results[0]


def test_a_wood_on_a_surface_raster_grows_from_its_survey_date():
    # 2016.5 to 2026.5 and five years ahead at 0.3 m: 4.5 m. The other route: a raster made with the wood so high
    grown = later_of(surface(wood, survey_year=2016.5, growth_m_per_year=0.3))
    made = later_of(surface(lambda x, y: wood(x, y, top_m=113.5)))
    today = later_of(surface(wood))
    assert grown.clearance.margin_deg == approx(today.clearance.margin_deg, abs=1e-9)
    assert grown.later.margin_deg == approx(made.clearance.margin_deg, abs=0.01)
    assert grown.later.margin_deg < today.clearance.margin_deg - 3.0
    assert today.later is None


def test_growth_of_a_raster_can_turn_clear_into_marginal():
    assert later_of(surface(wood)).verdict == "clear"
    grown = later_of(surface(wood, survey_year=2016.5, growth_m_per_year=0.87))
    assert grown.verdict == "marginal"
    assert "grows: in " in grown.reasons[0]


def test_the_roof_the_mount_stands_on_and_the_ground_do_not_grow():
    held = surface(wood)
    grown = GrownSurface(held, 4.5, (), (SITE.latitude_deg, SITE.longitude_deg), 104.0)
    before = held.window(SITE.latitude_deg, SITE.longitude_deg, 100.0).values
    after = grown.window(SITE.latitude_deg, SITE.longitude_deg, 100.0).values
    assert np.unique(np.round(after - before, 3)).tolist() == [0.0, 4.5]
    assert np.array_equal(after > before, before > 108.0)


def changed(grown, held):
    before, after = (
        source.window(SITE.latitude_deg, SITE.longitude_deg, 100.0).values for source in (held, grown)
    )
    return before, after > before


def test_the_roof_under_the_mount_stays_though_a_bare_raster_says_that_it_stands():
    held, bare = surface(wood), ground(lambda x, y: 100.0 + 0.0 * x, kind="bare", name="bare.tif")
    grown = GrownSurface(held, 4.5, (bare,), (SITE.latitude_deg, SITE.longitude_deg), 104.0)
    before, grows = changed(grown, held)
    assert np.array_equal(grows, before > 108.0)


def test_listed_buildings_do_not_grow():
    held, bare = surface(wood), ground(lambda x, y: 100.0 + 0.0 * x, kind="bare", name="bare.tif")
    hall = building(
        "hall", [[-10, 20], [10, 20], [10, 30], [-10, 30]], ground_elevation_m=100.0, height_m=9.0
    )
    rings = _outlines_deg(job(held, bare, scene=Scene((hall,))))
    grown = GrownSurface(held, 4.5, (bare,), (SITE.latitude_deg, SITE.longitude_deg), 104.0, rings)
    before, grows = changed(grown, held)
    rows, cols = np.array(before.shape) // 2
    assert not grows[rows - 25, cols]  # 25 m north, the middle of the hall
    assert grows[rows - 17, cols]  # wood before it
    assert 200 <= (before > 108.0).sum() - grows.sum() <= 300  # 20 x 10 m, and a cell around


def test_a_bare_raster_tells_trees_on_a_hillside_from_the_hillside():
    def slope(x, y):
        return 100.0 + 0.2 * y

    held = surface(lambda x, y: slope(x, y) + np.where((y > 20.0) & (y < 30.0), 8.0, 0.0))
    bare = ground(slope, cell_m=10.0, kind="bare", name="bare.tif", half_m=200.0)
    grown = GrownSurface(held, 3.0, (bare,), (SITE.latitude_deg, SITE.longitude_deg), 100.0)
    before = held.window(SITE.latitude_deg, SITE.longitude_deg, 100.0).values
    after = grown.window(SITE.latitude_deg, SITE.longitude_deg, 100.0).values
    rows = np.unique(np.flatnonzero((after > before).any(axis=1)))
    assert rows.size == 9  # rows 1 m apart with 20 < north < 30
    assert (after > before)[rows].all()


def test_what_is_not_known_of_a_raster_is_said():
    notes = growth_notes(
        replace(job(surface(wood)), date=dt.date(2026, 7, 1)), assess(job(surface(wood)), ON_ROOF).evidence
    )
    assert "at a date nobody gave" in notes[0]
    assert "Give date and growth_m_per_year in [terrain]" in notes[0]
    stated = job(surface(wood, growth_m_per_year=0.3))
    notes = growth_notes(stated, assess(stated, ON_ROOF).evidence)
    assert "1.5 m higher" in notes[0]
    assert "Growth up to now is missing (type date under [terrain])." in notes[0]


def test_a_site_file_can_say_when_a_raster_was_measured_and_how_its_trees_grow(tmp_path):
    from skysill.io.rasters import write_geotiff
    from skysill.io.site_file import read_site_file
    from skysill.model.default_errors import facts_of

    grid = ground(wood).grid
    write_geotiff(tmp_path / "fine.tif", grid.values, like=grid)
    (tmp_path / "mill.toml").write_text(
        'position = "41.31 S 147.22 E"\n[terrain]\nrasters = ["fine.tif"]\nkinds = ["surface"]\n'
        'date = 2016-07-01\ngrowth_m_per_year = 0.3\ncells = "highest"\nhorizontal_error_m = [0.5]\n'
    )
    facts = facts_of(read_site_file(tmp_path / "mill.toml").sources.rasters[0])
    assert facts.survey_year == approx(2016.497, abs=0.001)
    assert (facts.growth_m_per_year, facts.cells, facts.horizontal_error_m) == (0.3, "highest", 0.5)


# --- listed plants that are no single trees ---------------------------------------------------------------------------


def test_a_listed_hedge_grows_up_to_its_own_height(tmp_path):
    from skysill.io.site_file import read_site_file

    path = tmp_path / "mill.toml"
    path.write_text(
        'position = "41.31 S 147.22 E"\nground_elevation_m = 100.0\n[[obstacle]]\nkind = "hedge"\n'
        "line = [[-5, 10], [5, 10]]\nheight_m = 3.0\ngrowth_m_per_year = 0.3\nmax_height_m = 4.0\n"
    )
    [hedge] = read_site_file(path).sources.scene.obstacles
    assert hedge.grown(2.0).top_elevation_m == approx(103.6)
    assert hedge.grown(10.0).top_elevation_m == approx(104.0)
    path.write_text(path.read_text().replace('"hedge"', '"wall"'))
    with pytest.raises(InputError, match=r"growth_m_per_year: a wall does not grow"):
        read_site_file(path)


@pytest.mark.parametrize(("month", "asked"), [(7, True), (1, False)])
def test_trees_read_in_the_leafless_months_of_their_half_of_the_earth_are_asked_about_their_leaves(
    month, asked
):
    survey = Survey(date=dt.date(2026, month, 10))  # 41 S: July is winter
    found = assess(job(readings=readings(20.0, kind="tree"), survey=survey), HERE)
    assert any("do not say whether they had leaves" in note for note in found.warnings) is asked


def test_of_listed_things_only_buildings_are_kept_from_growing():
    square = [[0, 10], [6, 10], [6, 16], [0, 16]]
    barn = building("barn", square, ground_elevation_m=100.0, height_m=5.0)
    wood = replace(building("wood", square, ground_elevation_m=100.0, height_m=9.0), kind="tree")
    canopy = facet("canopy", [[0, 0, 103], [3, 0, 103], [3, 3, 103]])
    assert len(_outlines_deg(job(scene=Scene((barn, wood, canopy))))) == 1


def test_plants_without_a_distance_are_counted_and_nothing_else_is():
    mixed = Readings(
        np.array([10.0, 14.0, 18.0]), np.full(3, 20.0), np.array([30.0, np.nan, np.nan]), ("",) * 3, "r.csv",
        kind=("tree", "hedge", "building"), growth_m_per_year=np.full(3, 0.3),
    )  # fmt: skip
    asked = replace(job(readings=mixed), criteria=Criteria(years_ahead=5.0))
    [note] = [note for note in growth_notes(asked, assess(asked, HERE).evidence) if "distance" in note]
    assert note.startswith("1 readings of plants carry no distance")


@pytest.mark.parametrize("month", range(1, 13))
def test_a_month_in_the_south_is_that_half_a_year_later_in_the_north(month):
    """Of the seasons: whether leaves are asked about on the southern half follows the opposite month of the north."""
    trees = readings(20.0, kind="tree", growth=0.3)

    def asked_in(month, latitude_deg):
        at = job(readings=trees, survey=Survey(date=dt.date(2026, month, 15)))
        return bool(_leaf_note(replace(at, site=replace(SITE, latitude_deg=latitude_deg)), trees))

    assert asked_in(month, -50.0) is asked_in((month + 5) % 12 + 1, 50.0)
    assert asked_in(1, 50.0)
    assert not asked_in(7, 50.0)
