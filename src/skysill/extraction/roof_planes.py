"""A roof's planes, lines and what stands on them, from points or from a surface raster within a footprint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.extraction.footprint_shift import moved_footprint, sound_footprint
from skysill.extraction.found import FoundRoof, FoundWall, Point2, Ring2, SurveyData
from skysill.extraction.highest_cells import lowered_to_centres, with_true_tops
from skysill.extraction.plane_fit import PlaneFit, nearest_neighbours
from skysill.extraction.plane_segments import NEIGHBOURS, Segments, segment_planes
from skysill.extraction.roof_facets import cut_facets, found_planes, polygons_of, unsupported
from skysill.extraction.roof_form_fit import fit_form
from skysill.extraction.roof_partition import partition_footprint, roof_lines, wall_directions
from skysill.extraction.standing_off import SampleErrors, dormer_planes, find_parapets, find_standing_off
from skysill.model.default_errors import CellValue
from skysill.units import Bools, Floats, Ints

__all__ = ["COARSEST_CELL_M", "roof_from_points", "roof_from_surface"]

COARSEST_CELL_M = 1.0
"""Cells larger than this show no plane of a house that could be believed."""

_LEAST_SAMPLES = 9
_LEAST_AREA_M2 = 1.5
_LEAST_HEIGHT_M = 1.8
"""Samples less than this above the ground are no roof."""

_MOST_SAMPLES = 12_000
_LEAST_WIDTH_M = 0.6
_SPARSE_M = 0.45
"""From this distance between samples on, a form fitted as a whole is tried beside the planes."""

_CAP_M = 0.3
_SEED = 20260614


def roof_from_points(
    points_m: ArrayLike,
    outline_m: ArrayLike,
    *,
    data: SurveyData,
    holes_m: Sequence[ArrayLike] = (),
    ground_elevation_m: ArrayLike | None = None,
    move_at_most_m: float = 2.0,
) -> FoundRoof:
    """The roof over a footprint from scattered points.

    Parameters
    ----------
    points_m : (n, 3) east, north, elevation; those outside the footprint are passed over
    outline_m, holes_m : rings (vertex, 2) of the footprint
    data : origin and errors of the points
    ground_elevation_m : of the bare ground, one number or (n,) below each point; points less than 1.8 m above it are no
        roof, nan says nothing. None: the lowest twentieth of all points given, inside and out, if that lies 1.8 m and
        more below most of those inside
    move_at_most_m : the footprint is moved by up to so much along each axis where it lies beside the building that the
        points show, and a note says so; 0 leaves it

    Returns
    -------
    FoundRoof : its planes fill the footprint except where the samples carry none (`unknown_m`)

    Raises
    ------
    InputError : a footprint that crosses itself or encloses nothing; points that are not (n, 3)
    """
    footprint = sound_footprint(outline_m, holes_m)
    points = np.asarray(points_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise InputError("points are not of east, north and elevation.", where="points")
    points, ground_m = _known(points, ground_elevation_m)
    high = _high(points, footprint, ground_m)
    footprint, notes = moved_footprint(footprint, points[:, :2], high, at_most_m=move_at_most_m, least_m=0.3)
    roof = _roof(points[high], footprint, data, NEIGHBOURS)
    return replace(roof, notes=(*notes, *roof.notes))


def roof_from_surface(
    east_m: ArrayLike,
    north_m: ArrayLike,
    surface_m: ArrayLike,
    outline_m: ArrayLike,
    *,
    cell_m: float,
    cells: CellValue = "mean",
    data: SurveyData,
    holes_m: Sequence[ArrayLike] = (),
    ground_elevation_m: ArrayLike | None = None,
    move_at_most_m: float = 2.0,
) -> FoundRoof:
    """The roof over a footprint from a surface raster of 1 m or finer.

    Parameters
    ----------
    east_m, north_m : of the cells' centres in the site's frame, broadcast with surface_m
    surface_m : (row, col) elevations, nan where unknown
    cell_m : side of a cell; cells : what its value is. The highest point of a cell on a slope lies over its centre;
        such cells are brought down by what their slope makes of it
    ground_elevation_m, move_at_most_m : as for `roof_from_points`; (row, col) where it is not one number

    Notes
    -----
    Cells that the footprint's sides run through hold roof and ground together; only cells whose centre is at least half
    a cell inside are used. A plane needs nine of them, so on 1 m cells small hips are not found, and the part that they
    would be is either taken for a neighbouring plane or left unknown.

    Raises
    ------
    InputError : cells over 1 m, arrays that do not fit together, a bad footprint
    """
    if not 0.0 < cell_m <= COARSEST_CELL_M:
        raise InputError(
            f"a raster of {cell_m:g} m cells shows no roof planes.",
            where="surface",
            mend=f"Give cells of {COARSEST_CELL_M:g} m or finer, or a laser scan.",
        )
    footprint = sound_footprint(outline_m, holes_m)
    try:
        east, north, surface = np.broadcast_arrays(
            *(np.asarray(values, dtype=np.float64) for values in (east_m, north_m, surface_m))
        )
    except ValueError:
        raise InputError("the raster's coordinates do not fit its cells.", where="surface") from None
    if ground_elevation_m is not None and np.ndim(ground_elevation_m):
        ground_elevation_m = np.ravel(ground_elevation_m)
    points = np.column_stack([east.ravel(), north.ravel(), surface.ravel()])
    points, ground_m = _known(points, ground_elevation_m)
    high = _high(points, footprint, ground_m)
    footprint, notes = moved_footprint(
        footprint, points[:, :2], high, at_most_m=move_at_most_m, least_m=max(0.3, cell_m)
    )
    data = replace(data, cell_m=cell_m)
    points = _on_the_roof(points[high], footprint, data).points_m
    if cells == "highest":
        lowered, error_m = lowered_to_centres(points, _axes(east, north), cell_m)
        data = replace(data, vertical_error_m=float(np.hypot(data.vertical_error_m, error_m)))
        roof = with_true_tops(_roof(lowered, footprint, data, 8), points)
    else:
        roof = _roof(points, footprint, data, 8)
    return replace(roof, notes=(*notes, *roof.notes))


def _axes(east: Floats, north: Floats) -> Floats:
    """(2, 2) unit vectors along the rows and the columns of a raster's cell centres."""
    steps = np.array([[east[0, -1] - east[0, 0], north[0, -1] - north[0, 0]],
                      [east[-1, 0] - east[0, 0], north[-1, 0] - north[0, 0]]])  # fmt: skip
    length = np.hypot(*steps.T)
    return np.asarray(np.where(length[:, None] > 0.0, steps / np.maximum(length, 1e-9)[:, None], np.eye(2)))


