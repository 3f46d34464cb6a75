"""Remedies tried as actions on three houses: typed back, assessed again, and asked of an independent ray caster."""

import dataclasses
import re

import numpy as np
import pytest

from houses import HOUSES
from remedy_trials import Tally, mount_text, placed, site_file, tried
from skysill.assessment.results import Remedy
from skysill.errors import InputError
from skysill.io.site_file import read_site_file
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import building, tree, wire
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    Mount,
    Roof,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import Survey
from skysill.remedies.search import check
from skysill.remedies.tape_distances import compass_word, tapes_to
from skysill.remedies.trials import first_good
from skysill.report.satellite_page import _unsuccessful_search


@pytest.mark.slow
@pytest.mark.parametrize("house", HOUSES, ids=lambda house: house.name)
def test_every_remedy_is_true_and_least_when_it_is_tried(house, tmp_path):
    """Two mounts on the ground and one on the roof of each house, three satellites; `python tests/remedy_trials.py`
    tries more."""
    rng, tally = np.random.default_rng(4), Tally()
    for kind in ("ground", "roof"):
        tried(tmp_path, house, placed(house, rng, kind), tally)
    assert not tally.wrong
    assert sum(tally.tried.values()) >= 2


@pytest.mark.slow
@pytest.mark.parametrize("house", HOUSES, ids=lambda house: house.name)
def test_ground_mounts_within_four_metres_of_a_house_are_all_answered(house, tmp_path):
    """With what is tried around them inside walls, crowns and neighbours: none ends in a refusal."""
    rng = np.random.default_rng(1)
    job = read_site_file(site_file(tmp_path, house, mount_text(0.0, 0.0, 0.0, 1.0)))
    job = dataclasses.replace(job, satellites=job.satellites[:1])
    for _ in range(12):
        east_m, north_m, surface_m, height_m = placed(house, rng, "ground")
        mount = Mount("tripod", east_m, north_m, height_m, surface_m, 9.0)
        try:
            result = check(job, mount).results[0]
        except InputError as refused:  # a dish under the roof's own edge or in a crown it was put in
            pytest.fail(f"{mount}: {refused}")
        assert result.verdict in ("clear", "marginal", "blocked", "needs-survey", "unknown")


SITE = Site("here", 0.0, 0.0, ground_elevation_m=0.0, ground_source="given")
EAST = Satellite("East", longitude_deg=30.0)  # due east; stands near 55 degrees


def readings():
    from skysill.horizon.measured import Readings

    azimuth = np.arange(0.0, 360.0, 5.0)
    return Readings(azimuth, np.full(72, 1.0), np.full(72, 500.0), ("",) * 72, "horizon.csv")


def job(*things, roof=None, survey=None, boundary=()):
    return Job(
        SITE,
        (EAST,),
        terminal=Terminal(dish_diameter_m=0.8, receive_ghz=12.0),
        criteria=Criteria(years_ahead=0, min_p_clear=0.0),
        sources=Sources(
            scene=Scene(things, complete=True),
            readings=readings(),
            survey=survey or Survey(instrument_height_m=2.0),
        ),
        roof=roof,
        property_boundary=boundary,
    )


def remedies(asked, mount) -> dict[str, Remedy]:
    return {remedy.action: remedy for remedy in check(asked, mount).results[0].remedies}


WALL = building("hall", [[4, -3], [6, -3], [6, 3], [4, 3]], ground_elevation_m=0.0, height_m=9.0)


def test_a_move_says_surface_compass_word_and_tapes_that_meet_at_the_spot():
    move = remedies(job(WALL), Mount("post", 0.0, 0.0, 2.0))["move"]
    assert move.to_surface_elevation_m == 0.0
    assert move.direction == compass_word(move.bearing_deg)
    assert f"to the {move.direction}" in move.text
    corners = {
        "north-west": (4, 3), "north-east": (6, 3), "south-west": (4, -3), "south-east": (6, -3)
    }  # fmt: skip
    assert len(move.tapes) == 2
    for tape in move.tapes:
        name = re.fullmatch(r'the (\S+) corner of "hall"', tape.corner)[1]
        x, y = corners[name]
        assert tape.distance_m == pytest.approx(np.hypot(x - move.to_east_m, y - move.to_north_m), abs=0.006)
        assert f"{tape.distance_m:.2f} m from {tape.corner}" in move.text


def test_a_move_is_measured_from_where_the_mount_stands():
    """By the plan positions alone: distance and bearing from a mount that is not at the site's origin."""
    move = remedies(job(WALL), Mount("post", 1.5, -1.0, 2.0))["move"]
    east_m, north_m = move.to_east_m - 1.5, move.to_north_m + 1.0
    assert move.by_m == pytest.approx(np.hypot(east_m, north_m))
    assert move.bearing_deg == pytest.approx(np.degrees(np.arctan2(east_m, north_m)) % 360.0)
    assert move.text.startswith(f"Move the mount {move.by_m:.1f} m to the {move.direction}")
    assert "The ground there is at 0.00 m." in move.text


def test_a_bearing_is_magnetic_where_the_surveys_compass_is():
    import datetime as dt

    survey = Survey(bearings="magnetic", date=dt.date(2026, 6, 14), instrument_height_m=2.0)
    move = remedies(job(WALL, survey=survey), Mount("post", 0.0, 0.0, 2.0))["move"]
    look = check(job(WALL, survey=survey), Mount("post", 0.0, 0.0, 2.0)).results[0].look
    from skysill.pointing.compass import declination

    turned = declination(0.0, 0.0, 0.0, dt.date(2026, 6, 14)).declination_deg
    assert look.azimuth_deg == pytest.approx(90.0, abs=0.1)
    assert (move.bearing_deg - move.bearing_magnetic_deg) % 360 == pytest.approx(turned % 360, abs=0.01)
    assert f"{move.bearing_magnetic_deg:.0f}° magnetic" in move.text


