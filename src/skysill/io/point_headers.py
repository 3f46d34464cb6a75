"""What a LAS or LAZ file says about itself before its points are read: count, extent, coordinate system, units.

The format is the ASPRS LAS specification 1.0 to 1.4 (R15), read by laspy; LAZ is decompressed by lazrs.
"""

from __future__ import annotations

import contextlib
import math
import os
import struct
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from skysill.errors import InputError
from skysill.io.elevation.vertical_datums import vertical_datum
from skysill.io.laz_chunks import chunks_fit
from skysill.io.text import check_file, quoted

__all__ = [
    "POINT_SUFFIXES",
    "VERTICAL_UNITS_M",
    "PointFile",
    "opened_points",
    "point_chunks",
    "read_point_header",
]

POINT_SUFFIXES = (".las", ".laz")

VERTICAL_UNITS_M = {"m": 1.0, "ft": 0.3048, "us-ft": 1200.0 / 3937.0}
"""Units of heights as somebody states them: the international and the US survey foot by definition."""

_MOST_BYTES = 200_000_000_000
_OLD_HEADER_BYTES, _HEADER_BYTES = 227, 375
_RECORD_BYTES, _EXTENDED_BYTES = 54, 60
_VERTICAL_CRS_KEY, _VERTICAL_UNIT_KEY = 4096, 4099
_GEO_KEY_UNITS_M = {9001: 1.0, 9002: 0.3048, 9003: 1200.0 / 3937.0}
"""EPSG codes of units in the GeoTIFF key VerticalUnitsGeoKey."""

_HIGHEST_M, _LOWEST_M = 9_500.0, -600.0
_FAULTS = (OSError, EOFError, ValueError, ArithmeticError, LookupError, TypeError, AttributeError, AssertionError,
           MemoryError, struct.error)  # fmt: skip
"""What laspy lets through from below for damaged files, besides its own errors."""

_CUT_SHORT = "is cut short or damaged"
_COPY_AGAIN = "Copy it again from where it came from."


@dataclass(frozen=True, slots=True)
class PointFile:
    """One file of points.

    count : points, as its header says
    crs : WKT of its plane; in degrees or in a length
    unit_m : metres in one unit of height
    datum : name of what heights count from, "" where it does not say
    box : least x and y, greatest x and y, in the units of `crs`
    notes : what was assumed
    """

    path: str
    count: int
    crs: str
    unit_m: float
    datum: str
    box: tuple[float, float, float, float]
    notes: tuple[str, ...] = ()


@contextlib.contextmanager
def opened_points(path: str | os.PathLike[str], *, all_fields: bool = False) -> Iterator[Any]:
    """A reader of laspy on a regular file.

    Raises
    ------
    InputError : no such file, another kind of file, damaged; laspy or lazrs is not installed
    """
    shown = os.fspath(path)
    place = check_file(shown, most_bytes=_MOST_BYTES)
    try:
        import laspy
        import lazrs  # noqa: F401  # laspy finds it by itself; only whether it is there is asked
    except ImportError:
        raise InputError(
            "Reading point clouds needs laspy and lazrs.",
            where=shown,
            mend='Install them with: pip install "skysill[scan]".',
        ) from None
    _check_layout(place, shown)
    kept = laspy.DecompressionSelection.all()
    if not all_fields:
        base = laspy.DecompressionSelection.XY_RETURNS_CHANNEL | laspy.DecompressionSelection.Z
        kept = base | laspy.DecompressionSelection.CLASSIFICATION | laspy.DecompressionSelection.FLAGS
    with _damage_named(shown):
        _check_chunks(place, shown)
        reader = laspy.open(place, decompression_selection=kept)
    with reader:
        yield reader


def point_chunks(reader: Any, size: int, shown: str) -> Iterator[Any]:
    """The points of a reader, `size` at a time. Raises InputError where they are damaged."""
    chunks = reader.chunk_iterator(size)
    while True:
        with _damage_named(shown):
            chunk = next(chunks, None)
        if chunk is None:
            return
        yield chunk


@contextlib.contextmanager
def _damage_named(shown: str) -> Iterator[None]:
    """What laspy and lazrs raise for damaged files becomes InputError."""
    import laspy
    import lazrs

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except InputError:
        raise
    except (laspy.errors.LaspyException, lazrs.LazrsError, *_FAULTS) as fault:
        raise InputError(f"{_CUT_SHORT} ({_reason(fault)}).", where=shown, mend=_COPY_AGAIN) from None
    except BaseException as fault:
        if (
            type(fault).__name__ != "PanicException"
        ):  # of lazrs, where its own checks fail; it has no importable name
            raise
        raise InputError(f"{_CUT_SHORT}.", where=shown, mend=_COPY_AGAIN) from None


def _reason(fault: BaseException) -> str:
    said = " ".join(str(fault).split())
    return quoted(said) if said else type(fault).__name__


