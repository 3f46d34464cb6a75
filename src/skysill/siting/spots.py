"""Places for a mount: a grid of spots on a roof and in its yards, and what each stands on."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.roof_surface import roof_elevation_m
from skysill.horizon.terrain import FINE_CELL_M, Elevations, ground_at
from skysill.model.site import MastKit, Roof, Site
from skysill.units import Bools, Floats

__all__ = ["STANDS_OFF_M", "STEEPEST_DEG", "Spots", "spots", "stands_off", "surface_under"]

STANDS_OFF_M = 0.3
"""A spot of a raster is no roof where every straight line of `STRETCH_M` through it drops by more than this.

Chimneys, aerials and crowns do; slopes, ridges, hips and flat roofs do not: a level line runs along each of them.
Own reasoning; the figures are common practice, no source.
"""

STRETCH_M = 3.0
"""Length of those lines; half the roof's narrower side where that is less."""

STEEPEST_DEG = 60.0
"""Steeper than this a surface raster shows a wall's edge or a crown, no roof that a mast stands on.

Common practice, no source: pitched roofs are rarely steeper.
"""

_DIRECTIONS = 16
_SAMPLE_M = 0.5
_MOST_SPOTS = 200_000
_SPOTS_TOGETHER = 4_000


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Places for a mount.

    east_m, north_m, surface_elevation_m : (n,); on_roof : (n,) bool, else in a yard
    source : who gave the surface, roof and yards
    kit : name of the bracket that a spot beside the wall needs, else ""
    notes : what was left out
    """

    east_m: Floats
    north_m: Floats
    surface_elevation_m: Floats
    on_roof: Bools
    source: tuple[str, ...]
    notes: tuple[str, ...] = ()
    kit: tuple[str, ...] = ()

    def __len__(self) -> int:
        return int(self.east_m.size)


def spots(
    roof: Roof,
    site: Site,
    rasters: Sequence[Elevations],
    *,
    step_m: float,
    kits: Sequence[MastKit] = (),
) -> Spots:
    """A grid of spots inside the roof's outline, less its setback, in the yards, and along the walls for brackets.

    Parameters
    ----------
    rasters : for what no facet says: a surface raster of 2 m or finer on the roof, any bare raster in the yards
    step_m : of the grid, whose lines run through the site's origin; along the walls from each corner
    kits : where only brackets are named, the roof and the yards have no spots

    Raises
    ------
    InputError : a step that is no step; an outline without area or without any surface
    """
    import shapely

    if not 0.05 <= step_m <= 100.0:
        raise InputError(
            f"a grid of {step_m:g} m is no grid.", where="--grid", mend="Give metres, from 0.05 to 100."
        )
    whole = shapely.Polygon(roof.outline)
    if not whole.is_valid or whole.area <= 0.0:
        raise InputError("the outline crosses itself or encloses nothing.", where="[roof], outline")
    inner = whole.buffer(-roof.edge_setback_m, join_style="mitre")
    east, north = _lattice(inner, step_m)
    height, source, notes = _roof_surface(roof, site, rasters, east, north)
    fine = np.isfinite(height)
    if not roof.shaped and fine.any():
        off = stands_off(roof, site, rasters, east[fine], north[fine])
        fine[fine] = ~off
        if off.any():
            notes = (
                *notes,
                f"{int(off.sum())} places of the roof were left out: {source} shows a chimney, a crown, an edge or "
                f"something else there that stands {STANDS_OFF_M:g} m and more off its surroundings, or a surface "
                f"steeper than {STEEPEST_DEG:g} degrees.",
            )
    parts: list[Any] = [(east[fine], north[fine], height[fine], np.ones(int(fine.sum()), dtype=bool), source)]
    for yard in roof.yards:
        east, north = _lattice(shapely.Polygon(yard).difference(whole), step_m)
        height, said = _yard_ground(site, rasters, east, north)
        fine = np.isfinite(height)
        parts.append((east[fine], north[fine], height[fine], np.zeros(int(fine.sum()), dtype=bool), said))
    east_m, north_m, surface_m, on_roof = (np.concatenate([part[i] for part in parts]) for i in range(4))
    names: tuple[str, ...] = tuple(name for part in parts for name in [part[4]] * part[0].size)
    brackets = [kit for kit in kits if kit.stand_off_m is not None]
    if brackets and len(brackets) == len(kits):
        east_m, north_m, surface_m, on_roof = (part[:0] for part in (east_m, north_m, surface_m, on_roof))
        names = ()
    kit = ("",) * len(names)
    for bracket in brackets:
        beside = _beside_walls(roof, site, rasters, step_m, bracket.stand_off_m or 0.0)
        east_m, north_m, surface_m = (
            np.concatenate([old, new])
            for old, new in zip((east_m, north_m, surface_m), beside[:3], strict=True)
        )
        on_roof = np.concatenate([on_roof, np.zeros(beside[0].size)])
        names, kit = names + (beside[3],) * beside[0].size, kit + (bracket.name,) * beside[0].size
    found = Spots(east_m, north_m, surface_m, on_roof.astype(bool), names, notes, kit)
    if not len(found):
        raise InputError(
            f"no spot of a {step_m:g} m grid lies inside the roof less {roof.edge_setback_m:g} m from its edges.",
            where="[roof]",
            mend="Take a finer grid or a smaller edge_setback_m.",
        )
    return found


def _beside_walls(
    roof: Roof, site: Site, rasters: Sequence[Elevations], step_m: float, stand_off_m: float
) -> tuple[Floats, Floats, Floats, str]:
    """East, north and the roof's edge beside it, at steps along each wall, `stand_off_m` out from it."""
    import shapely

    ring = np.asarray(shapely.get_coordinates(shapely.orient_polygons(shapely.Polygon(roof.outline))))
    fine = [r.cell_size_m for r in rasters if r.kind == "surface" and r.cell_size_m <= FINE_CELL_M]
    inward_m = 1e-6 if roof.shaped or not fine else fine[0]  # a raster blurs the edge itself
    places, edges = [], []
    for a, b in itertools.pairwise(ring):
        length_m = float(np.linalg.norm(b - a))
        along = (b - a) / length_m
        outward = np.array([along[1], -along[0]])  # the ring runs counter-clockwise
        at_m = np.arange(step_m / 2.0, length_m, step_m)[:, None]
        edges.append(a + at_m * along - inward_m * outward)
        places.append(a + at_m * along + stand_off_m * outward)
    place, edge = np.concatenate(places), np.concatenate(edges)
    outside = shapely.distance(shapely.Polygon(roof.outline), shapely.points(place)) > 0.9 * stand_off_m
    height, source, _ = _roof_surface(roof, site, rasters, *edge.T)
    known = outside & np.isfinite(height)
    return place[known, 0], place[known, 1], height[known], source


