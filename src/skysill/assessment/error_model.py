"""What is stated to be uncertain, and how the errors of one source depend on each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from skysill.horizon.raster_sharpness import Blur
from skysill.horizon.silhouette import Silhouette
from skysill.units import Floats, Ints

__all__ = [
    "Errors",
    "ObstacleErrors",
    "RasterErrors",
    "UncertainSilhouette",
    "Unread",
]


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard deviations of what was stated.

    bearing_deg, inclination_deg : one reading of the measured horizon, common and own parts together
    distance_fraction, distance_m : of a measured distance, both at once
    position_m, height_m : the dish against the plan
    obstacle_m : an obstacle's plan position (each axis) and height, where it states none of its own
    growth_fraction : of a tree's growth rate
    terrain : scales the rasters' own errors (1) or leaves them out (0)
    unread : scales what may stand between and beside readings (1) or leaves it out (0)
    """

    bearing_deg: float = 1.0
    inclination_deg: float = 0.5
    distance_fraction: float = 0.05
    position_m: float = 0.2
    height_m: float = 0.1
    obstacle_m: float = 0.3
    growth_fraction: float = 0.3
    terrain: float = 1.0
    unread: float = 1.0
    distance_m: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Unread:
    """Which stretch between or beside readings each column lies in; nobody looked inside it.

    stretch : (column,) int, the same number for one stretch; -1 where a reading stands
    along : (column,) float, 0 to 1 within it
    width_deg : (column,) float, of the stretch
    rise_deg : (column,) float, from the reading at its beginning to that at its end; nan beside the outermost reading
    """

    stretch: Ints
    along: Floats
    width_deg: Floats
    rise_deg: Floats

    def kept(self, at: Ints) -> Unread:
        """Only some columns, by number."""
        return Unread(self.stretch[at], self.along[at], self.width_deg[at], self.rise_deg[at])


@dataclass(frozen=True, slots=True)
class RasterErrors:
    """Standard errors of one raster.

    vertical_m, horizontal_m : standard deviations
    correlation_m : distance over which the height error stays alike
    number : its place in the list of rasters, which fixes its draws
    fine : whether it is a surface of 2 m or finer, whose edges may be so near that a change of distance counts
    """

    vertical_m: float
    correlation_m: float
    horizontal_m: float = 0.0
    number: int = 0
    fine: bool = False


@dataclass(frozen=True, slots=True)
class ObstacleErrors:
    """Standard errors of one obstacle: of its height and place, and the raster its ground came from."""

    height_m: float | None = None
    along_m: float | None = None
    across_m: float | None = None
    grown_m: float = 0.0
    ground_from: str = ""

    def widest(self, other: ObstacleErrors) -> ObstacleErrors:
        """The larger of each error of two obstacles that share a name."""

        def larger(mine: float | None, theirs: float | None) -> float | None:
            return None if mine is None or theirs is None else max(mine, theirs)

        return ObstacleErrors(
            larger(self.height_m, other.height_m),
            larger(self.along_m, other.along_m),
            larger(self.across_m, other.across_m),
            max(self.grown_m, other.grown_m),
            max(self.ground_from, other.ground_from),
        )


@dataclass(frozen=True, slots=True, eq=False)
class UncertainSilhouette:
    """The columns of one source and how their errors depend on each other.

    anchors, weights : (column, 2), measured only: the readings each column is interpolated from
    from_instrument_m : (3,), measured only: dish centre minus instrument; distance errors act along that lever
    unread : measured only: the stretches that nobody read
    rasters : standard errors by name of raster
    obstacles : standard errors by name of obstacle
    ground_from : the raster that the dish's own height rests on; "" where it was given
    blur : terrain only: what fine rasters may have blurred
    """

    silhouette: Silhouette
    anchors: np.ndarray | None = None
    weights: Floats | None = None
    from_instrument_m: Floats | None = None
    unread: Unread | None = None
    rasters: Mapping[str, RasterErrors] = field(default_factory=dict)
    obstacles: Mapping[str, ObstacleErrors] = field(default_factory=dict)
    ground_from: str = ""
    blur: Blur | None = None

    def kept(self, at: Ints) -> UncertainSilhouette:
        """Only some columns, by number."""
        return UncertainSilhouette(
            self.silhouette.kept(at),
            None if self.anchors is None else self.anchors[at],
            None if self.weights is None else self.weights[at],
            self.from_instrument_m,
            None if self.unread is None else self.unread.kept(at),
            self.rasters,
            self.obstacles,
            self.ground_from,
            None if self.blur is None else self.blur.kept(at),
        )
