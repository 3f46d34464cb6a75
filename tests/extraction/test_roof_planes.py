"""Roofs found in synthetic scans, against their exact truth."""

import re

import numpy as np
import pytest
import shapely
from pytest import approx

from roof_truth import around, compare, places_in, plane_z, rasterised, top_line_of
from skysill.errors import InputError
from skysill.extraction.found import SurveyData
from skysill.extraction.roof_planes import roof_from_points, roof_from_surface
from skysill.horizon.roof_surface import roof_doubts, roof_elevation_m
from skysill.model.site import Roof
from synthetic_scans import street

DATA = SurveyData("scan.laz", vertical_error_m=0.10, horizontal_error_m=0.20, survey_year=2024.5, year=2026.5)
SQUARE = [[0.0, 0.0], [8.0, 0.0], [8.0, 6.0], [0.0, 6.0]]


@pytest.fixture(scope="module")
def found():
    """(house, roof found in points) of two streets, sparse and noisy, dense and precise."""
    pairs = []
    for seed, density, noise_m, lines in ((41, 6.0, 0.08, 2), (42, 14.0, 0.03, 1)):
        scan = street(seed, points_per_m2=density, noise_m=noise_m, flight_lines=lines)
        for house in scan.truth.houses:
            points = around(scan.points, house.outline)
            roof = roof_from_points(points, house.outline, data=DATA, ground_elevation_m=house.ground_m)
            pairs.append((house, roof, noise_m, [f for f in scan.truth.fixtures if f.house == house.name]))
    return pairs


def compared(found):
    return [
        (house, compare(roof, house.outline, house.facets, top_line_of(house))) for house, roof, *_ in found
    ]


def one(found, form):
    """The house of a form in the denser street."""
    return next((house, roof) for house, roof, *_ in reversed(found) if house.form == form)


def test_planes_are_found_and_none_is_made_up(found):
    got = [each for _, each in compared(found)]
    assert sum(g.found for g in got) >= 0.95 * sum(g.true for g in got)
    assert sum(g.wrong for g in got) <= 0.02 * sum(g.true for g in got)


def test_the_highest_line_stands_where_and_as_high_as_it_does(found):
    got = compared(found)
    near = [abs(g.height_m) < 0.15 and (h.form == "flat" or g.place_m < 0.3) for h, g in got]
    assert np.mean(near) >= 0.9


def test_facets_fill_the_footprint_and_do_not_overlap(found):
    for house, roof, *_ in found:
        shapes = [shapely.Polygon(np.array(plane.ring_m)[:, :2]) for plane in roof.planes]
        whole = shapely.union_all(shapes)
        assert sum(s.area for s in shapes) == approx(whole.area, abs=1e-3)
        unknown = sum(shapely.Polygon(ring).area for ring in roof.unknown_m)
        assert whole.area + unknown == approx(shapely.Polygon(house.outline).area, rel=1e-3)


def test_neighbouring_facets_have_one_elevation_at_their_common_corners(found):
    """Roofs of these forms have no steps. Planes that miss one another by under 6 cm at a corner are made to meet."""
    apart = []
    for _, roof, *_ in found:
        levels = {}
        for plane in roof.planes:
            for corner in plane.ring_m:
                levels.setdefault((round(corner[0], 3), round(corner[1], 3)), []).append(corner[2])
        apart += [np.ptp(values) for values in levels.values() if len(values) > 1]
        assert not roof.steps_m
    assert max(apart) < 0.12
    assert np.mean(np.array(apart) < 1e-6) > 0.9


def test_lines_have_their_names(found):
    for form in ("gabled", "hipped", "half-hipped", "pyramidal", "l-shaped"):
        house, roof = one(found, form)

        def total(lines):
            return sum(np.hypot(*np.diff(np.array(line)[:, :2], axis=0).T).sum() for line in lines)

        for name in ("ridges", "hips", "valleys"):
            assert total(getattr(roof, f"{name}_m")) == approx(total(getattr(house, name)), abs=0.8), (
                form,
                name,
            )
    house, roof = one(found, "hipped")
    assert total(roof.eaves_m) == approx(shapely.Polygon(house.outline).length, rel=0.02)


