"""The skyline between neighbouring readings, as the instrument saw it."""

from __future__ import annotations

import numpy as np

from skysill.model.readings import Readings
from skysill.units import Floats, Ints, wrap_180, wrap_360

__all__ = [
    "neighbour_pairs",
    "skyline_at",
]


def neighbour_pairs(readings: Readings, max_gap_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Neighbouring readings close enough to be joined, as indices (lower, upper), and readings standing alone.

    Where an azimuth has several readings, each is joined to those of the next azimuth that seem to be of the same
    thing (kind, note, or a distance within a factor of two). One that finds none there begins or ends on its azimuth,
    but where readings of both azimuths find none, all of those are joined.
    """
    count = len(readings)
    azimuths, first = np.unique(readings.azimuth_deg, return_index=True)
    if azimuths.size < 2:
        return np.zeros((0, 2), dtype=int), np.arange(count)
    last = np.append(first[1:], count)
    ahead = np.roll(np.arange(azimuths.size), -1)
    joined = np.flatnonzero(np.mod(azimuths[ahead] - azimuths, 360.0) <= max_gap_deg + 1e-9)
    if count == azimuths.size:
        pairs = np.column_stack([joined, ahead[joined]])
    else:
        groups = [np.arange(a, b) for a, b in zip(first, last, strict=True)]
        found = [pair for g in joined for pair in _matched(readings, groups[g], groups[ahead[g]])]
        pairs = np.array(found, dtype=int).reshape(-1, 2)
    return pairs, np.setdiff1d(np.arange(count), pairs)


def _matched(readings: Readings, here: Ints, there: Ints) -> list[tuple[int, int]]:
    """Pairs of readings of two neighbouring azimuths that are joined."""
    if here.size == there.size == 1:
        return [(int(here[0]), int(there[0]))]
    alike = np.array([[_same_feature(readings, i, j) for j in there] for i in here])
    lost_here, lost_there = ~alike.any(axis=1), ~alike.any(axis=0)
    # one without a partner begins or ends here, unless the other side has such ones too
    alike[np.ix_(lost_here, lost_there)] = True
    return [(int(here[i]), int(there[j])) for i, j in np.argwhere(alike)]


def _same_feature(readings: Readings, one: int, other: int) -> bool:
    """Whether nothing that was said of two readings tells them apart."""
    said = [
        (words[one], words[other]) for words in (readings.kind, readings.note) if words[one] and words[other]
    ]
    if any(mine != its for mine, its in said):
        return False
    one_m, other_m = readings.distance_m[one], readings.distance_m[other]
    if np.isnan(one_m) or np.isnan(other_m):
        return bool(said)
    return bool(max(one_m, other_m) <= 2.0 * min(one_m, other_m))


def skyline_at(readings: Readings, azimuth_deg: Floats, *, max_gap_deg: float) -> Floats:
    """Measured elevation at any azimuths, from where it was measured, the highest of several; nan where nobody did.

    Parameters
    ----------
    readings : true azimuths, in order
    azimuth_deg : (n,) float

    Returns
    -------
    (n,) float, degrees

    >>> r = Readings(np.array([10.0, 14.0, 30.0]), np.array([5.0, 7.0, 9.0]), np.full(3, np.nan), ("",) * 3, "h")
    >>> skyline_at(r, np.array([12.0, 20.0]), max_gap_deg=5.0)
    array([ 6., nan])
    """
    azimuth_deg = np.atleast_1d(np.asarray(wrap_360(azimuth_deg)))
    highest_deg = np.full(azimuth_deg.shape, -np.inf)
    pairs, alone = neighbour_pairs(readings, max_gap_deg)
    starts = readings.azimuth_deg[pairs[:, 0]]
    # pairs that begin on one azimuth are asked one after another: there are seldom more than one
    count = np.arange(len(pairs))
    begins = np.append(True, starts[1:] != starts[:-1])[: len(pairs)]
    number = count - np.maximum.accumulate(np.where(begins, count, 0)) if len(pairs) else count
    for layer in range(int(number.max(initial=-1)) + 1):
        _raise_to(highest_deg, azimuth_deg, readings, pairs[number == layer])
    for single in alone:
        here = np.abs(wrap_180(azimuth_deg - readings.azimuth_deg[single])) < 1e-8
        highest_deg[here] = np.maximum(highest_deg[here], readings.elevation_deg[single])
    return np.where(np.isinf(highest_deg), np.nan, highest_deg)


def _raise_to(highest_deg: Floats, azimuth_deg: Floats, readings: Readings, pairs: np.ndarray) -> None:
    """Raises what is known at azimuths to the lines between pairs, no two of which begin on one azimuth."""
    starts = readings.azimuth_deg[pairs[:, 0]]
    pairs = pairs[np.argsort(starts, kind="stable")]
    starts = np.sort(starts)
    at = np.mod(np.searchsorted(starts, azimuth_deg + 1e-9, side="right") - 1, len(pairs))
    lower, upper = pairs[at].T
    width = np.mod(readings.azimuth_deg[upper] - readings.azimuth_deg[lower], 360.0)
    turn = np.maximum(np.mod(azimuth_deg - readings.azimuth_deg[lower] + 1e-9, 360.0) - 1e-9, 0.0)
    low, high = readings.elevation_deg[lower], readings.elevation_deg[upper]
    joined_deg = np.where(turn <= width + 1e-8, low + (high - low) * np.minimum(turn / width, 1.0), -np.inf)
    np.maximum(highest_deg, joined_deg, out=highest_deg)
