"""Airborne laser scans of invented streets, with the exact truth behind every point. Seeded; numpy only.

`street(seed)` gives a `Scan`: points as a survey would deliver them, and what really stands there. Coordinates are
local plan metres (east, north) and elevation. A pulse is a straight line from a flight line to the ground: what stands
in front hides what lies behind (walls shade the ground beside them), leaves let part of a pulse through, and each
return carries noise. Nothing here comes from a real place.

>>> scan = street(1)
>>> [house.form for house in scan.truth.houses] == list(FORMS)
True
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FORMS",
    "Fixture",
    "House",
    "Scan",
    "Street",
    "TrueHedge",
    "TrueTree",
    "TrueWire",
    "repeated",
    "scan_of",
    "street",
]

Floats = NDArray[np.float64]

FORMS = ("flat", "gabled", "hipped", "half-hipped", "pyramidal", "skillion", "l-shaped")
"""Seven roof forms: "flat" has a parapet, "l-shaped" is two gables at right angles that meet in two valleys."""

GROUND, LOW, MEDIUM, HIGH, BUILDING, LOW_NOISE, WIRE, TOWER, HIGH_NOISE = 2, 3, 4, 5, 6, 7, 14, 15, 18
"""Point classes of the ASPRS LAS 1.4 specification (R15, table 17)."""

_FLYING_HEIGHT_M = 800.0
_LEAF_PER_M = 0.9  # share of a pulse that leaves take per metre, as an extinction coefficient
_LEAST_ENERGY = 0.15  # below this share of the pulse a return is not detected


@dataclass(frozen=True, eq=False)
class House:
    """A house; every array in local metres.

    outline : (k, 2) walls, counter-clockwise
    facets : each (k, 3), the roof's planes (the parapet of a flat roof is apart)
    ridges, hips, valleys, eaves : each (2, 3)
    parapet_m : height of a flat roof's parapet above the roof, 0 without; parapet_width_m
    ground_m : elevation of the bare ground at the outline's middle
    direction_deg : true azimuth of the length axis (along the ridge where there is one)
    """

    name: str
    form: str
    outline: Floats
    facets: tuple[Floats, ...]
    ridges: tuple[Floats, ...]
    hips: tuple[Floats, ...]
    valleys: tuple[Floats, ...]
    eaves: tuple[Floats, ...]
    eaves_elevation_m: float
    ridge_elevation_m: float
    ground_m: float
    direction_deg: float
    parapet_m: float = 0.0
    parapet_width_m: float = 0.0

    def roof_m(self, east_m: Floats, north_m: Floats) -> Floats:
        """Elevation of the roof planes (without fixtures and parapet) at places; nan beside the house."""
        found = np.full(np.shape(east_m), np.nan)
        for facet in self.facets:
            inside = _inside(facet[:, :2], east_m, north_m)
            found = np.where(inside, _plane_m(facet, east_m, north_m), found)
        return found


@dataclass(frozen=True, eq=False)
class Fixture:
    """What stands on a roof: kind chimney, dormer or aerial; outline (k, 2), of an aerial one point."""

    kind: str
    house: str
    outline: Floats
    top_elevation_m: float


@dataclass(frozen=True)
class TrueTree:
    """A free-standing tree: an ellipsoid ("round") or a paraboloid ("pointed") of leaves over a bare stem."""

    name: str
    east_m: float
    north_m: float
    ground_m: float
    height_m: float
    crown_radius_m: float
    crown_base_m: float
    shape: str


@dataclass(frozen=True, eq=False)
class TrueHedge:
    """A hedge: a block of leaves along a line (2, 2), its top `height_m` above the ground under it."""

    name: str
    line: Floats
    width_m: float
    height_m: float


@dataclass(frozen=True, eq=False)
class TrueWire:
    """A conductor between two poles: ends (2, 3), hanging `sag_m` below its chord in mid-span, as a parabola."""

    name: str
    ends: Floats
    sag_m: float

    def at(self, share: Floats) -> Floats:
        """(n, 3) places on the wire at shares 0 to 1 of its span."""
        place = self.ends[0] + np.asarray(share)[:, None] * (self.ends[1] - self.ends[0])
        place[:, 2] -= 4.0 * self.sag_m * share * (1.0 - share)
        return place


@dataclass(frozen=True, eq=False)
class Street:
    """The truth. extent : (west, south, east, north); ponds : (n, 3) east, north, radius, where nothing comes back.

    ground : elevation at the origin, slope east, slope north, amplitude and wavelength of its waves
    """

    extent: tuple[float, float, float, float]
    ground: tuple[float, float, float, float, float]
    houses: tuple[House, ...] = ()
    fixtures: tuple[Fixture, ...] = ()
    trees: tuple[TrueTree, ...] = ()
    hedges: tuple[TrueHedge, ...] = ()
    wires: tuple[TrueWire, ...] = ()
    cars: tuple[Floats, ...] = ()
    ponds: tuple[tuple[float, float, float], ...] = ()

    def bare_ground_m(self, east_m: Floats, north_m: Floats) -> Floats:
        """Elevation of the bare ground, under everything."""
        level, east, north, wave, length = self.ground
        turn = 2.0 * np.pi / length
        waves = wave * np.sin(turn * np.asarray(east_m)) * np.cos(0.7 * turn * np.asarray(north_m))
        return np.asarray(level + east * np.asarray(east_m) + north * np.asarray(north_m) + waves)


@dataclass(frozen=True, eq=False)
class Scan:
    """A scan and its truth.

    points : (n, 3) east, north, elevation; classes : (n,) uint8; return_number, returns : (n,) uint8, of the pulse
    """

    points: Floats
    classes: NDArray[np.uint8]
    return_number: NDArray[np.uint8]
    returns: NDArray[np.uint8]
    truth: Street


def street(
    seed: int,
    *,
    forms: Sequence[str] = FORMS,
    points_per_m2: float = 10.0,
    noise_m: float = 0.05,
    classes: str = "asprs",
    slope: tuple[float, float] = (0.03, -0.05),
    flight_lines: int = 1,
    outliers: int = 6,
) -> Scan:
    """A street of one house a form, six trees, a hedge, a wire on two poles, two cars and a pond.

    points_per_m2 : pulses on level open ground; noise_m : standard deviation of each coordinate
    classes : "asprs" (all), "ground" (2, the rest 1), "none" (0)
    flight_lines : 1 leaves the far side of everything in shadow; 2 see most sides
    outliers : points far above and below everything, marked 18 and 7 where there are classes
    """
    truth = _invented(np.random.default_rng([seed, 1]), tuple(forms), slope)
    return scan_of(
        truth,
        seed=seed,
        points_per_m2=points_per_m2,
        noise_m=noise_m,
        classes=classes,
        flight_lines=flight_lines,
        outliers=outliers,
    )


def repeated(scan: Scan, columns: int, rows: int) -> Scan:
    """The same street over and over, for large tiles: (columns, rows) copies side by side; the truth is the first's.

    The ground's slope is taken out of the copies' steps, so use it with a street of slope (0, 0) and no waves.
    """
    west, south, east, north = scan.truth.extent
    east_m, north_m = np.meshgrid(np.arange(columns) * (east - west), np.arange(rows) * (north - south))
    shift = np.column_stack([east_m.ravel(), north_m.ravel(), np.zeros(columns * rows)])
    points = (scan.points[None] + shift[:, None]).reshape(-1, 3)
    many = columns * rows
    return replace(
        scan,
        points=points,
        classes=np.tile(scan.classes, many),
        return_number=np.tile(scan.return_number, many),
        returns=np.tile(scan.returns, many),
    )


def scan_of(
    truth: Street,
    *,
    seed: int,
    points_per_m2: float = 10.0,
    noise_m: float = 0.05,
    classes: str = "asprs",
    flight_lines: int = 1,
    outliers: int = 6,
) -> Scan:
    """A scan of any truth; parameters as `street`."""
    rng = np.random.default_rng([seed, 2])
    pulses = _pulses(rng, truth, points_per_m2, flight_lines)
    solid_m, solid_class = _solid_returns(truth, pulses)
    returns = _returns(rng, truth, pulses, solid_m, solid_class)
    thin = _thin_returns(rng, truth, points_per_m2)
    stray = _outliers(rng, truth, outliers)
    pulse, at_m, kind, number = (np.concatenate([r[i] for r in returns]) for i in range(4))
    place = np.column_stack(
        [pulses[pulse, :2] + pulses[pulse, 3:] * (at_m - pulses[pulse, 2])[:, None], at_m]
    )
    total = np.bincount(pulse, minlength=len(pulses))[pulse]
    points = np.concatenate([place, thin[0], stray[0]])
    kind = np.concatenate([kind, thin[1], stray[1]]).astype(np.uint8)
    number = np.concatenate([number, np.ones(len(thin[0]) + len(stray[0]))]).astype(np.uint8)
    total = np.concatenate([total, np.full(len(thin[0]), 2), np.ones(len(stray[0]))]).astype(np.uint8)
    points = points + rng.normal(0.0, noise_m, points.shape)
    west, south, east, north = truth.extent
    kept = (points[:, 0] >= west) & (points[:, 0] < east) & (points[:, 1] >= south) & (points[:, 1] < north)
    for pond_east_m, pond_north_m, radius_m in truth.ponds:
        kept &= np.hypot(points[:, 0] - pond_east_m, points[:, 1] - pond_north_m) >= radius_m
    order = rng.permutation(np.flatnonzero(kept))
    if classes == "ground":
        kind = np.where(kind == GROUND, GROUND, 1).astype(np.uint8)
    elif classes == "none":
        kind = np.zeros_like(kind)
    elif classes != "asprs":
        raise ValueError(classes)
    return Scan(points[order], kind[order], number[order], total[order], truth)


def _pulses(rng: np.random.Generator, truth: Street, points_per_m2: float, flight_lines: int) -> Floats:
    """(n, 5): east, north at a reference elevation, that elevation, and metres east and north per metre up."""
    west, south, east, north = truth.extent
    step_m = 1.0 / np.sqrt(points_per_m2)
    edge_m = 14.0  # lines that lean in from beside the extent
    east_m, north_m = np.meshgrid(
        np.arange(west - edge_m, east + edge_m, step_m), np.arange(south - edge_m, north + edge_m, step_m)
    )
    at = np.column_stack([east_m.ravel(), north_m.ravel()])
    at += rng.uniform(-0.5, 0.5, at.shape) * step_m
    middle_m = (west + east) / 2.0
    lines_m = np.array([middle_m - 180.0, middle_m + 230.0])[:flight_lines]
    line_m = lines_m[rng.integers(0, len(lines_m), len(at))]
    level_m = float(truth.bare_ground_m(np.array(middle_m), np.array((south + north) / 2.0)))
    lean = np.column_stack([(line_m - at[:, 0]) / _FLYING_HEIGHT_M, rng.normal(0.0, 0.01, len(at))])
    return np.column_stack([at, np.full(len(at), level_m), lean])


def _inside(ring: Floats, x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Whether places lie in a ring (k, 2), by the even-odd rule."""
    inside = np.zeros(np.shape(x), dtype=bool)
    for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        if y0 != y1:
            crosses = (y0 > y) != (y1 > y)
            inside ^= crosses & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


