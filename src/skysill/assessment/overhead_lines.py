"""How near overhead lines come to a mast, to its raising, to people and to ladders, for many spots at once.

Geometry only; the sentences stand in `cautions`. A line's sag is already drawn into its vertices.

Sources, from memory: 29 CFR 1926.1408 Table A (OSHA), minimum approach distances by voltage; 29 CFR 1926.1053(b)(1)
and (b)(5)(i), a ladder reaches 3 ft (0.9 m) over its landing and stands a quarter of its working length out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.horizon.roof_surface import roof_elevation_m
from skysill.horizon.terrain import ground_at
from skysill.model.job import Job
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import Roof
from skysill.model.survey import Survey
from skysill.units import Bools, Floats, Ints

__all__ = [
    "APPROACH_M",
    "LINE_RANK",
    "LineDistances",
    "approach_distance_m",
    "error_allowance_m",
    "ladders_m",
    "line_distances",
    "lines_listed",
    "near_lines",
    "trees_at_lines",
]

_FOOT_M = 0.3048

_TABLE_A_KV_FT = ((50.0, 10.0), (200.0, 15.0), (350.0, 20.0), (500.0, 25.0), (750.0, 35.0), (1000.0, 45.0))
"""Up to so many kilovolts: so many feet. 29 CFR 1926.1408 Table A (from memory)."""

APPROACH_M = 3.05
"""Least approach to a line of up to 50 kV, and of one whose voltage nobody gave: 10 ft, rounded up."""

SHOULDER_M = 1.5
"""Height of the shoulder of somebody who stands: common practice, no source."""

ARM_M = 1.0
"""Reach from the shoulder all round, tool in hand, so 2.5 m up: common practice, no source."""

LADDER_SLOPE = 0.25
"""Ladder foot out over height: 29 CFR 1926.1053(b)(5)(i) (from memory)."""

LADDER_OVER_M = 0.9
"""Ladder above its landing, 3 ft: 29 CFR 1926.1053(b)(1) (from memory)."""

LADDER_FROM_M = 2.0
"""Higher than this above the ground, a spot is reached by ladder: common practice, no source."""

ERROR_FACTOR = 2.0
"""Standard deviations of the stated errors that are kept free: common practice, no source."""

LINE_RANK = {0: "", 1: "overhead-line-reach", 2: "overhead-line"}
"""What `LineDistances.severity` counts, as caution codes."""

_MOST_PAIRS = 200_000


def approach_distance_m(voltage_kv: float | None) -> float:
    """Minimum approach distance to an overhead line, 29 CFR 1926.1408 Table A; None: taken as up to 50 kV.

    Raises
    ------
    InputError : no voltage, or over 1000 kV, for which the line's owner sets the distance

    >>> approach_distance_m(None), round(approach_distance_m(132.0), 2)
    (3.05, 4.58)
    """
    if voltage_kv is None:
        return APPROACH_M
    for most_kv, feet in _TABLE_A_KV_FT:
        if 0.0 < voltage_kv <= most_kv:
            return float(np.ceil(feet * _FOOT_M * 100.0) / 100.0)
    raise InputError(
        f"{voltage_kv:g} kV is no voltage of an overhead line.",
        where="voltage_kv",
        mend="Give kilovolts, up to 1000; above that ask the line's owner.",
    )


def error_allowance_m(wire: Obstacle, survey: Survey) -> float:
    """Kept free beyond the approach distance: twice the stated errors of the mount's place and the line's, together.

    In plan or in height, whichever is larger, each the root of the summed squares.

    >>> from skysill.model.obstacle_builders import wire
    >>> round(error_allowance_m(wire("service wire", [[-9, 5, 46.0], [9, 5, 46.0]]), Survey()), 2)
    0.72
    """
    plan = np.hypot(survey.position_error_m, max(wire.errors.along_m, wire.errors.across_m))
    height = np.hypot(survey.height_error_m, wire.errors.height_m)
    return float(ERROR_FACTOR * max(plan, height))


@dataclass(frozen=True, slots=True, eq=False)
class LineDistances:
    """Distances of spots from each overhead line, metres, as drawn (without the allowance for errors).

    names : (wire,); approach_m : (wire,) distance to be kept from each; allowance_m : (wire,) for the stated errors
    reach_m : (spot,) from the mast's foot to the far rim of the dish
    mast_m : (spot, wire) mast and dish at full height, dish turned any way
    raising_m : (spot, wire) the same while it swings about its foot; 0 or less: it can touch
    person_m : (spot, wire) somebody who stands at the spot
    ladder_m : (spot, wire) somebody on the ladder or at its foot; inf where none is needed
    ladder_raising_m : (spot, wire) the ladder while it swings about its foot
    in_plan : (spot,) bool, no elevation known: plan distances stand in, which are never too long
    """

    names: tuple[str, ...]
    approach_m: Floats
    allowance_m: Floats
    reach_m: Floats
    mast_m: Floats
    raising_m: Floats
    person_m: Floats
    ladder_m: Floats
    ladder_raising_m: Floats
    in_plan: Bools

    @property
    def kept_m(self) -> Floats:
        """(wire,) approach distance with the allowance."""
        return self.approach_m + self.allowance_m

    @property
    def too_near(self) -> Bools:
        """(spot, wire) mast, person or ladder stand within the distance: no careful handling helps."""
        return np.asarray(np.minimum(np.minimum(self.mast_m, self.person_m), self.ladder_m) < self.kept_m)

    @property
    def in_reach(self) -> Bools:
        """(spot, wire) mast or ladder could come within the distance while they are raised."""
        return np.asarray(np.minimum(self.raising_m, self.ladder_raising_m) < self.kept_m)

    @property
    def severity(self) -> Ints:
        """(spot,) 0: every distance is kept; 1: `in_reach` of a line; 2: `too_near` one. Ranks spots."""
        return np.where(self.too_near.any(axis=1), 2, np.where(self.in_reach.any(axis=1), 1, 0)).astype(
            np.int64
        )

    @property
    def flagged(self) -> Bools:
        """(spot,) bool, anything of the two."""
        return np.asarray(self.severity > 0)


def near_lines(
    job: Job, foot_m: ArrayLike, tall_m: ArrayLike, *, ground_elevation_m: float | None = None
) -> LineDistances:
    """Distances of a job's spots from its listed overhead lines; `line_distances` with the job's own settings.

    Parameters
    ----------
    foot_m : (spot, 3) east, north, elevation of what the mount stands on; nan where no elevation is known
    tall_m : (spot,) or one number, tallest height of the dish centre above it that is offered
    ground_elevation_m : for ladders; default the site's, or what its rasters say there

    >>> from skysill.model.site import Site
    >>> near_lines(Job(Site("a", 58.0, -24.0), ()), [[0.0, 0.0, 41.0]], 2.0).flagged
    array([False])
    """
    scene = job.sources.scene
    ground_m = job.site.ground_elevation_m if ground_elevation_m is None else ground_elevation_m
    if ground_m is None and lines_listed(scene):
        ground_m = _site_ground_m(job)
    return line_distances(
        scene,
        foot_m,
        tall_m,
        dish_diameter_m=job.terminal.dish_diameter_m,
        ladders=ladders_m(job.roof, foot_m, ground_m) if lines_listed(scene) else None,
        survey=job.sources.survey,
    )


def lines_listed(scene: Scene | None) -> bool:
    """Whether any overhead line is among the obstacles."""
    return scene is not None and any(o.kind == "wire" for o in scene.obstacles)


def _site_ground_m(job: Job) -> float | None:
    """The ground at the site's position from its rasters, the finest that has it; None where none has."""
    if not job.sources.rasters:
        return None
    value, _ = ground_at(job.sources.rasters, job.site.latitude_deg, job.site.longitude_deg)
    ground_m = float(np.asarray(value).reshape(-1)[0])
    return None if np.isnan(ground_m) else ground_m


