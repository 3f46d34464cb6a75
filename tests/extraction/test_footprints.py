"""Footprints: reach, heights and who says them, the own building."""

import json
import math

import numpy as np
import pytest
from pytest import approx

from skysill.errors import InputError
from skysill.extraction.footprints import (
    Footprint,
    HeightGrid,
    buildings_within_reach,
    own_building,
    reach_m,
)
from skysill.extraction.found import SurveyData
from skysill.extraction.plan_grid import PlanGrid


def box(west, south, east, north):
    return ((west, south), (east, south), (east, north), (west, north))


def house(where, *corners, **tags):
    return Footprint(
        where, box(*corners), tags={label.replace("_", ":"): value for label, value in tags.items()}
    )


HERE = house("map, feature 1", -5, -4, 5, 4, building="yes", name="clinic")
NEXT = house("map, feature 2", 5, -4, 13, 4, building="yes", name="shop")
AWAY = house("map, feature 3", 40, -4, 50, 4, building="yes", name="barn")


def raster(blocks, *, cell_m=1.0, ground_m=20.0, error_m=0.15):
    """Surface and bare ground, the surface raised over blocks of (west, south, east, north, height)."""
    grid = PlanGrid(-100.0, 100.0, cell_m, int(200 / cell_m), int(200 / cell_m))
    east_m, north_m = np.meshgrid(*grid.centres_m())
    surface = np.full(grid.shape, ground_m)
    for west, south, east, north, height_m in blocks:
        surface[(east_m > west) & (east_m < east) & (north_m > south) & (north_m < north)] = (
            ground_m + height_m
        )
    data = SurveyData("surface.tif", error_m, 0.3, survey_year=2025.0, year=2026.0)
    return HeightGrid(grid, surface, np.full(grid.shape, ground_m), data)


# --- reach -------------------------------------------------------------------------------------------------------


def test_what_is_left_out_leaves_the_room_that_is_required():
    """Ten thousand buildings just beyond reach, at their nearest point and full height: the ray passes over them with
    more than D/2 + 0.6 F1, the formulas written again here (F1 = sqrt(lambda d), ITU-R P.526)."""
    rng = np.random.default_rng(1)
    height_m, elevation_deg = rng.uniform(2.0, 60.0, 10_000), rng.uniform(8.0, 60.0, 10_000)
    away_m = np.array([reach_m(h, e) for h, e in zip(height_m, elevation_deg, strict=True)])
    slant_m = np.hypot(away_m, height_m)
    seen_deg = np.rad2deg(np.arctan2(height_m, away_m))
    clearance_m = slant_m * np.sin(np.deg2rad(elevation_deg - seen_deg))
    required_m = 0.6 + 0.6 * np.sqrt(299_792_458.0 / 4e9 * slant_m)
    assert (clearance_m > required_m)[slant_m < 700.0].all()


def test_below_the_horizon_everything_is_within_reach():
    assert reach_m(5.0, 0.5) == math.inf


def test_only_buildings_that_could_matter_are_kept_nearest_first():
    tall = house("map, feature 4", 60, 60, 70, 70, height="40")
    low = house("map, feature 5", 60, -70, 70, -60, height="4")
    unknown = house("map, feature 6", 50, 0, 55, 5, building="yes")
    far = house("map, feature 7", 5000, 0, 5010, 10, height="8")
    found = buildings_within_reach([far, low, tall, unknown, HERE], least_elevation_deg=24.0)
    assert [one.name for one in found] == ["clinic", "building, map, feature 6", "building, map, feature 4"]
    assert [round(one.distance_m) for one in found] == [0, 50, 85]


