"""Results of a screening: packed by part, then written behind the list's own columns."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import compress, groupby, islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.assessment.verdict import RANK
from skysill.bulk.screening import ScreeningResults
from skysill.io.address_csv import neutralized, raw_records, row_text
from skysill.io.address_files import AddressFile, Record
from skysill.io.address_lists import Addresses, records as address_records
from skysill.io.address_vectors import holds_areas, outline_of
from skysill.io.delimited_bytes import fixed
from skysill.io.geoparquet import geometry_head, geometry_name, wkb_of
from skysill.io.json_text import to_json_text
from skysill.model.site import Satellite
from skysill.units import Bools, Floats, Ints

__all__ = [
    "COLUMNS",
    "REJECT_COLUMNS",
    "ResultColumns",
    "ResultTable",
    "matched_records",
    "own_names",
    "packed",
    "write_list",
    "write_rejects",
]

COLUMNS = (
    "satellite", "azimuth_deg", "elevation_deg", "terrain_elevation_deg", "terrain_distance_m", "margin_deg",
    "margin_is_floor", "least_height_m", "verdict", "reason",
)  # fmt: skip
"""What is added to every address, in this order; with several satellites `all_satellites` follows."""

REJECT_COLUMNS = ("line", "id", "reason")

_PLACES = {
    "azimuth_deg": 3, "elevation_deg": 3, "terrain_elevation_deg": 3, "terrain_distance_m": 1, "margin_deg": 3,
    "least_height_m": 1,
}  # fmt: skip
"""Decimal places of each number of `COLUMNS`."""

_NOTHING = np.iinfo(np.int32).min


@dataclass(frozen=True)
class ResultColumns:
    """What is added to every record: `COLUMNS`, then further numbers and texts, then the verdicts of all satellites.

    numbers : further numbers and their decimal places; one of `COLUMNS` here only has other decimal places
    texts : further texts
    several : whether several satellites are asked for, so that `all_satellites` is added
    kept : numbers that are stored until all parts are done, and not written
    """

    numbers: Mapping[str, int]
    texts: tuple[str, ...] = ()
    several: bool = False
    kept: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def places(self) -> dict[str, int]:
        """Decimal places of every number."""
        return _PLACES | dict(self.numbers) | dict(self.kept)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The columns in the order in which they are written."""
        further = tuple(name for name in (*self.numbers, *self.texts) if name not in COLUMNS)
        return (*COLUMNS, *further, *(("all_satellites",) if self.several else ()))

    @cached_property
    def row(self) -> np.dtype[Any]:
        """One result: numbers in units of their last decimal place; words as numbers of texts."""
        return np.dtype(
            [("address", "<i8"), ("satellite", "<i4"), *((name, "<i4") for name in self.places),
             ("margin_is_floor", "?"), ("verdict", "u1"), *((name, "<i4") for name in self.in_table)]
        )  # fmt: skip

    @property
    def in_table(self) -> tuple[str, ...]:
        """Columns that hold numbers of texts."""
        return ("reason", "all_satellites", *self.texts)


MAST = "mast_height_m"
"""The number that tells which satellite is best, behind the verdict, where masts are searched for."""

_VERDICTS = sorted(RANK, key=RANK.__getitem__)
_NOT_ASKED = 255
_TOGETHER = 10_000

Rows = NDArray[np.void]


# --- packed ---------------------------------------------------------------------------------------------------------


