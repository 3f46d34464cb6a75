"""Obstacles from what was given about each: checked, completed and repaired.

Everything is in the site's plan frame: east, north from the site's position, and elevation above the datum of the
rasters.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.model.obstacles import POLE_RADIUS_M, Crown, Kind, Obstacle, triangles
from skysill.units import Floats

__all__ = ["building", "facet", "pole", "tree", "wall", "wire"]

CROWN_SHARE = 2.0 / 3.0
"""Share of a tree's height that is crown, where nobody said: common practice, no source."""


CROWN_RADIUS_SHARE = 0.25
"""Crown radius over height, where nobody measured it: common practice, no source."""


FARTHEST_M = 20_000.0
"""An obstacle farther from the site than this has its coordinates in the wrong system."""


def _vertices(points: ArrayLike, name: str, least: int) -> Floats:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] not in (2, 3) or len(array) < least:
        raise InputError(
            f'"{name}" needs at least {least} vertices of east, north (and elevation).', where="geometry"
        )
    if not np.isfinite(array).all():
        raise InputError(f'"{name}" has a coordinate that is not a number.', where="geometry")
    if np.abs(array[:, :2]).max() > FARTHEST_M:
        far = float(np.abs(array[:, :2]).max()) / 1000.0
        raise InputError(
            f'"{name}" lies {far:,.0f} km from the site.',
            where="geometry",
            mend="Obstacles stand within 20 km: is the coordinate system named, and are east and north in order?",
        )
    return array


def _top_m(name: str, ground_m: float, height_m: float | None, top_m: float | None) -> float:
    if height_m is None and top_m is None:
        raise InputError(
            f'"{name}" has no height.',
            where="height_m",
            mend="Give height_m above the ground, or top_elevation_m.",
        )
    top = float(top_m) if top_m is not None else ground_m + float(height_m or 0.0)
    if not top > ground_m:
        raise InputError(
            f'"{name}" ends at {top:g} m, not above the ground there ({ground_m:g} m).',
            where="top_elevation_m" if top_m is not None else "height_m",
        )
    return top


def building(
    name: str,
    outline_m: ArrayLike,
    *,
    ground_elevation_m: float,
    height_m: float | None = None,
    top_elevation_m: float | None = None,
    holes_m: Sequence[ArrayLike] = (),
    notes: tuple[str, ...] = (),
) -> Obstacle:
    """An upright block with a flat top, with courtyards where holes are given.

    Parameters
    ----------
    name : as it is shown in results
    outline_m : (vertex, 2) east, north, closed or not
    ground_elevation_m : of the ground it stands on, above the datum
    height_m : above ground_elevation_m; or top_elevation_m : above the datum
    holes_m : rings of courtyards, each (vertex, 2)
    notes : what was assumed or repaired, in whole sentences

    Returns
    -------
    Obstacle of shape "prism"

    Raises
    ------
    InputError : no height, no area, over 20 km from the site. A self-crossing outline is repaired and a note says so.

    >>> building("barn", [[-6, 14], [6, 14], [6, 20], [-6, 20]], ground_elevation_m=41.0, height_m=6.0).top_elevation_m
    47.0
    """
    import shapely

    top = _top_m(name, ground_elevation_m, height_m, top_elevation_m)
    rings = [_vertices(ring, name, 3)[:, :2] for ring in (outline_m, *holes_m)]
    shape: Any = shapely.Polygon(rings[0], rings[1:])
    if not shape.is_valid:
        why = shapely.is_valid_reason(shape).split("[")[0].lower()
        shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
        notes = (
            *notes,
            f'The outline of "{name}" was not sound ({why}); it was repaired, look at it on the plan.',
        )
    pieces = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 1e-6]
    if not pieces:
        raise InputError(f'the outline of "{name}" encloses nothing.', where="geometry")
    areas = tuple(
        tuple(_ring_at_elevation(ring, top) for ring in (p.exterior, *p.interiors))
        for p in shapely.orient_polygons(pieces)
    )
    return Obstacle(name, "building", "prism", ground_elevation_m, areas_m=areas, notes=notes)


def _ring_at_elevation(ring: Any, top_m: float) -> Floats:
    import shapely

    plan = shapely.get_coordinates(ring)[:-1]
    return np.column_stack([plan, np.full(len(plan), top_m)])


