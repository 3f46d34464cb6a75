"""Address lists: positions, heights and satellites of their records; rejected records with the reason."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.geodesy.positions import parse_position
from skysill.io.address_csv import csv_record, csv_records, open_csv
from skysill.io.address_features import feature_records, parquet_names, parquet_records, read_geojson
from skysill.io.address_files import AddressFile, Record
from skysill.io.address_vectors import VECTOR_SUFFIXES, is_geoparquet, open_vector, vector_records
from skysill.io.delimited_bytes import Block, Cells, Hashes, decimals, span_hashes, text_hashes, trimmed
from skysill.io.geojson import feature_fault, geometry_parts
from skysill.io.survey_tables import read_satellites
from skysill.io.text import check_file, nearest, quoted, read_number
from skysill.model.site import Satellite
from skysill.units import Bools, Floats, Ints

__all__ = [
    "Addresses",
    "RecordReader",
    "RefusedError",
    "Reject",
    "open_addresses",
    "read_addresses",
    "read_records",
    "records",
]

_KNOWN = ("id", "position", "latitude", "longitude", "mount_height_m", "satellite")
_DECIMAL = re.compile(r"^\s*([+-]?\d{1,2}(?:\.\d+)?)\s*,\s*([+-]?\d{1,3}(?:\.\d+)?)\s*$")
_MAX_HEIGHT_M = 200.0
_COARSE_M = 20.0  # a grid square of 100 m is 29 m: no place of a house
_MOST_BYTES = 20_000_000_000
_TOGETHER = 10_000


@dataclass(frozen=True, slots=True)
class Reject:
    """A record that cannot be screened, with the reason."""

    line: int
    id: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Addresses:
    """The records of a list that can be screened, one entry each, in the file's order.

    count : records in the file; record : number of each entry's record in the file, from 0
    satellite : index into satellites where the record names its own, else -1
    repeated : number of ids that occur more than once
    """

    count: int
    record: Ints
    latitude_deg: Floats
    longitude_deg: Floats
    mount_height_m: Floats
    satellite: Ints
    satellites: tuple[Satellite, ...]
    rejects: tuple[Reject, ...]
    repeated: int = 0


def open_addresses(path: str | os.PathLike[str]) -> AddressFile:
    """Open a list: its format and columns.

    Raises
    ------
    InputError : no such file, empty, no column of places, not text that can be read
    """
    path = check_file(Path(path), most_bytes=_MOST_BYTES)
    if path.suffix.lower() in (".parquet", ".pq"):
        file = AddressFile(path, "parquet", parquet_names(path))
        if not _has_places(file) and is_geoparquet(path):
            file = open_vector(path)
    elif path.suffix.lower() in VECTOR_SUFFIXES:
        file = open_vector(path)
    elif path.suffix.lower() in (".geojson", ".json"):
        names: dict[str, None] = {}
        features = read_geojson(path)
        for feature in features:
            if feature_fault(feature) is None:
                names.update(dict.fromkeys(feature.get("properties") or {}))
        file = AddressFile(path, "geojson", tuple(names), features=features)
    else:
        file = open_csv(path)
    if file.kind not in ("geojson", "vector") and not _has_places(file):
        for name in ("latitude", "longitude"):
            if file.column(name) is None:
                near = [nearest(own.strip().lower(), _KNOWN) for own in file.names]
                guess = next((own for own, known in zip(file.names, near, strict=True) if known), None)
                raise InputError(
                    f'there is no column "position", nor "latitude" and "longitude" ("{name}" is missing).',
                    where=os.fspath(path),
                    mend="Name them in the first line."
                    if guess is None
                    else f"Is {quoted(guess)} one of them?",
                )
    for name in _KNOWN:
        if sum(own.strip().lower() == name for own in file.names) > 1:
            raise InputError(f'there are two columns "{name}".', where=os.fspath(path), mend="Rename one.")
    return file


def _has_places(file: AddressFile) -> bool:
    """Whether a list has columns of places."""
    names = ("position",), ("latitude", "longitude")
    return any(all(file.column(name) is not None for name in group) for group in names)


class RefusedError(Exception):
    """A record cannot be screened; the text is the reason."""


def records(file: AddressFile) -> Iterator[Record]:
    """The records of a list, one by one."""
    if file.kind == "csv":
        return csv_records(file)
    if file.kind == "vector":
        return vector_records(file)
    return feature_records(file) if file.kind == "geojson" else parquet_records(file)


def read_addresses(
    file: AddressFile, *, default_height_m: float, satellites: Sequence[Satellite] = ()
) -> Addresses:
    """Read every record's position, mount height and satellite; records that cannot be read are rejected."""
    return read_records(file, RecordReader(file, default_height_m, list(satellites)))


