"""Edges of cells seen from a dish: a bound of the spare room of their ground, and the rays that cross them."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.block_frame import F_COSINE, F_EYE, F_HALF_DISH, F_LEAST, F_MOST, F_SINE, F_ZONE
from skysill.bulk.compiled.cone import margin_and_slant, room_tangent, sight
from skysill.bulk.compiled.jit import compiled, in_place
from skysill.bulk.compiled.raster_stack import OFFSET
from skysill.bulk.compiled.ray_sampling import COLUMN_TERMS, OFF_COS, OFF_SIN, RADIUS, ROW_TERMS, position

__all__ = ["NO_CROSSING", "crest", "crossing", "distance_to_line", "edge_bound", "spare_of"]

NO_CROSSING = -1.0


@in_place
def _is_over(ahead: float, aside: float, above: float, cosine: float, sine: float) -> bool:
    """Whether ground reaches over the point of its azimuth that is nearest to the ray."""
    return ahead > 0.0 and above * ahead * cosine >= (ahead * ahead + aside * aside) * sine


@compiled
def edge_bound(
    a0: float, s0: float, u0: float, a1: float, s1: float, u1: float, frame: Any
) -> tuple[float, float, float]:
    """Least angle between the ray and the ground of an edge; a distance that all of it is beyond; the angle's place
    along the edge.

    a, s, u : metres ahead, aside, above of both ends

    Notes
    -----
    The angle to a point P + t E is smallest where (P + t E).r / |P + t E| is largest: a linear equation for t.
    Ground below counts as well: where the edge reaches over the foot of the ray, the azimuth alone counts.
    """
    cosine, sine = frame[F_COSINE], frame[F_SINE]
    a, s, u = a1 - a0, s1 - s0, u1 - u0
    along0, along = a0 * cosine + u0 * sine, a * cosine + u * sine
    square0, mixed, square = a0 * a0 + s0 * s0 + u0 * u0, a0 * a + s0 * s + u0 * u, a * a + s * s + u * u
    below = along0 * square - along * mixed
    t = (along * square0 - along0 * mixed) / below if below != 0.0 else 0.0
    at = min(max(t, 0.0), 1.0)
    # of a line that leads away beside the ray the equation gives the point of the largest angle
    toward = (along0 + at * along) / np.sqrt(square0 + at * (2.0 * mixed + at * square))
    for end in (0.0, 1.0):
        other = (along0 + end * along) / np.sqrt(square0 + end * (2.0 * mixed + end * square))
        if other > toward:
            at, toward = end, other
    over = _is_over(a0, s0, u0, cosine, sine) or _is_over(a1, s1, u1, cosine, sine)
    over = over or _is_over(a0 + at * a, s0 + at * s, u0 + at * u, cosine, sine)
    if over:  # the part over the foot of the ray may begin nearer to it than any point looked at
        # the azimuth turns one way along the edge
        level = 0.0 if abs(s0) * a1 <= abs(s1) * a0 else 1.0
        if s0 * s1 < 0.0:
            level = -s0 / s
        ahead, aside = a0 + level * a, s0 + level * s
        if _is_over(ahead, aside, u0 + level * u, cosine, sine):
            at = level
        beside = cosine * abs(aside) / max(np.hypot(ahead, aside), 1e-9)
        angle = np.arcsin(min(beside, 1.0)) if a0 > 0.0 and a1 > 0.0 else 0.0
    else:
        ahead, aside, above = a0 + at * a, s0 + at * s, u0 + at * u
        forward, up = ahead * cosine + above * sine, above * cosine - ahead * sine
        angle = np.arctan2(np.sqrt(aside * aside + up * up), forward)
    # its nearest point lies no farther from that one than the longer part of the edge
    away = np.sqrt(square0 + at * (2.0 * mixed + at * square)) - max(at, 1.0 - at) * np.sqrt(square)
    return angle, max(away, frame[F_LEAST]), at


@compiled
def distance_to_line(ray: Any, at: int, line: int) -> float:
    """Ground distance at which a ray crosses a line of the lattice, to a hundredth of a metre at 20 km.

    at : where the ray's terms of the line's axis begin
    """
    u = (line - ray[at]) / ray[at + 1]
    off = u * u * (ray[at + 2] + u * ray[at + 3])
    return float(u - off / (ray[at + 1] + u * (2.0 * ray[at + 2] + 3.0 * u * ray[at + 3])))


@compiled
def crossing(cells: Any, part: Any, ray: Any, upright: bool, line: int, frame: Any) -> tuple[float, float]:
    """Ground distance at which a ray crosses a lattice line, and the elevation there.

    upright : the line is a column; else a row

    Returns
    -------
    distance, elevation; NO_CROSSING, 0 where it does not cross it within the distances that count, or not over
    ground
    """
    columns, rows = part[OFFSET + 2], part[OFFSET + 1]
    at, other = (COLUMN_TERMS, ROW_TERMS) if upright else (ROW_TERMS, COLUMN_TERMS)
    d = distance_to_line(ray, at, line)
    if not (d >= frame[F_LEAST] and d <= frame[F_MOST]):
        return NO_CROSSING, 0.0
    across = ray[other] + d * (ray[other + 1] + d * (ray[other + 2] + d * ray[other + 3]))
    last = (rows if upright else columns) - 1
    if not (across >= 0.0 and across <= last):
        return NO_CROSSING, 0.0
    node = min(int(across), last - 1)
    index = part[OFFSET] + (node * columns + line if upright else line * columns + node)
    low = cells[index]
    z = low + (cells[index + (columns if upright else 1)] - low) * (across - node)
    if z != z:
        return NO_CROSSING, 0.0
    return d, z


@compiled
def crest(ray: Any, frame: Any, column: int, row: int, nodes: Any) -> tuple[float, float]:
    """Distance and elevation of the ground that looks highest on a ray between the edges of a cell, if it bulges
    there.

    nodes : elevations of the cell's own node, the next column's, the next row's, the last

    Returns
    -------
    distance, elevation; NO_CROSSING, 0 where the ground does not bulge, or an edge lies where ground does not
    count
    """
    begin_m, end_m = frame[F_LEAST], frame[F_MOST]
    for axis in range(2):
        at = COLUMN_TERMS if axis == 0 else ROW_TERMS
        line = column if axis == 0 else row
        if abs(ray[at + 1]) < 1e-9:
            continue
        one, other = distance_to_line(ray, at, line), distance_to_line(ray, at, line + 1)
        begin_m, end_m = max(begin_m, min(one, other)), min(end_m, max(one, other))
    if not begin_m < end_m or begin_m == frame[F_LEAST] or end_m == frame[F_MOST]:
        return NO_CROSSING, 0.0
    (c0, r0), (c1, r1) = position(ray, begin_m), position(ray, end_m)
    c0, r0, c1, r1 = c0 - column, r0 - row, c1 - column, r1 - row
    z00, right, down = nodes[0], nodes[1] - nodes[0], nodes[2] - nodes[0]
    mixed = nodes[0] - nodes[1] - nodes[2] + nodes[3]
    bulge = -mixed * (c1 - c0) * (r1 - r0)
    if not bulge > 0.0:
        return NO_CROSSING, 0.0
    z0, z1 = z00 + right * c0 + (down + mixed * c0) * r0, z00 + right * c1 + (down + mixed * c1) * r1
    sag = 0.5 / ray[RADIUS]
    slope_0, slope_1 = (
        (z0 - frame[F_EYE]) / begin_m - begin_m * sag,
        (z1 - frame[F_EYE]) / end_m - end_m * sag,
    )
    share = 0.5 + (slope_1 - slope_0) * (begin_m + end_m) / (4.0 * bulge)
    share = min(max(share, 0.0), 1.0)
    return begin_m + share * (end_m - begin_m), z0 + share * (z1 - z0) + bulge * share * (1.0 - share)


@compiled
def spare_of(ray: Any, d: float, z: float, frame: Any) -> tuple[float, float, float]:
    """Spare room, margin, and slant distance of a sample."""
    slope = sight(d, z, frame[F_EYE], ray[RADIUS])
    margin, slant_m = margin_and_slant(
        slope, d, z, ray[RADIUS], ray[OFF_COS], ray[OFF_SIN], frame[F_COSINE], frame[F_SINE]
    )
    return margin - np.arctan(room_tangent(slant_m, frame[F_HALF_DISH], frame[F_ZONE])), margin, slant_m
