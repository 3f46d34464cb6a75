"""Scenes at the edge of geometry: a tree that grows over the dish, faces seen edge on, the meridian of 180 degrees."""

import numpy as np
import pytest
import shapely

from skysill.assessment.pipeline import assess
from skysill.horizon.scene_clearance import clearances
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.obstacle_builders import building, facet, tree
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.plots.sky_view import _longitude

TERMINAL = Terminal(dish_diameter_m=0.8)
CHIMNEY = building("chimney", [[2, -1], [3, -1], [3, 1], [2, 1]], ground_elevation_m=0.0, height_m=6.0)


@pytest.mark.parametrize("height_m", [3.2, 4.0])
def test_a_tree_that_grows_over_the_dish_takes_the_room_and_has_no_zone(height_m):
    """The oak is 3 m high and grows 2.5 m in five years: the dish is in its crown then, at no distance at all."""
    oak = tree(
        "oak", (0.0, 0.0), ground_elevation_m=0.0, height_m=3.0, crown_radius_m=2.0, growth_m_per_year=0.5
    )
    job = Job(
        Site("here", 0.0, 0.0, ground_elevation_m=0.0, ground_source="given"),
        (Satellite("Z", longitude_deg=30.0),),
        terminal=TERMINAL,
        sources=Sources(scene=Scene((oak,), complete=True)),
    )
    later = assess(job, Mount(height_m=height_m)).results[0].later
    assert later is not None
    assert later.obstructed
    assert later.controlling is not None
    assert (later.controlling.name, later.controlling.distance_m) == ("oak", 0.0)
    assert later.fresnel_ratio is None
    assert later.loss_db is None


def test_where_the_geometry_library_refuses_a_face_seen_edge_on_the_depth_is_still_found(monkeypatch):
    """Depth of a ray in a block 2 m wide, 2 m away: atan(1 / 2) to its sides. The faces at the dish's own height and
    in its own plane are lines from there."""

    def depth_deg():
        found = clearances(
            Scene((CHIMNEY,)), [[0.0, 0.0, 2.0]], [90.0], [0.5], link=Link(TERMINAL, Criteria())
        )
        return float(found.margin_deg[0, 0, 0])

    plain = depth_deg()
    assert plain == pytest.approx(-np.rad2deg(np.arctan(0.5 * np.cos(np.deg2rad(0.5)))), abs=0.01)

    def refuses(*_):
        raise shapely.errors.GEOSException("side location conflict")

    monkeypatch.setattr(shapely, "clip_by_rect", refuses)
    assert depth_deg() == pytest.approx(plain, abs=1e-4)


def test_the_arc_is_labelled_180_degrees_there_and_0_at_greenwich():
    assert [_longitude(x) for x in (180.0, -180.0, 0.0, -170.0, 170.0)] == [
        "180°",
        "180°",
        "0°",
        "170°W",
        "170°E",
    ]


def test_a_ray_in_the_plane_of_a_face_grazes_it():
    """Along the upright face under a roof's upper edge, 2 m away and going down out of sight: it is seen edge on, and
    what is seen beside it begins at the ray itself."""
    slope = facet("slope", [[0, 0, 5], [8, 0, 5], [8, 3, 8], [0, 3, 8]], ground_elevation_m=0.0, stands=True)
    dishes = [[-2.0, 3.0, 4.0], [-2.0, 3.0 - 1e-3, 4.0]]
    found = clearances(Scene((slope,)), dishes, [90.0], [30.0], link=Link(TERMINAL, Criteria()))
    assert found.hit.all()
    assert found.margin_deg[:, 0, 0] == pytest.approx(
        [0.0, 0.0], abs=0.03
    )  # atan(1e-3 / 2) and less, and itself