def read_records(file: AddressFile, reader: RecordReader) -> Addresses:
    """What a reader finds in every record."""
    kept: list[Floats] = [np.zeros((5, 0))]
    hashes: list[Hashes] = []
    rejects: list[Reject] = []
    count = 0
    for piece in _pieces(file):
        size = len(piece)
        rows = np.full((5, size), np.nan)
        rows[0] = np.arange(count, count + size)
        single = np.arange(size)
        if isinstance(piece, Block):
            cells = piece.cells()
            rows[1:], good = reader.read_cells(cells)
            single = np.flatnonzero(~good)
            hashes.append(reader.id_hashes(cells, good))
        identities: list[bytes] = []
        for k in single.tolist():
            record = reader.record(piece, k) if isinstance(piece, Block) else piece[k]
            identity = reader.identity(record)
            identities.append(identity.encode(file.encoding, "replace"))
            try:
                rows[1:, k] = reader.read(record)
            except RefusedError as fault:
                rejects.append(Reject(record.line, identity, str(fault)))
                rows[0, k] = np.nan
        hashes.append(text_hashes([identity for identity in identities if identity]))
        kept.append(rows if not np.isnan(rows[0]).any() else rows[:, ~np.isnan(rows[0])])
        count += size
    columns = np.concatenate(kept, axis=1)
    return Addresses(
        count=count,
        record=columns[0].astype(np.int64),
        latitude_deg=columns[1],
        longitude_deg=columns[2],
        mount_height_m=columns[3],
        satellite=columns[4].astype(np.int64),
        satellites=tuple(reader.satellites),
        rejects=tuple(rejects),
        repeated=_repeated(hashes),
    )


def _pieces(file: AddressFile) -> Iterator[Block | list[Record]]:
    """The list, some thousands of records at a time."""
    if file.kind == "csv":
        yield from file.blocks()
        return
    file_records = records(file)
    while some := list(islice(file_records, _TOGETHER)):
        yield some


def _repeated(hashes: Sequence[Hashes]) -> int:
    """Number of ids that occur more than once."""
    sorted_hashes = np.sort(np.concatenate(hashes)) if hashes else np.zeros(0, dtype=np.uint64)
    same = np.append(np.diff(sorted_hashes) == 0, False)
    return int((same & ~np.append(False, same[:-1])).sum())


