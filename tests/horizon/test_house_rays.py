"""Rays from the roofs of the tests' houses against casting them at triangles, which shares nothing with the kernels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from houses import (
    HOUSES,
    Block,
    cast,
    directions,
    dishes,
    ears,
    l_shape,
    roof_m,
    triangles,
    upright,
    vector_site,
)
from skysill.assessment.job_context import prepared
from skysill.horizon.scene_clearance import clearances
from skysill.io.site_file import read_site_file
from skysill.model.link import Link


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
        found = clearances(scene, dish, azimuth, elevation, link=Link(job.terminal, job.criteria))
        hit = found.hit[0].any(axis=1)
        met = np.isfinite(cast(solid, dish, directions(azimuth, elevation)))
        for odd in np.flatnonzero(hit != met):
            assert np.abs(found.margin_deg[0, odd]).min() < 0.02
        checked += hit.size
    assert checked >= 180


def test_under_the_eaves_there_is_sky_and_the_overhang_stands_in_the_line(tmp_path):
    """Walls half a metre inside the edges of an L-shaped roof: 240 rays from brackets under what stands out."""
    house, rng, checked = l_shape(), np.random.default_rng(12), 0
    inner = ((0.5, 0.5), (11.5, 0.5), (11.5, 6.5), (5.5, 6.5), (5.5, 14.5), (0.5, 14.5))
    walled = replace(house, blocks=(*house.blocks, Block("walls", inner, 43.0)))
    job = prepared(read_site_file(vector_site(tmp_path, walled, roof="facets")))
    scene = job.sources.scene
    scene = replace(scene, obstacles=tuple(o for o in scene.obstacles if o.kind != "wire"))
    ring = []
    for a, b in zip(np.array(inner), np.roll(inner, -1, axis=0), strict=True):
        ring += [
            a + share * (b - a) for share in np.linspace(0.0, 1.0, 240, endpoint=False)
        ]  # ridges fall on these
    up = roof_m(house, *np.array(ring).T)
    solid = np.concatenate(
        [
            triangles(replace(walled, facets=())),
            *(ears(facet) for facet in house.facets),
            upright(np.column_stack([ring, up])),
        ]
    )
    hits = 0
    for _ in range(12):
        at = rng.integers(0, len(ring))
        a, b = np.array(ring[at - 1]), np.array(ring[at])
        out = np.array([b[1] - a[1], a[0] - b[0]]) / np.hypot(*(b - a))  # the ring runs counter-clockwise
        east, north = b + rng.uniform(0.15, 0.45) * out
        dish = np.array([east, north, rng.uniform(41.2, 42.6)])
        assert np.isfinite(roof_m(house, east, north))
        assert not scene.holding(dish).any()
        azimuth = np.rad2deg(np.arctan2(*out)) + rng.uniform(-85, 85, 20)
        elevation = rng.uniform(3, 85, 20)
        found = clearances(scene, dish, azimuth, elevation, link=Link(job.terminal, job.criteria))
        hit = found.hit[0].any(axis=1)
        met = np.isfinite(cast(solid, dish, directions(azimuth, elevation)))
        for odd in np.flatnonzero(hit != met):
            assert np.abs(found.margin_deg[0, odd]).min() < 0.02
        checked, hits = checked + hit.size, hits + int(hit.sum())
    assert checked == 240
    assert 25 < hits < 200