def packed(
    address: Ints,
    satellites: Sequence[Satellite],
    results: Mapping[int, tuple[Ints, ScreeningResults]],
    columns: ResultColumns,
) -> bytes:
    """The results of one part; with several satellites the best one of each address.

    The best has the best verdict; of those the lowest mast, where masts are searched for; of those the largest margin.

    address : (n,) numbers of the addresses
    results : by the satellite's number, indices of the addresses it was screened for, and their results
    """
    rows = np.zeros(address.size, dtype=columns.row)
    rows["address"] = address
    best = np.full(address.size, np.inf)
    verdicts = np.full((address.size, len(satellites)), _NOT_ASKED, dtype=np.uint8)
    masts_m = np.full(verdicts.shape, np.nan)
    texts: dict[str, int] = {}
    for number, (at, found) in results.items():
        rank = np.array(list(map(RANK.__getitem__, found.verdict.tolist())), dtype=np.uint8)
        verdicts[at, number] = rank
        room = np.where(np.isnan(found.margin_deg), -90.0, found.margin_deg) + 1e-3 * found.elevation_deg
        value = rank - np.clip(room, -180.0, 180.0) / 1000.0
        if (mast_m := found.numbers.get(MAST)) is not None:
            masts_m[at, number] = mast_m
            lowest_first = np.clip(np.nan_to_num(mast_m, nan=400.0), 0.0, 400.0) / 1000.0
            value = rank + lowest_first - np.clip(room, -180.0, 180.0) / 1e7
        better = np.flatnonzero(value < best[at])
        into = at[better]
        best[into] = value[better]
        rows["satellite"][into], rows["verdict"][into] = number, rank[better]
        rows["margin_is_floor"][into] = found.margin_is_floor[better]
        for name, places in columns.places.items():
            numbers = getattr(found, name) if name in _PLACES else found.numbers[name]
            rows[name][into] = _in_last_places(numbers[better], places)
        for name in ("reason", *columns.texts):
            words = found.reason if name == "reason" else found.texts[name]
            rows[name][into] = _numbered(words[better].tolist(), texts)
    if columns.several:
        rows["all_satellites"] = _of_all(
            verdicts, masts_m, [satellite.name for satellite in satellites], texts
        )
    return address.size.to_bytes(8, "little") + rows.tobytes() + json.dumps(list(texts)).encode("ascii")


def _in_last_places(value: Floats, places: int) -> NDArray[np.int32]:
    """Whole numbers of the last decimal place, rounded as formatted text is; the lowest number where there is none."""
    there = np.isfinite(value)
    scaled = np.where(there, value, 0.0) * 10.0**places
    number = np.rint(scaled)
    for k in np.flatnonzero(np.abs(np.abs(scaled - np.trunc(scaled)) - 0.5) < 1e-6).tolist():
        number[k] = round(float(f"{value[k]:.{places}f}") * 10**places)
    return np.where(there, number, _NOTHING).astype(np.int32)


def _of_all(
    verdicts: NDArray[np.uint8], masts_m: Floats, names: Sequence[str], texts: dict[str, int]
) -> Ints:
    """Numbers of the texts that give the verdict of every satellite, with the mast where one was searched for."""
    masts_cm = np.where(np.isnan(masts_m), -1, np.rint(100.0 * np.nan_to_num(masts_m))).astype(np.int32)
    kinds, kind = np.unique(np.hstack([verdicts.astype(np.int32), masts_cm]), axis=0, return_inverse=True)

    def said(name: str, rank: int, mast_cm: int) -> str:
        return f"{name}: {_VERDICTS[rank]}" + (f", mast {mast_cm / 100.0:.2f} m" if mast_cm >= 0 else "")

    texts_of_kinds = [
        "; ".join(
            said(*one)
            for one in zip(names, row[: len(names)], row[len(names) :], strict=True)
            if one[1] != _NOT_ASKED
        )
        for row in kinds.tolist()
    ]
    return _numbered(texts_of_kinds, texts)[kind.reshape(-1)]


def _numbered(wanted: Sequence[str], texts: dict[str, int]) -> Ints:
    """The number of each text; new ones get the next."""
    for text in dict.fromkeys(wanted):
        texts.setdefault(text, len(texts))
    return np.array(list(map(texts.__getitem__, wanted)), dtype=np.int64)


