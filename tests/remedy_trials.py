"""Remedies tried: typed back into a site file and assessed again, and asked of the ray caster of `houses`.

    python tests/remedy_trials.py 40

tries those of so many mounts on each house and prints how many were true and least.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from houses import (
    HOUSES,
    House,
    Tree,
    cast,
    directions,
    ground_m,
    in_ring,
    roof_m,
    site_text,
    triangles,
    turned,
    write_raster,
)

LIGHT_M_S = 299_792_458.0
GHZ = 19.7
YEARS = 0


@dataclass
class Tally:
    """How many remedies were tried, and the sentences of those that failed."""

    tried: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def count(self, action: str, faults: list[str], told: str) -> None:
        self.tried[action] = self.tried.get(action, 0) + 1
        self.wrong += [f"{fault}: {told}" for fault in faults]


def placed(house: House, rng, kind: str):
    """A mount: on the ground within 4 m of the house, or on its roof; (east, north, surface, height)."""
    while True:
        low, high = np.min(house.outline, axis=0) - 4.0, np.max(house.outline, axis=0) + 4.0
        east, north = rng.uniform(low, high).round(2)
        if kind == "roof":
            surface = float(roof_m(house, east, north))
            on_block = any(in_ring(b.outline, east, north) for b in house.blocks)
            if (
                np.isfinite(surface)
                and not on_block
                and wall_gap_m(house.outline, east, north) > house.setback_m
            ):
                return float(east), float(north), round(surface, 3), round(float(rng.uniform(0.7, 1.6)), 2)
            continue
        rings = [house.outline, *(b.outline for b in house.blocks), *(r for r in house.roofs_beside)]
        if wall_gap_m(house.outline, east, north) > 4.0 or any(in_ring(ring, east, north) for ring in rings):
            continue
        if any(np.hypot(east - t.east_m, north - t.north_m) < t.crown_radius_m for t in house.trees):
            continue
        surface = float(ground_m(house, east, north))
        return float(east), float(north), round(surface, 3), round(float(rng.uniform(0.8, 3.0)), 2)


def wall_gap_m(outline, east, north):
    """Distance of a place from the nearest wall."""
    least = np.inf
    for a, b in zip(outline, (*outline[1:], outline[0]), strict=True):
        a, b = np.array(a[:2]), np.array(b[:2])
        share = np.clip(((east, north) - a) @ (b - a) / ((b - a) @ (b - a)), 0.0, 1.0)
        least = min(least, float(np.hypot(*(a + share * (b - a) - (east, north)))))
    return least


def mount_text(east, north, surface, height, most=9.0):
    return (
        f'[[mounts]]\nname = "tried"\neast_m = {east}\nnorth_m = {north}\nsurface_elevation_m = {surface}\n'
        f"height_m = {height}\nmax_height_m = {most}\n"
    )


def close_points(ring, apart_m=0.7):
    """A ring with points close together along its sides, so that points joined in plan keep ridges and valleys."""
    found = []
    for a, b in zip(ring, (*ring[1:], ring[0]), strict=True):
        a, b = np.array(a), np.array(b)
        count = int(np.ceil(np.hypot(*(b - a)[:2]) / apart_m))
        found += [tuple((a + (b - a) * k / count).round(4).tolist()) for k in range(count)]
    return tuple(found)


def site_file(folder: Path, house: House, mount: str, *, trims=(), min_p_clear=0.0) -> Path:
    """The house with its surroundings, bare ground around it, one mount, and trees trimmed as said."""
    raster = folder / f"{house.name}_bare.tif"
    if not raster.exists():
        write_raster(raster, house, 2.0, bare=True, half_m=400.0)
    text = site_text(
        replace(house, facets=tuple(close_points(ring) for ring in house.facets)),
        rasters=(raster.name,),
        kinds=("bare",),
        mounts=mount,
        years_ahead=YEARS,
        more=f"min_p_clear = {min_p_clear}\n"
        + (
            f"\n[property_boundary]\noutline = {[list(p) for p in house.boundary]}\n"
            if house.boundary
            else ""
        ),
        more_roof=f"keep_out = {[[list(p) for p in ring] for ring in house.keep_out]}\n",
    )
    for trim in trims:
        key = f"trimmed_to_height_m = {trim['trimmed_to_height_m']}\n"
        head = f'name = "{trim["obstacle"]}"\nkind = "tree"\n'
        assert head in text
        text = text.replace(head, head + key)
    path = folder / "tried.toml"
    path.write_text(text)
    return path


def crown_triangles(house: House, tree: Tree, cut_m: float | None = None):
    """A tree with its crown, cut flat at a height above its ground, as a profile turned about its trunk."""
    foot = float(ground_m(house, tree.east_m, tree.north_m))
    base, top, r = foot + tree.height_m / 3.0, foot + tree.height_m, tree.crown_radius_m
    cut = top if cut_m is None else foot + cut_m
    z = np.linspace(base, cut, 41)
    share = (z - base) / (top - base)
    wide = {
        "ellipsoid": 2.0 * np.sqrt(np.clip(share * (1.0 - share), 0.0, None)),
        "dome": np.sqrt(np.clip(1.0 - share**2, 0.0, None)),
        "cone": 1.0 - share,
    }[tree.crown]
    profile = [(0.0, base), *zip(r * wide, z, strict=True), (0.0, cut)]
    centre = np.array([tree.east_m, tree.north_m])
    return np.concatenate([turned(profile, centre, 60), turned([(0.15, foot), (0.15, base)], centre, 24)])


def world(house: House, trims=()):
    """Triangles of everything, trees cut as said."""
    cut = {trim["obstacle"]: trim["trimmed_to_height_m"] for trim in trims}
    solid = triangles(house, skip=tuple(tree.name for tree in house.trees))
    return np.concatenate(
        [solid, *(crown_triangles(house, tree, cut.get(tree.name)) for tree in house.trees)]
    )


def wire_points(house: House, step_m=0.05):
    """Points along the wires, which have no width but take room."""
    found = [np.zeros((0, 3))]
    for line in house.lines:
        if line.kind == "wire":
            for a, b in zip(line.vertices, line.vertices[1:], strict=False):
                a, b = np.array(a), np.array(b)
                found.append(
                    a + np.linspace(0, 1, int(np.linalg.norm(b - a) / step_m) + 2)[:, None] * (b - a)
                )
    return np.concatenate(found)


def spare_deg(house: House, things, dish, azimuth_deg, elevation_deg, *, metres=False):
    """Least of (angle off the ray) - atan(required / distance) over rays all round it, -90 where it is obstructed.

    Rays 0.2 to 2.5 degrees apart first, then finer ones around the eight that leave least.
    metres : the required metres beside the line at every distance, which near the dish is more than the angle
    """
    centre = directions(np.array([azimuth_deg]), np.array([elevation_deg]))[0]
    side = np.array([centre[1], -centre[0], 0.0]) / np.hypot(*centre[:2])
    up = np.cross(side, centre)
    middle = things.mean(axis=1) - dish
    size = np.linalg.norm(things - dish - middle[:, None], axis=-1).max(axis=1)
    far = np.linalg.norm(middle, axis=1)
    lies = np.arccos(np.clip(middle @ centre / far, -1.0, 1.0))
    reach = np.where(size < far, np.arcsin(np.minimum(size / far, 1.0)), np.pi) + 1e-6

    def spares(angle, around):
        rays = (
            np.cos(angle)[:, None] * centre
            + (np.sin(angle) * np.cos(around))[:, None] * side
            + (np.sin(angle) * np.sin(around))[:, None] * up
        )
        away = np.full(len(angle), np.inf)
        for ring in np.unique(angle):  # only at the triangles that reach this angle off the ray
            rows, some = angle == ring, np.abs(lies - ring) <= reach
            if some.any():
                away[rows] = cast(things[some], np.asarray(dish), rays[rows])
        met = np.isfinite(away)
        spare = np.full(len(angle), 90.0)
        spare[met] = np.rad2deg(angle[met] - needed_rad(house, away[met], metres))
        spare[met & (angle == 0.0)] = -90.0
        return spare

    off = np.concatenate([np.arange(0.0, 6.0, 0.2), np.arange(6.0, 15.0, 0.5), np.arange(15, 86, 2.5)])
    turn = np.deg2rad(np.arange(0.0, 360.0, 5.0))
    angle, around = (g.ravel() for g in np.meshgrid(np.deg2rad(off), turn, indexing="ij"))
    step = np.deg2rad(np.repeat(np.diff(off, prepend=-0.2), turn.size))
    first = spares(angle, around)
    least = [float(first.min())]
    if least[0] > -90.0:
        for at in np.argsort(first)[:8]:
            fine, beside = np.meshgrid(
                angle[at] - step[at] * np.linspace(0, 1, 11), around[at] + np.deg2rad(np.arange(-5, 6))
            )
            least.append(float(spares(np.maximum(fine.ravel(), 1e-9), beside.ravel()).min()))
    wire = wire_points(house) - dish
    if len(wire):
        distance = np.linalg.norm(wire, axis=1)
        gap = np.arccos(np.clip(wire @ centre / distance, -1, 1))
        least.append(float(np.rad2deg(gap - needed_rad(house, distance, metres)).min()))
    return min(least)


def needed_rad(house: House, distance_m, metres=False):
    share = (house.dish_diameter_m / 2 + 0.6 * np.sqrt(LIGHT_M_S / (GHZ * 1e9) * distance_m)) / distance_m
    return np.arcsin(np.minimum(share, 1.0)) if metres else np.arctan(share)


def tried(folder: Path, house: House, mount, tally: Tally) -> None:
    """Every remedy of a mount, for every satellite."""
    from skysill.io.json_text import plain_values
    from skysill.io.site_file import read_site_file
    from skysill.remedies.search import check

    job = read_site_file(site_file(folder, house, mount_text(*mount)))
    found = plain_values(check(job, job.mounts[0]))
    for result in found["results"]:
        for remedy in result["remedies"]:
            if remedy["action"] == "other-satellite" or (remedy["action"] == "trim" and not remedy["trims"]):
                continue
            faults = list(_faults(folder, house, mount, result, remedy))
            tally.count(
                remedy["action"],
                faults,
                f"{house.name} {mount} {result['satellite']['name']}: {remedy['text']}",
            )


def _faults(folder, house, mount, result, remedy):
    """What is wrong with a remedy."""
    name = result["satellite"]["name"]
    east, north, surface, height = mount
    if remedy["action"] == "raise":
        to = remedy["to_height_m"]
        yield from _judged(folder, house, (east, north, surface, to), name, result["look"])
        if (
            to - 0.05 > height
            and _verdict(folder, house, (east, north, surface, round(to - 0.05, 3)), name) == "clear"
        ):
            yield "0.05 m lower is clear too"
        if to - 0.1 > height and _spare(house, (east, north, surface, to - 0.1), result) >= 0.05:
            yield "the ray caster finds room 0.1 m lower"
        if to > 9.0:
            yield "higher than it may be"
    elif remedy["action"] == "move":
        there = (
            remedy["to_east_m"],
            remedy["to_north_m"],
            round(remedy["to_surface_elevation_m"], 3),
            height,
        )
        yield from _judged(folder, house, there, name, result["look"])
        yield from _misplaced(house, there)
        yield from _misread(house, mount, there, remedy)
    else:
        trims = remedy["trims"]
        yield from _judged(folder, house, mount, name, result["look"], trims=trims)
        for trim in trims:
            tree = next(t for t in house.trees if t.name == trim["obstacle"])
            taller = [
                {**t, "trimmed_to_height_m": t["trimmed_to_height_m"] + 0.1 * (t is trim)} for t in trims
            ]
            less = [t for t in taller if t["trimmed_to_height_m"] < _height(house, t["obstacle"])]
            if _verdict(folder, house, mount, name, trims=less) == "clear":
                yield f"{tree.name} may be 0.1 m taller"
            if trim["share"] > 1 / 3 and "third" not in remedy["text"]:
                yield "more than a third, and nothing is said"


def _height(house, name):
    return next(t.height_m for t in house.trees if t.name == name)


def _judged(folder, house, mount, name, look, trims=()):
    verdict = _verdict(folder, house, mount, name, trims=trims)
    if verdict != "clear":
        yield f"it is {verdict}"
    dish = np.array([mount[0], mount[1], mount[2] + mount[3]])
    spare = spare_deg(house, world(house, trims), dish, look["azimuth_deg"], look["elevation_apparent_deg"])
    if spare < -0.05:  # crowns of 180 sides in the caster, and the ray's own direction to 0.01 degree
        yield f"the ray caster misses {-spare:.2f} degrees of room"


def _spare(house, mount, result):
    look = result["look"]
    dish = np.array([mount[0], mount[1], mount[2] + mount[3]])
    look = look["azimuth_deg"], look["elevation_apparent_deg"]
    return spare_deg(house, world(house), dish, *look, metres=True)  # with it there is no doubt of `clear`


def _verdict(folder, house, mount, name, trims=()):
    from skysill.assessment.pipeline import assess
    from skysill.io.site_file import read_site_file

    job = read_site_file(site_file(folder, house, mount_text(*mount), trims=trims))
    job = replace(job, satellites=tuple(s for s in job.satellites if s.name == name))
    return assess(job, job.mounts[0], explain=False, losses=False).results[0].verdict


def _misplaced(house, there):
    """A move into a wall, a roof, a crown, a keep-out area or the neighbour's."""
    east, north, surface, _ = there
    own = float(roof_m(house, east, north))
    if np.isfinite(own) and abs(own - surface) > 0.02:
        yield "it stands in the house"
    if not np.isfinite(own) and abs(surface - float(ground_m(house, east, north))) > 0.1:
        yield "it does not stand on the ground"
    for block in house.blocks:
        if in_ring(block.outline, east, north):
            yield f"it stands in {block.name}"
    if any(in_ring(ring, east, north) for ring in (*house.keep_out, *house.roofs_beside)):
        yield "it stands where nothing may stand"
    if house.boundary and not in_ring(house.boundary, east, north):
        yield "it stands beyond the boundary"
    for tree in house.trees:
        if np.hypot(east - tree.east_m, north - tree.north_m) < 0.15:
            yield f"it stands in {tree.name}"


