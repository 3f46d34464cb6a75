"""Edges of cells seen from many places: where their ground comes nearest to the ray, and the rays beside that point.

The ground on one edge of a cell is a straight line in space, and how near a ray comes to it has one lowest point along
the edge: it is found in closed form, and only the fan's rays beside that point are sampled.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from skysill.bulk.fan_results import Fan, Window, first_of_each, slope_of, take_in
from skysill.bulk.quadtree import Cells
from skysill.bulk.ray_fan import Rays, Samples, distance_to
from skysill.units import Bools, Floats, Ints

__all__ = ["Corners", "Edge", "Pieces", "pieces", "sample_edges", "seen_pieces"]


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The four corners (4, n) of cells, seen from their places: metres ahead, aside and above the dish, and heights.

    In the order: the cell's own node, the one a column on, the one a row on, the one both on.
    """

    ahead_m: Floats
    aside_m: Floats
    above_m: Floats
    height_m: Floats

    @classmethod
    def of(cls, fan: Fan, cells: Cells) -> Corners:
        values, sight, place = fan.ground.grid.values, fan.sights, cells.place
        rows, columns = values.shape
        column = np.minimum(cells.column + np.array([0, 1, 0, 1])[:, None], columns - 1)
        row = np.minimum(cells.row + np.array([0, 0, 1, 1])[:, None], rows - 1)
        height_m = values.ravel().take(row * columns + column).astype(np.float64)
        right, down = column - sight.column.take(place), row - sight.row.take(place)
        axes = [part[:, i].take(place) for part in (sight.ahead_m, sight.aside_m) for i in (0, 1)]
        ahead_m, aside_m = right * axes[0] + down * axes[1], right * axes[2] + down * axes[3]
        bent = fan.sights.bent[place]  # what straight axes leave out
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
        """Azimuth offset of points of the line from the ray."""
        ahead, aside, _ = self.at(t)
        return np.asarray(np.rad2deg(np.arctan2(aside, ahead)))

    def nearest(self, sine: Floats, cosine: Floats, since: Floats | float = 0.0, until: Floats | float = 1.0,
                ) -> tuple[Floats, Floats]:  # fmt: skip
        """Where along the edge its ground comes nearest to rays, and the cosine of the angle there.

        Notes
        -----
        The angle to a point P + t E of the line is least where (P + tE).u / |P + tE| is largest, which a linear
        equation tells. Ground below the line counts as well: where the line runs over the foot of the ray on its
        vertical circle, the nearest is an end.
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
        best, best_t = self.nearness(t, sine, cosine), t
        for end in (since, until):
            there = self.nearness(np.broadcast_to(end, t.shape), sine, cosine)
            best_t = np.where(there > best, end, best_t)
            best = np.fmax(there, best)
        return best_t, best

    def nearness(self, t: Floats, sine: Floats, cosine: Floats) -> Floats:
        """Cosine of the angle between rays and the ground at and below points of the line; -1 behind the dish."""
        ahead, aside, above = self.at(t)
        level2 = ahead * ahead + aside * aside
        over = above * ahead * cosine > level2 * sine
        toward = np.where(over, 1.0, (ahead * cosine + above * sine) / np.sqrt(level2 + above * above))
        beside = np.sqrt(np.maximum(1.0 - aside * aside * cosine * cosine / level2, 0.0))
        return np.asarray(np.where(ahead > 0.0, np.where(over, beside, toward), -1.0))

    def least_away_m(self) -> Floats:
        """Ground distance of the nearest point, from below."""
        ahead, aside = self.ahead1_m - self.ahead0_m, self.aside1_m - self.aside0_m
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -(self.ahead0_m * ahead + self.aside0_m * aside) / (ahead * ahead + aside * aside)
        ahead_m, aside_m, _ = self.at(np.clip(np.nan_to_num(t), 0.0, 1.0))
        return np.asarray(np.hypot(ahead_m, aside_m))

    def take(self, at: Ints) -> Edge:
        return Edge(*(getattr(self, f.name)[at] for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Parts of edges far enough away, one entry each.

    cell : index into the cells; across : whether it runs along a row, from column to column
    since, until : part of the edge; nearest, angle_deg, away_m : where its ground comes nearest to the ray, how near,
    and the least ground distance of the whole edge
    """

    cell: Ints
    across: Bools
    edge: Edge
    since: Floats
    until: Floats
    nearest: Floats
    angle_deg: Floats
    away_m: Floats

    def take(self, at: Ints) -> Pieces:
        return Pieces(self.cell[at], self.across[at], self.edge.take(at), self.since[at], self.until[at],
                       self.nearest[at], self.angle_deg[at], self.away_m[at])  # fmt: skip


