"""How long a search over many spots takes, against asking one spot at a time. Prints ratios; never fails.

Run: python tests/benchmarks/obstacles_search.py
"""

from __future__ import annotations

import time

import numpy as np

from skysill.horizon.scene_clearance import clearances, least_room
from skysill.model.link import Link
from skysill.model.obstacle_builders import (
    building,
    pole,
    tree,
    wall,
    wire,
)
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Terminal

GIVEN = {"link": Link(Terminal(), Criteria())}
AZIMUTH_DEG, ELEVATION_DEG = [145.0, 179.2, 213.0], [19.0, 24.1, 18.0]


def village(count, rng):
    """Obstacles of every kind strewn over a village 300 m across, none within 8 m of the property."""
    things = []
    while len(things) < count:
        centre = rng.uniform(-150, 150, 2)
        if np.hypot(*centre) < 25.0:
            continue
        turn = rng.uniform(0, np.pi)
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        at, name = tuple(centre), str(len(things))
        kind = len(things) % 5
        if kind == 0:
            box = centre + np.array([[-6, -4], [6, -4], [6, 4], [-6, 4]]) @ spin.T
            things.append(building(name, box, ground_elevation_m=0, height_m=rng.uniform(4, 9)))
        elif kind in (1, 2):
            height = rng.uniform(5, 14)
            things.append(
                tree(name, at, ground_elevation_m=0, height_m=height, crown_radius_m=rng.uniform(1.5, 4))
            )
        elif kind == 3:
            things.append(pole(name, at, ground_elevation_m=0, height_m=8.0))
        else:
            line = centre + np.array([[-12, 0], [12, 0.0]]) @ spin.T
            made = wall(name, line, ground_elevation_m=0, height_m=2.0)
            hung = wire(name, np.column_stack([line, [7.0, 7.0]]), sag_m=0.4)
            things.append(made if rng.random() < 0.5 else hung)
    return Scene(tuple(things))


def timed(call, least_s=0.2):
    start = time.perf_counter()
    rounds = 0
    while time.perf_counter() - start < least_s:
        call()
        rounds += 1
    return (time.perf_counter() - start) / rounds


def main():
    rng = np.random.default_rng(1)

    def spots(n):
        return np.column_stack([rng.uniform(-20, 20, (n, 2)), rng.uniform(5, 9, n)])

    def search(scene, dish, rays=3):
        return least_room(scene, dish, AZIMUTH_DEG[:rays], ELEVATION_DEG[:rays], **GIVEN)

    scene, dish = village(200, rng), spots(10_000)
    whole = timed(lambda: search(scene, dish))
    print(f"10,000 spots x 200 obstacles x 3 satellites: {whole:.2f} s")
    few = dish[:20]
    single = timed(
        lambda: [clearances(scene, spot, AZIMUTH_DEG, ELEVATION_DEG, **GIVEN) for spot in few]
    ) / len(few)
    print(
        f"one spot at a time, every obstacle solved: {single * 10_000:.0f} s, ratio {single * 1e4 / whole:.0f}"
    )
    lean = timed(lambda: [search(scene, spot[None]) for spot in few]) / len(few)
    print(f"the same search, one spot at a time: {lean * 10_000:.0f} s, ratio {lean * 1e4 / whole:.0f}")
    for label, ratio in (
        ("2,500 spots", timed(lambda: search(scene, dish[:2500])) / whole),
        ("5,000 spots", timed(lambda: search(scene, dish[:5000])) / whole),
        ("50 obstacles", timed(lambda: search(village(50, rng), dish)) / whole),
        ("100 obstacles", timed(lambda: search(village(100, rng), dish)) / whole),
        ("1 satellite", timed(lambda: search(scene, dish, 1)) / whole),
        ("2 satellites", timed(lambda: search(scene, dish, 2)) / whole),
    ):
        print(f"with {label}: {ratio:.2f} of the whole")


if __name__ == "__main__":
    main()
