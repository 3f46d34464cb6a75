"""Three invented houses as plain data, their site files, surface rasters sampled from them, and a ray caster.

Nothing here uses the package under test: elevations, triangles and rays are worked out again, from the same lists of
corners. Positions are on Hollinsay, which does not exist. Lengths in metres, east and north of the house's origin,
elevations above the datum.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

HALF_RASTER_M = 170.0
HIGHEST_GROUND_M = 80.0


@dataclass(frozen=True)
class Block:
    """Something upright with a flat top, from the ground (or a roof) up."""

    name: str
    outline: tuple[tuple[float, float], ...]
    top_m: float
    kind: str = "building"


@dataclass(frozen=True)
class Tree:
    name: str
    east_m: float
    north_m: float
    height_m: float
    crown_radius_m: float
    crown: str = "ellipsoid"  # or "dome", "cone"
    growth_m_per_year: float = 0.0


@dataclass(frozen=True)
class Line:
    """A wall's top or a wire, as vertices of east, north, elevation."""

    name: str
    kind: str
    vertices: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class House:
    """facets: the roof's true planes; ridges, valleys, eaves: their edges; slope: of the ground, east and north."""

    name: str
    latitude_deg: float
    longitude_deg: float
    ground_m: float
    outline: tuple[tuple[float, float], ...]
    facets: tuple[tuple[tuple[float, float, float], ...], ...]
    cable_entry: tuple[float, float, float]
    ridges: tuple[tuple[tuple[float, float, float], ...], ...] = ()
    valleys: tuple[tuple[tuple[float, float, float], ...], ...] = ()
    blocks: tuple[Block, ...] = ()
    roofs_beside: tuple[tuple[tuple[float, float, float], ...], ...] = ()  # neighbours' planes
    trees: tuple[Tree, ...] = ()
    lines: tuple[Line, ...] = ()
    keep_out: tuple[tuple[tuple[float, float], ...], ...] = ()
    boundary: tuple[tuple[float, float], ...] = ()
    yards: tuple[tuple[tuple[float, float], ...], ...] = ()
    slope: tuple[float, float] = (0.0, 0.0)
    dish_diameter_m: float = 0.9
    setback_m: float = 0.5

    @property
    def corners(self):
        """Every corner of the roof once, as somebody would list them."""
        return tuple(dict.fromkeys(corner for ring in self.facets for corner in ring))