def sample_edges(fan: Fan, cells: Cells, corners: Corners) -> None:
    """Sample the rays beside where edges come nearest."""
    if not len(cells):
        return
    piece = pieces(fan, cells, corners)
    place = cells.place[piece.cell]
    fan.doubtful[place[piece.angle_deg < fan.limits.doubt_at_most_deg(piece.away_m)]] = True
    guess_deg = piece.angle_deg - fan.limits.room_at_most_deg(piece.away_m)
    first = first_of_each(place, guess_deg, piece.away_m)
    first = first[guess_deg[first] < fan.least_deg[place[first]]]
    _sample_beside(fan, cells, piece.take(first))
    rest = guess_deg < fan.least_deg[place]
    rest[first] = False
    _sample_beside(fan, cells, piece.take(np.flatnonzero(rest)))


def pieces(fan: Fan, cells: Cells, corners: Corners) -> Pieces:
    """The parts of each cell's own two edges that are far enough away to count, and their nearest points."""
    count = len(cells)
    cell = np.tile(np.arange(count), 2)
    across = np.repeat([True, False], count)
    one, other = corners.edge(0, 1), corners.edge(0, 2)
    edge = Edge(*(np.concatenate([getattr(one, f.name), getattr(other, f.name)]) for f in fields(Edge)))
    away_m = edge.least_away_m()
    far0, far1 = (np.hypot(*ends) >= fan.near_m
                  for ends in ((edge.ahead0_m, edge.aside0_m), (edge.ahead1_m, edge.aside1_m)))  # fmt: skip
    since, until = np.zeros(2 * count), np.ones(2 * count)
    cut = np.flatnonzero((away_m < fan.near_m) & (far0 | far1))
    enters, leaves = _through_circle(edge.take(cut), fan.near_m)
    until[cut] = np.where(far0[cut], enters, until[cut])
    since[cut] = np.where(far0[cut], 0.0, leaves)
    known = ~np.isnan(edge.above0_m + edge.above1_m)
    kept = np.flatnonzero((far0 | far1) & known)
    # with both ends far, what leaves the circle is a part too
    again = np.flatnonzero(far0[cut] & far1[cut] & known[cut])
    which = np.concatenate([kept, cut[again]])
    since = np.concatenate([since[kept], leaves[again]])
    until = np.concatenate([until[kept], np.ones(again.size)])
    edge, cell, across = edge.take(which), cell[which], across[which]
    away_m = np.maximum(away_m[which], fan.near_m)
    # ends on the circle give way to the first ray inside
    for end, moved, inward in ((since, since > 0.0, 1.0), (until, until < 1.0, -1.0)):
        some = np.flatnonzero(moved)
        window = fan.window.take(cells.place[cell[some]])
        end[some] = _first_ray(window, edge.take(some), end[some], inward)
    kept = np.flatnonzero(since <= until)
    edge, cell, across, away_m = edge.take(kept), cell[kept], across[kept], away_m[kept]
    since, until = since[kept], until[kept]
    nearest, angle_deg = _nearest_deg(fan, cells.place[cell], edge, since, until)
    return Pieces(cell, across, edge, since, until, nearest, angle_deg, away_m)


def _nearest_deg(
    fan: Fan, place: Ints, edge: Edge, since: Floats, until: Floats
) -> tuple[Floats, Floats]:  # fmt: skip
    """Where between two points of edges their ground comes nearest to the ray, and how near."""
    nearest, near = edge.nearest(fan.sights.sine.take(place), fan.sights.cosine.take(place), since, until)
    return nearest, np.rad2deg(np.arccos(np.clip(near, -1.0, 1.0)))


def seen_pieces(fan: Fan, cells: Cells, piece: Pieces) -> Pieces:
    """Pieces from the first to the last ray of the fan that crosses them; without those that none does."""
    window = fan.window.take(cells.place[piece.cell])
    since = _first_ray(window, piece.edge, piece.since, 1.0)
    until = _first_ray(window, piece.edge, piece.until, -1.0)
    kept = np.flatnonzero(since <= until)
    piece, since, until = piece.take(kept), since[kept], until[kept]
    nearest, angle_deg = _nearest_deg(fan, cells.place[piece.cell], piece.edge, since, until)
    return replace(piece, since=since, until=until, nearest=nearest, angle_deg=angle_deg)


def _first_ray(window: Window, edge: Edge, t: Floats, inward: float) -> Floats:
    """Where edges are crossed by the first ray of the window met from t on, going inward (1 or -1 along t)."""
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
    """The parts of edges at which they enter and leave a circle around the place; 0 and 1 where they do not."""
    ahead, aside = edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m
    square2, square1 = ahead * ahead + aside * aside, edge.ahead0_m * ahead + edge.aside0_m * aside
    square0 = edge.ahead0_m**2 + edge.aside0_m**2 - radius_m * radius_m
    root = np.sqrt(np.maximum(square1 * square1 - square2 * square0, 0.0))
    return np.clip((-square1 - root) / square2, 0.0, 1.0), np.clip((-square1 + root) / square2, 0.0, 1.0)