def _check_layout(place: Path, shown: str) -> None:
    """Refuse a file whose parts do not fit into it, before laspy allocates or loops over what its header counts.

    Public header block and records of the LAS specification 1.4 R15, tables 3, 6 and 8.
    """
    try:
        size = place.stat().st_size
        with place.open("rb") as opened:
            head = opened.read(_HEADER_BYTES)
            if head[:4] != b"LASF":
                raise InputError(
                    "is no LAS or LAZ file.",
                    where=shown,
                    mend="Point clouds are read as .las or .laz (ASPRS LAS).",
                )
            fits = len(head) >= _OLD_HEADER_BYTES and _records_fit(head, size)
            fits = fits and (len(head) < _HEADER_BYTES or head[25] < 4 or _extended_fit(opened, head, size))
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=shown) from fault
    if not fits:
        raise InputError(
            f"{_CUT_SHORT}: its header counts more than the file holds.", where=shown, mend=_COPY_AGAIN
        )


def _check_chunks(place: Path, shown: str) -> None:
    """Refuse a compressed file (bits 6 and 7 of the point format) whose chunks do not fit into it."""
    with place.open("rb") as opened:
        head = opened.read(_HEADER_BYTES)
        if not head[104] & 0xC0:
            return
        (count,) = (
            struct.unpack_from("<Q", head, 247) if head[25] >= 4 else struct.unpack_from("<I", head, 107)
        )
        if not chunks_fit(opened, place.stat().st_size, count):
            raise InputError(f"{_CUT_SHORT}: its chunks do not fit into it.", where=shown, mend=_COPY_AGAIN)


def _records_fit(head: bytes, size: int) -> bool:
    header_bytes, first_point, records = struct.unpack_from("<HII", head, 94)
    return bool(
        header_bytes + records * _RECORD_BYTES <= first_point <= size and first_point >= _OLD_HEADER_BYTES
    )


def _extended_fit(opened: BinaryIO, head: bytes, size: int) -> bool:
    """Whether the records behind the points lie within the file, one after another."""
    at, records = struct.unpack_from("<QI", head, 235)
    if records * _EXTENDED_BYTES > size:
        return False
    for _ in range(records):
        if at + _EXTENDED_BYTES > size:
            return False
        opened.seek(at)
        (length,) = struct.unpack_from("<Q", opened.read(_EXTENDED_BYTES), 20)
        at += _EXTENDED_BYTES + length
    return bool(at <= size or records == 0)


def read_point_header(
    path: str | os.PathLike[str], *, crs: str | None = None, vertical_unit: str | None = None
) -> PointFile:
    """What one file says about itself.

    Parameters
    ----------
    crs : coordinate system of files that state none, as pyproj reads it ("EPSG:25829")
    vertical_unit : "m", "ft" or "us-ft", of files that do not state the unit of their heights

    Raises
    ------
    InputError : damaged, empty, without a coordinate system, heights in a unit that nobody states
    """
    shown = os.fspath(path)
    with opened_points(path) as reader:
        header = reader.header
        count = int(header.point_count)
        west, south, east, north = (float(v) for v in (*header.mins[:2], *header.maxs[:2]))
        box = (west, south, east, north)
        heights = (float(header.mins[2]), float(header.maxs[2]))
        scales = [float(v) for v in (*header.scales, *header.offsets)]
        _check_size(Path(path), header, count, shown)
        stated = _stated_crs(header, shown)
        keys = _geo_keys(header)
    if count == 0:
        raise InputError("has no points.", where=shown)
    if not all(map(math.isfinite, (*box, *heights, *scales))) or min(map(abs, scales[:3])) == 0.0:
        raise InputError("has a header whose extent or scale is no number.", where=shown, mend=_COPY_AGAIN)
    if box[0] > box[2] or box[1] > box[3] or heights[0] > heights[1]:
        raise InputError(
            "has a header whose least coordinates exceed its greatest.", where=shown, mend=_COPY_AGAIN
        )
    whole = stated if stated is not None else _given_crs(crs, box, shown)
    plane = whole.sub_crs_list[0] if whole.is_compound else whole
    unit_m, notes = _vertical_unit(whole, plane, keys, vertical_unit, shown)
    found = vertical_datum(whole.to_wkt(), shown)
    datum = found.name if found is not None else _vertical_name(keys)
    if plane.is_geographic:
        _check_degrees(box, shown)
        notes = (f"{Path(shown).name} has its points in degrees ({plane.name}).", *notes)
    if heights[1] * unit_m < _LOWEST_M or heights[0] * unit_m > _HIGHEST_M:
        raise InputError(
            f"has heights of {heights[0] * unit_m:,.0f} to {heights[1] * unit_m:,.0f} m, which are not on Earth.",
            where=shown,
            mend="Is the unit of its heights stated right?",
        )
    return PointFile(shown, count, plane.to_2d().to_wkt(), unit_m, datum, box, notes)