def test_residuals_are_the_noise_of_the_samples(found):
    """A pulse's own place errs too: on a slope of tangent 1 the elevation error is sqrt(2) of the noise."""
    for _, roof, noise_m, _ in found:
        for plane in roof.planes:
            assert 0.7 * noise_m < plane.residual_rms_m < 2.0 * noise_m
            assert plane.samples >= 9


def test_a_flat_roof_has_its_parapet_on_every_side(found):
    for house, roof, *_ in found:
        assert len(roof.parapets) == (4 if house.parapet_m else 0)
        for wall in roof.parapets:
            tops = [corner[2] for corner in wall.line_m]
            assert tops == approx([house.eaves_elevation_m + house.parapet_m] * 2, abs=0.15)


def test_chimneys_and_dormers_stand_off(found):
    wanted = seen = dormers = 0
    for _, roof, _, fixtures in found:
        for fixture in fixtures:
            if fixture.kind == "aerial":
                continue
            spot = shapely.Polygon(fixture.outline).buffer(0.3)
            there = [o for o in roof.standing_off if spot.intersects(shapely.Polygon(o.outline_m))]
            wanted += 1
            near = bool(there) and abs(there[0].top_elevation_m - fixture.top_elevation_m) < 0.35
            seen += near
            dormers += near and fixture.kind == "dormer"
    assert wanted >= 14
    assert seen >= 0.85 * wanted
    assert dormers == 4


def test_the_table_makes_a_roof_whose_surface_is_the_true_one(found):
    """The truth's own planes, not the package's, tell the elevation that a mount would stand on."""
    for house, roof, *_ in found:
        table = roof.as_site_table()
        read = Roof(
            outline=tuple((e, n) for e, n in table["outline"]),
            facets=tuple(tuple((e, n, z) for e, n, z in ring) for ring in table["facets"]),
        )
        inner = places_in(shapely.get_coordinates(shapely.Polygon(house.outline).buffer(-0.3)))
        off_m = roof_elevation_m(read, *inner.T) - house.roof_m(*inner.T)
        assert np.isfinite(off_m).mean() > 0.97
        assert np.quantile(np.abs(off_m[np.isfinite(off_m)]), 0.9) < 0.15
        assert not roof_doubts(read).sentences()


def test_errors_are_the_datas_own_and_the_fits(found):
    for _, roof, *_ in found:
        assert 0.10 <= roof.height_error_m < 0.25
        assert 0.20 <= roof.position_error_m < 0.40
        assert {"height_error_m", "position_error_m"} <= set(roof.as_site_table())
        assert all(one.height_error_m >= 0.10 and one.position_error_m > 0.20 for one in roof.standing_off)


def test_half_a_metre_cells_carry_the_planes_of_a_street():
    scan = street(43, points_per_m2=12.0, noise_m=0.05, flight_lines=2)
    got = []
    for house in scan.truth.houses:
        east_m, north_m, z = rasterised(around(scan.points, house.outline), 0.5)
        roof = roof_from_surface(
            east_m[None, :], north_m[:, None], z, house.outline, cell_m=0.5, data=DATA,
            ground_elevation_m=house.ground_m,
        )  # fmt: skip
        got.append(compare(roof, house.outline, house.facets, top_line_of(house)))
    assert sum(g.found for g in got) >= 0.95 * sum(g.true for g in got)
    assert np.mean([abs(g.height_m) < 0.15 for g in got]) >= 0.85