def facet(
    name: str,
    vertices_m: ArrayLike,
    *,
    kind: Kind = "roof",
    ground_elevation_m: float | None = None,
    stands: bool | None = None,
    notes: tuple[str, ...] = (),
) -> Obstacle:
    """A flat piece given by vertices with elevations: a slope of a roof, a canopy.

    Parameters
    ----------
    name : as it is shown in results
    vertices_m : (vertex, 3) east, north, elevation
    kind : "roof" (the sky under its eaves stays open) or "building" (everything below it is hidden)
    ground_elevation_m : of the ground below it; None: its lowest vertex
    stands : whether everything below it is hidden; None: by its kind
    notes : what was assumed or repaired, in whole sentences

    Returns
    -------
    Obstacle of shape "facet"

    Raises
    ------
    InputError : vertices without elevation, no area

    >>> slope = facet("south slope", [[0, 0, 46.0], [12, 0, 46.0], [12, 4, 49.0], [0, 4, 49.0]])
    >>> slope.top_elevation_m, slope.stands
    (49.0, False)
    """
    ring = _vertices(vertices_m, name, 3)
    if ring.shape[1] != 3:
        raise InputError(f'"{name}" is a facet and needs an elevation at every vertex.', where="geometry")
    if np.allclose(ring[0], ring[-1]):
        ring = ring[:-1]
    if not len(triangles((ring,))):
        raise InputError(f'the facet "{name}" has no area.', where="geometry")
    ring = np.array(ring)
    ring.setflags(write=False)
    if _off_plane_m(ring) > 0.05:
        notes = (*notes, f'The vertices of "{name}" are not in one plane; it was split into triangles.')
    ground = float(ring[:, 2].min()) if ground_elevation_m is None else ground_elevation_m
    standing = kind in ("building", "wall") if stands is None else stands
    return Obstacle(name, kind, "facet", ground, areas_m=((ring,),), stands=standing, notes=notes)


def _off_plane_m(ring: Floats) -> float:
    centred = ring - ring.mean(axis=0)
    return float(np.abs(centred @ np.linalg.svd(centred)[2][2]).max())


def wall(
    name: str,
    line_m: ArrayLike,
    *,
    ground_elevation_m: float,
    height_m: float | None = None,
    top_elevation_m: float | None = None,
    kind: Kind = "wall",
    notes: tuple[str, ...] = (),
) -> Obstacle:
    """A wall, parapet, hedge or ridge: a line that hides everything below it.

    Parameters
    ----------
    name : as it is shown in results
    line_m : (vertex, 3) with its own elevations, or (vertex, 2) with one height_m or top_elevation_m for all
    ground_elevation_m : of the ground it stands on, above the datum
    height_m : above ground_elevation_m; or top_elevation_m : above the datum
    kind : "wall" or "ridge"
    notes : what was assumed or repaired, in whole sentences

    Returns
    -------
    Obstacle of shape "curtain"

    Raises
    ------
    InputError : no height, over 20 km from the site

    >>> wall("parapet", [[-5, 6], [5, 6]], ground_elevation_m=41.0, top_elevation_m=47.5).height_m
    6.5
    """
    line = _vertices(line_m, name, 2)
    if line.shape[1] == 2:
        top = _top_m(name, ground_elevation_m, height_m, top_elevation_m)
        line = np.column_stack([line, np.full(len(line), top)])
    else:
        _top_m(name, ground_elevation_m, None, float(line[:, 2].max()))
    return Obstacle(name, kind, "curtain", ground_elevation_m, line_m=line, notes=notes)


