"""Lists of addresses: CSV, GeoJSON or Parquet, record by record, every byte of a CSV record kept as it came."""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.geodesy.positions import parse_position
from skysill.io.delimited_bytes import (
    Block,
    Cells,
    Hashes,
    blocks,
    decimals,
    fingerprints,
    fingerprints_of,
    trimmed,
)
from skysill.io.geojson import epsg_of, feature_fault, features_of, geometry_parts, parse_json
from skysill.io.survey_tables import read_satellites
from skysill.io.text import check_file, nearest, quoted, read_bytes, read_number
from skysill.model.site import Satellite
from skysill.units import Bools, Floats, Ints

__all__ = [
    "AddressFile",
    "Addresses",
    "Record",
    "Reject",
    "neutralized",
    "open_addresses",
    "raw_records",
    "read_addresses",
    "row_text",
]

_KNOWN = ("id", "position", "latitude", "longitude", "mount_height_m", "satellite")
_DECIMAL = re.compile(r"^\s*([+-]?\d{1,2}(?:\.\d+)?)\s*,\s*([+-]?\d{1,3}(?:\.\d+)?)\s*$")
_TALLEST_M = 200.0
_MOST_BYTES = 20_000_000_000
_MOST_GEOJSON_BYTES = 1_000_000_000
_MOST_ROWS = 100_000_000
_TOGETHER = 10_000


@dataclass(frozen=True, slots=True)
class Record:
    """One address as it stands in its file.

    line : the file's line it begins on (for GeoJSON and Parquet the record's number, from 1)
    cells : text of each column; in Parquet and GeoJSON the values as they are
    raw : a CSV record's own bytes without the line's end
    fault : what is wrong with it as a whole, None if nothing is
    """

    line: int
    cells: Sequence[Any]
    raw: bytes = b""
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class Reject:
    """A record that cannot be screened, and why."""

    line: int
    id: str
    reason: str


@dataclass(frozen=True, slots=True)
class AddressFile:
    """An opened list: how it is written, and its columns.

    delimiter, encoding, header, line_end : CSV only; header is its raw bytes
    plain : CSV without any quote, so that every line is a record
    data : CSV that had to be written anew (UTF-16, lines ended by a carriage return alone), as UTF-8
    features : GeoJSON only
    notes : what a reader should know
    """

    path: Path
    kind: str
    names: tuple[str, ...]
    delimiter: str = ","
    encoding: str = "utf-8"
    header: bytes = b""
    line_end: bytes = b"\n"
    plain: bool = False
    data: bytes | None = field(default=None, repr=False, compare=False)
    features: Sequence[Any] = field(default=(), repr=False, compare=False)
    notes: tuple[str, ...] = ()

    def blocks(self) -> Iterator[Block]:
        """The records of a CSV."""
        return blocks(self.path if self.data is None else self.data, self.delimiter, len(self.names))

    def records(self) -> Iterator[Record]:
        if self.kind == "csv":
            return _csv_records(self)
        return _features(self) if self.kind == "geojson" else _rows(self)

    def column(self, name: str) -> int | None:
        wanted = [i for i, own in enumerate(self.names) if own.strip().lower() == name]
        return wanted[0] if wanted else None