def test_the_highest_points_of_cells_are_brought_down_to_their_centres():
    """On a slope of tangent 0.6 the highest point of a metre's cell lies up to 0.3 m over its centre."""
    scan = street(52, forms=("gabled", "skillion"), points_per_m2=10.0, noise_m=0.04, flight_lines=2)
    for house in scan.truth.houses:
        near = around(scan.points, house.outline)
        east_m, north_m, z = rasterised(near, 0.5, "highest")
        found = {
            cells: roof_from_surface(
                east_m[None, :], north_m[:, None], z, house.outline, cell_m=0.5, cells=cells, data=DATA,
                ground_elevation_m=house.ground_m,
            )
            for cells in ("highest", "mean")
        }  # fmt: skip
        true_m = house.ridge_elevation_m
        assert found["highest"].ridge_elevation_m == approx(true_m, abs=0.12)
        assert found["mean"].ridge_elevation_m > found["highest"].ridge_elevation_m
        assert found["highest"].height_error_m > found["mean"].height_error_m


def test_metre_cells_carry_a_gabled_and_a_hipped_roof():
    scan = street(
        47, forms=("gabled", "hipped", "skillion"), points_per_m2=12.0, noise_m=0.05, flight_lines=2
    )
    for house in scan.truth.houses:
        east_m, north_m, z = rasterised(around(scan.points, house.outline), 1.0)
        roof = roof_from_surface(
            east_m[None, :], north_m[:, None], z, house.outline, cell_m=1.0, data=DATA,
            ground_elevation_m=house.ground_m,
        )  # fmt: skip
        got = compare(roof, house.outline, house.facets, top_line_of(house))
        assert (got.found, got.wrong) == (got.true, 0), house.form
        assert abs(got.height_m) < 0.15
        assert got.place_m < 0.3


def roof_points(rng, height, *, density=10.0, noise_m=0.03):
    plan = rng.uniform([0.0, 0.0], [8.0, 6.0], (int(density * 48), 2))
    return np.column_stack([plan, height(*plan.T) + rng.normal(0.0, noise_m, len(plan))])


def test_a_crown_over_the_whole_house_carries_no_plane():
    rng = np.random.default_rng(2)
    points = roof_points(rng, lambda e, n: 12.0 + rng.uniform(0.0, 4.0, e.size))
    roof = roof_from_points(points, SQUARE, data=DATA)
    assert roof.planes == ()
    assert roof.unknown_m == (tuple(map(tuple, SQUARE)),)
    assert "facets" not in roof.as_site_table()
    assert any("no plane of this roof" in note for note in roof.notes)


@pytest.mark.parametrize("count", [0, 5, 12])
def test_a_handful_of_samples_carries_no_plane(count):
    points = roof_points(np.random.default_rng(1), lambda e, n: 10.0 + 0.0 * e)[:count]
    assert roof_from_points(points, SQUARE, data=DATA).planes == ()


def test_the_part_without_samples_stays_unknown():
    """The east half in shadow: the plane of the west half is not carried over there."""
    points = roof_points(np.random.default_rng(4), lambda e, n: 10.0 + 0.3 * n)
    roof = roof_from_points(points[points[:, 0] < 4.0], SQUARE, data=DATA)
    unknown = shapely.union_all([shapely.Polygon(ring) for ring in roof.unknown_m])
    assert unknown.area == approx(24.0, abs=6.0)
    assert shapely.contains_xy(unknown, 6.5, 3.0)
    known = shapely.union_all([shapely.Polygon(np.array(p.ring_m)[:, :2]) for p in roof.planes])
    assert known.intersection(unknown).area < 1e-6
    assert any(re.search(r"\d+ m2 of the footprint have no plane", note) for note in roof.notes)


def test_two_flat_parts_of_different_heights_meet_in_a_step():
    points = roof_points(np.random.default_rng(6), lambda e, n: np.where(e < 4.5, 10.0, 12.0))
    roof = roof_from_points(points, SQUARE, data=DATA)
    assert len(roof.planes) == 2
    (step,) = roof.steps_m
    assert [corner[0] for corner in step] == approx([4.5, 4.5], abs=0.25)
    assert [corner[2] for corner in step] == approx([12.0, 12.0], abs=0.05)


