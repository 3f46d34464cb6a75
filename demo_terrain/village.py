"""What stands in Skerrow: houses, trees, walls, poles. Plan coordinates: metres true east and north of the clinic."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
from ground import SEED

CLIPPED_M = 0.25
"""Survey flights seldom hit the topmost twig: crowns are lower in a surface raster by so many metres."""


@dataclass(frozen=True)
class House:
    """A pitched roof on four walls. Lengths in metres, heights over the ground at its middle, ridge along `length`."""

    name: str
    east: float
    north: float
    length: float
    width: float
    turn_deg: float  # of the ridge, anticlockwise from east
    eaves: float
    ridge: float
    chimneys: tuple[
        tuple[float, float], ...
    ] = ()  # place along the ridge from the middle, height over the ridge
    street: str = ""

    def corners(self):
        """(4, 2) plan, anticlockwise."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [self.length / 2, self.width / 2]
        return half @ np.array([[c, s], [-s, c]]) + [self.east, self.north]


@dataclass(frozen=True)
class Tree:
    """An ellipsoid crown on a trunk."""

    name: str
    east: float
    north: float
    height: float
    crown_radius: float
    growth: float = 0.25
    max_height: float = 17.0


@dataclass(frozen=True)
class Wall:
    """Dry stone, 0.6 m thick."""

    name: str
    line: tuple[tuple[float, float], ...]
    height: float = 1.3


@dataclass(frozen=True)
class Pole:
    """Too thin for a 1 m raster: a lidar survey misses it, so the raster leaves it out."""

    name: str
    east: float
    north: float
    height: float


@dataclass
class Village:
    """Everything that stands on the ground."""

    houses: list[House] = field(default_factory=list)
    trees: list[Tree] = field(default_factory=list)
    walls: list[Wall] = field(default_factory=list)
    poles: list[Pole] = field(default_factory=list)


CLINIC = House("Skerrow clinic", 0.0, 9.0, 16.0, 8.0, 90.0, 2.6, 5.2, chimneys=((-3.1, 1.1),))
SYCAMORES = (
    Tree("sycamore 1", -13.2, -14.3, 12.2, 2.9),
    Tree("sycamore 2", -8.6, -13.8, 14.2, 3.0),
    Tree("sycamore 3", -4.1, -14.1, 12.9, 2.8),
    Tree("sycamore 4", 0.2, -13.9, 13.1, 2.8),
    Tree("sycamore 5", 4.4, -14.2, 12.4, 2.7),
)
GATE_SYCAMORE = Tree("gate sycamore", 11.5, -16.4, 17.4, 3.5, growth=0.1, max_height=18.0)
SCHOOL = House("Skerrow school", -208.0, 128.0, 24.0, 9.0, 4.0, 3.4, 6.9, chimneys=((9.0, 1.0),))
SCHOOL_ROW = tuple(
    Tree(f"school sycamore {k + 1}", -228.0 + 6.3 * k, 101.5 + 0.4 * k, height, 3.2, growth=0.3)
    for k, height in enumerate((12.4, 13.2, 12.9, 13.6, 13.1, 12.2, 11.8))
)
CHAPEL = House("chapel", 352.0, 702.0, 17.0, 8.0, 0.0, 4.5, 8.6)
SPIRE = Tree("chapel spire", 360.0, 702.0, 15.0, 1.6, growth=0.0)  # drawn as a narrow solid of revolution
HALL = House("hall", 62.0, -46.0, 20.0, 10.0, 20.0, 3.6, 7.4)
NET_STORE = House("net store", -396.0, -118.0, 18.0, 9.0, 75.0, 4.0, 7.0)
SERVICE_POLE = Pole("service pole", 17.0, -3.5, 8.5)
STREETS = {
    "Shore Street": ((-428.0, -230.0), (-405.0, -60.0), (-395.0, 80.0), (-340.0, 190.0)),
    "Kirk Road": (
        (-395.0, 30.0),
        (-180.0, 62.0),
        (-30.0, 42.0),
        (120.0, 120.0),
        (250.0, 330.0),
        (330.0, 640.0),
    ),
    "Ridge Road": ((-30.0, 42.0), (-48.0, -120.0), (-130.0, -330.0), (-190.0, -560.0)),
    "Mill Lane": ((120.0, 120.0), (330.0, 60.0), (560.0, -60.0)),
}
KEEP_FREE = ((0.0, -10.0, 48.0), (-208.0, 112.0, 42.0), (340.0, 700.0, 45.0), (62.0, -46.0, 22.0))


