"""Rasters of least antenna heights: elevations in and GeoTIFF out, by tiles, so that any size fits in memory."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.features import geometry_mask
from rasterio.windows import Window

from skysill.bulk.least_heights import Lattice, Relief, Tile, block_relief, relevant_window, tile_heights_m
from skysill.bulk.running_maximum import RAYS_PER_CELL, GridValues
from skysill.bulk.worker_pool import run_tasks
from skysill.errors import InputError
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.checkpoints import Parts, looks_of
from skysill.io.geojson import geometry_parts
from skysill.io.obstacle_files import read_features
from skysill.io.output_checks import check_outputs
from skysill.io.output_files import check_writable
from skysill.io.rasters import Raster
from skysill.io.sources import refuse_higher
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Satellite

__all__ = ["HeightsRequest", "HeightsSummary", "outline_of", "raster_window", "write_heights"]

_TILE_CELLS = 2048
_STRIP_CELLS = 16_000_000
_HELD_CELLS = 40_000_000
_MOST_BLOCKS = 200_000
_CACHE_MB = 200


@dataclass(frozen=True, slots=True, eq=False)
class HeightsRequest:
    """What a raster of heights is made from.

    raster : one elevation raster (or tiles on one lattice)
    satellites : one band each
    window : the part of the raster wanted, None for all of it
    outline : GeoJSON geometry in the raster's CRS; cells outside are nodata. None for none
    """

    raster: Raster
    satellites: tuple[Satellite, ...]
    highest_ground_m: float
    refraction_factor: float = 4.0 / 3.0
    rays_per_cell: int = RAYS_PER_CELL
    window: Tile | None = None
    outline: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class HeightsSummary:
    """What was written: cells by kind, one entry a satellite.

    seen : the ground itself sees the satellite; raised : an antenna height is given; unknown : nodata
    """

    path: str
    satellites: tuple[str, ...]
    rows: int
    columns: int
    seen: tuple[int, ...]
    raised: tuple[int, ...]
    unknown: tuple[int, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    asked: HeightsRequest
    relief: Relief
    tile: Tile


def raster_window(raster: Raster, bounds: Sequence[float]) -> Tile:
    """The cells of a raster whose centres lie within west, south, east, north of its own CRS."""
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
    asked: HeightsRequest,
    out: str | os.PathLike[str],
    *,
    resume: bool = False,
    jobs: int = 1,
    cluster: str | None = None,
    tags: Mapping[str, str] | None = None,
    progress: Callable[[int, int], None] = lambda done, cells: None,
) -> HeightsSummary:
    """Make the raster of least heights, tile by tile, and put it in place when it is whole.

    Parameters
    ----------
    progress : called after each part with cells done and cells in all

    Raises
    ------
    InputError : nothing can be written there; an input has changed on the way
    """
    target = check_writable(out)
    check_outputs({"output": out}, _files(asked.raster))
    if asked.highest_ground_m < HIGHEST_GROUND_ON_EARTH_M:
        some = _ground_that_counts(asked, HIGHEST_GROUND_ON_EARTH_M)
        found_m = asked.raster.highest_of_m(some.top, some.bottom, some.left, some.right)
        refuse_higher(asked.raster.name, found_m, asked.highest_ground_m, "--highest-ground")
    recipe = _recipe(asked, tags)
    parts = Parts(target, recipe)
    try:
        notes = [note for note in (parts.begin(resume=resume), *asked.raster.notes) if note]
        with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB):
            relief = _relief(asked, parts)
        tiles = _tiles(asked)
        missing = parts.missing(len(tiles))
        cells = [t.shape[0] * t.shape[1] * len(asked.satellites) for t in tiles]
        done = sum(cells) - sum(cells[number] for number in missing)
        progress(done, sum(cells))
        tasks = [_Task(asked, relief, tiles[number]) for number in missing]
        for number, answer in run_tasks(_work, tasks, jobs=jobs, cluster=cluster):
            parts.unchanged()
            parts.put(missing[number], answer)
            done += cells[missing[number]]
            progress(done, sum(cells))
        made = _assemble(asked, parts, tiles, tags or {}, out, notes)
        parts.place({Path(out): parts.folder / "whole.tif"})
        return made
    finally:
        parts.close()


def _recipe(asked: HeightsRequest, tags: Mapping[str, str] | None) -> dict[str, Any]:
    files: dict[str, Any] = {}
    for path in _files(asked.raster):
        files.update(looks_of(path))
    window = asked.window
    return {
        "files": files,
        "web": asked.raster.web_versions(),
        "satellites": [[s.name, s.longitude_deg] for s in asked.satellites],
        "highest ground": asked.highest_ground_m,
        "refraction factor": asked.refraction_factor,
        "rays": asked.rays_per_cell,
        "window": None if window is None else [window.top, window.bottom, window.left, window.right],
        "outline": None if asked.outline is None else repr(sorted(asked.outline.items())),
        "tags": dict(tags or {}),
    }


def _files(raster: Raster) -> list[str]:
    """All files that a raster is read from."""
    return raster.files


def _lattice(raster: Raster) -> Lattice:
    return Lattice((raster.rows, raster.cols), raster.transform, raster.crs)


def _read(raster: Raster, window: Tile) -> GridValues:
    """Ground of a window that may reach past the raster; nan there."""
    inside = window.within(Tile(0, raster.rows, 0, raster.cols))
    if raster.rows * raster.cols <= _HELD_CELLS:
        looks = tuple(str(looks_of(path)) for path in raster.files)
        values = inside.cut(_held(raster, looks), Tile(0, raster.rows, 0, raster.cols))
    else:
        values = raster.cells(inside.top, inside.bottom, inside.left, inside.right).values
    if inside == window:
        return values
    sheet = np.full(window.shape, np.nan, dtype=np.float32)
    inside.cut(sheet, window)[...] = values
    return sheet


@lru_cache(maxsize=1)
def _held(raster: Raster, looks: tuple[str, ...]) -> GridValues:
    """A small raster, read once; `looks` tells a changed file from the one read before."""
    return raster.cells(0, raster.rows, 0, raster.cols).values


def _relief(asked: HeightsRequest, parts: Parts) -> Relief:
    """Extremes by blocks of all ground that counts, from one reading of it; kept with the parts.

    Blocks elsewhere are said to be as high as any and to hold voids, which errs to the long way round.
    """
    raster = asked.raster
    block = 64
    while -(-raster.rows // block) * -(-raster.cols // block) > _MOST_BLOCKS:
        block *= 2
    shape = (-(-raster.rows // block), -(-raster.cols // block))
    kept = parts.get(999_999)
    if kept is None:
        lowest, highest, void = (
            np.full(shape, LOWEST_GROUND_M), np.full(shape, asked.highest_ground_m), np.ones(shape, dtype=bool)
        )  # fmt: skip
        some = _ground_that_counts(asked, asked.highest_ground_m)
        left, right = some.left // block * block, min(-(-some.right // block) * block, raster.cols)
        strip = max(1, _STRIP_CELLS // max(right - left, 1) // block) * block
        for top in range(some.top // block * block, some.bottom, strip):
            bottom = min(top + strip, -(-some.bottom // block) * block, raster.rows)
            found = block_relief(_read(raster, Tile(top, bottom, left, right)), block)
            here = np.s_[top // block : -(-bottom // block), left // block : -(-right // block)]
            lowest[here], highest[here], void[here] = found
        parts.put(999_999, b"".join(a.astype(np.float64).tobytes() for a in (lowest, highest, void)))
    else:
        lowest, highest, void = np.frombuffer(kept, dtype=np.float64).reshape(3, *shape)
    return Relief(block, lowest, highest, np.asarray(void, dtype=np.bool_))


def _ground_that_counts(asked: HeightsRequest, highest_ground_m: float) -> Tile:
    """The part of the raster that a window's answers can depend on."""
    whole = Tile(0, asked.raster.rows, 0, asked.raster.cols)
    if asked.window is None:
        return whole
    parts = [
        relevant_window(
            _lattice(asked.raster), asked.window, satellite_longitude_deg=satellite.longitude_deg,
            refraction_factor=asked.refraction_factor, highest_ground_m=highest_ground_m,
        )
        for satellite in asked.satellites
        if satellite.longitude_deg is not None
    ]  # fmt: skip
    return Tile(
        min((p.top for p in parts), default=0), max((p.bottom for p in parts), default=whole.bottom),
        min((p.left for p in parts), default=0), max((p.right for p in parts), default=whole.right),
    )  # fmt: skip


