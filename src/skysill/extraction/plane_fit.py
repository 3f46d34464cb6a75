"""Kernels for planes in scattered samples: nearest neighbours, local planes, robust least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.units import Floats, Ints

__all__ = ["LocalPlanes", "PlaneFit", "fit_plane", "local_planes", "nearest_neighbours", "noise_m"]

_TUKEY = 4.685
"""Tuning constant of the biweight: 95 % efficiency on normal errors (Holland & Welsch 1977, from memory)."""

_MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution: 1 / 0.6745."""

_TILE_SAMPLES = 40


@dataclass(frozen=True, slots=True, eq=False)
class PlaneFit:
    """z = elevation_m + slope_east (east - centre) + slope_north (north - centre).

    centre_m : (2,) weighted mean of the samples' plan positions
    covariance : (3, 3) of (elevation_m, slope_east, slope_north), from the residuals
    residual_rms_m : root mean square of the residuals of the samples that the fit kept
    samples : how many it kept
    """

    centre_m: Floats
    elevation_m: float
    slope_east: float
    slope_north: float
    covariance: Floats
    residual_rms_m: float
    samples: int

    @property
    def slope(self) -> Floats:
        """(2,) rise per metre east and north."""
        return np.array([self.slope_east, self.slope_north])

    @property
    def level_m(self) -> float:
        """Elevation of the plane at the frame's origin."""
        return self.elevation_m - float(self.slope @ self.centre_m)

    def at(self, plan_m: Floats) -> Floats:
        """(n,) elevation of the plane at plan positions (n, 2)."""
        return np.asarray(self.elevation_m + (np.asarray(plan_m) - self.centre_m) @ self.slope)

    def error_at(self, plan_m: Floats) -> Floats:
        """(n,) standard error of the plane's elevation at plan positions (n, 2), from its covariance."""
        design = np.column_stack([np.ones(len(plan_m)), np.asarray(plan_m) - self.centre_m])
        return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", design, self.covariance, design)))


def fit_plane(points_m: Floats, *, scale_m: float | None = None, rounds: int = 8) -> PlaneFit | None:
    """The plane through samples by iteratively reweighted least squares of vertical residuals (Tukey's biweight).

    Parameters
    ----------
    points_m : (n, 3) east, north, elevation
    scale_m : standard deviation of the samples; None: from their own median absolute residual

    Returns
    -------
    PlaneFit, or None where the samples span no area

    Notes
    -----
    Weights (1 - (r / (4.685 s))^2)^2 inside, 0 outside. Covariance s^2 (A^T W A)^-1 with s from the kept residuals.

    >>> east, north = np.meshgrid(np.arange(4.0), np.arange(4.0))
    >>> fit = fit_plane(np.column_stack([east.ravel(), north.ravel(), 5.0 + 0.5 * east.ravel()]))
    >>> round(fit.slope_east, 6), round(fit.level_m, 6)
    (0.5, 5.0)
    """
    points_m = np.asarray(points_m, dtype=np.float64)
    if len(points_m) < 3:
        return None
    plan, z = points_m[:, :2], points_m[:, 2]
    weights = np.ones(len(z))
    centre = plan.mean(axis=0)
    for _ in range(rounds):
        centre = np.average(plan, axis=0, weights=weights)
        design = np.column_stack([np.ones(len(z)), plan - centre])
        normal = design.T @ (weights[:, None] * design)
        if np.linalg.cond(normal) > 1e7:
            return None
        answer = np.linalg.solve(normal, design.T @ (weights * z))
        residual = z - design @ answer
        spread = _MAD_TO_SIGMA * float(np.median(np.abs(residual[weights > 0.0])))
        scale = max(spread if scale_m is None else min(max(spread, 0.5 * scale_m), 2.0 * scale_m), 1e-4)
        renewed = np.where(
            np.abs(residual) < _TUKEY * scale, (1.0 - (residual / (_TUKEY * scale)) ** 2) ** 2, 0.0
        )
        if np.count_nonzero(renewed) < 3:
            return None
        settled = np.abs(renewed - weights).max() < 1e-3
        weights = renewed
        if settled:
            break
    kept = np.abs(residual) < 3.0 * scale
    count = int(np.count_nonzero(kept))
    if count < 3:
        return None
    rms = float(np.sqrt((residual[kept] ** 2).sum() / max(count - 3, 1)))
    covariance = rms**2 * np.linalg.inv(normal)
    elevation_m, slope_east, slope_north = (float(value) for value in answer)
    return PlaneFit(centre, elevation_m, slope_east, slope_north, covariance, rms, count)


