"""A found property from above: every label can be read, cells without data are hatched, far things are left out."""

import itertools

import numpy as np
from matplotlib.figure import Figure

from skysill.extraction.property import FoundProperty, LocalRaster
from skysill.geodesy.positions import offset_position
from skysill.plots.labels import text_box
from skysill.plots.property_map import draw_property

LATITUDE_DEG, LONGITUDE_DEG = 48.0, -24.0


def tree(name, east_m, north_m, radius_m=2.5):
    latitude, longitude = offset_position(LATITUDE_DEG, LONGITUDE_DEG, east_m, north_m)
    return {
        "type": "Feature",
        "id": name,
        "properties": {"name": name, "kind": "tree", "height_m": 12.0, "crown_radius_m": radius_m},
        "geometry": {"type": "Point", "coordinates": [float(longitude), float(latitude)]},
    }


def drawn(features, values=None):
    rasters = ()
    if values is not None:
        rasters = (LocalRaster("surface.tif", "surface", values, (1.0, 0.0, -45.0, 0.0, -1.0, 45.0), "plan"),)
    found = FoundProperty("Lyngholt", LATITUDE_DEG, LONGITUDE_DEG, rasters=rasters)
    ax = Figure(figsize=(8.0, 8.0)).add_subplot()
    return ax, draw_property(ax, found, features)


def test_labels_of_touching_trees_do_not_cover_each_other():
    row = [tree(f"tree {number}", 4.0 * number - 12.0, -14.0) for number in range(6)]
    ax, artists = drawn(row)
    boxes = [text_box(text) for text in ax.texts if text.get_text().startswith(("tree", "site"))]
    assert len(boxes) == 7
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
    assert set(artists.obstacles) == {feature["id"] for feature in row}


def test_a_crown_is_drawn_where_it_stands_and_as_wide_as_it_is():
    _, artists = drawn([tree("tree 1", 10.0, -20.0, radius_m=3.0)])
    circle = artists.obstacles["tree 1"]
    np.testing.assert_allclose(circle.center, (10.0, -20.0), atol=0.01)
    assert circle.radius == 3.0


def test_what_stands_beyond_the_picture_is_left_out():
    assert set(drawn([tree("near", 40.0, 0.0), tree("far", 60.0, 0.0)])[1].obstacles) == {"near"}


def test_cells_without_data_are_hatched():
    values = np.zeros((91, 91), dtype=np.float32)
    assert not any(getattr(one, "hatches", None) for one in drawn([], values)[0].collections)
    values[10:20, 10:20] = np.nan
    hatched = [one for one in drawn([], values)[0].collections if getattr(one, "hatches", None)]
    assert len(hatched) == 1