def line_distances(
    scene: Scene | None,
    foot_m: ArrayLike,
    tall_m: ArrayLike,
    *,
    dish_diameter_m: float,
    ladders: tuple[Floats, Floats] | None = None,
    survey: Survey | None = None,
) -> LineDistances:
    """Distances of spots from a scene's overhead lines.

    Parameters
    ----------
    foot_m : (spot, 3); tall_m : (spot,) dish centre above it; both as in `near_lines`
    ladders : foot and head (spot, 2, 3) and how far aside it may stand (spot,), of `ladders_m`; None: no ladder
    survey : with the stated errors of the mount's place; default those of `Survey`

    Returns
    -------
    LineDistances, with no wire where the scene has none
    """
    foot = np.array(foot_m, dtype=np.float64).reshape(-1, 3)
    tall = np.broadcast_to(np.asarray(tall_m, dtype=np.float64), (len(foot),))
    wires = () if scene is None else tuple(o for o in scene.obstacles if o.kind == "wire")
    flat = np.isnan(foot[:, 2])
    up = np.where(flat, 0.0, tall)
    foot[flat, 2] = 0.0
    half_m = dish_diameter_m / 2.0
    reach_m = tall + half_m
    shape = (len(foot), len(wires))
    mast, raising, person, ladder, swung = (np.full(shape, np.inf) for _ in range(5))
    top = _above(foot, up)
    for k, wire in enumerate(wires):
        line = np.asarray(wire.line_m, dtype=np.float64)
        to_foot = _apart_m(foot, foot, line, flat)
        mast[:, k] = np.minimum(_apart_m(foot, top, line, flat), _apart_m(top, top, line, flat) - half_m)
        raising[:, k] = to_foot - reach_m
        standing = _above(foot, np.where(flat, 0.0, SHOULDER_M))
        person[:, k] = _apart_m(foot, standing, line, flat) - ARM_M
        if ladders is not None:
            ladder[:, k], swung[:, k] = _from_ladder_m(*ladders, line)
    return LineDistances(
        names=tuple(wire.name for wire in wires),
        approach_m=np.array([approach_distance_m(wire.voltage_kv) for wire in wires]),
        allowance_m=np.array([error_allowance_m(wire, survey or Survey()) for wire in wires]),
        reach_m=reach_m,
        mast_m=np.maximum(mast, 0.0),
        raising_m=raising,
        person_m=np.maximum(person, 0.0),
        ladder_m=np.maximum(ladder, 0.0),
        ladder_raising_m=swung,
        in_plan=flat,
    )


