"""Building footprints from vector files, in the site's plan frame, with what their tags say."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from skysill.errors import InputError
from skysill.extraction.footprints import Footprint
from skysill.geodesy.positions import plan_offset
from skysill.io.geojson import geometry_parts
from skysill.io.obstacle_files import read_features

__all__ = ["read_footprints"]


def read_footprints(path: str | Path, *, latitude_deg: float, longitude_deg: float) -> tuple[Footprint, ...]:
    """Every polygon of a vector file, a part of a multipolygon being a footprint of its own.

    Parameters
    ----------
    latitude_deg, longitude_deg : the site's position, origin of the plan frame

    Raises
    ------
    InputError : a file that cannot be read, or that holds no polygon; names file and feature
    """
    found = tuple(_polygons(path, latitude_deg, longitude_deg))
    if not found:
        raise InputError(
            "holds no polygon.", where=str(path), mend="Footprints are polygons; is it the right layer?"
        )
    return found


def _polygons(path: str | Path, latitude_deg: float, longitude_deg: float) -> Iterator[Footprint]:
    for given in read_features(path):
        tags = {str(key): value for key, value in given.properties.items() if value is not None}
        if isinstance(tags.get("tags"), Mapping):  # files that keep all tags in one map
            tags |= {str(key): value for key, value in tags.pop("tags").items()}
        for shape, ring, holes in geometry_parts(given.geometry, given.where):
            if shape != "area":
                continue
            plan = [_plan(one, latitude_deg, longitude_deg, given.where) for one in (ring, *holes)]
            yield Footprint(given.where, plan[0], tuple(plan[1:]), tags)


def _plan(
    ring: object, latitude_deg: float, longitude_deg: float, where: str
) -> tuple[tuple[float, float], ...]:
    import numpy as np

    try:
        degrees = np.array([point[:2] for point in ring], dtype=np.float64)  # type: ignore[attr-defined]  # as read
    except (TypeError, ValueError):
        raise InputError("has a coordinate that is not a number.", where=where) from None
    if (
        not np.isfinite(degrees).all()
        or np.abs(degrees[:, 0]).max() > 180.0
        or np.abs(degrees[:, 1]).max() > 90.0
    ):
        raise InputError(
            "has coordinates that are not longitude and latitude.",
            where=where,
            mend="GeoJSON is WGS 84 degrees, longitude first; save it so.",
        )
    if len(degrees) > 1 and (degrees[0] == degrees[-1]).all():
        degrees = degrees[:-1]
    east_m, north_m = plan_offset(latitude_deg, longitude_deg, degrees[:, 1], degrees[:, 0])
    return tuple(zip(east_m.tolist(), north_m.tolist(), strict=True))