def _lattice(area: Any, step_m: float) -> tuple[Floats, Floats]:
    """Grid points in an area; its middle, where the grid is too coarse to have any."""
    import shapely

    if shapely.is_empty(area):
        return np.zeros(0), np.zeros(0)
    west, south, east, north = shapely.bounds(area)
    counts = [
        int(np.floor(hi / step_m)) - int(np.ceil(lo / step_m)) + 1
        for lo, hi in ((west, east), (south, north))
    ]
    if max(counts[0], 0) * max(counts[1], 0) > _MOST_SPOTS:
        raise InputError(
            f"a {step_m:g} m grid has {counts[0] * counts[1]:,} spots.",
            where="--grid",
            mend="Take a coarser one.",
        )
    along = np.arange(np.ceil(west / step_m - 1e-9), np.floor(east / step_m + 1e-9) + 1) * step_m
    up = np.arange(np.ceil(south / step_m - 1e-9), np.floor(north / step_m + 1e-9) + 1) * step_m
    x, y = (g.ravel() for g in np.meshgrid(along, up))
    inside = shapely.intersects_xy(shapely.buffer(area, 1e-9), x, y)
    if not inside.any():
        middle = shapely.point_on_surface(area)
        return np.array([shapely.get_x(middle)]), np.array([shapely.get_y(middle)])
    return x[inside], y[inside]


def surface_under(
    roof: Roof | None, site: Site, rasters: Sequence[Elevations], east_m: float, north_m: float
) -> tuple[float, str] | None:
    """Elevation of the roof under a plan position, and who gave it; None beside the roof, or where nobody knows.

    As for the spots of a search: the roof's own surface, or where it has none a fine surface raster.
    """
    import shapely

    if roof is None or not shapely.Polygon(roof.outline).covers(shapely.Point(east_m, north_m)):
        return None
    try:
        height_m, source, _ = _roof_surface(roof, site, rasters, np.array([east_m]), np.array([north_m]))
    except InputError:
        return None
    return None if np.isnan(height_m[0]) else (float(height_m[0]), source)


