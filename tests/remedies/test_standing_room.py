"""Where a mast may stand: each refusal with its reason, and the places beside a house that are none."""

import dataclasses

import numpy as np
import pytest

from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.horizon.scene_clearance import clearances
from skysill.io.site_file import read_site_file
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.obstacle_builders import (
    building,
    facet,
    pole,
    tree,
)
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Roof, Satellite, Site, Terminal
from skysill.remedies.standing_room import standing

GROUND_M = 20.0
WALLS = building(
    "walls", [[0, 0], [10, 0], [10, 6], [0, 6]], ground_elevation_m=GROUND_M, top_elevation_m=25.0
)
SLOPES = (  # eaves stand out 0.6 m over the walls, ridge along the middle
    facet("south slope", [[-0.6, -0.6, 24.6], [10.6, -0.6, 24.6], [10.6, 3, 27.0], [-0.6, 3, 27.0]]),
    facet("north slope", [[-0.6, 6.6, 24.6], [10.6, 6.6, 24.6], [10.6, 3, 27.0], [-0.6, 3, 27.0]]),
)
CHIMNEY = building(
    "chimney", [[2, 2.5], [2.8, 2.5], [2.8, 3.5], [2, 3.5]], ground_elevation_m=GROUND_M, top_elevation_m=28.0
)
CANOPY = facet("carport", [[14, 0, 22.4], [19, 0, 22.4], [19, 6, 22.4], [14, 6, 22.4]])
PANEL = facet("panel", [[6, 0.5, 25.48], [8, 0.5, 25.48], [8, 2.0, 26.48], [6, 2.0, 26.48]])
OAK = tree("oak", (5.0, -12.0), ground_elevation_m=GROUND_M, height_m=9.0, crown_radius_m=3.0)
POST = pole("lamp", (-8.0, 0.0), ground_elevation_m=GROUND_M, height_m=5.0)
HOUSE = (WALLS, *SLOPES, CHIMNEY, CANOPY, PANEL, OAK, POST)


def job(*things, **more):
    return Job(
        Site("house", 50.0, 0.0, ground_elevation_m=GROUND_M),
        (Satellite("S", 0.0),),
        terminal=Terminal(dish_diameter_m=0.8),
        sources=Sources(scene=Scene(things)),
        **more,
    )


def reason(at, east_m, north_m, surface_m, height_m):
    return standing(at, [east_m], [north_m], [surface_m], height_m).reasons[0]


@pytest.mark.parametrize(
    ("spot", "why"),
    [
        ((5.0, 3.0, 20.0, 1.5), 'inside "walls"'),
        ((5.0, 0.05, 20.0, 9.0), 'inside "walls"'),  # even if the dish ended over the roof
        ((16.5, 3.0, 20.0, 1.5), 'under "carport"'),
        ((14.3, 3.0, 20.0, 3.0), 'under "carport", where the mast would go through'),
        ((2.4, 3.0, 28.0, 1.0), 'on top of "chimney"'),
        ((2.4, 3.0, 26.6, 3.0), 'inside "chimney"'),
        ((7.0, 1.2, 25.8, 1.0), 'under "panel"'),
        ((5.0, -12.0, 20.0, 1.0), 'in "oak"'),
        ((4.0, -12.0, 20.0, 4.0), 'in the crown of "oak"'),
        ((1.7, -12.0, 20.0, 6.0), 'in the crown of "oak"'),  # the dish's rim, not its centre
        ((-8.1, 0.0, 20.0, 1.0), 'inside "lamp"'),
        ((-0.3, 2.0, 20.0, 7.5), 'under "south slope", where the mast would go through'),
    ],
)
def test_what_is_no_place_says_why(spot, why):
    assert reason(job(*HOUSE), *spot) == why


@pytest.mark.parametrize(
    "spot",
    [
        (5.0, 1.5, 26.0, 0.6),  # on the south slope: 24.6 + 2.4 * 2.1 / 3.6
        (5.0, 3.0, 27.0, 2.0),  # on the ridge
        (5.0, -0.3, 23.0, 1.0),  # a bracket on the wall, under the eaves
        (5.0, -0.45, 20.0, 1.5),  # a tripod beside the wall
        (10.4, -0.5, 20.0, 2.0),  # the same at a corner
        (14.3, 3.0, 20.0, 1.5),  # under the carport's edge, below it
        (1.5, -12.0, 20.0, 2.0),  # beside the oak, under its crown's middle
        (-8.3, 0.0, 20.0, 6.0),  # beside the lamp
    ],
)
def test_places_beside_walls_and_under_eaves_are_places(spot):
    assert reason(job(*HOUSE), *spot) is None


