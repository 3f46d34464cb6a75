"""When each caution is said, and the figures it gives."""

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

from pytest import approx

from skysill.assessment.cautions import (
    SENTENCES,
    beam_caution,
    cautions_for,
    general_cautions,
    spot_cautions,
    sun_caution,
    sun_cautions,
)
from skysill.assessment.overhead_lines import APPROACH_M
from skysill.assessment.results import Remedy
from skysill.model.obstacle_builders import tree, wire
from skysill.model.scene import Scene
from skysill.model.site import Mount, Roof, Satellite, Terminal
from skysill.pointing.look_vector import look_vector

ROOF = Roof(
    outline=((0, 0), (10, 0), (10, 8), (0, 8)), surface=((0, 0, 46), (10, 0, 46), (10, 8, 46), (0, 8, 46))
)
SPOT = Mount("spot", 5.0, 4.0, height_m=1.0, surface_elevation_m=46.0, max_height_m=2.0)


def codes(mount, line, roof=ROOF):
    scene = Scene((wire("service wire", line),))
    found = spot_cautions(mount, scene=scene, terminal=Terminal(), roof=roof, ground_elevation_m=41.0)
    return [caution.code for caution in found]


def test_a_wire_within_the_approach_distance_of_the_full_mast_is_flagged():
    """The mast ends 2 m + half a dish over the roof; 29 CFR 1926.1408 Table A, 10 ft, from memory; 0.75 m for the
    errors stated by default."""
    assert approx(10 * 0.3048, abs=0.01) == APPROACH_M
    assert codes(SPOT, [[-20, 4, 51.5], [30, 4, 51.5]]) == ["overhead-line"]  # 2.9 m over the top
    assert codes(SPOT, [[-20, 4, 52.3], [30, 4, 52.3]]) == ["overhead-line"]  # 3.7 m
    assert codes(SPOT, [[-20, 4, 52.5], [30, 4, 52.5]]) == []  # 3.9 m, and nothing tips upwards
    assert codes(SPOT, [[-20, 10, 46.0], [30, 10, 46.0]]) == [
        "overhead-line-reach"
    ]  # 6 m aside, 2.6 m of mast


def test_the_sentence_names_the_line_the_distances_and_whom_to_ask():
    scene = Scene((wire("service wire", [[-20, 4, 51.5], [30, 4, 51.5]]),))
    (told,) = spot_cautions(SPOT, scene=scene, terminal=Terminal(), roof=ROOF, ground_elevation_m=41.0)
    assert told.text == (
        'Overhead line "service wire": it passes 2.9 m from the mast with its dish (2.6 m high) and 3.0 m from '
        "somebody who stands there and reaches out. Keep 3.05 m and 0.7 m for the stated errors, or do not work there; "
        "ask the line's owner first."
    )


def test_a_wire_beside_the_ladder_is_flagged():
    """The ladder stands on the edge nearest the spot, its foot a quarter of its height out."""
    near_edge = Mount("south", 5.0, 2.5, height_m=0.6, surface_elevation_m=46.0, max_height_m=0.6)
    line = [[-20, -5.5, 43.5], [30, -5.5, 43.5]]  # 4.25 m from the ladder's foot at (5, -1.25)
    scene = Scene((wire("service wire", line),))
    (told,) = spot_cautions(near_edge, scene=scene, terminal=Terminal(), roof=ROOF, ground_elevation_m=41.0)
    assert "from somebody on the ladder" in told.text
    assert codes(near_edge, [[-20, -14, 43.5], [30, -14, 43.5]]) == []


def test_a_spot_near_the_edge_is_told():
    assert codes(Mount("rim", 1.0, 4.0, surface_elevation_m=46.0), [[90, 90, 50], [99, 90, 50]]) == ["edge"]


def test_general_cautions_fit_the_terminal():
    receive_only = [caution.code for caution in general_cautions(Terminal(receive_only=True))]
    assert receive_only == ["no-line", "falls", "ladder", "fragile", "below", "alone", "lightning", "wind"]
    both = Terminal(transmit_ghz=28.6, transmit_power_w=3.5)  # surface: 4 P / A = 14 W / 1.131 m2
    told = {caution.code: caution.text for caution in general_cautions(both)}
    assert "12.4 W/m²" in told["rf"]
    assert "above the 10 W/m²" in told["rf"]
    assert "in front of the dish" in told["rf"]
    deferring = {code for code, text in told.items() if "local" in text}
    assert set(told) - deferring == {"alone"}