def test_a_building_on_a_hill_counts_by_its_elevation():
    """30 m up the hill a house of 6 m at 70 m distance stands as high as one of 36 m."""
    heights = raster([(70, -5, 80, 5, 6.0)])
    east_m, _ = np.meshgrid(*heights.grid.centres_m())
    hill = HeightGrid(heights.grid, heights.surface_m + np.where(east_m > 60, 30.0, 0.0),
                      heights.bare_m + np.where(east_m > 60, 30.0, 0.0), heights.data)  # fmt: skip
    chalet = house("map, feature 1", 70, -5, 80, 5, building="yes")
    assert not buildings_within_reach(
        [chalet], least_elevation_deg=24.0, heights=heights, dish_elevation_m=20.0
    )
    (found,) = buildings_within_reach([chalet], least_elevation_deg=24.0, heights=hill, dish_elevation_m=20.0)
    assert (found.height_m, found.ground_elevation_m) == (approx(6.0), approx(50.0))


# --- heights -----------------------------------------------------------------------------------------------------


def kept(footprint, heights=None):
    (one,) = buildings_within_reach([footprint], least_elevation_deg=10.0, heights=heights)
    return one


def test_the_height_says_where_it_comes_from():
    at = (12, -5, 22, 5)
    tagged = kept(house("f", *at, height="7.5"))
    assert (tagged.height_m, tagged.height_origin, tagged.height_error_m) == (7.5, "height tag", 1.0)
    levels = kept(Footprint("f", box(*at), tags={"building:levels": "2"}))
    assert (levels.height_m, levels.height_origin, levels.height_error_m) == (6.0, "levels tag", 1.5)
    measured = kept(house("f", *at), raster([(*at, 8.2)]))
    assert (measured.height_m, measured.height_origin) == (approx(8.2), "surface minus bare")
    assert measured.height_error_m == approx(math.hypot(0.15, 0.25))
    assert measured.survey_year == 2025.0
    nobody = kept(house("f", *at))
    assert (nobody.height_m, nobody.height_origin) == (None, "unknown")
    assert "it is no obstacle until somebody says it" in nobody.notes[-1]


def test_a_measured_height_is_taken_before_a_tag_and_a_large_difference_is_said():
    at = (12, -5, 22, 5)
    one = kept(house("f", *at, height="14"), raster([(*at, 8.0)]))
    assert one.height_m == approx(8.0)
    assert any("is tagged 14.0 m high, surface minus bare has 8.0 m" in note for note in one.notes)


def test_a_building_that_the_raster_does_not_show_keeps_its_tag():
    """Built after the survey: the raster has bare ground there, which must not take the building away."""
    one = kept(house("f", 12, -5, 22, 5, height="9"), raster([]))
    assert (one.height_m, one.height_origin) == (9.0, "height tag")
    assert one.ground_elevation_m == approx(20.0)


def test_cells_that_are_unknown_or_too_few_measure_nothing():
    heights = raster([(12, -5, 22, 5, 8.0)])
    holes = HeightGrid(heights.grid, np.full(heights.grid.shape, np.nan), heights.bare_m, heights.data)
    assert kept(house("f", 12, -5, 22, 5), holes).height_m is None
    assert kept(house("f", 12, -5, 13.4, -3.6), heights).height_m is None


def test_one_branch_over_the_roof_does_not_make_it_higher():
    heights = raster([(12, -5, 22, 5, 8.0), (12, -5, 14, -3, 15.0)])
    one = kept(house("f", 12, -5, 22, 5), heights)
    assert one.height_m == approx(8.0)
    assert one.height_error_m > 0.9