class ResultTable:
    """The results of all addresses, in the order of their numbers."""

    def __init__(
        self, parts: Iterable[bytes], count: int, satellites: Sequence[Satellite], columns: ResultColumns
    ) -> None:
        self.columns = columns
        self.rows = np.zeros(count, dtype=columns.row)
        whole = np.dtype(f"V{columns.row.itemsize}")  # a row is copied in one piece, not field by field
        self.names = [satellite.name for satellite in satellites]
        self._texts: list[str] = []
        for part in parts:
            size = int.from_bytes(part[:8], "little")
            rows = np.frombuffer(part, columns.row, size, 8).copy()
            for name in columns.in_table:
                rows[name] += len(self._texts)
            self.rows.view(whole)[rows["address"]] = rows.view(whole)
            self._texts += json.loads(part[8 + size * columns.row.itemsize :])

    @property
    def verdict(self) -> Ints:
        """(n,) rank of each verdict."""
        return self.rows["verdict"].astype(np.int64)

    def numbers(self, name: str) -> Floats:
        """(n,) one of the numbers, nan where there is none."""
        units = self.rows[name]
        return np.where(units == _NOTHING, np.nan, units / 10.0 ** self.columns.places[name])

    def replace_numbers(self, name: str, values: Floats) -> None:
        """Other (n,) values of one of the numbers; nan: there is none."""
        self.rows[name] = _in_last_places(values, self.columns.places[name])

    def best(self) -> dict[str, int]:
        """How many addresses each satellite serves best."""
        tally: dict[str, int] = {}
        for name, count in zip(self.names, np.bincount(self.rows["satellite"]).tolist(), strict=False):
            if count or len(self.names) == 1:
                tally[name] = tally.get(name, 0) + count
        return tally

    def values(self, first: int, last: int, name: str) -> list[Any]:
        """One added column for addresses first to last: numbers as numbers, missing values as None."""
        rows = self.rows[first:last]
        if name in self.columns.places:
            places = self.columns.places[name]
            scale = 10.0**places
            return [None if n == _NOTHING else n / scale if places else n for n in rows[name].tolist()]
        if name == "margin_is_floor":
            return list(rows[name].tolist())
        words = map(self._table(name).__getitem__, self._kind(rows, name))
        return [word or None for word in words] if name in self.columns.texts else list(words)

    def written(
        self, first: int, last: int, cell: Callable[[str], bytes], mark: bytes, tail: bytes
    ) -> list[list[bytes]]:
        """Text behind the records first to last, in pieces that follow each other, each with one text a record.

        cell : a text as it is written in a cell
        """
        rows = self.rows[first:last]
        satellites = [mark + cell(name) for name in self.names]
        pieces = [list(map(satellites.__getitem__, rows["satellite"].tolist()))]
        for numbers, names in groupby(self.columns.names[1:], self._is_number):
            write = self._numbers_written if numbers else self._words_written
            pieces.append(write(rows, tuple(names), cell, mark))
        return [*pieces, [tail] * rows.size]

    def _is_number(self, name: str) -> bool:
        return name in self.columns.places or name == "margin_is_floor"

    def _words_written(
        self, rows: Rows, names: Sequence[str], cell: Callable[[str], bytes], mark: bytes
    ) -> list[bytes]:
        kinds = list(zip(*(self._kind(rows, name) for name in names), strict=True))
        tables = [self._table(name) for name in names]
        words_of = {
            numbers: b"".join(mark + cell(table[n]) for table, n in zip(tables, numbers, strict=True))
            for numbers in dict.fromkeys(kinds)
        }
        return list(map(words_of.__getitem__, kinds))

    def _numbers_written(
        self, rows: Rows, names: Sequence[str], cell: Callable[[str], bytes], mark: bytes
    ) -> list[bytes]:
        """Numbers, and whether the margin is a floor, of each answer, each behind a delimiter."""
        count, places = rows.size, self.columns.places
        between = np.full((count, 1), mark[0], dtype=np.uint8)
        columns: list[NDArray[np.uint8]] = []
        for name in names:
            if name in places:
                columns += [between, fixed(rows[name], rows[name] != _NOTHING, places[name])]
            else:
                columns += [between, _TRUTH[rows[name].astype(np.intp)]]
        columns.append(np.full((count, 1), ord("\n"), dtype=np.uint8))
        return np.concatenate(columns, axis=1).tobytes().translate(None, b"\0").split(b"\n")[:-1]

    def _kind(self, rows: Rows, name: str) -> list[int]:
        return list(rows[name].tolist())

    def _table(self, name: str) -> Sequence[str]:
        return {"satellite": self.names, "verdict": _VERDICTS}.get(name, self._texts)


