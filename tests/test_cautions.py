"""When each caution is said, and the figures it gives."""

from pytest import approx

from skysill.cautions import cautions_for, general_cautions, spot_cautions
from skysill.horizon.obstacles import Scene, wire
from skysill.overhead import APPROACH_M
from skysill.site import Mount, Roof, Terminal

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
    both = Terminal(transmit_ghz=29.5, transmit_power_w=3.0)
    told = {caution.code: caution.text for caution in general_cautions(both)}
    assert "10.6 W/m²" in told["rf"]
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
    low = Mount("yard", 30.0, 4.0, height_m=1.0, surface_elevation_m=41.0)
    found = cautions_for(low, scene=None, terminal=Terminal(), roof=ROOF, ground_elevation_m=41.0)
    assert "falls" not in [caution.code for caution in found]