def test_a_found_building_is_read_back_as_the_obstacle_it_is(tmp_path):
    from skysill.io.obstacle_files import read_obstacles
    from skysill.io.obstacle_schema import Ground

    tagged = Footprint("f", box(12, -4, 22, 4), (box(15, -1, 17, 1),), {"height": "9"})
    roofed = Footprint(
        "f", box(-22, -4, -12, 4), tags={"height": "9", "roof:shape": "gabled", "roof:height": "3"}
    )
    found = buildings_within_reach([tagged, roofed], least_elevation_deg=10.0)
    metre_deg = (
        180.0 / math.pi / 6_378_137.0
    )  # on the equator; north is 0.7 % longer, which the check below allows
    features = []
    for one in found:
        out = one.as_obstacle()
        rings = [
            [[e * metre_deg, n * metre_deg] for e, n in (*ring, ring[0])]
            for ring in (out.points_m, *out.holes_m)
        ]
        features.append({"type": "Feature", "properties": out.properties,
                         "geometry": {"type": "Polygon", "coordinates": rings}})  # fmt: skip
    file = tmp_path / "found.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    read = {
        o.centre_m[0] > 0: o
        for o in read_obstacles(file, latitude_deg=0.0, longitude_deg=0.0, ground=Ground(20.0, True))
    }
    assert [read[side].top_elevation_m for side in (True, False)] == approx([29.0, 29.0])
    assert len(read[True].areas_m[0]) == 2
    assert read[False].shape == "facet"
    assert min(read[False].vertices_m[:, 2]) == approx(26.0)
    assert (read[True].errors.height_m, read[True].errors.along_m) == (1.0, 1.0)


# --- the own building --------------------------------------------------------------------------------------------


def test_the_building_that_holds_the_position_is_the_own_one():
    own = own_building([AWAY, HERE])
    assert (own.number, own.footprint.name, own.notes) == (1, "clinic", ())


def test_the_nearest_is_taken_where_it_is_near_and_said():
    own = own_building([AWAY, house("f", 4, -4, 12, 4, name="cottage")])
    assert own.footprint.name == "cottage"
    assert own.notes == (
        'The position lies 4.0 m beside "cottage", which was taken as the site\'s own building.',
    )


def test_between_two_houses_it_is_refused():
    with pytest.raises(InputError, match=r"lies in no building, 3.0 m from left and 4.0 m from right"):
        own_building([house("left", -10, -4, -3, 4), house("right", 4, -4, 12, 4)])


@pytest.mark.parametrize(("east", "away"), [(40, "40"), (90_000, "90,000")])
def test_far_from_every_house_it_is_refused_with_the_distance(east, away):
    with pytest.raises(
        InputError, match=rf"footprints: no building within 10 m .* the nearest is {away} m away \(far\)"
    ):
        own_building([house("far", east, -4, east + 10, 4)])


def test_no_footprints_are_refused():
    with pytest.raises(InputError, match="there is no building footprint"):
        own_building([])


def test_a_house_that_touches_its_neighbour_says_where_its_roof_ends():
    own = own_building([HERE, NEXT, AWAY])
    assert own.notes == ('"clinic" touches "shop": its roof is taken to end at the common wall.',)
    corner = house("f", 5.0, 4.0, 9.0, 9.0, name="hut")
    assert own_building([HERE, corner]).notes == ()


def test_the_same_building_twice_is_one_and_two_different_ones_are_refused():
    again = Footprint("other map, feature 9", box(-5.1, -4.1, 5.0, 4.0))
    own = own_building([HERE, again])
    assert "nearly the same" in own.notes[0]
    assert len(own.notes) == 1
    with pytest.raises(InputError, match="lies in two buildings"):
        own_building([HERE, Footprint("wrong", box(-1, -1, 14, 14))])


def test_a_part_of_a_building_is_not_the_building():
    part = Footprint("part", box(-2, -2, 2, 2), tags={"building:part": "yes"})
    own = own_building([part, HERE])
    assert (own.footprint.name, own.notes) == ("clinic", ())


def test_a_crossed_footprint_is_repaired_and_said_and_an_empty_one_refused():
    bow = Footprint("bow", ((-6.0, -4.0), (6.0, 4.0), (6.0, -4.0), (-6.0, 4.0)))
    own = own_building([bow])
    assert any("is not sound (self-intersection); it was repaired" in note for note in own.notes)
    flat = Footprint("map, feature 12", ((0.0, 0.0), (5.0, 0.0), (9.0, 0.0)))
    with pytest.raises(InputError, match="map, feature 12: encloses no area"):
        own_building([flat])
    with pytest.raises(InputError, match="has a corner that is not a number"):
        own_building([Footprint("f", ((0.0, 0.0), (math.nan, 1.0), (1.0, 1.0)))])
