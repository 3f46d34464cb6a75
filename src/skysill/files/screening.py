"""One screening from file to file: parts by place, kept as they are done; output whole, in the order given."""

from __future__ import annotations

import csv
import io
import json
import mmap
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from skysill.cluster import work_through
from skysill.errors import InputError
from skysill.files.addresses import (
    Addresses,
    AddressFile,
    Record,
    neutralized,
    open_addresses,
    raw_records,
    read_addresses,
)
from skysill.files.parts import Parts, looks_of
from skysill.files.plain import check_writable
from skysill.files.rasters import Raster
from skysill.heights import Lattice
from skysill.horizon.rays import reach_needed_m
from skysill.look import look_angles
from skysill.screen import Ground, Question, Screened, screen, screen_each
from skysill.site import Criteria, Satellite, Terminal
from skysill.units import Floats, Ints
from skysill.verdict import RANK

__all__ = ["COLUMNS", "ScreeningAsked", "ScreeningMade", "screen_file"]

COLUMNS = (
    "satellite", "azimuth_deg", "elevation_deg", "terrain_elevation_deg", "terrain_distance_m", "margin_deg",
    "margin_is_floor", "least_height_m", "verdict", "reason",
)  # fmt: skip
"""What is added to every address, in this order; with several satellites `all_satellites` follows."""

_PART_ROWS = 50_000
_HELD_CELLS = 40_000_000
_LEAST_TILE = 1024
_MOST_CELLS = 150_000_000
_SPLIT = "\x1f"
_LOW_M = -500.0


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningAsked:
    """What a list is screened against.

    rasters : finest first; one is screened as arrays, several address by address
    satellites : all of them are tried for every address that does not name its own
    full : margins over FLOOR_DEG too
    neutralize : put an apostrophe before cells that a spreadsheet would run as formulas
    """

    rasters: tuple[Raster, ...]
    satellites: tuple[Satellite, ...]
    highest_ground_m: float
    terminal: Terminal = field(default_factory=Terminal)
    criteria: Criteria = field(default_factory=Criteria)
    mount_height_m: float = 2.0
    full: bool = False
    neutralize: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningMade:
    """What came out. counts : addresses per verdict; latitude_deg, longitude_deg, verdict : (n,) for a map."""

    path: str
    rejected_path: str | None
    addresses: int
    screened: int
    rejected: int
    counts: Mapping[str, int]
    best: Mapping[str, int]
    notes: tuple[str, ...]
    latitude_deg: Floats = field(metadata={"json": False})
    longitude_deg: Floats = field(metadata={"json": False})
    verdict: Ints = field(metadata={"json": False})


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    asked: ScreeningAsked
    satellites: tuple[Satellite, ...]
    row: Ints
    latitude_deg: Floats
    longitude_deg: Floats
    mount_height_m: Floats
    satellite: Ints


def screen_file(
    asked: ScreeningAsked,
    addresses: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    resume: bool = False,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] = lambda done, count: None,
) -> ScreeningMade:
    """Screen a list of addresses; rejects go to `<out>.rejected.csv`.

    Raises
    ------
    InputError : input cannot be read, output cannot be written, an input has changed since the run began
    """
    target, source = check_writable(out), Path(os.path.realpath(addresses))
    if target == source:
        raise InputError(
            "the output would overwrite the list.", where=os.fspath(out), mend="Name another file."
        )
    _check_kind(target)
    file = open_addresses(addresses)
    recipe = _recipe(asked, source)
    parts = Parts(target, recipe)
    try:
        said = (parts.begin(resume=resume), *(note for raster in asked.rasters for note in raster.notes))
        notes = [note for note in said if note]
        places = read_addresses(file, default_height_m=asked.mount_height_m, satellites=asked.satellites)
        groups = _grouped(asked, places)
        missing = parts.missing(len(groups))
        done = places.record.size - sum(groups[number].size for number in missing)
        progress(done, places.record.size)
        tasks = [_task(asked, places, groups[number]) for number in missing]
        for number, answer in work_through(_work, tasks, jobs=jobs, cluster=cluster):
            parts.unchanged()
            parts.put(missing[number], answer)
            done += groups[missing[number]].size
            progress(done, places.record.size)
        parts.unchanged()
        return _assemble(asked, file, places, groups, parts, Path(out), notes)
    except OSError as fault:
        raise InputError(f"cannot be written ({fault.strerror}).", where=os.fspath(out),
                         mend="Make room there, then go on with --resume.") from fault  # fmt: skip
    finally:
        parts.close()