def _normal(ring: Floats) -> Floats:
    """Normal of a planar ring (k, 3), Newell's method."""
    after = np.roll(ring, -1, axis=0)
    return np.cross(ring, after).sum(axis=0)


def _plane_m(ring: Floats, east_m: Floats, north_m: Floats) -> Floats:
    normal = _normal(ring)
    return np.asarray(
        ring[0, 2] - ((east_m - ring[0, 0]) * normal[0] + (north_m - ring[0, 1]) * normal[1]) / normal[2]
    )


def _solid_returns(truth: Street, pulses: Floats) -> tuple[Floats, Floats]:
    """Elevation and class of the first solid thing that each pulse meets."""
    place, level_m, lean = pulses[:, :2], pulses[:, 2], pulses[:, 3:]
    at_m = truth.bare_ground_m(place[:, 0], place[:, 1])
    for _ in range(8):  # converges: the ground's slope times the pulse's lean is far below 1
        moved = place + lean * (at_m - level_m)[:, None]
        at_m = truth.bare_ground_m(moved[:, 0], moved[:, 1])
    kind = np.full(len(pulses), float(GROUND))
    for rings, made_of in _solids(truth):
        reach = np.concatenate([ring[:, :2] for ring in rings])
        # a pulse is 14 m away at most where it meets what stands 40 m up
        (west, south), (east, north) = reach.min(axis=0) - 14.0, reach.max(axis=0) + 14.0
        near = np.flatnonzero(
            (place[:, 0] > west) & (place[:, 0] < east) & (place[:, 1] > south) & (place[:, 1] < north)
        )
        for ring in rings:
            met_m = _met_m(ring, pulses[near])
            higher = met_m > at_m[near]
            at_m[near[higher]], kind[near[higher]] = met_m[higher], made_of
    return at_m, kind


