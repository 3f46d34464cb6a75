"""Buildings, roofs, walls, trees, poles and wires as shapes that stand against the sky.

Everything is in the site's plan frame: east, north from the site's position, and elevation above the datum of the
rasters. What stands on the ground hides all that is below its top; a roof's facet, a crown and a wire hide only
what they are, so the sky under them counts. An obstructed part of the sky has an upper and a lower edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from skysill.errors import InputError
from skysill.model.default_errors import OBSTACLE, ObstacleError
from skysill.units import Floats

__all__ = ["POLE_RADIUS_M", "Crown", "Kind", "Obstacle", "triangles"]

Kind = Literal["building", "tree", "pole", "wall", "ridge", "wire", "roof"]
Crown = Literal["ellipsoid", "cone", "dome"]


POLE_RADIUS_M = 0.15
"""Half the width of a pole or trunk, where nobody measured it: common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Obstacle:
    """One obstacle. Made by `building`, `facet`, `wall`, `tree`, `pole` or `wire`.

    name : as it is shown in results
    kind : "building", "tree", "pole", "wall", "ridge", "wire" or "roof"
    shape : "prism" (upright, flat top), "facet" (flat pieces), "curtain" (a line, filled down to the ground),
        "column" (round: trees and poles), "line" (a wire)
    areas_m : of a prism and of a facet: for each area its rings (vertex, 3), the outer first, then holes
    line_m : (vertex, 3) of a curtain or wire; of a column one vertex, its top
    ground_elevation_m : elevation of the ground it stands on
    stands : whether everything below it is hidden too
    radius_m : of a pole or trunk
    crown, crown_radius_m, crown_base_m : of a tree; the base as an elevation
    cut_m : elevation at which a crown was cut flat
    growth_m_per_year, max_height_m : of a tree, hedge or wood; the height above its own ground
    deciduous : whether a tree drops its leaves; it is judged in leaf
    sag_m : of a wire, already drawn into line_m; voltage_kv : its voltage, None: not stated
    notes : what was assumed or repaired, in whole sentences
    errors : standard deviations of its height and place
    ground_from : the raster that its ground came from, "" where its elevation was given

    >>> from skysill.model.obstacle_builders import building
    >>> barn = building("barn", [[-6, 14], [6, 14], [6, 20], [-6, 20]], ground_elevation_m=41.0, height_m=6.0)
    >>> barn.kind, barn.shape, barn.height_m, barn.centre_m
    ('building', 'prism', 6.0, (0.0, 17.0))
    """

    name: str
    kind: Kind
    shape: Literal["prism", "facet", "curtain", "column", "line"]
    ground_elevation_m: float
    areas_m: tuple[tuple[Floats, ...], ...] = ()
    line_m: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    stands: bool = True
    radius_m: float = POLE_RADIUS_M
    crown: Crown | None = None
    crown_radius_m: float = 0.0
    crown_base_m: float = 0.0
    cut_m: float | None = None
    growth_m_per_year: float = 0.0
    max_height_m: float | None = None
    deciduous: bool = False
    sag_m: float = 0.0
    voltage_kv: float | None = None
    notes: tuple[str, ...] = ()
    errors: ObstacleError = OBSTACLE["plan"]
    ground_from: str = ""

    @property
    def vertices_m(self) -> Floats:
        """(vertex, 3) every vertex given: east, north, elevation."""
        rings = [ring for area in self.areas_m for ring in area]
        return np.concatenate([self.line_m, *rings]) if rings else self.line_m

    @property
    def top_elevation_m(self) -> float:
        """Highest point above the datum."""
        top = float(self.vertices_m[:, 2].max())
        return top if self.cut_m is None else min(top, self.cut_m)

    @property
    def height_m(self) -> float:
        """Highest point above the ground it stands on."""
        return self.top_elevation_m - self.ground_elevation_m

    @property
    def centre_m(self) -> tuple[float, float]:
        """Middle of its plan, east and north."""
        plan = self.vertices_m[:, :2]
        middle = (plan.min(axis=0) + plan.max(axis=0)) / 2.0
        return float(middle[0]), float(middle[1])

    def grown(self, years: float) -> Obstacle:
        """The same plant `years` later: taller by its own rate, no taller than its max_height_m; else itself.

        The crown's radius and base stay; a crown that was cut grows again from the cut.
        """
        if self.growth_m_per_year <= 0.0 or years <= 0.0:
            return self
        gain = self.growth_m_per_year * years
        if self.shape != "column":
            return self._raised(gain)
        top = float(self.line_m[0, 2])
        limit = np.inf if self.max_height_m is None else self.ground_elevation_m + self.max_height_m
        tall = replace(self, line_m=_raised(self.line_m, max(top, min(top + gain, limit))))
        if self.cut_m is None:
            return tall
        cut = self.cut_m + gain
        return replace(tall, cut_m=cut if cut < tall.line_m[0, 2] else None)

    def _raised(self, gain_m: float) -> Obstacle:
        """A hedge or wood with all of its top so much higher, none of it over its max_height_m."""
        limit = np.inf if self.max_height_m is None else self.ground_elevation_m + self.max_height_m

        def higher(points_m: Floats) -> Floats:
            taller = np.array(points_m)
            taller[:, 2] = np.maximum(points_m[:, 2], np.minimum(points_m[:, 2] + gain_m, limit))
            return taller

        areas = tuple(tuple(higher(ring) for ring in area) for area in self.areas_m)
        return replace(self, areas_m=areas, line_m=higher(self.line_m) if len(self.line_m) else self.line_m)

    def lowered(self, top_elevation_m: float) -> Obstacle:
        """The same thing with all above an elevation taken away; trees are cut flat.

        Raises
        ------
        InputError : nothing would be left
        """
        if top_elevation_m <= self.ground_elevation_m:
            raise InputError(
                f'"{self.name}" would be cut to {top_elevation_m:g} m, below the ground it stands on.',
                where="top_elevation_m",
            )
        if self.shape == "column":
            below_crown = self.crown is not None and top_elevation_m <= self.crown_base_m
            if self.crown is None or below_crown:
                return replace(
                    self, crown=None, line_m=_raised(self.line_m, min(top_elevation_m, self.line_m[0, 2]))
                )
            return replace(self, cut_m=min(top_elevation_m, self.top_elevation_m))
        areas = tuple(tuple(_lower(ring, top_elevation_m) for ring in area) for area in self.areas_m)
        return replace(self, areas_m=areas, line_m=_lower(self.line_m, top_elevation_m))


