"""Rasters of least antenna heights: elevations in, GeoTIFF out, tile by tile, so that any size fits in memory."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.features import geometry_mask
from rasterio.windows import Window

from skysill.bulk.least_heights import relevant_window, tile_heights_m
from skysill.bulk.raster_tiles import Relief, Tile, block_relief
from skysill.bulk.running_maximum import RAYS_PER_CELL, GridValues
from skysill.bulk.worker_pool import Work, run_tasks
from skysill.errors import InputError
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.checkpoints import Checkpoints, file_states
from skysill.io.geojson import geometry_parts
from skysill.io.obstacle_files import read_features
from skysill.io.output_checks import check_outputs
from skysill.io.output_files import check_writable
from skysill.io.raster_windows import Raster
from skysill.io.sources import refuse_higher
from skysill.io.surface_heights import GroundReader, SurfaceHeights, SurfaceTiles, lattice_of
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Satellite

__all__ = ["HeightsRequest", "HeightsSummary", "default_tags", "outline_of", "raster_window", "write_heights"]

_TILE_CELLS = 2048
_STRIP_CELLS = 16_000_000
_SURFACE_TILE_CELLS = 512
_MOST_BLOCKS = 200_000
_CACHE_MB = 200


@dataclass(frozen=True, slots=True, eq=False)
class HeightsRequest:
    """What a raster of least heights is made from.

    raster : one elevation raster (or tiles on one lattice)
    satellites : one band each
    highest_ground_m : nothing around is higher
    refraction_factor : effective Earth radius over the true one
    rays_per_cell : more is finer and slower
    window : the part of the raster wanted, None for all of it
    outline : GeoJSON geometry in the raster's CRS; cells outside are nodata. None for none
    surface : the raster shows trees and houses, and the dish stands on them; None: on bare ground, line of sight only
    """

    raster: Raster
    satellites: tuple[Satellite, ...]
    highest_ground_m: float
    refraction_factor: float = 4.0 / 3.0
    rays_per_cell: int = RAYS_PER_CELL
    window: Tile | None = None
    outline: Mapping[str, Any] | None = None
    surface: SurfaceHeights | None = None


@dataclass(frozen=True, slots=True)
class HeightsSummary:
    """What was written: cells by kind, one entry a satellite.

    path : of the raster; rows, columns : its size
    satellites : their names, in the order of the bands
    seen : cells from whose ground the satellite is seen; raised : cells with an antenna height; unknown : nodata
    notes : in whole sentences
    """

    path: str
    satellites: tuple[str, ...]
    rows: int
    columns: int
    seen: tuple[int, ...]
    raised: tuple[int, ...]
    unknown: tuple[int, ...]
    notes: tuple[str, ...] = ()


def raster_window(raster: Raster, bounds: Sequence[float]) -> Tile:
    """The cells of a raster whose centres lie within bounds.

    Parameters
    ----------
    raster : opened by `open_rasters`
    bounds : west, south, east, north in the raster's own CRS

    Returns
    -------
    Tile, for `HeightsRequest.window`

    Raises
    ------
    InputError : no cell lies within the bounds

    >>> from skysill import RasterSpec, open_rasters, raster_window
    >>> [raster] = open_rasters([RasterSpec("demo_terrain/island.tif")])
    >>> raster_window(raster, [283000.0, 6435000.0, 284500.0, 6436500.0]).shape
    (51, 50)
    """
    a, b, c, d, e, f = raster.transform
    west, south, east, north = bounds
    area = a * e - b * d
    x, y = np.array([west, west, east, east]) - c, np.array([south, north, south, north]) - f
    columns, rows = (e * x - b * y) / area, (a * y - d * x) / area
    window = Tile(
        int(np.ceil(rows.min())),
        int(np.floor(rows.max())) + 1,
        int(np.ceil(columns.min())),
        int(np.floor(columns.max())) + 1,
    ).within(Tile(0, raster.rows, 0, raster.cols))
    if window.top >= window.bottom or window.left >= window.right:
        raise InputError("the window holds no cell of the raster.", where=raster.name,
                         mend="Give west,south,east,north in the raster's own coordinates.")  # fmt: skip
    return window


def write_heights(
    request: HeightsRequest,
    out: str | os.PathLike[str],
    *,
    resume: bool = False,
    jobs: int = 1,
    cluster: str | None = None,
    tags: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] = lambda done, cells: None,
) -> HeightsSummary:
    """Write the raster of least heights, tile by tile; the file is put in place when it is whole.

    Parameters
    ----------
    request : raster, satellites, window
    out : path of the GeoTIFF, one band a satellite; float32 metres, nodata where unknown, 0 where the satellite is seen
        from the ground itself
    resume : continue an interrupted run
    jobs : processes of this machine; cluster : address of a Dask scheduler
    tags : tags of the file in place of `default_tags`
    progress : called after each tile with the number of cells done and of all cells

    Returns
    -------
    HeightsSummary

    Raises
    ------
    InputError : the output cannot be written, or an input has changed during the run

    >>> import tempfile
    >>> from pathlib import Path
    >>> import skysill
    >>> [raster] = skysill.open_rasters([skysill.RasterSpec("demo_terrain/island.tif")])
    >>> window = skysill.raster_window(raster, [283000.0, 6435000.0, 284500.0, 6436500.0])
    >>> request = skysill.HeightsRequest(raster, skysill.read_satellites("24W"), highest_ground_m=720.0, window=window)
    >>> made = skysill.write_heights(request, Path(tempfile.mkdtemp()) / "heights.tif")
    >>> (made.rows, made.columns) == window.shape, made.satellites
    (True, ('24W',))
    """
    target = check_writable(out)
    if request.surface is not None:
        request.surface.check(request.raster)
    check_outputs({"output": out}, _files(request))
    if request.highest_ground_m < HIGHEST_GROUND_ON_EARTH_M:
        some = _relevant_ground(request, HIGHEST_GROUND_ON_EARTH_M)
        found_m = request.raster.highest_of_m(some.top, some.bottom, some.left, some.right)
        refuse_higher(request.raster.name, found_m, request.highest_ground_m, "--highest-ground")
    for satellite in request.satellites:
        if satellite.longitude_deg is None:
            raise InputError(
                "moves; a raster of heights is for a geostationary satellite.", where=satellite.name
            )
    tags = default_tags(request) if tags is None else tags
    manifest = _manifest(request, tags)
    checkpoints = Checkpoints(target, manifest)
    try:
        notes = [note for note in (checkpoints.begin(resume=resume), *request.raster.notes) if note]
        with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB):
            relief = _relief(request, checkpoints)
        tiles = _tiles(request)
        missing = checkpoints.missing(len(tiles))
        cells = [t.shape[0] * t.shape[1] * len(request.satellites) for t in tiles]
        done = sum(cells) - sum(cells[number] for number in missing)
        progress(done, sum(cells))
        make_work = partial(_TileWork, request, relief)
        tasks = [tiles[number] for number in missing]
        for number, result in run_tasks(make_work, tasks, jobs=jobs, cluster=cluster):
            checkpoints.check_inputs()
            checkpoints.put(missing[number], result)
            done += cells[missing[number]]
            progress(done, sum(cells))
        made = _assemble(request, checkpoints, tiles, tags, out, notes)
        checkpoints.place({Path(out): checkpoints.folder / "whole.tif"})
        return made
    finally:
        checkpoints.close()


def default_tags(request: HeightsRequest) -> dict[str, str]:
    """Tags that say what a raster of heights was made from, and by which version."""
    from skysill import __version__

    return {
        "software": f"skysill {__version__}",
        "meaning": "least height of the dish centre above the raster at which the centre ray to the satellite is free",
        "satellites": "; ".join(f"{s.name}={s.longitude_deg:g}" for s in request.satellites),
        "terrain": f"{request.raster.name} ({request.raster.kind})",
        "refraction_factor": f"{request.refraction_factor:.6g}",
        "highest_ground_m": f"{request.highest_ground_m:g}",
        "rays_per_cell": str(request.rays_per_cell),
        "nodata_means": "unknown: void, or ground that is not in the raster could still reach the ray",
        **({} if request.surface is None else request.surface.tags()),
    }


def _manifest(request: HeightsRequest, tags: Mapping[str, str]) -> dict[str, Any]:
    files: dict[str, Any] = {}
    for path in _files(request):
        files.update(file_states(path))
    window = request.window
    return {
        "files": files,
        "web": request.raster.web_versions(),
        "satellites": [[s.name, s.longitude_deg] for s in request.satellites],
        "highest ground": request.highest_ground_m,
        "refraction factor": request.refraction_factor,
        "rays": request.rays_per_cell,
        "window": None if window is None else [window.top, window.bottom, window.left, window.right],
        "outline": None if request.outline is None else repr(sorted(request.outline.items())),
        "tags": dict(tags),
        **({} if request.surface is None else {"surface": request.surface.manifest()}),
    }


def _files(request: HeightsRequest) -> list[str]:
    """All files that heights are made from."""
    further = () if request.surface is None else request.surface.rasters
    return [path for raster in (request.raster, *further) for path in raster.files]


def _relief(request: HeightsRequest, checkpoints: Checkpoints) -> Relief:
    """Extremes over blocks of all relevant ground, from one reading of it; stored with the checkpoints.

    Other blocks count as high as any ground and as holding voids, which is safe and only takes longer.
    """
    raster, read = request.raster, GroundReader(request.raster)
    block = 64
    while -(-raster.rows // block) * -(-raster.cols // block) > _MOST_BLOCKS:
        block *= 2
    shape = (-(-raster.rows // block), -(-raster.cols // block))
    kept = checkpoints.get(999_999)
    if kept is None:
        lowest, highest, void = (
            np.full(shape, LOWEST_GROUND_M), np.full(shape, request.highest_ground_m), np.ones(shape, dtype=bool)
        )  # fmt: skip
        some = _relevant_ground(request, request.highest_ground_m)
        left, right = some.left // block * block, min(-(-some.right // block) * block, raster.cols)
        strip = max(1, _STRIP_CELLS // max(right - left, 1) // block) * block
        for top in range(some.top // block * block, some.bottom, strip):
            bottom = min(top + strip, -(-some.bottom // block) * block, raster.rows)
            found = block_relief(read(Tile(top, bottom, left, right)), block)
            here = np.s_[top // block : -(-bottom // block), left // block : -(-right // block)]
            lowest[here], highest[here], void[here] = found
        checkpoints.put(999_999, b"".join(a.astype(np.float64).tobytes() for a in (lowest, highest, void)))
    else:
        lowest, highest, void = np.frombuffer(kept, dtype=np.float64).reshape(3, *shape)
    return Relief(block, lowest, highest, np.asarray(void, dtype=np.bool_))


def _relevant_ground(request: HeightsRequest, highest_ground_m: float) -> Tile:
    """The part of the raster on which the heights of the window depend."""
    whole = Tile(0, request.raster.rows, 0, request.raster.cols)
    if request.window is None:
        return whole
    windows = [
        relevant_window(
            lattice_of(request.raster), request.window, satellite_longitude_deg=satellite.longitude_deg,
            refraction_factor=request.refraction_factor, highest_ground_m=highest_ground_m,
        )
        for satellite in request.satellites
        if satellite.longitude_deg is not None
    ]  # fmt: skip
    return Tile(
        min((p.top for p in windows), default=0), max((p.bottom for p in windows), default=whole.bottom),
        min((p.left for p in windows), default=0), max((p.right for p in windows), default=whole.right),
    )  # fmt: skip


def _tiles(request: HeightsRequest) -> list[Tile]:
    whole = request.window or Tile(0, request.raster.rows, 0, request.raster.cols)
    side = _TILE_CELLS if request.surface is None else _SURFACE_TILE_CELLS
    return [
        Tile(top, min(top + side, whole.bottom), left, min(left + side, whole.right))
        for top in range(whole.top, whole.bottom, side)
        for left in range(whole.left, whole.right, side)
    ]


class _TileWork(Work[Tile]):
    """Least heights of tiles, all satellites; the raster is read once if it is small."""

    def __init__(self, request: HeightsRequest, relief: Relief) -> None:
        self.request, self.relief = request, relief
        self.read = GroundReader(request.raster)
        self.surface: SurfaceTiles | None = None
        if request.surface is not None:
            self.surface = SurfaceTiles(request.raster, request.surface, relief, request.highest_ground_m)

    def __call__(self, tile: Tile, /) -> bytes:
        """One tile: a mask of the cells that are not 0, and their values, for every satellite."""
        with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB):
            bands = [self._band(tile, satellite) for satellite in self.request.satellites]
        sizes = np.array([len(band) for band in bands], dtype=np.int64)
        return sizes.tobytes() + b"".join(bands)

    def _band(self, tile: Tile, satellite: Satellite) -> bytes:
        request = self.request
        assert satellite.longitude_deg is not None
        if self.surface is not None:
            heights_m = self.surface.heights_m(self.read, tile, satellite)
        else:
            heights_m = tile_heights_m(
                self.read,
                lattice_of(request.raster),
                tile,
                relief=self.relief,
                satellite_longitude_deg=satellite.longitude_deg,
                refraction_factor=request.refraction_factor,
                highest_ground_m=request.highest_ground_m,
                rays_per_cell=request.rays_per_cell,
            )
        if request.outline is not None:
            heights_m = heights_m.copy()
            heights_m[_outside(request, tile)] = np.nan
        some = heights_m != 0.0  # nan too
        return bytes(np.packbits(some).tobytes() + heights_m[some].tobytes())


def _outside(request: HeightsRequest, tile: Tile) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.asarray(geometry_mask([request.outline], tile.shape, _affine(request.raster, tile)))


def _affine(raster: Raster, window: Tile) -> rasterio.Affine:
    """From columns and rows of a window's cell corners to the raster's coordinates."""
    a, b, c, d, e, f = raster.transform
    column, row = window.left - 0.5, window.top - 0.5
    return rasterio.Affine(a, b, c + a * column + b * row, d, e, f + d * column + e * row)


def _bands(result: bytes, shape: tuple[int, int], count: int) -> Iterator[GridValues]:
    sizes = np.frombuffer(result, dtype=np.int64, count=count)
    start = sizes.nbytes
    mask_bytes = -(-shape[0] * shape[1] // 8)
    for size in sizes:
        part = memoryview(result)[start : start + int(size)]
        some = np.unpackbits(np.frombuffer(part[:mask_bytes], dtype=np.uint8), count=shape[0] * shape[1])
        heights_m = np.zeros(shape, dtype=np.float32)
        heights_m[some.reshape(shape).view(np.bool_)] = np.frombuffer(part[mask_bytes:], dtype=np.float32)
        start += int(size)
        yield heights_m


def _assemble(
    request: HeightsRequest, checkpoints: Checkpoints, tiles: Sequence[Tile], tags: Mapping[str, str],
    out: str | os.PathLike[str], notes: Sequence[str],
) -> HeightsSummary:  # fmt: skip
    """Write the GeoTIFF with its overviews from the results of all tiles."""
    whole = request.window or Tile(0, request.raster.rows, 0, request.raster.cols)
    count = len(request.satellites)
    path = checkpoints.folder / "whole.tif"
    options = {
        "driver": "GTiff", "height": whole.shape[0], "width": whole.shape[1], "count": count, "dtype": "float32",
        "crs": request.raster.crs,
        "transform": _affine(request.raster, whole),
        "nodata": float("nan"), "tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "zlevel": 1,
        "predictor": 3, "interleave": "band", "BIGTIFF": "IF_SAFER",
    }  # fmt: skip
    tally = np.zeros((3, count), dtype=np.int64)
    try:
        with rasterio.Env(GDAL_NUM_THREADS="2", GDAL_TIFF_OVR_BLOCKSIZE="512", GDAL_CACHEMAX=_CACHE_MB):
            with rasterio.open(path, "w", **options) as target:
                for tile, result in zip(tiles, checkpoints.results(len(tiles)), strict=True):
                    place = Window(tile.left - whole.left, tile.top - whole.top, tile.shape[1], tile.shape[0])
                    for band, heights_m in enumerate(_bands(result, tile.shape, count)):
                        target.write(heights_m, band + 1, window=place)
                        unknown = int(np.isnan(heights_m).sum())
                        seen = int((heights_m == 0.0).sum())
                        tally[:, band] += seen, heights_m.size - seen - unknown, unknown
                target.update_tags(**dict(tags))
                for band, satellite in enumerate(request.satellites):
                    target.set_band_description(
                        band + 1, f"least antenna height above {_above(request)}, {satellite.name}"
                    )
                    target.set_band_unit(band + 1, "m")
                    target.update_tags(
                        band + 1, satellite=satellite.name, longitude_deg=str(satellite.longitude_deg)
                    )
            factors = [2**n for n in range(1, 12) if max(whole.shape) / 2**n >= 256]
            if factors:
                with rasterio.open(path, "r+") as target:
                    target.build_overviews(factors, Resampling.nearest)
    except (RasterioError, OSError) as fault:
        raise InputError("the file could not be written.", where=os.fspath(out),
                         mend="Make room there, then go on with --resume.") from fault  # fmt: skip
    seen_, raised, unknown_ = (tuple(int(n) for n in row) for row in tally)
    names = tuple(s.name for s in request.satellites)
    return HeightsSummary(os.fspath(out), names, *whole.shape, seen_, raised, unknown_, tuple(notes))


def _above(request: HeightsRequest) -> str:
    return "ground" if request.surface is None or request.surface.bare is not None else "the surface"


def outline_of(path: str | os.PathLike[str], raster: Raster) -> dict[str, Any]:
    """The polygons of a vector file, joined, as one GeoJSON geometry in the raster's CRS.

    Parameters
    ----------
    path : GeoJSON, GeoPackage or another vector file that GDAL reads
    raster : gives the CRS

    Returns
    -------
    geometry as a dictionary, for `HeightsRequest.outline`

    Raises
    ------
    InputError : not a vector file, no polygons in it

    >>> from skysill import RasterSpec, open_rasters, outline_of
    >>> [raster] = open_rasters([RasterSpec("demo_terrain/island.tif")])
    >>> outline_of("demo_terrain/clinic_obstacles.geojson", raster)["type"]
    'MultiPolygon'
    """
    import shapely
    import shapely.geometry
    from pyproj import CRS, Transformer

    areas = []
    for given in read_features(Path(path)):
        for shape, ring, holes in geometry_parts(given.geometry, given.where):
            area = shapely.Polygon(ring, holes) if shape == "area" else shapely.Polygon()
            if not area.is_valid:
                raise InputError("has an outline that crosses itself.", where=given.where)
            areas.append(area)
    if not any(area.area > 0.0 for area in areas):
        raise InputError("holds no polygon.", where=os.fspath(path), mend="Give the area as a polygon.")
    plane = CRS.from_user_input(raster.crs)
    plane = (plane.sub_crs_list[0] if plane.is_compound else plane).to_2d()
    turn = Transformer.from_crs("EPSG:4326", plane, always_xy=True)
    joined = shapely.force_2d(shapely.union_all(areas))
    moved = shapely.transform(joined, lambda xy: np.column_stack(turn.transform(xy[:, 0], xy[:, 1])))
    return dict(shapely.geometry.mapping(moved))
