"""Fields of a place, and of what the compiled loops find of it."""

from __future__ import annotations

__all__ = [
    "OUT_FIELDS",
    "O_ALONE",
    "O_GAP_FIRST",
    "O_GAP_LAST",
    "O_GAP_REACH",
    "O_MARGIN",
    "O_MET",
    "O_NEAR_RASTER",
    "O_NEAR_SEEN",
    "O_NEAR_SLANT",
    "O_P_CLEAR",
    "O_RASTER",
    "O_SLANT",
    "O_SPARE",
    "O_TOP_SLANT",
    "O_TOP_SLOPE",
    "O_UNTOLD",
    "PLACE_FIELDS",
    "P_AZIMUTH",
    "P_CURVE_EAST",
    "P_CURVE_NORTH",
    "P_DENSE",
    "P_ELEVATION",
    "P_EYE",
    "P_INNER",
    "P_MOST",
    "P_NEAR",
    "P_OUTER",
    "P_OWN",
    "P_WANTED",
]

# fields of a place: eye, azimuth, apparent elevation (radians), curvatures of the effective Earth east and north,
# most distance that counts, rays of the window, distances out to which ground and near evidence must be known, and
# the raster that the dish's ground is from (the number of rasters: none)
(
    P_EYE,
    P_AZIMUTH,
    P_ELEVATION,
    P_CURVE_EAST,
    P_CURVE_NORTH,
    P_MOST,
    P_DENSE,
    P_INNER,
    P_OUTER,
    P_WANTED,
    P_NEAR,
    P_OWN,
) = range(12)

PLACE_FIELDS = 12

# fields of what is found of a place: see `kernel.DishClearances` and `kernel.DishFindings`
(
    O_SPARE,
    O_MARGIN,
    O_SLANT,
    O_RASTER,
    O_MET,
    O_TOP_SLOPE,
    O_TOP_SLANT,
    O_NEAR_SLANT,
    O_NEAR_RASTER,
    O_GAP_FIRST,
    O_GAP_LAST,
    O_GAP_REACH,
    O_NEAR_SEEN,
    O_P_CLEAR,
    O_ALONE,
    O_UNTOLD,
) = (*range(15), 17)

OUT_FIELDS = 18