def _known(points: Floats, ground_elevation_m: ArrayLike | None) -> tuple[Floats, Floats | None]:
    """Samples that are numbers, and the ground below each, None where it is not given."""
    known = np.isfinite(points).all(axis=1)
    if ground_elevation_m is None:
        return points[known], None
    try:
        ground_m = np.broadcast_to(np.asarray(ground_elevation_m, dtype=np.float64), len(points))
    except ValueError:
        raise InputError("is not one for each sample.", where="ground_elevation_m") from None
    return points[known], np.asarray(ground_m[known])


def _high(points: Floats, footprint: Any, ground_m: Floats | None) -> Bools:
    """(n,) whether each sample is high enough above the ground to be roof."""
    import shapely

    if ground_m is not None:
        return np.asarray(~(points[:, 2] <= ground_m + _LEAST_HEIGHT_M))
    everything = np.ones(len(points), dtype=bool)
    inside = shapely.contains_xy(footprint, points[:, 0], points[:, 1]) if len(points) else everything
    if not inside.any():
        return everything
    low_m, most_m = float(np.quantile(points[:, 2], 0.05)), float(np.median(points[inside, 2]))
    return everything if most_m - low_m <= _LEAST_HEIGHT_M else points[:, 2] > low_m + _LEAST_HEIGHT_M


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """Samples of the roof. points_m : (n, 3); spacing_m : root of the plan area per sample."""

    points_m: Floats
    spacing_m: float


@dataclass(frozen=True, slots=True, eq=False)
class _Surface:
    """One way to explain the samples.

    facets : (number of the plane, polygon); label : (n,) the plane of each sample, negative for none
    near : (n, k) neighbours; parapets, raised : upstands and which samples are on them
    """

    planes: tuple[PlaneFit, ...]
    facets: tuple[tuple[int, Any], ...]
    label: Ints
    near: Ints
    sigma_m: float
    parapets: tuple[FoundWall, ...]
    raised: Bools
    notes: tuple[str, ...] = ()