def _met_m(ring: Floats, pulses: Floats) -> Floats:
    """Elevation where pulses meet a planar ring (k, 3); -inf where they miss it."""
    normal = _normal(ring)
    way = np.column_stack([pulses[:, 3:], np.ones(len(pulses))])
    start = pulses[:, :3]
    across = way @ normal
    with np.errstate(divide="ignore", invalid="ignore"):
        up_m = ((ring[0] - start) @ normal) / across
    met = start + way * up_m[:, None]
    keep = [axis for axis in range(3) if axis != int(np.abs(normal).argmax())]
    hit = (np.abs(across) > 1e-9) & _inside(ring[:, keep], met[:, keep[0]], met[:, keep[1]])
    return np.where(hit, met[:, 2], -np.inf)


def _solids(truth: Street) -> list[tuple[list[Floats], int]]:
    """Planar rings (k, 3) of each solid thing, with their class."""
    found: list[tuple[list[Floats], int]] = []
    for house in truth.houses:
        rings = [*house.facets, *_walls(house)]
        if house.parapet_m:
            rings += _parapet(house)
        found.append((rings, BUILDING))
    for fixture in truth.fixtures:
        if len(fixture.outline) > 1:
            house = next(one for one in truth.houses if one.name == fixture.house)
            found.append(
                (_block(fixture.outline, house.eaves_elevation_m, fixture.top_elevation_m), BUILDING)
            )
    for car in truth.cars:
        ground_m = float(truth.bare_ground_m(*car.mean(axis=0)))
        found.append((_block(car, ground_m - 1.0, ground_m + 1.5), 1))
    return found