def _check_size(place: Path, header: Any, count: int, shown: str) -> None:
    """An uncompressed file must be as long as its header says."""
    if header.are_points_compressed:
        return
    wanted = int(header.offset_to_point_data) + count * int(header.point_format.size)
    there = place.stat().st_size
    if there < wanted:
        whole = max(0, (there - int(header.offset_to_point_data)) // int(header.point_format.size))
        raise InputError(
            f"is cut short: {whole:,} of the {count:,} points that its header counts are there.",
            where=shown,
            mend=_COPY_AGAIN,
        )


def _stated_crs(header: Any, shown: str) -> Any | None:
    from pyproj.exceptions import CRSError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            crs = header.parse_crs()
    except (CRSError, ValueError, LookupError, TypeError, AttributeError, UnicodeError):
        raise InputError(
            "states a coordinate system that cannot be read.",
            where=shown,
            mend="Correct it.",
        ) from None
    if crs is None:
        return None
    plane = crs.sub_crs_list[0] if crs.is_compound else crs
    if not (plane.is_projected or plane.is_geographic):
        raise InputError(
            f"states the coordinate system {quoted(crs.name)}, which has no place on a map.",
            where=shown,
            mend="Convert it to a projected one.",
        )
    return crs


def _given_crs(crs: str | None, box: tuple[float, ...], shown: str) -> Any:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    if crs is None:
        degrees = abs(box[0]) <= 180 and abs(box[2]) <= 180 and abs(box[1]) <= 90 and abs(box[3]) <= 90
        raise InputError(
            "states no coordinate system" + (", and its numbers look like degrees." if degrees else "."),
            where=shown,
            mend="Name it: --crs " + ("EPSG:4326 if they are." if degrees else "EPSG:25829, say."),
        )
    try:
        return CRS.from_user_input(crs)
    except CRSError:
        raise InputError(
            f"{quoted(crs)} is no coordinate system.", where=shown, mend="Write an EPSG code, as EPSG:25829."
        ) from None


def _geo_keys(header: Any) -> dict[int, int]:
    """Short GeoTIFF keys of the file, by number."""
    found: dict[int, int] = {}
    for record in header.vlrs:
        for key in getattr(record, "geo_keys", None) or ():
            if key.tiff_tag_location == 0:
                found[int(key.id)] = int(key.value_offset)
    return found


def _vertical_name(keys: dict[int, int]) -> str:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    code = keys.get(_VERTICAL_CRS_KEY)
    if code is None or code in (0, 32_767):
        return ""
    try:
        return str(CRS.from_epsg(code).name)
    except CRSError:
        return ""


def _vertical_unit(
    whole: Any, plane: Any, keys: dict[int, int], stated: str | None, shown: str
) -> tuple[float, tuple[str, ...]]:
    """Metres in one unit of height, and what there is to say about it.

    The unit of the vertical axis, else of the GeoTIFF key, else as stated, else metres where the plane is in metres or
    degrees. Heights on a plane in feet that nobody gives a unit are not guessed: taken wrongly for feet they would be a
    third of what they are.
    """
    if stated is not None and stated not in VERTICAL_UNITS_M:
        raise InputError(
            f"{quoted(stated)} is no unit of heights.",
            where=shown,
            mend=f"Write one of {', '.join(VERTICAL_UNITS_M)}.",
        )
    name = Path(shown).name
    vertical = [part for part in (whole.sub_crs_list if whole.is_compound else [whole]) if part.is_vertical]
    axes = vertical[-1].axis_info if vertical else [] if whole.is_compound else whole.axis_info[2:]
    if axes:
        unit_m = float(axes[0].unit_conversion_factor)
        return unit_m, () if unit_m == 1.0 else (f"{name} has its heights in {axes[0].unit_name}.",)
    if keys.get(_VERTICAL_UNIT_KEY) in _GEO_KEY_UNITS_M:
        unit_m = _GEO_KEY_UNITS_M[keys[_VERTICAL_UNIT_KEY]]
        return unit_m, () if unit_m == 1.0 else (f"{name} has its heights in feet of {unit_m:.7g} m.",)
    if stated is not None:
        return VERTICAL_UNITS_M[stated], ()
    if plane.is_geographic or abs(plane.axis_info[0].unit_conversion_factor - 1.0) < 0.01:
        return 1.0, (f"{name} does not state the unit of its heights: metres are assumed.",)
    raise InputError(
        f"is laid out in {plane.axis_info[0].unit_name} and states no unit of its heights.",
        where=shown,
        mend="State it: m, ft or us-ft.",
    )


def _check_degrees(box: tuple[float, float, float, float], shown: str) -> None:
    if min(box[0], box[2]) < -360 or max(box[0], box[2]) > 360 or min(box[1::2]) < -90 or max(box[1::2]) > 90:
        raise InputError(
            "states a coordinate system in degrees, and its points are not in degrees.",
            where=shown,
            mend="Correct its coordinate system.",
        )
