"""Damage to the one file that blocks a scene never makes it clear; without that file's contents the scene is clear."""

import pytest
import scenes
from checks import never_clear

test_readings = never_clear("blocked by readings")
test_a_list_of_obstacles = never_clear("blocked by a list of obstacles")
test_typed_obstacles_cut_short = never_clear("blocked by typed obstacles")
test_a_raster = never_clear("blocked by a GeoTIFF")
test_a_tiled_raster = never_clear("blocked by a tiled GeoTIFF")
test_a_text_grid = never_clear("blocked by a text grid")
test_raw_cells = never_clear("blocked by raw cells")
test_a_raster_geopackage = never_clear("blocked by a GeoPackage")
test_a_mosaic = never_clear("blocked by a mosaic")


@pytest.mark.parametrize("scene", scenes.SCENES.values(), ids=scenes.SCENES)
def test_the_scenes_are_blocked(tmp_path, scene):
    scene.seed(tmp_path)
    assert scenes.verdict(tmp_path) == "blocked"


@pytest.mark.parametrize(
    ("seed", "low"),
    [
        (scenes.readings, {"elevation_deg": 5.0}),
        (scenes.obstacles, {"height_m": 1.5}),
        (scenes.inline, {"height_m": 1.5}),
        (scenes.ground, {"wall_m": 0.5}),
        (scenes.mosaic, {"wall_m": 0.5}),
    ],
)
def test_without_what_blocks_them_they_are_clear(tmp_path, seed, low):
    seed(tmp_path, **low)
    assert scenes.verdict(tmp_path) == "clear"
