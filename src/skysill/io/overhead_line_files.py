"""Overhead lines for a list of roofs, from a vector file: the wires of an obstacles file, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from skysill.bulk.overhead_line_lists import OverheadLines
from skysill.errors import InputError
from skysill.horizon.lattice import Elevations
from skysill.io.obstacle_files import placed_features, read_features
from skysill.io.obstacle_schema import Feature, Ground, obstacles_of, unique_names
from skysill.io.site_obstacles import ground_of
from skysill.io.vector_files import split_layer
from skysill.model.obstacles import Obstacle
from skysill.model.site import Site

__all__ = ["read_overhead_lines"]


def read_overhead_lines(path: str | Path, rasters: Sequence[Elevations]) -> OverheadLines:
    """The overhead lines of a vector file, anywhere: LineStrings of kind "wire", or tagged power=line, minor_line.

    Parameters
    ----------
    path : GeoJSON, GeoPackage, Shapefile, FlatGeobuf or GeoParquet
    rasters : bare ones give the ground that height_m counts from

    Raises
    ------
    InputError : unreadable; no line in it; anything that is no wire; a wire without elevations where no bare raster has
        the ground; names file and feature
    """
    bare = [raster for raster in rasters if raster.kind == "bare"]
    wires: list[Obstacle] = []
    origins: list[tuple[float, float]] = []
    for given in read_features(path):
        latitude_deg, longitude_deg = _first_point(given.geometry, given.where)
        features = placed_features(given, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
        for feature in features:
            _check_wire(feature)
        ground = _ground_at(latitude_deg, longitude_deg, bare)
        for feature in features:
            if ground is None:
                _check_elevations(feature)
        wires += obstacles_of(features, ground or _under(features))
        origins += [(latitude_deg, longitude_deg)] * len(features)
    if not wires:
        raise InputError("has no overhead line.", where=str(path), mend="Leave the option out.")
    latitude, longitude = np.array(origins, dtype=np.float64).T
    return OverheadLines(unique_names(wires), latitude, longitude, str(split_layer(path)[0]))


def _first_point(geometry: Any, where: str) -> tuple[float, float]:
    """Latitude and longitude of a geometry's first vertex."""
    node = geometry.get("coordinates") if isinstance(geometry, dict) else None
    while isinstance(node, list | tuple) and node and isinstance(node[0], list | tuple):
        node = node[0]
    try:
        longitude_deg, latitude_deg = (float(value) for value in node[:2])  # type: ignore[index]  # checked by the float
    except (TypeError, ValueError):
        raise InputError("has no geometry.", where=where, mend="Draw it, or take the feature out.") from None
    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0):
        raise InputError(
            "has coordinates that are not longitude and latitude.",
            where=where,
            mend="GeoJSON is WGS 84 degrees, longitude first; save it so.",
        )
    return latitude_deg, longitude_deg


def _check_wire(feature: Feature) -> None:
    if feature.shape == "line" and feature.kind == "wire":
        return
    what = {"point": "a point", "line": "a line", "area": "an area"}[feature.shape]
    raise InputError(
        f"is {what}{f' of kind {feature.kind}' if feature.kind else ' of no stated kind'}, not an overhead line.",
        where=feature.where,
        mend='Give lines of kind "wire"; what else stands there is in the surface raster.',
    )


def _ground_at(latitude_deg: float, longitude_deg: float, bare: Sequence[Elevations]) -> Ground | None:
    """The ground around a place by bare rasters; None where none has any. Roofs and trees are no ground."""
    if not bare:
        return None
    ground = ground_of(Site("line", latitude_deg, longitude_deg), bare)
    return ground if ground.known else None


def _check_elevations(feature: Feature) -> None:
    if feature.points_m.shape[1] == 3 or "top_elevation_m" in feature.numbers:
        return
    raise InputError(
        "has no elevations, and no bare raster says where the ground is that its height counts from.",
        where=feature.where,
        mend="Give each support its elevation as the third number, or name a bare raster with --terrain.",
    )


def _under(features: Sequence[Feature]) -> Ground:
    """Ground below wires of which only elevations are known."""
    levels = [
        float(f.points_m[:, 2].min()) if f.points_m.shape[1] == 3 else f.numbers["top_elevation_m"]
        for f in features
    ]
    sags = [f.numbers.get("sag_m", 0.0) for f in features]
    return Ground(min(levels) - max(sags) - 1.0, known=True)