@dataclass(frozen=True, slots=True, eq=False)
class Addresses:
    """A list, read: one entry a record that can be screened, in the file's order.

    record : number of the record in the file, from 0; count : records in the file
    satellite : index into satellites where the row names its own, else -1
    repeated : ids that occur more than once
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
    """Look at a list's head.

    Raises
    ------
    InputError : no such file, empty, no column of places, not text that can be read
    """
    path = check_file(Path(path), most_bytes=_MOST_BYTES)
    if path.suffix.lower() in (".parquet", ".pq"):
        file = AddressFile(path, "parquet", _parquet_names(path))
    elif path.suffix.lower() in (".geojson", ".json"):
        names: dict[str, None] = {}
        features = _geojson(path)
        for feature in features:
            if feature_fault(feature) is None:
                names.update(dict.fromkeys(feature.get("properties") or {}))
        file = AddressFile(path, "geojson", tuple(names), features=features)
    else:
        file = _open_csv(path)
    if file.kind != "geojson" and file.column("position") is None:
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


# --- CSV ------------------------------------------------------------------------------------------------------------


def _open_csv(path: Path) -> AddressFile:
    shown = os.fspath(path)
    with open(path, "rb") as stream:
        sample = stream.read(1 << 16)
    if not sample.strip():
        raise InputError("the file is empty.", where=shown, mend="Give a list with a header line.")
    data: bytes | None = None
    notes: tuple[str, ...] = ()
    wide = sample[:2] in (b"\xff\xfe", b"\xfe\xff")
    if wide or (b"\r" in sample and b"\n" not in sample):
        data = _rewritten(path, wide=wide)
        notes = ("The list is written out as UTF-8 with a newline behind each line.",)
        sample = data[: 1 << 16]
    if b"\x00" in sample:
        raise InputError("this is not UTF-8 text.", where=shown, mend="Save it as CSV in UTF-8.")
    encoding, plain = ("utf-8", b'"' not in data) if data is not None else _encoding(path)
    head = sample[: sample.index(b"\n") + 1] if b"\n" in sample else sample
    line_end = b"\r\n" if head.endswith(b"\r\n") else b"\n"
    header = head.rstrip(b"\r\n")
    text = header.removeprefix(b"\xef\xbb\xbf").decode(encoding, "replace")
    delimiter = max(",;\t", key=text.count)
    try:
        names = tuple(next(csv.reader([text], delimiter=delimiter, strict=True), []))
    except csv.Error:
        raise InputError(
            "a quotation mark is not closed.", where=f"{shown}, row 1", mend="Mend the header."
        ) from None
    return AddressFile(path, "csv", names, delimiter, encoding, header, line_end, plain, data, notes=notes)


def _rewritten(path: Path, *, wide: bool) -> bytes:
    """UTF-16, and lines that end in a carriage return alone, as UTF-8 with newlines."""
    raw = read_bytes(path)
    if wide:
        try:
            raw = raw.decode("utf-16").encode("utf-8")
        except UnicodeError:
            raise InputError("begins as UTF-16 text and is none.", where=os.fspath(path),
                             mend="Save it as CSV in UTF-8.") from None  # fmt: skip
    return raw if b"\n" in raw else raw.replace(b"\r", b"\n")


def _encoding(path: Path) -> tuple[str, bool]:
    """UTF-8 where all of it is, else the Western European code page: its bytes pass through untouched either way.

    And whether no cell of it is quoted.
    """
    import codecs

    decoder, encoding, plain = codecs.getincrementaldecoder("utf-8")(), "utf-8", True
    with open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            plain = plain and b'"' not in block
            if encoding == "utf-8":
                try:
                    decoder.decode(block)
                except UnicodeDecodeError:
                    encoding = "cp1252"
        try:
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            encoding = "cp1252"
    return encoding, plain


def _csv_records(file: AddressFile) -> Iterator[Record]:
    for block in file.blocks():
        raw, lines = block.raw(), block.line.tolist()
        cells = None if block.odd.any() else _cells_together(raw, file.delimiter, file.encoding)
        if cells is None:
            for line, own in zip(lines, raw, strict=True):
                yield _csv_record(own, line, file.delimiter, file.encoding)
        else:
            yield from map(Record, lines, cells, raw)


def _cells_together(raw: Sequence[bytes], delimiter: str, encoding: str) -> list[list[str]] | None:
    """The cells of records whose quotes are in order; None where one must be read by itself."""
    texts = [own.decode(encoding, "replace") for own in raw]
    try:
        return list(csv.reader(texts, delimiter=delimiter))
    except csv.Error:
        return None


def _csv_record(raw: bytes, line: int, delimiter: str, encoding: str) -> Record:
    text = raw.decode(encoding, "replace")
    if b"\0" in raw:
        return Record(line, text.split(delimiter), raw, "it holds bytes that are no text")
    if '"' not in text:
        return Record(line, text.split(delimiter), raw)
    try:
        return Record(line, next(csv.reader([text], delimiter=delimiter, strict=True), []), raw)
    except csv.Error:
        fault = "a quotation mark is not closed, or a cell goes on behind one"
        return Record(line, text.split(delimiter), raw, fault)


def raw_records(
    file: AddressFile, *, neutralize: bool = False
) -> Iterator[tuple[list[bytes], Mapping[int, int]]]:
    """Each CSV record's own bytes without the line's end, some thousands at a time.

    neutralize : see `neutralized`; with the bytes comes how many cells were changed in which of these records
    """
    for block in file.blocks():
        raw, changed = block.raw(), {}
        suspects = np.flatnonzero(block.begun_with(_DANGEROUS_CODES)).tolist() if neutralize else []
        for k in suspects:
            record = _csv_record(raw[k], 0, file.delimiter, file.encoding)
            cells, count = neutralized(record.cells[: len(file.names)])
            if count:
                raw[k] = row_text(cells, file.delimiter).encode(file.encoding, "replace")
                changed[k] = count
        yield raw, changed


def row_text(cells: Sequence[str], delimiter: str) -> str:
    """Cells as one line, quoted where they must be (RFC 4180)."""
    return delimiter.join(
        '"' + cell.replace('"', '""') + '"'
        if delimiter in cell or '"' in cell or "\n" in cell or "\r" in cell
        else cell
        for cell in cells
    )


# --- GeoJSON and Parquet --------------------------------------------------------------------------------------------


def _geojson(path: Path) -> list[Any]:
    shown = os.fspath(path)
    try:
        text = read_bytes(path, most_bytes=_MOST_GEOJSON_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text.", where=shown, mend="Save it as UTF-8.") from None
    document = parse_json(text, shown)
    features = features_of(document, shown)
    if epsg_of(document, shown) is not None:
        raise InputError(
            "is not in WGS 84 degrees.", where=f"{shown}, crs", mend="Save it so, longitude first."
        )
    return features


def _features(file: AddressFile) -> Iterator[Record]:
    for number, feature in enumerate(file.features, 1):
        fault = feature_fault(feature)
        if fault is not None:
            yield Record(number, [None] * (len(file.names) + 1), fault=fault.rstrip("."))
            continue
        properties = feature.get("properties") or {}
        yield Record(number, [*(properties.get(name) for name in file.names), feature.get("geometry")])


def _parquet_names(path: Path) -> tuple[str, ...]:
    file = _parquet(path)
    if file.metadata.num_rows > _MOST_ROWS:
        raise InputError(f"holds more than {_MOST_ROWS:,} rows.", where=os.fspath(path))
    names = tuple(str(name) for name in file.schema_arrow.names)
    if len(set(names)) < len(names):
        raise InputError("has two columns of one name.", where=os.fspath(path), mend="Rename one.")
    return names


_DAMAGED_PARQUET = "this is not a Parquet file that can be read, or it is damaged."


def _parquet(path: Path) -> Any:
    import pyarrow
    import pyarrow.parquet

    try:
        return pyarrow.parquet.ParquetFile(os.path.abspath(path))
    except (OSError, ValueError, pyarrow.ArrowException) as fault:
        raise InputError(_DAMAGED_PARQUET, where=os.fspath(path), mend="Copy it again.") from fault


def _rows(file: AddressFile) -> Iterator[Record]:
    import pyarrow

    number, opened = 0, _parquet(file.path)
    try:
        for batch in opened.iter_batches(batch_size=_TOGETHER):
            columns = [column.to_pylist() for column in batch.columns]
            for cells in zip(*columns, strict=True):
                number += 1
                yield Record(number, cells)
    except (OSError, ValueError, OverflowError, pyarrow.ArrowException) as fault:
        raise InputError(_DAMAGED_PARQUET, where=os.fspath(file.path), mend="Copy it again.") from fault
    if number != opened.metadata.num_rows:
        raise InputError(_DAMAGED_PARQUET, where=os.fspath(file.path), mend="Copy it again.")


# --- what the records say -------------------------------------------------------------------------------------------


class _RefusedError(Exception):
    """A record that cannot be screened; its text is the reason."""


def read_addresses(
    file: AddressFile, *, default_height_m: float, satellites: Sequence[Satellite] = ()
) -> Addresses:
    """Read every record's place, mount height and satellite; those that cannot be read are rejected with a reason."""
    reader = _Reader(file, default_height_m, list(satellites))
    kept: list[Floats] = [np.zeros((5, 0))]
    prints: list[Hashes] = []
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
            prints.append(reader.fingerprints(cells, good))
        identities: list[bytes] = []
        for k in single.tolist():
            record = reader.record(piece, k) if isinstance(piece, Block) else piece[k]
            identity = reader.identity(record)
            identities.append(identity.encode(file.encoding, "replace"))
            try:
                rows[1:, k] = reader.read(record)
            except _RefusedError as fault:
                rejects.append(Reject(record.line, identity, str(fault)))
                rows[0, k] = np.nan
        prints.append(fingerprints_of([identity for identity in identities if identity]))
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
        repeated=_repeated(prints),
    )