_BESIDE_RAYS = 2


def _sample_beside(fan: Fan, cells: Cells, piece: Pieces) -> None:
    """Sample the rays of the fan that cross edges beside the points where these leave least room."""
    if not piece.cell.size:
        return
    window = fan.window.take(cells.place[piece.cell])
    ends_deg = [piece.edge.azimuth_deg(t) for t in (piece.since, piece.until)]
    low_deg, high_deg = np.minimum(*ends_deg), np.maximum(*ends_deg)
    beside = np.arange(-_BESIDE_RAYS, _BESIDE_RAYS)[:, None]
    tightest = _tightest(fan, cells.place[piece.cell], piece)
    number = window.ray_from(piece.edge.azimuth_deg(tightest)) + beside
    offset_deg = window.offset_deg(number)
    wanted = (
        (offset_deg >= low_deg - 1e-7) & (offset_deg <= high_deg + 1e-7) & (np.abs(number) <= window.last)
    )
    at = np.nonzero(wanted)[1]
    _take_edges(fan, cells.take(piece.cell[at]), piece.across[at], offset_deg[wanted])


def _tightest(fan: Fan, place: Ints, piece: Pieces) -> Floats:
    """Where along edges the spare room is least, between `since` and `until`.

    Notes
    -----
    Ground above the foot of the ray on its vertical circle leaves least room where it is nearest. Elsewhere let l be
    the arc along the edge from its great circle's point nearest to the ray, a the angle there: the angle at l is
    sqrt(a**2 + l**2), the room r + q l, and their difference is least at l = a q / sqrt(1 - q**2). With the slope
    s = d angle / dl at any point, l = angle s and a = angle sqrt(1 - s**2) there, so an end of the edge serves as well
    as the nearest point. A second step from the point found takes up what the plane leaves out of the sphere.
    """
    sine, cosine = fan.sights.sine.take(place), fan.sights.cosine.take(place)
    edge, t = piece.edge, piece.nearest
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
        nearing = (run[0] * cosine + run[2] * sine - toward * receding) / away_m  # of the cosine, per t
        slope = -nearing / np.maximum(np.sin(angle) * turning, 1e-12)
        room, farther = (np.deg2rad(fan.limits.room_deg(d)) for d in (away_m, away_m * 1.001))
        growing = (farther - room) / (0.001 * away_m) * receding / turning  # of the room, per arc
        nearest = angle * np.sqrt(np.maximum(1.0 - slope**2, 0.0))
        arc = nearest * growing / np.sqrt(np.maximum(1.0 - growing**2, 0.1)) - angle * slope
        t = np.where(over, t, np.clip(t + arc / turning, piece.since, piece.until))
    return np.asarray(t)


def _take_edges(fan: Fan, cells: Cells, across: Bools, offset_deg: Floats) -> None:
    """Sample rays where they cross the edge that runs along a row (across) or a column from a cell's own node."""
    place = cells.place
    nothing = np.full(place.shape, -np.inf)
    rays = fan.rays(place, offset_deg, nothing, np.full(place.shape, np.inf))
    distance_m, share = _crossing(rays, cells, across)
    values = fan.ground.grid.values
    low = cells.row * values.shape[1] + cells.column
    high = low + np.where(across, 1, values.shape[1])
    low_m, high_m = (values.ravel().take(at).astype(np.float64) for at in (low, high))
    height_m = low_m + share * (high_m - low_m)
    good = (distance_m >= fan.near_m) & (distance_m <= rays.limit_m) & ~np.isnan(height_m)
    ray = np.flatnonzero(good & (share >= -1e-9) & (share <= 1.0 + 1e-9))
    distance_m, height_m = distance_m[ray], height_m[ray]
    seen = Samples(ray, distance_m, height_m, slope_of(rays, ray, distance_m, height_m))
    take_in(fan, rays, seen, offset_deg[ray])


def _crossing(rays: Rays, cells: Cells, across: Bools) -> tuple[Floats, Floats]:
    """Ground distance at which rays cross the line of an edge, and the part of the edge gone there."""
    axis = np.where(across, 1, 0)  # an edge along a row is crossed where the row number is a whole one
    at = np.arange(axis.size)
    line, node = np.where(across, cells.row, cells.column), np.where(across, cells.column, cells.row)
    distance_m = distance_to(line - rays.start[at, axis], rays.first[at, axis], rays.second[at, axis])
    other = 1 - axis
    return distance_m, np.stack(rays.at(distance_m))[other, at] - node