def _raised(line_m: Floats, top_m: float) -> Floats:
    return np.array([[line_m[0, 0], line_m[0, 1], top_m]])


def _lower(ring_m: Floats, top_m: float) -> Floats:
    lowered = np.array(ring_m)
    lowered[:, 2] = np.minimum(lowered[:, 2], top_m)
    return lowered


def triangles(rings_m: Sequence[Floats]) -> Floats:
    """A flat ring with holes cut into triangles, (triangle, 3, 3); slivers without area are left out.

    rings_m : (vertex, 3) each, the outer first; cut in the plane that fits it best
    """
    import shapely

    outer = rings_m[0]
    middle = outer.mean(axis=0)
    frame = np.linalg.svd(outer - middle)[2]
    flat = [(ring - middle) @ frame.T for ring in rings_m]
    shape = shapely.Polygon(flat[0][:, :2], [ring[:, :2] for ring in flat[1:]])
    if not shape.is_valid or shape.area < 1e-9:
        return np.zeros((0, 3, 3))
    cut = shapely.get_parts(shapely.constrained_delaunay_triangles(shape))
    corners = shapely.get_coordinates(cut).reshape(-1, 4, 2)[:, :3]
    plan, given = np.concatenate([ring[:, :2] for ring in flat]), np.concatenate(list(rings_m))
    nearest = np.linalg.norm(corners[:, :, None, :] - plan, axis=-1).argmin(axis=-1)
    return np.asarray(given[nearest])
