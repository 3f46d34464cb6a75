"""What stands off a roof's planes: chimneys, dormers, aerials, and parapets around flat parts."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.extraction.found import FoundWall, StandingOff, StandingOffKind
from skysill.extraction.plane_fit import PlaneFit
from skysill.extraction.plane_segments import Segments
from skysill.units import Floats, Ints

__all__ = ["SampleErrors", "dormer_planes", "find_parapets", "find_standing_off"]

_OFF_M = 0.3
"""Height over its plane from which a group of samples stands off."""

_DORMER_SHARE, _DORMER_M2 = 0.2, 12.0
"""A dormer's plane covers at most this share of the footprint, and this area."""

_EDGE_M = 0.5
_FLAT = 0.12
"""Planes that rise by less than this per metre are flat, and may have parapets."""

_PARAPET_IN_M = 0.75
_PARAPET_LOW_M, _PARAPET_HIGH_M = 0.12, 2.0
_THIN_LOW_M, _THIN_HIGH_M = 0.5, 4.0
"""One or two samples count as something only between these heights over the roof: lower is scatter, higher a bird."""

_CHIMNEY_M2, _AERIAL_M2 = 1.7, 0.45


@dataclass(frozen=True, slots=True)
class SampleErrors:
    """sigma_m : scatter of the samples; spacing_m : between them; vertical_m, horizontal_m : of the data as a whole.

    cells : whether the samples are cells of a raster, which spread what is thinner than they are
    """

    sigma_m: float
    spacing_m: float
    vertical_m: float
    horizontal_m: float
    cells: bool = False

    @property
    def top_m(self) -> float:
        """Standard error of the elevation of a thing's highest sample as its top."""
        return float(np.hypot(self.vertical_m, self.sigma_m))

    @property
    def place_m(self) -> float:
        """Standard error of a thing's place: its edge lies evenly between two samples, spacing / sqrt(12)."""
        return float(np.hypot(self.horizontal_m, self.spacing_m / np.sqrt(12.0)))


def dormer_planes(points_m: Floats, segments: Segments, footprint: Any, spacing_m: float) -> Ints:
    """Numbers of planes that stand off a larger neighbour: small, over it, and not at the footprint's edge.

    A lower extension reaches the edge, a hip lies under its neighbours' planes, a wing is large: none of them counts.
    """
    import shapely

    label, planes, near = segments.label, segments.planes, segments.neighbours
    found: list[int] = []
    sizes = np.array([np.count_nonzero(label == k) for k in range(len(planes))])
    for number in np.argsort(sizes):
        mine = label == number
        area = sizes[number] * spacing_m**2
        if not sizes[number] or area > min(_DORMER_SHARE * footprint.area, _DORMER_M2):
            continue
        plan = points_m[mine, :2]
        at_edge = shapely.distance(footprint.boundary, shapely.points(plan)) < max(_EDGE_M, 1.5 * spacing_m)
        if at_edge.mean() > 0.15:
            continue
        around = label[near[mine]].ravel()
        beside = [k for k in np.unique(around) if k >= 0 and k != number and sizes[k] > sizes[number]]
        if not beside:  # a gap all around: compared with the nearest larger plane
            larger = (label >= 0) & (sizes[np.maximum(label, 0)] > sizes[number]) & ~mine
            if not larger.any():
                continue
            away = np.hypot(*(points_m[larger, :2] - plan.mean(axis=0)).T)
            beside = [int(label[larger][away.argmin()])]
        base = max(beside, key=lambda k: np.count_nonzero(around == k))
        over = points_m[mine, 2] - planes[base].at(plan)
        limit = max(_OFF_M, 4.0 * segments.sigma_m)
        if (over > limit).mean() > 0.6 and np.median(over) > limit:
            found.append(int(number))
    return np.array(sorted(found), dtype=np.int64)


def find_standing_off(
    points_m: Floats,
    over_m: Floats,
    off: Any,
    near: Ints,
    planes_at: Ints,
    planes: Sequence[PlaneFit],
    directions: Floats,
    errors: SampleErrors,
) -> tuple[StandingOff, ...]:
    """Groups of samples over the roof's planes.

    Parameters
    ----------
    points_m : (n, 3); over_m : (n,) above the plane that is the roof there; off : (n,) bool, on no plane
    near : (n, k) neighbours; planes_at : (n,) the plane there
    directions : (d, 2) unit vectors along the walls, which the footprints follow
    """
    high = np.asarray(off) & (over_m > max(_OFF_M, 4.0 * errors.sigma_m))
    group = _groups(points_m, high, near, errors.spacing_m)
    found = []
    for number in range(group.max() + 1 if len(group) else 0):
        mine = group == number
        count = int(np.count_nonzero(mine))
        tall_m = float(over_m[mine].max())
        if count < 3 and not _THIN_LOW_M < tall_m < _THIN_HIGH_M:
            continue
        found.append(
            _thing(points_m[mine], over_m[mine], planes[int(_most(planes_at[mine]))], directions, errors)
        )
    found.sort(key=lambda one: (-one.height_m, one.centre_m))
    counts: dict[str, int] = {}
    named = []
    for one in found:
        counts[one.kind] = counts.get(one.kind, 0) + 1
        name = f"{one.kind if one.kind != 'other' else 'object on the roof'} {counts[one.kind]}"
        named.append(StandingOff(**{**_fields(one), "name": name}))
    return tuple(named)


def _fields(one: StandingOff) -> dict[str, Any]:
    return {label: getattr(one, label) for label in StandingOff.__dataclass_fields__}


def _most(values: Ints) -> int:
    found, counts = np.unique(values, return_counts=True)
    return int(found[counts.argmax()])


