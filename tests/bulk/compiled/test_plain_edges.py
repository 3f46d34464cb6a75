"""The bound of an edge of a cell against every direction that ground under the edge takes, as plain Python."""

from __future__ import annotations

import numpy as np

from plain_loops import plain_loops


def nearest_m(one_m, other_m):
    """(edge,) distance of the nearest point of each edge."""
    points = one_m[:, None] + np.linspace(0.0, 1.0, 301)[:, None] * (other_m - one_m)[:, None]
    return np.linalg.norm(points, axis=2).min(axis=1)


def least_angles_rad(one_m, other_m, elevation_rad):
    """(edge,) least angle between the ray and any direction from the dish to a point of the edge or below it.

    one_m, other_m : (edge, 3) metres ahead, aside, above of both ends
    """
    along = np.linspace(0.0, 1.0, 301)[:, None]
    points = one_m[:, None] + along * (other_m - one_m)[:, None]  # (edge, point, 3)
    azimuth = np.arctan2(points[..., 1], points[..., 0])
    top = np.arctan2(points[..., 2], np.hypot(points[..., 0], points[..., 1]))
    least = np.full(len(one_m), np.inf)
    for share in np.linspace(0.0, 1.0, 121):  # from straight down to the edge
        down = -0.5 * np.pi + share * (top + 0.5 * np.pi)
        cosine = np.cos(elevation_rad) * np.cos(down) * np.cos(azimuth)
        angle = np.arccos(np.clip(cosine + np.sin(elevation_rad) * np.sin(down), -1.0, 1.0))
        least = np.minimum(least, angle.min(axis=1))
    return least


def test_no_ground_of_an_edge_is_nearer_to_the_ray_than_its_bound():
    """Edges ahead, beside and behind, high and low, also those that lead away beside the ray."""
    loops, rng = plain_loops(), np.random.default_rng(71)
    over = close = 0
    for elevation_deg in (9.0, 24.0, 55.0):
        elevation_rad = np.deg2rad(elevation_deg)
        frame = np.zeros(loops.block_frame.FRAME_FIELDS)
        frame[loops.block_frame.F_COSINE] = np.cos(elevation_rad)
        frame[loops.block_frame.F_SINE] = np.sin(elevation_rad)
        middle_m = rng.uniform([-60.0, -90.0, -40.0], [400.0, 90.0, 250.0], (250, 3))
        half_m = rng.uniform(-40.0, 40.0, (250, 3)) * [1.0, 1.0, 0.6]
        one_m, other_m = middle_m - half_m, middle_m + half_m
        wanted = least_angles_rad(one_m, other_m, elevation_rad)
        bounds, beyond_m = np.array([
            loops.edge_room.edge_bound(*one, *other, frame)[:2]
            for one, other in zip(one_m, other_m, strict=True)
        ]).T  # fmt: skip
        assert (beyond_m <= nearest_m(one_m, other_m) + 1e-9).all()
        matters = wanted < np.deg2rad(60.0)  # wider than any fan
        assert (bounds[matters] <= wanted[matters] + 1e-9).all(), np.argmax(bounds - wanted)
        over += int((wanted < 0.01).sum())
        close += int((matters & (wanted - bounds < 0.02)).sum())
    assert over > 30
    assert close > 200  # the bound is no mere zero