_TRUTH = np.frombuffer(b"falsetrue\0", np.uint8).reshape(2, 5)


# --- written --------------------------------------------------------------------------------------------------------


def write_list(
    path: Path,
    file: AddressFile,
    places: Addresses,
    results: ResultTable,
    *,
    neutralize: bool,
    symbols: Mapping[str, Mapping[str, str]] | None = None,
) -> int:
    """Write the records that were screened, in the list's order, each with its result; the path's ending is the format.

    neutralize : CSV only, see `neutralized`
    symbols : GeoJSON only; by the verdict, further properties of a feature

    Returns
    -------
    How many cells were neutralized
    """
    suffix = path.suffix.lower()
    if suffix in (".geojson", ".json"):
        _write_geojson(path, file, places, results, symbols or {})
    elif suffix in (".parquet", ".pq"):
        _write_parquet(path, file, places, results)
    else:
        return _write_csv(path, file, places, results, neutralize)
    return 0


def _screened(places: Addresses) -> Bools:
    screened = np.zeros(places.count, dtype=bool)
    screened[places.record] = True
    return screened


def matched_records(
    file: AddressFile, places: Addresses, together: int = _TOGETHER
) -> Iterator[tuple[int, list[Record]]]:
    """The screened records in the file's order, some thousands at a time, with the number of the first address."""
    records, address = compress(address_records(file), _screened(places).tolist()), 0
    while some := list(islice(records, together)):
        yield address, some
        address += len(some)


def _own_bytes(
    file: AddressFile, places: Addresses, *, neutralize: bool
) -> Iterator[tuple[int, list[bytes], int]]:
    """The same as lines of CSV without their ends, with the number of cells that were neutralized."""
    if file.kind != "csv":
        for address, records in matched_records(file, places):
            rows = [["" if c is None else str(c) for c in r.cells[: len(file.names)]] for r in records]
            safe = [neutralized(cells) for cells in rows] if neutralize else [(cells, 0) for cells in rows]
            written = [row_text(cells, file.delimiter).encode("utf-8", "replace") for cells, _ in safe]
            yield address, written, sum(count for _, count in safe)
        return
    screened, number, address = _screened(places), 0, 0
    for raw, changed in raw_records(file, neutralize=neutralize):
        wanted = screened[number : number + len(raw)]
        some = raw if wanted.all() else list(compress(raw, wanted.tolist()))
        yield address, some, sum(count for k, count in changed.items() if wanted[k])
        number += len(raw)
        address += len(some)


def _write_csv(
    path: Path,
    file: AddressFile,
    places: Addresses,
    results: ResultTable,
    neutralize: bool,
) -> int:
    names = results.columns.names
    encoding = file.encoding if file.kind == "csv" else "utf-8"
    delimiter, tail = file.delimiter, file.line_end
    mark = delimiter.encode()
    safe_names, changed = neutralized(file.names) if neutralize else (list(file.names), 0)

    def cell(text: str) -> bytes:
        safe = neutralized([text])[0] if neutralize else [text]
        return row_text(safe, delimiter).encode(encoding, "replace")

    with open(path, "wb") as stream:
        header = file.header
        if changed or file.kind != "csv":
            header = row_text(safe_names, delimiter).encode(encoding, "replace")
        stream.write(header + mark + delimiter.join(names).encode() + tail)
        for address, raw, count in _own_bytes(file, places, neutralize=neutralize):
            changed += count
            written = [raw, *results.written(address, address + len(raw), cell, mark, tail)]
            pieces = [b""] * (len(written) * len(raw))
            for at, piece in enumerate(written):
                pieces[at :: len(written)] = piece
            stream.write(b"".join(pieces))
        stream.flush()
        os.fsync(stream.fileno())
    return changed


