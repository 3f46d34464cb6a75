"""Laser scans: LAS and LAZ files read by parts, and only the points around the site kept."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.extraction.found import SurveyData
from skysill.extraction.point_cloud import DEFAULT_SURVEY, NOISE_CLASSES, Bytes, PointCloud, Singles
from skysill.geodesy.positions import offset_position, plan_offset
from skysill.io.point_headers import POINT_SUFFIXES, PointFile, opened_points, point_chunks, read_point_header
from skysill.units import Bools, Floats, Ints

__all__ = ["read_point_clouds"]

_CHUNK = 1_000_000
_MOST_FILES = 20_000
_MOST_POINTS = 100_000_000
_TIMED = 20_000
_EXACT_M = 0.001
_GPS_EPOCH_YEAR, _GPS_OFFSET_S, _YEAR_S = 1980.0 + 5.0 / 366.0, 1e9, 365.2425 * 86_400.0


@dataclass(slots=True)
class _Kept:
    """Points kept so far, part by part; dropped and read count them."""

    columns: tuple[list[Any], ...] = field(default_factory=lambda: tuple([] for _ in range(6)))
    noise: int = 0
    withheld: int = 0
    count: int = 0

    def joined(self, index: int, kind: type) -> Any:
        """One column whole; its parts are let go, so that no column is held twice for long."""
        whole = np.concatenate(self.columns[index]) if self.columns[index] else np.empty(0)
        self.columns[index].clear()
        return whole.astype(kind, copy=False)


def read_point_clouds(
    paths: Sequence[str | os.PathLike[str]],
    *,
    latitude_deg: float,
    longitude_deg: float,
    reach_m: float,
    crs: str | None = None,
    vertical_unit: str | None = None,
    survey: SurveyData | None = None,
) -> PointCloud:
    """Points of laser scans around a position, in its plan frame.

    Parameters
    ----------
    paths : LAS and LAZ files, or folders of them; files that lie elsewhere are not read
    latitude_deg, longitude_deg : of the site, WGS 84
    reach_m : points within this distance are kept
    crs, vertical_unit : of files that state none, as `read_point_header`
    survey : origin and errors; None: the names of the files, default errors, the year from GPS time where it tells one

    Returns
    -------
    PointCloud. Noise (classes 7 and 18) and points that the file withholds are left out, and said.

    Raises
    ------
    InputError : a file that is damaged, cut short, without coordinate system or unit; files above different datums; no
        point within reach; too many points
    """
    files = [read_point_header(path, crs=crs, vertical_unit=vertical_unit) for path in _files(paths)]
    used, kept, years = [], _Kept(), []
    for file in files:
        window = _window(file, latitude_deg, longitude_deg, reach_m)
        if window is not None:
            used.append(file)
            before = kept.count
            _read(file, window, _PlanFrame(file.crs, latitude_deg, longitude_deg, window), reach_m, kept)
            if kept.count > before:
                years.append(_survey_year(file))
    if not kept.count:
        raise InputError(
            f"no point lies within {reach_m:,.0f} m of the site.",
            where=_names([file.path for file in files]),
            mend="Do the files and the position belong together?",
        )
    datums = sorted({file.datum for file in used})
    if len(datums) > 1:
        raise InputError(
            f"count their heights from different datums: {', '.join(name or 'not stated' for name in datums)}.",
            where=_names([file.path for file in used]),
            mend="Give files of one datum.",
        )
    told = [year for year in years if year is not None]
    mine = survey or replace(
        DEFAULT_SURVEY, origin=_names([file.path for file in used]), survey_year=min(told) if told else None
    )
    notes = (*dict.fromkeys(note for file in used for note in file.notes), *_left_out(kept))
    east_m, north_m, elevation_m = (kept.joined(index, np.float32) for index in range(3))
    classes, return_number, returns = (kept.joined(index, np.uint8) for index in range(3, 6))
    return PointCloud(
        east_m, north_m, elevation_m, classes, return_number, returns,
        survey=mine, reach_m=reach_m, datum=datums[0], notes=notes,
    )  # fmt: skip


def _left_out(kept: _Kept) -> tuple[str, ...]:
    notes = []
    if kept.noise:
        notes.append(f"{kept.noise:,} points classified as noise are left out.")
    if kept.withheld:
        notes.append(f"{kept.withheld:,} points that the scan itself withholds are left out.")
    return tuple(notes)


def _names(paths: Sequence[str]) -> str:
    names = [Path(path).name for path in paths]
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _files(paths: Sequence[str | os.PathLike[str]]) -> list[str]:
    """The files themselves, and those in folders, in order of their names."""
    found: list[str] = []
    for path in paths:
        place = Path(path)
        if not place.is_dir():
            found.append(os.fspath(path))
            continue
        inside = sorted(
            one for one in place.iterdir() if one.suffix.lower() in POINT_SUFFIXES and one.is_file()
        )
        if not inside:
            raise InputError("has no LAS or LAZ file.", where=os.fspath(path))
        if len(inside) > _MOST_FILES:
            raise InputError(f"has over {_MOST_FILES:,} files of points.", where=os.fspath(path))
        found += map(str, inside)
    if not found:
        raise InputError("no file of points was named.")
    return found


def _window(
    file: PointFile, latitude_deg: float, longitude_deg: float, reach_m: float
) -> tuple[float, float, float, float] | None:
    """The part of a file around the site, in the file's own units; None where it does not reach so near."""
    from pyproj import Transformer

    turn = np.linspace(0.0, 2.0 * np.pi, 33)[:-1]
    east_m, north_m = 1.01 * reach_m * np.sin(turn), 1.01 * reach_m * np.cos(turn)
    latitude, longitude = offset_position(latitude_deg, longitude_deg, east_m, north_m)
    x, y = Transformer.from_crs("EPSG:4326", file.crs, always_xy=True).transform(longitude, latitude)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        return None
    low_x, low_y = max(float(x.min()), file.box[0]), max(float(y.min()), file.box[1])
    high_x, high_y = min(float(x.max()), file.box[2]), min(float(y.max()), file.box[3])
    return (low_x, low_y, high_x, high_y) if low_x <= high_x and low_y <= high_y else None


