"""Roof shapes: lines, facets and forms against planes worked out by hand and against independent elevations."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from houses import HOUSES, l_shape, plane, roof_m, turned_plan, vector_site
from skysill.errors import InputError
from skysill.horizon.roof_surface import own_roof, roof_doubts, roof_edges, roof_elevation_m, roof_triangles
from skysill.io.site_file import read_site_file
from skysill.io.site_obstacles import read_scene
from skysill.model.roof_forms import form_facets
from skysill.model.site import Roof, Site

RECTANGLE = ((0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0))


def places(outline, rng, count=800):
    import shapely

    inner = shapely.Polygon(outline).buffer(-0.05)
    west, south, east, north = inner.bounds
    found = rng.uniform((west, south), (east, north), (count, 2))
    return found[shapely.contains_xy(inner, found[:, 0], found[:, 1])].T


@pytest.fixture
def rng():
    return np.random.default_rng(7)


@pytest.mark.parametrize(
    ("house", "given"),
    [
        (house, given)
        for house in HOUSES
        for given in ("facets", "lines")
        if given == "facets" or house.ridges
    ],
    ids=lambda one: one if isinstance(one, str) else one.name,
)
def test_lines_and_facets_give_the_roof_of_each_house(house, given, rng, tmp_path):
    """Plan corners are turned to the millimetre, which a slope of 0.8 makes 2 mm of."""
    job = read_site_file(vector_site(tmp_path, house, roof=given))
    assert roof_elevation_m(job.roof, *places(house.outline, rng)) == approx(
        roof_m(house, *places(house.outline, np.random.default_rng(7))), abs=0.005
    )
    assert not [note for note in job.notes if "roof" in note]


def test_an_l_roof_from_its_ten_corners_alone_is_said_to_be_open(tmp_path):
    """Without lines other planes fit the corners as well; by how much is what the two diagonals differ."""
    job = read_site_file(vector_site(tmp_path, l_shape(), roof="surface"))
    doubts = roof_doubts(job.roof)
    assert len(doubts.open_m)
    assert doubts.open_by_m.max() > 1.0
    assert any("leave open" in note and "ridges" in note for note in job.notes)
    east, north = places(l_shape().outline, np.random.default_rng(1))
    worst = np.abs(roof_elevation_m(job.roof, east, north) - roof_m(l_shape(), east, north)).max()
    assert worst > 0.5  # so there was something to say


def test_a_plain_gable_from_its_six_corners_is_not_open():
    roof = Roof(
        outline=RECTANGLE, surface=((0, 0, 3), (12, 0, 3), (0, 4, 6), (12, 4, 6), (0, 8, 3), (12, 8, 3))
    )
    assert not roof_doubts(roof).sentences()


def test_points_that_disagree_with_facets_are_said_and_facets_are_taken():
    flat = (tuple((*corner, 3.0) for corner in RECTANGLE),)
    roof = Roof(outline=RECTANGLE, surface=((0, 0, 3.0), (6, 4, 3.19), (9, 4, 3.5)), facets=flat)
    doubts = roof_doubts(roof)
    assert doubts.against_m.tolist() == [[9, 4, 3.5]]
    assert doubts.against_by_m == approx([0.5])
    assert "0.5 m above" in doubts.sentences()[0]
    assert roof_elevation_m(roof, 9.0, 4.0) == approx(3.0)


def test_lines_that_cross_at_different_heights_are_refused():
    roof = Roof(outline=RECTANGLE, breaks=(((0, 4, 6), (12, 4, 6)), ((6, 0, 3), (6, 8, 3))))
    with pytest.raises(InputError, match=r"lines cross at 6\.00, 4\.00, one 3\.0 m over the other"):
        roof_triangles(roof)


# -- forms: heights at chosen places, worked out by hand; 12 m by 8 m, eaves 3 m, ridge 5 m --------------------

FORMS = {
    ("flat", None): {(1, 1): 3.0, (6, 4): 3.0},
    ("gabled", None): {(6, 4): 5.0, (0.5, 4): 5.0, (6, 2): 4.0, (6, 7): 3.5},
    ("gabled", 90.0): {(6, 4): 5.0, (6, 0.5): 5.0, (3, 4): 4.0, (11.5, 4): 3.0 + 2.0 * 0.5 / 6.0},
    ("gabled", 180.0): {(0.5, 4): 5.0, (6, 2): 4.0},
    ("skillion", 180.0): {(6, 8): 5.0, (6, 0): 3.0, (6, 4): 4.0},
    ("skillion", 90.0): {(0, 4): 5.0, (12, 4): 3.0, (3, 1): 4.5},
    ("hipped", None): {(6, 4): 5.0, (4, 4): 5.0, (2, 4): 4.0, (6, 2): 4.0, (10, 4): 4.0, (1, 1): 3.5},
    ("pyramidal", None): {(6, 4): 5.0, (6, 2): 4.0, (3, 4): 4.0},
    # the gable rises to 4 m at its end wall; over that a hip of the sides' own slope, 1 in 2
    ("half-hipped", None): {(6, 4): 5.0, (0, 2): 4.0, (0, 4): 4.0, (1, 4): 4.5, (2, 4): 5.0, (0.5, 1): 3.5},
}


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
@pytest.mark.parametrize(("form", "direction"), FORMS, ids=str)
def test_roof_forms_on_a_rectangle_are_exact(form, direction, turn_deg):
    outline = turned_plan(RECTANGLE, turn_deg)
    facets = form_facets(
        outline, form, eaves_elevation_m=3.0, ridge_elevation_m=5.0,
        direction_deg=None if direction is None else (direction - turn_deg) % 360.0,
    )  # fmt: skip
    for ring in facets:
        a, b, c = plane(ring)
        assert np.allclose([a * e + b * n + c for e, n, _ in ring], [up for *_, up in ring], atol=2e-3)
    roof = Roof(outline=outline, facets=facets)
    for place, height in FORMS[form, direction].items():
        inner = np.array(place) + 1e-3 * (np.array([6, 4]) - place)  # a hair inside the edge
        east, north = turned_plan([tuple(inner)], turn_deg)[0]
        assert roof_elevation_m(roof, east, north) == approx(height, abs=0.004), place
    import shapely

    area = sum(shapely.Polygon([p[:2] for p in ring]).area for ring in facets)
    assert area == approx(96.0, abs=0.05)  # they fill the outline and do not overlap


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"outline_m": l_shape().outline}, "rectangular outline only; this one has 6 corners"),
        ({"form": "mansard"}, "is no roof form"),
        ({"ridge_elevation_m": 2.0}, "needs a ridge above its eaves"),
        ({"form": "skillion"}, "needs the direction it falls in"),
        ({"form": "hipped", "direction_deg": 90.0}, "along the shorter side is not defined"),
        ({"direction_deg": 45.0}, "45 degrees off the walls"),
    ],
)
def test_forms_that_are_not_defined_are_refused(change, sentence):
    given = {"outline_m": RECTANGLE, "form": "gabled", "eaves_elevation_m": 3.0, "ridge_elevation_m": 5.0}
    given |= change
    with pytest.raises(InputError, match=sentence):
        form_facets(given.pop("outline_m"), given.pop("form"), **given)


def test_a_form_in_a_site_file_counts_from_the_sites_ground(tmp_path):
    house = replace(l_shape(), outline=RECTANGLE, ridges=(), valleys=())
    words = 'shape = "gabled"\neaves_height_m = 3.0\nridge_height_m = 5.0\ndirection_deg = 180.0\n'
    job = read_site_file(vector_site(tmp_path, house, roof="outline", more_roof=words))
    assert roof_elevation_m(job.roof, 6.0, 4.0) == approx(house.ground_m + 5.0)
    assert len(own_roof(job.roof)) == 4
    with pytest.raises(InputError, match=r"eaves_height_m: belongs to a roof's form"):
        read_site_file(vector_site(tmp_path, house, roof="outline", more_roof="eaves_height_m = 3.0\n"))


def test_a_footprints_roof_words_become_planes(tmp_path):
    """Open map tags: 8 m high, of which the roof 3 m; the face slopes down to the south, so the ridge runs east."""
    from pyproj import Geod

    def corner(east, north):
        away, azimuth = np.hypot(east, north), np.rad2deg(np.arctan2(east, north))
        return list(Geod(ellps="WGS84").fwd(-24.65, 58.03, azimuth, away)[:2])

    ring = [corner(e, n) for e, n in ((10, 0), (10, 12), (18, 12), (18, 0), (10, 0))]
    house = {"building": "yes", "name": "shed", "height": "8", "roof:shape": "gabled", "roof:height": "3 m"}
    round_one = {**house, "name": "mill", "roof:shape": "hipped"}
    corners = [corner(e, n) for e, n in ((30, 0), (33, 4), (36, 0), (33, -4), (31, -3), (30, 0))]
    features = [
        {"type": "Feature", "properties": {**house, "roof:direction": "S"},
         "geometry": {"type": "Polygon", "coordinates": [ring]}},
        {"type": "Feature", "properties": round_one, "geometry": {"type": "Polygon", "coordinates": [corners]}},
    ]  # fmt: skip
    path = tmp_path / "footprints.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    site = Site("here", 58.03, -24.65, ground_elevation_m=20.0, ground_source="given")
    scene = read_scene(path, site)
    shed, mill = scene.named("shed"), scene.named("mill")
    up = scene.overhead_m([[14.0, 6.0, 20.0], [14.0, 3.0, 20.0], [14.0, 0.1, 20.0], [11.0, 6.0, 20.0]])[:, 0]
    assert up == approx([8.0, 6.5, 5.05, 8.0], abs=0.02)
    assert shed.stands
    assert shed.shape == "facet"
    assert mill.shape == "prism"
    assert mill.top_elevation_m == approx(28.0)
    assert any("rectangular outline only" in note for note in scene.notes)


def test_edges_of_a_gable_are_its_eaves_its_verges_and_its_ridge():
    """11 m by 7 m with the ridge along the middle: nothing inside a slope is an edge."""
    gable = Roof(
        outline=((0, 0), (11, 0), (11, 7), (0, 7)),
        surface=((0, 0, 4), (11, 0, 4), (0, 3.5, 6), (11, 3.5, 6), (0, 7, 4), (11, 7, 4)),
    )
    edges = roof_edges(gable)
    lengths = sorted(float(np.linalg.norm(edge[1] - edge[0])) for edge in edges)
    assert sum(lengths) == pytest.approx(2 * (11 + 7) + 11)
    assert any(np.allclose(edge[:, 1], 3.5) for edge in edges)
    flat = Roof(outline=gable.outline, surface=tuple((x, y, 4) for x, y in gable.outline))
    assert sum(float(np.linalg.norm(edge[1] - edge[0])) for edge in roof_edges(flat)) == pytest.approx(36.0)


def test_a_roofs_stated_errors_are_those_of_its_surface_and_other_errors_those_of_a_plan():
    flat = Roof(outline=RECTANGLE, surface=tuple((x, y, 5.0) for x, y in RECTANGLE))
    for stated, want in (
        ({}, (0.3, 0.3)),
        ({"height_error_m": 0.1}, (0.1, 0.3)),
        ({"position_error_m": 0.9}, (0.3, 0.9)),
    ):
        for o in own_roof(replace(flat, **stated)):
            assert (o.errors.height_m, o.errors.along_m) == want


def test_a_facet_without_area_is_refused_by_its_number():
    line = ((0.0, 0.0, 5.0), (6.0, 0.0, 5.0), (12.0, 0.0, 5.0))
    square = tuple((x, y, 5.0) for x, y in RECTANGLE)
    with pytest.raises(InputError, match=r"\[roof\], facets number 2: has no area"):
        roof_triangles(Roof(outline=RECTANGLE, facets=(square, line)))