def _check_kind(target: Path) -> None:
    if target.suffix.lower() not in (".csv", ".txt", ".tsv", ".geojson", ".json", ".parquet", ".pq"):
        raise InputError(f'"{target.suffix}" is no kind of list that can be written.', where=os.fspath(target),
                         mend="End its name with .csv, .geojson or .parquet.")  # fmt: skip


def _recipe(asked: ScreeningAsked, source: Path) -> dict[str, Any]:
    files = looks_of(source)
    for raster in asked.rasters:
        for tile in raster.tiles:
            files.update(looks_of(tile.path))
    return {
        "files": files,
        "satellites": [[s.name, s.longitude_deg] for s in asked.satellites],
        "rasters": [[r.name, r.kind, r.vertical_error_m] for r in asked.rasters],
        "highest ground": asked.highest_ground_m,
        "terminal": asdict(asked.terminal),
        "criteria": asdict(asked.criteria),
        "mount height": asked.mount_height_m,
        "full": asked.full,
        "neutralize": asked.neutralize,
    }


# --- parts ----------------------------------------------------------------------------------------------------------


def _grouped(asked: ScreeningAsked, places: Addresses) -> list[Ints]:
    """Addresses in parts: those on one piece of the raster together, neighbours beside each other."""
    count = places.record.size
    if not count:
        return []
    raster = asked.rasters[0]
    row, column = Lattice((raster.rows, raster.cols), raster.transform, raster.crs).cell(
        places.latitude_deg, places.longitude_deg
    )
    side = _LEAST_TILE if raster.rows * raster.cols <= _HELD_CELLS else 4 * _LEAST_TILE
    row, column = (
        np.clip(np.nan_to_num(part, posinf=-1e6, neginf=-1e6), -1e6, 1e7) for part in (row, column)
    )
    piece = np.floor(row / side) * 1e5 + np.floor(column / side)
    near = np.floor(row / 64) * 1e6 + np.floor(column / 64)
    order = np.lexsort((np.arange(count), near, piece))
    if raster.rows * raster.cols <= _HELD_CELLS:
        cuts = np.arange(_PART_ROWS, count, _PART_ROWS)
    else:
        new = np.flatnonzero(np.diff(piece[order])) + 1
        edges = np.concatenate([[0], new, [count]])
        starts = [np.arange(a, b, _PART_ROWS) for a, b in pairwise(edges)]
        cuts = np.unique(np.concatenate(starts))[1:]
    return list(np.split(order, cuts))


def _task(asked: ScreeningAsked, places: Addresses, rows: Ints) -> _Task:
    return _Task(asked, places.satellites, rows, places.latitude_deg[rows], places.longitude_deg[rows],
                 places.mount_height_m[rows], places.satellite[rows])  # fmt: skip


def _work(task: _Task) -> bytes:
    """One part: number, verdict and text of every address."""
    wanted = range(len(task.asked.satellites))
    tried: dict[int, tuple[Ints, Screened]] = {}
    for number, satellite in enumerate(task.satellites):
        own = (task.satellite == number) | ((task.satellite < 0) & (number in wanted))
        at = np.flatnonzero(own)
        if at.size:
            tried[number] = (at, _screened(task, satellite, at))
    texts, codes = _texts(task, tried)
    encoded = [text.encode("utf-8") for text in texts]
    lengths = np.array([len(text) for text in encoded], dtype=np.uint32)
    head = task.row.size.to_bytes(8, "little") + task.row.astype(np.int64).tobytes()
    return head + lengths.tobytes() + codes.astype(np.uint8).tobytes() + b"".join(encoded)