def test_where_no_line_is_listed_everybody_is_told_to_look():
    spoken = cautions_for(SPOT, scene=None, terminal=Terminal())
    assert "look for overhead lines before raising anything" in spoken[0].text
    listed = Scene((wire("far wire", [[-20, 99, 51.5], [30, 99, 51.5]]),))
    spoken = cautions_for(SPOT, scene=listed, terminal=Terminal())
    assert "look for others before raising anything" in spoken[0].text
    assert "10 ft" in spoken[0].text


def test_a_mount_on_the_ground_needs_no_word_about_falls():
    said = spoken(Mount("yard", 30.0, 4.0, height_m=1.0, surface_elevation_m=41.0))
    assert {"falls", "ladder", "below", "fragile"}.isdisjoint(said)


def spoken(mount, **more):
    given = {"scene": None, "terminal": Terminal(), "roof": ROOF, "ground_elevation_m": 41.0} | more
    return {caution.code: caution.text for caution in cautions_for(mount, **given)}


def test_a_remedy_that_raises_the_mast_brings_the_word_about_falls():
    """A post 1 m high in the yard, which a remedy would make 4.5 m: somebody will work up there."""
    yard = Mount("yard", 30.0, 4.0, height_m=1.0, surface_elevation_m=41.0)
    said = spoken(yard, remedies=[Remedy("raise", "Raise it.", to_height_m=4.5)])
    assert {"falls", "ladder", "below"} <= set(said)
    assert "fragile" not in said  # it still stands on the ground


def test_a_remedy_that_moves_the_mount_onto_a_roof_brings_the_same_words():
    yard = Mount("yard", 30.0, 4.0, height_m=1.0, surface_elevation_m=41.0)
    there = {"to_east_m": 5.0, "to_north_m": 4.0, "to_surface_elevation_m": 46.0}
    assert {"falls", "fragile"} <= set(spoken(yard, remedies=[Remedy("move", "Move it.", **there)]))
    assert {"falls", "fragile"} <= set(spoken(yard, roof=None, remedies=[Remedy("move", "", **there)]))
    near = {"to_east_m": 32.0, "to_north_m": 4.0, "to_surface_elevation_m": 41.1}
    assert {"falls", "fragile"}.isdisjoint(spoken(yard, remedies=[Remedy("move", "", **near)]))


def test_a_remedy_that_raises_the_mast_is_held_against_the_lines():
    """A wire 9.5 m up, right over a post of 1 m: 8 m away; of 6 m: under 3 m."""
    yard = Mount("yard", 30.0, 4.0, height_m=1.0, surface_elevation_m=41.0)
    scene = Scene((wire("service wire", [[-20, 4, 50.5], [60, 4, 50.5]]),))
    assert "overhead-line" not in spoken(yard, scene=scene)
    assert "overhead-line" in spoken(yard, scene=scene, remedies=[Remedy("raise", "", to_height_m=6.0)])


def test_cutting_trees_is_said_only_where_it_is_offered_and_trees_at_lines_are_named():
    ash = tree("ash", (6.0, -9.0), ground_elevation_m=41.0, height_m=9.0, crown_radius_m=3.0)
    line = wire("service wire", [[-20, -14, 47.0], [60, -14, 47.0]])
    trim = [Remedy("trim", "Trim ash.", obstacle="ash", by_m=1.0)]
    assert {"tree", "tree-line"}.isdisjoint(spoken(SPOT, scene=Scene((ash, line))))
    said = spoken(SPOT, scene=Scene((ash, line)), remedies=trim)
    assert "ash" in said["tree-line"]
    assert "line's owner" in said["tree-line"]
    assert "tree-line" not in spoken(SPOT, scene=Scene((ash,)), remedies=trim)


