"""The plan: what is drawn where, on a flat roof beside a wall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

from skysill.assessment.cautions import Caution
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import building, tree, wire
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Roof, Satellite, Site, Terminal
from skysill.plots.plan import plan_figure, write_plan
from skysill.plots.plan_roof import draw_roof
from skysill.plots.plan_surroundings import draw_plan
from skysill.plots.theme import fixed_settings, new_figure
from skysill.siting.mount_rows import spot_lines
from skysill.siting.mounts import compare_mounts


@pytest.fixture(scope="module")
def found():
    scene = Scene(
        (
            building(
                "hall", [[9, -40], [20, -40], [20, 40], [9, 40]], ground_elevation_m=0, top_elevation_m=12
            ),
            tree("oak", (-12.0, 3.0), ground_elevation_m=0, height_m=9, crown_radius_m=3),
            wire("span", [[-8, -12, 7], [8, -12, 7]], sag_m=0.3),
        ),
        complete=True,
    )
    roof = Roof(
        outline=((-6, -4), (6, -4), (6, 4), (-6, 4)),
        surface=((-6, -4, 5), (6, -4, 5), (6, 0, 7), (-6, 0, 7), (6, 4, 5), (-6, 4, 5)),
        cable_entry=(6.0, 0.0, 2.0),
    )
    job = Job(
        Site("equator", 0.0, 0.0, ground_elevation_m=0.0, ground_source="given"),
        (Satellite("East", longitude_deg=30.0),),
        (Mount("pole", 5.0, 0.0, 1.0, 7.0, 6.0),),
        terminal=Terminal(dish_diameter_m=0.8, receive_ghz=12.0, cable_limit_m=40.0),
        criteria=Criteria(years_ahead=0),
        sources=Sources(scene=scene),
        roof=roof,
    )
    return compare_mounts(job, grid_step_m=2.0, keep=2)


def axes():
    figure = new_figure(5.6, 6.0)
    return figure.add_axes((0.05, 0.05, 0.9, 0.9))


def test_the_satellite_line_leaves_the_best_mount_along_its_azimuth(found):
    with fixed_settings():
        drawn = draw_plan(axes(), found)
    (x0, y0), (x1, y1) = drawn.lines[0].get_xydata()
    assert (x0, y0) == (found.mounts[0].east_m, found.mounts[0].north_m)
    assert np.rad2deg(np.arctan2(x1 - x0, y1 - y0)) == pytest.approx(found.looks[0].azimuth_deg, abs=1e-6)
    assert (
        len(drawn.obstacles) == 2
    )  # the hall, whose corners are outside the drawing, and the wire; the oak is behind


def test_every_spot_is_drawn_once_in_the_class_of_its_mast(found):
    with fixed_settings():
        drawn = draw_roof(axes(), found)
    assert sum(len(line.get_xdata()) for line in drawn.spots) == len(found.searched.spots)
    lowest = found.searched.all_height_m <= 1.0
    assert sorted(drawn.spots[0].get_xdata()) == sorted(found.searched.spots.east_m[lowest])
    assert drawn.route.get_xydata()[-1] == pytest.approx((6.0, 0.0))


def test_the_best_is_numbered_and_the_sheet_says_what_it_shows(found):
    with fixed_settings():
        figure = plan_figure(found)
    words = [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]
    assert any(word.startswith("1: ") for word in words)
    assert any("East 90°" in word for word in words)
    assert any(word.startswith("≤ ") for word in words)
    assert {"N", "10 m", "cable entry"} <= set(words)


def test_each_spot_that_a_line_comes_near_is_marked_once(found):
    """The wire runs 12 m south of the middle at the height of the roof: every mark stands beside a spot, and the
    southern row, 9 m from it at the most, has a mark at each spot."""
    with fixed_settings():
        drawn = draw_roof(axes(), found)
    marked = [tuple(point) for line in drawn.warnings for point in line.get_xydata()]
    assert len(set(marked)) == len(marked)
    spots = found.searched.spots
    at = list(zip(spots.east_m.tolist(), spots.north_m.tolist(), strict=True))
    assert set(marked) <= set(at)
    severity = spot_lines(found).severity
    for level, line in zip((1, 2), drawn.warnings, strict=True):
        assert len(line.get_xydata()) == int((severity == level).sum())
    assert marked


def test_where_no_line_is_listed_the_plan_says_to_look(found):
    alone = Scene(tuple(o for o in found.job.sources.scene.obstacles if o.kind != "wire"))
    bare = replace(found, job=replace(found.job, sources=replace(found.job.sources, scene=alone)))
    words = [text.get_text() for text in plan_figure(bare).findobj(Text)]
    assert any("look for overhead lines before raising anything" in word.replace("\n", " ") for word in words)
    with fixed_settings():
        assert draw_roof(axes(), bare).warnings == ()


def test_a_mount_beside_a_line_says_so_on_the_plan(found):
    near = replace(found.mounts[0], cautions=(Caution("overhead-line", "too near"),))
    words = [text.get_text() for text in plan_figure(replace(found, mounts=(near,))).findobj(Text)]
    assert sum("!! line too near" in word for word in words) == 3  # both drawings and the key


def test_the_same_answer_gives_the_same_picture(found, tmp_path):
    write_plan(tmp_path / "a.svg", found)
    write_plan(tmp_path / "b.svg", found)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