def turned_plan(points, angle_deg):
    """Points (east, north, ...) turned counter-clockwise about the origin, to the millimetre."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return tuple(
        (round(float(c * p[0] - s * p[1]), 3), round(float(s * p[0] + c * p[1]), 3), *p[2:]) for p in points
    )


def box(west, south, east, north):
    return ((west, south), (east, south), (east, north), (west, north))


def l_shape() -> House:
    """An L of two wings 7 m and 6 m wide, all slopes 0.8: a hip at the south-west corner, gables east and north.

    With equal slopes every hip and valley bisects its corner in plan; the nodes follow by hand: the valley from the
    inner corner (6, 7) meets the wing's ridge x = 3 at (3, 4), and a short hip joins that to the main ridge's end.
    """
    e, main, wing = 43.0, 45.8, 45.4
    end, node = (3.5, 3.5, main), (3.0, 4.0, wing)
    east_apex, north_apex = (12.0, 3.5, main), (3.0, 15.0, wing)
    sw, se, ne, inner = (0.0, 0.0, e), (12.0, 0.0, e), (12.0, 7.0, e), (6.0, 7.0, e)
    wing_e, wing_w = (6.0, 15.0, e), (0.0, 15.0, e)
    facets = (
        (sw, se, east_apex, end),
        (inner, node, end, east_apex, ne),
        (sw, end, node, north_apex, wing_w),
        (inner, wing_e, north_apex, node),
    )
    return House(
        "Lyngholt",
        58.0337,
        -24.6572,
        40.0,
        outline=tuple(p[:2] for p in (sw, se, ne, inner, wing_e, wing_w)),
        facets=facets,
        ridges=((end, east_apex), (node, north_apex), (sw, end), (node, end)),
        valleys=((inner, node),),
        cable_entry=(12.0, 1.5, 41.2),
        blocks=(
            Block("chimney", box(8.2, 3.1, 8.9, 3.9), 46.9),
            Block("store", box(-4.0, -26.0, 8.0, -18.0), 52.6),
        ),
        trees=(
            Tree("rowan", 15.5, -6.0, 8.0, 2.2, growth_m_per_year=0.2),
            Tree("birch", -6.0, -9.0, 11.0, 2.6, "dome"),
        ),
        lines=(Line("service line", "wire", ((-14.0, 18.0, 48.0), (3.0, 15.2, 45.0))),),
        keep_out=(box(1.5, 9.0, 2.6, 12.0),),
        boundary=box(-9.0, -12.0, 20.0, 22.0),
        yards=(box(7.0, 9.0, 16.0, 18.0),),
        slope=(0.03, -0.02),
    )


def row_house() -> House:
    """The middle one of three houses under one ridge, turned 20 degrees, with party walls and a shared chimney."""
    turn, eaves, ridge = 20.0, 37.4, 40.0

    def at(*points):
        return turned_plan(points, turn)

    def roof(west, east):
        south = ((west, -4.0, eaves), (east, -4.0, eaves), (east, 0.0, ridge), (west, 0.0, ridge))
        north = ((west, 0.0, ridge), (east, 0.0, ridge), (east, 4.0, eaves), (west, 4.0, eaves))
        return at(*south), at(*north)

    def party(name, x):
        top = ((x, -4.0, eaves + 0.4), (x, 0.0, ridge + 0.4), (x, 4.0, eaves + 0.4))
        return Line(name, "wall", at(*top))

    return House(
        "Strandgata 7",
        58.0305,
        -24.6498,
        32.0,
        outline=at(*box(-2.8, -4.0, 2.8, 4.0)),
        facets=roof(-2.8, 2.8),
        ridges=(at((-2.8, 0.0, ridge), (2.8, 0.0, ridge)),),
        cable_entry=(*at((0.5, -4.0))[0], 34.0),
        roofs_beside=(*roof(-8.4, -2.8), *roof(2.8, 8.4)),
        blocks=(
            Block("shared chimney", at(*box(2.3, -0.4, 3.2, 0.4)), 41.3),
            Block("warehouse", at(*box(-20.0, -24.0, 14.0, -16.0)), 44.0),
        ),
        lines=(party("west party wall", -2.8), party("east party wall", 2.8)),
        trees=(Tree("lime", *at((5.0, -9.5))[0], 10.5, 2.8, "dome"),),
        keep_out=(at(*box(-2.2, -3.2, 0.2, -1.2)),),
        boundary=at(*box(-2.8, -11.0, 2.8, 12.0)),
        yards=(at(*box(-2.6, 6.0, 2.6, 11.0)),),
        dish_diameter_m=0.75,
    )


def flat_roof() -> House:
    """A flat roof 14 m by 10 m behind a parapet 0.9 m high, turned by -35 degrees, with a stair head on it."""
    turn, level = -35.0, 47.2
    inner = box(0.0, 0.0, 14.0, 10.0)

    def at(*points):
        return turned_plan(points, turn)

    parapet = (
        Block("south parapet", at(*box(-0.3, -0.3, 14.3, 0.0)), level + 0.9),
        Block("north parapet", at(*box(-0.3, 10.0, 14.3, 10.3)), level + 0.9),
        Block("west parapet", at(*box(-0.3, 0.0, 0.0, 10.0)), level + 0.9),
        Block("east parapet", at(*box(14.0, 0.0, 14.3, 10.0)), level + 0.9),
    )
    outline = at(*inner)
    return House(
        "Netloft",
        58.0359,
        -24.6611,
        41.0,
        outline=outline,
        facets=(tuple((e, n, level) for e, n in outline),),
        cable_entry=(*at((7.0, 10.0))[0], 43.0),
        blocks=(
            *parapet,
            Block("stair head", at(*box(5.0, 1.0, 9.0, 4.0)), level + 2.6),
            Block("mill", at(*box(-18.0, -34.0, 10.0, -22.0)), 60.5),
        ),
        trees=(
            Tree("poplar", *at((17.5, -6.0))[0], 14.0, 2.0),
            Tree("spruce", *at((-4.0, -8.0))[0], 12.0, 2.5, "cone", growth_m_per_year=0.3),
        ),
        keep_out=(at(*box(10.0, 5.0, 13.0, 9.0)),),
        boundary=at(*box(-6.0, -6.0, 20.0, 16.0)),
        dish_diameter_m=1.2,
        setback_m=0.6,
        slope=(-0.02, 0.04),
    )


HOUSES = (l_shape(), row_house(), flat_roof())


# -- elevations -----------------------------------------------------------------------------------------------


def ground_m(house: House, east_m, north_m):
    return house.ground_m + house.slope[0] * np.asarray(east_m) + house.slope[1] * np.asarray(north_m)


def in_ring(ring, east_m, north_m):
    """Even-odd rule: whether places are inside a ring."""
    east_m, north_m = np.asarray(east_m, float), np.asarray(north_m, float)
    inside = np.zeros(east_m.shape, bool)
    for (ax, ay, *_), (bx, by, *_) in zip(ring, (*ring[1:], ring[0]), strict=True):
        if ay == by:
            continue
        crosses = (ay > north_m) != (by > north_m)
        inside ^= crosses & (east_m < ax + (bx - ax) * (north_m - ay) / (by - ay))
    return inside


def plane(ring):
    """a, b, c of elevation = a east + b north + c through a ring's corners (least squares; they lie in a plane)."""
    corners = np.asarray(ring, float)
    return np.linalg.lstsq(
        np.column_stack([corners[:, :2], np.ones(len(corners))]), corners[:, 2], rcond=None
    )[0]


