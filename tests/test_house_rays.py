"""Rays from the roofs of the tests' houses against casting them at triangles, which shares nothing with the kernels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from houses import HOUSES, cast, directions, roof_m, triangles, vector_site
from skysill.files.sitefile import read_site_file
from skysill.gather import prepared
from skysill.horizon.obstacles import clearances


def dishes(house, rng, count):
    """Dish centres half a metre to two over the roof, off chimneys and parapets."""
    corners = np.array(house.outline)
    found = []
    while len(found) < count:
        east, north = rng.uniform(corners.min(axis=0) + 0.6, corners.max(axis=0) - 0.6)
        up = float(roof_m(house, east, north))
        if np.isfinite(up) and np.isfinite(roof_m(house, east + 0.4, north - 0.4)):
            found.append((float(east), float(north), up + rng.uniform(0.5, 2.0), up))
    return found


@pytest.mark.parametrize("house", HOUSES, ids=lambda h: h.name)
def test_rays_from_the_roof_meet_what_the_ray_caster_meets(house, tmp_path):
    """240 rays a house; where the two differ the ray grazes by under 0.02 degree, round things having 180 sides."""
    rng = np.random.default_rng(len(house.name))
    job = prepared(read_site_file(vector_site(tmp_path, house, roof="facets")))
    solid, scene, checked = triangles(house), job.sources.scene, 0
    scene = replace(scene, obstacles=tuple(o for o in scene.obstacles if o.kind != "wire"))
    for east, north, up, _ in dishes(house, rng, 12):
        dish = np.array([east, north, up])
        if scene.holding(dish).any():
            continue
        azimuth, elevation = rng.uniform(90, 270, 20), rng.uniform(3, 40, 20)
        found = clearances(scene, dish, azimuth, elevation, terminal=job.terminal, criteria=job.criteria)
        hit = found.hit[0].any(axis=1)
        met = np.isfinite(cast(solid, dish, directions(azimuth, elevation)))
        for odd in np.flatnonzero(hit != met):
            assert np.abs(found.margin_deg[0, odd]).min() < 0.02
        checked += hit.size
    assert checked >= 180
