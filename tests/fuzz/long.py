"""Many damaged inputs for every reader, in child processes with bounded memory and a killing timeout.

    python tests/fuzz/long.py [--inputs 1000000] [--reader NAME] [--first SEED]

Prints inputs tried, read and refused by reader, and every fault with its seed. Ends with 1 if there was a fault.
"""

from __future__ import annotations

import argparse
import json
import selectors
import subprocess
import sys
import time
from pathlib import Path

TIMEOUT_S = 60.0
CHUNK = 5_000
SHARES = {
    "horizon": 7,
    "rows": 4,
    "answers": 1,
    "orbits": 10,
    "sitefile": 14,
    "asbuilt": 25,
    "geojson": 13.9,
    "addresses": 10,
    "address points": 8,
    "parquet": 3,
    "tiff": 1,
    "mosaic": 0.8,
    "grids": 0.8,
    "erdas": 0.5,
    "geopackage": 0.1,
    "shapefile": 0.2,
    "flatgeobuf": 0.1,
    "geoparquet": 0.2,
    "photos": 0.6,
    "blocked by readings": 0.06,
    "blocked by a list of obstacles": 0.06,
    "blocked by typed obstacles": 0.06,
    "blocked by a GeoTIFF": 0.03,
    "blocked by a tiled GeoTIFF": 0.03,
    "blocked by a text grid": 0.03,
    "blocked by raw cells": 0.03,
    "blocked by a mosaic": 0.06,
}
"""Hundredths of the inputs; quick readers get more."""


class Child:
    """A process that reads damaged files; ended when it does not answer in time."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("child.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            bufsize=1,
        )
        self.lines = selectors.DefaultSelector()
        self.lines.register(self.process.stdout, selectors.EVENT_READ)

    def ask(self, **asked: object) -> dict:
        """Its answer; {"hung": ...} or {"died": ...} where there is none."""
        at = asked.get("first")
        try:
            self.process.stdin.write(json.dumps(asked) + "\n")
            self.process.stdin.flush()
            while True:
                if not self.lines.select(TIMEOUT_S):
                    self.end()
                    return {"hung": at}
                line = self.process.stdout.readline()
                if not line:
                    return {"died": at, "code": self.process.wait()}
                found = json.loads(line)
                if "at" not in found:
                    return found
                at = found["at"]
        except BrokenPipeError:
            return {"died": at, "code": self.process.wait()}

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self.process.stdin.close()
        self.process.stdout.close()
        self.lines.close()


def run(reader: str, first: int, count: int) -> tuple[dict[str, int], list[dict]]:
    child, tally, faults = Child(), {"read": 0, "refused": 0}, []
    at, end = first, first + count
    while at < end:
        last = min(at + CHUNK, end)
        found = child.ask(reader=reader, first=at, last=last)
        if "tally" in found:
            for key, value in found["tally"].items():
                tally[key] += value
            faults += found["faults"]
            at = found.get("stopped", last)
            continue
        faults.append({"seed": next(iter(found.values())), "outcome": json.dumps(found)})
        at = last if CHUNK > 1 else at + 1
        child.end()
        child = Child()
    child.end()
    return tally, faults


def main() -> int:
    asked = argparse.ArgumentParser()
    asked.add_argument("--inputs", type=int, default=1_000_000)
    asked.add_argument("--reader")
    asked.add_argument("--first", type=int, default=0)
    given = asked.parse_args()
    wanted = (
        {given.reader: given.inputs}
        if given.reader
        else {name: max(int(given.inputs * share / 100.0), 1) for name, share in SHARES.items()}
    )
    everything, bad = 0, 0
    for name, count in sorted(wanted.items(), key=lambda item: item[1]):
        begun = time.monotonic()
        tally, faults = run(name, given.first, count)
        everything += sum(tally.values()) + len(faults)
        bad += len(faults)
        print(
            f"{name:30} {sum(tally.values()) + len(faults):8,} tried {tally['read']:8,} read {tally['refused']:8,} "
            f"refused {len(faults):4} faults {time.monotonic() - begun:7.0f} s",
            flush=True,
        )
        for fault in faults[:10]:
            print(f"    seed {fault['seed']}: {fault['outcome']}", flush=True)
    print(f"{everything:,} inputs, {bad} faults")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