def roof_m(house: House, east_m, north_m, facets=None):
    """Elevation of the roof's planes; nan beside them. On an edge of two planes either says the same."""
    east_m, north_m = np.asarray(east_m, float), np.asarray(north_m, float)
    height = np.full(east_m.shape, np.nan)
    for ring in house.facets if facets is None else facets:
        grown = np.asarray(ring)[:, :2]
        middle = grown.mean(axis=0)
        grown = middle + (grown - middle) * (1 + 1e-9)  # the rim belongs to it
        a, b, c = plane(ring)
        height = np.where(in_ring(grown, east_m, north_m), a * east_m + b * north_m + c, height)
    return height


def crown_top_m(house: House, tree: Tree, east_m, north_m):
    """Upper side of a crown, which is the upper two thirds of the tree; nan beside it."""
    foot = float(ground_m(house, tree.east_m, tree.north_m))
    base, top = foot + tree.height_m / 3.0, foot + tree.height_m
    off = np.hypot(np.asarray(east_m) - tree.east_m, np.asarray(north_m) - tree.north_m) / tree.crown_radius_m
    share = np.sqrt(np.clip(1.0 - off**2, 0.0, None))
    up = {
        "ellipsoid": (base + top) / 2 + (top - base) / 2 * share,
        "dome": base + (top - base) * share,
        "cone": base + (top - base) * (1.0 - off),
    }[tree.crown]
    return np.where(off < 1.0, up, np.nan)


def surface_m(house: House, east_m, north_m, *, trees=True):
    """What a laser from above would meet: ground, roofs, blocks, crowns; no wires and no walls without thickness."""
    east_m, north_m = np.asarray(east_m, float), np.asarray(north_m, float)
    height = np.array(ground_m(house, east_m, north_m) + 0.0 * east_m)
    parts = [roof_m(house, east_m, north_m), roof_m(house, east_m, north_m, house.roofs_beside)]
    parts += [np.where(in_ring(b.outline, east_m, north_m), b.top_m, np.nan) for b in house.blocks]
    if trees:
        parts += [crown_top_m(house, t, east_m, north_m) for t in house.trees]
    for part in parts:
        height = np.fmax(height, part)
    return height


# -- rasters --------------------------------------------------------------------------------------------------