def _misread(house, mount, there, remedy):
    """Tape distances, bearing, compass word and surface against the plain geometry."""
    east, north = there[0] - mount[0], there[1] - mount[1]
    bearing = np.rad2deg(np.arctan2(east, north)) % 360.0
    if abs(remedy["by_m"] - np.hypot(east, north)) > 0.006 or abs(remedy["bearing_deg"] - bearing) > 0.1:
        yield "distance or bearing is off"
    words = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"]
    if (
        remedy["direction"] != words[int((bearing + 22.5) // 45.0) % 8]
        or remedy["direction"] not in remedy["text"]
    ):
        yield "the compass word is off"
    corners = [(c, None) for c in house.outline] + [(c, b.name) for b in house.blocks for c in b.outline]
    if not remedy["tapes"]:
        yield "it has no tape distances"
    for tape in remedy["tapes"]:
        whose = re.search(r'"(.*)"', tape["corner"])
        found = []
        for (x, y), name in corners:
            if name == (whose[1] if whose else None):
                level = np.hypot(x - there[0], y - there[1])
                near = np.array([x, y]) + 1e-6 * (np.array(there[:2]) - (x, y))
                rise = float(roof_m(house, *near)) - there[2] if tape["along"] == "the roof" else 0.0
                found.append(abs(np.hypot(level, rise) - tape["distance_m"]))
        if min(found, default=1.0) > 0.011:
            yield f"no corner is {tape['distance_m']} m away"


def tally_of(folder: Path, count: int, seed: int = 9) -> Tally:
    """Ground and roof mounts of every house, `count` each."""
    rng, tally = np.random.default_rng(seed), Tally()
    for house in HOUSES:
        for number in range(count):
            tried(folder, house, placed(house, rng, "roof" if number % 3 == 2 else "ground"), tally)
    return tally


if __name__ == "__main__":
    import sys
    import tempfile

    with tempfile.TemporaryDirectory() as place:
        whole = tally_of(Path(place), int(sys.argv[1]))
    print(whole.tried, "of which wrong:", len(whole.wrong))
    print("\n".join(whole.wrong))