def _tiles(asked: HeightsRequest) -> list[Tile]:
    whole = asked.window or Tile(0, asked.raster.rows, 0, asked.raster.cols)
    return [
        Tile(top, min(top + _TILE_CELLS, whole.bottom), left, min(left + _TILE_CELLS, whole.right))
        for top in range(whole.top, whole.bottom, _TILE_CELLS)
        for left in range(whole.left, whole.right, _TILE_CELLS)
    ]


def _work(task: _Task) -> bytes:
    """One tile, all satellites: which cells are not 0, and their values."""
    with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB):
        return _tile_answer(task)


def _tile_answer(task: _Task) -> bytes:
    asked = task.asked
    answer = []
    for satellite in asked.satellites:
        if satellite.longitude_deg is None:
            raise InputError(
                "moves; a raster of heights is for a geostationary satellite.", where=satellite.name
            )
        heights_m = tile_heights_m(
            lambda window: _read(asked.raster, window),
            _lattice(asked.raster),
            task.tile,
            relief=task.relief,
            satellite_longitude_deg=satellite.longitude_deg,
            refraction_factor=asked.refraction_factor,
            highest_ground_m=asked.highest_ground_m,
            rays_per_cell=asked.rays_per_cell,
        )
        if asked.outline is not None:
            heights_m = heights_m.copy()
            heights_m[_outside(asked, task.tile)] = np.nan
        some = heights_m != 0.0  # nan too
        answer.append(np.packbits(some).tobytes() + heights_m[some].tobytes())
    sizes = np.array([len(part) for part in answer], dtype=np.int64)
    return sizes.tobytes() + b"".join(answer)