def test_a_narrow_strip_is_no_plane():
    """A fire wall of 0.4 m across a flat roof: 24 samples, but nothing to stand on; it stands off the roof."""
    points = roof_points(np.random.default_rng(14), lambda e, n: np.where(np.abs(e - 4.0) < 0.2, 10.9, 10.0))
    roof = roof_from_points(points, SQUARE, data=DATA)
    assert max(corner[2] for plane in roof.planes for corner in plane.ring_m) < 10.1
    assert 1 <= len(roof.standing_off) <= 3
    assert all(one.height_m == approx(0.9, abs=0.15) for one in roof.standing_off)


def test_what_fills_one_cell_may_be_much_higher_than_the_cell():
    """An aerial spread over a cell of half a metre: the error of its top is as large as what the cell shows."""
    east_m, north_m = np.meshgrid(np.arange(0.25, 8.0, 0.5), np.arange(5.75, 0.0, -0.5))
    surface_m = np.random.default_rng(3).normal(10.0, 0.02, east_m.shape)
    surface_m[5, 7] += 0.8
    roof = roof_from_surface(east_m, north_m, surface_m, SQUARE, cell_m=0.5, data=DATA)
    (aerial,) = roof.standing_off
    assert aerial.height_m == approx(0.8, abs=0.1)
    assert aerial.height_error_m > 0.7


def test_the_order_of_the_points_does_not_matter():
    rng = np.random.default_rng(9)
    points = roof_points(rng, lambda e, n: 14.0 - 0.7 * np.abs(n - 3.0))
    first = roof_from_points(points, SQUARE, data=DATA)
    second = roof_from_points(rng.permutation(points), SQUARE, data=DATA)
    assert first.ridge_elevation_m == approx(second.ridge_elevation_m, abs=0.01)
    assert len(first.planes) == len(second.planes) == 2


def test_a_courtyard_is_left_out_of_the_facets():
    hole = [[3.0, 2.0], [5.0, 2.0], [5.0, 4.0], [3.0, 4.0]]
    points = roof_points(np.random.default_rng(7), lambda e, n: 10.0 + 0.0 * e)
    roof = roof_from_points(points, SQUARE, data=DATA, holes_m=[hole])
    whole = shapely.union_all([shapely.Polygon(np.array(p.ring_m)[:, :2]) for p in roof.planes])
    assert whole.area == approx(48.0 - 4.0, abs=0.05)
    for plane in roof.planes:
        ring = np.array(plane.ring_m)
        assert plane_z(ring, ring[:, :2]) == approx(10.0, abs=0.05)


@pytest.mark.parametrize("form", ["gabled", "l-shaped"])
def test_a_footprint_that_lies_beside_the_building_is_moved_onto_it(form):
    scan = street(51, forms=(form,), points_per_m2=10.0, noise_m=0.05, flight_lines=2)
    (house,) = scan.truth.houses
    points, off = around(scan.points, house.outline), np.array([0.9, -0.7])
    roof = roof_from_points(points, house.outline + off, data=DATA, ground_elevation_m=house.ground_m)
    assert np.array(roof.outline_m).mean(axis=0) == approx(np.mean(house.outline, axis=0), abs=0.15)
    assert re.search(r"it was moved by -0\.[789] m east and \+0\.[678] m north", " ".join(roof.notes))
    assert compare(roof, house.outline, house.facets, top_line_of(house)).place_m < 0.3
    still = roof_from_points(
        points, house.outline + off, data=DATA, ground_elevation_m=house.ground_m, move_at_most_m=0
    )
    assert np.array(still.outline_m) == approx(house.outline + off)


def test_a_footprint_in_its_place_is_not_moved(found):
    for house, roof, *_ in found:
        assert np.array(roof.outline_m) == approx(house.outline)
        assert not any("moved" in note for note in roof.notes)


