"""Vertical datums of rasters: what their heights count from, and how one is brought to another.

A datum is read from the vertical part of a raster's coordinate reference system. Heights are transformed by PROJ where
the grids that it needs are installed on this machine (its own network access stays off); where they are not, heights
stay as they are and the possible difference is added to the raster's standard error, and said.
"""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from skysill.errors import InputError
from skysill.units import Floats

__all__ = ["DatumShift", "VerticalDatum", "datum_difference", "vertical_datum"]

GEOID_HEIGHT_ERROR_M = 30.0
"""Standard deviation of the height of the geoid above the ellipsoid over the Earth: it runs from -107 to +85 m, rms
about 30 m (EGM96: Lemoine et al., NASA/TP-1998-206861, from memory)."""

LEVELLING_ERROR_M = 1.0
"""Standard deviation between two datums of heights above the sea. Mean sea level, on which national levellings begin,
departs from the geoid by up to 2 m (mean dynamic ocean topography, from memory); one standard deviation is taken
as half of that: common practice, no source."""

_ACCURACY_UNSAID_M = 0.3
_NODE_STEP_M = 2000.0


@dataclass(frozen=True, slots=True)
class VerticalDatum:
    """What heights count from.

    name : of the datum, in the words of the EPSG registry
    kind : "ellipsoid", or "sea" for heights above a level surface
    crs : WKT of geographic base and vertical part, from which PROJ can transform
    """

    name: str
    kind: Literal["ellipsoid", "sea"]
    crs: str

    @property
    def said(self) -> str:
        return f"above the {self.name} ellipsoid" if self.kind == "ellipsoid" else f"above {self.name}"

    def same_as(self, other: VerticalDatum) -> bool:
        """Whether heights above both are the same to a decimetre or two (all ellipsoids of today's frames are)."""
        if self.kind != other.kind:
            return False
        return self.kind == "ellipsoid" or self.name == other.name