def sampled(house: House, cell_m: float, *, bare=False, half_m=HALF_RASTER_M, trees=True):
    """(values, transform of the upper left corner, CRS) of a raster in UTM 26N, each cell sampled at its centre."""
    from pyproj import Geod, Transformer

    to_grid = Transformer.from_crs("EPSG:4326", "EPSG:32626", always_xy=True)
    x0, y0 = to_grid.transform(house.longitude_deg, house.latitude_deg)
    count = int(2 * half_m / cell_m)
    west, north = (
        np.floor(x0 - half_m) + 0.13,
        np.ceil(y0 + half_m) - 0.27,
    )  # the lattice misses the house's corners
    x = west + (np.arange(count) + 0.5) * cell_m
    y = north - (np.arange(count) + 0.5) * cell_m
    lon, lat = to_grid.transform(*np.meshgrid(x, y), direction="INVERSE")
    azimuth, _, away = Geod(ellps="WGS84").inv(
        np.full(lon.shape, house.longitude_deg), np.full(lat.shape, house.latitude_deg), lon, lat
    )
    east = away * np.sin(np.deg2rad(azimuth))
    up = away * np.cos(np.deg2rad(azimuth))
    values = ground_m(house, east, up) if bare else surface_m(house, east, up, trees=trees)
    return values.astype(np.float32), (cell_m, 0.0, west, 0.0, -cell_m, north), "EPSG:32626"


def write_raster(path: Path, house: House, cell_m: float, **options) -> Path:
    import rasterio
    from rasterio.transform import Affine

    values, transform, crs = sampled(house, cell_m, **options)
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype="float32",
        crs=crs, transform=Affine(*transform), nodata=-9999.0, compress="deflate",
    ) as out:  # fmt: skip
        out.write(values, 1)
    return path


# -- site files -----------------------------------------------------------------------------------------------


def _list(points):
    return "[" + ", ".join("[" + ", ".join(f"{float(v):g}" for v in p) + "]" for p in points) + "]"


def _lists(rings):
    return "[" + ", ".join(_list(ring) for ring in rings) + "]"


SATELLITES = (("Demo South", "24.0 W"), ("Demo West", "52.5 W"), ("Demo East", "5.5 E"))


def obstacles_text(house: House, *, skip=()) -> str:
    """The house's surroundings as [[obstacle]] tables; elevations are given, so no ground has to be guessed."""
    text = []

    def table(name, kind, **keys):
        said = "\n".join(f"{key} = {value}" for key, value in keys.items())
        text.append(f'[[obstacle]]\nname = "{name}"\nkind = "{kind}"\n{said}\n')

    for block in house.blocks:
        middle = np.mean(block.outline, axis=0)
        foot = float(ground_m(house, *middle))
        table(block.name, block.kind, outline=_list(block.outline), top_elevation_m=block.top_m,
              ground_elevation_m=round(foot, 3))  # fmt: skip
    for number, ring in enumerate(house.roofs_beside, start=1):
        table(f"roof beside {number}", "building", outline=_list(ring))
    for tree in house.trees:
        foot = float(ground_m(house, tree.east_m, tree.north_m))
        table(tree.name, "tree", east_m=tree.east_m, north_m=tree.north_m, ground_elevation_m=round(foot, 4),
              top_elevation_m=round(foot + tree.height_m, 4), crown_radius_m=tree.crown_radius_m,
              crown=f'"{tree.crown}"', growth_m_per_year=tree.growth_m_per_year)  # fmt: skip
    for line in house.lines:
        foot = float(ground_m(house, *line.vertices[0][:2]))
        more = {} if line.kind == "wire" else {"ground_elevation_m": round(foot, 3)}
        table(line.name, line.kind, line=_list(line.vertices), **more)
    return "\n".join(part for part in text if not any(f'"{name}"' in part for name in skip))


