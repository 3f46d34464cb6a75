"""How fast many addresses are screened and least heights mapped, and how exact the heights are.

    python tests/benchmarks/bulk.py [kernels] [bare] [agreement] [certainty] [accuracy] [surface] [files] [large]

Prints figures and ratios of one run; never passes or fails. Times are processor seconds of one core unless they say
"wall". Ground is invented: seeded fractal, half plains, half ridges, 30 m cells; RELIEF=1.35 makes it so much steeper.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager, nullcontext
from functools import partial
from pathlib import Path

import numpy as np
from pyproj import Transformer

from skysill.bulk import screening as room
from skysill.bulk.compiled.bare_places import BareSearch
from skysill.bulk.least_heights import tile_heights_m
from skysill.bulk.raster_tiles import Relief, Tile, block_relief
from skysill.bulk.running_maximum import SweepGeometry, swept_heights_m
from skysill.horizon.lattice import Grid, Lattice
from skysill.io.rasters import write_geotiff
from skysill.model.site import Criteria, Satellite, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg
from skysill.units import local_earth_radius_m

CELL_M = 30.0
SIDE = int(os.environ.get("SIDE", "4000"))
RELIEF = float(os.environ.get("RELIEF", "1"))
NORTH_M = {
    11: 7_800_000.0, 14: 7_500_000.0, 17: 7_180_000.0, 20: 6_620_000.0, 35: 5_350_000.0, 50: 3_850_000.0,
}  # fmt: skip
"""UTM 27 north; satellite at 20 W. The raster reaches 120 km to the south of it, so satellites stand higher there."""


def fractal(side, seed, slope):
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft2(rng.standard_normal((side, side)).astype(np.float32))
    frequency = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None])
    ground = np.fft.irfft2(spectrum * (frequency**2 + 0.0015**2) ** (-slope / 2), s=(side, side))
    return (ground - ground.mean()) / ground.std()


def rough(side=SIDE, seed=1):
    """Relief about 1500 m; half the slopes under 8 degrees, a tenth over 23, a hundredth over 34."""
    plain, ridge, mix = (fractal(side, seed + i, slope) for i, slope in enumerate((2.2, 1.9, 1.6)))
    share = 1.0 / (1.0 + np.exp(-2.0 * (np.linspace(-3.0, 3.0, side)[None] + mix)))
    ground = 120.0 * plain + share * (350.0 * (1.0 - np.abs(ridge)) + 60.0 * plain)
    return (0.8 * RELIEF * (ground - ground.min())).astype(np.float32)


def grid_at(ground, north_m):
    return Grid(ground, (CELL_M, 0.0, 440_000.0, 0.0, -CELL_M, north_m), "EPSG:32627")


def reader(ground):
    """Windows of an array that may reach one cell past it."""
    around = np.pad(ground, 1, constant_values=np.nan)
    return lambda w: around[w.top + 1 : w.bottom + 1, w.left + 1 : w.right + 1]


def addresses(grid, count, seed=7):
    rng = np.random.default_rng(seed)
    rows, columns = grid.values.shape
    x = grid.transform[2] + CELL_M * rng.uniform(0.1 * columns, 0.9 * columns, count)
    y = grid.transform[5] - CELL_M * rng.uniform(0.05 * rows, 0.75 * rows, count)
    longitude, latitude = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(x, y)
    return latitude, longitude


def write_list(path, latitude, longitude):
    with open(path, "w", encoding="ascii") as stream:
        stream.write("id,latitude,longitude\n")
        for i, (a, b) in enumerate(zip(latitude, longitude, strict=True)):
            stream.write(f"{i:07d},{a:.6f},{b:.6f}\n")


def over(raster, ground):
    return ["--terrain", str(raster), "--highest-ground", str(int(ground.max()) + 1), "--satellite", "20W"]


def timed(command):
    """Run a command of skysill, with its time and memory where the system can tell."""
    command = [sys.executable, "-m", "skysill.cli.main", *command]
    subprocess.run(
        ["/usr/bin/time", "-v", *command] if shutil.which("/usr/bin/time") else command, check=True
    )


def seconds(call):
    start = time.process_time()
    result = call()
    return time.process_time() - start, result


@contextmanager
def geometry_alone():
    """Screening without certainty and least heights."""
    kept = (
        room.assess_each,
        room._least_heights,
        room.estimated_p_clear,
        BareSearch.least_heights,
        BareSearch.p_clear,
    )
    room.assess_each, room._least_heights = lambda *a, **k: None, lambda g, p, q, c: p.height_m
    room.estimated_p_clear = lambda g, p, q: np.ones(p.height_m.size)
    BareSearch.least_heights = lambda search, places, most_m: places.height_m
    BareSearch.p_clear = lambda search, places, told=True: np.ones(places.height_m.size)
    yield
    (
        room.assess_each,
        room._least_heights,
        room.estimated_p_clear,
        BareSearch.least_heights,
        BareSearch.p_clear,
    ) = kept


@contextmanager
def arrays_alone():
    """Screening as without numba."""
    kept, room.available = room.available, lambda: False
    yield
    room.available = kept


def bare():
    """Bare rasters by compiled loops beside the array way, the same addresses, for satellites from low to high."""
    ground = rough()
    for elevation, north_m in NORTH_M.items():
        grid = grid_at(ground, north_m)
        own = room.Ground.of(grid, name="rough", kind="bare", cell_size_m=CELL_M, vertical_error_m=3.0)
        count = int(os.environ.get("COUNT", {35: 100_000, 50: 100_000}.get(elevation, 10_000)))
        latitude, longitude = addresses(grid, count)
        said = []
        for error_m in (0.0, 16.0):
            asked = room.ScreeningQuery(
                Satellite("S", -20.0), Terminal(), Criteria(), float(ground.max()), position_error_m=error_m
            )
            some = slice(0, count if not error_m else count // 4)
            call = partial(room.screen, own, latitude[some], longitude[some], 2.0, asked)
            room.screen(own, latitude[:50], longitude[:50], 2.0, asked)  # compiles, or loads
            took = {}
            for way in ("loops", "arrays"):
                with arrays_alone() if way == "arrays" else nullcontext():
                    if not error_m:
                        with geometry_alone():
                            took[way, "geometry"] = seconds(call)[0]
                    took[way, "all"], found = seconds(call)
                    took[way, "verdicts"] = found.verdict
            n = latitude[some].size
            for what in ("geometry", "all") if not error_m else ("all",):
                fast, slow = took["loops", what], took["arrays", what]
                name = what if not error_m else "with position error"
                said.append(f"{name} {n / fast:,.0f} loops, {n / slow:,.0f} arrays (ratio {slow / fast:.1f})")
            differ = int((took["loops", "verdicts"] != took["arrays", "verdicts"]).sum())
            said.append(f"{differ} of {n} verdicts differ")
        near, said = 100.0 * np.mean(~found.margin_is_floor), "; ".join(said)
        print(f"satellite {found.elevation_deg.mean():.1f} deg up, {near:.1f} % within 10 deg, a second: {said}",
              flush=True)  # fmt: skip


def kernels():
    ground = rough()
    query = lambda: room.ScreeningQuery(Satellite("S", -20.0), Terminal(), Criteria(), float(ground.max()))  # noqa: E731
    for elevation in (20, 35, 50):
        grid = grid_at(ground, NORTH_M[elevation])
        prepare_s, own = seconds(lambda grid=grid: room.Ground.of(
            grid, name="rough", kind="bare", cell_size_m=CELL_M, vertical_error_m=3.0))  # fmt: skip
        count = {20: 40_000, 35: 200_000, 50: 200_000}[elevation]
        latitude, longitude = addresses(grid, count)
        whole_s, found = seconds(
            lambda own=own, a=latitude, b=longitude: room.screen(own, a, b, 2.0, query())
        )
        with geometry_alone():
            bare_s, _ = seconds(lambda own=own, a=latitude, b=longitude: room.screen(own, a, b, 2.0, query()))
        each_s, _ = seconds(lambda own=own, a=latitude, b=longitude: room.screen_one_by_one(
            (own.source,), a[:40], b[:40], 2.0, query()))  # fmt: skip
        verdicts, counts = np.unique(found.verdict.astype(str), return_counts=True)
        print(f"screen, satellite {np.nanmean(found.elevation_deg):.0f} deg up: {count / bare_s:,.0f} a second geometry, "  # noqa: E501  # one printed line
              f"{count / whole_s:,.0f} with certainty and least heights; {40 / each_s:,.0f} one by one "
              f"(ratio {count / whole_s / (40 / each_s):,.0f}); block maxima {prepare_s:.2f} s; "
              f"{100 * np.mean(~found.margin_is_floor):.1f} % within 10 deg; "
              + ", ".join(f"{v} {c}" for v, c in zip(verdicts, counts, strict=True)))  # fmt: skip
    sheet = np.ascontiguousarray(ground[:, :2048])
    drift = np.full(len(sheet), np.tan(np.deg2rad(20.0)))
    rise = np.zeros((len(sheet), 3))
    rise[:, 0] = np.arange(len(sheet)) * CELL_M * np.tan(np.deg2rad(20.0)) / np.cos(np.deg2rad(20.0))
    for rays in (1, 2, 3, 4):
        best = min(seconds(lambda r=rays: swept_heights_m(sheet, SweepGeometry(drift, rise, 0.0), rays_per_cell=r))[0]
                   for _ in range(3))  # fmt: skip
        print(f"heights sweep, {rays} rays a cell: {sheet.size / best / 1e6:,.0f} million cells/s")


def agreement(count=5_000):
    """Excess margin of near addresses, screened and by the assessment of one mount, on ground of growing steepness."""
    from skysill.assessment.clearance import column_margin_deg, room_angle_deg
    from skysill.assessment.evidence import gather_evidence
    from skysill.assessment.job_context import JobContext, prepared
    from skysill.assessment.pipeline import _looks
    from skysill.assessment.placement import place
    from skysill.bulk.controlling_obstruction import controlling_ground
    from skysill.model.job import Job, Sources
    from skysill.model.site import Mount, Site
    from skysill.units import wrap_180

    for seed, (steeper, elevation, longitude) in enumerate(
        ((1.0, 20, -20.0), (1.35, 20, -20.0), (2.0, 35, -20.0), (3.0, 50, -20.0), (1.35, 20, -55.0)), start=7
    ):
        grid = grid_at(rough() * np.float32(steeper), NORTH_M[elevation])
        own = room.Ground.of(grid, name="rough", kind="bare", cell_size_m=CELL_M, vertical_error_m=3.0)
        asked = room.ScreeningQuery(Satellite("S", longitude), Terminal(), Criteria(), grid.highest_m)
        latitude, longitude_deg = addresses(grid, 50 * count, seed)
        height = np.random.default_rng(seed).choice([1.0, 2.0, 6.0], latitude.size)
        places, _ = room.locate_places(own, latitude, longitude_deg, height, asked)
        places = places.take(np.flatnonzero(room.may_come_near(own, places, asked)))
        close = controlling_ground(own, places, asked)
        error_deg = []
        for at in np.flatnonzero(~close.inside & (close.margin_deg < room.FLOOR_DEG))[:count]:
            site = Site("a", float(places.latitude_deg[at]), float(places.longitude_deg[at]))
            sources = Sources(rasters=(own.source,), highest_ground_m=asked.highest_ground_m)
            job = prepared(
                Job(site=site, satellites=(asked.satellite,), terminal=asked.terminal, sources=sources)
            )
            here = place(job, Mount(height_m=float(places.height_m[at])))
            (look,) = _looks(job, here, asked.satellite)
            seen = gather_evidence(job, here, [look], context=JobContext()).terrain
            margin_deg = column_margin_deg(
                wrap_180(seen.azimuth_deg - look.azimuth_deg), look.elevation_apparent_deg, seen.elevation_deg
            )
            excess_deg = margin_deg - room_angle_deg(seen.distance_m, asked.link)
            error_deg.append(close.excess_deg[at] - excess_deg.min())
        error_deg = np.array(error_deg)
        print(f"relief {steeper:g}, satellite {places.apparent_deg.mean():.0f} deg up: {error_deg.size:,} near, "
              f"screened less assessed {error_deg.min():+.5f} to {error_deg.max():+.5f} deg")  # fmt: skip


def certainty():
    """Of addresses whose certainty is in doubt: how often the estimate decides, and otherwise than one assessment."""
    ground = rough()
    for elevation, count in ((20, 100_000), (35, 1_000_000)):
        grid = grid_at(ground, NORTH_M[elevation])
        own = room.Ground.of(grid, name="rough", kind="bare", cell_size_m=CELL_M, vertical_error_m=3.0)
        asked = room.ScreeningQuery(Satellite("S", -20.0), Terminal(), Criteria(), float(ground.max()))
        seen, estimate = [], room.estimated_p_clear

        def noting(ground, places, query, seen=seen, estimate=estimate):
            seen.append((places, estimate(ground, places, query)))
            return seen[-1][1]

        with geometry_alone():
            room.estimated_p_clear = noting
            room.screen(own, *addresses(grid, count), 2.0, asked)
        ((places, p_clear),) = seen
        decided = np.flatnonzero(np.abs(p_clear - 0.9) > room._P_BAND)
        answer = room.empty_results(places)
        room.assess_each((own.source,), places, asked, decided, answer)
        worse = (p_clear < 0.9)[decided] & (answer.verdict[decided] != "marginal")
        better = (p_clear > 0.9)[decided] & (answer.verdict[decided] == "marginal")
        print(f"{count:,} addresses at {elevation} degrees: {p_clear.size:,} in doubt, the estimate decides {decided.size:,}; "  # noqa: E501  # one printed line
              f"otherwise than one assessment {worse.sum()} for the worse, {better.sum()} for the better")  # fmt: skip


def marched(grid, lattice, row, column, satellite, step=0.1, out_to_m=6_000.0):
    """Every cell by itself, a tenth of a cell at a time, exact angles on the effective sphere, bilinear ground."""
    from pyproj import Geod

    latitude, longitude = lattice.place(row, column)
    own = grid.values[row, column].astype(float)
    azimuth, elevation, _ = look_angles(latitude, longitude, own, satellite_longitude_deg=satellite)
    seen = np.deg2rad(elevation + refraction_deg(elevation, own))
    radius = 4.0 / 3.0 * local_earth_radius_m(latitude, azimuth)
    geod, far = Geod(ellps="WGS84"), np.full(own.shape, out_to_m)
    middle, end = (lattice.cell(*(np.asarray(p) for p in geod.fwd(longitude, latitude, azimuth, d)[1::-1]))
                   for d in (far / 2, far))  # fmt: skip
    needed = np.zeros(own.shape)
    z, shape = grid.values, grid.values.shape
    for s in np.arange(step * CELL_M, out_to_m, step * CELL_M):
        t = s / out_to_m  # quadratic through start, middle and end: exact to centimetres over 6 km
        r, c = (a * (1 - t) * (1 - 2 * t) + 4 * b * t * (1 - t) + e * t * (2 * t - 1)
                for a, b, e in zip((row, column), middle, end, strict=True))  # fmt: skip
        r, c = np.clip(r, 0, shape[0] - 1.001), np.clip(c, 0, shape[1] - 1.001)
        i, j = r.astype(int), c.astype(int)
        v, u = r - i, c - j
        height = (z[i, j] * (1 - u) + z[i, j + 1] * u) * (1 - v) + (
            z[i + 1, j] * (1 - u) + z[i + 1, j + 1] * u
        ) * v
        theta = s / radius
        np.maximum(needed, (radius + height) * np.cos(seen + theta) / np.cos(seen) - radius - own, out=needed)
    return needed


def accuracy(count=20_000, picture="docs/heights_error.png"):
    ground = rough()
    shown = []
    for satellite, north_m in ((-20.0, NORTH_M[20]), (5.5, NORTH_M[20] - 250_000.0), (-20.0, NORTH_M[35])):
        grid = grid_at(ground, north_m)
        lattice = Lattice(ground.shape, grid.transform, grid.crs)
        relief = Relief(64, *block_relief(ground, 64))
        rng = np.random.default_rng(3)
        row, column = rng.integers(100, 1900, count), rng.integers(100, 1900, count)
        wanted = marched(grid, lattice, row, column, satellite)
        azimuth, elevation, _ = look_angles(
            *lattice.place(1000, 1000), 500.0, satellite_longitude_deg=satellite
        )
        for rays in (1, 2, 3, 4):
            swept = tile_heights_m(
                reader(ground), lattice, Tile(0, 2000, 0, 2000), relief=relief,
                satellite_longitude_deg=satellite, highest_ground_m=float(ground.max()), rays_per_cell=rays,
            )  # fmt: skip
            error = swept[row, column] - wanted
            wrong = np.mean((swept[row, column] > 2.0) != (wanted > 2.0))
            print(f"azimuth {float(azimuth):.0f}, elevation {float(elevation):.1f}, {rays} rays a cell: "
                  f"{100 * np.mean(wanted > 0):.1f} % need height; rms {np.sqrt(np.mean(error**2)):.3f} m, "
                  f"bias {error.mean():+.4f} m, p99.9 {np.percentile(np.abs(error), 99.9):.2f} m, "
                  f"largest {np.abs(error).max():.2f} m, wrong side of 2 m {100 * wrong:.3f} %")  # fmt: skip
            if rays == 3:
                shown.append(
                    (f"azimuth {float(azimuth):.0f}, elevation {float(elevation):.0f}", wanted, error)
                )
    if RELIEF == 1.0:
        _draw(shown, picture)


def _draw(shown, picture):
    from skysill.plots.theme import new_figure, save

    figure = new_figure(7.5, 3.6)
    for at, (title, wanted, error) in enumerate(shown):
        ax = figure.add_axes((0.08 + 0.31 * at, 0.17, 0.25, 0.68))
        some = wanted > 0
        ax.scatter(wanted[some], error[some], s=2, alpha=0.4, linewidths=0, color="#0072B2", rasterized=True)
        ax.axhline(0.0, color="black", linewidth=0.6)
        ax.set(title=title, xlabel="height needed, m", ylim=(-5, 5), xscale="symlog", xlim=(0.1, 500))
        if not at:
            ax.set_ylabel("swept less marched, m")
    save(picture, figure, title="Error of swept least heights")


def invented_village(side=1024, seed=1):
    """A surface of 1 m cells: houses on a ninth of it, trees on a fifth, sloping ground."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[0:side, 0:side]
    ground = 40.0 + 0.02 * row + 3.0 * np.sin(column / 30.0)
    for _ in range(side * side // 1100):
        top, left = rng.integers(0, side - 16, 2)
        deep, wide = rng.integers(6, 14, 2)
        ground[top : top + deep, left : left + wide] += rng.uniform(4.0, 8.0)
    tree = np.clip(1.2 - np.hypot(*np.mgrid[-2:3, -2:3]) / 2.5, 0.0, 1.0)
    for _ in range(side * side // 200):
        top, left = rng.integers(0, side - 5, 2)
        ground[top : top + 5, left : left + 5] += rng.uniform(2.0, 12.0) * tree
    return ground.astype(np.float32)


def surface():
    """Least heights over a village's surface, beside plain heights over it and the assessment of single cells."""
    from skysill.bulk.surface_tiles import SurfaceQuery, surface_levels_m

    ground = invented_village()
    lattice = Lattice(ground.shape, (1.0, 0.0, 440_000.0, 0.0, -1.0, NORTH_M[20]), "EPSG:32627")
    grid = Grid(ground, lattice.transform, lattice.crs)
    own = room.Ground.of(grid, name="village", kind="surface", cell_size_m=1.0, vertical_error_m=0.2)
    relief, tile = Relief(64, *block_relief(ground, 64)), Tile(200, 712, 200, 712)
    highest_m = float(ground.max())

    def read(window):
        around = np.pad(ground, 200, constant_values=np.nan)
        return around[window.top + 200 : window.bottom + 200, window.left + 200 : window.right + 200]

    query = room.ScreeningQuery(Satellite("S", -20.0), Terminal(), Criteria(), highest_m)
    plain_s, _ = seconds(lambda: tile_heights_m(
        read, lattice, tile, relief=relief, satellite_longitude_deg=-20.0, highest_ground_m=highest_m))  # fmt: skip
    surface_s, _ = seconds(
        lambda: surface_levels_m(read, lattice, tile, relief=relief, asked=SurfaceQuery(query))
    )
    rng = np.random.default_rng(2)
    latitude, longitude = lattice.place(*rng.uniform(220.0, 700.0, (2, 40)))
    each_s, _ = seconds(lambda: room.screen_one_by_one((own.source,), latitude, longitude, 2.0, query))
    cells = tile.shape[0] * tile.shape[1]
    print(f"heights over a village, 1 m cells: {cells / surface_s:,.0f} cells a second with the required room, "
          f"{cells / plain_s:,.0f} by line of sight (ratio {surface_s / plain_s:.0f}), {40 / each_s:,.0f} assessed one "
          f"by one at one height (ratio {cells / surface_s / (40 / each_s):,.0f})")  # fmt: skip


def files(count=1_000_000):
    from skysill.io.least_height_rasters import HeightsRequest, write_heights
    from skysill.io.rasters import RasterSpec, open_rasters

    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder)
        ground = rough()
        grid = grid_at(ground, NORTH_M[35])
        write_geotiff(where / "rough.tif", ground, like=grid)
        latitude, longitude = addresses(grid, count)
        write_list(where / "list.csv", latitude, longitude)
        start = time.perf_counter()
        timed(["screen", str(where / "list.csv"), *over(where / "rough.tif", ground), "--out", str(where / "out.csv"),
               "--jobs", os.environ.get("JOBS", "1")])  # fmt: skip
        print(f"screen, {count:,} addresses, whole process: {time.perf_counter() - start:.1f} s wall")
        (raster,) = open_rasters([RasterSpec(where / "rough.tif")])
        asked = HeightsRequest(raster, (Satellite("S", -20.0),), float(ground.max()))
        start, used = time.perf_counter(), time.process_time()
        write_heights(asked, where / "heights.tif")
        print(f"heights, {ground.size / 1e6:.0f} million cells, file to file: {time.perf_counter() - start:.2f} s wall, "  # noqa: E501  # one printed line
              f"{time.process_time() - used:.2f} s of processor")  # fmt: skip


def large(side=10, count=1_000_000):
    """A raster of 40,000 x 40,000 cells: the invented ground laid side by side, ten by ten, as a VRT."""
    with tempfile.TemporaryDirectory() as folder:
        where, ground = Path(folder), rough()
        grid = grid_at(ground, 7_200_000.0)
        write_geotiff(where / "rough.tif", ground, like=grid)
        tile = ('<SimpleSource><SourceFilename relativeToVRT="1">rough.tif</SourceFilename><SourceBand>1</SourceBand>'
                '<SrcRect xOff="0" yOff="0" xSize="{0}" ySize="{0}"/>'
                '<DstRect xOff="{1}" yOff="{2}" xSize="{0}" ySize="{0}"/></SimpleSource>')  # fmt: skip
        tiles = "".join(tile.format(SIDE, SIDE * i, SIDE * j) for j in range(side) for i in range(side))
        (where / "big.vrt").write_text(
            f'<VRTDataset rasterXSize="{SIDE * side}" rasterYSize="{SIDE * side}"><SRS>{grid.crs}</SRS>'
            f"<GeoTransform>100000, {CELL_M}, 0, 7200000, 0, -{CELL_M}</GeoTransform>"
            f'<VRTRasterBand dataType="Float32" band="1"><NoDataValue>nan</NoDataValue>{tiles}</VRTRasterBand>'
            "</VRTDataset>",
            encoding="ascii")  # fmt: skip
        rng = np.random.default_rng(3)
        x, y = rng.uniform(0.05, 0.95, (2, count)) * CELL_M * SIDE * side
        turn = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
        longitude, latitude = turn.transform(100_000.0 + x, 7_200_000.0 - y)
        write_list(where / "list.csv", latitude, longitude)
        shared = over(where / "big.vrt", ground)
        timed(["screen", str(where / "list.csv"), *shared, "--out", str(where / "out.csv")])
        timed(["heights", *shared, "--jobs", "1", "--out", str(where / "heights.tif")])


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["kernels", "accuracy", "files"]
    for name in wanted:
        {
            "kernels": kernels,
            "bare": bare,
            "agreement": agreement,
            "certainty": certainty,
            "accuracy": accuracy,
            "surface": surface,
            "files": files,
            "large": large,
        }[name]()