def own_names(file: AddressFile, names: Sequence[str]) -> list[str]:
    """The record's own columns; one whose name is added gets `_asked` behind it."""
    return [f"{own}_asked" if own in names else own for own in file.names]


def _write_geojson(
    path: Path, file: AddressFile, places: Addresses, results: ResultTable,
    symbols: Mapping[str, Mapping[str, str]],
) -> None:  # fmt: skip
    names = results.columns.names
    verdict_at = names.index("verdict")
    own, between, areas = own_names(file, names), "\n", holds_areas(file)
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False, default=str).encode

    def text(feature: dict[str, Any]) -> str:
        try:
            return encode(feature)
        except (ValueError, TypeError):  # a number that is none, or a key that is no text
            return to_json_text(feature, indent=None)

    # a lone surrogate is written as JSON's escape of it
    with open(path, "w", encoding="utf-8", errors="backslashreplace") as stream:
        stream.write('{"type": "FeatureCollection", "features": [')
        for address, records in matched_records(file, places):
            last = address + len(records)
            added = zip(*(results.values(address, last, name) for name in names), strict=True)
            there = zip(places.longitude_deg[address:last].tolist(), places.latitude_deg[address:last].tolist(),
                        strict=True)  # fmt: skip
            for record, values, (longitude, latitude) in zip(records, added, there, strict=True):
                point = {"type": "Point", "coordinates": [round(longitude, 7), round(latitude, 7)]}
                feature = {
                    "type": "Feature",
                    "geometry": outline_of(record.cells[-1]) if areas else point,
                    "properties": dict(zip(own, record.cells, strict=False))
                    | dict(zip(names, values, strict=True))
                    | dict(symbols.get(values[verdict_at], {})),
                }
                stream.write(between + text(feature))
                between = ",\n"
        stream.write("\n]}\n")


def _write_parquet(path: Path, file: AddressFile, places: Addresses, results: ResultTable) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    names, numbers = results.columns.names, results.columns.places
    own = own_names(file, names)
    cells: list[list[Any]] = [[] for _ in own]
    for _, records in matched_records(file, places):
        for column, values in zip(cells, zip(*(record.cells[: len(own)] for record in records), strict=True),
                                  strict=True):  # fmt: skip
            column.extend(values)
    columns = {_whole_text(name): _array(values) for name, values in zip(own, cells, strict=True)}
    count = places.record.size
    for name in names:
        kind = pa.float64() if name in numbers else pa.bool_() if name == "margin_is_floor" else pa.string()
        columns[name] = pa.array(results.values(0, count, name), kind)
    head = None
    if holds_areas(file):
        shapes = [
            outline_of(record.cells[-1]) for _, some in matched_records(file, places) for record in some
        ]
        name = geometry_name(columns)
        columns[name], head = pa.array(wkb_of(shapes), pa.binary()), geometry_head(name, shapes)
    pq.write_table(pa.table(columns).replace_schema_metadata(head), path)


def _array(values: list[Any]) -> Any:
    """A column; values of several kinds become text."""
    import pyarrow as pa

    try:
        return pa.array(values)
    except (pa.ArrowException, ValueError, TypeError, OverflowError):
        return pa.array([None if value is None else _whole_text(value) for value in values])


def _whole_text(value: Any) -> str:
    """Text without lone surrogates, which no file can hold."""
    return str(value).encode("utf-8", "replace").decode("utf-8")


def write_rejects(path: Path, places: Addresses, *, neutralize: bool = False) -> int:
    """Write the list of rejected records; returns the number of cells that were neutralized."""
    changed = 0
    with io.StringIO(newline="") as text:
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(REJECT_COLUMNS)
        for reject in places.rejects:
            cells, count = [reject.id, reject.reason], 0
            if neutralize:
                cells, count = neutralized(cells)
            changed += count
            writer.writerow([reject.line, *cells])
        path.write_bytes(text.getvalue().encode("utf-8", "replace"))
    return changed