def _screened(task: _Task, satellite: Satellite, at: Ints) -> Screened:
    asked = task.asked
    question = Question(satellite, asked.terminal, asked.criteria, asked.highest_ground_m, asked.full)
    latitude, longitude, height = task.latitude_deg[at], task.longitude_deg[at], task.mount_height_m[at]
    if len(asked.rasters) > 1:
        return screen_each(asked.rasters, latitude, longitude, height, question)
    return screen(_ground_for(task, satellite), latitude, longitude, height, question)


def _ground_for(task: _Task, satellite: Satellite) -> Ground:
    raster = task.asked.rasters[0]
    looks = tuple(str(looks_of(tile.path)) for tile in raster.tiles)
    if raster.rows * raster.cols <= _HELD_CELLS:
        return _held(raster, looks, (0, raster.rows, 0, raster.cols))
    row, column = Lattice((raster.rows, raster.cols), raster.transform, raster.crs).cell(
        task.latitude_deg, task.longitude_deg
    )
    side = 4 * _LEAST_TILE
    margin = _margin_cells(task, satellite, raster)
    row, column = (np.clip(np.nan_to_num(p, posinf=0.0, neginf=0.0), 0, last)
                   for p, last in ((row, raster.rows - 1), (column, raster.cols - 1)))  # fmt: skip
    box = (
        max(int(row.min()) // side * side - margin, 0), min((int(row.max()) // side + 1) * side + margin, raster.rows),
        max(int(column.min()) // side * side - margin, 0),
        min((int(column.max()) // side + 1) * side + margin, raster.cols),
    )  # fmt: skip
    if (box[1] - box[0]) * (box[3] - box[2]) > _MOST_CELLS:
        raise InputError("ground as far as it could matter does not fit in memory.", where=raster.name,
                         mend="Say with --highest-ground how high the ground around can be.")  # fmt: skip
    return _held(raster, looks, box)


def _margin_cells(task: _Task, satellite: Satellite, raster: Raster) -> int:
    """Cells around the addresses that their rays may need, by the lowest ray and the highest ground."""
    assert satellite.longitude_deg is not None
    elevation_deg = look_angles(
        task.latitude_deg, task.longitude_deg, 0.0, satellite_longitude_deg=satellite.longitude_deg
    ).elevation_deg
    lowest_deg = max(float(elevation_deg.min()) - 1.0, 0.5)
    reach_m = reach_needed_m(
        _LOW_M, lowest_deg, highest_ground_m=task.asked.highest_ground_m,
        radius_m=6.4e6 * task.asked.criteria.refraction_factor,
    )  # fmt: skip
    lattice = Lattice((raster.rows, raster.cols), raster.transform, raster.crs)
    step_deg = 0.01
    here = lattice.cell(task.latitude_deg[:1], task.longitude_deg[:1])
    east = lattice.cell(task.latitude_deg[:1], task.longitude_deg[:1] + step_deg)
    step_m = step_deg * 111_320.0 * max(float(np.cos(np.deg2rad(task.latitude_deg[0]))), 0.05)
    per_m = max(float(np.hypot(east[0] - here[0], east[1] - here[1])[0]) / step_m, 1.0 / raster.cell_size_m)
    return int(float(reach_m) * per_m * 1.05) + 70


@lru_cache(maxsize=1)
def _held(raster: Raster, looks: tuple[str, ...], box: tuple[int, int, int, int]) -> Ground:
    """Ground in memory; `looks` tells a changed file from the one read before."""
    return Ground.of(raster.cells(*box), name=raster.name, kind=raster.kind, cell_size_m=raster.cell_size_m,
                     vertical_error_m=raster.vertical_error_m)  # fmt: skip


def _texts(task: _Task, tried: Mapping[int, tuple[Ints, Screened]]) -> tuple[list[str], Ints]:
    """The text added to every address, and its verdict's number; of several satellites the best one speaks."""
    count = task.row.size
    if len(task.asked.satellites) == 1 and len(tried) == 1:
        ((number, (at, found)),) = tried.items()
        if at.size == count:
            ranks = [RANK[verdict] for verdict in found.verdict]
            return _lines(task.satellites[number].name, found), np.array(ranks, dtype=np.int64)
    rank = np.full(count, 99.0)
    texts = [""] * count
    codes = np.zeros(count, dtype=np.int64)
    several: list[list[str]] = [[] for _ in range(count)] if len(task.asked.satellites) > 1 else []
    for number, (at, found) in tried.items():
        name = task.satellites[number].name
        own = np.array([RANK[verdict] for verdict in found.verdict], dtype=np.float64)
        room = np.where(np.isnan(found.margin_deg), -90.0, found.margin_deg) + 1e-3 * found.elevation_deg
        value = own - np.clip(room, -180.0, 180.0) / 1000.0
        lines = _lines(name, found)
        for k in np.flatnonzero(value < rank[at]):
            texts[at[k]], codes[at[k]] = lines[k], int(own[k])
        rank[at] = np.minimum(rank[at], value)
        if several:
            for k, verdict in zip(at, found.verdict, strict=True):
                several[k].append(f"{name}: {verdict}")
    if several:
        texts = [f"{text}{_SPLIT}{'; '.join(others)}" for text, others in zip(texts, several, strict=True)]
    return texts, codes


def _lines(name: str, found: Screened) -> list[str]:
    columns = [
        _numbers(found.azimuth_deg, 3), _numbers(found.elevation_deg, 3), _numbers(found.terrain_elevation_deg, 3),
        _numbers(found.terrain_distance_m, 1), _numbers(found.margin_deg, 3),
        ["true" if floor else "false" for floor in found.margin_is_floor], _numbers(found.least_height_m, 1),
        found.verdict, found.reason,
    ]  # fmt: skip
    return [_SPLIT.join((name, *cells)) for cells in zip(*columns, strict=True)]


def _numbers(values: Floats, digits: int) -> list[str]:
    form = f"%.{digits}f"
    return ["" if value != value else form % value for value in values.tolist()]


# --- the output -----------------------------------------------------------------------------------------------------


def _assemble(
    asked: ScreeningAsked, file: AddressFile, places: Addresses, groups: Sequence[Ints], parts: Parts, out: Path,
    notes: list[str],
) -> ScreeningMade:  # fmt: skip
    store = _Answers(parts, len(groups), places.record.size)
    whole = parts.folder / f"whole{out.suffix}"
    names = COLUMNS if len(asked.satellites) < 2 else (*COLUMNS, "all_satellites")
    suffix = out.suffix.lower()
    try:
        if suffix in (".geojson", ".json"):
            changed = _write_geojson(whole, file, places, store, names)
        elif suffix in (".parquet", ".pq"):
            changed = _write_parquet(whole, file, places, store, names)
        else:
            changed = _write_csv(whole, file, places, store, names, asked.neutralize)
    finally:
        best = store.best(len(groups), places.satellites)
        store.close()
    made = {out: whole}
    rejected = out.with_name(out.name + ".rejected.csv")
    if places.rejects:
        _write_rejects(parts.folder / "rejected.csv", places)
        made = {rejected: parts.folder / "rejected.csv", out: whole}
    elif rejected.exists():
        rejected.unlink()
    parts.place(made)
    if places.repeated:
        notes.append(f"{places.repeated} ids occur more than once; every row was screened.")
    if asked.neutralize:
        notes.append(f"{changed} cells that a spreadsheet would run as formulas got an apostrophe.")
    codes = store.codes
    return ScreeningMade(
        path=os.fspath(out), rejected_path=os.fspath(rejected) if places.rejects else None, addresses=places.count,
        screened=places.record.size, rejected=len(places.rejects),
        counts={name: int((codes == rank).sum()) for name, rank in RANK.items()}, best=best,
        notes=tuple(notes), latitude_deg=places.latitude_deg, longitude_deg=places.longitude_deg, verdict=codes,
    )  # fmt: skip


class _Answers:
    """The text of every address, on disk, found by its number."""

    def __init__(self, parts: Parts, count: int, addresses: int) -> None:
        self.start, self.length = np.zeros(addresses, np.int64), np.zeros(addresses, np.int64)
        self.codes = np.zeros(addresses, dtype=np.int64)
        self.path = parts.folder / "answers.bin"
        place = 0
        with open(self.path, "wb") as stream:
            for answer in parts.answers(count):
                row, codes, lengths, text = _unpacked(answer)
                stream.write(text)
                self.length[row] = lengths
                self.start[row] = place + np.cumsum(lengths) - lengths
                self.codes[row] = codes
                place += len(text)
            stream.write(b"\n")  # an empty file cannot be mapped
        self._stream = open(self.path, "rb")  # noqa: SIM115  # closed by close()
        self._map = mmap.mmap(self._stream.fileno(), 0, access=mmap.ACCESS_READ)
        self._starts, self._lengths = self.start.tolist(), self.length.tolist()

    def raw(self, address: int) -> bytes:
        start = self._starts[address]
        return self._map[start : start + self._lengths[address]]

    def of(self, address: int) -> str:
        return self.raw(address).decode("utf-8")

    def best(self, count: int, satellites: Sequence[Satellite]) -> dict[str, int]:
        """How many addresses each satellite serves best."""
        if len(satellites) == 1 and count:
            return {satellites[0].name: len(self._starts)}
        tally: dict[str, int] = {}
        for address in range(len(self._starts) if count else 0):
            start = self._starts[address]
            end = self._map.find(b"\x1f", start)
            name = self._map[start:end].decode("utf-8")
            tally[name] = tally.get(name, 0) + 1
        return tally

    def close(self) -> None:
        self._map.close()
        self._stream.close()


def _unpacked(answer: bytes) -> tuple[Ints, Ints, Ints, bytes]:
    size = int.from_bytes(answer[:8], "little")
    row = np.frombuffer(answer, np.int64, size, 8)
    lengths = np.frombuffer(answer, np.uint32, size, 8 + 8 * size)
    codes = np.frombuffer(answer, np.uint8, size, 8 + 12 * size)
    return row, codes.astype(np.int64), lengths.astype(np.int64), answer[8 + 13 * size :]


def _matched(file: AddressFile, places: Addresses) -> Iterator[tuple[int, Record]]:
    """Every record that was screened, with its address's number, in the file's order."""
    wanted = iter(zip(places.record.tolist(), range(places.record.size), strict=True))
    following = next(wanted, None)
    for number, record in enumerate(file.records()):
        if following is None:
            return
        if number == following[0]:
            yield following[1], record
            following = next(wanted, None)


def _write_csv(
    path: Path, file: AddressFile, places: Addresses, store: _Answers, names: Sequence[str], neutralize: bool
) -> int:
    if file.plain and not neutralize:
        return _write_plain_csv(path, file, places, store, names)
    delimiter, changed = file.delimiter, 0
    encoding = file.encoding if file.kind == "csv" else "utf-8"
    mark, tail = delimiter.encode(), file.line_end
    with open(path, "wb", buffering=1 << 20) as stream:
        header = file.header if file.kind == "csv" else _row_text(file.names, delimiter).encode("utf-8")
        stream.write(header + mark + delimiter.join(names).encode() + tail)
        for address, record in _matched(file, places):
            raw = record.raw
            if file.kind != "csv":
                raw = _row_text(
                    ["" if c is None else str(c) for c in record.cells[: len(file.names)]], delimiter
                ).encode()
            if neutralize:
                cells, count = neutralized([str(c) for c in record.cells[: len(file.names)]])
                if count:
                    raw, changed = _row_text(cells, delimiter).encode(encoding, "replace"), changed + count
            added = store.of(address).split(_SPLIT)
            stream.write(raw + mark + _row_text(added, delimiter).encode(encoding, "replace") + tail)
        stream.flush()
        os.fsync(stream.fileno())
    return changed


def _write_plain_csv(
    path: Path, file: AddressFile, places: Addresses, store: _Answers, names: Sequence[str]
) -> int:
    """Every record is a line, so its bytes go through as they are, without being taken apart."""
    mark, tail, split = file.delimiter.encode(), file.line_end, _SPLIT.encode()
    to_quote = re.compile(b'["\r\n\x80-\xff' + mark + b"]")
    screened = np.zeros(places.count, dtype=bool)
    screened[places.record] = True
    address = -1
    with open(path, "wb", buffering=1 << 20) as stream:
        stream.write(file.header + mark + file.delimiter.join(names).encode() + tail)
        for raw, wanted in zip(raw_records(file), screened.tolist(), strict=False):
            if not wanted:
                continue
            address += 1
            added = store.raw(address)
            if to_quote.search(added):
                cells = added.decode("utf-8").split(_SPLIT)
                added = _row_text(cells, file.delimiter).encode(file.encoding, "replace")
            else:
                added = added.replace(split, mark)
            stream.write(raw + mark + added + tail)
        stream.flush()
        os.fsync(stream.fileno())
    return 0


def _row_text(cells: Sequence[str], delimiter: str) -> str:
    return delimiter.join(
        '"' + cell.replace('"', '""') + '"'
        if delimiter in cell or '"' in cell or "\n" in cell or "\r" in cell
        else cell
        for cell in cells
    )


def _values(added: Sequence[str], names: Sequence[str]) -> dict[str, Any]:
    """Numbers as numbers, nothing as None."""
    said: dict[str, Any] = {}
    for name, text in zip(names, added, strict=True):
        if name.endswith(("_deg", "_m")):
            said[name] = float(text) if text else None
        else:
            said[name] = text == "true" if name == "margin_is_floor" else text
    return said


def _named(file: AddressFile, record: Record, names: Sequence[str]) -> dict[str, Any]:
    """The record's own columns; one whose name is added gets `_asked` behind it."""
    return {
        (f"{own}_asked" if own in names else own): cell
        for own, cell in zip(file.names, record.cells, strict=False)
    }


def _write_geojson(
    path: Path, file: AddressFile, places: Addresses, store: _Answers, names: Sequence[str]
) -> int:
    with open(path, "w", encoding="utf-8") as stream:
        stream.write('{"type": "FeatureCollection", "features": [')
        for number, (address, record) in enumerate(_matched(file, places)):
            properties = _named(file, record, names) | _values(store.of(address).split(_SPLIT), names)
            there = [
                round(float(places.longitude_deg[address]), 7),
                round(float(places.latitude_deg[address]), 7),
            ]
            feature = {
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": there},
                "properties": properties,
            }
            stream.write((",\n" if number else "\n") + json.dumps(feature, ensure_ascii=False, default=str))
        stream.write("\n]}\n")
    return 0


def _write_parquet(
    path: Path, file: AddressFile, places: Addresses, store: _Answers, names: Sequence[str]
) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise InputError("writing Parquet needs pyarrow.", where=os.fspath(path),
                         mend='Install it with: pip install "skysill[parquet]".') from None  # fmt: skip
    rows = [
        _named(file, record, names) | _values(store.of(address).split(_SPLIT), names)
        for address, record in _matched(file, places)
    ]
    own = [f"{name}_asked" if name in names else name for name in file.names]
    number, text = pa.float64(), pa.string()
    kinds = {
        n: number if n.endswith(("_deg", "_m")) else pa.bool_() if n == "margin_is_floor" else text
        for n in names
    }
    columns = {name: pa.array([row.get(name) for row in rows], kinds.get(name)) for name in (*own, *names)}
    pq.write_table(pa.table(columns), path)
    return 0


def _write_rejects(path: Path, places: Addresses) -> None:
    with io.StringIO(newline="") as text:
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(["line", "id", "reason"])
        writer.writerows([r.line, r.id, r.reason] for r in places.rejects)
        path.write_bytes(text.getvalue().encode("utf-8"))