def test_the_ground_below_each_sample_is_taken_on_a_slope():
    """A house on a hillside that falls by 3 m across it: the uphill ground is nearly as high as the eaves."""
    rng = np.random.default_rng(12)
    plan = rng.uniform([-4.0, -4.0], [12.0, 10.0], (2200, 2))
    ground_m = 20.0 + 0.4 * plan[:, 1]
    inside = shapely.contains_xy(shapely.Polygon(SQUARE), *plan.T)
    z = np.where(inside, 26.0 - 0.5 * np.abs(plan[:, 1] - 3.0), ground_m) + rng.normal(0.0, 0.03, len(plan))
    points = np.column_stack([plan, z])
    roof = roof_from_points(points, SQUARE, data=DATA, ground_elevation_m=ground_m)
    assert len(roof.planes) == 2
    assert roof.ridge_elevation_m == approx(26.0, abs=0.05)
    assert np.array(roof.outline_m) == approx(np.array(SQUARE))
    with pytest.raises(InputError, match="ground_elevation_m: is not one for each sample"):
        roof_from_points(points, SQUARE, data=DATA, ground_elevation_m=ground_m[:-1])


def test_old_data_say_so():
    points = roof_points(np.random.default_rng(1), lambda e, n: 10.0 + 0.0 * e)
    old = SurveyData("tile.laz", 0.1, 0.1, survey_year=2012.0, year=2026.5)
    assert any("tile.laz is 14 years old" in n for n in roof_from_points(points, SQUARE, data=old).notes)
    unsaid = SurveyData("tile.laz", 0.1, 0.1)
    assert any("is not known" in n for n in roof_from_points(points, SQUARE, data=unsaid).notes)


def test_bad_input_is_refused_in_one_line():
    points = roof_points(np.random.default_rng(1), lambda e, n: 10.0 + 0.0 * e)
    with pytest.raises(InputError, match=r"footprint: the footprint is not sound \(self-intersection\)"):
        roof_from_points(points, [[0, 0], [8, 6], [8, 0], [0, 6]], data=DATA)
    with pytest.raises(InputError, match="at least three corners"):
        roof_from_points(points, [[0, 0], [8, 6]], data=DATA)
    with pytest.raises(InputError, match="a raster of 2 m cells shows no roof planes"):
        roof_from_surface([0.0], [0.0], [[1.0]], SQUARE, cell_m=2.0, data=DATA)
    with pytest.raises(InputError, match="do not fit its cells"):
        roof_from_surface(np.zeros((1, 3)), np.zeros((2, 1)), np.zeros((4, 4)), SQUARE, cell_m=1.0, data=DATA)
    with pytest.raises(InputError, match="not of east, north and elevation"):
        roof_from_points(points[:, :2], SQUARE, data=DATA)


def test_a_lean_to_behind_the_house_is_a_plane_and_stands_off_nothing():
    """It is small and lies over the main roof's plane carried on beyond its eaves, as a dormer does."""
    outline = [[0.0, 0.0], [8.0, 0.0], [8.0, 6.0], [6.0, 6.0], [6.0, 8.2], [2.0, 8.2], [2.0, 6.0], [0.0, 6.0]]
    rng = np.random.default_rng(21)
    plan = rng.uniform([0.0, 0.0], [8.0, 8.2], (700, 2))
    plan = plan[shapely.contains_xy(shapely.Polygon(outline), *plan.T)]
    z = np.where(plan[:, 1] > 6.0, 12.4, 15.0 - 0.8 * np.abs(plan[:, 1] - 3.0)) + rng.normal(
        0.0, 0.03, len(plan)
    )
    roof = roof_from_points(np.column_stack([plan, z]), outline, data=DATA)
    assert len(roof.planes) == 3
    assert not roof.standing_off
    (flat,) = [plane for plane in roof.planes if abs(plane.slope_north) < 0.1]
    assert flat.elevation_m(4.0, 7.0) == approx(12.4, abs=0.05)
