"""What a mapping agency would publish of Skerrow: an airborne laser scan around the clinic, and building footprints.

The scan is a vertical sampling of the same village that the rasters and the survey show: one return on ground, roofs
and stone walls; in crowns one near the top and, of some pulses, one more from the ground. Footprints are a little off,
as if drawn from photographs, and few of them say how high a house is.
"""

from __future__ import annotations

import datetime as dt
import json

import numpy as np
from ground import SEED
from village import (
    CLINIC,
    HALL,
    SERVICE_POLE,
    Village,
    crown_half_height_m,
    crown_height_m,
    roof_height_m,
    stone_height_m,
)

SCAN_HALF_M = 80.0
POINTS_PER_M2 = 8.0
NOISE_M = 0.03
SCAN_DATE = dt.date(2024, 4, 18)
DRAWN_WITHIN_M = 0.15
GROUND, TREES, BUILDING, WIRE, TOWER, OTHER = 2, 5, 6, 14, 15, 1  # ASPRS LAS 1.4 R15, table 17
SERVICE_HOOK = (2.6, 0.95, 3.3)  # plan east and north, height over the clinic's ground
WIRE_SAG_M = 0.4


def scan_points(ground, to_plan, to_map, foot, village: Village):
    """Points (n, 3) on the map grid, class, number of the return, returns of the pulse; in the order of the pulses.

    `ground(x, y)` is the ground on the map grid; `foot(east, north)` the ground at one place of the plan.
    """
    rng = np.random.default_rng([SEED, 1200])
    count = round((2 * SCAN_HALF_M) ** 2 * POINTS_PER_M2)
    middle_x, middle_y = to_map(0.0, 0.0)
    x = middle_x + rng.uniform(-SCAN_HALF_M, SCAN_HALF_M, count)
    y = middle_y + rng.uniform(-SCAN_HALF_M, SCAN_HALF_M, count)
    east, north = (np.asarray(one) for one in to_plan(x, y))
    bare = ground(x, y)
    top, kind = bare.copy(), np.full(count, GROUND)

    def stands(height_m, what):
        higher = height_m > top
        top[higher], kind[higher] = height_m[higher], what

    for wall in village.walls:
        stands(bare + stone_height_m(east, north, wall), OTHER)
    for house in village.houses:
        if np.hypot(house.east, house.north) < 2 * SCAN_HALF_M:
            stands(foot(house.east, house.north) + roof_height_m(east, north, house), BUILDING)
    for tree in village.trees:
        if np.hypot(tree.east, tree.north) < 2 * SCAN_HALF_M:
            into_m = rng.exponential(0.35, count)
            seen = crown_height_m(east, north, tree) - np.minimum(into_m, crown_half_height_m(tree))
            stands(foot(tree.east, tree.north) + seen, TREES)
    through = (kind == TREES) & (rng.random(count) < 0.4)
    sees_nothing_else = (kind == TREES) & ~through & (rng.random(count) < 0.15)
    top[sees_nothing_else], kind[sees_nothing_else] = bare[sees_nothing_else], GROUND
    returns = np.where(through, 2, 1)
    columns = [
        np.concatenate([x, x[through]]),
        np.concatenate([y, y[through]]),
        np.concatenate([top, bare[through]]),
    ]
    kinds = np.concatenate([kind, np.full(int(through.sum()), GROUND)])
    number = np.concatenate([np.ones(count, dtype=int), np.full(int(through.sum()), 2)])
    of = np.concatenate([returns, returns[through]])
    pulse = np.concatenate([np.arange(count), np.flatnonzero(through)])
    order = np.lexsort((number, pulse))
    points = np.column_stack(columns)[order]
    wire, wire_kind = _wire_and_pole(rng, foot)
    wire[:, 0], wire[:, 1] = to_map(wire[:, 0], wire[:, 1])
    points = np.concatenate([points, wire])
    points[:, 2] += rng.normal(0.0, NOISE_M, len(points))
    ones = np.ones(len(wire), dtype=int)
    return (
        points,
        np.concatenate([kinds[order], wire_kind]),
        np.concatenate([number[order], ones]),
        np.concatenate([of[order], ones]),
    )


def _wire_and_pole(rng, foot):
    """Plan points on the service wire and its pole, and their classes."""
    start = np.array([SERVICE_POLE.east, SERVICE_POLE.north])
    end = np.array(SERVICE_HOOK[:2])
    from_m = foot(*start) + SERVICE_POLE.height - 0.3
    to_m = foot(CLINIC.east, CLINIC.north) + SERVICE_HOOK[2]
    share = np.sort(rng.uniform(0.02, 0.98, 40))
    height = from_m + share * (to_m - from_m) - 4 * WIRE_SAG_M * share * (1 - share)
    along = np.column_stack([start + share[:, None] * (end - start), height])
    pole = np.column_stack(
        [
            start + rng.normal(0.0, 0.05, (8, 2)),
            foot(*start) + SERVICE_POLE.height * np.sort(rng.uniform(0.4, 1.0, 8)),
        ]
    )
    return np.concatenate([along, pole]), np.array([WIRE] * len(along) + [TOWER] * len(pole))


def write_scan(path, points, kinds, number, returns, map_grid):
    """A compressed LAS 1.4 file, point format 6, centimetres."""
    import laspy
    import pyproj

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets = np.floor(points.min(axis=0))
    header.scales = np.array([0.01, 0.01, 0.01])
    header.creation_date = SCAN_DATE
    header.generating_software = "invented: Hollinsay does not exist"
    header.system_identifier = "invented"
    header.add_crs(pyproj.CRS.from_user_input(map_grid))
    scan = laspy.LasData(header)
    scan.x, scan.y, scan.z = points.T
    scan.classification = kinds.astype(np.uint8)
    scan.return_number = number.astype(np.uint8)
    scan.number_of_returns = returns.astype(np.uint8)
    scan.write(str(path))


def footprints(place, village: Village):
    """Building footprints with the keys of the open map tagging, as a FeatureCollection."""
    rng = np.random.default_rng([SEED, 1300])
    features = []
    for house in village.houses:
        if np.hypot(house.east, house.north) > 1.2 * SCAN_HALF_M:
            continue
        corners = house.corners() + rng.normal(0.0, DRAWN_WITHIN_M, (4, 2))
        said = {"building": "house" if house.street else "public"}
        if house in (CLINIC, HALL):
            said["name"] = house.name
        if house is HALL:
            said |= {"height": "7.4", "roof:shape": "gabled", "roof:height": "3.8"}
        elif house.street and rng.random() < 0.6:
            said["building:levels"] = "1" if house.eaves < 3.0 else "2"
        ring = [place(*corner) for corner in (*corners, corners[0])]
        features.append(
            {
                "type": "Feature",
                "properties": said,
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        )
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"
