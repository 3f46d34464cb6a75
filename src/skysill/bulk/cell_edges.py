"""Edges of cells seen from many places: where their ground comes nearest to the ray, and samples beside that point.

The ground on one edge of a cell is a straight line in space. The angle from a ray to it has one minimum along the edge,
which is found in closed form; only the rays of the fan beside that point are sampled.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from skysill.bulk.fan_results import FanResults, Window, keep_least, least_of_each, slope_of
from skysill.bulk.quadtree import Cells
from skysill.bulk.ray_fan import Rays, Samples, distance_to
from skysill.units import Bools, Floats, Ints

__all__ = ["Corners", "Edge", "EdgeParts", "edge_parts", "parts_in_fan", "sample_edges"]


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The four corners (4, n) of cells relative to the dish: metres ahead, aside and above it, and elevations.

    In this order: the cell's own node, the next column's, the next row's, the next column's of the next row.
    """

    ahead_m: Floats
    aside_m: Floats
    above_m: Floats
    height_m: Floats

    @classmethod
    def of(cls, results: FanResults, cells: Cells) -> Corners:
        values, sight, place = results.ground.grid.values, results.frames, cells.place
        rows, columns = values.shape
        column = np.minimum(cells.column + np.array([0, 1, 0, 1])[:, None], columns - 1)
        row = np.minimum(cells.row + np.array([0, 0, 1, 1])[:, None], rows - 1)
        height_m = values.ravel().take(row * columns + column).astype(np.float64)
        right, down = column - sight.column.take(place), row - sight.row.take(place)
        axes = [part[:, i].take(place) for part in (sight.ahead_m, sight.aside_m) for i in (0, 1)]
        ahead_m, aside_m = right * axes[0] + down * axes[1], right * axes[2] + down * axes[3]
        bent = results.frames.bent[place]  # second-degree terms of the map
        right, down = (
            part
            - (bent[:, i, 0] * ahead_m**2 + bent[:, i, 1] * ahead_m * aside_m + bent[:, i, 2] * aside_m**2)
            for i, part in enumerate((right, down))
        )
        ahead_m, aside_m = right * axes[0] + down * axes[1], right * axes[2] + down * axes[3]
        radius_m, antenna_m = sight.radius_m.take(place), sight.antenna_m.take(place)
        above_m = (height_m - antenna_m) * (radius_m / (radius_m + height_m))
        above_m -= (ahead_m * ahead_m + aside_m * aside_m) / (2.0 * radius_m)
        return cls(ahead_m, aside_m, above_m, height_m)

    def take(self, at: Ints) -> Corners:
        return Corners(*(getattr(self, f.name)[:, at] for f in fields(self)))

    def edge(self, since: int, until: int) -> Edge:
        """The edge between two corners."""
        return Edge(*(getattr(self, name)[end] for name in ("ahead_m", "aside_m", "above_m")
                      for end in (since, until)))  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """Straight lines in space, from one point (0) to another (1): metres ahead, aside, above; (n,) each."""

    ahead0_m: Floats
    ahead1_m: Floats
    aside0_m: Floats
    aside1_m: Floats
    above0_m: Floats
    above1_m: Floats

    def at(self, t: Floats) -> tuple[Floats, Floats, Floats]:
        return (self.ahead0_m + t * (self.ahead1_m - self.ahead0_m),
                self.aside0_m + t * (self.aside1_m - self.aside0_m),
                self.above0_m + t * (self.above1_m - self.above0_m))  # fmt: skip

    def azimuth_deg(self, t: Floats) -> Floats:
        """Azimuth offset from the ray of points of the line."""
        ahead, aside, _ = self.at(t)
        return np.asarray(np.rad2deg(np.arctan2(aside, ahead)))

    def nearest(self, sine: Floats, cosine: Floats, since: Floats | float = 0.0, until: Floats | float = 1.0,
                ) -> tuple[Floats, Floats]:  # fmt: skip
        """Position along the edge at which its ground comes nearest to rays, and the cosine of the angle there.

        Notes
        -----
        The angle to a point P + t E of the line is smallest where (P + tE).u / |P + tE| is largest; setting the
        derivative to zero gives a linear equation for t. Ground below the line counts as well: where the line runs
        above the foot of the ray on its vertical circle, the nearest point is an end.
        """
        ahead, aside = self.ahead1_m - self.ahead0_m, self.aside1_m - self.aside0_m
        above = self.above1_m - self.above0_m
        along0, along = self.ahead0_m * cosine + self.above0_m * sine, ahead * cosine + above * sine
        square0 = self.ahead0_m**2 + self.aside0_m**2 + self.above0_m**2
        square1 = self.ahead0_m * ahead + self.aside0_m * aside + self.above0_m * above
        square2 = ahead * ahead + aside * aside + above * above
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (along * square0 - along0 * square1) / (along0 * square2 - along * square1)
        t = np.clip(np.where(np.isfinite(t), t, 0.0), since, until)
        best, best_t = self.cosine_at(t, sine, cosine), t
        for end in (since, until):
            there = self.cosine_at(np.broadcast_to(end, t.shape), sine, cosine)
            best_t = np.where(there > best, end, best_t)
            best = np.fmax(there, best)
        return best_t, best

    def cosine_at(self, t: Floats, sine: Floats, cosine: Floats) -> Floats:
        """Cosine of the angle between rays and the ground at and below points of the line; -1 behind the dish."""
        ahead, aside, above = self.at(t)
        level2 = ahead * ahead + aside * aside
        over = above * ahead * cosine > level2 * sine
        toward = np.where(over, 1.0, (ahead * cosine + above * sine) / np.sqrt(level2 + above * above))
        beside = np.sqrt(np.maximum(1.0 - aside * aside * cosine * cosine / level2, 0.0))
        return np.asarray(np.where(ahead > 0.0, np.where(over, beside, toward), -1.0))

    def least_away_m(self) -> Floats:
        """Lower bound of the ground distance of the nearest point."""
        ahead, aside = self.ahead1_m - self.ahead0_m, self.aside1_m - self.aside0_m
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -(self.ahead0_m * ahead + self.aside0_m * aside) / (ahead * ahead + aside * aside)
        ahead_m, aside_m, _ = self.at(np.clip(np.nan_to_num(t), 0.0, 1.0))
        return np.asarray(np.hypot(ahead_m, aside_m))

    def take(self, at: Ints) -> Edge:
        return Edge(*(getattr(self, f.name)[at] for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class EdgeParts:
    """Parts of edges that lie far enough away, one entry each.

    cell : index into the cells; along_row : whether the edge runs along a row, from column to column
    since, until : ends of the part, as shares of the edge
    nearest, angle_deg : share at which its ground comes nearest to the ray, and the angle there
    away_m : smallest ground distance of the whole edge
    """

    cell: Ints
    along_row: Bools
    edge: Edge
    since: Floats
    until: Floats
    nearest: Floats
    angle_deg: Floats
    away_m: Floats

    def take(self, at: Ints) -> EdgeParts:
        return EdgeParts(self.cell[at], self.along_row[at], self.edge.take(at), self.since[at], self.until[at],
                       self.nearest[at], self.angle_deg[at], self.away_m[at])  # fmt: skip


def sample_edges(results: FanResults, cells: Cells, corners: Corners) -> None:
    """Sample the rays beside the points where edges come nearest to the ray, the most critical edges first."""
    if not len(cells):
        return
    part = edge_parts(results, cells, corners)
    place = cells.place[part.cell]
    results.uncertain[place[part.angle_deg < results.thresholds.uncertain_bound_deg(part.away_m)]] = True
    guess_deg = part.angle_deg - results.thresholds.room_bound_deg(part.away_m)
    first = least_of_each(place, guess_deg, part.away_m)
    first = first[guess_deg[first] < results.excess_limit_deg[place[first]]]
    _sample_beside(results, cells, part.take(first))
    rest = guess_deg < results.excess_limit_deg[place]
    rest[first] = False
    _sample_beside(results, cells, part.take(np.flatnonzero(rest)))


def edge_parts(results: FanResults, cells: Cells, corners: Corners) -> EdgeParts:
    """The parts of each cell's own two edges that lie far enough away to count, and their nearest points."""
    count = len(cells)
    cell = np.tile(np.arange(count), 2)
    along_row = np.repeat([True, False], count)
    one, other = corners.edge(0, 1), corners.edge(0, 2)
    edge = Edge(*(np.concatenate([getattr(one, f.name), getattr(other, f.name)]) for f in fields(Edge)))
    away_m = edge.least_away_m()
    far0, far1 = (np.hypot(*ends) >= results.near_m
                  for ends in ((edge.ahead0_m, edge.aside0_m), (edge.ahead1_m, edge.aside1_m)))  # fmt: skip
    since, until = np.zeros(2 * count), np.ones(2 * count)
    cut = np.flatnonzero((away_m < results.near_m) & (far0 | far1))
    enters, leaves = _through_circle(edge.take(cut), results.near_m)
    until[cut] = np.where(far0[cut], enters, until[cut])
    since[cut] = np.where(far0[cut], 0.0, leaves)
    known = ~np.isnan(edge.above0_m + edge.above1_m)
    kept = np.flatnonzero((far0 | far1) & known)
    # where both ends are far, the part behind the circle counts too
    again = np.flatnonzero(far0[cut] & far1[cut] & known[cut])
    which = np.concatenate([kept, cut[again]])
    since = np.concatenate([since[kept], leaves[again]])
    until = np.concatenate([until[kept], np.ones(again.size)])
    edge, cell, along_row = edge.take(which), cell[which], along_row[which]
    away_m = np.maximum(away_m[which], results.near_m)
    # an end on the circle moves to the first ray inside the part
    for end, moved, inward in ((since, since > 0.0, 1.0), (until, until < 1.0, -1.0)):
        some = np.flatnonzero(moved)
        window = results.window.take(cells.place[cell[some]])
        end[some] = _first_ray(window, edge.take(some), end[some], inward)
    kept = np.flatnonzero(since <= until)
    edge, cell, along_row, away_m = edge.take(kept), cell[kept], along_row[kept], away_m[kept]
    since, until = since[kept], until[kept]
    nearest, angle_deg = _nearest_deg(results, cells.place[cell], edge, since, until)
    return EdgeParts(cell, along_row, edge, since, until, nearest, angle_deg, away_m)


def _nearest_deg(
    results: FanResults, place: Ints, edge: Edge, since: Floats, until: Floats
) -> tuple[Floats, Floats]:  # fmt: skip
    """Position between two points of edges at which their ground comes nearest to the ray, and the angle there."""
    nearest, near = edge.nearest(
        results.frames.sine.take(place), results.frames.cosine.take(place), since, until
    )
    return nearest, np.rad2deg(np.arccos(np.clip(near, -1.0, 1.0)))


def parts_in_fan(results: FanResults, cells: Cells, part: EdgeParts) -> EdgeParts:
    """Parts cut to the first and last ray of the fan that cross them; parts that no ray crosses are left out."""
    window = results.window.take(cells.place[part.cell])
    since = _first_ray(window, part.edge, part.since, 1.0)
    until = _first_ray(window, part.edge, part.until, -1.0)
    kept = np.flatnonzero(since <= until)
    part, since, until = part.take(kept), since[kept], until[kept]
    nearest, angle_deg = _nearest_deg(results, cells.place[part.cell], part.edge, since, until)
    return replace(part, since=since, until=until, nearest=nearest, angle_deg=angle_deg)


def _first_ray(window: Window, edge: Edge, t: Floats, inward: float) -> Floats:
    """Position at which edges are crossed by the first ray met from t on; inward : 1 or -1, the direction along t."""
    azimuth_deg = edge.azimuth_deg(t)
    ahead, aside = edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m
    clockwise = inward * (aside * edge.ahead0_m - ahead * edge.aside0_m) > 0.0
    number = np.where(clockwise, window.ray_from(azimuth_deg), window.ray_until(azimuth_deg))
    slope = np.tan(np.deg2rad(window.offset_deg(number)))
    with np.errstate(divide="ignore", invalid="ignore"):
        crossed = (slope * edge.ahead0_m - edge.aside0_m) / (aside - slope * ahead)
    none = ~np.isfinite(crossed) | (np.abs(number) > window.last)
    return np.asarray(np.where(none, 2.0 * inward, inward * np.maximum(inward * crossed, inward * t)))


def _through_circle(edge: Edge, radius_m: float) -> tuple[Floats, Floats]:
    """Positions at which edges enter and leave a circle around the place; 0 and 1 where they do not."""
    ahead, aside = edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m
    square2, square1 = ahead * ahead + aside * aside, edge.ahead0_m * ahead + edge.aside0_m * aside
    square0 = edge.ahead0_m**2 + edge.aside0_m**2 - radius_m * radius_m
    root = np.sqrt(np.maximum(square1 * square1 - square2 * square0, 0.0))
    return np.clip((-square1 - root) / square2, 0.0, 1.0), np.clip((-square1 + root) / square2, 0.0, 1.0)


_BESIDE_RAYS = 2


def _sample_beside(results: FanResults, cells: Cells, part: EdgeParts) -> None:
    """Sample the rays of the fan that cross edges beside their critical points."""
    if not part.cell.size:
        return
    window = results.window.take(cells.place[part.cell])
    ends_deg = [part.edge.azimuth_deg(t) for t in (part.since, part.until)]
    low_deg, high_deg = np.minimum(*ends_deg), np.maximum(*ends_deg)
    beside = np.arange(-_BESIDE_RAYS, _BESIDE_RAYS)[:, None]
    critical = _critical_point(results, cells.place[part.cell], part)
    number = window.ray_from(part.edge.azimuth_deg(critical)) + beside
    offset_deg = window.offset_deg(number)
    wanted = (
        (offset_deg >= low_deg - 1e-7) & (offset_deg <= high_deg + 1e-7) & (np.abs(number) <= window.last)
    )
    at = np.nonzero(wanted)[1]
    _sample_crossings(results, cells.take(part.cell[at]), part.along_row[at], offset_deg[wanted])


def _critical_point(results: FanResults, place: Ints, part: EdgeParts) -> Floats:
    """Position along edges, between `since` and `until`, at which the excess margin is smallest.

    Notes
    -----
    Ground above the foot of the ray on its vertical circle has its smallest excess where it is nearest. Elsewhere let l
    be the arc along the edge from its great circle's point nearest to the ray, and a the angle there: the angle at l is
    sqrt(a**2 + l**2), the required room r + q l, and their difference is smallest at l = a q / sqrt(1 - q**2). With the
    slope s = d angle / dl at any point, l = angle s and a = angle sqrt(1 - s**2) there, so an end of the edge serves as
    well as the nearest point. The second step corrects the error of taking the sphere as a plane.
    """
    sine, cosine = results.frames.sine.take(place), results.frames.cosine.take(place)
    edge, t = part.edge, part.nearest
    run = np.stack(
        [edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m, edge.above1_m - edge.above0_m]
    )
    for _ in range(2):
        point = np.stack(edge.at(t))
        over = point[2] * point[0] * cosine > (point[0] ** 2 + point[1] ** 2) * sine
        away_m = np.sqrt((point * point).sum(axis=0))
        receding = (point * run).sum(axis=0) / away_m
        turning = np.sqrt(np.maximum((run * run).sum(axis=0) - receding**2, 1e-12)) / away_m
        toward = np.clip((point[0] * cosine + point[2] * sine) / away_m, -1.0, 1.0)
        angle = np.arccos(toward)
        approach = (
            run[0] * cosine + run[2] * sine - toward * receding
        ) / away_m  # derivative of the cosine with t
        slope = -approach / np.maximum(np.sin(angle) * turning, 1e-12)
        room, farther = (np.deg2rad(results.thresholds.room_deg(d)) for d in (away_m, away_m * 1.001))
        growing = (
            (farther - room) / (0.001 * away_m) * receding / turning
        )  # derivative of the room with the arc
        nearest = angle * np.sqrt(np.maximum(1.0 - slope**2, 0.0))
        arc = nearest * growing / np.sqrt(np.maximum(1.0 - growing**2, 0.1)) - angle * slope
        t = np.where(over, t, np.clip(t + arc / turning, part.since, part.until))
    return np.asarray(t)


def _sample_crossings(results: FanResults, cells: Cells, along_row: Bools, offset_deg: Floats) -> None:
    """Sample rays where they cross an edge that runs from a cell's own node along its row or its column."""
    place = cells.place
    nothing = np.full(place.shape, -np.inf)
    rays = results.rays(place, offset_deg, nothing, np.full(place.shape, np.inf))
    distance_m, share = _crossing(rays, cells, along_row)
    values = results.ground.grid.values
    low = cells.row * values.shape[1] + cells.column
    high = low + np.where(along_row, 1, values.shape[1])
    low_m, high_m = (values.ravel().take(at).astype(np.float64) for at in (low, high))
    height_m = low_m + share * (high_m - low_m)
    good = (distance_m >= results.near_m) & (distance_m <= rays.limit_m) & ~np.isnan(height_m)
    ray = np.flatnonzero(good & (share >= -1e-9) & (share <= 1.0 + 1e-9))
    distance_m, height_m = distance_m[ray], height_m[ray]
    seen = Samples(ray, distance_m, height_m, slope_of(rays, ray, distance_m, height_m))
    keep_least(results, rays, seen, offset_deg[ray])


def _crossing(rays: Rays, cells: Cells, along_row: Bools) -> tuple[Floats, Floats]:
    """Ground distance at which rays cross the line of an edge, and the share of the edge there."""
    axis = np.where(along_row, 1, 0)  # an edge along a row is crossed where the row number is whole
    at = np.arange(axis.size)
    line, node = np.where(along_row, cells.row, cells.column), np.where(along_row, cells.column, cells.row)
    distance_m = distance_to(line - rays.start[at, axis], rays.first[at, axis], rays.second[at, axis])
    other = 1 - axis
    return distance_m, np.stack(rays.at(distance_m))[other, at] - node
