"""Where a mast may stand: what is refused of every spot that a search or a remedy would offer, and why.

A mount that somebody names in a site file is not held to this: they have seen the place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.horizon.roof_surface import OWN_ROOF, roof_elevation_m
from skysill.model.job import Job
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import Roof
from skysill.units import Bools, Floats

__all__ = ["EAVES_M", "Standing", "standing"]

EAVES_M = 1.0
"""How far in from a roof's edge the ground under it may still be outside the walls: common practice, no source."""

_ON_M = 0.05
"""A foot no deeper than this below a surface stands on it: the rounding of typed elevations."""

_ON_ROOF_M = 0.3
"""The same for a roof's own surface, whose facets and rasters differ by more."""

_STACK_M2 = 4.0
"""A block with a smaller plan than this is a chimney, a flue or a tank, and nothing is stood on it.

Common practice, no source.
"""


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Whether masts may stand at n spots.

    free : (n,) bool, at the heights asked for
    headroom_m : (n,) tallest dish centre above the surface before the dish meets what is overhead; inf: open sky, 0
        where the foot itself may not be there
    reasons : one for each spot, None where it is free
    """

    free: Bools
    headroom_m: Floats
    reasons: tuple[str | None, ...]


def standing(
    job: Job,
    east_m: ArrayLike,
    north_m: ArrayLike,
    surface_elevation_m: ArrayLike,
    height_m: ArrayLike = 0.0,
    *,
    half_width_m: float | None = None,
) -> Standing:
    """Whether a mast may stand at each spot, and its dish be where the mast holds it.

    Refused are: a foot inside a building, in a keep-out area of the roof, on a chimney or beyond the property
    boundary; a mast that would go through a slab, a canopy, a panel or a crown; a dish that would reach over the
    boundary or into a crown. Under eaves, no farther in than `EAVES_M`, and close beside a wall are places like others.

    Parameters
    ----------
    east_m, north_m, surface_elevation_m : (n,) the mast's foot; elevation in the frame of the scene
    height_m : (n,) or one, dish centre above the foot
    half_width_m : of the dish; default half the terminal's diameter

    >>> from skysill.model.obstacle_builders import building
    >>> from skysill.model.job import Sources
    >>> from skysill.model.site import Satellite, Site
    >>> hall = building("hall", [[0, 0], [9, 0], [9, 9], [0, 9]], ground_elevation_m=0.0, height_m=5.0)
    >>> job = Job(Site("here", 0.0, 0.0), (Satellite("S", 0.0),), sources=Sources(scene=Scene((hall,))))
    >>> standing(job, [4.0, 4.0, -0.3], [4.0, 4.0, 4.0], [0.0, 5.0, 0.0], 2.0).reasons
    ('inside "hall"', None, None)
    """
    foot = np.column_stack(
        [np.atleast_1d(np.asarray(a, dtype=np.float64)) for a in (east_m, north_m, surface_elevation_m)]
    )
    height = np.broadcast_to(np.asarray(height_m, dtype=np.float64), (len(foot),))
    half_m = job.terminal.dish_diameter_m / 2.0 if half_width_m is None else half_width_m
    found = _Marking(len(foot))
    _mark_boundary(found, job, foot, half_m)
    _mark_own_roof(found, job.roof, foot, height, half_m)
    scene: Scene | None = job.sources.scene
    if scene is not None:
        others = _without_own_roof(scene)
        _mark_solids(found, others, foot)
        _mark_roofs_overhead(found, others, foot, height, half_m)
        _mark_trees(found, others, foot, height, half_m)
    return Standing(
        free=np.array([reason is None for reason in found.reasons], dtype=bool),
        headroom_m=np.where(found.shut, 0.0, found.headroom_m),
        reasons=tuple(found.reasons),
    )


class _Marking:
    """Reasons and headroom while they are being found; the first reason stays."""

    def __init__(self, count: int) -> None:
        self.reasons: list[str | None] = [None] * count
        self.headroom_m: Floats = np.full(count, np.inf)
        self.shut: Bools = np.zeros(count, dtype=bool)

    def refuse(self, spots: Bools, reason: str, *, foot: bool = True) -> None:
        """`foot`: the foot itself may not be there, whatever the height."""
        for at in np.flatnonzero(spots):
            self.reasons[at] = self.reasons[at] or reason
        if foot:
            self.shut |= spots


def _polygon(ring: Sequence[Sequence[float]] | Floats) -> Any:
    import shapely

    return shapely.Polygon([(point[0], point[1]) for point in ring])


def _mark_boundary(found: _Marking, job: Job, foot: Floats, half_m: float) -> None:
    if not job.property_boundary:
        return
    import shapely

    ground = _polygon(job.property_boundary)
    inside = shapely.intersects_xy(ground, foot[:, 0], foot[:, 1])
    found.refuse(~inside, "beyond the property boundary")
    gap_m = shapely.distance(ground.exterior, shapely.points(foot[:, :2]))
    found.refuse(inside & (gap_m < half_m), "so near the property boundary that the dish reaches over it")


def _mark_own_roof(found: _Marking, roof: Roof | None, foot: Floats, height: Floats, half_m: float) -> None:
    """Keep-out areas, and the house under its own roof.

    Where no elevation of the roof is given, whoever asks about a spot inside the outline means the roof.
    """
    if roof is None:
        return
    import shapely

    outline = _polygon(roof.outline)
    inside = shapely.intersects_xy(outline, foot[:, 0], foot[:, 1])
    own_m = np.full(len(foot), np.nan)
    if roof.shaped and inside.any():
        own_m[inside] = roof_elevation_m(roof, *foot[inside, :2].T)
    below = inside & (own_m - foot[:, 2] > _ON_ROOF_M)
    for number, ring in enumerate(roof.keep_out, start=1):
        there = shapely.intersects_xy(_polygon(ring), foot[:, 0], foot[:, 1]) & ~below
        which = f" {number}" if len(roof.keep_out) > 1 else ""
        found.refuse(there, f"in keep-out area{which} of the roof")
    deep = below & (shapely.distance(outline.exterior, shapely.points(foot[:, :2])) > EAVES_M)
    found.refuse(deep, "inside the house, under its own roof")
    room_m = np.where(below & ~deep, np.maximum(own_m - foot[:, 2] - half_m, 0.0), np.inf)
    found.refuse(height > room_m, "under the eaves, where the mast would go through", foot=False)
    found.headroom_m = np.minimum(found.headroom_m, room_m)


def _without_own_roof(scene: Scene) -> Scene:
    return scene.kept([o.name != OWN_ROOF for o in scene.obstacles])


def _mark_solids(found: _Marking, scene: Scene, foot: Floats) -> None:
    """Feet inside buildings and posts, and on top of chimneys."""
    solid = scene.kept([_solid(o) for o in scene.obstacles])
    wanted = solid.obstacles
    if not wanted:
        return
    up_m = solid.overhead_m(foot + np.array([0.0, 0.0, _ON_M]))
    small = solid.kept([o.shape == "column" or _plan_area_m2(o) < _STACK_M2 for o in wanted])
    under_m = small.overhead_m(foot - np.array([0.0, 0.0, _ON_M]))
    for column, o in enumerate(wanted):
        found.refuse(np.isfinite(up_m[:, column]), f'inside "{o.name}"')
    for column, o in enumerate(small.obstacles):
        found.refuse(np.isfinite(under_m[:, column]), f'on top of "{o.name}"')


def _solid(o: Obstacle) -> bool:
    return (o.stands and o.shape in ("prism", "facet")) or (o.shape == "column" and o.crown is None)


def _plan_area_m2(o: Obstacle) -> float:
    return float(sum(_polygon(area[0]).area for area in o.areas_m)) if o.areas_m else np.inf


def _mark_roofs_overhead(found: _Marking, scene: Scene, foot: Floats, height: Floats, half_m: float) -> None:
    """Slabs, canopies, panels and roof planes over the foot: no mast goes through them."""
    flat = scene.kept([o.shape == "facet" and not o.stands for o in scene.obstacles])
    slabs = flat.obstacles
    if not slabs:
        return
    import shapely

    up_m = flat.overhead_m(foot + np.array([0.0, 0.0, _ON_M])) + _ON_M
    least_m = up_m.min(axis=1)
    covered = np.isfinite(least_m)
    if not covered.any():
        return
    plan = shapely.union_all(
        [shapely.buffer(_polygon(ring), 1e-3) for o in slabs for area in o.areas_m for ring in area[:1]]
    )
    inside_m = shapely.distance(shapely.boundary(plan), shapely.points(foot[:, :2]))
    for at, o in enumerate(slabs):
        first = covered & (up_m.argmin(axis=1) == at)
        found.refuse(first & (inside_m > EAVES_M), f'under "{o.name}"')
        found.refuse(
            first & (height > least_m - half_m),
            f'under "{o.name}", where the mast would go through',
            foot=False,
        )
    found.headroom_m = np.minimum(found.headroom_m, np.maximum(least_m - half_m, 0.0))


def _mark_trees(found: _Marking, scene: Scene, foot: Floats, height: Floats, half_m: float) -> None:
    """Trunks, masts through crowns, and dishes in leaves: crowns are taken wider by the dish's half width."""
    wood = scene.kept([o.shape == "column" and o.crown is not None for o in scene.obstacles])
    trees = wood.obstacles
    if not trees:
        return
    up_m = wood.overhead_m(foot + np.array([0.0, 0.0, _ON_M])) + _ON_M
    dish = foot + np.column_stack([np.zeros((len(foot), 2)), height])
    into = Scene(tuple(_widened(o, half_m) for o in trees)).holding(dish)
    rooted = wood.holding(foot + np.array([0.0, 0.0, _ON_M]))
    for at, o in enumerate(trees):
        found.refuse(rooted[:, at], f'in "{o.name}"')
        inside = into[:, at] | (up_m[:, at] < height)
        found.refuse(inside, f'in the crown of "{o.name}"', foot=False)
    found.headroom_m = np.minimum(found.headroom_m, np.maximum(up_m.min(axis=1) - half_m, 0.0))


def _widened(o: Obstacle, by_m: float) -> Obstacle:
    line_m = o.line_m + np.array([0.0, 0.0, by_m])
    cut_m = None if o.cut_m is None else o.cut_m + by_m
    return replace(
        o,
        line_m=line_m,
        cut_m=cut_m,
        crown_radius_m=o.crown_radius_m + by_m,
        crown_base_m=o.crown_base_m - by_m,
    )
