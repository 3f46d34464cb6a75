"""Rasters opened by their own driver only, with GDAL's complaints taken for faults, and their gaps told from ground."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.abc import FileContainer
from rasterio.errors import RasterioError
from rasterio.windows import Window

from skysill.errors import InputError
from skysill.io.raster_checks import DRIVERS, TIFF_MARKS, Mosaic, check_raster_file
from skysill.io.text import printable

if TYPE_CHECKING:
    from skysill.io.elevation.remote_file import RemoteFile
    from skysill.io.elevation.remote_source import RemoteSource

__all__ = [
    "BREAKS_OFF",
    "Rectangle",
    "check_mosaic",
    "covered",
    "fetch_blocks",
    "has_gaps",
    "opened",
    "opened_remote",
    "painted",
    "unwritten_cells",
]

Rectangle = tuple[float, float, float, float]
"""Left, top, right, bottom: columns and rows."""

BREAKS_OFF = "the file breaks off or is damaged: its cells cannot be read."


class _Complaints(logging.Handler):
    """What GDAL warns of while a file is open, and errors that it signals and reads on after."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.levelno >= logging.WARNING or record.name == _ERRORS.name:
            self.said.append(record.getMessage())


_ERRORS = logging.getLogger("rasterio._err")
"""Where GDAL's errors go, at level INFO: a damaged tile of a GeoPackage is an error there, and zeros in the cells."""


@contextlib.contextmanager
def opened(path: str, driver: str, table: str = "") -> Iterator[Any]:
    """A raster opened by its own driver only; whatever GDAL complains of is a fault of the file.

    table : of a GeoPackage
    """
    options = {"TABLE": table, "IMMUTABLE": "YES"} if driver == "GPKG" else {}
    with _watched(path, lambda: rasterio.open(path, driver=driver, **options), threads=2) as source:
        yield source


@contextlib.contextmanager
def opened_remote(remote: RemoteSource) -> Iterator[tuple[Any, RemoteFile]]:
    """A GeoTIFF on the web, and the file object that its bytes come through.

    GDAL reads through an opener that knows this one file: whatever else it looks for (overviews, masks, metadata
    beside it) is not there. What goes wrong on the way is raised in place of what GDAL makes of it.
    """
    from skysill.io.elevation.remote_file import RemoteFile

    file = RemoteFile(remote)
    where = remote.address.shown
    try:
        if file.bytes_of(0, min(4, file.size)) not in TIFF_MARKS:
            raise InputError(
                "is no GeoTIFF, and nothing else is read over the web.",
                where=where,
                mend="Save it here and give its path, or give a cloud-optimised GeoTIFF.",
            )
        opener = _OneFile(file)
        with _watched(
            where, lambda: rasterio.open(_ONE_NAME, driver="GTiff", opener=opener), threads=1
        ) as source:
            yield source, file
    except (InputError, RasterioError, ValueError):
        if file.fault is not None:
            raise file.fault from None
        raise
    finally:
        file.end()
    if file.fault is not None:
        raise file.fault


_ONE_NAME = "raster.tif"


class _OneFile(FileContainer):  # type: ignore[misc]  # the library has no types
    """A folder with one file in it, as GDAL is shown it."""

    def __init__(self, file: RemoteFile) -> None:
        self._file = file

    def open(self, path: str, mode: str = "r", **_: Any) -> RemoteFile:
        if path != _ONE_NAME or mode not in ("r", "rb"):
            raise FileNotFoundError(path)
        self._file.seek(0)
        return self._file

    def isfile(self, path: str) -> bool:
        return path == _ONE_NAME

    def isdir(self, path: str) -> bool:
        return False

    def ls(self, path: str) -> list[str]:
        return []

    def mtime(self, path: str) -> int:
        return 0

    def size(self, path: str) -> int:
        return self._file.size if path == _ONE_NAME else 0

    def rm(self, path: str) -> None:
        raise PermissionError(path)


@contextlib.contextmanager
def _watched(where: str, open_it: Callable[[], Any], *, threads: int) -> Iterator[Any]:
    complaints, log = _Complaints(), logging.getLogger("rasterio")
    passed_on, level, errors_level = log.propagate, log.level, _ERRORS.level
    log.addHandler(complaints)
    log.propagate, log.level = False, logging.WARNING
    _ERRORS.setLevel(logging.INFO)
    try:
        with rasterio.Env(
            GDAL_NUM_THREADS=str(threads),
            GDAL_DISABLE_READDIR_ON_OPEN="TRUE",
            CPL_VSIL_CURL_ALLOWED_FILENAME="none",  # GDAL's own network access stays shut
        ):
            try:
                source = open_it()
            except (RasterioError, ValueError) as fault:
                raise InputError(
                    "this is not a raster that can be read (unknown format, damaged, or only half written).",
                    where=where, mend=f"Give one of: {', '.join(DRIVERS.values())}; and complete.",
                ) from fault  # fmt: skip
            with source:
                yield source
    finally:
        log.removeHandler(complaints)
        log.propagate, log.level = passed_on, level
        _ERRORS.setLevel(errors_level)
    if complaints.said:
        raise InputError(
            f"the file is damaged, or not what it says it is: {' '.join(printable(complaints.said[0]).split())[:200]}.",
            where=where,
            mend="Copy or download it again.",
        )


