"""Points of a laser scan around a site, as arrays in the site's plan frame.

Class numbers are those of the ASPRS LAS specification 1.4 R15, table 17.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skysill.extraction.found import SurveyData
from skysill.units import Bools, Floats

__all__ = [
    "BUILDING_CLASS",
    "DEFAULT_SURVEY",
    "GROUND_CLASS",
    "NOISE_CLASSES",
    "SUPPORT_CLASSES",
    "VEGETATION_CLASSES",
    "WIRE_CLASSES",
    "Bytes",
    "PointCloud",
    "Singles",
    "index_blocks",
]

Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]

GROUND_CLASS = 2
VEGETATION_CLASSES = (3, 4, 5)
BUILDING_CLASS = 6
NOISE_CLASSES = (7, 18)
WIRE_CLASSES = (13, 14)
"""Shield wire and conductor; 15 and 16 are towers and connectors, which are no wires."""

SUPPORT_CLASSES = (15, 16)
"""Transmission tower and wire-structure connector."""

DEFAULT_SURVEY = SurveyData("laser scan", 0.15, 0.3)
"""Where nobody states errors. Quality level 2 asks for 0.10 m rms of heights on open hard ground (USGS Lidar Base
Specification, from memory); rough ground is worse. 0.3 m in plan is common practice, no source."""

_BLOCK = 2_000_000
"""Points taken at a time, so that temporary arrays stay below about 100 MB."""


@dataclass(frozen=True, slots=True, eq=False)
class PointCloud:
    """Points kept of a laser scan; every array is (n,).

    east_m, north_m : float32 plan metres from the site's position (0.1 mm at 1 km); elevation_m : float32 above `datum`
    classes : uint8 ASPRS classes, 0 and 1 where nobody classified
    return_number, returns : uint8, which echo of its pulse a point is, and of how many
    survey : origin, errors of the survey as a whole, age
    reach_m : the points around the site are kept up to this distance; None: all there are
    datum : name of the vertical datum, "" where not stated
    notes : what was assumed or left out, in sentences
    """

    east_m: Singles
    north_m: Singles
    elevation_m: Singles
    classes: Bytes
    return_number: Bytes
    returns: Bytes
    survey: SurveyData = DEFAULT_SURVEY
    reach_m: float | None = None
    datum: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.east_m)
        for name, kind in (
            ("east_m", np.float32),
            ("north_m", np.float32),
            ("elevation_m", np.float32),
            ("classes", np.uint8),
            ("return_number", np.uint8),
            ("returns", np.uint8),
        ):
            column = np.ascontiguousarray(getattr(self, name), dtype=kind)
            if column.shape != (count,):
                raise ValueError(f"{name}: one value a point, {count}, not {column.shape}")
            if column is getattr(self, name) and column.flags.writeable:
                column = column.view()
            column.setflags(write=False)
            object.__setattr__(self, name, column)

    def __len__(self) -> int:
        return len(self.east_m)

    @classmethod
    def of(
        cls,
        points_m: Floats,
        classes: NDArray[np.integer] | None = None,
        return_number: NDArray[np.integer] | None = None,
        returns: NDArray[np.integer] | None = None,
        *,
        survey: SurveyData | None = None,
        reach_m: float | None = None,
    ) -> PointCloud:
        """A cloud of (n, 3) east, north, elevation; without classes nothing is classified, without returns all are one.

        >>> len(PointCloud.of(np.zeros((3, 3))))
        3
        """
        points = np.asarray(points_m)
        ones, none = np.ones(len(points), dtype=np.uint8), np.zeros(len(points), dtype=np.uint8)
        return cls(
            points[:, 0].astype(np.float32),
            points[:, 1].astype(np.float32),
            points[:, 2].astype(np.float32),
            none if classes is None else classes.astype(np.uint8),
            ones if return_number is None else return_number.astype(np.uint8),
            ones if returns is None else returns.astype(np.uint8),
            survey=survey or DEFAULT_SURVEY,
            reach_m=reach_m,
        )

    @property
    def points_m(self) -> Floats:
        """(n, 3) east, north, elevation as float64: a copy."""
        return np.column_stack([self.east_m, self.north_m, self.elevation_m]).astype(np.float64)

    @property
    def classified(self) -> bool:
        """Whether somebody told buildings and vegetation apart, not only ground from the rest."""
        return bool((self.in_classes((*VEGETATION_CLASSES, BUILDING_CLASS))).any())

    def in_classes(self, wanted: Sequence[int]) -> Bools:
        """(n,) whether points are of one of some classes."""
        table = np.zeros(256, dtype=bool)
        table[list(wanted)] = True
        return np.asarray(table[self.classes])

    def select(self, kept: Bools | NDArray[np.integer]) -> PointCloud:
        """The points of a mask or index, with everything that is known of the whole."""
        return PointCloud(
            self.east_m[kept],
            self.north_m[kept],
            self.elevation_m[kept],
            self.classes[kept],
            self.return_number[kept],
            self.returns[kept],
            survey=self.survey,
            reach_m=self.reach_m,
            datum=self.datum,
            notes=self.notes,
        )

    def within(self, west_m: float, south_m: float, east_m: float, north_m: float) -> PointCloud:
        """The points of a rectangle."""
        return self.select(
            (self.east_m >= west_m)
            & (self.east_m < east_m)
            & (self.north_m >= south_m)
            & (self.north_m < north_m)
        )


def index_blocks(count: int) -> Iterator[slice]:
    """Slices that cover `count` points, so that sums over many points need little memory at a time."""
    for start in range(0, count, _BLOCK):
        yield slice(start, min(start + _BLOCK, count))