def _groups(points_m: Floats, chosen: Any, near: Ints, spacing_m: float) -> Ints:
    """(n,) group of chosen samples that are linked within 2.2 spacings; -1 for the others."""
    group = np.where(chosen, np.arange(len(points_m)), -1)
    if not len(points_m) or not near.size:
        return group
    here = np.repeat(np.arange(len(points_m)), near.shape[1])
    there = near.ravel()
    apart = np.hypot(*(points_m[here, :2] - points_m[there, :2]).T)
    link = (group[here] >= 0) & (group[there] >= 0) & (apart < 2.2 * spacing_m)
    here, there = here[link], there[link]
    for _ in range(len(points_m)):
        low = np.minimum(group[here], group[there])
        renewed = group.copy()
        np.minimum.at(renewed, here, low)
        np.minimum.at(renewed, there, low)
        if np.array_equal(renewed, group):
            break
        group = renewed
    numbers = np.unique(group[group >= 0])
    return np.where(group >= 0, np.searchsorted(numbers, group), -1)


def _thing(
    points_m: Floats, over_m: Floats, plane: PlaneFit, directions: Floats, errors: SampleErrors
) -> StandingOff:
    """One group as an upright block: its rectangle along the walls, half a spacing wider all round."""
    outline = _rectangle(points_m[:, :2], directions, errors.spacing_m / 2.0)
    base = float(plane.at(outline).min())
    area = len(points_m) * errors.spacing_m**2
    extent = np.ptp(points_m[:, :2], axis=0).max()
    kind: StandingOffKind
    scattered = float(np.std(over_m)) > 0.5 and extent > 0.6  # a crown over the roof
    if scattered:
        kind = "other"
    elif len(points_m) == 1 or (
        area <= _AERIAL_M2 and extent < 0.6 and np.std(over_m) > 3.0 * errors.sigma_m
    ):
        kind = "aerial"
    elif area <= _CHIMNEY_M2:
        kind = "chimney"
    elif np.hypot(*plane.slope) > _FLAT:
        kind = "dormer"
    else:
        kind = "other"
    return StandingOff(
        kind,
        tuple((float(e), float(n)) for e, n in outline),
        base,
        float(points_m[:, 2].max()),
        len(points_m),
        # how much of a single cell a thing fills is not known: its top may be twice as high over the roof
        float(np.hypot(errors.top_m, over_m.max() / len(points_m) if errors.cells else 0.0)),
        errors.place_m,
    )


def _rectangle(plan: Floats, directions: Floats, wider_m: float) -> Floats:
    """(4, 2) the smallest rectangle along one of the directions around places, widened; counter-clockwise."""
    best: tuple[float, Floats] | None = None
    for along in directions:
        frame = np.array([along, [-along[1], along[0]]])
        at = plan @ frame.T
        low, high = at.min(axis=0) - wider_m, at.max(axis=0) + wider_m
        area = float(np.prod(high - low))
        if best is None or area < best[0]:
            corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
            best = area, corners @ frame
    assert best is not None
    return best[1]


def find_parapets(
    points_m: Floats, footprint: Any, planes: Sequence[PlaneFit], label: Ints, errors: SampleErrors
) -> tuple[tuple[FoundWall, ...], Any]:
    """Upstands along the footprint's sides over flat planes, and which samples are on them.

    A side has a parapet where in at least six of ten of its metres (or three spacings, if that is more) some sample
    within 0.75 m of it stands 0.12 to 2 m over the flat plane nearest to it. Its top is the mean of those samples that
    reach nine tenths of the way to the highest ones.
    """
    import shapely

    taken = np.zeros(len(points_m), dtype=bool)
    flat = [k for k, fit in enumerate(planes) if np.hypot(*fit.slope) < _FLAT]
    if not flat:
        return (), taken
    walls: list[FoundWall] = []
    ring = shapely.get_coordinates(shapely.orient_polygons(footprint).exterior)
    on_flat = np.isin(label, flat)
    for a, b in itertools.pairwise(ring):
        length = float(np.hypot(*(b - a)))
        if length < max(1.5, 4.0 * errors.spacing_m):
            continue
        along = (b - a) / length
        inward = np.array([-along[1], along[0]])
        at, deep = (points_m[:, :2] - a) @ along, (points_m[:, :2] - a) @ inward
        strip = (at > 0.0) & (at < length) & (deep > -0.1)
        support = strip & on_flat & (deep < 4.0)
        if np.count_nonzero(support) < 5:
            continue
        fit = planes[_most(label[support])]
        over = points_m[:, 2] - fit.at(points_m[:, :2])
        lowest = max(_PARAPET_LOW_M, 4.0 * errors.sigma_m)
        raised = strip & (deep < _PARAPET_IN_M) & (over > lowest) & (over < _PARAPET_HIGH_M)
        bins = max(2, int(length / max(1.0, 3.0 * errors.spacing_m)))
        filled = np.unique(np.minimum((at[raised] / length * bins).astype(int), bins - 1)).size
        if filled < 0.6 * bins or np.count_nonzero(raised) < 4:
            continue
        level = over[raised]
        top = float(level[level >= 0.9 * np.quantile(level, 0.9)].mean())
        if float(np.std(level[level >= 0.9 * np.quantile(level, 0.9)])) > 0.3:
            continue
        taken |= raised
        ends = fit.at(np.array([a, b])) + top
        line = tuple((float(p[0]), float(p[1]), float(up)) for p, up in zip((a, b), ends, strict=True))
        walls.append(
            FoundWall("parapet", line, None, errors.top_m, errors.place_m, name=f"parapet {len(walls) + 1}",
                      ground_elevation_m=float(fit.at(np.array([a, b])).min()))
        )  # fmt: skip
    return tuple(walls), taken