def _from_ladder_m(ends_m: Floats, aside_m: Floats, line: Floats) -> tuple[Floats, Floats]:
    """Distances (spot,) of somebody on a ladder or at either end of it, and of the ladder while it swings."""
    needed = np.isfinite(ends_m).all(axis=(1, 2))
    standing, swung = np.full(len(ends_m), np.inf), np.full(len(ends_m), np.inf)
    if needed.any():
        low, high = ends_m[needed, 0], ends_m[needed, 1]
        level = np.zeros(len(low), dtype=bool)
        along = _apart_m(low, high, line, level)
        for end in (low, high):
            along = np.minimum(along, _apart_m(end, _above(end, SHOULDER_M), line, level))
        standing[needed] = along - np.maximum(aside_m[needed], ARM_M)
        length_m = np.linalg.norm(high - low, axis=1) + LADDER_OVER_M
        swung[needed] = _apart_m(low, low, line, level) - aside_m[needed] - length_m
    return standing, swung


def trees_at_lines(scene: Scene | None) -> tuple[str, ...]:
    """Names of the trees whose crown or trunk stands within the approach distance of an overhead line, or shades one.

    Such trees are cut by the line's owner or people that he sends. Measured from crown and trunk as upright
    cylinders, so never too far.

    >>> from skysill.model.obstacle_builders import tree, wire
    >>> ash = tree("ash", (0.0, 0.0), ground_elevation_m=40.0, height_m=9.0, crown_radius_m=3.0)
    >>> trees_at_lines(Scene((ash, wire("service wire", [[-9, 5, 46.0], [9, 5, 46.0]]))))
    ('ash',)
    """
    wires = () if scene is None else tuple(o for o in scene.obstacles if o.kind == "wire")
    if scene is None or not wires:
        return ()
    return tuple(
        o.name
        for o in scene.obstacles
        if o.kind == "tree" and o.shape == "column" and any(_tree_apart_m(o, w) <= _kept_m(w) for w in wires)
    )


def _kept_m(wire: Obstacle) -> float:
    return approach_distance_m(wire.voltage_kv)


def _tree_apart_m(tree: Obstacle, wire: Obstacle) -> float:
    """Distance of a wire from a tree's upright cylinder of its crown's width, from the ground to its top."""
    foot = np.array([[*tree.line_m[0, :2], tree.ground_elevation_m]])
    top = _above(foot, tree.top_elevation_m - tree.ground_elevation_m)
    width_m = max(tree.crown_radius_m if tree.crown is not None else 0.0, tree.radius_m)
    return float(_apart_m(foot, top, np.asarray(wire.line_m), np.zeros(1, dtype=bool))[0]) - width_m