def _block(outline: Floats, low_m: float, top_m: float) -> list[Floats]:
    """Top and sides of an upright block."""
    rings = [np.column_stack([outline, np.full(len(outline), top_m)])]
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        rings.append(np.array([[*a, low_m], [*b, low_m], [*b, top_m], [*a, top_m]]))
    return rings


def _walls(house: House) -> list[Floats]:
    """A wall under each side of the outline, up to the roof: a gable's apex is a corner of its wall."""
    corners = np.concatenate(house.facets)
    low_m = house.ground_m - 4.0
    walls = []
    for a, b in zip(house.outline, np.roll(house.outline, -1, axis=0), strict=True):
        side = b - a
        length_m = np.hypot(*side)
        along_m = (corners[:, :2] - a) @ side / length_m
        beside_m = np.abs((corners[:, :2] - a) @ np.array([-side[1], side[0]]) / length_m)
        on = (beside_m < 1e-6) & (along_m > -1e-6) & (along_m < length_m + 1e-6)
        top = corners[on][np.argsort(along_m[on])]
        walls.append(np.concatenate([[[*b, low_m], [*a, low_m]], top]))
    return walls


def _parapet(house: House) -> list[Floats]:
    inner = _inset(house.outline, house.parapet_width_m)
    top_m, rings = house.eaves_elevation_m + house.parapet_m, []
    for i in range(len(house.outline)):
        j = (i + 1) % len(house.outline)
        strip = np.array([house.outline[i], house.outline[j], inner[j], inner[i]])
        rings += _block(strip, house.eaves_elevation_m, top_m)
    return rings


def _inset(rectangle: Floats, by_m: float) -> Floats:
    """A rectangle's corners moved inwards."""
    middle = rectangle.mean(axis=0)
    u, v = rectangle[1] - rectangle[0], rectangle[3] - rectangle[0]
    length, width = np.hypot(*u), np.hypot(*v)
    shares = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return middle + shares[:, :1] * u * (1 - 2 * by_m / length) + shares[:, 1:] * v * (1 - 2 * by_m / width)


