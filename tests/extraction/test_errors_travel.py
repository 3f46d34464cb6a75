"""The standard errors of what was found are those that p_clear is worked out with.

One wall stands square across the ray, the dish stands on the found roof behind it. All errors of height add as
variances, those of place through the tangent of the elevation, and give a normal distribution. The satellite's
direction is read from the assessment; everything else is worked out here.
"""

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from skysill.assessment.pipeline import assess
from skysill.extraction.found import FoundPlane, FoundRoof, FoundTree, FoundWall, FoundWire, StandingOff
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.horizon.roof_surface import own_roof
from skysill.io.site_file import read_site_file
from skysill.model.default_errors import RasterFacts

SITE = """
name = "school"
position = "0 N 0 E"
ground_elevation_m = 20.0
[terminal]
dish_diameter_m = 0.6
[[satellites]]
name = "A"
longitude = "60.0 E"
[[mounts]]
name = "roof"
surface_elevation_m = 26.0
height_m = 1.0
[roof]
{roof}
[obstacles]
file = "found.geojson"
complete = true
[survey]
position_error_m = 0.0
height_error_m = {dish_error_m}
"""
METRE_DEG = 180.0 / math.pi / 6_378_137.0


def flat_roof(height_error_m, position_error_m):
    ring = ((-3.0, -3.0, 26.0), (3.0, -3.0, 26.0), (3.0, 3.0, 26.0), (-3.0, 3.0, 26.0))
    plane = FoundPlane(ring, 0.0, 0.0, (0.0, 0.0, 26.0), 0.05, 300, 0.01)
    return FoundRoof(tuple(p[:2] for p in ring), (plane,), height_error_m, position_error_m)


