"""Columns of bare ground that stated errors could bring into the required room, noted along the edges of cells.

Of each edge one ray in every half degree is noted, the nearest to the edge's point nearest to the satellite's
ray: the same groups as in `assessment.confidence`. Of each group the most critical column is kept.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.block_frame import F_EYE, errors_reach
from skysill.bulk.compiled.cone import sight
from skysill.bulk.compiled.edge_room import NO_CROSSING, crest, crossing, edge_bound, spare_of
from skysill.bulk.compiled.fan_rays import V_LAST, V_STAMP, ray_from, ray_laid, ray_until
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.ray_sampling import OFF_COS, OFF_RAD, OFF_SIN, RADIUS

__all__ = [
    "MOST_NOTED",
    "NOTED_FIELDS",
    "N_AWAY",
    "N_HEIGHT",
    "N_KEY",
    "N_METRES",
    "N_RAY",
    "N_SLANT",
    "note_cell",
]

# fields of a noted column: its group, spare room in metres across the line of sight, number of its ray, ground
# distance, elevation, slant distance; then a table by group of the rows. The first row holds how many there are
N_KEY, N_METRES, N_RAY, N_AWAY, N_HEIGHT, N_SLANT, N_SLOT = range(7)
NOTED_FIELDS = 7
MOST_NOTED = 2048


@compiled
def _note(
    ray: Any, i: int, d: float, z: float, aside: int, frame: Any, lifts: Any, stamp: int, noted: Any
) -> None:
    """Note one column, in place of a less critical one of its group."""
    slope = sight(d, z, frame[F_EYE], ray[RADIUS])
    if not errors_reach(frame, lifts, slope, ray[OFF_COS], abs(ray[OFF_SIN]), 1.0, 0.0, d, d):
        return
    spare, _, slant_m = spare_of(ray, d, z, frame)
    key = float(aside * 1000 + int(np.floor(20.0 * np.log(max(slant_m, 0.1)))) + 100)
    metres, count = spare * slant_m, int(noted[0, 0])
    at = (int(key) * 40503) % MOST_NOTED
    n = 0
    while n == 0:
        held = int(noted[at, N_SLOT]) - stamp * MOST_NOTED
        if held <= 0:
            if count + 2 >= MOST_NOTED:
                noted[0, 1] = 1.0
                return
            n = count + 1
            noted[0, 0], noted[at, N_SLOT] = n, stamp * MOST_NOTED + n
        elif noted[held, N_KEY] == key:
            if metres >= noted[held, N_METRES]:
                return
            n = held
        else:
            at = (at + 1) % MOST_NOTED
    noted[n, N_KEY], noted[n, N_METRES], noted[n, N_RAY], noted[n, N_AWAY] = key, metres, i, d
    noted[n, N_HEIGHT], noted[n, N_SLANT] = z, slant_m


@compiled
def note_cell(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    lifts: Any,
    row: int, column: int, corner: Any, nodes: Any, bulge_m: float, noted: Any,
) -> None:  # fmt: skip
    """Note columns on all four edges of a cell and, where its ground bulges, between them."""
    for k in range(4):
        first, second = (0, 0, 2, 1)[k], (1, 2, 3, 3)[k]
        u0, u1 = corner[first, 2], corner[second, 2]
        if not (u0 == u0 and u1 == u1):
            continue
        a0, s0, a1, s1 = corner[first, 0], corner[first, 1], corner[second, 0], corner[second, 1]
        share = edge_bound(a0, s0, u0, a1, s1, u1, frame)[2]
        off = np.arctan2(s0 + share * (s1 - s0), a0 + share * (a1 - a0))
        off_0, off_1 = np.arctan2(s0, a0), np.arctan2(s1, a1)
        left, right = ray_from(fan, min(off_0, off_1) - 1e-7), ray_until(fan, max(off_0, off_1) + 1e-7)
        if abs(off_0 - off_1) > np.pi:
            left, right = 0, fan[V_LAST]
        left, right = max(left, 0), min(right, fan[V_LAST])
        if left > right:
            continue
        start = min(max(ray_from(fan, off), left), right)
        upright, line = k == 1 or k == 3, (row, column, row + 1, column + 1)[k]
        for step in (-1, 1):
            i, group = start, -1
            while left <= i <= right:
                ray = ray_laid(fan, heading, terms, turns, rays, laid, i)
                aside = int(np.floor(np.rint(20.0 * np.rad2deg(ray[OFF_RAD])) / 10.0)) + 400
                if aside != group and (step < 0 or i > start):
                    group = aside
                    d, z = crossing(cells, part, ray, upright, line, frame)
                    if d != NO_CROSSING:
                        _note(ray, i, d, z, aside, frame, lifts, fan[V_STAMP], noted)
                    if bulge_m > 0.0:
                        d, z = crest(ray, frame, column, row, nodes)
                        if d != NO_CROSSING:
                            _note(ray, i, d, z, aside, frame, lifts, fan[V_STAMP], noted)
                i += step