def _returns(
    rng: np.random.Generator, truth: Street, pulses: Floats, solid_m: Floats, solid_class: Floats
) -> list[tuple[Floats, ...]]:
    """(pulse, elevation, class, return number) of leaves, from the top down, and of what lies solid behind them."""
    energy, number = np.ones(len(pulses)), np.zeros(len(pulses), dtype=int)
    found: list[tuple[Floats, ...]] = []
    leaves = [(t.ground_m + t.height_m, t) for t in truth.trees]
    leaves += [(float(truth.bare_ground_m(*h.line.mean(axis=0))) + h.height_m, h) for h in truth.hedges]
    for _, one in sorted(leaves, key=lambda pair: -pair[0]):
        into_m, out_m, per_m = (
            (*_through_crown(one, pulses), _LEAF_PER_M)
            if isinstance(one, TrueTree)
            else (*_through_hedge(truth, one, pulses), 3.0 * _LEAF_PER_M)
        )
        depth_m = np.zeros(len(pulses))
        for _ in range(3):
            depth_m += rng.exponential(1.0 / per_m, len(pulses))
            at_m = into_m - depth_m
            hit = (at_m > out_m) & (at_m > solid_m) & (energy > _LEAST_ENERGY)
            index = np.flatnonzero(hit)
            number[index] += 1
            ground_m = truth.bare_ground_m(pulses[index, 0], pulses[index, 1])
            above_m = at_m[index] - ground_m
            kind = np.where(above_m < 0.5, LOW, np.where(above_m < 2.0, MEDIUM, HIGH))
            found.append((index, at_m[index], kind, number[index].copy()))
            energy[index] *= rng.uniform(0.2, 0.7, len(index))
            depth_m += 0.5  # echoes nearer to each other melt into one
    index = np.flatnonzero(energy > _LEAST_ENERGY)
    number[index] += 1
    found.append((index, solid_m[index], solid_class[index], number[index].copy()))
    return found


def _through_crown(tree: TrueTree, pulses: Floats) -> tuple[Floats, Floats]:
    """Elevations at which pulses enter and leave a crown; nan for those that miss it."""
    top_m, base_m = tree.ground_m + tree.height_m, tree.ground_m + tree.crown_base_m
    x = pulses[:, 0] - tree.east_m - pulses[:, 3] * pulses[:, 2]  # place at elevation z: x + lean z
    y = pulses[:, 1] - tree.north_m - pulses[:, 4] * pulses[:, 2]
    lean_east, lean_north = pulses[:, 3], pulses[:, 4]
    r2 = tree.crown_radius_m**2
    square = (lean_east**2 + lean_north**2) / r2
    cross = 2.0 * (x * lean_east + y * lean_north) / r2
    flat = (x**2 + y**2) / r2
    if tree.shape == "round":
        half_m, middle_m = (top_m - base_m) / 2.0, (top_m + base_m) / 2.0
        a = square + 1.0 / half_m**2
        b = cross - 2.0 * middle_m / half_m**2
        c = flat + middle_m**2 / half_m**2 - 1.0
    else:  # a paraboloid: distance squared grows linearly from the top to the base
        deep_m = top_m - base_m
        a, b, c = square + 1e-12, cross + 1.0 / deep_m, flat - top_m / deep_m
    with np.errstate(invalid="ignore"):
        root = np.sqrt(b * b - 4.0 * a * c)
    into_m = (-b + root) / (2.0 * a)
    out_m = np.maximum((-b - root) / (2.0 * a), base_m)
    return np.where(into_m > out_m, into_m, np.nan), out_m


def _through_hedge(truth: Street, hedge: TrueHedge, pulses: Floats) -> tuple[Floats, Floats]:
    """As _through_crown, for a block of leaves; its sides are taken as upright as the pulses."""
    a, b = hedge.line
    side = (b - a) / np.hypot(*(b - a))
    ground_m = truth.bare_ground_m(pulses[:, 0], pulses[:, 1])
    top_m = ground_m + hedge.height_m
    place = pulses[:, :2] + pulses[:, 3:] * (top_m - pulses[:, 2])[:, None]
    along_m = (place - a) @ side
    beside_m = np.abs((place - a) @ np.array([-side[1], side[0]]))
    inside = (along_m > 0) & (along_m < np.hypot(*(b - a))) & (beside_m < hedge.width_m / 2.0)
    return np.where(inside, top_m, np.nan), ground_m


