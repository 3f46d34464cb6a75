"""Lists of buildings: the outlines of their records, in a plan of each one's own; records that cannot be searched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from skysill.bulk.roof_spots import Roofs, inner_areas, most_spots
from skysill.errors import InputError
from skysill.geodesy.positions import plan_offset
from skysill.io.address_files import AddressFile
from skysill.io.address_lists import (
    Addresses,
    RecordReader,
    RefusedError,
    Reject,
    read_addresses,
    read_records,
)
from skysill.io.address_vectors import holds_areas
from skysill.io.geojson import geometry_parts
from skysill.model.site import Satellite
from skysill.units import Floats, wrap_180

__all__ = ["read_buildings", "read_places"]

_MOST_SPOTS = 200_000
_WIDEST_M = 2_000.0
_LEAST_M2 = 1.0
_WORDS = {"point": "a point", "line": "a line", "area": "an area"}


def read_places(
    file: AddressFile, *, default_height_m: float, satellites: Sequence[Satellite] = ()
) -> Addresses:
    """The records of a list of addresses, or of buildings, each at the middle of its outline."""
    if holds_areas(file):
        return read_buildings(
            file, default_height_m=default_height_m, satellites=satellites, step_m=1.0, setback_m=0.0
        )[0]
    return read_addresses(file, default_height_m=default_height_m, satellites=satellites)


def read_buildings(
    file: AddressFile,
    *,
    default_height_m: float,
    satellites: Sequence[Satellite],
    step_m: float,
    setback_m: float,
) -> tuple[Addresses, Roofs]:
    """Read every record's outline, mount height and satellite; records that cannot be searched are rejected.

    Parameters
    ----------
    default_height_m : dish centre over the ground where a record says nothing and its roof is not known
    step_m, setback_m : of the search: an outline of which nothing is left, or of more spots than a search takes, is
        rejected

    Returns
    -------
    The records that can be searched, each at the origin of its plan, and their outlines, one for each
    """
    reader = _AreaReader(file, default_height_m, list(satellites))
    read = read_records(file, reader)
    shapes = np.array([*reader.shapes, None], dtype=object)[:-1]
    roofs, faults = _planned(shapes, step_m, setback_m)
    good = np.array([fault is None for fault in faults], dtype=bool)
    rejects = [
        Reject(reader.lines[k], reader.ids[k], fault) for k, fault in enumerate(faults) if fault is not None
    ]
    kept = replace(
        read,
        record=read.record[good],
        latitude_deg=roofs.latitude_deg[good],
        longitude_deg=roofs.longitude_deg[good],
        mount_height_m=read.mount_height_m[good],
        satellite=read.satellite[good],
        rejects=tuple(sorted([*read.rejects, *rejects], key=lambda reject: reject.line)),
    )
    return kept, roofs.take(good)


class _AreaReader(RecordReader):
    """Collects the outlines of the records that it can read; their places are worked out afterwards."""

    def __init__(self, file: AddressFile, default_height_m: float, satellites: list[Satellite]) -> None:
        super().__init__(file, default_height_m, satellites)
        self.shapes: list[Any] = []
        self.lines: list[int] = []
        self.ids: list[str] = []

    def read(self, record: Any) -> tuple[float, float, float, int]:
        read = super().read(record)
        self.shapes.append(self._shape)
        self.lines.append(record.line)
        self.ids.append(self.identity(record))
        return read

    def place(self, cells: Sequence[Any]) -> tuple[float, float]:
        self._shape = _area(cells[-1])
        return 0.0, 0.0


def _area(geometry: Any) -> Any:
    """The polygon or multipolygon of a record, in degrees.

    Raises
    ------
    RefusedError : none, or something else
    """
    if geometry is None:
        raise RefusedError("it has no geometry")
    if not isinstance(geometry, dict):
        kind = str(geometry.geom_type)
        if kind not in ("Polygon", "MultiPolygon"):
            raise RefusedError(f"its geometry is a {kind}, where the list holds outlines of buildings")
        if geometry.is_empty:
            raise RefusedError("it has no geometry")
        return geometry
    import shapely

    try:
        parts = list(geometry_parts(geometry, ""))
    except InputError as fault:
        raise RefusedError(f"its geometry {fault.what.rstrip('.')}") from None
    kinds = {kind for kind, *_ in parts}
    if kinds != {"area"}:
        named = " and ".join(_WORDS[kind] for kind in sorted(kinds))
        raise RefusedError(f"its geometry is {named}, where the list holds outlines of buildings")
    polygons = [
        shapely.Polygon([p[:2] for p in ring], [[p[:2] for p in hole] for hole in holes])
        for _, ring, holes in parts
    ]
    return polygons[0] if len(polygons) == 1 else shapely.MultiPolygon(polygons)


def _planned(shapes: np.ndarray[Any, Any], step_m: float, setback_m: float) -> tuple[Roofs, list[str | None]]:
    """Outlines from degrees to plans, and for each why it cannot be searched, None where it can."""
    import shapely

    count = len(shapes)
    faults: list[str | None] = [None] * count
    if not count:
        return Roofs(np.zeros(0), np.zeros(0), shapes), faults
    degrees, owner = shapely.get_coordinates(shapes, return_index=True)
    good = np.isfinite(degrees).all(axis=1) & (np.abs(degrees) <= [180.0, 90.0]).all(axis=1)
    wrong = np.bincount(owner[~good], minlength=count) > 0
    for k in np.flatnonzero(wrong).tolist():
        faults[k] = "its geometry has coordinates that are not longitude and latitude; longitude comes first"
    first = np.searchsorted(owner, np.arange(count))
    degrees = np.where(wrong[owner][:, None], 0.0, degrees)
    turned = wrap_180(degrees[:, 0] - degrees[first, 0][owner])  # an outline may lie across 180 degrees
    south, north = (ufunc.reduceat(degrees[:, 1], first) for ufunc in (np.minimum, np.maximum))
    west, east = (ufunc.reduceat(turned, first) for ufunc in (np.minimum, np.maximum))
    latitude = (south + north) / 2.0
    longitude = np.asarray(wrap_180(degrees[first, 0] + (west + east) / 2.0))
    place = plan_offset(latitude[owner], longitude[owner], degrees[:, 1], degrees[:, 0])
    plan = np.asarray(shapely.set_coordinates(shapes.copy(), np.column_stack(place)), dtype=object)
    found = [mine or fault for mine, fault in zip(faults, _faults(plan, step_m, setback_m), strict=True)]
    return Roofs(latitude, longitude, plan), found


def _faults(plan: np.ndarray[Any, Any], step_m: float, setback_m: float) -> list[str | None]:
    """Why outlines cannot be searched, None where they can."""
    import shapely

    faults: list[str | None] = [None] * len(plan)
    valid = shapely.is_valid(plan)
    for k in np.flatnonzero(~valid).tolist():
        faults[k] = _invalid(plan[k])
    area, wide = shapely.area(plan), _widths_m(plan)
    left = np.zeros(len(plan), dtype=bool)
    sound = np.flatnonzero(valid & (wide <= _WIDEST_M))
    left[sound] = ~shapely.is_empty(inner_areas(plan[sound], setback_m))
    spots = most_spots(plan, step_m)
    for k in np.flatnonzero(valid).tolist():
        if wide[k] > _WIDEST_M:
            faults[k] = f"it is {wide[k] / 1000.0:,.1f} km across, which is no building"
        elif area[k] < _LEAST_M2:
            faults[k] = f"it is {area[k]:.2g} m² large: no roof to stand a mast on"
        elif not left[k]:
            faults[k] = f"no place on it is {setback_m:g} m from its edges (--edge-setback)"
        elif spots[k] > _MOST_SPOTS:
            faults[k] = f"a {step_m:g} m grid has {spots[k]:,.0f} spots on it; take a coarser one (--grid)"
    return faults


def _invalid(shape: Any) -> str:
    import shapely

    reason = str(shapely.is_valid_reason(shape)).split("[")[0].strip().lower()
    if "self-intersection" in reason:
        return "its outline crosses itself"
    return f"its outline is not valid: {reason}"


def _widths_m(plan: np.ndarray[Any, Any]) -> Floats:
    import shapely

    west, south, east, north = shapely.bounds(plan).T
    return np.asarray(np.fmax(east - west, north - south))
