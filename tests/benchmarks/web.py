"""How fast the pages' server answers: first page, verdict while a slider moves, dragged spot, pictures, fifty at once.

    python tests/benchmarks/web.py [SITE.toml ...]

Starts `skysill serve` on a copy of the demo as its own process and asks it over HTTP, one question after the other, as
the page does. Prints milliseconds on the clock and of the server's processor: on a busy machine only the latter are the
program's own. Default sites: clinic (readings, obstacles, two rasters), school (roof, two rasters), farm (one raster).
"""

from __future__ import annotations

import http.client
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from statistics import median

DEMO = Path(__file__).parents[2] / "demo_terrain"
TICKS = os.sysconf("SC_CLK_TCK")
LIMIT_MS = {"height": 150, "spot": 300, "first page": 1000}


class Served:
    """A running server, and one connection to it that stays open."""

    def __init__(self, folder: Path) -> None:
        command = [
            sys.executable,
            "-m",
            "skysill.cli.main",
            "serve",
            str(folder),
            "--port",
            "0",
            "--no-browser",
        ]
        command += [
            "--terrain",
            f"{folder / 'village_surface.tif'}:surface",
            "--terrain",
            str(folder / "island.tif"),
        ]
        command += ["--highest-ground", "420", "--satellite", "Demo South=24.0W"]
        began = time.perf_counter()
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"}
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        self.start_s = time.perf_counter() - began
        self.port = int(line.rpartition(":")[2].split("/")[0])
        self.open = self.connection()

    def connection(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)

    def cpu_s(self) -> float:
        """Processor time of the server so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def ask(
        self,
        path: str,
        body: dict[str, object] | None = None,
        *,
        over: http.client.HTTPConnection | None = None,
    ) -> bytes:
        connection = over or self.open
        headers = {"X-Skysill": "1"} if body is not None else {}
        connection.request(
            "GET" if body is None else "POST", path, None if body is None else json.dumps(body), headers
        )
        answer = connection.getresponse()
        read = answer.read()
        assert answer.status == 200, read[:300]
        return read


def timed(
    served: Served,
    label: str,
    questions: list[tuple[str, dict[str, object] | None]],
    limit_ms: float | None = None,
) -> None:
    """Ask one after the other; print median and worst time, and processor time each."""
    took, cpu_s = [], served.cpu_s()
    for path, body in questions:
        began = time.perf_counter()
        served.ask(path, body)
        took.append(1000.0 * (time.perf_counter() - began))
    each_ms = 1000.0 * (served.cpu_s() - cpu_s) / len(questions)
    wanted = "" if limit_ms is None else f"   wanted: under {limit_ms:g}"
    print(f"{label:<58}{median(took):8.0f}{max(took):8.0f}{each_ms:10.0f}{wanted}")


def measure(served: Served, name: str) -> None:
    site = json.loads(served.ask(f"/api/sites/{name}"))["site"]
    satellites = [one["name"] for one in site["satellites"]]
    mount = (site.get("mounts") or [{}])[0]
    path = f"/api/sites/{name}/check"
    served.ask(path, {"satellites": satellites[:1]})
    heights = [0.5 + 0.15 * step for step in range(20)]
    one: dict[str, object] = {"satellites": satellites[:1]}
    all_of_them = f"{len(satellites)} satellites"
    timed(
        served,
        f"{name}: height changed, 1 satellite",
        [(path, {**one, "height_m": h}) for h in heights],
        LIMIT_MS["height"],
    )
    timed(served, f"{name}: height changed, {all_of_them}", [(path, {"height_m": h}) for h in heights])
    east_m, north_m = mount.get("east_m", 0.0), mount.get("north_m", 0.0)
    moved = [{"east_m": east_m + 0.2 * step, "north_m": north_m + 0.1 * step} for step in range(20)]
    timed(
        served,
        f"{name}: spot dragged, 1 satellite",
        [(path, {**one, **to}) for to in moved],
        LIMIT_MS["spot"],
    )
    timed(
        served, f"{name}: spot dragged, {all_of_them}", [(path, dict(to)) for to in moved], LIMIT_MS["spot"]
    )
    full: dict[str, object] = {"profile": True, "pictures": ["profile"]}
    timed(
        served,
        f"{name}: sky view and path profile, {all_of_them}",
        [(path, {**full, "height_m": h}) for h in heights[:5]],
        1000,
    )
    timed(
        served,
        f"{name}: remedies and cautions too, {all_of_them}",
        [(path, {"remedies": True, "height_m": h}) for h in heights[:3]],
    )


def survey(served: Served, name: str) -> None:
    """The survey page after each changed reading: verdicts with what is unmeasured, then the strip of one satellite."""
    rows = [
        {key: row[key] for key in ("key", "cells", "text")}
        for row in json.loads(served.ask(f"/api/sites/{name}/readings"))["rows"]
    ]
    satellite = json.loads(served.ask(f"/api/sites/{name}"))["site"]["satellites"][0]["name"]
    tables: list[dict[str, object]] = []
    for step in range(6):
        cells = {**rows[30]["cells"], "elevation_deg": f"{30.0 + 0.5 * step}"}
        tables.append({"rows": [*rows[:30], {**rows[30], "cells": cells}, *rows[31:]]})
    path = f"/api/sites/{name}/survey"
    served.ask(path, {"rows": rows})
    timed(served, f"{name}: a reading changed, all satellites", [(path, table) for table in tables])
    drawn = [(f"{path}/strip", {**table, "satellite": satellite}) for table in tables]
    timed(served, f"{name}: its strip, 1 satellite", drawn)


def main() -> None:
    names = [Path(path).stem for path in sys.argv[1:]] or ["clinic", "school", "farm"]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "sites"
        shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("survey_data", "*.py", "__pycache__"))
        served = Served(folder)
        try:
            print(
                f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors; started in {served.start_s:.2f} s"
            )
            print(f"{'milliseconds':<58}{'median':>8}{'worst':>8}{'processor':>10}")
            timed(served, "first page after the start", [("/", None)], LIMIT_MS["first page"])
            timed(served, "the page again", [("/", None)] * 10)
            time.sleep(3.0)  # the libraries are loaded in the background
            for name in names:
                measure(served, name)
            if "clinic" in names:
                survey(served, "clinic")
            place_asked = {"position": "58.031748 N 24.655381 W", "profile": True, "pictures": ["profile"]}
            served.ask("/api/place/check", place_asked)
            asked = [
                ("/api/place/check", {**place_asked, "position": f"58.03{step} N 24.6554 W"})
                for step in range(171, 176)
            ]
            timed(served, "a typed place, sky view and path profile", asked, 1000)
            began, cpu_s = time.perf_counter(), served.cpu_s()
            with ThreadPoolExecutor(50) as pool:
                heights = [1.0 + 0.1 * number for number in range(50)]
                path = f"/api/sites/{names[0]}/check"
                jobs = [
                    pool.submit(served.ask, path, {"height_m": h}, over=served.connection()) for h in heights
                ]
                for job in jobs:
                    job.result()
            took_s = time.perf_counter() - began
            print(f"50 checks at once: {took_s:.1f} s, {served.cpu_s() - cpu_s:.1f} s of processor, no error")
            high = next(
                line
                for line in Path(f"/proc/{served.process.pid}/status").read_text().splitlines()
                if "VmHWM" in line
            )
            print(f"memory at most: {int(high.split()[1]) / 1024:.0f} MB")
        finally:
            served.process.terminate()
            served.process.wait(10)


if __name__ == "__main__":
    main()
