"""Windows of a raster, and the extremes of its ground over square blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.bulk.running_maximum import GridValues
from skysill.horizon.block_maxima import over_blocks
from skysill.units import Bools, Floats

__all__ = ["Relief", "Tile", "block_relief"]


@dataclass(frozen=True, slots=True)
class Tile:
    """A window of a raster: rows [top, bottom), columns [left, right)."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.bottom - self.top, self.right - self.left

    def within(self, other: Tile) -> Tile:
        """The part inside another tile."""
        return Tile(
            max(self.top, other.top), min(self.bottom, other.bottom),
            max(self.left, other.left), min(self.right, other.right),
        )  # fmt: skip

    def cut(self, values: GridValues, around: Tile) -> GridValues:
        """This tile's part of an array that covers a larger tile."""
        return values[
            self.top - around.top : self.bottom - around.top,
            self.left - around.left : self.right - around.left,
        ]


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """Extremes of a raster over square blocks.

    block : cells along a side
    lowest_m, highest_m : (block row, block column) float; inf and -inf where a block is all void
    void : (block row, block column) bool; whether a block holds any void
    """

    block: int
    lowest_m: Floats
    highest_m: Floats
    void: Bools

    def _blocks(self, tile: Tile) -> tuple[slice, slice]:
        return (
            slice(max(tile.top, 0) // self.block, -(-tile.bottom // self.block)),
            slice(max(tile.left, 0) // self.block, -(-tile.right // self.block)),
        )

    def typical_m(self, tile: Tile) -> float:
        """Mean over the blocks that a tile touches of the mean of their lowest and highest ground."""
        here = self._blocks(tile)
        some = np.isfinite(self.highest_m[here])
        return float(((self.lowest_m[here] + self.highest_m[here])[some] / 2.0).mean())

    def over(self, tile: Tile) -> tuple[float, float, bool]:
        """Lowest and highest ground of the blocks that a tile touches, and whether they hold a void."""
        here = self._blocks(tile)
        return (
            float(self.lowest_m[here].min()),
            float(self.highest_m[here].max()),
            bool(self.void[here].any()),
        )


def block_relief(elevation_m: GridValues, block: int) -> tuple[Floats, Floats, Bools]:
    """Lowest and highest ground of every block, and whether it holds a void.

    elevation_m : (row, column), nan = void; its first cell starts a block
    """
    lowest, highest = (
        over_blocks(operation, elevation_m, block).astype(np.float64)
        for operation in (np.minimum, np.maximum)
    )
    void = np.isnan(lowest)  # a minimum is nan wherever one value is
    if void.any():
        unknown = np.isnan(elevation_m)
        lowest, highest = (
            over_blocks(operation, np.where(unknown, np.float32(filled), elevation_m), block).astype(
                np.float64
            )
            for operation, filled in ((np.minimum, np.inf), (np.maximum, -np.inf))
        )
    return lowest, highest, void
