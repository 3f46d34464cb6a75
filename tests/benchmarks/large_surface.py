"""Memory and time of `screen` and `heights --surface` over a large fine surface: many tiles of one mosaic (VRT).

    python tests/benchmarks/large_surface.py make FOLDER [KILOMETRES]
    python tests/benchmarks/large_surface.py screen FOLDER [JOBS] [ADDRESSES] [OPTION ...]
    python tests/benchmarks/large_surface.py heights FOLDER [JOBS] [KILOMETRES] [OPTION ...]

`make` writes an invented village of 2 x 2 km with cells of 1 m under 400 names (40 km), a tile with voids every
seventeenth, every twenty-ninth missing, and a bare raster of 30 m under it all. Prints processor seconds, wall time and
the peak resident memory of every process; never passes or fails.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from pyproj import Transformer

sys.path.insert(0, str(Path(__file__).parents[1]))

from skysill.horizon.lattice import Grid
from skysill.io.rasters import write_geotiff
from small_village import rough_ground, village

SIDE = 2000
WEST_M, NORTH_M, CRS = 500_000.0, 6_440_000.0, "EPSG:32627"
HIGHEST_M = "420"


def make(folder: Path, kilometres: int = 40) -> None:
    """The tiles, the mosaic and the bare raster."""
    folder.mkdir(parents=True, exist_ok=True)
    tiles = kilometres // 2
    top, _ = village(1, SIDE, 1.0)
    holed = top.copy()
    holed[700:760, 300:1500] = np.nan
    holed[np.random.default_rng(2).random(top.shape) < 1e-4] = np.nan
    like = Grid(top, (1.0, 0.0, WEST_M, 0.0, -1.0, NORTH_M), CRS)
    for name, values in (("whole", top), ("holed", holed)):
        write_geotiff(folder / f"{name}.tif", values, like=like)
    source = (
        '<SimpleSource><SourceFilename relativeToVRT="1">{0}</SourceFilename><SourceBand>1</SourceBand>'
        '<SrcRect xOff="0" yOff="0" xSize="{1}" ySize="{1}"/><DstRect xOff="{2}" yOff="{3}" xSize="{1}" ySize="{1}"/>'
        "</SimpleSource>"
    )
    sources = []
    for number in range(tiles * tiles):
        row, column = divmod(number, tiles)
        if number % 29 == 28:
            continue
        name = (
            f"tile_{row:02d}_{column:02d}.tif"  # its own name, so that every tile is read and held for itself
        )
        (folder / name).unlink(missing_ok=True)
        os.link(folder / ("holed.tif" if number % 17 == 16 else "whole.tif"), folder / name)
        sources.append(source.format(name, SIDE, column * SIDE, row * SIDE))
    side = SIDE * tiles
    (folder / "surface.vrt").write_text(
        f'<VRTDataset rasterXSize="{side}" rasterYSize="{side}"><SRS>{CRS}</SRS>'
        f"<GeoTransform>{WEST_M}, 1, 0, {NORTH_M}, 0, -1</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"><NoDataValue>nan</NoDataValue>{"".join(sources)}</VRTRasterBand>'
        "</VRTDataset>",
        encoding="ascii",
    )
    wide = side // 30 + 400
    bare = rough_ground(3, 2.0, 25.0, wide) - 20.0
    corner = (30.0, 0.0, WEST_M - 6000.0, 0.0, -30.0, NORTH_M + 6000.0)
    write_geotiff(folder / "bare.tif", bare, like=Grid(bare, corner, CRS))
    size = sum(f.stat().st_size for f in (folder / "whole.tif", folder / "holed.tif"))
    print(f"{side} x {side} cells in {len(sources)} tiles, {size / 1e6:.0f} MB on disk")


def write_list(folder: Path, count: int) -> Path:
    """Addresses all over the mosaic."""
    text = (folder / "surface.vrt").read_text(encoding="ascii")
    side = int(text.split('rasterXSize="')[1].split('"')[0])
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, side, (2, count))
    turn = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    longitude, latitude = turn.transform(WEST_M + x, NORTH_M - y)
    rows = (f"{i:06d},{a:.7f},{b:.7f}" for i, (a, b) in enumerate(zip(latitude, longitude, strict=True)))
    path = folder / f"list_{count}.csv"
    path.write_text("\n".join(["id,latitude,longitude", *rows]) + "\n", encoding="ascii")
    return path


def _family(pid: int) -> set[int]:
    """A process and all that it started."""
    found = {pid}
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text(encoding="ascii").split():
            found |= _family(int(child))
    return found


def measured(command: list[str]) -> None:
    """Run a command of skysill; print wall time, processor time and each process's peak memory."""
    started, peaks, ticks = time.monotonic(), {}, {}
    run = subprocess.Popen([sys.executable, "-m", "skysill.cli.main", *command])
    while run.poll() is None:
        try:
            for pid in _family(run.pid):
                status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
                fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
                ticks[pid] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
                if "VmHWM" in status:
                    peaks[pid] = int(status.split("VmHWM:")[1].split()[0]) / 1024 / 1024
        except (FileNotFoundError, ProcessLookupError):
            pass
        time.sleep(0.2)
    spent = ", ".join(f"{peaks[pid]:.2f} GiB {ticks[pid]:.0f} s" for pid in peaks if ticks[pid] > 2.0)
    print(f"exit {run.returncode}, wall {time.monotonic() - started:.0f} s, processes over 2 s: {spent}")


def main(mode: str, where: str, *options: str) -> None:
    own = next((at for at, option in enumerate(options) if option.startswith("--")), len(options))
    folder, numbers, further = Path(where), [int(o) for o in options[:own]], options[own:]
    shared = ["--highest-ground", HIGHEST_M, "--satellite", "20W"]
    surface = f"{folder / 'surface.vrt'}:surface"
    if mode == "make":
        make(folder, *numbers)
    elif mode == "screen":
        jobs, count = (*numbers, 20_000)[:2] if len(numbers) != 1 else (numbers[0], 20_000)
        measured(["screen", str(write_list(folder, count)), "--terrain", surface, *shared, "--jobs", str(jobs),
                  "--out", str(folder / f"out_{jobs}.csv"), *further])  # fmt: skip
    else:
        jobs, kilometres = (*numbers, 4)[:2] if len(numbers) > 1 else (*numbers, 4)
        middle = (WEST_M + 10_000.0, NORTH_M - 10_000.0)
        half = kilometres * 500.0
        box = f"{middle[0] - half:.0f},{middle[1] - half:.0f},{middle[0] + half:.0f},{middle[1] + half:.0f}"
        measured(["heights", "--surface", "--terrain", surface, *shared, "--jobs", str(jobs), "--bounds", box,
                  "--out", str(folder / f"heights_{jobs}.tif"), *further])  # fmt: skip


if __name__ == "__main__":
    main(*sys.argv[1:])