def _thin_returns(rng: np.random.Generator, truth: Street, points_per_m2: float) -> tuple[Floats, Floats]:
    """Echoes of wires, poles and aerials: a beam's footprint 0.2 m wide meets them more often than their width says."""
    places, kinds = [np.empty((0, 3))], [np.empty(0)]
    for wire in truth.wires:
        many = rng.poisson(0.2 * points_per_m2 * np.hypot(*(wire.ends[1] - wire.ends[0])[:2]))
        places.append(wire.at(rng.uniform(0.0, 1.0, many)))
        kinds.append(np.full(many, float(WIRE)))
        for end in wire.ends:
            low_m = float(truth.bare_ground_m(end[0], end[1]))
            many = rng.poisson(1.0 * points_per_m2)
            pole = np.column_stack([np.tile(end[:2], (many, 1)), rng.uniform(low_m, end[2] + 0.3, many)])
            places.append(pole + np.pad(rng.normal(0.0, 0.08, (many, 2)), ((0, 0), (0, 1))))
            kinds.append(np.full(many, float(TOWER)))
    for fixture in truth.fixtures:
        if len(fixture.outline) == 1:
            many = rng.poisson(0.6 * points_per_m2)
            low_m = next(h for h in truth.houses if h.name == fixture.house).ridge_elevation_m
            up_m = rng.uniform(low_m, fixture.top_elevation_m, many)
            places.append(np.column_stack([np.tile(fixture.outline[0], (many, 1)), up_m]))
            kinds.append(np.full(many, 1.0))
    return np.concatenate(places), np.concatenate(kinds)


def _outliers(rng: np.random.Generator, truth: Street, many: int) -> tuple[Floats, Floats]:
    """Birds high up and echoes of echoes below the ground, half each."""
    west, south, east, north = truth.extent
    place = np.column_stack([rng.uniform(west, east, many), rng.uniform(south, north, many)])
    high = np.arange(many) % 2 == 0
    off_m = np.where(high, rng.uniform(40.0, 120.0, many), -rng.uniform(3.0, 15.0, many))
    up_m = truth.bare_ground_m(place[:, 0], place[:, 1]) + off_m
    return np.column_stack([place, up_m]), np.where(high, float(HIGH_NOISE), float(LOW_NOISE))


# what is invented


