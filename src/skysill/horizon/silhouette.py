"""What stands against the sky, as one source saw it.

A silhouette is a set of columns. Each column obstructs its azimuth from `floor_deg` up to `elevation_deg`, by
something `distance_m` away along the line of sight from the dish centre. Several columns may share an azimuth:
that keeps the near, low edges which the highest thing behind them would hide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import SkysillError
from skysill.units import Bools, Floats, Ints, wrap_360

__all__ = ["Feature", "Profile", "Silhouette", "covered", "profile"]


@dataclass(frozen=True, slots=True)
class Feature:
    """What a column belongs to: its name, kind ("ground", "reading", "building", "tree", "wire", ...) and source."""

    name: str
    kind: str
    source: str


def _fixed(values: ArrayLike, dtype: type, shape: tuple[int, ...], label: str) -> np.ndarray:
    array: np.ndarray[Any, Any] = np.asarray(values, dtype=dtype)
    if array.shape != shape:
        array = np.array(np.broadcast_to(array, shape))
    elif array.flags.writeable or array.base is not None:  # what nobody can change need not be copied
        array = array.copy()
    if array.dtype == np.float64 and label not in ("distance_m",) and np.isnan(array).any():
        raise SkysillError(f"silhouette: {label} holds nan; what nobody saw must be left out, not filled in")
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """What one source saw against the sky, from one dish centre.

    azimuth_deg, elevation_deg : (column,) float; the top of each column
    distance_m : (column,) float, along the line of sight; nan where nobody measured it
    floor_deg : (column,) float; the lower edge (-90 for features that stand on the ground)
    sigma_deg : (column,) float; standard deviation of the elevation, independent part
    features : what the columns belong to; feature : (column,) int, index into features
    reliable : (column,) bool; False where the cells of the source are too coarse to be relied on so near
    covered_deg : (span, 2) azimuths somebody looked at, from clockwise to; a full circle is (0, 360)
    reach_m : (span,) how far out it looked on that span, without a gap, along the ground
    fine : whether the source speaks for near things (measured; surface raster of 2 m or finer; obstacles complete)
    fine_reach_m : (span,) how far out it speaks for near things on that span, 0 where it does not
    notes : sentences that the result repeats
    at_least : (column,) bool; whether distance_m is only a lower bound
    """

    source: str
    azimuth_deg: Floats
    elevation_deg: Floats
    distance_m: Floats
    features: tuple[Feature, ...]
    feature: Ints
    floor_deg: Floats | float = -90.0
    sigma_deg: Floats | float = 0.0
    reliable: Bools | bool = True
    covered_deg: Floats = None  # type: ignore[assignment]  # an empty list of spans, set below
    reach_m: Floats | float = 0.0
    fine_reach_m: Floats | float = 0.0
    notes: tuple[str, ...] = ()
    at_least: Bools | bool = False

    def __post_init__(self) -> None:
        shape = np.shape(np.atleast_1d(self.azimuth_deg))
        put = object.__setattr__
        put(self, "azimuth_deg", _fixed(wrap_360(self.azimuth_deg), float, shape, "azimuth_deg"))
        for label in ("elevation_deg", "distance_m", "floor_deg", "sigma_deg"):
            put(self, label, _fixed(getattr(self, label), float, shape, label))
        put(self, "feature", _fixed(self.feature, int, shape, "feature"))
        for label in ("reliable", "at_least"):
            put(self, label, _fixed(getattr(self, label), bool, shape, label))
        spans = (
            np.zeros((0, 2))
            if self.covered_deg is None
            else np.asarray(self.covered_deg, float).reshape(-1, 2)
        )
        put(self, "covered_deg", _fixed(spans, float, spans.shape, "covered_deg"))
        for label in ("reach_m", "fine_reach_m"):
            put(self, label, _fixed(getattr(self, label), float, spans.shape[:1], label))

    def __len__(self) -> int:
        return int(self.azimuth_deg.size)

    def reaching(self, needed_m: float) -> Silhouette:
        """The same silhouette, covering only the spans on which it was followed out to `needed_m`."""
        far = np.asarray(self.reach_m) >= needed_m
        return replace(
            self,
            covered_deg=self.covered_deg[far],
            reach_m=np.asarray(self.reach_m)[far],
            fine_reach_m=np.asarray(self.fine_reach_m)[far],
        )

    def kept(self, mask: Bools | Ints) -> Silhouette:
        """The same silhouette with only some columns: where `mask` is true, or by their numbers."""
        return Silhouette(
            source=self.source,
            azimuth_deg=self.azimuth_deg[mask],
            elevation_deg=self.elevation_deg[mask],
            distance_m=self.distance_m[mask],
            features=self.features,
            feature=self.feature[mask],
            floor_deg=np.asarray(self.floor_deg)[mask],
            sigma_deg=np.asarray(self.sigma_deg)[mask],
            reliable=np.asarray(self.reliable)[mask],
            covered_deg=self.covered_deg,
            reach_m=self.reach_m,
            fine_reach_m=self.fine_reach_m,
            notes=self.notes,
            at_least=np.asarray(self.at_least)[mask],
        )


def covered(
    silhouette: Silhouette, azimuth_deg: ArrayLike, *, reach_m: ArrayLike = 0.0, fine: bool = False
) -> Bools:
    """Whether the source looked at each azimuth, and at least `reach_m` out.

    Parameters
    ----------
    azimuth_deg : (n,) float
    reach_m : broadcast with azimuth_deg; how far it must have looked
    fine : ask for near evidence (`fine_reach_m`) instead of any

    Returns
    -------
    (n,) bool
    """
    azimuth_deg = np.atleast_1d(np.asarray(azimuth_deg, dtype=np.float64))
    if len(silhouette.covered_deg) == 0:
        return np.zeros(azimuth_deg.shape, dtype=bool)
    start, stop = silhouette.covered_deg.T
    turn = np.mod(azimuth_deg[:, None] - start, 360.0)
    # two parts in 1e9 of slack: a span that ends at the azimuth asked for covers it
    inside = (turn <= (stop - start) + 1e-7) | (turn >= 360.0 - 1e-7)
    reached = silhouette.fine_reach_m if fine else silhouette.reach_m
    return np.asarray((inside & (reached >= np.asarray(reach_m, dtype=float).reshape(-1, 1))).any(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """The merged horizon, for showing: the highest thing per azimuth and who it was.

    azimuth_deg, elevation_deg, distance_m : (n,) float; elevation nan where nobody looked
    source, name : (n,) str, "" where nobody looked
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    distance_m: Floats
    source: tuple[str, ...]
    name: tuple[str, ...]