def _along(line, gap_m):
    """Points every gap_m along a line, with the direction there."""
    for (e0, n0), (e1, n1) in itertools.pairwise(line):
        length = ((e1 - e0) ** 2 + (n1 - n0) ** 2) ** 0.5
        for step in range(1, int(length // gap_m) + 1):
            t = (step - 0.5) * gap_m / length
            yield e0 + t * (e1 - e0), n0 + t * (n1 - n0), (e1 - e0) / length, (n1 - n0) / length


def _cottages(rng):
    """Houses on both sides of the streets, none on another, none where the demo's site files need a free view."""
    placed = [CLINIC, SCHOOL, CHAPEL, HALL, NET_STORE]
    for street, line in STREETS.items():
        number = 0
        for east, north, along_e, along_n in _along(line, 23.0):
            for side in (-1.0, 1.0):
                number += 1
                back = 11.0 + 5.0 * rng.random()
                length, width = 9.0 + 5.0 * rng.random(), 6.5 + 1.8 * rng.random()
                gable_on = rng.random() < 0.2
                turn = (
                    np.degrees(np.arctan2(along_n, along_e))
                    + (90.0 if gable_on else 0.0)
                    + 8.0 * (rng.random() - 0.5)
                )
                eaves = 2.5 if rng.random() < 0.45 else 4.8
                ends = (length / 2 - 0.6) * np.array([-1.0, 1.0])
                house = House(
                    f"{number} {street}",
                    round(east - side * along_n * back, 1),
                    round(north + side * along_e * back, 1),
                    round(length, 1),
                    round(width, 1),
                    round(float(turn), 1),
                    eaves,
                    round(eaves + width / 2 * 0.8, 1),
                    tuple((round(float(end), 1), 0.9) for end in ends if rng.random() < 0.7),
                    street,
                )
                crowded = any(
                    np.hypot(house.east - other.east, house.north - other.north)
                    < (house.length + other.length) / 2 + 3.0
                    for other in placed
                )
                kept = any(np.hypot(house.east - e, house.north - n) < r for e, n, r in KEEP_FREE)
                on_road = any(
                    np.hypot(house.east - e, house.north - n) < house.width / 2 + 4.5
                    for other in STREETS.values()
                    for e, n, _, _ in _along(other, 6.0)
                )
                if rng.random() < 0.82 and not crowded and not kept and not on_road:
                    placed.append(house)
    return placed


def build():
    """All houses, trees, walls and poles of the village."""
    rng = np.random.default_rng([SEED, 900])
    village = Village(houses=_cottages(rng))
    village.trees = [*SYCAMORES, GATE_SYCAMORE, *SCHOOL_ROW]
    for house in village.houses[5:]:
        if rng.random() < 0.35:  # a wind-bent tree in some gardens
            turn = 2 * np.pi * rng.random()
            reach = house.length / 2 + 4.0
            village.trees.append(
                Tree(
                    f"tree at {house.name}",
                    round(house.east + reach * float(np.cos(turn)), 1),
                    round(house.north + reach * float(np.sin(turn)), 1),
                    round(4.0 + 4.0 * rng.random(), 1),
                    round(1.4 + 1.2 * rng.random(), 1),
                )
            )
    village.trees = [
        tree
        for place, tree in enumerate(village.trees)
        if place < 13 or all(np.hypot(tree.east - e, tree.north - n) > r for e, n, r in KEEP_FREE)
    ]
    village.walls = [
        Wall("garden wall", ((-20.0, -19.5), (22.0, -18.8), (24.0, 20.0), (-22.0, 19.0), (-20.0, -19.5))),
        Wall(
            "school wall", ((-240.0, 95.0), (-180.0, 99.0), (-182.0, 146.0), (-243.0, 142.0), (-240.0, 95.0))
        ),
        Wall(
            "kirkyard wall",
            ((322.0, 676.0), (388.0, 678.0), (386.0, 732.0), (320.0, 730.0), (322.0, 676.0)),
            1.6,
        ),
        Wall(
            "head dyke",
            ((-430.0, -330.0), (-210.0, -420.0), (20.0, -380.0), (260.0, -300.0), (560.0, -330.0)),
            1.5,
        ),
        Wall(
            "west park",
            ((-300.0, -40.0), (-120.0, -20.0), (-100.0, -190.0), (-290.0, -200.0), (-300.0, -40.0)),
        ),
        Wall("east park", ((110.0, -60.0), (300.0, -20.0), (310.0, -220.0), (100.0, -230.0), (110.0, -60.0))),
        Wall(
            "north park", ((-150.0, 240.0), (120.0, 260.0), (160.0, 460.0), (-170.0, 430.0), (-150.0, 240.0))
        ),
    ]
    village.poles = [SERVICE_POLE]
    return village


def stone_height_m(east, north, wall):
    """Height of a dry stone wall over the ground at plan points, 0 beside it."""
    best = np.full(np.shape(east), np.inf)
    for (e0, n0), (e1, n1) in zip(wall.line[:-1], wall.line[1:], strict=True):
        length2 = (e1 - e0) ** 2 + (n1 - n0) ** 2
        t = np.clip(((east - e0) * (e1 - e0) + (north - n0) * (n1 - n0)) / length2, 0.0, 1.0)
        best = np.minimum(best, np.hypot(east - e0 - t * (e1 - e0), north - n0 - t * (n1 - n0)))
    return np.where(best <= 0.5, wall.height, 0.0)


def roof_height_m(east, north, house):
    """Height of a house over the ground at its middle, -inf outside its walls."""
    c, s = np.cos(np.radians(house.turn_deg)), np.sin(np.radians(house.turn_deg))
    along = (east - house.east) * c + (north - house.north) * s
    across = -(east - house.east) * s + (north - house.north) * c
    inside = (np.abs(along) <= house.length / 2) & (np.abs(across) <= house.width / 2)
    roof = house.ridge - (house.ridge - house.eaves) * np.abs(across) / (house.width / 2)
    for place, height in house.chimneys:
        stack = (np.abs(along - place) <= 0.45) & (np.abs(across) <= 0.45)
        roof = np.where(stack, house.ridge + height, roof)
    return np.where(inside, roof, -np.inf)


def crown_height_m(east, north, tree):
    """Top of an ellipsoid crown over the ground at its foot, -inf outside it."""
    share = ((east - tree.east) ** 2 + (north - tree.north) ** 2) / tree.crown_radius**2
    half = crown_half_height_m(tree)
    return np.where(share <= 1.0, tree.height - half + half * np.sqrt(np.maximum(1.0 - share, 0.0)), -np.inf)


def crown_half_height_m(tree):
    """Half the height of the crown: the crown begins at three tenths of the tree's height."""
    return 0.35 * tree.height


def surface_m(east, north, ground, foot, village):
    """Ground with everything on it, at plan points (row, column); `foot(east, north)` is the ground at one place.

    Rows run nearly north and columns nearly east, one metre a cell: enough to find the cells of each feature.
    """
    top = ground.copy()
    turn = (
        (east[0, -1] - east[0, 0]) / (east.shape[1] - 1),
        (north[0, -1] - north[0, 0]) / (east.shape[1] - 1),
    )

    def window(middle_e, middle_n, reach):
        off_e, off_n = middle_e - east[0, 0], middle_n - north[0, 0]
        column = (off_e * turn[0] + off_n * turn[1]) / (turn[0] ** 2 + turn[1] ** 2)
        row = (off_e * turn[1] - off_n * turn[0]) / (turn[0] ** 2 + turn[1] ** 2)
        rows = slice(max(0, int(row - reach) - 2), max(0, int(row + reach) + 3))
        return rows, slice(max(0, int(column - reach) - 2), max(0, int(column + reach) + 3))

    for house in village.houses:
        part, base = window(house.east, house.north, house.length), foot(house.east, house.north)
        top[part] = np.maximum(top[part], base + roof_height_m(east[part], north[part], house))
    for tree in [*village.trees, SPIRE]:
        part, base = window(tree.east, tree.north, tree.crown_radius), foot(tree.east, tree.north)
        seen = base + crown_height_m(east[part], north[part], tree) - CLIPPED_M
        top[part] = np.maximum(top[part], seen)
    for wall in village.walls:
        for (e0, n0), (e1, n1) in zip(wall.line[:-1], wall.line[1:], strict=True):
            reach = max(abs(e1 - e0), abs(n1 - n0)) / 2 + 12.0
            part = window((e0 + e1) / 2, (n0 + n1) / 2, reach)
            piece = Wall(wall.name, ((e0, n0), (e1, n1)), wall.height)
            top[part] = np.maximum(top[part], ground[part] + stone_height_m(east[part], north[part], piece))
    return top