def nearest_neighbours(plan_m: Floats, count: int) -> Ints:
    """(n, k) the nearest other samples of each sample in plan, nearest first; k is `count`, or n - 1 if that is less.

    Samples are sorted into square tiles; a tile is compared with itself and the eight around it. Where the k-th
    neighbour found so lies beyond a tile's side, all samples are compared.
    """
    plan = np.asarray(plan_m, dtype=np.float64)
    total = len(plan)
    count = min(count, total - 1)
    if count < 1:
        return np.zeros((total, 0), dtype=np.int64)
    found = np.empty((total, count), dtype=np.int64)
    span = np.ptp(plan, axis=0)
    side = float(np.sqrt(max(span[0] * span[1], 1e-6) * max(_TILE_SAMPLES, count) / total))
    tile = np.floor((plan - plan.min(axis=0)) / max(side, 1e-6)).astype(np.int64)
    members: dict[tuple[int, int], Ints] = {}
    keys, inverse = np.unique(tile, axis=0, return_inverse=True)
    order = np.argsort(inverse.ravel(), kind="stable")
    bounds = np.searchsorted(inverse.ravel()[order], np.arange(len(keys) + 1))
    for number, (column, row) in enumerate(keys.tolist()):
        members[column, row] = order[bounds[number] : bounds[number + 1]]
    everything = np.arange(total)
    for (column, row), mine in members.items():
        beside = [
            members[c, r]
            for c in (column - 1, column, column + 1)
            for r in (row - 1, row, row + 1)
            if (c, r) in members
        ]
        near = np.concatenate(beside)
        nearest, far = _nearest(plan, mine, near, count)
        unsure = far > side
        if unsure.any():
            nearest[unsure] = _nearest(plan, mine[unsure], everything, count)[0]
        found[mine] = nearest
    return found


def _nearest(plan: Floats, mine: Ints, candidates: Ints, count: int) -> tuple[Ints, Floats]:
    """(m, k) nearest of some candidates to each of some samples, itself left out, and the k-th distance."""
    if len(candidates) <= count:
        return np.zeros((len(mine), count), dtype=np.int64), np.full(len(mine), np.inf)
    answer, far = np.empty((len(mine), count), dtype=np.int64), np.empty(len(mine))
    for start in range(0, len(mine), 500):
        here = slice(start, start + 500)
        squared = ((plan[mine[here], None] - plan[candidates]) ** 2).sum(axis=-1)
        squared[mine[here, None] == candidates] = np.inf
        first = np.argpartition(squared, count - 1, axis=1)[:, :count]
        near = np.take_along_axis(squared, first, axis=1)
        order = np.argsort(near, axis=1, kind="stable")
        answer[here] = candidates[np.take_along_axis(first, order, axis=1)]
        far[here] = np.sqrt(near.max(axis=1))
    return answer, far


@dataclass(frozen=True, slots=True, eq=False)
class LocalPlanes:
    """The plane through each sample and its neighbours.

    slope : (n, 2) rise per metre; level_m : (n,) its elevation at the sample
    residual_rms_m : (n,) of the samples about it
    """

    slope: Floats
    level_m: Floats
    residual_rms_m: Floats


def local_planes(points_m: Floats, neighbours: Ints) -> LocalPlanes:
    """Least-squares planes through each sample and its neighbours, all at once.

    points_m : (n, 3); neighbours : (n, k) of `nearest_neighbours`, k >= 3
    """
    patch = np.concatenate([points_m[:, None], points_m[neighbours]], axis=1)
    middle = patch.mean(axis=1, keepdims=True)
    centred = patch - middle
    plan, z = centred[..., :2], centred[..., 2]
    normal = np.einsum("nki,nkj->nij", plan, plan) + 1e-9 * np.eye(2)
    slope = np.linalg.solve(normal, np.einsum("nki,nk->ni", plan, z)[..., None])[..., 0]
    residual = z - np.einsum("nki,ni->nk", plan, slope)
    rms = np.sqrt((residual**2).sum(axis=1) / max(patch.shape[1] - 3, 1))
    level = middle[:, 0, 2] + ((points_m[:, :2] - middle[:, 0, :2]) * slope).sum(axis=1)
    return LocalPlanes(slope, level, rms)


def noise_m(local: LocalPlanes, samples: int) -> float:
    """Standard deviation of the samples about smooth pieces of the surface.

    samples : of each local plane, neighbours and the sample itself; nan where there is no local plane

    Notes
    -----
    The lower sixth of the local residuals is believed: ridges, edges and things standing off only add. A residual of
    v = samples - 3 degrees of freedom has its 1/6 quantile at s sqrt(1 - 2 / (9 v) - 0.967 sqrt(2 / (9 v)))^3
    (Wilson & Hilferty 1931, from memory), by which it is divided.
    """
    if not len(local.residual_rms_m):
        return float("nan")
    freedom = max(samples - 3, 1)
    share = max(1.0 - 2.0 / (9.0 * freedom) - 0.9674 * np.sqrt(2.0 / (9.0 * freedom)), 0.1) ** 1.5
    return float(np.quantile(local.residual_rms_m, 1.0 / 6.0) / share)
