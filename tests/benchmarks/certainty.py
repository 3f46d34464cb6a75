"""Are the probabilities true in worlds of their own? Invented surroundings, known in full, put as a user knows them.

    python tests/benchmarks/certainty.py --worlds 4000

`true_worlds` makes the surroundings and works out the truth without the library; `degraded` turns them into readings
only, readings and a bare 30 m raster, a 1 m surface two years old, an obstacle list, and readings with half their
errors stated. The tables count how often `clear` is wrong, and how often the room is there for each stated p_clear.
"""

from __future__ import annotations

import argparse
import itertools
import pickle
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from degraded import questions
from true_worlds import make, truth

from skysill.assessment.pipeline import assess
from skysill.errors import InputError

BANDS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0001)
ROOMY_DEG = 3.0


@dataclass(frozen=True)
class Row:
    """One world, one kind of knowledge."""

    world: int
    kind: str
    spare_deg: float
    met: bool
    verdict: str
    p_clear: float | None
    reasons: tuple[str, ...]


def rows_of(number: int, seed: int, only: str | None = None) -> list[Row]:
    rng = np.random.default_rng([seed, number])
    world = make(rng)
    slip = rng.normal(size=3) * [0.2, 0.2, 0.1]  # as degraded.SURVEY states
    ground = float(world.ground_m(np.float64(0), np.float64(0)))
    spare, met = truth(world, (slip[0], slip[1], ground + world.mount_m + slip[2]))
    found = []
    for kind, job in questions(world, rng).items():
        if only is not None and only != kind:
            continue
        try:
            result = assess(job, job.mounts[0], explain=False).results[0]
        except InputError as error:
            found.append(Row(number, kind, spare, met, "refused", None, (str(error),)))
            continue
        found.append(Row(number, kind, spare, met, result.verdict, result.p_clear, result.reasons))
    return found


def wilson(count: int, of: int) -> tuple[float, float]:
    """95 % interval of a share. E. B. Wilson 1927, from memory."""
    if not of:
        return 0.0, 1.0
    z, p = 1.959964, count / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * np.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return max(0.0, middle - half), min(1.0, middle + half)


def brier(chance: np.ndarray, truly: np.ndarray) -> tuple[float, float, float, float]:
    """Score, reliability, resolution, uncertainty in the bands. A. H. Murphy 1973, from memory."""
    base = truly.mean()
    reliability = resolution = 0.0
    for low, high in itertools.pairwise(BANDS):
        mine = (chance >= low) & (chance < high)
        if mine.any():
            share = mine.mean()
            reliability += share * (chance[mine].mean() - truly[mine].mean()) ** 2
            resolution += share * (truly[mine].mean() - base) ** 2
    return float(((chance - truly) ** 2).mean()), reliability, resolution, float(base * (1 - base))


def report(rows: list[Row]) -> None:
    kinds = list(dict.fromkeys(r.kind for r in rows))
    print(
        "| given | worlds | clear | false clear | 95 % interval | ray obstructed | of those over 0.99 | "
        "worlds with ample room | of them clear | blocked | blocked with room |"
    )
    print("| --- " * 11 + "|")
    for kind in kinds:
        mine = [r for r in rows if r.kind == kind]
        clear = [r for r in mine if r.verdict == "clear"]
        false = [r for r in clear if r.spare_deg < 0]
        low, high = wilson(len(false), len(clear))
        met = [r for r in clear if r.met]
        sure = [r for r in met if (r.p_clear or 0) > 0.99]
        has_clearance = [r for r in mine if r.spare_deg > ROOMY_DEG]
        got = sum(r.verdict == "clear" for r in has_clearance)
        shut = [r for r in mine if r.verdict == "blocked"]
        wrong = sum(r.spare_deg >= 0 for r in shut)
        print(
            f"| {kind} | {len(mine)} | {len(clear)} | {len(false)} ({100 * len(false) / max(len(clear), 1):.1f} %) | "
            f"{100 * low:.1f} to {100 * high:.1f} % | {len(met)} | {len(sure)} | {len(has_clearance)} | "
            f"{100 * got / max(len(has_clearance), 1):.0f} % | {len(shut)} | {wrong} |"
        )
    print()
    print("| p_clear | " + " | ".join(kinds) + " |\n|" + " --- |" * (len(kinds) + 1))
    for low, high in itertools.pairwise(BANDS):
        cells = []
        for kind in kinds:
            mine = [r for r in rows if r.kind == kind and r.p_clear is not None and low <= r.p_clear < high]
            if not mine:
                cells.append("")
                continue
            good = sum(r.spare_deg >= 0 for r in mine)
            lo, hi = wilson(good, len(mine))
            mean = np.mean([r.p_clear for r in mine])
            off = "" if lo <= mean <= hi or abs(mean - good / len(mine)) <= 0.03 else " **off**"
            cells.append(f"{len(mine)}: {mean:.3f} / {good / len(mine):.3f} ({lo:.2f} to {hi:.2f}){off}")
        print(f"| {low:.2f} to {min(high, 1.0):.2f} | " + " | ".join(cells) + " |")
    print()
    print("| known | Brier score | reliability | resolution | uncertainty |\n| --- | --- | --- | --- | --- |")
    for kind in kinds:
        mine = [r for r in rows if r.kind == kind and r.p_clear is not None]
        if mine:
            parts = brier(
                np.array([r.p_clear for r in mine]), np.array([r.spare_deg >= 0 for r in mine], float)
            )
            print(f"| {kind} | " + " | ".join(f"{v:.4f}" for v in parts) + " |")


def asked(worlds: int, first: int = 0, seed: int = 41, only: str | None = None) -> list[Row]:
    """The rows of many worlds, numbered from `first`; each world is the same whenever it is asked for."""
    rows: list[Row] = []
    for number in range(first, first + worlds):
        try:
            rows.extend(rows_of(number, seed, only))
        except Exception as fault:
            raise RuntimeError(f"world {number}, seed {seed}") from fault
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, default=4000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=41)
    parser.add_argument("--only", help="one kind of knowledge")
    parser.add_argument("--show", action="store_true", help="list every false clear")
    parser.add_argument("--keep", type=Path, help="write the rows there (pickle)")
    given = parser.parse_args()
    started = time.perf_counter()
    rows = asked(given.worlds, given.first, given.seed, given.only)
    print(f"{given.worlds} worlds in {time.perf_counter() - started:.0f} s\n")
    report(rows)
    if given.keep:
        given.keep.write_bytes(pickle.dumps(rows))
    if given.show:
        for r in rows:
            if r.verdict == "clear" and r.spare_deg < 0:
                print(r.world, r.kind, f"{r.spare_deg:.1f}", r.met, r.p_clear, r.reasons[0])


if __name__ == "__main__":
    main()
