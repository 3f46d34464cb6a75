"""Are the probabilities true? Thousands of invented worlds, surveyed with known errors, judged, and looked up.

    python tests/benchmarks/calibration.py --worlds 4000
    python tests/benchmarks/calibration.py --surfaces 4000

With --surfaces it asks the worlds of `certainty` instead, whose truth shares no code with the library.

Each world holds houses, trees and a far ridge at random places, whose exact geometry decides whether the required
room is there. A surveyor at the mount reads, every few degrees and at each peak and
upright edge, the thing that needs the most room, with a compass that is
off for the whole survey, a clinometer that is off too, scatter of each reading, and distances of limited accuracy;
he writes half degrees. The tool sees only his table and the errors he states. The table printed counts, for each
band of p_clear, how often the room was truly there, and how often `clear` and `blocked` were wrong.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import time
from dataclasses import replace

import certainty
import numpy as np

from skysill.assessment.confidence import INDEPENDENT_SHARE
from skysill.assessment.pipeline import assess
from skysill.horizon.scene_clearance import clearances
from skysill.horizon.scene_silhouette import scene_silhouette
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.obstacle_builders import building, tree
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    Mount,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import Survey
from skysill.pointing.look_vector import look_vector
from skysill.radio.required_room import room_angle_deg

COMMON_SHARE = np.sqrt(1.0 - INDEPENDENT_SHARE**2)
BANDS = (0.0, 0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0001)
TERMINAL = Terminal()
CRITERIA = Criteria(years_ahead=0.0)
MOUNT_M = np.array([0.0, 0.0, 2.0])


def world(rng: np.random.Generator, ray_azimuth: float, ray_elevation: float) -> Scene:
    """Two to six things around the ray, their tops spread about its lower edge, and a ridge far behind."""
    things = []
    for number in range(int(rng.integers(2, 7))):
        bearing = np.deg2rad(ray_azimuth + rng.normal(0.0, 9.0))
        distance = float(np.exp(rng.uniform(np.log(9.0), np.log(150.0))))
        top = 2.0 + distance * np.tan(np.deg2rad(max(2.0, rng.normal(ray_elevation - 4.5, 5.0))))
        east, north = distance * np.sin(bearing), distance * np.cos(bearing)
        if rng.random() < 0.5:
            half = rng.uniform(2.0, 7.0)
            box = [[-half, -3.0], [half, -3.0], [half, 3.0], [-half, 3.0]]
            ring = [[east + x, north + y] for x, y in box]
            things.append(building(f"house {number}", ring, ground_elevation_m=0.0, height_m=max(top, 2.5)))
        else:
            crown = min(rng.uniform(1.0, 4.0), distance / 3.0)
            things.append(tree(f"tree {number}", (east, north), ground_elevation_m=0.0, height_m=max(top, 2.5),
                               crown_radius_m=crown))  # fmt: skip
    ridge_m, width = 3000.0, 2500.0
    side = np.deg2rad(ray_azimuth)
    middle = ridge_m * np.array([np.sin(side), np.cos(side)])
    across = width * np.array([np.cos(side), -np.sin(side)])
    deep = 200.0 * np.array([np.sin(side), np.cos(side)])
    ring = [middle - across, middle + across, middle + across + deep, middle - across + deep]
    top = ridge_m * np.tan(np.deg2rad(rng.uniform(1.0, ray_elevation - 2.0)))
    things.append(building("ridge", [list(p) for p in ring], ground_elevation_m=0.0, height_m=float(top)))
    return Scene(tuple(things))


def survey(rng: np.random.Generator, scene: Scene, ray_azimuth: float, stated: Survey) -> Readings:
    """What the surveyor writes down: a reading every 2.5 degrees and at each peak of the skyline, errors and all."""
    true_azimuth = ray_azimuth + np.arange(-25.0, 25.01, 0.05)
    seen = scene_silhouette(scene, MOUNT_M, azimuth_deg=np.mod(true_azimuth, 360.0))
    offset = np.round((np.mod(seen.azimuth_deg - ray_azimuth + 180.0, 360.0) - 180.0 + 25.0) / 0.05).astype(
        int
    )
    top, far = np.full(true_azimuth.shape, -2.0), np.full(true_azimuth.shape, 3000.0)
    # of several things on one azimuth the one that needs the highest line is read: a near edge may count for more
    # than a higher hill behind it, as the field sheet says
    need_deg = seen.elevation_deg + room_angle_deg(seen.distance_m, Link(TERMINAL, CRITERIA))
    for at in np.argsort(need_deg):
        top[offset[at]], far[offset[at]] = seen.elevation_deg[at], seen.distance_m[at]
    rising = np.diff(top, prepend=top[0])
    peaks = np.flatnonzero((rising > 0) & (np.append(rising[1:], 0.0) <= 0))
    edges = np.flatnonzero(np.abs(rising) > 0.6)  # a careful surveyor reads both sides of every upright edge
    read = np.unique(
        np.concatenate([np.arange(0, true_azimuth.size, 50), peaks, edges, np.maximum(edges - 1, 0)])
    )

    def off(sigma: float) -> np.ndarray:
        return sigma * (COMMON_SHARE * rng.normal() + INDEPENDENT_SHARE * rng.normal(size=read.size))

    azimuth = np.mod(np.round(2.0 * (true_azimuth[read] + off(stated.bearing_error_deg))) / 2.0, 360.0)
    elevation = np.round(2.0 * (top[read] + off(stated.inclination_error_deg))) / 2.0
    distance = far[read] * (1.0 + stated.distance_error_fraction * rng.normal(size=read.size))
    order = np.lexsort(
        (-elevation, azimuth)
    )  # of readings written at the same half degree, the highest is kept
    azimuth, first = np.unique(azimuth[order], return_index=True)
    return Readings(azimuth, elevation[order][first], np.maximum(distance[order][first], 1.0),
                    ("",) * azimuth.size, "invented")  # fmt: skip


def run(worlds: int, seed: int) -> dict[str, object]:
    rng = np.random.default_rng(seed)
    stated = Survey(bearing_error_deg=1.0, inclination_error_deg=0.5, position_error_m=0.1, height_error_m=0.05,
                    instrument_height_m=2.0)  # fmt: skip
    site = Site("invented", 58.0312, -24.6541, ground_elevation_m=0.0, ground_source="given")
    satellites = [Satellite("Demo South", -24.0), Satellite("Demo East", 5.5), Satellite("Demo West", -52.5)]
    looks = [
        look_vector(site.latitude_deg, site.longitude_deg, MOUNT_M[2], satellite) for satellite in satellites
    ]
    chance, truth, verdict = [], [], []
    for number in range(worlds):
        job = Job(site, (satellites[number % 3],), terminal=TERMINAL, criteria=CRITERIA)
        look = looks[number % 3]
        ray = (float(look.azimuth_deg or 0.0), look.elevation_apparent_deg)
        scene = world(rng, *ray)
        if scene.holding(MOUNT_M).any():
            continue
        # the dish ends up a little off the plan, as stated
        slip_m = [stated.position_error_m, stated.position_error_m, stated.height_error_m]
        dish = MOUNT_M + rng.normal(size=3) * slip_m
        room = clearances(scene, dish[None], [ray[0]], [ray[1]], link=Link(TERMINAL, CRITERIA))
        sources = Sources(readings=survey(rng, scene, ray[0], stated), survey=stated)
        found = assess(replace(job, sources=sources), Mount(height_m=2.0), explain=False).results[0]
        if found.p_clear is None:
            continue
        chance.append(found.p_clear)
        truth.append(bool((room.spare_deg >= 0.0).all()))
        verdict.append((found.verdict, bool(room.hit.any())))
    return summary(np.array(chance), np.array(truth), verdict)


def summary(chance: np.ndarray, truth: np.ndarray, verdict: list[tuple[str, bool]]) -> dict[str, object]:
    rows = []
    for low, high in itertools.pairwise(BANDS):
        mine = (chance >= low) & (chance < high)
        if mine.any():
            rows.append(
                (low, min(high, 1.0), int(mine.sum()), float(chance[mine].mean()), float(truth[mine].mean()))
            )
    clear = np.array([v == "clear" for v, _ in verdict])
    blocked = np.array([v == "blocked" for v, _ in verdict])
    hit = np.array([h for _, h in verdict])
    return {
        "worlds": int(chance.size),
        "bands": rows,
        "clear": int(clear.sum()),
        "clear_but_not_enough_room": int((clear & ~truth).sum()),
        "clear_but_ray_obstructed": int((clear & hit).sum()),
        "blocked": int(blocked.sum()),
        "blocked_but_ray_free": int((blocked & ~hit).sum()),
        "blocked_but_room_enough": int((blocked & truth).sum()),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=58)
    parser.add_argument("--json", action="store_true")
    parser.add_argument(
        "--surfaces", type=int, metavar="WORLDS", help="the worlds of certainty.py, with its --seed"
    )
    given = parser.parse_args()
    if given.surfaces is not None:
        certainty.report(certainty.asked(given.surfaces))
        return
    started = time.perf_counter()
    found = run(given.worlds, given.seed)
    if given.json:
        json.dump(found, sys.stdout)
        return
    print(f"{found['worlds']} worlds in {time.perf_counter() - started:.0f} s")
    print("| p_clear from | to | worlds | mean p_clear | truly clear |\n| --- | --- | --- | --- | --- |")
    for low, high, count, mean, share in found["bands"]:  # type: ignore[attr-defined]
        print(f"| {low:.2f} | {high:.2f} | {count} | {mean:.3f} | {share:.3f} |")
    for key, value in found.items():
        if key not in ("worlds", "bands"):
            print(f"{key}: {value}")


if __name__ == "__main__":
    main()
