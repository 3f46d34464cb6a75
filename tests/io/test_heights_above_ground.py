"""What `height_m` of an obstacle counts from: the ground where the thing stands, typed or read from a file."""

import json

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.io.obstacle_files import read_obstacles
from skysill.io.obstacle_keys import ObstacleTable
from skysill.io.obstacle_schema import LEVEL_GROUND, Ground
from skysill.io.site_bearings import BearingCorrections
from skysill.io.site_obstacles import inline_obstacles
from skysill.model.site import Site
from skysill.model.survey import Survey

SLOPE = Ground(100.0, known=True, rise_m=lambda east_m, north_m: 0.1 * north_m)
"""Ground that rises 1 in 10 to the north."""

LATITUDE, LONGITUDE = 50.0, 1.0
BEARINGS = BearingCorrections(Site("slope", LATITUDE, LONGITUDE), Survey())


def typed(ground=SLOPE, **keys):
    table = ObstacleTable(kind=keys.pop("kind", "tree"), **keys)
    return inline_obstacles([table], bearings=BEARINGS, ground=ground, shown="site.toml")[0]


def from_file(tmp_path, geometry, **said):
    path = tmp_path / "things.geojson"
    feature = {"type": "Feature", "geometry": geometry, "properties": said}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    return read_obstacles(path, latitude_deg=LATITUDE, longitude_deg=LONGITUDE, ground=SLOPE)[0]


def test_height_counts_from_the_ground_where_the_thing_stands_typed_or_in_a_file(tmp_path):
    tree = typed(east_m=0.0, north_m=40.0, height_m=9.0, crown_radius_m=2.0)
    assert (tree.ground_elevation_m, tree.top_elevation_m) == (104.0, 113.0)
    hall = typed(kind="building", outline=[[-5, 20], [5, 20], [5, 40], [-5, 40]], height_m=6.0)
    assert (hall.ground_elevation_m, hall.top_elevation_m) == (103.0, 109.0)
    latitude, longitude = offset_position(LATITUDE, LONGITUDE, np.array(0.0), np.array(40.0))
    there = {"type": "Point", "coordinates": [float(longitude), float(latitude)]}
    same = from_file(tmp_path, there, kind="tree", height_m=9.0, crown_radius_m=2.0)
    assert same.top_elevation_m == pytest.approx(113.0, abs=1e-6)
    above = from_file(tmp_path, there, kind="tree", height_above_site_m=9.0, crown_radius_m=2.0)
    assert above.top_elevation_m == pytest.approx(109.0)


def test_height_above_site_counts_from_the_sites_ground_and_the_thing_still_stands_on_its_own():
    tree = typed(east_m=0.0, north_m=40.0, height_above_site_m=9.0, crown_radius_m=2.0)
    assert (tree.ground_elevation_m, tree.top_elevation_m, tree.height_m) == (104.0, 109.0, 5.0)
    wire = typed(kind="wire", line=[[-20, 10], [20, 10]], height_above_site_m=7.0)
    assert wire.top_elevation_m == 107.0
    with pytest.raises(InputError, match=r"ends at 103 m, not above the ground there \(104 m\)"):
        typed(east_m=0.0, north_m=40.0, height_above_site_m=3.0)


def test_only_one_height_is_given():
    with pytest.raises(InputError, match="height_m and height_above_site_m are both given"):
        typed(east_m=1.0, height_m=9.0, height_above_site_m=9.0)


def test_an_inclination_counts_from_the_eye_that_took_it():
    """Eye 1.6 m over the ground where the observer stood, 1 in 10 uphill of the site: 1.6 + 3 + 20 tan(30)."""
    seen = typed(
        east_m=None,
        sightings=[[0.0, 30.0, 0.0], [10.0, 30.0, 333.434948822922]],
        inclination_deg=30.0,
        crown_radius_m=1.0,
    )
    assert seen.top_elevation_m == pytest.approx(100.0 + 3.0 + 1.6 + 20.0 * np.tan(np.pi / 6), abs=1e-6)


def test_where_no_ground_is_known_it_is_said_that_it_was_taken_as_level():
    level = Ground(100.0, known=True)
    assert LEVEL_GROUND in typed(level, east_m=5.0, height_m=9.0, crown_radius_m=2.0).notes
    assert LEVEL_GROUND not in typed(level, east_m=5.0, height_above_site_m=9.0, crown_radius_m=2.0).notes
    assert LEVEL_GROUND not in typed(east_m=5.0, height_m=9.0, crown_radius_m=2.0).notes


def test_a_tree_trimmed_flat_is_typed_by_the_height_left(tmp_path):
    tree = typed(east_m=0.0, north_m=40.0, height_m=9.0, crown_radius_m=2.0, trimmed_to_height_m=7.0)
    whole = typed(east_m=0.0, north_m=40.0, height_m=9.0, crown_radius_m=2.0)
    assert tree.top_elevation_m == 111.0
    assert tree.cut_m == whole.lowered(111.0).cut_m == 111.0
    with pytest.raises(InputError, match="cannot be trimmed to 9 m"):
        typed(east_m=0.0, north_m=40.0, height_m=9.0, trimmed_to_height_m=9.0)
    with pytest.raises(InputError, match="a pole is not trimmed"):
        typed(kind="pole", east_m=0.0, height_m=9.0, trimmed_to_height_m=7.0)