def test_panels_and_the_cable_entry_are_said_where_they_are_known():
    assert {"solar", "entry"}.isdisjoint(spoken(SPOT))
    roof = replace(ROOF, keep_out=(((1.0, 1.0), (2.0, 1.0), (2.0, 2.0)),), cable_entry=(5.0, 0.0, 43.0))
    assert {"solar", "entry"} <= set(spoken(SPOT, roof=roof))
    panels = Scene((wire("solar panels' cable", [[-20, 99, 51.5], [30, 99, 51.5]]),))
    assert "solar" in spoken(SPOT, scene=panels)


def test_a_terminal_says_what_is_not_known_of_its_beam():
    assert "its power and its frequency are not given" in beam_caution(Terminal()).text
    assert "its power is not given" in beam_caution(Terminal(transmit_ghz=29.5)).text
    assert beam_caution(Terminal(receive_only=True)) is None


def test_a_strong_beam_says_how_far_out_it_is_above_the_limit():
    """FCC filing SES-MOD-20091124-01493: 125 W, gain 43.5 dBi (22 387), 1.2 m, 14.25 GHz. P G / (4 pi r^2) is 10 W/m2
    at 149.2 m. That gain is an efficiency of 0.697; the 0.65 taken here gives sqrt(0.65 / 0.697) of it, 144.1 m."""
    text = beam_caution(Terminal(transmit_ghz=14.25, transmit_power_w=125.0)).text
    (away_m,) = re.findall(r"down to it (\d+) m in front of the dish", text)
    assert float(away_m) == approx((125.0 * 22387.2 * 0.65 / 0.697 / (40.0 * 3.14159)) ** 0.5, abs=0.5)
    assert "the 10 W/m² for the public at 14.25 GHz (47 CFR 1.1310)" in text


def test_a_low_frequency_has_its_own_limit():
    """47 CFR 1.1310 Table 1: 0.9 GHz is f/1500 = 0.6 mW/cm2, from memory."""
    assert (
        "the 6 W/m² for the public at 0.9 GHz"
        in beam_caution(Terminal(transmit_ghz=0.9, transmit_power_w=1.0)).text
    )


def test_nothing_tells_anybody_to_look_along_a_shadow_to_the_sun():
    assert "turn your back to it" in sun_caution().text
    assert "straightedge" in sun_caution().text


PLACE = (58.0312, -24.6541, 47.7)


def test_the_minutes_are_named_when_the_sun_stands_near_the_satellite():
    """On 12 October 2026 the sun crosses the azimuth of Demo South near 13:25 UTC; it moves 15 degrees an hour
    (360 degrees in 24 hours), so it is within 10 degrees for about 80 minutes."""
    look = look_vector(*PLACE, Satellite("Demo South", longitude_deg=-24.0))
    sun, near = sun_cautions(PLACE, [look], dt.datetime(2026, 10, 12, tzinfo=dt.UTC), dt.UTC)
    assert sun.code == "sun"
    first, last = re.findall(r"(\d\d:\d\d)", near.text)
    minutes = [int(t[:2]) * 60 + int(t[3:]) for t in (first, last)]
    assert 13 * 60 - 10 < sum(minutes) / 2 < 13 * 60 + 50
    assert 60 < minutes[1] - minutes[0] < 100
    assert "do not look towards a satellite, nor through an instrument" in near.text


def test_on_a_day_without_them_the_next_season_is_named():
    """At midsummer the sun stands 31 degrees over the satellite at noon; it comes down to it in September."""
    look = look_vector(*PLACE, Satellite("Demo South", longitude_deg=-24.0))
    near = sun_cautions(PLACE, [look], dt.datetime(2026, 6, 21, tzinfo=dt.UTC), dt.UTC)[1]
    assert re.search(
        r"from 2026-09-\d\d to 2026-11-\d\d, on 2026-10-\d\d from 1[23]:\d\d to 1[34]:\d\d \(UTC\)", near.text
    )
    assert sun_cautions(PLACE, [look], None, dt.UTC) == (sun_caution(),)


def test_each_sentence_has_its_source():
    listed = (Path(__file__).parents[2] / "docs" / "sources.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`[^|]+`) \| ([^|]+) \|$", listed, re.MULTILINE)
    codes = {code for cell, source in rows if source.strip() for code in re.findall(r"`([\w-]+)`", cell)}
    assert {*SENTENCES, "overhead-line", "overhead-line-reach", "edge", "rf", "sun-near"} <= codes