def ladders_m(roof: Roof | None, foot_m: ArrayLike, ground_m: float | None) -> tuple[Floats, Floats] | None:
    """Where the ladder to each spot would stand, as far as that is known.

    To a spot on the roof: on the nearest edge, its foot a quarter of its height out from it. To any other spot over
    2 m up, as a bracket on a wall: on any side of it, as an upright of which the foot may stand a quarter aside.

    Returns
    -------
    (spot, 2, 3) foot and head, nan where none is needed, and (spot,) how far aside it may stand, m. None where the
    ground's elevation is unknown
    """
    if ground_m is None:
        return None
    import shapely

    foot = np.array(foot_m, dtype=np.float64).reshape(-1, 3)
    ends, aside = np.full((len(foot), 2, 3), np.nan), np.zeros(len(foot))
    height = foot[:, 2] - ground_m
    loose = height > LADDER_FROM_M
    ends[loose, 0], ends[loose, 1] = foot[loose], foot[loose]
    ends[loose, 0, 2] = ground_m
    aside[loose] = LADDER_SLOPE * height[loose]
    if roof is None:
        return ends, aside
    whole = shapely.Polygon(roof.outline)
    on = np.isfinite(foot[:, 2]) & shapely.covers(whole, shapely.points(foot[:, :2]))
    if not on.any():
        return ends, aside
    ring = whole.exterior
    edge = shapely.get_coordinates(ring.interpolate(ring.project(shapely.points(foot[on, :2]))))
    gap = edge - foot[on, :2]
    away = np.linalg.norm(gap, axis=1, keepdims=True)
    out = np.where(away > 1e-9, gap / np.maximum(away, 1e-9), 0.0)
    eaves = roof_elevation_m(roof, *(edge - 1e-3 * out).T)
    eaves = np.where(np.isnan(eaves), foot[on, 2], eaves)
    rise = np.maximum(eaves - ground_m, 0.0)
    ends[on, 0] = np.column_stack([edge + LADDER_SLOPE * rise[:, None] * out, np.full(len(edge), ground_m)])
    ends[on, 1] = np.column_stack([edge, eaves])
    aside[on] = 0.0
    return ends, aside


def _above(foot: Floats, rise_m: ArrayLike) -> Floats:
    top = foot.copy()
    top[:, 2] += np.asarray(rise_m, dtype=np.float64)
    return top


def _apart_m(start: Floats, stop: Floats, line: Floats, flat: Bools) -> Floats:
    """(n,) least distance between segments start to stop (n, 3) and a polyline (vertex, 3); in plan where `flat`.

    Of two segments: the common normal of their lines, its ends held inside (from memory).
    """
    least = np.empty(len(start))
    rows = max(1, _MOST_PAIRS // max(1, len(line) - 1))
    for first in range(0, len(start), rows):
        part = slice(first, first + rows)
        least[part] = _block_apart_m(start[part], stop[part], line, flat[part])
    return least


def _block_apart_m(start: Floats, stop: Floats, line: Floats, flat: Bools) -> Floats:
    scale = np.where(flat[:, None], [1.0, 1.0, 0.0], 1.0)[:, None, :]
    u = (stop - start)[:, None, :] * scale
    v = np.diff(line, axis=0)[None] * scale
    w = (start[:, None, :] - line[None, :-1]) * scale
    uu, vv, uv = (u * u).sum(axis=2), (v * v).sum(axis=2), (u * v).sum(axis=2)
    wu, wv = (w * u).sum(axis=2), (w * v).sum(axis=2)
    det = uu * vv - uv**2
    tiny = 1e-12
    s = np.where(det > tiny, (uv * wv - vv * wu) / np.where(det > tiny, det, 1.0), 0.0).clip(0.0, 1.0)
    t = ((wv + s * uv) / np.where(vv > tiny, vv, 1.0)).clip(0.0, 1.0)
    s = np.where(uu > tiny, (t * uv - wu) / np.where(uu > tiny, uu, 1.0), 0.0).clip(0.0, 1.0)
    gap = w + s[..., None] * u - t[..., None] * v
    return np.asarray(np.sqrt((gap * gap).sum(axis=2)).min(axis=1))