def _invented(rng: np.random.Generator, forms: tuple[str, ...], slope: tuple[float, float]) -> Street:
    """Houses in two rows along a road, a row of trees behind, a hedge, a wire along the road, a pond."""
    many = (len(forms) + 1) // 2
    extent = (0.0, 0.0, 24.0 * many + 8.0, 86.0)
    waves = 0.25 if any(slope) else 0.0
    truth = Street(extent, (40.0, *slope, waves, 60.0))
    houses, fixtures = [], []
    for i, form in enumerate(forms):
        middle = np.array([16.0 + 24.0 * (i // 2), 22.0 if i % 2 == 0 else 56.0])
        middle += rng.uniform(-1.5, 1.5, 2)
        house = _house(rng, truth, f"{i + 1} {form}", form, middle)
        houses.append(house)
        fixtures += _fixtures(rng, house)
    trees = []
    for i in range(6):
        shape = "pointed" if i % 3 == 2 else "round"
        radius_m = float(rng.uniform(1.5, 3.5) if shape == "round" else rng.uniform(1.5, 2.5))
        height_m = float(rng.uniform(1.6, 2.6) * 2 * radius_m if shape == "round" else rng.uniform(6, 11))
        east_m = float(9.0 + (extent[2] - 18.0) * (i // 2) / 2.0 + rng.uniform(-1, 1))
        north_m = float(6.0 if i % 2 == 0 else 78.0) + float(rng.uniform(-1, 1))
        ground_m = float(truth.bare_ground_m(np.array(east_m), np.array(north_m)))
        base_m = height_m * float(rng.uniform(0.15, 0.35))
        trees.append(TrueTree(f"tree {i + 1}", east_m, north_m, ground_m, height_m, radius_m, base_m, shape))
    hedge = TrueHedge(
        "hedge 1",
        np.array([[6.0, 70.5], [24.0, 70.5 + rng.uniform(-0.5, 0.5)]]),
        float(rng.uniform(1.0, 1.6)),
        float(rng.uniform(1.6, 2.6)),
    )
    ends = np.array([[5.0, 38.0, 0.0], [extent[2] - 6.0, 39.0 + rng.uniform(-1, 1), 0.0]])
    ends[:, 2] = truth.bare_ground_m(ends[:, 0], ends[:, 1]) + rng.uniform(7.5, 8.5, 2)
    cars = tuple(
        np.array([x, 41.0]) + np.array([[0.0, 0.0], [4.2, 0.0], [4.2, 1.8], [0.0, 1.8]])
        for x in rng.uniform(12.0, extent[2] - 12.0, 2)
    )
    return replace(
        truth,
        houses=tuple(houses),
        fixtures=tuple(fixtures),
        trees=tuple(trees),
        hedges=(hedge,),
        wires=(TrueWire("wire 1", ends, float(rng.uniform(0.5, 1.5))),),
        cars=cars,
        ponds=((extent[2] - 7.0, 64.0, 3.5),),
    )


def _house(rng: np.random.Generator, truth: Street, name: str, form: str, middle: Floats) -> House:
    """A house of a form, its length axis turned by up to 35 degrees either way from east."""
    width_m = float(rng.uniform(6.5, 8.5))
    length_m = width_m if form == "pyramidal" else width_m * float(rng.uniform(1.3, 1.6))
    pitch = float(np.tan(np.deg2rad(rng.uniform(28.0, 45.0))))
    wing_m = (0.0, 0.0)
    if form == "l-shaped":
        wing_m = (width_m * float(rng.uniform(0.7, 0.9)), float(rng.uniform(3.0, 4.5)))
    rise_m = {
        "flat": 0.0,
        "skillion": width_m * float(np.tan(np.deg2rad(rng.uniform(8.0, 18.0)))),
    }.get(form, width_m / 2.0 * pitch)
    ground_m = float(truth.bare_ground_m(middle[0], middle[1]))
    eaves_m = ground_m + float(rng.uniform(3.0, 5.5))
    turn_rad = np.deg2rad(rng.uniform(-35.0, 35.0))
    u = np.array([np.cos(turn_rad), np.sin(turn_rad)])
    v = np.array([-np.sin(turn_rad), np.cos(turn_rad)])
    corner = middle - u * length_m / 2.0 - v * (width_m - wing_m[1]) / 2.0
    shape = _form(form, length_m, width_m, eaves_m, eaves_m + rise_m, wing_m)

    def placed(many: list[list[tuple[float, float, float]]]) -> tuple[Floats, ...]:
        made = []
        for ring in many:
            local = np.array(ring)
            made.append(np.column_stack([corner + local[:, :1] * u + local[:, 1:2] * v, local[:, 2]]))
        return tuple(made)

    flat = form == "flat"
    return House(
        name=name,
        form=form,
        outline=placed([shape["outline"]])[0][:, :2],
        facets=placed(shape["facets"]),
        ridges=placed(shape["ridges"]),
        hips=placed(shape["hips"]),
        valleys=placed(shape["valleys"]),
        eaves=placed(shape["eaves"]),
        eaves_elevation_m=eaves_m,
        ridge_elevation_m=eaves_m + rise_m,
        ground_m=ground_m,
        direction_deg=float(90.0 - np.rad2deg(turn_rad)),
        parapet_m=float(rng.uniform(0.4, 0.9)) if flat else 0.0,
        parapet_width_m=0.3 if flat else 0.0,
    )


def _form(
    form: str, length: float, width: float, low: float, top: float, wing: tuple[float, float]
) -> dict[str, list]:  # type: ignore[type-arg]
    """Rings and lines of a roof in its own frame: u along, v across, elevation."""
    a, b, c, d = (0.0, 0.0, low), (length, 0.0, low), (length, width, low), (0.0, width, low)
    half, mid = width / 2.0, (low + top) / 2.0
    shape: dict[str, list] = {  # type: ignore[type-arg]
        "outline": [a, b, c, d],
        "ridges": [],
        "hips": [],
        "valleys": [],
        "eaves": [[a, b], [c, d]],
    }
    if form == "flat":
        shape |= {"facets": [[a, b, c, d]], "eaves": [[a, b], [b, c], [c, d], [d, a]]}
    elif form == "skillion":
        shape |= {"facets": [[a, b, (length, width, top), (0.0, width, top)]], "eaves": [[a, b]]}
    elif form == "pyramidal":
        apex = (length / 2.0, half, top)
        shape |= {
            "facets": [[a, b, apex], [b, c, apex], [c, d, apex], [d, a, apex]],
            "hips": [[corner, apex] for corner in (a, b, c, d)],
            "eaves": [[a, b], [b, c], [c, d], [d, a]],
        }
    elif form == "gabled":
        p, q = (0.0, half, top), (length, half, top)
        shape |= {"facets": [[a, b, q, p], [p, q, c, d]], "ridges": [[p, q]]}
    elif form == "hipped":
        p, q = (half, half, top), (length - half, half, top)
        shape |= {
            "facets": [[a, b, q, p], [b, c, q], [c, d, p, q], [d, a, p]],
            "ridges": [[p, q]],
            "hips": [[a, p], [b, q], [c, q], [d, p]],
            "eaves": [[a, b], [b, c], [c, d], [d, a]],
        }
    elif form == "half-hipped":
        p, q = (half / 2.0, half, top), (length - half / 2.0, half, top)
        e, f = (0.0, half / 2.0, mid), (0.0, 1.5 * half, mid)
        g, h = (length, half / 2.0, mid), (length, 1.5 * half, mid)
        shape |= {
            "facets": [[a, b, g, q, p, e], [q, h, c, d, f, p], [e, p, f], [g, h, q]],
            "ridges": [[p, q]],
            "hips": [[e, p], [f, p], [g, q], [h, q]],
        }
    else:  # two gables: the wing's left side goes on in the main gable's, its ridge runs into the main slope
        wide, out = wing
        p, q = (0.0, half, top), (length, half, top)
        wing_top = low + (top - low) * wide / width  # the same pitch
        r, s = (wide / 2.0, -out, wing_top), (wide / 2.0, wide / 2.0, wing_top)
        e, f, g = (0.0, -out, low), (wide, -out, low), (wide, 0.0, low)
        shape |= {
            "outline": [e, f, g, b, c, d, a],
            "facets": [[a, s, g, b, q, p], [p, q, c, d], [e, r, s, a], [f, g, s, r]],
            "ridges": [[p, q], [r, s]],
            "valleys": [[a, s], [g, s]],
            "eaves": [[g, b], [c, d], [f, g], [a, e]],
        }
    return shape


def _fixtures(rng: np.random.Generator, house: House) -> list[Fixture]:
    """A chimney on every roof but the flat one, a dormer on gabled and hipped ones, an aerial on each second."""
    longest = max(zip(house.outline, np.roll(house.outline, -1, axis=0), strict=True), key=_length_m)
    u = (longest[1] - longest[0]) / _length_m(longest)
    v = np.array([-u[1], u[0]])
    found = []
    high = house.ridges[0].mean(axis=0)[:2] if house.ridges else house.outline.mean(axis=0)
    ends = house.ridges[0][:, :2] if house.ridges else np.array([high - u, high + u])
    size_m = float(rng.uniform(0.5, 0.9))
    if house.form != "flat":
        at = ends[0] + 0.25 * (ends[1] - ends[0]) + v * float(rng.uniform(0.2, 0.6))
        top_m = house.ridge_elevation_m + float(rng.uniform(0.7, 1.3))
        found.append(Fixture("chimney", house.name, _square(at, u, v, size_m, size_m), top_m))
    if house.form in ("gabled", "hipped"):
        facet = house.facets[0]
        eave = facet[np.argsort(facet[:, 2])[:2], :2].mean(axis=0)
        into = high - eave - u * ((high - eave) @ u)
        at = eave + 0.45 * into + u * float(rng.uniform(-0.5, 0.5))
        up_m = float(_plane_m(facet, *(at + 0.2 * into)))
        found.append(
            Fixture("dormer", house.name, _square(at, u, v, 1.8, 0.4 * _length_m((eave, high))), up_m)
        )
    if sum(map(ord, house.name)) % 2 == 0:
        at = ends[0] + 0.8 * (ends[1] - ends[0])
        found.append(
            Fixture("aerial", house.name, at[None], house.ridge_elevation_m + float(rng.uniform(1.2, 2.2)))
        )
    return found


def _length_m(pair: Sequence[Floats]) -> float:
    return float(np.hypot(*(pair[1] - pair[0])))


def _square(middle: Floats, u: Floats, v: Floats, along_m: float, across_m: float) -> Floats:
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return middle + corners[:, :1] * u * along_m + corners[:, 1:] * v * across_m