class _PlanFrame:
    """A file's coordinates to plan metres: cubic polynomials through the exact way, held to a millimetre.

    The exact way (PROJ, then the tangent plane) takes microseconds a point, the polynomial nanoseconds. Where it is off
    by more than a millimetre at places between those it was fitted to, the exact way is taken.
    """

    def __init__(
        self, crs: str, latitude_deg: float, longitude_deg: float, window: tuple[float, float, float, float]
    ) -> None:
        from pyproj import Transformer

        self._to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        self._origin = latitude_deg, longitude_deg
        low, high = np.array(window[:2]), np.array(window[2:])
        self._middle, self._half = (low + high) / 2.0, np.maximum((high - low) / 2.0, 1e-9)
        knots = np.cos(np.pi * (np.arange(8) + 0.5) / 8.0)
        u, v = (axis.ravel() for axis in np.meshgrid(knots, knots))
        exact = np.column_stack(self._exact(*self._out(u, v)))
        self._terms = np.linalg.lstsq(self._powers(u, v), exact, rcond=None)[0]
        between = np.linspace(-1.0, 1.0, 12)
        u, v = (axis.ravel() for axis in np.meshgrid(between, between))
        off = self._powers(u, v) @ self._terms - np.column_stack(self._exact(*self._out(u, v)))
        self._good = bool(np.abs(off).max() <= _EXACT_M)

    def _out(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        return self._middle[0] + u * self._half[0], self._middle[1] + v * self._half[1]

    def _exact(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        longitude, latitude = self._to_degrees.transform(x, y)
        return plan_offset(*self._origin, latitude, longitude)

    @staticmethod
    def _powers(u: Floats, v: Floats) -> Floats:
        return np.column_stack([u**i * v**j for i in range(4) for j in range(4 - i)])

    def plan_m(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """East and north in metres of places in the file's coordinates."""
        if not self._good:
            return self._exact(x, y)
        u, v = (x - self._middle[0]) / self._half[0], (y - self._middle[1]) / self._half[1]
        east_m, north_m = np.zeros(len(u)), np.zeros(len(u))
        row = 0
        for i in range(4):  # Horner in v for each power of u keeps few arrays alive
            for j in range(4 - i):
                power = u**i * v**j
                east_m += self._terms[row, 0] * power
                north_m += self._terms[row, 1] * power
                row += 1
        return east_m, north_m


def _read(
    file: PointFile, window: tuple[float, float, float, float], frame: _PlanFrame, reach_m: float, kept: _Kept
) -> None:
    """The points of one file within reach, added to those kept."""
    read = 0
    with opened_points(file.path) as reader:
        scale, offset = np.array(reader.header.scales), np.array(reader.header.offsets)
        for points in point_chunks(reader, _CHUNK, file.path):
            read += len(points)
            x, y = (np.asarray(axis) * scale[i] + offset[i] for i, axis in enumerate((points.X, points.Y)))
            near = np.flatnonzero((x >= window[0]) & (x <= window[2]) & (y >= window[1]) & (y <= window[3]))
            if len(near):
                _keep(file, points, near, x[near], y[near], scale[2], offset[2], frame, reach_m, kept)
            if kept.count > _MOST_POINTS:
                raise InputError(
                    f"holds over {_MOST_POINTS:,} points within {reach_m:,.0f} m of the site.",
                    where=file.path,
                    mend="Look at a smaller circle.",
                )
    if read != file.count:
        raise InputError(
            f"is cut short: {read:,} of the {file.count:,} points that its header counts are there.",
            where=file.path,
            mend="Copy it again from where it came from.",
        )


def _keep(
    file: PointFile,
    points: Any,
    near: Ints,
    x: Floats,
    y: Floats,
    scale: float,
    offset: float,
    frame: _PlanFrame,
    reach_m: float,
    kept: _Kept,
) -> None:
    classes = np.asarray(points.classification)[near].astype(np.uint8)
    east_m, north_m = frame.plan_m(x, y)
    within: Bools = east_m**2 + north_m**2 <= reach_m**2
    noise = within & np.isin(classes, NOISE_CLASSES)
    withheld = within & ~noise & np.asarray(points.withheld)[near].astype(bool)
    kept.noise += int(np.count_nonzero(noise))
    kept.withheld += int(np.count_nonzero(withheld))
    wanted = np.flatnonzero(within & ~noise & ~withheld)
    index = near[wanted]
    elevation_m = (np.asarray(points.Z)[index] * scale + offset) * file.unit_m
    columns: tuple[Singles | Bytes, ...] = (
        east_m[wanted].astype(np.float32),
        north_m[wanted].astype(np.float32),
        elevation_m.astype(np.float32),
        classes[wanted],
        np.asarray(points.return_number)[index].astype(np.uint8),
        np.asarray(points.number_of_returns)[index].astype(np.uint8),
    )
    for column, part in zip(kept.columns, columns, strict=True):
        column.append(part)
    kept.count += len(wanted)


def _survey_year(file: PointFile) -> float | None:
    """Decimal year of the first points' GPS time, where it counts from a fixed day; None where the file has none.

    Adjusted standard GPS time is the seconds since 6 January 1980 less 1e9 (LAS 1.4 R15, global encoding bit 0).
    """
    with opened_points(file.path, all_fields=True) as reader:
        header = reader.header
        if (
            int(header.global_encoding.gps_time_type) != 1
            or "gps_time" not in header.point_format.dimension_names
        ):
            return None
        first = next(point_chunks(reader, min(_TIMED, file.count), file.path))
    seconds = np.asarray(first.gps_time, dtype=np.float64)
    year = _GPS_EPOCH_YEAR + (float(np.median(seconds)) + _GPS_OFFSET_S) / _YEAR_S
    return year if 1995.0 <= year <= 2200.0 else None
