"""Samples of a roof -> planes: region growing from smooth seeds, merging, and a common relabelling.

Region growing over normals and residuals is textbook practice for laser scans (for example Rabbani, van den Heuvel &
Vosselman 2006, from memory); the relabelling minimises truncated squared residuals plus a penalty for neighbours of
different planes, by iterated conditional modes (Besag 1986, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.extraction.plane_fit import PlaneFit, fit_plane, local_planes, nearest_neighbours, noise_m
from skysill.units import Bools, Floats, Ints

__all__ = ["NEIGHBOURS", "Segments", "segment_planes"]

NEIGHBOURS = 12
"""Samples around each that its local plane is fitted to."""

_INLIER_SIGMAS = 3.0
_MOST_SIGMA_M = 0.25
"""Samples that scatter by more than this about smooth pieces carry no plane."""

_LEAST_SIGMA_M = 0.015
_ALIKE_M = 0.06
"""Planes that fit each other's samples within this are one."""

_OFF_COST = 10.0
"""Cost of a sample that is on no plane: a residual of 3.2 standard deviations."""

_SMOOTH_COST = 4.0
_SEED_ANGLE = 0.35
"""Largest difference of slopes (rise per metre) between a sample's local plane and the region's, for growth."""

_MOST_PLANES = 60


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """Which plane each sample is on.

    label : (n,) int, -1 for samples on no plane
    planes : the fits, by label
    sigma_m : standard deviation of the samples about smooth pieces, as found
    neighbours : (n, k) of each sample
    rejected : sentences about regions that were no plane
    """

    label: Ints
    planes: tuple[PlaneFit, ...]
    sigma_m: float
    neighbours: Ints
    rejected: tuple[str, ...] = ()


def segment_planes(
    points_m: Floats,
    *,
    spacing_m: float,
    least_samples: int,
    least_area_m2: float,
    least_width_m: float,
    neighbours: int = NEIGHBOURS,
) -> Segments:
    """The planes that samples of a roof lie on.

    Parameters
    ----------
    points_m : (n, 3) east, north, elevation; on the roof or what stands off it
    spacing_m : between samples, the root of the plan area per sample
    least_samples, least_area_m2, least_width_m : of a plane that is believed
    neighbours : samples around each for its local plane

    Returns
    -------
    Segments; without planes where there are too few samples or they scatter too much
    """
    count = len(points_m)
    nothing = np.full(count, -1, dtype=np.int64)
    if count < max(least_samples, neighbours + 1):
        said = f"{count} samples are too few for a plane."
        return Segments(nothing, (), float("nan"), np.zeros((count, 0), dtype=np.int64), (said,))
    near = nearest_neighbours(points_m[:, :2], neighbours)
    local = local_planes(points_m, near)
    sigma = max(noise_m(local, neighbours + 1), _LEAST_SIGMA_M)
    if sigma > _MOST_SIGMA_M:
        said = f"The samples scatter by {sigma:.2f} m about any smooth surface; no plane was fitted."
        return Segments(nothing, (), sigma, near, (said,))
    least = max(float(least_samples), least_area_m2 / spacing_m**2)
    label, planes = _grown(points_m, near, local.slope, local.residual_rms_m, sigma, least)
    for _ in range(4):
        before = len(planes)
        label, planes = _merged(points_m, label, planes, sigma)
        label = _relabelled(points_m, label, planes, near, sigma)
        label, planes = _refitted(points_m, label, near, sigma, least)
        if len(planes) == before:
            break
    label, believed, rejected = _believed(points_m, label, planes, sigma, least, least_width_m)
    return Segments(label, believed, sigma, near, rejected)


def _grown(
    points: Floats, near: Ints, slope: Floats, rms: Floats, sigma: float, least: float
) -> tuple[Ints, list[PlaneFit]]:
    """Regions grown from the smoothest free samples outwards."""
    label = np.full(len(points), -1, dtype=np.int64)
    tried = rms > 2.0 * sigma
    planes: list[PlaneFit] = []
    for seed in np.argsort(rms, kind="stable"):
        if tried[seed] or label[seed] >= 0 or len(planes) >= _MOST_PLANES:
            continue
        tried[seed] = True
        member = _region(points, near, slope, sigma, label < 0, int(seed))
        if member is None or np.count_nonzero(member) < least:
            continue
        fit = fit_plane(points[member], scale_m=sigma)
        if fit is None:
            continue
        tried |= member
        label[member] = len(planes)
        planes.append(fit)
    return label, planes


def _region(points: Floats, near: Ints, slope: Floats, sigma: float, free: Bools, seed: int) -> Bools | None:
    """The samples that grow together from one seed."""
    member = np.zeros(len(points), dtype=bool)
    first = near[seed][free[near[seed]]]
    member[first] = True
    member[seed] = True
    fit = fit_plane(points[member], scale_m=sigma, rounds=3)
    if fit is None:
        return None
    for _ in range(200):
        edge = np.zeros(len(points), dtype=bool)
        edge[near[member][:, :8]] = True
        residual = np.abs(points[:, 2] - fit.at(points[:, :2]))
        turn = np.hypot(*(slope - fit.slope).T)
        joins = (
            edge & free & (residual < _INLIER_SIGMAS * sigma) & ((turn < _SEED_ANGLE) | (residual < sigma))
        )
        stays = member & (residual < _INLIER_SIGMAS * sigma)
        renewed = stays | joins
        if np.count_nonzero(renewed) < 4:
            return None
        grown = np.count_nonzero(renewed) > np.count_nonzero(member)
        member = renewed
        if not grown:
            break
        again = fit_plane(points[member], scale_m=sigma, rounds=3)
        if again is None:
            return None
        fit = again
    return member