@dataclass(frozen=True, slots=True)
class DatumShift:
    """Adds to heights what brings them from one datum to another. source, target : WKT"""

    source: str
    target: str

    def metres(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """What is added at places, metres, broadcast; nan where the grids do not reach."""
        latitude_deg, longitude_deg = np.broadcast_arrays(latitude_deg, longitude_deg)
        with _no_network():
            found = _transformer(
                self.source,
                self.target,
                round(float(latitude_deg.mean())),
                round(float(longitude_deg.mean())),
            )
            if found is None:
                return np.full(latitude_deg.shape, np.nan)
            transformer, unit_m, _ = found
            up = transformer.transform(
                longitude_deg.ravel(), latitude_deg.ravel(), np.zeros(latitude_deg.size)
            )[2]
        shift_m = np.asarray(up, float) * unit_m
        return np.where(np.isfinite(shift_m), shift_m, np.nan).reshape(latitude_deg.shape)


def vertical_datum(wkt: str, where: str) -> VerticalDatum | None:
    """The vertical datum of a raster's CRS; None where it names none.

    Raises
    ------
    InputError : the vertical axis counts downwards
    """
    return _vertical_datum(wkt, where)


@lru_cache(maxsize=256)
def _vertical_datum(wkt: str, where: str) -> VerticalDatum | None:
    from pyproj import CRS
    from pyproj.crs import CompoundCRS

    crs = CRS.from_wkt(wkt)
    parts = crs.sub_crs_list if crs.is_compound else [crs]
    plane = parts[0].source_crs if parts[0].is_bound and parts[0].source_crs is not None else parts[0]
    base = plane.geodetic_crs
    vertical = next((part for part in parts[1:] if part.is_vertical), None)
    if vertical is not None and vertical.is_bound and vertical.source_crs is not None:
        vertical = vertical.source_crs
    if vertical is None:
        if len(plane.axis_info) < 3 or base is None:
            return None
        _refuse_depths(plane.axis_info[2].direction, where)
        return VerticalDatum(base.name, "ellipsoid", base.to_3d().to_wkt())
    _refuse_depths(vertical.axis_info[0].direction if vertical.axis_info else "up", where)
    flat = base.to_2d() if base is not None else CRS.from_epsg(4326)
    name = vertical.datum.name if vertical.datum is not None else vertical.name
    if "ellipsoid" in name.lower():
        return VerticalDatum(flat.name, "ellipsoid", flat.to_3d().to_wkt())
    return VerticalDatum(
        name, "sea", CompoundCRS(f"{flat.name} + {vertical.name}", [flat, vertical]).to_wkt()
    )


def _refuse_depths(direction: str, where: str) -> None:
    if direction.lower() == "down":
        raise InputError("counts depths, not heights.", where=where, mend="Turn its values into heights.")


def datum_difference(
    mine: VerticalDatum | None, wanted: VerticalDatum | None, latitude_deg: float, longitude_deg: float
) -> tuple[DatumShift | None, float, str]:
    """How heights above one datum are brought to another, near a place.

    Returns
    -------
    the shift, None where there is none to apply; standard error that the difference leaves, metres; what to say

    Notes
    -----
    Without a transformation the heights stay as they are and the error is that of the datums' possible difference.
    """
    if wanted is None or (mine is not None and mine.same_as(wanted)):
        return None, 0.0, ""
    if mine is None:
        return None, LEVELLING_ERROR_M, (
            f"its file does not say what its heights count from; they are taken as {wanted.said}, and "
            f"{LEVELLING_ERROR_M:g} m is added to their standard error"
        )  # fmt: skip
    with _no_network():
        found = _transformer(mine.crs, wanted.crs, round(latitude_deg), round(longitude_deg))
    if found is not None:
        shift = DatumShift(mine.crs, wanted.crs)
        there_m = float(shift.metres(np.array(latitude_deg), np.array(longitude_deg)))
        if np.isfinite(there_m):
            error_m = found[2] if found[2] >= 0.0 else _ACCURACY_UNSAID_M
            return shift, error_m, (
                f"heights {mine.said} are brought to {wanted.said} ({there_m:+.2f} m here, standard error "
                f"{error_m:g} m)"
            )  # fmt: skip
    error_m = LEVELLING_ERROR_M if mine.kind == wanted.kind else GEOID_HEIGHT_ERROR_M
    return None, error_m, (
        f"heights are {mine.said} and not {wanted.said}, and the grids to transform them are not installed; "
        f"{error_m:g} m is added to their standard error"
    )  # fmt: skip


@contextlib.contextmanager
def _no_network() -> Iterator[None]:
    """PROJ fetches no grids meanwhile, whatever the environment allows it."""
    from pyproj.network import is_network_enabled, set_network_enabled  # type: ignore[attr-defined]  # not re-exported

    before = is_network_enabled()
    set_network_enabled(active=False)
    try:
        yield
    finally:
        set_network_enabled(active=before)


@lru_cache(maxsize=64)
def _transformer(
    source: str, target: str, latitude_deg: int, longitude_deg: int
) -> tuple[Any, float, float] | None:
    """The best transformation whose grids are here, metres in one unit of its result, its accuracy; None: none."""
    from pyproj import CRS
    from pyproj.aoi import AreaOfInterest
    from pyproj.exceptions import ProjError
    from pyproj.transformer import TransformerGroup

    area: Any = AreaOfInterest(
        longitude_deg - 1.0,
        max(latitude_deg - 1.0, -90.0),
        longitude_deg + 1.0,
        min(latitude_deg + 1.0, 90.0),
    )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that a better one lacks its grid is what is asked for here
            group = TransformerGroup(
                source, target, always_xy=True, area_of_interest=area, allow_ballpark=False
            )
    except ProjError:
        return None
    if not group.transformers:
        return None
    axes = CRS.from_wkt(target).axis_info
    unit_m = float(axes[2].unit_conversion_factor) if len(axes) > 2 else 1.0
    best = group.transformers[0]
    return best, unit_m, float(best.accuracy)