class RecordReader:
    """Reads one record after another: its place, mount height and satellite."""

    def __init__(self, file: AddressFile, default_height_m: float, satellites: list[Satellite]) -> None:
        self.width = len(file.names)
        self.kind, self.geometry = file.kind, file.kind in ("geojson", "vector")
        self.id, self.position, self.latitude, self.longitude, self.height, self.satellite = (
            file.column(name) for name in _KNOWN
        )
        self.delimiter, self.encoding = file.delimiter, file.encoding
        self.default_height_m = default_height_m
        self.satellites = satellites
        self.known: dict[str, int] = {}

    def identity(self, record: Record) -> str:
        return "" if self.id is None or self.id >= len(record.cells) else str(record.cells[self.id])

    def read(self, record: Record) -> tuple[float, float, float, int]:
        cells = record.cells
        if record.fault is not None:
            raise RefusedError(record.fault)
        if len(cells) != self.width + self.geometry:
            raise RefusedError(f"it has {len(cells)} cells where the header has {self.width}")
        return *self.place(cells), self._height_m(cells), self._satellite(cells)

    def record(self, block: Block, number: int) -> Record:
        raw = block.data[block.start[number] : block.end[number]]
        return csv_record(raw, int(block.line[number]), self.delimiter, self.encoding)

    def read_cells(self, cells: Cells) -> tuple[Floats, Bools]:
        """(4, n) results of `read`, and for which records they are valid; the others must be read one by one."""
        block = cells.block
        good = ~block.irregular & (cells.count == self.width)
        if b"\0" in block.data:
            nothing = np.flatnonzero(block.codes == 0)
            good[np.searchsorted(block.start, nothing, side="right") - 1] = False
        found = np.empty((4, len(cells.block)))
        for row, values in enumerate(self._places(cells)):
            found[row] = values
        good &= (np.abs(found[0]) <= 90.0) & (np.abs(found[1]) <= 180.0)
        found[2] = self._heights(cells)
        good &= (found[2] >= 0.0) & (found[2] <= _MAX_HEIGHT_M)
        found[3] = self._named_satellites(cells, good)
        return found, good & ~np.isnan(found[3])

    def id_hashes(self, cells: Cells, wanted: Bools) -> Hashes:
        """Hashes of the ids of the wanted records, without empty ids."""
        if self.id is None:
            return np.zeros(0, dtype=np.uint64)
        block = cells.block
        start, end, whole = cells.column(self.id)
        found = span_hashes(block.data, start, end)
        for k in np.flatnonzero(wanted & ~whole).tolist():
            found[k] = text_hashes([self.identity(self.record(block, k)).encode(self.encoding, "replace")])[0]
        return found[wanted & (end > start)]

    def _places(self, cells: Cells) -> tuple[Floats, Floats]:
        """Latitudes and longitudes, nan where the text is not in plain decimal degrees."""
        if self.position is None:
            latitude, longitude = (
                _plain_numbers(cells, column) for column in (self.latitude, self.longitude)
            )
            return latitude, longitude
        block = cells.block
        start, end, whole = cells.column(self.position)
        commas = np.append(np.flatnonzero(block.codes == ord(",")), len(block.data))
        at = commas[np.searchsorted(commas, start)]
        whole &= at < end
        at = np.where(whole, at, end)
        first = decimals(block.data, start, at)
        second = decimals(block.data, np.minimum(at + 1, end), end)
        for number, most in ((first, 2), (second, 3)):
            whole &= (number.whole >= 1) & (number.whole <= most) & (~number.pointed | (number.places > 0))
        return np.where(whole, first.value, np.nan), np.where(whole, second.value, np.nan)

    def _heights(self, cells: Cells) -> Floats:
        if self.height is None:
            return np.full(len(cells.block), self.default_height_m)
        start, end, whole = cells.column(self.height)
        empty = whole & np.equal(*trimmed(cells.block.codes, start, end))
        return np.where(empty, self.default_height_m, _plain_numbers(cells, self.height))

    def _named_satellites(self, cells: Cells, wanted: Bools) -> Floats:
        """Indices of the satellites that the wanted records name, -1 for none; nan where one is refused."""
        found = np.full(len(cells.block), -1.0)
        if self.satellite is None:
            return found
        start, end, whole = cells.column(self.satellite)
        found[~whole] = np.nan
        data = cells.block.data
        for k in np.flatnonzero(wanted & whole & (end > start)).tolist():
            text = data[start[k] : end[k]].decode(self.encoding, "replace").strip()
            try:
                found[k] = self._named_satellite(text)
            except RefusedError:
                found[k] = np.nan
        return found

    def place(self, cells: Sequence[Any]) -> tuple[float, float]:
        """Latitude and longitude, degrees.

        Raises
        ------
        RefusedError : no place, or none that can be read
        """
        if self.kind == "vector" and cells[-1] is not None:
            if cells[-1].geom_type != "Point" or cells[-1].is_empty:
                raise RefusedError("its geometry is not one point")
            return self._checked(float(cells[-1].y), float(cells[-1].x))
        if self.kind == "geojson" and cells[-1] is not None:
            try:
                parts = list(geometry_parts(cells[-1], ""))
            except InputError as fault:
                raise RefusedError(f"its geometry {fault.what.rstrip('.')}") from None
            if len(parts) != 1 or parts[0][0] != "point":
                raise RefusedError("its geometry is not one point")
            longitude, latitude = parts[0][1][0][:2]
            return self._checked(float(latitude), float(longitude))
        if self.position is not None:
            text = str(cells[self.position] or "")
            plain = _DECIMAL.match(text)
            if plain:
                return self._checked(float(plain[1]), float(plain[2]))
            try:
                there = parse_position(text)
            except InputError as fault:
                raise RefusedError(f"position: {fault.what} {fault.mend or ''}".strip()) from None
            if there.error_m > _COARSE_M:
                raise RefusedError(
                    f"position: {quoted(text)} is known to {there.error_m:.0f} m only; write it with more digits"
                )
            return there.latitude_deg, there.longitude_deg
        if self.latitude is None or self.longitude is None:
            raise RefusedError("it has no place")
        return self._checked(
            self._number(cells[self.latitude], "latitude", comma=True),
            self._number(cells[self.longitude], "longitude", comma=True),
        )

    @staticmethod
    def _number(value: Any, name: str, *, comma: bool) -> float:
        """A number from a cell, as value or as text; comma : whether a comma can only be a decimal comma."""
        if value is None or (isinstance(value, str) and not value.strip()):
            raise RefusedError(f"{name}: there is nothing")
        try:
            if isinstance(value, str):
                return read_number(value, comma=comma)
            number = math.nan if isinstance(value, bool | bytes) else float(value)
        except ValueError as fault:
            reason = str(fault).removesuffix(" Write 12.5 or 12,5.").rstrip(".")
            raise RefusedError(f"{name}: {reason}") from None
        except (TypeError, OverflowError):
            number = math.nan
        if not math.isfinite(number):
            raise RefusedError(f"{name}: {quoted(value)} is not a number")
        return number

    @staticmethod
    def _checked(latitude: float, longitude: float) -> tuple[float, float]:
        if not abs(latitude) <= 90.0:
            swapped = abs(longitude) <= 90.0 and abs(latitude) <= 180.0
            hint = "; are latitude and longitude swapped?" if swapped else ""
            raise RefusedError(f"latitude: {latitude:g} is not between -90 and 90{hint}")
        if not abs(longitude) <= 180.0:
            raise RefusedError(f"longitude: {longitude:g} is not between -180 and 180")
        return latitude, longitude

    def _height_m(self, cells: Sequence[Any]) -> float:
        return self._height_of(None if self.height is None else cells[self.height])

    def _height_of(self, value: Any) -> float:
        if value is None or (isinstance(value, str) and not value.strip()):
            return self.default_height_m
        height_m = self._number(value, "mount_height_m", comma=self.delimiter != ",")
        if not 0.0 <= height_m <= _MAX_HEIGHT_M:
            raise RefusedError(f"mount_height_m: {height_m:g} is not between 0 and {_MAX_HEIGHT_M:g}")
        return height_m

    def _satellite(self, cells: Sequence[Any]) -> int:
        return self._named_satellite(
            "" if self.satellite is None else str(cells[self.satellite] or "").strip()
        )

    def _named_satellite(self, text: str) -> int:
        if not text:
            return -1
        if text not in self.known:
            named = [i for i, own in enumerate(self.satellites) if own.name == text]
            if not named:
                try:
                    found = read_satellites(text, folder=None)[0]
                except InputError as fault:
                    raise RefusedError(f"satellite: {fault.what}") from None
                if found.longitude_deg is None:
                    raise RefusedError("satellite: it moves; screening is for geostationary satellites")
                self.satellites.append(found)
                named = [len(self.satellites) - 1]
            self.known[text] = named[0]
        return self.known[text]


def _plain_numbers(cells: Cells, column: int | None) -> Floats:
    """Numbers of a column, nan where a cell is no plain decimal number."""
    if column is None:
        return np.full(len(cells.block), np.nan)
    start, end, whole = cells.column(column)
    return np.where(whole, decimals(cells.block.data, start, end).value, np.nan)