def site_text(
    house: House,
    *,
    roof: str = "surface",
    rasters: tuple[str, ...] = (),
    kinds: tuple[str, ...] = (),
    obstacles: bool = True,
    complete: bool = True,
    satellites=SATELLITES,
    mounts: str = "",
    more_roof: str = "",
    more: str = "",
    years_ahead: float = 0,
    skip=(),
    yards: bool = False,
) -> str:
    """A site file. roof: "surface" (points), "facets", "lines" (points with ridges and valleys), "outline" or ""."""
    text = [
        f'name = "{house.name}"\nposition = "{house.latitude_deg:.4f} N {-house.longitude_deg:.4f} W"',
        f"ground_elevation_m = {house.ground_m}\n",
        f"[terminal]\ndish_diameter_m = {house.dish_diameter_m}\nreceive_ghz = 19.7\ncable_limit_m = 30.0\n",
        *(f'[[satellites]]\nname = "{name}"\nlongitude = "{at}"\n' for name, at in satellites),
        mounts,
    ]
    if rasters:
        text.append(
            f"[terrain]\nrasters = {list(rasters)}\nkinds = {list(kinds)}\nhighest_ground_m = {HIGHEST_GROUND_M}\n"
        )
    if roof:
        given = {
            "surface": f"surface = {_list(house.corners)}",
            "facets": f"facets = {_lists(house.facets)}",
            "lines": f"surface = {_list(house.corners)}\nridges = {_lists(house.ridges)}"
            + (f"\nvalleys = {_lists(house.valleys)}" if house.valleys else ""),
            "outline": "",
        }[roof]
        text.append(
            f"[roof]\noutline = {_list(house.outline)}\n{given}\nedge_setback_m = {house.setback_m}\n"
            f"cable_entry = {list(house.cable_entry)}\n"
            + (f"yards = {_lists(house.yards)}\n" if yards else "")
            + more_roof
        )
    if obstacles:
        text.append(f"[obstacles]\ncomplete = {str(complete).lower()}\n\n" + obstacles_text(house, skip=skip))
    text.append(f"[criteria]\nyears_ahead = {years_ahead}\n" + more)
    return "\n".join(text)


def raster_site(folder: Path, house: House, cell_m: float = 1.0, **options) -> Path:
    """The house with nothing but its outline and a surface raster, and a bare one for the ground below."""
    surface, bare = folder / f"{house.name}_surface.tif", folder / f"{house.name}_bare.tif"
    if not surface.exists():
        write_raster(surface, house, cell_m)
        write_raster(bare, house, max(cell_m, 2.0), bare=True)
    path = folder / f"{house.name}_raster.toml"
    path.write_text(
        site_text(
            house,
            roof="outline",
            rasters=(surface.name, bare.name),
            kinds=("surface", "bare"),
            obstacles=False,
            **options,
        )
    )
    return path


def vector_site(folder: Path, house: House, **options) -> Path:
    """The house with its roof and its surroundings as vectors, and no raster."""
    path = folder / f"{house.name}_vector.toml"
    path.write_text(site_text(house, **options))
    return path


# -- triangles and rays -----------------------------------------------------------------------------------------


def cast(triangles, origin, rays):
    """First hit along each ray, inf for none. Moller & Trumbore, J. Graphics Tools 2(1), 1997, from memory.

    Their triple products, rearranged so that each is one matrix product of all rays with all triangles.
    """
    first = np.full(len(rays), np.inf)
    for start in range(0, len(triangles), 1500):  # what fits the processor's cache
        some = triangles[start : start + 1500]
        a, ab, ac = some[:, 0], some[:, 1] - some[:, 0], some[:, 2] - some[:, 0]
        s = origin - a
        q = np.cross(s, ab)
        det = rays @ np.cross(ac, ab).T
        det[np.abs(det) < 1e-14] = np.inf
        over = 1.0 / det
        u, v = rays @ np.cross(ac, s).T * over, rays @ q.T * over
        along = (q * ac).sum(-1) * over
        miss = (u < -1e-9) | (v < -1e-9) | (u + v > 1 + 1e-9) | (along <= 1e-9)
        along[miss] = np.inf
        first = np.minimum(first, along.min(axis=1))
    return first


def fan(ring):
    """Triangles of a convex ring."""
    return np.array([[ring[0], ring[i], ring[i + 1]] for i in range(1, len(ring) - 1)], float)