def test_no_move_leads_beyond_the_boundary_or_into_a_house():
    near = ((-1.5, -1.5), (3.9, -1.5), (3.9, 1.5), (-1.5, 1.5))  # every clear spot is farther off
    assert "move" not in remedies(job(WALL, boundary=near), Mount("post", 0.0, 0.0, 2.0))
    shed = building("shed", [[-30, -30], [3, -30], [3, 30], [-30, 30]], ground_elevation_m=0.0, height_m=1.0)
    moved = remedies(job(WALL, shed), Mount("post", 3.5, 0.0, 2.0)).get("move")
    assert moved is None or moved.to_east_m > 3.0


def test_no_remedy_raises_a_mast_to_a_wire_and_no_tree_at_a_wire_gets_metres():
    line = wire("service line", [[-9, 0.5, 8.0], [9, 0.5, 8.0]])
    assert "raise" in remedies(job(WALL), Mount("post", 0.0, 0.0, 2.0, max_height_m=9.0))
    assert "raise" not in remedies(job(WALL, line), Mount("post", 0.0, 0.0, 2.0, max_height_m=9.0))
    ash = tree(
        "ash", (5.0, 0.0), ground_elevation_m=0.0, height_m=9.5, crown_radius_m=1.5, crown_base_height_m=2.0
    )
    alone = remedies(job(ash), Mount("post", 0.0, 0.0, 2.0))["trim"]
    assert alone.trims[0].obstacle == "ash"
    beside = wire("street line", [[5, -9, 8.0], [5, 9, 8.0]])
    at_line = remedies(job(ash, beside), Mount("post", 0.0, 0.0, 2.0)).get("trim")
    assert at_line is None or (not at_line.trims and "Ask the line's owner" in at_line.text)


def test_what_was_looked_for_in_vain_is_said_only_where_nothing_was_found():
    """A hall too tall and too wide for any mast or move; with room 9 m up there is something to offer."""
    tall = building("mill", [[4, -60], [40, -60], [40, 60], [4, 60]], ground_elevation_m=0.0, height_m=60.0)
    post = Mount("post", 0.0, 0.0, 2.0, max_height_m=9.0)
    [vain] = check(job(tall), post).results
    assert not vain.remedies
    assert vain.searched == "none found: no mast of up to 9 m, spot within 12 m or trimming clears it"
    assert _unsuccessful_search(vain) == [
        "None found: no mast of up to 9 m, spot within 12 m or trimming clears it."
    ]
    [found] = check(job(WALL), post).results
    assert found.remedies
    assert found.searched == ""
    [high] = check(job(tall), Mount("shelf", 0.0, 0.0, 2.0, surface_elevation_m=20.0)).results
    assert (
        high.searched == "none found: no mast of up to 12 m or trimming clears it"
    )  # nobody knows where it may go


def test_a_cut_of_more_than_a_third_says_so():
    tall = tree(
        "poplar",
        (5.0, 0.0),
        ground_elevation_m=0.0,
        height_m=18.0,
        crown_radius_m=1.5,
        crown_base_height_m=2.0,
    )
    trim = remedies(job(tall), Mount("post", 0.0, 0.0, 2.0))["trim"]
    assert trim.trims[0].share > 1.0 / 3.0
    assert "more than the third" in trim.text


def test_a_spot_on_the_roof_is_measured_along_it_where_it_is_flat():
    roof = Roof(
        outline=((0, 0), (8, 0), (8, 6), (0, 6)),
        surface=((0, 0, 5), (8, 0, 5), (0, 3, 7), (8, 3, 7), (0, 6, 5), (8, 6, 5)),
    )
    tapes = tapes_to(job(roof=roof), 3.0, 1.5, on_roof=True)
    assert [tape.along for tape in tapes] == ["the roof", "the roof"]
    assert tapes[0].corner == "the south-west corner of the roof"
    assert tapes[0].distance_m == pytest.approx(np.sqrt(3.0**2 + 1.5**2 + 1.0**2), abs=0.006)


@pytest.mark.parametrize("start", [None, 0, 3, 50, 99])
@pytest.mark.parametrize("first", [0, 1, 17, 98, 99, 100])
def test_the_search_finds_the_first_good_one_from_wherever_it_begins(start, first):
    assert first_good(lambda at: at >= first, 0, 99, start) == (first if first <= 99 else None)


def test_far_from_the_house_the_tapes_that_cross_best_are_told():
    """Beside a house 6 m wide no two tapes cross at 30 degrees; those to its near corners cross at 24."""
    house = building("hall", [[4, -3], [12, -3], [12, 3], [4, 3]], ground_elevation_m=0.0, height_m=5.0)
    tapes = tapes_to(job(house), -10.0, 0.0, on_roof=False)
    assert {tape.corner for tape in tapes} == {
        'the north-west corner of "hall"',
        'the south-west corner of "hall"',
    }
    assert [tape.distance_m for tape in tapes] == pytest.approx([np.hypot(14, 3)] * 2, abs=0.006)
    assert tapes_to(job(house), -20.0, 0.0, on_roof=False) == ()  # 14 degrees