def _pieces(file: AddressFile) -> Iterator[Block | list[Record]]:
    """The list some thousands of records at a time."""
    if file.kind == "csv":
        yield from file.blocks()
        return
    records = file.records()
    while some := list(islice(records, _TOGETHER)):
        yield some


def _repeated(prints: Sequence[Hashes]) -> int:
    """How many ids occur more than once."""
    sorted_prints = np.sort(np.concatenate(prints)) if prints else np.zeros(0, dtype=np.uint64)
    same = np.append(np.diff(sorted_prints) == 0, False)
    return int((same & ~np.append(False, same[:-1])).sum())


class _Reader:
    def __init__(self, file: AddressFile, default_height_m: float, satellites: list[Satellite]) -> None:
        self.width = len(file.names)
        self.geojson = file.kind == "geojson"
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
            raise _RefusedError(record.fault)
        if len(cells) != self.width + self.geojson:
            raise _RefusedError(f"it has {len(cells)} cells where the header has {self.width}")
        return *self._place(cells), self._height_m(cells), self._satellite(cells)

    def record(self, block: Block, number: int) -> Record:
        raw = block.data[block.start[number] : block.end[number]]
        return _csv_record(raw, int(block.line[number]), self.delimiter, self.encoding)

    def read_cells(self, cells: Cells) -> tuple[Floats, Bools]:
        """(4, n) of what `read` gives, and of which records; the others are to be read one by one."""
        block = cells.block
        good = ~block.odd & (cells.count == self.width)
        if b"\0" in block.data:
            nothing = np.flatnonzero(block.codes == 0)
            good[np.searchsorted(block.start, nothing, side="right") - 1] = False
        said = np.empty((4, len(cells.block)))
        for row, values in enumerate(self._places(cells)):
            said[row] = values
        good &= (np.abs(said[0]) <= 90.0) & (np.abs(said[1]) <= 180.0)
        said[2] = self._heights(cells)
        good &= (said[2] >= 0.0) & (said[2] <= _TALLEST_M)
        said[3] = self._named_satellites(cells, good)
        return said, good & ~np.isnan(said[3])

    def fingerprints(self, cells: Cells, wanted: Bools) -> Hashes:
        """Of the ids of some of the records, those left empty apart."""
        if self.id is None:
            return np.zeros(0, dtype=np.uint64)
        block = cells.block
        start, end, whole = cells.column(self.id)
        found = fingerprints(block.data, start, end)
        for k in np.flatnonzero(wanted & ~whole).tolist():
            found[k] = fingerprints_of(
                [self.identity(self.record(block, k)).encode(self.encoding, "replace")]
            )[0]
        return found[wanted & (end > start)]

    def _places(self, cells: Cells) -> tuple[Floats, Floats]:
        """Latitudes and longitudes, nan where they are not plain decimal degrees."""
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
        """Numbers of the satellites that the wanted records name, -1 for none; nan where one is refused."""
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
            except _RefusedError:
                found[k] = np.nan
        return found

    def _place(self, cells: Sequence[Any]) -> tuple[float, float]:
        if self.geojson and cells[-1] is not None:
            try:
                parts = list(geometry_parts(cells[-1], ""))
            except InputError as fault:
                raise _RefusedError(f"its geometry {fault.what.rstrip('.')}") from None
            if len(parts) != 1 or parts[0][0] != "point":
                raise _RefusedError("its geometry is not one point")
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
                raise _RefusedError(f"position: {fault.what} {fault.mend or ''}".strip()) from None
            return there.latitude_deg, there.longitude_deg
        if self.latitude is None or self.longitude is None:
            raise _RefusedError("it has no place")
        return self._checked(
            self._number(cells[self.latitude], "latitude", comma=True),
            self._number(cells[self.longitude], "longitude", comma=True),
        )

    @staticmethod
    def _number(value: Any, name: str, *, comma: bool) -> float:
        """A number as a file has it, or as people type it; comma : whether its comma can only be a decimal one."""
        if value is None or (isinstance(value, str) and not value.strip()):
            raise _RefusedError(f"{name}: there is nothing")
        try:
            if isinstance(value, str):
                return read_number(value, comma=comma)
            number = math.nan if isinstance(value, bool | bytes) else float(value)
        except ValueError as fault:
            said = str(fault).removesuffix(" Write 12.5 or 12,5.").rstrip(".")
            raise _RefusedError(f"{name}: {said}") from None
        except (TypeError, OverflowError):
            number = math.nan
        if not math.isfinite(number):
            raise _RefusedError(f"{name}: {quoted(value)} is not a number")
        return number

    @staticmethod
    def _checked(latitude: float, longitude: float) -> tuple[float, float]:
        if not abs(latitude) <= 90.0:
            swapped = abs(longitude) <= 90.0 and abs(latitude) <= 180.0
            hint = "; are latitude and longitude swapped?" if swapped else ""
            raise _RefusedError(f"latitude: {latitude:g} is not between -90 and 90{hint}")
        if not abs(longitude) <= 180.0:
            raise _RefusedError(f"longitude: {longitude:g} is not between -180 and 180")
        return latitude, longitude

    def _height_m(self, cells: Sequence[Any]) -> float:
        return self._height_of(None if self.height is None else cells[self.height])

    def _height_of(self, value: Any) -> float:
        if value is None or (isinstance(value, str) and not value.strip()):
            return self.default_height_m
        height_m = self._number(value, "mount_height_m", comma=self.delimiter != ",")
        if not 0.0 <= height_m <= _TALLEST_M:
            raise _RefusedError(f"mount_height_m: {height_m:g} is not between 0 and {_TALLEST_M:g}")
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
                    raise _RefusedError(f"satellite: {fault.what}") from None
                if found.longitude_deg is None:
                    raise _RefusedError("satellite: it moves; screening is for geostationary satellites")
                self.satellites.append(found)
                named = [len(self.satellites) - 1]
            self.known[text] = named[0]
        return self.known[text]


def _plain_numbers(cells: Cells, column: int | None) -> Floats:
    """A column's numbers, nan where a cell is no plain decimal number."""
    if column is None:
        return np.full(len(cells.block), np.nan)
    start, end, whole = cells.column(column)
    return np.where(whole, decimals(cells.block.data, start, end).value, np.nan)


_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")
_DANGEROUS_CODES = "".join(_DANGEROUS).encode("ascii")


def neutralized(cells: Iterable[str]) -> tuple[list[str], int]:
    """Cells that a spreadsheet would run as formulas, with an apostrophe before them; and how many there were.

    >>> neutralized(["=1+1", "-24.5", "0012", "@home"])
    (["'=1+1", '-24.5', '0012', "'@home"], 2)
    """
    safe, count = [], 0
    for cell in cells:
        if cell.startswith(_DANGEROUS) and not _is_number(cell):
            cell, count = "'" + cell, count + 1
        safe.append(cell)
    return safe, count


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
