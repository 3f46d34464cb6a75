"""A canopy height model cut into single crowns: a watershed, whose basins are joined where they are one tree.

Tops nearer to each other than the crown width that goes with their height need a deep dip between them to be two trees;
tops farther apart need a slight one. The width: S. C. Popescu, R. H. Wynne, "Seeing the trees in the forest:
using lidar and multispectral data fusion with local filtering and variable window size for estimating tree height",
Photogramm. Eng. Remote Sensing 70(5), 2004, pp. 589-604 (from memory), combined pines and deciduous trees.
"""

from __future__ import annotations

import numpy as np

from skysill.units import Bools, Floats, Ints

__all__ = ["crown_segments", "crown_width_m"]

_SMOOTHED_M = 0.5
_DEEP_M, _DEEP_SHARE = 0.6, 0.08
_SLIGHT_M, _SLIGHT_SHARE = 0.3, 0.025
"""Dips, in metres and as shares of the lower top; the larger of the two counts."""


def crown_width_m(height_m: Floats) -> Floats:
    """Width of a crown that goes with a tree's height, metres: 2.51503 + 0.00901 h^2.

    >>> crown_width_m(np.array([10.0, 20.0])).round(2)
    array([3.42, 6.12])
    """
    return np.asarray(2.51503 + 0.00901 * np.asarray(height_m) ** 2)


def crown_segments(canopy_m: Floats, cell_m: float, *, lowest_m: float) -> Ints:
    """Crowns of a canopy height model.

    Parameters
    ----------
    canopy_m : (rows, columns) height of the canopy above the ground, 0 where there is none
    lowest_m : lower tops are no trees

    Returns
    -------
    (rows, columns) int: 0 outside, else the number of the crown, from 1
    """
    from scipy import ndimage

    inside = canopy_m > 0.0
    if not inside.any():
        return np.zeros(canopy_m.shape, dtype=np.int64)
    smooth = np.where(inside, ndimage.gaussian_filter(canopy_m, _SMOOTHED_M / cell_m, mode="constant"), 0.0)
    label, peak = _basins(smooth, inside)
    return _merged(label, smooth, peak, canopy_m.ravel()[peak] >= lowest_m, cell_m)


def _basins(smooth: Floats, inside: Bools) -> tuple[Ints, Ints]:
    """Watershed by steepest ascent: each cell belongs to the local maximum that the steepest way up leads to.

    Returns the number of each cell's basin, from 1, 0 outside; and the cell (flat index) of each basin's peak.
    """
    rows, columns = smooth.shape
    here = np.arange(smooth.size).reshape(smooth.shape)
    best, up = smooth.copy(), here.copy()
    padded, index = np.pad(smooth, 1, constant_values=-1.0), np.pad(here, 1)
    for row, column in np.ndindex(3, 3):
        around = padded[row : row + rows, column : column + columns]
        higher = around > best
        best[higher], up[higher] = around[higher], index[row : row + rows, column : column + columns][higher]
    way = np.where(inside, up, here).ravel()
    while not np.array_equal(further := way[way], way):
        way = further
    peak = np.unique(way[inside.ravel()])
    label = np.where(inside, np.searchsorted(peak, way).reshape(smooth.shape) + 1, 0)
    return label, peak


def _merged(label: Ints, smooth: Floats, peak: Ints, tall: Bools, cell_m: float) -> Ints:
    """Basins joined to a higher neighbour where they are one tree with it; numbered anew from 1, 0 where no tree is.

    Saddles are taken from the highest down, as in the persistence of peaks.
    """
    many = len(peak)
    peak_m = np.concatenate([[0.0], smooth.ravel()[peak]])
    place = np.concatenate([[[0, 0]], np.column_stack(np.divmod(peak, smooth.shape[1]))]) * cell_m
    first, second, saddle_m = _saddles(label, smooth)
    root = np.arange(many + 1)

    def find(one: int) -> int:
        while root[one] != one:
            root[one] = root[root[one]]
            one = int(root[one])
        return one

    for index in np.argsort(-saddle_m, kind="stable"):
        a, b = find(int(first[index])), find(int(second[index]))
        if a == b:
            continue
        low, high = (a, b) if peak_m[a] < peak_m[b] else (b, a)
        apart_m = float(np.hypot(*(place[low] - place[high])))
        near = apart_m < float(crown_width_m(peak_m[low]))
        least_m, share = (_DEEP_M, _DEEP_SHARE) if near else (_SLIGHT_M, _SLIGHT_SHARE)
        if peak_m[low] - saddle_m[index] < max(least_m, share * float(peak_m[low])):
            root[low] = high
    roots = np.array([find(one) for one in range(many + 1)])
    used = np.unique(roots[label])
    used = used[np.concatenate([[False], tall])[used]]
    number = np.zeros(many + 1, dtype=np.int64)
    number[used] = np.arange(1, len(used) + 1)
    return np.asarray(number[roots[label]])


def _saddles(label: Ints, smooth: Floats) -> tuple[Ints, Ints, Floats]:
    """Pairs of segments that touch, and the highest way from one to the other."""
    pairs, heights = [], []
    for one, other in (
        (np.s_[:, :-1], np.s_[:, 1:]),
        (np.s_[:-1, :], np.s_[1:, :]),
        (np.s_[:-1, :-1], np.s_[1:, 1:]),
        (np.s_[:-1, 1:], np.s_[1:, :-1]),
    ):
        a, b = label[one], label[other]
        touch = (a != b) & (a > 0) & (b > 0)
        pairs.append(np.sort(np.column_stack([a[touch], b[touch]]), axis=1))
        heights.append(np.minimum(smooth[one][touch], smooth[other][touch]))
    joined = np.concatenate(pairs)
    if not len(joined):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0)
    unique, inverse = np.unique(joined, axis=0, return_inverse=True)
    saddle_m = np.full(len(unique), -np.inf)
    np.maximum.at(saddle_m, inverse.ravel(), np.concatenate(heights))
    return unique[:, 0], unique[:, 1], saddle_m