def wire(
    name: str,
    line_m: ArrayLike,
    *,
    sag_m: float = 0.0,
    voltage_kv: float | None = None,
    ground_elevation_m: float | None = None,
    notes: tuple[str, ...] = (),
) -> Obstacle:
    """A wire from support to support. It has no width: it never hides the centre of a ray, it takes away room.

    Parameters
    ----------
    name : as it is shown in results
    line_m : (vertex, 3) east, north, elevation of its supports
    sag_m : how far it hangs below the middle of the chord of each span
    voltage_kv : for the approach distance; None: not stated
    ground_elevation_m : of the ground below it; None: its lowest point
    notes : what was assumed or repaired, in whole sentences

    Returns
    -------
    Obstacle of shape "line": a catenary, drawn with chords that leave it by under a millimetre

    Raises
    ------
    InputError : supports without elevation, a sag below 0, over 20 km from the site

    >>> wire("service drop", [[-20, 9, 48.0], [25, 9, 48.5]], sag_m=0.6).shape
    'line'
    """
    supports = _vertices(line_m, name, 2)
    if supports.shape[1] != 3:
        raise InputError(f'the wire "{name}" needs the elevation of its supports.', where="geometry")
    if not 0.0 <= sag_m <= 500.0:
        raise InputError(
            f"{sag_m:g} m is no sag.", where="sag_m", mend="Give metres below the chord, 0 or more."
        )
    if voltage_kv is not None and not 0.0 < voltage_kv <= 1000.0:
        raise InputError(
            f"{voltage_kv:g} kV is no voltage of an overhead line.",
            where="voltage_kv",
            mend="Give kilovolts, up to 1000; above that ask the line's owner.",
        )
    spans = [_catenary(a, b, sag_m) for a, b in itertools.pairwise(supports)]
    line = np.concatenate([spans[0][:1], *(span[1:] for span in spans)])
    ground = float(line[:, 2].min()) if ground_elevation_m is None else ground_elevation_m
    return Obstacle(
        name,
        "wire",
        "line",
        ground,
        line_m=line,
        stands=False,
        sag_m=sag_m,
        voltage_kv=voltage_kv,
        notes=notes,
    )


def _catenary(start: Floats, stop: Floats, sag_m: float) -> Floats:
    """A span as a catenary z = a cosh((x - x0)/a) + c, its middle `sag_m` under the chord.

    With half span h and rise r: r = 2 a sinh(h/a) sinh((h - x0)/a), and the sag fixes a:
    sag = a cosh(m) (cosh(h/a) - 1), m = (h - x0)/a = asinh(r / (2 a sinh(h/a))). Any statics text.
    """
    span, rise = float(np.hypot(*(stop - start)[:2])), float(stop[2] - start[2])
    if sag_m <= 0.0 or span < 1e-6:
        return np.stack([start, stop])
    half = span / 2.0

    def middle(a: float) -> float:
        return float(np.arcsinh(rise / (2.0 * a * np.sinh(half / a))))

    def excess(log_a: float) -> float:
        a = float(np.exp(log_a))
        return a * float(np.cosh(middle(a)) * (np.cosh(half / a) - 1.0)) - sag_m

    low, high = float(np.log(half / 300.0)), float(np.log(half * half / sag_m * 1e3))
    for _ in range(60):  # halving; a smaller a sags more
        between = (low + high) / 2.0
        low, high = (between, high) if excess(between) > 0.0 else (low, between)
    a = float(np.exp((low + high) / 2.0))
    # a chord of n pieces leaves the curve by at most about sag / n**2
    x = np.linspace(-half, half, int(np.clip(np.ceil(np.sqrt(sag_m * 2.0 / 1e-3)), 4, 400)) + 1)
    m = middle(a)
    drop = a * (np.cosh(x / a + m) - np.cosh(-half / a + m))
    share = (x + half) / span
    return np.column_stack([start[:2] + share[:, None] * (stop - start)[:2], start[2] + drop])