def fetch_blocks(source: Any, file: RemoteFile, place: Window) -> None:
    """Have the blocks of a GeoTIFF that lie under a window fetched together, before GDAL asks for them one by one."""
    spans = []
    for row, col, *_ in _blocks(source, place):
        at, size = (
            source.get_tag_item(f"BLOCK_{what}_{col}_{row}", "TIFF", bidx=1) for what in ("OFFSET", "SIZE")
        )
        if at is not None and size is not None:
            spans.append((int(at), int(at) + int(size)))
    file.prefetch(spans)


def _blocks(source: Any, place: Window) -> Iterator[tuple[int, int, int, int, int, int]]:
    """Block row and column, and first and last-plus-one row and column, of a TIFF's blocks under a window."""
    high, wide = source.block_shapes[0]
    top, left = int(place.row_off), int(place.col_off)
    for row in range(top // high, -(-(top + int(place.height)) // high)):
        for col in range(left // wide, -(-(left + int(place.width)) // wide)):
            yield row, col, row * high, (row + 1) * high, col * wide, (col + 1) * wide


def _is_written(source: Any, row: int, col: int) -> bool:
    return source.get_tag_item(f"BLOCK_OFFSET_{col}_{row}", "TIFF", bidx=1) is not None


def unwritten_cells(source: Any, place: Window) -> NDArray[np.bool_]:
    """Cells of a TIFF's window whose blocks were never written (GDAL gives 0 for them)."""
    top, left = int(place.row_off), int(place.col_off)
    found = np.zeros((int(place.height), int(place.width)), dtype=np.bool_)
    for row, col, first_row, last_row, first_col, last_col in _blocks(source, place):
        if not _is_written(source, row, col):
            found[max(first_row - top, 0) : last_row - top, max(first_col - left, 0) : last_col - left] = True
    return found


def painted(covered: Sequence[Rectangle], place: Window) -> NDArray[np.bool_]:
    """Cells of a mosaic's window that lie wholly in one of its files."""
    top, left = int(place.row_off), int(place.col_off)
    found = np.zeros((int(place.height), int(place.width)), dtype=np.bool_)
    for x, y, right, bottom in covered:
        first_row, first_col = (
            max(int(np.ceil(at - 0.01)) - begin, 0) for at, begin in ((y, top), (x, left))
        )
        last_row, last_col = (
            max(int(np.floor(at + 0.01)) - begin, 0) for at, begin in ((bottom, top), (right, left))
        )
        found[first_row:last_row, first_col:last_col] = True
    return found


def has_gaps(source: Any, driver: str) -> bool:
    """Whether blocks of a TIFF that declares no value for voids were never written."""
    if driver != "GTiff" or source.nodata is not None:
        return False
    whole = Window(0, 0, source.width, source.height)
    return not all(_is_written(source, row, col) for row, col, *_ in _blocks(source, whole))


def check_mosaic(mosaic: Mosaic, shown: str) -> None:
    """Voids of a mosaic's files must be voids of the mosaic."""
    mend = "Make it again with a value for voids (gdalbuildvrt -vrtnodata), or give the files in a folder."
    for one in mosaic.sources:
        checked = check_raster_file(one.path)
        with opened(checked.path, checked.driver) as source:
            voids = None if source.nodata is None else float(source.nodata)
            hidden = {flag.name for flag in source.mask_flag_enums[0]} & {"per_dataset", "alpha"}
            gaps = has_gaps(source, checked.driver)
        name = Path(one.path).name
        if checked.mosaic is not None:
            check_mosaic(checked.mosaic, one.path)
            gaps = gaps or (
                checked.mosaic.nodata is None and not _covers(checked.mosaic, source.width, source.height)
            )
        if gaps or (hidden and not mosaic.masked):
            raise InputError(f"{name} has gaps that the mosaic would fill with 0.", where=shown, mend=mend)
        passed = [value for value in (mosaic.nodata, one.nodata) if value is not None]
        if voids is not None and not any(np.isclose(voids, value, equal_nan=True) for value in passed):
            raise InputError(f"{name} has voids of {voids:g} that the mosaic would take for ground.", where=shown,
                             mend=mend)  # fmt: skip
        if one.nodata is not None and mosaic.nodata is None:
            raise InputError(
                f"leaves out cells of {name} and would fill them with 0.", where=shown, mend=mend
            )


def _covers(mosaic: Mosaic, cols: int, rows: int) -> bool:
    """Whether a mosaic's files leave no cell of it out; asked of the lines between which nothing changes."""
    rectangles = [one.rectangle or (0.0, 0.0, float(cols), float(rows)) for one in mosaic.sources]
    xs = np.unique([0.0, cols, *(x for r in rectangles for x in (r[0], r[2]) if 0.0 < x < cols)])
    ys = np.unique([0.0, rows, *(y for r in rectangles for y in (r[1], r[3]) if 0.0 < y < rows)])
    if xs.size * ys.size > 25_000_000:
        return False
    found = np.zeros((ys.size - 1, xs.size - 1), dtype=np.bool_)
    for x, y, right, bottom in rectangles:
        rows_of = slice(*np.searchsorted(ys, [y, bottom]))
        found[rows_of, slice(*np.searchsorted(xs, [x, right]))] = True
    return bool(found.all())


def covered(mosaic: Mosaic | None, cols: int, rows: int) -> tuple[Rectangle, ...] | None:
    """The cells that a mosaic's files fill; None where gaps are told from ground in another way, or there are none."""
    if mosaic is None or mosaic.nodata is not None or mosaic.masked or _covers(mosaic, cols, rows):
        return None
    return tuple(one.rectangle for one in mosaic.sources if one.rectangle is not None)