def _roof(points: Floats, footprint: Any, data: SurveyData, neighbours: int) -> FoundRoof:
    """The pipeline: samples, planes, facets, things standing off, lines, errors."""
    samples = _on_the_roof(points, footprint, data)
    laid_m = float(np.hypot(data.horizontal_error_m, (data.cell_m or 0.0) / np.sqrt(12.0)))
    errors = SampleErrors(
        0.0, samples.spacing_m, data.vertical_error_m, laid_m, cells=data.cell_m is not None
    )
    by_planes, refused = _by_segments(samples, footprint, data, errors, neighbours)
    surface = by_planes
    if samples.spacing_m >= _SPARSE_M:
        surface = _better(samples.points_m, by_planes, _by_form(samples, footprint, data))
    outline = _ring(footprint.exterior)
    if surface is None:
        said = "The data carry no plane of this roof: its surface is unknown."
        return FoundRoof(
            outline, (), errors.top_m, errors.place_m, unknown_m=(outline,), origin=data.origin,
            survey_year=data.survey_year, notes=(*refused, *data.age_notes(), said),
        )  # fmt: skip
    return _described(samples, footprint, data, surface, replace(errors, sigma_m=surface.sigma_m))


def _described(
    samples: _Samples, footprint: Any, data: SurveyData, surface: _Surface, errors: SampleErrors
) -> FoundRoof:
    """What stands off a surface, which parts of it no data carry, its lines and its errors."""
    points, planes, label = samples.points_m, surface.planes, surface.label
    owner = _owner_at(surface.facets, points[:, :2])
    standing = find_standing_off(
        points, _over(points, owner, planes), (label < 0) & ~surface.raised & (owner >= 0), surface.near, owner,
        planes, wall_directions(footprint), errors,
    )  # fmt: skip
    unknown = unsupported(surface.facets, points, label, standing, surface.parapets, samples.spacing_m)
    facets = cut_facets(surface.facets, unknown)
    lines = roof_lines(footprint, facets, planes)
    found = found_planes(facets, planes, label)
    worst = max((plane.height_error_m for plane in found), default=0.0)
    notes = (*surface.notes, *data.age_notes())
    if unknown.area > 0.0:
        said = f"{unknown.area:.0f} m2 of the footprint have no plane in the data; they are unknown."
        notes = (*notes, said)
    return FoundRoof(
        _ring(footprint.exterior),
        found,
        float(np.hypot(data.vertical_error_m, worst)),
        float(np.hypot(errors.horizontal_m, _line_error_m(planes))),
        ridges_m=lines.ridges,
        hips_m=lines.hips,
        valleys_m=lines.valleys,
        eaves_m=lines.eaves,
        steps_m=lines.steps,
        parapets=surface.parapets,
        standing_off=standing,
        unknown_m=tuple(_ring(part.exterior) for part in polygons_of(unknown)),
        origin=data.origin,
        survey_year=data.survey_year,
        notes=notes,
    )


def _by_segments(
    samples: _Samples, footprint: Any, data: SurveyData, errors: SampleErrors, neighbours: int
) -> tuple[_Surface | None, tuple[str, ...]]:
    """Planes segmented from the samples themselves; None, and why, where they carry none."""
    points = samples.points_m
    segments = segment_planes(
        points,
        spacing_m=samples.spacing_m,
        least_samples=_LEAST_SAMPLES,
        least_area_m2=_LEAST_AREA_M2,
        least_width_m=_LEAST_WIDTH_M if data.cell_m is None else max(_LEAST_WIDTH_M, 1.9 * data.cell_m),
        neighbours=neighbours,
    )
    if not segments.planes:
        return None, segments.rejected
    errors = replace(errors, sigma_m=segments.sigma_m)
    parapets, raised = find_parapets(points, footprint, segments.planes, segments.label, errors)
    segments = _without(points, segments, footprint, samples.spacing_m, raised)
    parted = partition_footprint(
        footprint, points, segments.label, segments.planes, sigma_m=segments.sigma_m, near=segments.neighbours
    )
    # a small plane that got no facet stands off the one that did
    over = np.nan_to_num(_over(points, _owner_at(parted.facets, points[:, :2]), segments.planes))
    label = np.where(np.abs(over) > 4.0 * segments.sigma_m, -1, segments.label)
    surface = _Surface(
        segments.planes, parted.facets, label, segments.neighbours, segments.sigma_m, parapets, raised,
        segments.rejected,
    )  # fmt: skip
    return surface, segments.rejected


