"""One screening from file to file: parts by place, kept as they are done; output whole, in the order given."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from skysill.assessment.search_window import sought_elevation_deg
from skysill.assessment.verdict import RANK
from skysill.bulk.least_heights import Lattice
from skysill.bulk.screening import (
    Ground,
    ScreeningQuery,
    ScreeningResults,
    merged,
    out_of_reach,
    screen,
    screen_one_by_one,
)
from skysill.bulk.worker_pool import WorkerPool, run_tasks
from skysill.errors import InputError
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.horizon.rays import reach_needed_m
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.address_lists import Addresses, AddressFile, open_addresses, read_addresses
from skysill.io.checkpoints import Parts, looks_of
from skysill.io.output_checks import check_outputs
from skysill.io.output_files import check_writable
from skysill.io.rasters import Raster
from skysill.io.screening_results import COLUMNS, REJECT_COLUMNS, Answers, packed, write_list, write_rejects
from skysill.io.sources import refuse_higher
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Criteria, Satellite, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.units import Floats, Ints

__all__ = ["COLUMNS", "ScreeningRequest", "ScreeningSummary", "screen_file"]

_PART_ROWS = 50_000
_PART_ROWS_EACH = 500
_LONG_LIST_BYTES = 4_000_000
_HELD_CELLS = 40_000_000
_LEAST_TILE = 1024
_NEAR_CELLS = 64
_MARGIN_STEP = 256  # so that parts of one piece need the same ground
_BEFORE = 1 << 20  # cells before the raster's first that are told apart
_MOST_CELLS = 150_000_000


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningRequest:
    """What a list is screened against.

    rasters : finest first; one is screened as arrays, several address by address
    satellites : all of them are tried for every address that does not name its own
    full : margins over FLOOR_DEG too
    neutralize : put an apostrophe before cells that a spreadsheet would run as formulas
    position_error_m : standard deviation of an address's place along each of two axes; 0: the dish stands there
    """

    rasters: tuple[Raster, ...]
    satellites: tuple[Satellite, ...]
    highest_ground_m: float
    terminal: Terminal = field(default_factory=Terminal)
    criteria: Criteria = field(default_factory=Criteria)
    mount_height_m: float = 2.0
    full: bool = False
    neutralize: bool = False
    position_error_m: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningSummary:
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
    asked: ScreeningRequest
    satellites: tuple[Satellite, ...]
    row: Ints
    latitude_deg: Floats
    longitude_deg: Floats
    mount_height_m: Floats
    satellite: Ints


def screen_file(
    asked: ScreeningRequest,
    addresses: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    resume: bool = False,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] = lambda done, count: None,
) -> ScreeningSummary:
    """Screen a list of addresses; rejects go to `<out>.rejected.csv`.

    Raises
    ------
    InputError : input cannot be read, output cannot be written, an input has changed since the run began
    """
    target, source = check_writable(out), Path(os.path.realpath(addresses))
    _check_kind(target)
    rasters = [path for raster in asked.rasters for path in raster.files]
    outputs = {"output": out, "rejects": f"{os.fspath(out)}.rejected.csv"}
    check_outputs(outputs, [source, *rasters])
    if asked.highest_ground_m < HIGHEST_GROUND_ON_EARTH_M:
        for raster in asked.rasters:
            found_m = raster.highest_of_m(0, raster.rows, 0, raster.cols)
            refuse_higher(raster.name, found_m, asked.highest_ground_m, "--highest-ground")
    file = open_addresses(addresses)
    recipe = _recipe(asked, source)
    parts = Parts(target, recipe)
    try:
        said = (
            parts.begin(resume=resume),
            *file.notes,
            *(note for raster in asked.rasters for note in raster.notes),
        )
        notes = [note for note in said if note]
        long = cluster is None and source.stat().st_size > _LONG_LIST_BYTES
        with WorkerPool(jobs if long else 1, partial(_ready, asked)) as workers:
            places = read_addresses(file, default_height_m=asked.mount_height_m, satellites=asked.satellites)
            groups = _grouped(asked, places)
            _work_out(asked, places, groups, parts, progress, jobs=jobs, cluster=cluster, workers=workers)
        parts.unchanged()
        return _assemble(asked, file, places, groups, parts, Path(out), notes)
    except OSError as fault:
        raise InputError(f"cannot be written ({fault.strerror}).", where=os.fspath(out),
                         mend="Make room there, then go on with --resume.") from fault  # fmt: skip
    finally:
        parts.close()


def _work_out(
    asked: ScreeningRequest, places: Addresses, groups: Sequence[Ints], parts: Parts,
    progress: Callable[[int, int], None], *, jobs: int, cluster: str | None, workers: WorkerPool,
) -> None:  # fmt: skip
    """Do the parts that are not there yet."""
    missing = parts.missing(len(groups))
    done = places.record.size - sum(groups[number].size for number in missing)
    progress(done, places.record.size)
    tasks = _Tasks(asked, places, [groups[number] for number in missing])
    with closing(run_tasks(_work, tasks, jobs=jobs, cluster=cluster, workers=workers)) as answers:
        for number, answer in answers:
            parts.unchanged()
            parts.put(missing[number], answer)
            done += groups[missing[number]].size
            progress(done, places.record.size)


def _check_kind(target: Path) -> None:
    if target.suffix.lower() not in (".csv", ".txt", ".tsv", ".geojson", ".json", ".parquet", ".pq"):
        raise InputError(f'"{target.suffix}" is no kind of list that can be written.', where=os.fspath(target),
                         mend="End its name with .csv, .geojson or .parquet.")  # fmt: skip


def _recipe(asked: ScreeningRequest, source: Path) -> dict[str, Any]:
    files = looks_of(source)
    for raster in asked.rasters:
        for path in raster.files:
            files.update(looks_of(path))
    return {
        "files": files,
        "web": [raster.web_versions() for raster in asked.rasters],
        "satellites": [[s.name, s.longitude_deg] for s in asked.satellites],
        "rasters": [[r.name, r.kind, r.vertical_error_m] for r in asked.rasters],
        "highest ground": asked.highest_ground_m,
        "terminal": asdict(asked.terminal),
        "criteria": asdict(asked.criteria),
        "mount height": asked.mount_height_m,
        "full": asked.full,
        "neutralize": asked.neutralize,
        "position error": asked.position_error_m,
    }


# --- parts ----------------------------------------------------------------------------------------------------------


def _grouped(asked: ScreeningRequest, places: Addresses) -> list[Ints]:
    """Addresses in parts: those on one piece of the raster together, neighbours beside each other."""
    count = places.record.size
    if not count:
        return []
    raster = asked.rasters[0]
    row, column = Lattice((raster.rows, raster.cols), raster.transform, raster.crs).cell(
        places.latitude_deg, places.longitude_deg
    )
    side = _LEAST_TILE if _is_held(raster) else 4 * _LEAST_TILE
    down, along = (
        np.clip(np.floor(np.nan_to_num(part, posinf=-1e6, neginf=-1e6)), -1e6, 1e7).astype(np.int64) + _BEFORE
        for part in (row, column)
    )
    piece = (down // side << 20) + along // side
    near = (down % side // _NEAR_CELLS << 10) + along % side // _NEAR_CELLS
    order = np.argsort((piece << 20) + near, kind="stable")
    most = min(_PART_ROWS, _PART_ROWS_EACH) if _each_by_itself(asked) else _PART_ROWS
    if _is_held(raster):
        cuts = np.arange(most, count, most)
    else:
        new = np.flatnonzero(np.diff(piece[order])) + 1
        edges = np.concatenate([[0], new, [count]])
        starts = [np.arange(a, b, most) for a, b in pairwise(edges)]
        cuts = np.unique(np.concatenate(starts))[1:]
    return list(np.split(order, cuts))


class _Tasks(Sequence[_Task]):
    """Tasks made when they are handed out."""

    def __init__(self, asked: ScreeningRequest, places: Addresses, groups: Sequence[Ints]) -> None:
        self.asked, self.places, self.groups = asked, places, groups

    def __len__(self) -> int:
        return len(self.groups)

    def __getitem__(self, number: Any) -> Any:
        places, rows = self.places, self.groups[number]
        return _Task(self.asked, places.satellites, rows, places.latitude_deg[rows], places.longitude_deg[rows],
                     places.mount_height_m[rows], places.satellite[rows])  # fmt: skip


def _each_by_itself(asked: ScreeningRequest) -> bool:
    """Whether every address goes through the chain for one mount."""
    first = asked.rasters[0]
    return (
        len(asked.rasters) > 1 or asked.full or (first.kind == "surface" and first.cell_size_m <= FINE_CELL_M)
    )


def _ready(asked: ScreeningRequest) -> None:
    """Have in memory what every part needs."""
    if len(asked.rasters) == 1 and _is_held(asked.rasters[0]):
        _whole(asked.rasters[0])


def _work(task: _Task) -> bytes:
    """One part: the answers of its addresses."""
    wanted = range(len(task.asked.satellites))
    tried: dict[int, tuple[Ints, ScreeningResults]] = {}
    for number, satellite in enumerate(task.satellites):
        own = (task.satellite == number) | ((task.satellite < 0) & (number in wanted))
        at = np.flatnonzero(own)
        if at.size:
            tried[number] = (at, _screened(task, satellite, at))
    return packed(task.row, task.satellites, tried, several=len(task.asked.satellites) > 1)


def _screened(task: _Task, satellite: Satellite, at: Ints) -> ScreeningResults:
    asked = task.asked
    query = ScreeningQuery(satellite, asked.terminal, asked.criteria, asked.highest_ground_m, asked.full,
                        asked.position_error_m)  # fmt: skip
    latitude, longitude, height = task.latitude_deg[at], task.longitude_deg[at], task.mount_height_m[at]
    if len(asked.rasters) == 1:
        return screen(_ground_for(task, satellite), latitude, longitude, height, query)
    *finer, last = asked.rasters
    far = np.zeros(at.size, dtype=bool)
    if _is_held(last):
        far = out_of_reach(_whole(last), finer, latitude, longitude, height, query)
    parts = []
    for some in (far, ~far):
        these = (latitude[some], longitude[some], height[some], query)
        parts.append(
            screen(_whole(last), *these) if some is far else screen_one_by_one(asked.rasters, *these)
        )
    return merged(parts, far)


def _is_held(raster: Raster) -> bool:
    """Whether a raster is so small that all of it is held."""
    return raster.rows * raster.cols <= _HELD_CELLS


def _whole(raster: Raster) -> Ground:
    return _held(raster, (0, raster.rows, 0, raster.cols))


def _ground_for(task: _Task, satellite: Satellite) -> Ground:
    raster = task.asked.rasters[0]
    if _is_held(raster):
        return _whole(raster)
    row, column = Lattice((raster.rows, raster.cols), raster.transform, raster.crs).cell(
        task.latitude_deg, task.longitude_deg
    )
    side = 4 * _LEAST_TILE
    row, column = (np.clip(np.nan_to_num(p, posinf=0.0, neginf=0.0), 0, last)
                   for p, last in ((row, raster.rows - 1), (column, raster.cols - 1)))  # fmt: skip
    for reach in _margins_cells(task, satellite, raster):
        margin = -(-reach // _MARGIN_STEP) * _MARGIN_STEP
        box = (
            max(int(row.min()) // side * side - margin, 0),
            min((int(row.max()) // side + 1) * side + margin, raster.rows),
            max(int(column.min()) // side * side - margin, 0),
            min((int(column.max()) // side + 1) * side + margin, raster.cols),
        )
        if (box[1] - box[0]) * (box[3] - box[2]) <= _MOST_CELLS:
            return _held(raster, box)
    raise InputError("ground as far as it could matter does not fit in memory.", where=raster.name,
                     mend="Say with --highest-ground how high the ground around can be.")  # fmt: skip


def _margins_cells(task: _Task, satellite: Satellite, raster: Raster) -> tuple[int, int]:
    """Cells around the addresses by the lowest ray and the highest ground: for exact margins, and for the verdict."""
    assert satellite.longitude_deg is not None
    elevation_deg = look_angles(
        task.latitude_deg, task.longitude_deg, 0.0, satellite_longitude_deg=satellite.longitude_deg
    ).elevation_deg
    lowest_deg = max(float(elevation_deg.min()) - 1.0, 0.5)
    reach_m = reach_needed_m(
        LOWEST_GROUND_M, np.append(sought_elevation_deg(lowest_deg, lowest_deg), lowest_deg),
        highest_ground_m=task.asked.highest_ground_m, radius_m=6.4e6 * task.asked.criteria.refraction_factor,
    )  # fmt: skip
    lattice = Lattice((raster.rows, raster.cols), raster.transform, raster.crs)
    step_deg = 0.01
    here = lattice.cell(task.latitude_deg[:1], task.longitude_deg[:1])
    east = lattice.cell(task.latitude_deg[:1], task.longitude_deg[:1] + step_deg)
    step_m = step_deg * 111_320.0 * max(float(np.cos(np.deg2rad(task.latitude_deg[0]))), 0.05)
    per_m = max(float(np.hypot(east[0] - here[0], east[1] - here[1])[0]) / step_m, 1.0 / raster.cell_size_m)
    exact, needed = (int(float(part) * per_m * 1.05) + 70 for part in reach_m)
    return exact, needed


_LAST: dict[str, Ground] = {}
"""The ground read last, by the text of what it was read from: a void of nan is not equal to itself once pickled."""


def _held(raster: Raster, box: tuple[int, int, int, int]) -> Ground:
    """Ground in memory, read again if a file has changed."""
    key = repr((raster, [looks_of(path) for path in raster.files], box))
    if key not in _LAST:
        _LAST.clear()
        _LAST[key] = Ground.of(
            raster.cells(*box),
            name=raster.name,
            kind=raster.kind,
            cell_size_m=raster.cell_size_m,
            vertical_error_m=raster.vertical_error_m,
            facts=raster.facts,
        )
    return _LAST[key]


# --- the output -----------------------------------------------------------------------------------------------------


def _assemble(
    asked: ScreeningRequest, file: AddressFile, places: Addresses, groups: Sequence[Ints], parts: Parts, out: Path,
    notes: list[str],
) -> ScreeningSummary:  # fmt: skip
    answers = Answers(parts.answers(len(groups)), places.record.size, places.satellites)
    whole = parts.folder / f"whole{out.suffix}"
    changed = write_list(
        whole, file, places, answers, several=len(asked.satellites) > 1, neutralize=asked.neutralize
    )
    made = {out: whole}
    rejected = out.with_name(out.name + ".rejected.csv")
    if places.rejects:
        changed += write_rejects(parts.folder / "rejected.csv", places, neutralize=asked.neutralize)
        made = {rejected: parts.folder / "rejected.csv", out: whole}
    parts.unchanged()
    if not places.rejects and _is_rejects(rejected):
        rejected.unlink()
    parts.place(made)
    if places.repeated:
        notes.append(f"{places.repeated} ids occur more than once; every row was screened.")
    if asked.neutralize:
        notes.append(f"{changed} cells that a spreadsheet would run as formulas got an apostrophe.")
    verdict = answers.verdict
    counts = np.bincount(verdict, minlength=len(RANK)).tolist()
    return ScreeningSummary(
        path=os.fspath(out), rejected_path=os.fspath(rejected) if places.rejects else None, addresses=places.count,
        screened=places.record.size, rejected=len(places.rejects),
        counts={name: counts[rank] for name, rank in RANK.items()}, best=answers.best(), notes=tuple(notes),
        latitude_deg=places.latitude_deg, longitude_deg=places.longitude_deg, verdict=verdict,
    )  # fmt: skip


def _is_rejects(path: Path) -> bool:
    """Whether a file is a list of rejects that an earlier run left."""
    try:
        with open(path, "rb") as opened:
            return path.is_file() and opened.readline().strip() == ",".join(REJECT_COLUMNS).encode()
    except OSError:
        return False
