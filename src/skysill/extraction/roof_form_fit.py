"""Roof forms of rectangular houses fitted to few samples: where cells of a raster are too coarse for each plane alone.

A form has two unknowns, its eaves and what its ridge adds; how far a hip reaches in is tried in steps. Both are found
by robust least squares against all samples at once, a cell being the mean of the form over it. The forms are those of
the open map tagging (roof:shape): gabled, hipped, half-hipped, pyramidal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.extraction.plane_fit import PlaneFit
from skysill.units import Floats

__all__ = ["FormFit", "fit_form"]

_SQUARE_DEG = 4.0
_HIP_SHARES = (0.6, 0.8, 1.0, 1.25, 1.5)
"""How far a hip reaches in, over what it would with the slope of the sides."""

_MOST_RMS_M = 0.15
_LEAST_INLIERS = 0.7
_LEAST_RISE_M = 0.5
_TUKEY = 4.685


@dataclass(frozen=True, slots=True, eq=False)
class FormFit:
    """A form that fits. facets : (number of the plane, polygon in plan); residual_rms_m : of the samples kept."""

    form: str
    planes: tuple[PlaneFit, ...]
    facets: tuple[tuple[int, Any], ...]
    residual_rms_m: float
    inliers: float


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """One form on a rectangle of (length, width): facets as rings (s, t, u), u from 0 (eaves) to 1 (ridge)."""

    form: str
    rings: tuple[Floats, ...]


def fit_form(points_m: Floats, footprint: Any, *, cell_m: float | None) -> FormFit | None:
    """The form that fits samples of a rectangular house best; None where none does, or the outline is no rectangle.

    Parameters
    ----------
    points_m : (n, 3) east, north, elevation
    footprint : shapely Polygon
    cell_m : side of a raster's cells, whose values are means over them (taken along the walls); None for points

    Notes
    -----
    Accepted are forms whose samples lie within 0.15 m rms, seven of ten of them kept, with a ridge of 0.5 m and more.
    """
    frame = _rectangle(footprint)
    if frame is None or len(points_m) < 12:
        return None
    corner, along, across = frame
    best: FormFit | None = None
    for u, v, at in ((along, across, corner), (across, -along, corner + along)):
        length, width = float(np.hypot(*u)), float(np.hypot(*v))
        axes = np.array([u / length, v / width])
        local = (points_m[:, :2] - at) @ axes.T
        for shape in _shapes(length, width):
            fit = _fitted(shape, local, points_m[:, 2], cell_m, at, axes)
            if fit is not None and (best is None or _dearer(fit) < _dearer(best)):
                best = fit
    return best


def _dearer(fit: FormFit) -> float:
    """The residual, a twenty-fifth larger for each plane over two: a few cells make no hips."""
    return fit.residual_rms_m * (1.0 + 0.04 * (len(fit.planes) - 2))


def _rectangle(footprint: Any) -> tuple[Floats, Floats, Floats] | None:
    """A corner and two sides of the footprint, counter-clockwise; None where it has not four right angles."""
    import shapely

    if len(footprint.interiors):
        return None
    ring = shapely.get_coordinates(shapely.simplify(footprint, 0.1).exterior)[:-1]
    if len(ring) != 4:
        return None
    sides = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(*sides.T)
    cosine = np.abs((sides * np.roll(sides, -1, axis=0)).sum(axis=1)) / (length * np.roll(length, -1))
    if (cosine > np.sin(np.deg2rad(_SQUARE_DEG))).any() or length.min() < 2.0:
        return None
    return ring[0], sides[0], -sides[3]


def _shapes(length: float, width: float) -> list[_Shape]:
    """The forms with a ridge along the first axis; a hip only where it leaves a ridge."""

    def ring(*corners: tuple[float, float, float]) -> Floats:
        return np.array(corners)

    half = width / 2.0
    a, b, c, d = (0.0, 0.0, 0.0), (length, 0.0, 0.0), (length, width, 0.0), (0.0, width, 0.0)
    p, q = (0.0, half, 1.0), (length, half, 1.0)
    found = [_Shape("gabled", (ring(a, b, q, p), ring(p, q, c, d)))]
    apex = (length / 2.0, half, 1.0)
    if abs(length - width) < 0.25 * width:
        found.append(
            _Shape("pyramidal", (ring(a, b, apex), ring(c, d, apex), ring(b, c, apex), ring(d, a, apex)))
        )
    for share in _HIP_SHARES:
        into = half * share
        if 2.0 * into < length - 0.5:
            p, q = (into, half, 1.0), (length - into, half, 1.0)
            found.append(_Shape("hipped", (ring(a, b, q, p), ring(p, q, c, d), ring(d, a, p), ring(b, c, q))))
        into = half / 2.0 * share
        if 2.0 * into < length - 0.5:
            p, q = (into, half, 1.0), (length - into, half, 1.0)
            e, f = (0.0, half / 2.0, 0.5), (0.0, 1.5 * half, 0.5)
            g, h = (length, half / 2.0, 0.5), (length, 1.5 * half, 0.5)
            rings = (ring(a, b, g, q, p, e), ring(p, q, h, c, d, f), ring(f, e, p), ring(g, h, q))
            found.append(_Shape("half-hipped", rings))
    return found


def _unit_planes(shape: _Shape) -> Floats:
    """(facet, 3) of u = k0 + k1 s + k2 t on each facet. Three corners of a ring fix its plane."""
    return np.array([np.linalg.lstsq(np.column_stack([np.ones(len(r)), r[:, :2]]), r[:, 2], rcond=None)[0]
                     for r in shape.rings])  # fmt: skip


def _heights(planes: Floats, local: Floats, cell_m: float | None) -> Floats:
    """(n,) u at each sample, for cells its mean over 5 by 5 places. All these forms are the lowest of their planes."""
    if cell_m is None:
        places = local[:, None]
    else:
        step = (np.arange(5) - 2.0) / 5.0 * cell_m
        places = local[:, None] + np.stack(np.meshgrid(step, step), axis=-1).reshape(1, -1, 2)
    every = planes[:, 0] + places @ planes[:, 1:].T
    return np.asarray(every.min(axis=-1).mean(axis=1))


def _fitted(
    shape: _Shape, local: Floats, z: Floats, cell_m: float | None, corner: Floats, axes: Floats
) -> FormFit | None:
    import shapely

    planes = _unit_planes(shape)
    design = np.column_stack([np.ones(len(z)), _heights(planes, local, cell_m)])
    weights = np.ones(len(z))
    residual, scale = z, np.inf
    for _ in range(10):
        normal = design.T @ (weights[:, None] * design)
        if np.linalg.cond(normal) > 1e6:
            return None
        answer = np.linalg.solve(normal, design.T @ (weights * z))
        residual = z - design @ answer
        scale = max(1.4826 * float(np.median(np.abs(residual))), 0.02)
        weights = np.where(
            np.abs(residual) < _TUKEY * scale, (1.0 - (residual / (_TUKEY * scale)) ** 2) ** 2, 0.0
        )
        if np.count_nonzero(weights) < 6:
            return None
    kept = np.abs(residual) < 3.0 * scale
    rms = float(np.sqrt((residual[kept] ** 2).sum() / max(np.count_nonzero(kept) - 2, 1)))
    low, rise = (float(value) for value in answer)
    if rms > _MOST_RMS_M or kept.mean() < _LEAST_INLIERS or rise < _LEAST_RISE_M:
        return None
    spread = rms**2 * np.linalg.inv(normal)
    fits, facets = [], []
    for number, (ring, k) in enumerate(zip(shape.rings, planes, strict=True)):
        centre = ring[:, :2].mean(axis=0)
        slope = rise * (k[1:] @ axes)
        lever = np.zeros((3, 2))
        lever[0] = 1.0, k[0] + k[1:] @ centre
        lever[1:, 1] = k[1:] @ axes
        plan = corner + ring[:, :2] @ axes
        fits.append(
            PlaneFit(corner + centre @ axes, low + rise * float(lever[0, 1]), float(slope[0]), float(slope[1]),
                     lever @ spread @ lever.T, rms, int(np.count_nonzero(kept)))
        )  # fmt: skip
        facets.append((number, shapely.orient_polygons(shapely.Polygon(plan))))
    return FormFit(shape.form, tuple(fits), tuple(facets), rms, float(kept.mean()))