def tree(
    name: str,
    position_m: tuple[float, float],
    *,
    ground_elevation_m: float,
    height_m: float | None = None,
    top_elevation_m: float | None = None,
    crown_radius_m: float | None = None,
    crown: Crown = "ellipsoid",
    crown_base_height_m: float | None = None,
    trunk_radius_m: float = POLE_RADIUS_M,
    growth_m_per_year: float = 0.0,
    max_height_m: float | None = None,
    trimmed_to_height_m: float | None = None,
    deciduous: bool = False,
    notes: tuple[str, ...] = (),
) -> Obstacle:
    """A tree: a trunk and a crown of revolution, opaque (in leaf) whatever the season.

    Parameters
    ----------
    name : as it is shown in results
    position_m : east, north of the trunk
    ground_elevation_m : of the ground it stands on, above the datum
    height_m : above ground_elevation_m; or top_elevation_m : above the datum
    crown_radius_m : None: CROWN_RADIUS_SHARE of the height
    crown : "ellipsoid", "cone" (widest at its base) or "dome" (half an ellipsoid on its base)
    crown_base_height_m : above the ground; None: a third of the height
    trunk_radius_m : default POLE_RADIUS_M
    growth_m_per_year : height gained a year, up to max_height_m above the ground (None: without limit)
    trimmed_to_height_m : above the ground, where the crown has been, or is to be, cut flat; it grows again from there
    deciduous : whether it drops its leaves
    notes : what was assumed or repaired, in whole sentences

    Returns
    -------
    Obstacle of shape "column"

    Raises
    ------
    InputError : no height, a crown that does not fit the height, over 20 km from the site

    >>> tree("sycamore", (3.4, -21.7), ground_elevation_m=41.0, height_m=9.0, crown_radius_m=3.0).top_elevation_m
    50.0
    """
    place = _vertices([position_m], name, 1)[0]
    top = _top_m(name, ground_elevation_m, height_m, top_elevation_m)
    if crown not in ("ellipsoid", "cone", "dome"):
        raise InputError(f'"{crown}" is no crown.', where="crown", mend="Write ellipsoid, cone or dome.")
    height = top - ground_elevation_m
    if crown_radius_m is None:
        crown_radius_m = CROWN_RADIUS_SHARE * height
        notes = (
            *notes,
            f'The crown of "{name}" was not measured; a quarter of its height was taken as its radius.',
        )
    base_height = height * (1.0 - CROWN_SHARE) if crown_base_height_m is None else crown_base_height_m
    _check_crown(name, height, crown_radius_m, base_height, growth_m_per_year)
    whole = Obstacle(
        name,
        "tree",
        "column",
        ground_elevation_m,
        line_m=np.array([[place[0], place[1], top]]),
        radius_m=min(trunk_radius_m, crown_radius_m),
        crown=crown,
        crown_radius_m=crown_radius_m,
        crown_base_m=ground_elevation_m + base_height,
        growth_m_per_year=growth_m_per_year,
        max_height_m=max_height_m,
        deciduous=deciduous,
        notes=notes,
    )
    if trimmed_to_height_m is None:
        return whole
    if not 0.0 < trimmed_to_height_m < height:
        raise InputError(
            f'"{name}" is {height:g} m high and cannot be trimmed to {trimmed_to_height_m:g} m.',
            where="trimmed_to_height_m",
            mend="Give the height above the ground at which the crown is cut flat, below the tree's own.",
        )
    return whole.lowered(ground_elevation_m + trimmed_to_height_m)


def _check_crown(
    name: str, height_m: float, crown_radius_m: float, base_height_m: float, growth_m_per_year: float
) -> None:
    if not 0.0 < crown_radius_m <= 50.0:
        raise InputError(f"{crown_radius_m:g} m is no crown radius.", where="crown_radius_m")
    if growth_m_per_year < 0.0:
        raise InputError(f"{growth_m_per_year:g} m a year is no growth.", where="growth_m_per_year")
    if not 0.0 <= base_height_m < height_m:
        raise InputError(
            f'the crown of "{name}" would start at {base_height_m:g} m, the tree is {height_m:g} m high.',
            where="crown_base_height_m",
        )


def pole(
    name: str,
    position_m: tuple[float, float],
    *,
    ground_elevation_m: float,
    height_m: float | None = None,
    top_elevation_m: float | None = None,
    radius_m: float = POLE_RADIUS_M,
    notes: tuple[str, ...] = (),
) -> Obstacle:
    """An upright round post: pole, mast, flue, tank.

    Parameters
    ----------
    name : as it is shown in results
    position_m : east, north
    ground_elevation_m : of the ground it stands on, above the datum
    height_m : above ground_elevation_m; or top_elevation_m : above the datum
    radius_m : half the width; default POLE_RADIUS_M
    notes : what was assumed or repaired, in whole sentences

    Returns
    -------
    Obstacle of shape "column"

    Raises
    ------
    InputError : no height, over 20 km from the site

    >>> pole("flue", (3.0, 4.0), ground_elevation_m=41.0, height_m=7.0).top_elevation_m
    48.0
    """
    place = _vertices([position_m], name, 1)[0]
    top = _top_m(name, ground_elevation_m, height_m, top_elevation_m)
    if not 0.0 < radius_m <= 50.0:
        raise InputError(f"{radius_m:g} m is no radius.", where="radius_m")
    line = np.array([[place[0], place[1], top]])
    return Obstacle(name, "pole", "column", ground_elevation_m, line_m=line, radius_m=radius_m, notes=notes)