def test_headroom_is_the_tallest_dish_under_what_is_overhead():
    at = job(*HOUSE)
    found = standing(at, [14.3, 5.0, 5.0, 12.0], [3.0, -0.3, 3.0, 3.0], [20.0, 23.0, 20.0, 20.0])
    over_m = 24.6 + 2.4 * 0.3 / 3.6  # the slope over the bracket
    assert found.headroom_m[:3].tolist() == pytest.approx([2.4 - 0.4, over_m - 23.0 - 0.4, 0.0])
    assert found.headroom_m[3] == np.inf
    for spot, most_m in zip(((14.3, 3.0, 20.0), (5.0, -0.3, 23.0)), found.headroom_m[:2], strict=True):
        assert reason(at, *spot, most_m - 0.01) is None
        assert reason(at, *spot, most_m + 0.01) is not None


def test_the_own_roof_keeps_masts_off_its_keep_out_areas_and_out_of_the_house():
    roof = Roof(
        outline=((0, 0), (10, 0), (10, 6), (0, 6)),
        surface=((0, 0, 25), (10, 0, 25), (10, 6, 25), (0, 6, 25)),
        keep_out=(((1, 1), (3, 1), (3, 3), (1, 3)), ((6, 1), (8, 1), (8, 3), (6, 3))),
    )
    at = job(roof=roof)
    assert reason(at, 2.0, 2.0, 25.0, 1.0) == "in keep-out area 1 of the roof"
    assert reason(at, 7.0, 2.0, 25.0, 1.0) == "in keep-out area 2 of the roof"
    assert reason(at, 5.0, 2.0, 25.0, 1.0) is None
    assert reason(at, 5.0, 3.0, 20.0, 1.0) == "inside the house, under its own roof"
    assert reason(at, 0.4, 3.0, 22.0, 1.0) is None  # a bracket under the eaves
    assert reason(at, 0.4, 3.0, 22.0, 2.7) == "under the eaves, where the mast would go through"
    found = standing(at, [0.4, 5.0, 5.0, 20.0], [3.0, 2.0, 3.0, 3.0], [22.0, 25.0, 20.0, 20.0])
    # 3 m under the roof less half of the 0.8 m dish; open sky on the roof and in the yard; inside the house nothing
    assert found.headroom_m.tolist() == pytest.approx([2.6, np.inf, 0.0, np.inf])


def test_nothing_stands_or_reaches_beyond_the_property_boundary():
    at = job(property_boundary=((-10, -10), (10, -10), (10, 10), (-10, 10)))
    assert reason(at, 10.5, 0.0, 20.0, 2.0) == "beyond the property boundary"
    assert reason(at, 9.7, 0.0, 20.0, 2.0) == "so near the property boundary that the dish reaches over it"
    assert reason(at, 9.5, 0.0, 20.0, 2.0) is None
    assert reason(job(), 500.0, 0.0, 20.0, 2.0) is None  # nobody said where it ends


def test_many_spots_are_answered_as_each_alone():
    at = job(*HOUSE, property_boundary=((-20, -20), (20, -20), (20, 20), (-20, 20)))
    rng = np.random.default_rng(5)
    spots = np.column_stack([rng.uniform(-22, 22, (300, 2)), np.full(300, 20.0), rng.uniform(0, 8, 300)])
    whole = standing(at, *spots.T)
    each = tuple(standing(at, *row).reasons[0] for row in spots)
    assert whole.reasons == each
    assert whole.free.tolist() == [why is None for why in each]
    assert {why for why in each if why} >= {'inside "walls"', "beyond the property boundary"}


def test_a_site_file_names_keep_out_areas_and_the_boundary(tmp_path):
    text = """position = "50 N 1 E"
[[satellites]]
longitude = "5 E"
[roof]
outline = [[0,0],[10,0],[10,6],[0,6]]
surface = [[0,0,25],[10,0,25],[10,6,25],[0,6,25]]
keep_out = [[[1,1],[3,1],[3,3],[1,3]]]
[property_boundary]
outline = [[-10,-8],[25,-8],[25,30],[-10,30]]
"""
    file = tmp_path / "house.toml"
    file.write_text(text)
    read = read_site_file(file)
    assert read.roof is not None
    assert read.roof.keep_out == (((1.0, 1.0), (3.0, 1.0), (3.0, 3.0), (1.0, 3.0)),)
    assert read.property_boundary[2] == (25.0, 30.0)
    file.write_text(text.replace("[3,3],[1,3]", "[1,3],[3,3]"))
    with pytest.raises(Exception, match=r"\[roof\], keep_out number 1: crosses itself") as fault:
        read_site_file(file)
    assert type(fault.value).__name__ == "InputError"
    assert dataclasses.is_dataclass(read)


