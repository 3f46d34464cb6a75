"""Lists of addresses: CSV, GeoJSON or Parquet, record by record, every byte of a CSV record kept as it came."""

from __future__ import annotations

import csv
import json
import math
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.files.tables import read_satellites
from skysill.files.text import check_file, nearest
from skysill.positions import parse_position
from skysill.site import Satellite
from skysill.units import Floats, Ints

__all__ = [
    "AddressFile",
    "Addresses",
    "Record",
    "Reject",
    "neutralized",
    "open_addresses",
    "raw_records",
    "read_addresses",
]

_KNOWN = ("id", "position", "latitude", "longitude", "mount_height_m", "satellite")
_DECIMAL = re.compile(r"^\s*([+-]?\d{1,2}(?:\.\d+)?)\s*,\s*([+-]?\d{1,3}(?:\.\d+)?)\s*$")
_TALLEST_M = 200.0


@dataclass(frozen=True, slots=True)
class Record:
    """One address as it stands in its file.

    line : the file's line it begins on (for GeoJSON and Parquet the record's number, from 1)
    cells : text of each column; in Parquet and GeoJSON the values as they are
    raw : a CSV record's own bytes without the line's end
    """

    line: int
    cells: Sequence[Any]
    raw: bytes = b""


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
    """

    path: Path
    kind: str
    names: tuple[str, ...]
    delimiter: str = ","
    encoding: str = "utf-8"
    header: bytes = b""
    line_end: bytes = b"\n"
    plain: bool = False

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
    path = check_file(Path(path))
    if path.suffix.lower() in (".parquet", ".pq"):
        file = AddressFile(path, "parquet", tuple(_parquet(path).schema_arrow.names))
    elif path.suffix.lower() in (".geojson", ".json"):
        names: dict[str, None] = {}
        for feature in _geojson(path):
            names.update(dict.fromkeys(feature["properties"] or {}))
        file = AddressFile(path, "geojson", tuple(names))
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
                    mend="Name them in the first line." if guess is None else f'Is "{guess}" one of them?',
                )
    return file


# --- CSV ------------------------------------------------------------------------------------------------------------


def _open_csv(path: Path) -> AddressFile:
    with open(path, "rb") as stream:
        head = stream.readline()
        sample = head + stream.read(1 << 16)
    if not sample.strip():
        raise InputError("the file is empty.", where=os.fspath(path), mend="Give a list with a header line.")
    if sample[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in sample:
        raise InputError("this is not UTF-8 text.", where=os.fspath(path), mend="Save it as CSV in UTF-8.")
    encoding, plain = _encoding(path)
    line_end = b"\r\n" if head.endswith(b"\r\n") else b"\n"
    header = head.rstrip(b"\r\n")
    shown = header.removeprefix(b"\xef\xbb\xbf").decode(encoding, "replace")
    delimiter = max(",;\t", key=shown.count)
    names = tuple(next(csv.reader([shown], delimiter=delimiter), []))
    return AddressFile(path, "csv", names, delimiter, encoding, header, line_end, plain)


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
    delimiter, encoding = file.delimiter, file.encoding
    mark = delimiter.encode()
    with open(file.path, "rb") as stream:
        stream.readline()
        number = 1
        pending: list[bytes] = []
        began = 0
        for line in stream:
            number += 1
            if not pending and b'"' not in line:
                raw = line.rstrip(b"\r\n")
                if raw.strip():
                    yield Record(number, raw.decode(encoding, "replace").split(delimiter), raw)
                continue
            began = began if pending else number
            pending.append(line)
            whole = b"".join(pending)
            if _open_quote(whole, mark):
                continue
            pending = []
            yield _quoted_record(whole, began, file)
        if pending:
            yield _quoted_record(b"".join(pending), began, file)


_BLOCK_BYTES = 1 << 22


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines of a CSV file without any quote, one record a line; line : the number of the first one."""

    line: int
    lines: list[bytes]

    def records(self, file: AddressFile) -> Iterator[Record]:
        for number, line in enumerate(self.lines, self.line):
            raw = line.rstrip(b"\r\n")
            if raw.strip():
                yield Record(number, raw.decode(file.encoding, "replace").split(file.delimiter), raw)


def _blocks(file: AddressFile) -> Iterator[_Lines | Iterator[Record]]:
    """The list in blocks of plain lines where it has no quotes, else record by record."""
    if not file.plain:
        yield file.records()
        return
    with open(file.path, "rb") as stream:
        stream.readline()
        number = 2
        while lines := stream.readlines(_BLOCK_BYTES):
            yield _Lines(number, lines)
            number += len(lines)


def raw_records(file: AddressFile) -> Iterator[bytes]:
    """Each CSV record's own bytes without the line's end, for a list without quotes."""
    with open(file.path, "rb") as stream:
        stream.readline()
        for line in stream:
            raw = line.rstrip(b"\r\n")
            if raw.strip():
                yield raw


def _quoted_record(whole: bytes, line: int, file: AddressFile) -> Record:
    raw = whole.rstrip(b"\r\n")
    text = raw.decode(file.encoding, "replace")
    return Record(line, next(csv.reader([text], delimiter=file.delimiter), []), raw)


def _open_quote(whole: bytes, mark: bytes) -> bool:
    """Whether a quoted cell is still open at the end (RFC 4180: quotes count only where a cell begins with one)."""
    if whole.count(b'"') % 2 == 0:
        return False
    opened, at = False, 0
    while at < len(whole):
        if opened:
            end = whole.find(b'"', at)
            if end < 0:
                return True
            if whole[end + 1 : end + 2] == b'"':
                at = end + 2
                continue
            opened, at = False, end + 1
            continue
        if whole[at : at + 1] == b'"':
            opened, at = True, at + 1
            continue
        following = whole.find(mark, at)
        at = len(whole) if following < 0 else following + 1
    return opened