def read(folder, roof, things, dish_error_m=0.0):
    table = "\n".join(f"{key} = {json.dumps(value)}" for key, value in roof.as_site_table().items())
    features = []
    for one in things:
        out = one.as_obstacle()
        points = [[p[0] * METRE_DEG, p[1] * METRE_DEG, *p[2:]] for p in out.points_m]
        kind, coordinates = {
            "point": ("Point", points[0]), "line": ("LineString", points), "area": ("Polygon", [[*points, points[0]]]),
        }[out.shape]  # fmt: skip
        features.append(
            {
                "type": "Feature",
                "properties": out.properties,
                "geometry": {"type": kind, "coordinates": coordinates},
            }
        )
    (folder / "found.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    (folder / "site.toml").write_text(SITE.format(roof=table, dish_error_m=dish_error_m))
    job = read_site_file(folder / "site.toml")
    return replace(job, sources=replace(job.sources, rasters=(flat_ground(),), highest_ground_m=20.0))


def flat_ground():
    """Bare ground at 20 m for two kilometres around, exact: nobody else may move the dish or the wall."""
    step_deg, half = 10.0 * METRE_DEG, 200
    values = np.full((2 * half + 1, 2 * half + 1), 20.0, dtype=np.float32)
    transform = (step_deg, 0.0, -half * step_deg, 0.0, -step_deg, half * step_deg)
    return HeldGrid(Grid(values, transform, "EPSG:4326"), "flat.tif", "bare", 10.0, 0.0, RasterFacts())


def wall(top_m, height_error_m, position_error_m):
    line = ((30.0, -60.0, top_m), (30.0, 60.0, top_m))
    return FoundWall("wall", line, None, height_error_m, position_error_m)


@pytest.mark.parametrize(
    ("wall_error_m", "place_error_m", "roof_error_m", "dish_error_m"),
    [
        (0.5, 0.0, 0.0, 0.0),
        (0.0, 0.6, 0.0, 0.0),
        (0.0, 0.0, 0.5, 0.0),
        (0.3, 0.4, 0.3, 0.1),
        (0.15, 0.2, 0.1, 0.1),
    ],
)
def test_p_clear_is_that_of_the_found_errors(
    tmp_path, wall_error_m, place_error_m, roof_error_m, dish_error_m
):
    roof = flat_roof(roof_error_m, 0.0)
    job = read(tmp_path, roof, [wall(20.5, 0.0, 0.0)], dish_error_m)
    ray = assess(job, job.mounts[0]).results[0].look
    slope = math.tan(math.radians(ray.elevation_apparent_deg))
    assert ray.azimuth_deg == approx(90.0, abs=0.01)
    required_m = 0.3 + 0.6 * math.sqrt(299_792_458.0 / 19.7e9 * 30.0 / math.cos(math.atan(slope)))
    level_m = (
        27.0 + 30.0 * slope - required_m / math.cos(math.atan(slope))
    )  # wall top with just the room left
    spread_m = math.sqrt(wall_error_m**2 + (place_error_m * slope) ** 2 + roof_error_m**2 + dish_error_m**2)
    for share in (0.6, 1.4):
        job = read(
            tmp_path, roof, [wall(level_m - share * spread_m, wall_error_m, place_error_m)], dish_error_m
        )
        result = assess(job, job.mounts[0]).results[0]
        expected = 0.5 * (1.0 + math.erf(share / math.sqrt(2.0)))
        # 2000 samples leave 0.01; lengths are written to the centimetre
        assert result.p_clear == approx(expected, abs=0.035)


def test_without_a_stated_error_the_roof_keeps_its_default(tmp_path):
    job = read(tmp_path, flat_roof(0.12, 0.34), [wall(21.0, 0.1, 0.1)])
    (first, *_) = own_roof(job.roof)
    assert (first.errors.height_m, first.errors.along_m, first.errors.across_m) == (0.12, 0.34, 0.34)
    bare = read_site_file(_without_errors(tmp_path))
    assert own_roof(bare.roof)[0].errors.height_m == 0.3


def _without_errors(folder):
    text = (folder / "site.toml").read_text()
    kept = [
        line
        for line in text.splitlines()
        if not line.startswith(("height_error_m = 0.12", "position_error_m = 0.34"))
    ]
    (folder / "bare.toml").write_text("\n".join(kept))
    return folder / "bare.toml"


def square(low, high):
    return (low, low), (high, low), (high, high), (low, high)


def test_every_found_thing_is_read_with_its_own_errors(tmp_path):
    things = [
        FoundTree(30.0, 5.0, 9.0, 3.0, 0.4, 0.5, 0.3, ground_elevation_m=20.0, name="tree 1"),
        FoundWall("hedge", ((20.0, -9.0), (20.0, 9.0)), 1.8, 0.2, 0.3, ground_elevation_m=20.0, name="hedge 1"),
        FoundWire(((10.0, -30.0, 27.0), (10.0, 30.0, 27.5)), 0.5, 0.04, 60, 0.15, 0.25, name="wire 1"),
        StandingOff("chimney", square(1.0, 1.6), 26.0, 27.2, 7, 0.12, 0.22, "chimney 1"),
        StandingOff("aerial", square(2.0, 2.1), 26.0, 28.0, 2, 0.13, 0.21, "aerial 1"),
    ]  # fmt: skip
    found = {o.name: o for o in read(tmp_path, flat_roof(0.1, 0.2), things).sources.scene.obstacles}
    errors = {name: (o.errors.height_m, o.errors.along_m, o.errors.across_m) for name, o in found.items()}
    assert errors["tree 1"] == approx((0.4, 0.5, math.hypot(0.5, 0.3)), abs=0.005)
    assert errors["hedge 1"] == (0.2, 0.3, 0.3)
    assert errors["wire 1"] == (0.15, 0.25, 0.25)
    assert errors["chimney 1"] == (0.12, 0.22, 0.22)
    assert errors["aerial 1"] == (0.13, 0.21, 0.21)
    tops = {name: o.top_elevation_m for name, o in found.items()}
    assert tops == approx(
        {"tree 1": 29.0, "hedge 1": 21.8, "wire 1": 27.5, "chimney 1": 27.2, "aerial 1": 28.0}
    )
    assert found["wire 1"].sag_m == 0.5


def test_a_larger_error_of_the_roof_never_makes_it_clearer(tmp_path):
    p = []
    for error_m in (0.0, 0.2, 0.5, 1.0):
        job = read(tmp_path, flat_roof(error_m, 0.0), [wall(38.2, 0.1, 0.1)])
        p.append(assess(job, job.mounts[0]).results[0].p_clear)
    assert p[0] > 0.5, p
    assert all(a >= b - 0.02 for a, b in itertools.pairwise(p)), p
    assert np.ptp(p) > 0.1, p