GABLE = Roof(
    outline=((-0.6, -0.6), (10.6, -0.6), (10.6, 6.6), (-0.6, 6.6)),
    surface=(
        (-0.6, -0.6, 24.6), (10.6, -0.6, 24.6), (-0.6, 3.0, 27.0),
        (10.6, 3.0, 27.0), (-0.6, 6.6, 24.6), (10.6, 6.6, 24.6),
    ),
)  # fmt: skip
"""The same roof as SLOPES, as the house's own."""

BRACKET = Mount("bracket", 5.0, -0.3, 1.0, surface_elevation_m=22.6)


def test_a_bracket_under_the_eaves_looks_out_under_them_where_the_walls_are_given():
    """Dish centre 0.3 m before the wall, 1 m under the gutter, 0.3 m behind it: a ray leaves under the eaves while its
    elevation is below atan((24.6 - 23.6) / 0.3) = 73 degrees."""
    low = WALLS.lowered(24.6)
    scene = prepared(job(low, roof=GABLE)).sources.scene
    for azimuth_deg, elevation_deg, met in ((180.0, 33.0, False), (180.0, 76.0, True), (0.0, 33.0, True)):
        found = clearances(
            scene,
            [[5.0, -0.3, 23.6]],
            [azimuth_deg],
            [elevation_deg],
            link=Link(Terminal(), Criteria()),
        )
        assert bool(found.hit.any()) is met, (azimuth_deg, elevation_deg)
    result = assess(job(low, roof=GABLE), BRACKET).results[0]
    assert not result.clearance.obstructed


def test_over_the_walls_the_roof_is_solid_still():
    """A ray from the yard through the gable, over the walls' flat top and under the ridge, is met."""
    scene = prepared(job(WALLS.lowered(24.6), roof=GABLE)).sources.scene
    found = clearances(scene, [[20.0, 3.0, 25.4]], [270.0], [1.0], link=Link(Terminal(), Criteria()))
    assert found.hit.any()
    assert float(found.distance_m[found.hit].min()) == pytest.approx(10.0 / np.cos(np.deg2rad(1.0)), abs=1e-3)


def test_without_walls_the_refusal_says_how_to_place_a_bracket_under_eaves():
    with pytest.raises(InputError, match="list the walls as a building obstacle"):
        assess(job(roof=GABLE), BRACKET)


def test_a_foot_stands_on_a_flat_top_to_the_rounding_of_typed_elevations():
    """Half a decimetre, as documented: 3 cm too deep is on the top, 7 cm too deep in the building."""
    at = job(WALLS)
    assert reason(at, 5.0, 3.0, 24.97, 1.0) is None
    assert reason(at, 5.0, 3.0, 24.93, 1.0) == 'inside "walls"'


LIME = tree(
    "lime",
    (0.0, 0.0),
    ground_elevation_m=GROUND_M,
    height_m=12.0,
    crown_radius_m=4.0,
    crown_base_height_m=6.0,
)


def test_headroom_under_a_crown_is_its_underside_less_half_the_dish():
    """The crown's middle is 9 m up, its underside 3 m lower at the trunk and 3 sqrt(1 - 1/4) lower at 2 m."""
    found = standing(job(LIME), [2.0, -3.0, -4.6], [0.0] * 3, [GROUND_M] * 3)
    under_m = [9.0 - 3.0 * np.sqrt(1.0 - (away_m / 4.0) ** 2) for away_m in (2.0, 3.0)]
    assert found.headroom_m[:2] == pytest.approx([m - 0.4 for m in under_m], abs=1e-3)
    assert found.headroom_m[2] == np.inf


def test_under_leaves_that_hang_lower_than_the_dish_is_tall_there_is_no_headroom():
    low = tree(
        "yew",
        (0.0, 0.0),
        ground_elevation_m=GROUND_M,
        height_m=4.0,
        crown_radius_m=3.0,
        crown_base_height_m=0.2,
    )
    assert standing(job(low), [0.5], [0.0], [GROUND_M]).headroom_m[0] == 0.0


def test_where_no_height_is_asked_only_the_foot_counts():
    """Under a canopy 1 m up a dish of 0.8 m has 0.6 m of headroom; a spot may be asked for without a mast."""
    low = facet("canopy", [[14, 0, 21.0], [19, 0, 21.0], [19, 6, 21.0], [14, 6, 21.0]])
    found = standing(job(low), [14.3], [3.0], [GROUND_M])
    assert found.reasons == (None,)
    assert found.headroom_m[0] == pytest.approx(0.6)