# --- GeoJSON and Parquet --------------------------------------------------------------------------------------------


def _geojson(path: Path) -> list[dict[str, Any]]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        features = document["features"]
        return [f if isinstance(f.get("properties"), dict) else {**f, "properties": {}} for f in features]
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputError("this is not a GeoJSON feature collection.", where=os.fspath(path),
                         mend="Give points in a FeatureCollection (RFC 7946).") from None  # fmt: skip


def _features(file: AddressFile) -> Iterator[Record]:
    for number, feature in enumerate(_geojson(file.path), 1):
        shape = feature.get("geometry") or {}
        there = shape.get("coordinates") if shape.get("type") == "Point" else None
        cells = [feature["properties"].get(name) for name in file.names]
        yield Record(number, [*cells, there])


def _parquet(path: Path) -> Any:
    try:
        import pyarrow.parquet
    except ImportError:
        raise InputError("reading Parquet needs pyarrow.", where=os.fspath(path),
                         mend='Install it with: pip install "skysill[parquet]".') from None  # fmt: skip
    try:
        return pyarrow.parquet.ParquetFile(path)
    except (OSError, ValueError) as fault:
        raise InputError("this is not a Parquet file that can be read.", where=os.fspath(path)) from fault


def _rows(file: AddressFile) -> Iterator[Record]:
    number = 0
    for batch in _parquet(file.path).iter_batches():
        columns = [column.to_pylist() for column in batch.columns]
        for cells in zip(*columns, strict=True):
            number += 1
            yield Record(number, cells)


# --- what the records say -------------------------------------------------------------------------------------------


class _RefusedError(Exception):
    """A record that cannot be screened; its text is the reason."""


def read_addresses(
    file: AddressFile, *, default_height_m: float, satellites: Sequence[Satellite] = ()
) -> Addresses:
    """Read every record's place, mount height and satellite; those that cannot be read are rejected with a reason."""
    reader = _Reader(file, default_height_m, list(satellites))
    kept: list[Floats] = [np.zeros((5, 0))]
    rejects: list[Reject] = []
    seen: Counter[str] = Counter()
    count = 0
    for block in _blocks(file):
        whole = reader.read_block(block) if isinstance(block, _Lines) else None
        if whole is not None:
            identities, columns = whole
            seen.update(identities)
            number = np.arange(count, count + columns.shape[1], dtype=np.float64)
            kept.append(np.vstack([number, columns]))
            count += columns.shape[1]
            continue
        rows: list[tuple[float, ...]] = []
        for record in block.records(file) if isinstance(block, _Lines) else block:
            count += 1
            identity = reader.identity(record)
            seen[identity] += 1
            try:
                rows.append((count - 1, *reader.read(record)))
            except _RefusedError as fault:
                rejects.append(Reject(record.line, identity, str(fault)))
        kept.append(np.array(rows, dtype=np.float64).reshape(-1, 5).T)
    del seen[""]
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
        repeated=sum(1 for times in seen.values() if times > 1),
    )


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
        if len(cells) < self.width:
            raise _RefusedError(f"it has {len(cells)} cells where the header has {self.width}")
        return *self._place(cells), self._height_m(cells), self._satellite(cells)

    def read_block(self, block: _Lines) -> tuple[Sequence[str], Floats] | None:
        """Ids, and (4, n) of what `read` gives, where every line is in order; None where one may not be."""
        if self.position is not None or self.latitude is None or self.longitude is None:
            return None
        text = b"".join(block.lines).decode(self.encoding, "replace").replace("\r\n", "\n")
        if "\r" in text:
            return None
        rows = [line.split(self.delimiter) for line in text.removesuffix("\n").split("\n")]
        if min(map(len, rows)) < self.width:
            return None
        cells = list(zip(*rows, strict=False))
        try:
            latitude, longitude = (
                np.array([float(c) for c in cells[i]]) for i in (self.latitude, self.longitude)
            )
            heights = [self._height_of(c) for c in cells[self.height]] if self.height is not None else None
            good = (np.abs(latitude) <= 90.0).all() and (np.abs(longitude) <= 180.0).all()
            if not good:
                return None
            named = [] if self.satellite is None else cells[self.satellite]
            number = {text: self._named_satellite(text.strip()) for text in dict.fromkeys(named)}
        except (ValueError, _RefusedError):
            return None
        height = np.full(latitude.size, self.default_height_m) if heights is None else np.array(heights)
        own = np.array([number[text] for text in named]) if named else np.full(latitude.size, -1.0)
        return [] if self.id is None else cells[self.id], np.vstack([latitude, longitude, height, own])

    def _place(self, cells: Sequence[Any]) -> tuple[float, float]:
        if self.geojson and cells[-1] is not None:
            longitude, latitude = (float(part) for part in cells[-1][:2])
            return self._checked(latitude, longitude)
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
            self._number(cells[self.latitude], "latitude"), self._number(cells[self.longitude], "longitude")
        )

    @staticmethod
    def _number(value: Any, name: str) -> float:
        try:
            number = float(value)
        except (TypeError, ValueError):
            number = math.nan
        if not math.isfinite(number):
            raise _RefusedError(
                f"{name}: there is nothing" if value in ("", None) else f'{name}: "{value}" is not a number'
            )
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
        height_m = self._number(value, "mount_height_m")
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
                    found = read_satellites(text)[0]
                except InputError as fault:
                    raise _RefusedError(f"satellite: {fault.what}") from None
                if found.longitude_deg is None:
                    raise _RefusedError("satellite: it moves; screening is for geostationary satellites")
                self.satellites.append(found)
                named = [len(self.satellites) - 1]
            self.known[text] = named[0]
        return self.known[text]


_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")


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
