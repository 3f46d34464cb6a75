"""Margins at the tests' houses: angles to the arcs that edges of triangles draw on the sky, and rays cast beside them.

From the dish an edge is seen as a piece of a great circle; a ray beside a triangle is as far from it as from the
nearest of its three arcs. The kernels of the package share nothing with this: they solve faces and round solids.
"""

from __future__ import annotations

import numpy as np
import pytest

from houses import HOUSES, cast, directions, dishes, ears, triangles, upright, vector_site
from skysill.assessment.job_context import prepared
from skysill.horizon.scene_clearance import clearances
from skysill.io.site_file import read_site_file
from skysill.model.link import Link

WITHIN_DEG = 0.03
FREE, HIT = 24, 10


def unit(vectors):
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def arcs(house, solid, dish):
    """(n, 2, 3) unit vectors to both ends of every edge of the triangles, and of every span of a wire."""
    ends = np.concatenate([solid[:, [0, 1]], solid[:, [1, 2]], solid[:, [2, 0]]])
    wires = [np.array(line.vertices) for line in house.lines if line.kind == "wire"]
    spans = [np.stack([line[:-1], line[1:]], axis=1) for line in wires]
    return unit(np.concatenate([ends, *spans]) - dish)


def nearest(arc, ray):
    """Least angle from a ray to arcs, degrees."""
    a, b = arc[:, 0], arc[:, 1]
    pole = np.cross(a, b)
    size = np.linalg.norm(pole, axis=1)
    pole = pole / np.maximum(size, 1e-15)[:, None]
    beside = (size > 1e-12) & (np.cross(pole, a) @ ray > 0) & (np.cross(b, pole) @ ray > 0)
    foot = unit(ray - (pole @ ray)[:, None] * pole)
    end = np.where((a @ ray > b @ ray)[:, None], a, b)
    place = np.where(beside[:, None], foot, end)
    gap = 2.0 * np.arcsin(np.clip(np.linalg.norm(place - ray, axis=1) / 2.0, 0.0, 1.0))
    return float(np.rad2deg(gap.min()))


def cone(ray, angle_deg, turns):
    """Rays at an angle from a ray, all round it."""
    side = unit(np.cross(ray, [0.3, 0.2, 0.9]))
    turn = np.deg2rad(np.linspace(0.0, 360.0, turns, endpoint=False))[:, None]
    round_it = np.cos(turn) * side + np.sin(turn) * np.cross(ray, side)
    return np.cos(np.deg2rad(angle_deg)) * ray + np.sin(np.deg2rad(angle_deg)) * round_it


def depth_deg(solid, dish, ray):
    """Least angle from a ray that meets a solid to one that does not: rings a degree apart, then by halving."""

    def free(rays):
        return ~np.isfinite(cast(solid, dish, rays))

    for ring in np.arange(1.0, 89.0):
        out = free(cone(ray, ring, 720))
        if out.any():
            break
    beyond = cone(ray, ring, 720)[out]
    beyond = np.concatenate([unit(beyond + 0.001 * k * np.cross(ray, beyond)) for k in range(-5, 6)])
    low, high = np.zeros(len(beyond)), np.full(len(beyond), np.deg2rad(ring))
    way = unit(beyond - (beyond @ ray)[:, None] * ray)
    for _ in range(14):
        middle = (low + high) / 2.0
        out = free(np.cos(middle)[:, None] * ray + np.sin(middle)[:, None] * way)
        low, high = np.where(out, low, middle), np.where(out, middle, high)
    return float(np.rad2deg(high.min()))


@pytest.mark.parametrize("house", HOUSES, ids=lambda h: h.name)
def test_margins_are_those_of_the_triangles(house, tmp_path):
    """24 free rays and ten obstructed ones a house, from dishes on its roof: 102 margins."""
    rng = np.random.default_rng(len(house.name) + 1)
    job = prepared(read_site_file(vector_site(tmp_path, house, roof="facets")))
    scene, solid = job.sources.scene, triangles(house)
    blocks = {b.name: b.outline for b in house.blocks}
    checked = {"free": 0, "hit": 0}
    while checked["free"] < FREE or checked["hit"] < HIT:
        [(east, north, up, _)] = dishes(house, rng, 1)
        dish = np.array([east, north, up])
        if scene.holding(dish).any():
            continue
        azimuth, elevation = rng.uniform(90, 270, 8), rng.uniform(3, 45, 8)
        found = clearances(scene, dish, azimuth, elevation, link=Link(job.terminal, job.criteria))
        arc, rays = arcs(house, solid, dish), directions(azimuth, elevation)
        for at in range(8):
            if not found.hit[0, at].any() and checked["free"] < FREE:
                margin = nearest(arc, rays[at])
                assert found.margin_deg[0, at].min() == pytest.approx(margin, abs=WITHIN_DEG)
                assert not np.isfinite(cast(solid, dish, cone(rays[at], margin - 0.02, 12))).any()
                checked["free"] += 1
            for which in np.flatnonzero(found.hit[0, at]):
                block = blocks.get(scene.obstacles[which].name)
                if block is None or checked["hit"] == HIT:
                    continue
                top = next(b.top_m for b in house.blocks if b.outline == block)
                ring = [(e, n, top) for e, n in block]
                alone = np.concatenate([ears(ring), upright(ring)])
                assert found.margin_deg[0, at, which] == pytest.approx(
                    -depth_deg(alone, dish, rays[at]), abs=WITHIN_DEG
                )
                checked["hit"] += 1