def _merged(points: Floats, label: Ints, planes: list[PlaneFit], sigma: float) -> tuple[Ints, list[PlaneFit]]:
    """Planes that fit each other's samples made one, also where they do not touch."""
    label = label.copy()
    for _ in range(_MOST_PLANES):
        best: tuple[float, int, int, PlaneFit] | None = None
        for i in range(len(planes)):
            for j in range(i + 1, len(planes)):
                ours = (label == i) | (label == j)
                if not np.any(label == i) or not np.any(label == j):
                    continue
                fit = fit_plane(points[ours], scale_m=sigma)
                if fit is None:
                    continue
                worst = max(
                    _rms_about(points[label == k], fit)
                    / max(1.25 * planes[k].residual_rms_m, 0.9 * sigma, _ALIKE_M)
                    for k in (i, j)
                )
                if worst < 1.0 and (best is None or worst < best[0]):
                    best = (worst, i, j, fit)
        if best is None:
            break
        _, i, j, fit = best
        label[label == j] = i
        label[label > j] -= 1
        planes = [fit if k == i else plane for k, plane in enumerate(planes) if k != j]
    return label, planes


def _rms_about(points: Floats, fit: PlaneFit) -> float:
    """Residuals of samples about a plane; the outermost twentieth left out."""
    residual = np.sort(np.abs(points[:, 2] - fit.at(points[:, :2])))
    kept = residual[: max(3, int(np.ceil(0.95 * len(residual))))]
    return float(np.sqrt((kept**2).mean()))


def _relabelled(
    points: Floats, label: Ints, planes: list[PlaneFit], near: Ints, sigma: float, rounds: int = 12
) -> Ints:
    """Every sample to the plane that costs least, its neighbours' planes taken into account."""
    if not planes:
        return label
    count, plan = len(planes), points[:, :2]
    cost = np.empty((len(points), count + 1))
    for number, fit in enumerate(planes):
        cost[:, number] = np.minimum(((points[:, 2] - fit.at(plan)) / sigma) ** 2, 4.0 * _OFF_COST)
    cost[:, count] = _OFF_COST
    for _ in range(rounds):
        shared = np.zeros_like(cost)
        around = np.where(label[near] < 0, count, label[near])
        for number in range(count + 1):
            shared[:, number] = (around == number).mean(axis=1)
        off = 1.0 - shared
        off[:, count] = 0.5  # neighbours neither ask for nor against a sample being on no plane
        alone = shared[:, :count] == 0.0
        total = cost + _SMOOTH_COST * off
        total[:, :count] += np.where(alone, 2.0 * _OFF_COST, 0.0)
        renewed = total.argmin(axis=1)
        renewed = np.where(renewed == count, -1, renewed)
        if np.array_equal(renewed, label):
            break
        label = renewed
    return label


def _refitted(
    points: Floats, label: Ints, near: Ints, sigma: float, least: float
) -> tuple[Ints, list[PlaneFit]]:
    """Planes fitted again to their samples; those left with too few are given up."""
    renewed = np.full(len(label), -1, dtype=np.int64)
    planes: list[PlaneFit] = []
    for number in range(int(label.max()) + 1 if len(label) else 0):
        mine = label == number
        if np.count_nonzero(mine) < 0.7 * least:
            continue
        # away from the plane's edge first: samples there may be another plane's
        inner = mine & ((label[near] == number).mean(axis=1) > 0.7)
        fit = fit_plane(points[inner if np.count_nonzero(inner) >= least else mine], scale_m=sigma)
        if fit is None:
            continue
        renewed[mine] = len(planes)
        planes.append(fit)
    return renewed, planes


def _believed(
    points: Floats,
    label: Ints,
    planes: list[PlaneFit],
    sigma: float,
    least: float,
    least_width_m: float,
) -> tuple[Ints, tuple[PlaneFit, ...], tuple[str, ...]]:
    """Planes without those that are too steep, too narrow, or whose samples scatter too much."""
    renewed = np.full(len(label), -1, dtype=np.int64)
    kept: list[PlaneFit] = []
    said: list[str] = []
    for number, fit in enumerate(planes):
        mine = label == number
        plan = points[mine, :2]
        where = f"around {plan[:, 0].mean():.1f} east, {plan[:, 1].mean():.1f} north"
        spread = np.linalg.eigvalsh(np.cov(plan.T)) if len(plan) > 2 else np.zeros(2)
        thin_m = float(np.sqrt(12.0 * max(spread[0], 0.0)))  # width of a uniform strip with that spread
        if np.hypot(*fit.slope) > 3.0:
            continue  # a wall
        if len(plan) < least or thin_m < least_width_m:
            continue
        if fit.residual_rms_m > max(2.0 * sigma, 0.08):
            said.append(f"A part {where} scatters by {fit.residual_rms_m:.2f} m about its best plane.")
            continue
        renewed[mine] = len(kept)
        kept.append(fit)
    return renewed, tuple(kept), tuple(said)