def _by_form(samples: _Samples, footprint: Any, data: SurveyData) -> _Surface | None:
    """A whole form fitted to a rectangular house, for samples too sparse for each plane alone."""
    points = samples.points_m
    fit = fit_form(points, footprint, cell_m=data.cell_m)
    if fit is None:
        return None
    owner = _owner_at(fit.facets, points[:, :2])
    over = np.nan_to_num(_over(points, owner, fit.planes), nan=np.inf)
    folded = (
        (data.cell_m or 0.0) * max(float(np.hypot(*p.slope)) for p in fit.planes) / 2.0
    )  # cells over a fold
    on = np.abs(over) < 3.0 * fit.residual_rms_m + folded
    note = (
        f"The roof was fitted as a whole, as a {fit.form} one (roof:shape), {fit.residual_rms_m:.2f} m rms; the data "
        "are too sparse for each plane alone."
    )
    return _Surface(
        fit.planes, fit.facets, np.where(on, owner, -1), nearest_neighbours(points[:, :2], 8),
        max(fit.residual_rms_m, 0.02), (), np.zeros(len(points), dtype=bool), (note,),
    )  # fmt: skip


def _better(points: Floats, one: _Surface | None, other: _Surface | None) -> _Surface | None:
    """Of two surfaces the one nearer to the samples, residuals over 0.3 m counting as that; the other one on a tie."""
    if one is None or other is None:
        return other if one is None else one

    def off_m(surface: _Surface) -> float:
        over = _over(points, _owner_at(surface.facets, points[:, :2]), surface.planes)
        capped = np.minimum(np.abs(np.nan_to_num(over, nan=_CAP_M)), _CAP_M)[~surface.raised]
        return float(np.sqrt((capped**2).mean()))

    return other if off_m(other) < 1.1 * off_m(one) else one


def _on_the_roof(points: Floats, footprint: Any, data: SurveyData) -> _Samples:
    """Samples over the footprint; a random part of very many."""
    import shapely

    inside_of = footprint if data.cell_m is None else footprint.buffer(-0.5 * data.cell_m, join_style="mitre")
    inside = shapely.contains_xy(inside_of, points[:, 0], points[:, 1]) if len(points) else np.zeros(0, bool)
    found = points[inside]
    if len(found) > _MOST_SAMPLES:
        chosen = np.random.default_rng(_SEED).choice(len(found), _MOST_SAMPLES, replace=False)
        found = found[np.sort(chosen)]
    spacing_m = float(np.sqrt(footprint.area / max(len(found), 1)))
    return _Samples(found, data.cell_m or spacing_m)


def _without(points: Floats, segments: Segments, footprint: Any, spacing_m: float, raised: Bools) -> Segments:
    """The segments less parapets and dormers: their samples are on no plane then."""
    label = np.where(raised, -1, segments.label)
    standing = set(dormer_planes(points, replace(segments, label=label), footprint, spacing_m).tolist())
    counts = np.array([np.count_nonzero(label == k) for k in range(len(segments.planes))])
    gone = {k for k in range(len(segments.planes)) if k in standing or counts[k] < _LEAST_SAMPLES}
    if len(gone) == len(segments.planes):
        return replace(segments, label=label)
    kept = [k for k in range(len(segments.planes)) if k not in gone]
    number = np.full(len(segments.planes) + 1, -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    return replace(segments, label=number[label], planes=tuple(segments.planes[k] for k in kept))


def _owner_at(facets: Sequence[tuple[int, Any]], plan: Floats) -> Ints:
    """(n,) the plane of the facet at each place, -1 outside all."""
    import shapely

    owner = np.full(len(plan), -1, dtype=np.int64)
    for number, facet in facets:
        owner[shapely.intersects_xy(facet, *plan.T)] = number
    return owner


def _over(points: Floats, owner: Ints, planes: Sequence[PlaneFit]) -> Floats:
    """(n,) height of each sample over the plane there; nan outside the facets."""
    over = np.full(len(points), np.nan)
    for number, fit in enumerate(planes):
        mine = owner == number
        over[mine] = points[mine, 2] - fit.at(points[mine, :2])
    return over


def _line_error_m(planes: Sequence[PlaneFit]) -> float:
    """Largest standard error in plan of the lines where neighbouring planes meet: elevation error over the fold."""
    errors = []
    for i, one in enumerate(planes):
        for other in planes[i + 1 :]:
            fold = float(np.hypot(*(one.slope - other.slope)))
            if fold > 0.3:
                both = np.hypot(np.sqrt(one.covariance[0, 0]), np.sqrt(other.covariance[0, 0]))
                errors.append(2.0 * float(both) / fold)
    return max(errors, default=0.0)


def _ring(ring: Any) -> Ring2:
    import shapely

    points: list[Point2] = [(float(e), float(n)) for e, n in shapely.get_coordinates(ring)[:-1]]
    return tuple(points)