def profile(silhouettes: Sequence[Silhouette], azimuth_deg: ArrayLike) -> Profile:
    """The highest column per azimuth bin, over all sources.

    Each column counts for the nearest of the azimuths asked for (which must be sorted, evenly spaced). A bin that
    no column falls into takes the linear interpolation of its source's neighbours, where that source covered it.
    """
    azimuth_deg = np.atleast_1d(np.asarray(azimuth_deg, dtype=np.float64))
    best = np.full(azimuth_deg.shape, np.nan)
    distance_m = np.full(azimuth_deg.shape, np.nan)
    source = np.full(azimuth_deg.shape, "", dtype=object)
    name = np.full(azimuth_deg.shape, "", dtype=object)
    step = float(np.diff(azimuth_deg).min()) if azimuth_deg.size > 1 else 1.0
    for silhouette in silhouettes:
        if not len(silhouette):
            continue
        looked = (
            covered(silhouette, azimuth_deg) if silhouette.source != "obstacle" else np.ones(best.shape, bool)
        )
        turn = np.mod(silhouette.azimuth_deg - azimuth_deg[0] + step / 2, 360.0)
        cell = np.floor(turn / step).astype(int)
        inside = cell < azimuth_deg.size
        order = np.flatnonzero(inside)[np.argsort(silhouette.elevation_deg[inside], kind="stable")]
        top = np.full(azimuth_deg.shape, -1)
        top[cell[order]] = order  # the last written is the highest
        missing = np.flatnonzero(looked & (top < 0))
        if missing.size and silhouette.source != "obstacle":
            gap = np.abs(np.mod(azimuth_deg[missing, None] - silhouette.azimuth_deg + 180.0, 360.0) - 180.0)
            top[missing] = gap.argmin(axis=1)
        seen = looked & (top >= 0)
        raised = seen & ~(silhouette.elevation_deg[top] <= best)
        best[raised] = silhouette.elevation_deg[top[raised]]
        distance_m[raised] = silhouette.distance_m[top[raised]]
        for at in np.flatnonzero(raised):
            feature = silhouette.features[silhouette.feature[top[at]]]
            source[at], name[at] = feature.source, feature.name
    return Profile(azimuth_deg, best, distance_m, tuple(source), tuple(name))
