"""What the roof page draws: plan, shaded relief, elevations under points, outlines moved onto a raster's edges."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from skysill.assessment.cautions import general_cautions
from skysill.assessment.pipeline import look_vectors
from skysill.assessment.placement import place
from skysill.errors import InputError
from skysill.extraction.outline_snap import nearest_rectangle, snapped_outline
from skysill.geodesy.positions import offset_position
from skysill.horizon.roof_surface import OWN_ROOF, roof_edges
from skysill.horizon.terrain import FINE_CELL_M, Elevations, ground_at
from skysill.io.json_text import plain_values
from skysill.model.job import Job
from skysill.model.obstacles import Obstacle
from skysill.model.site import Mount, Roof
from skysill.units import Floats
from skysill.web.answers import field_of
from skysill.web.warm_jobs import WarmJob

__all__ = ["elevations_document", "hillshade_document", "plan_document", "points_of", "snap_document"]

_BESIDE_M, _AROUND_M = 9.0, 40.0
_WIDEST_M = 400.0
_MOST_PIXELS = 400
_MOST_POINTS = 2_000
_SHOWN_FAR_M = 150.0
_REACH_M = 1.5


def plan_document(job: Job) -> dict[str, Any]:
    """The plan of a site in metres east and north of its position: roof, obstacles, mounts, ways to the satellites."""
    at = place(job, Mount())
    looks = [look_vectors(job, at, satellite)[0] for satellite in job.satellites]
    fault, edges = None, []
    if job.roof is not None:
        try:
            edges = roof_edges(job.roof)
        except InputError as wrong:
            fault = str(wrong)
    scene = () if job.sources.scene is None else job.sources.scene.obstacles
    home, extent = _square(job, _BESIDE_M), _square(job, _AROUND_M)
    middle = np.array([extent["west"] + extent["east"], extent["south"] + extent["north"]]) / 2.0
    document = {
        "site": {"name": at.site.name, "ground_elevation_m": at.site.ground_elevation_m},
        "roof": None if job.roof is None else _roof(job.roof, edges, fault),
        "boundary": job.property_boundary,
        "obstacles": [_obstacle(one) for one in scene if one.name != OWN_ROOF and _is_shown(one, middle)],
        "mounts": [
            {"name": m.name, "east_m": m.east_m, "north_m": m.north_m, "height_m": m.height_m}
            for m in (job.mounts if job.mounts_named else ())
        ],
        "satellites": [
            {"name": s.name, "azimuth_deg": look.azimuth_deg, "visible": look.visible}
            for s, look in zip(job.satellites, looks, strict=True)
        ],
        "home": home,
        "extent": extent,
        "cautions": [
            one.text for one in general_cautions(job.terminal, scene=job.sources.scene, roof=job.roof)
        ],
        "kits": [{"name": kit.name, "heights_m": kit.heights_m} for kit in job.mast_kits],
    }  # fmt: skip
    plain: dict[str, Any] = plain_values(document)
    return plain


def _roof(roof: Roof, edges: Sequence[Floats], fault: str | None) -> dict[str, Any]:
    return {
        "outline": roof.outline,
        "edges": edges,
        "yards": roof.yards,
        "keep_out": roof.keep_out,
        "cable_entry": roof.cable_entry,
        "edge_setback_m": roof.edge_setback_m,
        "shaped": roof.shaped,
        "fault": fault,
    }


def _obstacle(one: Obstacle) -> dict[str, Any]:
    base = {"name": one.name, "kind": one.kind, "height_m": one.height_m}
    if one.shape == "column":
        radius_m = one.crown_radius_m if one.crown else max(one.radius_m, 0.15)
        return {**base, "shape": "circle", "at": one.centre_m, "radius_m": radius_m}
    if one.areas_m:
        return {**base, "shape": "area", "rings": [ring[:, :2] for area in one.areas_m for ring in area]}
    return {**base, "shape": "line", "line": one.line_m[:, :2]}


def _is_shown(one: Obstacle, middle: Floats) -> bool:
    low, high = one.vertices_m[:, :2].min(axis=0), one.vertices_m[:, :2].max(axis=0)
    return bool((low < middle + _SHOWN_FAR_M).all() and (high > middle - _SHOWN_FAR_M).all())


def _square(job: Job, around_m: float) -> dict[str, float]:
    """A square around roof, yards and mounts, and so much on each side."""
    points = [np.array([[m.east_m, m.north_m] for m in job.mounts])] if job.mounts_named else []
    if job.roof is not None:
        points += [np.asarray(ring, dtype=float) for ring in (job.roof.outline, *job.roof.yards)]
    every = np.concatenate(points) if points else np.zeros((1, 2))
    middle = (every.min(axis=0) + every.max(axis=0)) / 2.0
    half = float(min(np.ptp(every, axis=0).max() / 2.0 + around_m, _WIDEST_M / 2.0))
    return {
        "west": float(middle[0] - half),
        "east": float(middle[0] + half),
        "south": float(middle[1] - half),
        "north": float(middle[1] + half),
    }


# --- elevations -----------------------------------------------------------------------------------------------


def _heights(rasters: Sequence[Elevations], job: Job, east_m: Floats, north_m: Floats) -> Floats:
    if not rasters:
        return np.full(np.broadcast(east_m, north_m).shape, np.nan)
    where = offset_position(job.site.latitude_deg, job.site.longitude_deg, east_m, north_m)
    height_m, _ = ground_at(rasters, *where)
    return np.asarray(height_m)


def hillshade_document(warm: WarmJob, given: Mapping[str, Any]) -> dict[str, Any]:
    """Shaded relief of the finest raster over a square of the plan, as PNG with its corners.

    given : "west", "east", "south", "north" in metres
    """
    box = [field_of(given, name, float) for name in ("west", "east", "south", "north")]
    if any(value is None for value in box):
        raise InputError("a part of the plan has west, east, south and north.")
    west, east, south, north = (float(value or 0.0) for value in box)
    if not (0.0 < east - west <= _WIDEST_M and 0.0 < north - south <= _WIDEST_M):
        raise InputError(f"the part of the plan is not between 0 and {_WIDEST_M:g} m wide.")
    key = ("hillshade", west, east, south, north)
    if key not in warm.kept:
        warm.kept[key] = _hillshade(warm.job, west, east, south, north)
    return dict(warm.kept[key])


def _hillshade(job: Job, west: float, east: float, south: float, north: float) -> dict[str, Any]:
    rasters = job.sources.rasters
    if not rasters:
        return {"png": None, "said": "The site has no elevation raster: the plan is drawn on plain ground."}
    finest = min(rasters, key=lambda raster: raster.cell_size_m)
    cell_m = max(finest.cell_size_m / 2.0, max(east - west, north - south) / _MOST_PIXELS)
    columns = np.arange(west + cell_m / 2.0, east, cell_m)
    rows = np.arange(north - cell_m / 2.0, south, -cell_m)
    height_m = _heights(rasters, job, *np.meshgrid(columns, rows))
    if not np.isfinite(height_m).any():
        return {
            "png": None,
            "said": "The elevation rasters have no data here: the plan is drawn on plain ground.",
        }
    from skysill.plots.hillshade import hillshade, hillshade_png

    picture = hillshade_png(hillshade(height_m, cell_m))
    return {
        "png": "data:image/png;base64," + base64.b64encode(picture).decode("ascii"),
        "west": west,
        "north": north,
        "width_m": columns.size * cell_m,
        "height_m": rows.size * cell_m,
        "said": f"Shaded relief of {finest.name}, cells of {finest.cell_size_m:.2g} m.",
    }


def points_of(given: Mapping[str, Any], name: str, least: int) -> Floats:
    """(n, 2) plan positions of a request. Raises InputError."""
    points = field_of(given, name, list) or []
    if not least <= len(points) <= _MOST_POINTS:
        raise InputError(f"has {len(points)} points; it takes {least} or more.", where=name)
    try:
        found = np.array([[float(point[0]), float(point[1])] for point in points], dtype=np.float64)
    except (TypeError, ValueError, IndexError, KeyError) as fault:
        raise InputError("is not a list of [east, north].", where=name) from fault
    if not (np.isfinite(found).all() and np.abs(found).max(initial=0.0) <= 20_000.0):
        raise InputError("lies too far from the site.", where=name)
    return found


def elevations_document(job: Job, given: Mapping[str, Any]) -> dict[str, Any]:
    """Elevations of the surface under points, from the finest surface raster; null where none is known."""
    points = points_of(given, "points", 1)
    fine = _fine_surface(job)
    height_m = _heights(fine[:1], job, *points.T)
    return {"elevations_m": plain_values(height_m.round(2)), "source": fine[0].name if fine else None}


def _fine_surface(job: Job) -> list[Elevations]:
    fine = [r for r in job.sources.rasters if r.kind == "surface" and r.cell_size_m <= FINE_CELL_M]
    return sorted(fine, key=lambda raster: raster.cell_size_m)


def snap_document(job: Job, given: Mapping[str, Any]) -> dict[str, Any]:
    """An outline moved onto the edges of the finest surface raster.

    given : "outline"; "edges", numbers of those that may be moved, default all; "reach_m", default 1.5; "rectangle",
        true: the outline is one and stays one
    """
    outline = points_of(given, "outline", 3)
    fine = _fine_surface(job)
    if not fine:
        raise InputError(
            f"there is no surface raster of {FINE_CELL_M:g} m or finer to snap to.",
            mend="Name one under [terrain], or move the corners by hand.",
        )
    reach_m = min(field_of(given, "reach_m", float, max(_REACH_M, 1.5 * fine[0].cell_size_m)), 10.0)
    edges = field_of(given, "edges", list)
    if edges is not None and not all(isinstance(edge, int) for edge in edges):
        raise InputError("is not a list of numbers.", where="edges")
    snapped = snapped_outline(
        outline.tolist(),
        lambda east_m, north_m: _heights(fine[:1], job, east_m, north_m),
        cell_m=fine[0].cell_size_m,
        reach_m=reach_m,
        edges=edges,
    )
    moved = int(np.isfinite(snapped.moved_m).sum())
    asked = len(outline) if edges is None else len({edge % len(outline) for edge in edges})
    said = f"{moved} of {asked} edges were found in {fine[0].name} and moved onto it."
    if moved < asked:
        said += " The others stay: the surface does not fall off there."
    placed = snapped.outline_m
    if field_of(given, "rectangle", bool, False) and len(placed) == 4:
        placed = nearest_rectangle(placed)
    return {
        "outline": plain_values(placed.round(3)),
        "moved_m": plain_values(snapped.moved_m),
        "said": said,
    }