def _roof_surface(
    roof: Roof, site: Site, rasters: Sequence[Elevations], east_m: Floats, north_m: Floats
) -> tuple[Floats, str, tuple[str, ...]]:
    """Elevation under each spot, who said so, and what was left out."""
    height = roof_elevation_m(roof, east_m, north_m)
    if roof.shaped:
        missing = int(np.isnan(height).sum())
        note = f"{missing} spots of the roof have no facet under them and were left out."
        return height, "facets", (note,) if missing else ()
    fine = [r for r in rasters if r.kind == "surface" and r.cell_size_m <= FINE_CELL_M]
    if fine and east_m.size:
        height, _ = ground_at(fine, *offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m))
    if east_m.size and not np.isfinite(height).any():
        raise InputError(
            "the roof has an outline but no surface.",
            where="[roof]",
            mend=f"Give surface points with elevations, or a surface raster of {FINE_CELL_M:g} m or finer.",
        )
    return height, fine[0].name if fine else "none", ()


def _yard_ground(
    site: Site, rasters: Sequence[Elevations], east_m: Floats, north_m: Floats
) -> tuple[Floats, str]:
    """Ground in a yard: bare rasters, since a surface raster has its trees; else the site's own ground."""
    bare = [r for r in rasters if r.kind == "bare" and r.cell_size_m <= FINE_CELL_M]
    if bare and east_m.size:
        height, _ = ground_at(bare, *offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m))
        if np.isfinite(height).any():
            return height, bare[0].name
    ground_m = np.nan if site.ground_elevation_m is None else site.ground_elevation_m
    return np.full(east_m.shape, ground_m), "site ground"


def stands_off(
    roof: Roof, site: Site, rasters: Sequence[Elevations], east_m: Floats, north_m: Floats
) -> Bools:
    """(n,) whether a surface raster shows something at a place that is no roof to stand a mast on.

    Through each place 16 straight lines are drawn, in all directions, wherever along them the place may be. Where the
    surface drops by more than `STANDS_OFF_M` somewhere on each of them, the place stands off its surroundings. So it
    does not count where the surface is steeper than `STEEPEST_DEG`, over half a metre.
    """
    fine = [r for r in rasters if r.kind == "surface" and r.cell_size_m <= FINE_CELL_M]
    found = np.zeros(np.shape(east_m), dtype=bool)
    half = max(2, int(_stretch_m(roof) / _SAMPLE_M))
    along_m = np.arange(-half, half + 1) * _SAMPLE_M
    turn = np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS
    step = np.stack([np.sin(turn), np.cos(turn)])[:, :, None] * along_m
    for start in range(0, len(east_m), _SPOTS_TOGETHER):
        here = slice(start, start + _SPOTS_TOGETHER)
        east = east_m[here, None, None] + step[0]
        north = north_m[here, None, None] + step[1]
        surface_m, _ = ground_at(fine, *offset_position(site.latitude_deg, site.longitude_deg, east, north))
        windows = np.lib.stride_tricks.sliding_window_view(surface_m, half + 1, axis=2)
        levels = np.where(np.isnan(windows), -np.inf, windows).min(axis=3).max(axis=(1, 2))
        middle = surface_m[:, :, half]
        steps = (surface_m[:, :, half + 1] - surface_m[:, :, half - 1]) / (2.0 * _SAMPLE_M)
        steep = np.nanmax(np.abs(steps), axis=1) > np.tan(np.deg2rad(STEEPEST_DEG))
        found[here] = (middle[:, 0] - levels > STANDS_OFF_M) | steep
    return found


def _stretch_m(roof: Roof) -> float:
    """Length of the lines that tell a roof from what stands on it: no longer than half the roof is wide."""
    import shapely

    box = shapely.minimum_rotated_rectangle(shapely.Polygon(roof.outline))
    corners = shapely.get_coordinates(box)
    sides = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    return float(np.clip(sides.min() / 2.0, 1.5, STRETCH_M))