def _outside(asked: HeightsRequest, tile: Tile) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.asarray(geometry_mask([asked.outline], tile.shape, _affine(asked.raster, tile)))


def _affine(raster: Raster, window: Tile) -> rasterio.Affine:
    """From columns and rows of a window's cell corners to the raster's coordinates."""
    a, b, c, d, e, f = raster.transform
    column, row = window.left - 0.5, window.top - 0.5
    return rasterio.Affine(a, b, c + a * column + b * row, d, e, f + d * column + e * row)


def _bands(answer: bytes, shape: tuple[int, int], count: int) -> Iterator[GridValues]:
    sizes = np.frombuffer(answer, dtype=np.int64, count=count)
    start = sizes.nbytes
    mask_bytes = -(-shape[0] * shape[1] // 8)
    for size in sizes:
        part = memoryview(answer)[start : start + int(size)]
        some = np.unpackbits(np.frombuffer(part[:mask_bytes], dtype=np.uint8), count=shape[0] * shape[1])
        heights_m = np.zeros(shape, dtype=np.float32)
        heights_m[some.reshape(shape).view(np.bool_)] = np.frombuffer(part[mask_bytes:], dtype=np.float32)
        start += int(size)
        yield heights_m


def _assemble(
    asked: HeightsRequest, parts: Parts, tiles: Sequence[Tile], tags: Mapping[str, str], out: str | os.PathLike[str],
    notes: Sequence[str],
) -> HeightsSummary:  # fmt: skip
    whole = asked.window or Tile(0, asked.raster.rows, 0, asked.raster.cols)
    count = len(asked.satellites)
    path = parts.folder / "whole.tif"
    options = {
        "driver": "GTiff", "height": whole.shape[0], "width": whole.shape[1], "count": count, "dtype": "float32",
        "crs": asked.raster.crs,
        "transform": _affine(asked.raster, whole),
        "nodata": float("nan"), "tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "zlevel": 1,
        "predictor": 3, "interleave": "band", "BIGTIFF": "IF_SAFER",
    }  # fmt: skip
    tally = np.zeros((3, count), dtype=np.int64)
    try:
        with rasterio.Env(GDAL_NUM_THREADS="2", GDAL_TIFF_OVR_BLOCKSIZE="512", GDAL_CACHEMAX=_CACHE_MB):
            with rasterio.open(path, "w", **options) as target:
                for tile, answer in zip(tiles, parts.answers(len(tiles)), strict=True):
                    place = Window(tile.left - whole.left, tile.top - whole.top, tile.shape[1], tile.shape[0])
                    for band, heights_m in enumerate(_bands(answer, tile.shape, count)):
                        target.write(heights_m, band + 1, window=place)
                        unknown = int(np.isnan(heights_m).sum())
                        seen = int((heights_m == 0.0).sum())
                        tally[:, band] += seen, heights_m.size - seen - unknown, unknown
                target.update_tags(**dict(tags))
                for band, satellite in enumerate(asked.satellites):
                    target.set_band_description(
                        band + 1, f"least antenna height above ground, {satellite.name}"
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
    names = tuple(s.name for s in asked.satellites)
    return HeightsSummary(os.fspath(out), names, *whole.shape, seen_, raised, unknown_, tuple(notes))


def outline_of(path: str | os.PathLike[str], raster: Raster) -> dict[str, Any]:
    """The polygons of a vector file, joined, as one GeoJSON geometry in the raster's CRS.

    Raises
    ------
    InputError : not a vector file, no polygons in it
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