def ears(ring):
    """Triangles of any simple ring (east, north, elevation), ear by ear; elevations are kept as they are."""
    ring = [np.asarray(p, float) for p in ring]
    turn = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, ring[1:] + ring[:1], strict=True))
    ring = ring if turn > 0 else ring[::-1]
    found = []
    while len(ring) > 3:
        for i in range(len(ring)):
            a, b, c = ring[i - 1], ring[i], ring[(i + 1) % len(ring)]
            bent = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
            others = [p for p in ring if p is not a and p is not b and p is not c]
            if bent > 1e-12 and not any(in_ring((a, b, c), p[0], p[1]) for p in others):
                found.append((a, b, c))
                ring.pop(i)
                break
        else:
            raise ValueError("the ring crosses itself")
    return np.array([*found, tuple(ring)])


def upright(ring, ground=-300.0, *, closed=True):
    """Walls under a ring or line, to a depth that no ray of the tests looks under."""
    ring, pieces = np.asarray(ring, float), []
    for a, b in itertools.pairwise([*ring, ring[0]] if closed else ring):
        low_a, low_b = np.array([a[0], a[1], ground]), np.array([b[0], b[1], ground])
        pieces += [[a, b, low_b], [a, low_b, low_a]]
    return np.array(pieces)


def turned(profile, centre, sides=180):
    """Triangles of a profile (r, z) turned about an upright axis."""
    turn = np.arange(sides) * 2 * np.pi / sides
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    rings = [np.column_stack([centre + r * ring, np.full(sides, z)]) for r, z in profile]
    pieces = []
    for low, high in itertools.pairwise(rings):
        nxt_low, nxt_high = np.roll(low, -1, axis=0), np.roll(high, -1, axis=0)
        pieces += [np.stack([low, nxt_low, nxt_high], 1), np.stack([low, nxt_high, high], 1)]
    return np.concatenate(pieces)


def tree_triangles(house: House, tree: Tree, trunk_radius_m=0.15):
    foot = float(ground_m(house, tree.east_m, tree.north_m))
    base, top, r = foot + tree.height_m / 3.0, foot + tree.height_m, tree.crown_radius_m
    b = np.linspace(-np.pi / 2, np.pi / 2, 121)
    profile = {
        "ellipsoid": list(zip(r * np.cos(b), (base + top) / 2 + (top - base) / 2 * np.sin(b), strict=True)),
        "dome": [(0, base), *zip(r * np.cos(b[60:]), base + (top - base) * np.sin(b[60:]), strict=True)],
        "cone": [(0, base), (r, base), (0, top)],
    }[tree.crown]
    trunk_to = (base + top) / 2 if tree.crown == "ellipsoid" else base
    centre = np.array([tree.east_m, tree.north_m])
    trunk = turned([(trunk_radius_m, foot), (trunk_radius_m, trunk_to)], centre)
    return np.concatenate([turned(profile, centre), trunk])


def triangles(house: House, *, own_roof=True, skip=()):
    """Everything that stands there as triangles (n, 3, 3): roofs with walls under them, blocks, trees, walls."""
    parts = []
    for ring in (*(house.facets if own_roof else ()), *house.roofs_beside):
        parts += [ears(ring), upright(ring)]
    for block in house.blocks:
        if block.name not in skip:
            ring = [(e, n, block.top_m) for e, n in block.outline]
            parts += [ears(ring), upright(ring)]
    parts += [tree_triangles(house, tree) for tree in house.trees if tree.name not in skip]
    parts += [
        upright(line.vertices, closed=False)
        for line in house.lines
        if line.kind == "wall" and line.name not in skip
    ]
    return np.concatenate(parts)


def directions(azimuth_deg, elevation_deg):
    """(n, 3) unit vectors east, north, up."""
    az, el = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
    return np.stack([np.sin(az) * np.cos(el), np.cos(az) * np.cos(el), np.sin(el) + 0 * az], axis=-1)


def without_trees(house: House) -> House:
    return replace(house, trees=())


def dishes(house, rng, count):
    """Dish centres half a metre to two over the roof, off chimneys and parapets."""
    corners = np.array(house.outline)
    found = []
    while len(found) < count:
        east, north = rng.uniform(corners.min(axis=0) + 0.6, corners.max(axis=0) - 0.6)
        up = float(roof_m(house, east, north))
        if np.isfinite(up) and np.isfinite(roof_m(house, east + 0.4, north - 0.4)):
            found.append((float(east), float(north), up + rng.uniform(0.5, 2.0), up))
    return found
