"""Screening of a list from file to file: parts by position, stored as checkpoints; the output in the list's order."""

from __future__ import annotations

import datetime as dt
import os
import socket
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skysill.assessment.job_context import WindowCache
from skysill.assessment.verdict import RANK
from skysill.bulk.compiled.jit import HOW_TO_GET, available
from skysill.bulk.raster_reach import out_of_reach
from skysill.bulk.replies import Reply
from skysill.bulk.roof_results import RoofSearch
from skysill.bulk.roof_search import heights_m
from skysill.bulk.roof_spots import Roofs
from skysill.bulk.screening import (
    Ground,
    ScreeningQuery,
    ScreeningResults,
    screen,
    screen_one_by_one,
)
from skysill.bulk.screening_verdicts import in_order
from skysill.bulk.survey_order import add_survey_samples
from skysill.bulk.worker_pool import Work, WorkerPool, run_tasks
from skysill.errors import InputError
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.address_files import AddressFile
from skysill.io.address_lists import Addresses, open_addresses, read_addresses
from skysill.io.address_vectors import holds_areas
from skysill.io.answers import matched_answers
from skysill.io.building_lists import read_buildings
from skysill.io.caller_columns import CallerColumns, PlacesAsked, put_in_order, replies_of
from skysill.io.checkpoints import Checkpoints, file_states
from skysill.io.compiled_loops import load_bare_loops, load_compiled_loops
from skysill.io.ground_boxes import (
    LEAST_TILE,
    MARGIN_STEP,
    MOST_CELLS,
    Box,
    ground_boxes,
    is_held,
    lattice_of,
    margins_cells,
)
from skysill.io.output_checks import check_outputs
from skysill.io.output_files import check_writable
from skysill.io.raster_windows import Raster
from skysill.io.roof_parts import RoofParts, roof_columns, roofs_note
from skysill.io.screening_layers import LAYER_SUFFIXES, outer_rings, write_layer
from skysill.io.screening_results import (
    COLUMNS,
    REJECT_COLUMNS,
    ResultColumns,
    ResultTable,
    packed,
    write_list,
    write_rejects,
)
from skysill.io.sources import refuse_higher
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Criteria, Satellite, Terminal
from skysill.units import Floats, Ints

if TYPE_CHECKING:
    from skysill.bulk.compiled.raster_stack import RasterStack

__all__ = ["COLUMNS", "ScreeningRequest", "ScreeningSummary", "screen_file"]

_PART_ROWS = 50_000
_MOST_OUTLINES = 50_000
_PART_ROWS_EACH = 100  # small enough for progress to be seen, and for cancelling
_PART_ROOFS = 250
_PART_ROWS_COMPILED = 2_000
_LONG_LIST_BYTES, _LONG_ROOFS_BYTES = 4_000_000, 100_000
_NEAR_CELLS = 64
_BEFORE = 1 << 20  # cells before the raster's first that are distinguished


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningRequest:
    """What a list of addresses is screened against.

    rasters : finest first; one is screened as arrays, several address by address
    satellites : all of them are tried for every address that does not name its own
    highest_ground_m : nothing around is higher
    terminal, criteria : dish, frequencies, and what counts as clear
    mount_height_m : dish centre above ground where a row does not give it
    full : margins over 10 degrees too
    neutralize : put an apostrophe before cells that a spreadsheet would run as formulas
    position_error_m : standard deviation of an address's place along each of two axes; 0: the dish stands there; does
        not matter to buildings
    callers : questions for the callers of each `needs-survey`, and what they have answered; not for buildings
    roofs : how the roofs of a list of buildings are searched
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
    callers: CallerColumns = field(default_factory=CallerColumns)
    roofs: RoofSearch = field(default_factory=RoofSearch)


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningSummary:
    """What a screening wrote.

    path : of the list; rejected_path : of the rejects, None: there are none
    addresses, screened, rejected : how many; the first is the sum of the others
    counts : addresses per verdict; best : addresses per satellite that serves them best
    notes : in whole sentences
    of_roofs : whether the list holds outlines of buildings
    latitude_deg, longitude_deg, verdict : (n,) for a map
    outlines : (n,) of roofs, of lists up to 50 000: outer rings, each (point, 2) longitude and latitude; else none
    """

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
    of_roofs: bool = False
    outlines: tuple[tuple[Floats, ...], ...] = field(default=(), metadata={"json": False})


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """One part of the list: its addresses.

    row : numbers of the addresses in the list
    satellite : index into satellites where an address names its own, else -1
    roofs : of a list of buildings, one for each address
    replies : of callers, by the number of the address within the part
    """

    satellites: tuple[Satellite, ...]
    row: Ints
    latitude_deg: Floats
    longitude_deg: Floats
    mount_height_m: Floats
    satellite: Ints
    roofs: Roofs | None = None
    replies: Mapping[int, Sequence[Reply]] = field(default_factory=dict)


def screen_file(
    request: ScreeningRequest,
    addresses: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    layer: str | os.PathLike[str] | None = None,
    resume: bool = False,
    jobs: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] = lambda done, count: None,
) -> ScreeningSummary:
    """Screen a list of addresses or of outlines of buildings; rejected records go to `<out>.rejected.csv`.

    Parameters
    ----------
    request : rasters, satellites, terminal, criteria
    addresses : path of a CSV, GeoJSON, Parquet or vector list with id and position, or latitude and longitude, or
        points; or with polygons, each of which means "anywhere on this roof"
    out : path of the output; its ending decides the format
    layer : GeoPackage or GeoJSON for a GIS, with the verdicts styled, beside the output; None: none
    resume : continue an interrupted run
    jobs : processes of this machine; cluster : address of a Dask scheduler
    progress : called after each part with the number of addresses done and of all addresses

    Returns
    -------
    ScreeningSummary

    Raises
    ------
    InputError : the input cannot be read, the output cannot be written, or an input has changed during the run

    >>> import tempfile
    >>> from pathlib import Path
    >>> import skysill
    >>> request = skysill.ScreeningRequest(skysill.open_rasters([skysill.RasterSpec("demo_terrain/island.tif")]),
    ...     skysill.read_satellites("Demo South=24.0W"), highest_ground_m=720.0)
    >>> made = skysill.screen_file(request, "demo_terrain/addresses.csv", Path(tempfile.mkdtemp()) / "screened.csv")
    >>> made.screened, made.rejected
    (400, 0)
    """
    target, source = check_writable(out), Path(os.path.realpath(addresses))
    _check_kind(target)
    if layer is not None:
        _check_layer(check_writable(layer))
    rasters = [path for raster in request.rasters for path in raster.files]
    outputs = {"output": out, "layer": layer, "rejects": f"{os.fspath(out)}.rejected.csv"}
    check_outputs(outputs, [source, *rasters])
    lowest_m = _checked_heights(request)
    file = open_addresses(addresses)
    if _is_compiled(request):
        load_compiled_loops()  # once, before several processes would each compile
    elif available() and not _one_by_one(request):
        load_bare_loops()
    manifest = _manifest(request, source)
    checkpoints = Checkpoints(target, manifest)
    try:
        found_notes = (
            checkpoints.begin(resume=resume),
            *file.notes,
            *(note for raster in request.rasters for note in raster.notes),
        )
        notes = [note for note in found_notes if note]
        if _one_by_one(request) and not available():
            notes.append(HOW_TO_GET)
        least = _LONG_ROOFS_BYTES if holds_areas(file) else _LONG_LIST_BYTES
        long = cluster is None and source.stat().st_size > least
        make_work = partial(_PartWork, request, lowest_m, with_numba=available())
        with WorkerPool(jobs if long else 1, make_work) as workers:
            places, roofs = _read(request, file)
            groups = _grouped(request, places, roofs=roofs is not None)
            replies, replies_notes = _matched(request, file, places)
            notes += replies_notes
            missing = [groups[number] for number in checkpoints.missing(len(groups))]
            tasks = _Tasks(places, roofs, replies, missing)
            _work_out(
                make_work, tasks, groups, checkpoints, progress, jobs=jobs, cluster=cluster, workers=workers
            )
        checkpoints.check_inputs()
        columns = _columns(request, roofs=roofs is not None)
        beside = None if layer is None else (Path(layer), _changed(source))
        return _assemble(request, file, places, groups, checkpoints, Path(out), notes, columns, beside)
    except InputError:
        checkpoints.remove_if_unused()
        raise
    except OSError as fault:
        raise InputError(f"cannot be written ({fault.strerror}).", where=os.fspath(out),
                         mend="Make room there, then go on with --resume.") from fault  # fmt: skip
    finally:
        checkpoints.close()


def _checked_heights(request: ScreeningRequest) -> float:
    """Refuse rasters higher than the highest ground; gives the lowest ground, or a bound where they are not read."""
    if request.highest_ground_m >= HIGHEST_GROUND_ON_EARTH_M:
        return LOWEST_GROUND_M
    lowest_m = np.inf
    for raster in request.rasters:
        low_m, high_m = raster.range_of_m(0, raster.rows, 0, raster.cols)
        refuse_higher(raster.name, high_m, request.highest_ground_m, "--highest-ground")
        lowest_m = min(lowest_m, low_m)
    return lowest_m - 1.0 if np.isfinite(lowest_m) else LOWEST_GROUND_M


def _read(request: ScreeningRequest, file: AddressFile) -> tuple[Addresses, Roofs | None]:
    """The records that can be screened, and of buildings their outlines."""
    if not holds_areas(file):
        if request.roofs.lines is not None:
            raise InputError(
                "is for roofs; this is a list of addresses.",
                where="--overhead-lines",
                mend="Leave it out, or give the outlines of the buildings as the list.",
            )
        return read_addresses(
            file, default_height_m=request.mount_height_m, satellites=request.satellites
        ), None
    if request.callers != CallerColumns():
        raise InputError(
            "are for the callers of addresses; this is a list of roofs.",
            where="--questions, --answers and --survey-order",
            mend="Leave them out, or screen the same houses as points: a list with id, latitude and longitude.",
        )
    heights_m(request.terminal, request.roofs)  # refused here where no mast fits
    return read_buildings(
        file,
        default_height_m=request.mount_height_m,
        satellites=request.satellites,
        step_m=request.roofs.step_m,
        setback_m=request.roofs.setback_m,
    )


def _matched(
    request: ScreeningRequest, file: AddressFile, places: Addresses
) -> tuple[Mapping[int, Sequence[Reply]], Sequence[str]]:
    """What callers answered, by the number of the address, and notes."""
    answers = request.callers.answers
    if answers is None:
        return {}, ()
    return matched_answers(answers, file, places, several=len(request.satellites) > 1)


def _work_out(
    make_work: Callable[[], _PartWork], tasks: _Tasks, groups: Sequence[Ints], checkpoints: Checkpoints,
    progress: Callable[[int, int], None], *, jobs: int, cluster: str | None, workers: WorkerPool,
) -> None:  # fmt: skip
    """Screen the parts that are missing and store them."""
    missing, places = checkpoints.missing(len(groups)), tasks.places
    done = places.record.size - sum(groups[number].size for number in missing)
    progress(done, places.record.size)
    with closing(run_tasks(make_work, tasks, jobs=jobs, cluster=cluster, workers=workers)) as results:
        for number, result in results:
            checkpoints.check_inputs()
            checkpoints.put(missing[number], result)
            done += groups[missing[number]].size
            progress(done, places.record.size)


def _check_kind(target: Path) -> None:
    if target.suffix.lower() not in (".csv", ".txt", ".tsv", ".geojson", ".json", ".parquet", ".pq"):
        raise InputError(f'"{target.suffix}" is no kind of list that can be written.', where=os.fspath(target),
                         mend="End its name with .csv, .geojson or .parquet.")  # fmt: skip


def _manifest(request: ScreeningRequest, source: Path) -> dict[str, Any]:
    files = file_states(source)
    if request.roofs.lines is not None:
        files.update(file_states(Path(request.roofs.lines.path)))
    for raster in request.rasters:
        for path in raster.files:
            files.update(file_states(path))
    return {
        "files": files,
        "web": [raster.web_versions() for raster in request.rasters],
        "satellites": [[s.name, s.longitude_deg] for s in request.satellites],
        "rasters": [[r.name, r.kind, r.vertical_error_m] for r in request.rasters],
        "highest ground": request.highest_ground_m,
        "terminal": asdict(request.terminal),
        "criteria": asdict(request.criteria),
        "mount height": request.mount_height_m,
        "full": request.full,
        "neutralize": request.neutralize,
        "position error": request.position_error_m,
        "callers": request.callers.stated,
        "roofs": request.roofs.stated,
        "compiled": available() and (_is_compiled(request) or not _one_by_one(request)),
    }


# --- parts ----------------------------------------------------------------------------------------------------------


def _grouped(request: ScreeningRequest, places: Addresses, *, roofs: bool) -> list[Ints]:
    """Indices of addresses in parts: those on one piece of the raster together, neighbours next to each other."""
    count = places.record.size
    if not count:
        return []
    raster = request.rasters[0]
    row, column = lattice_of(raster).cell(places.latitude_deg, places.longitude_deg)
    side = LEAST_TILE if is_held(raster) else 4 * LEAST_TILE
    down, along = (
        np.clip(np.floor(np.nan_to_num(part, posinf=-1e6, neginf=-1e6)), -1e6, 1e7).astype(np.int64) + _BEFORE
        for part in (row, column)
    )
    piece = (down // side << 20) + along // side
    near = (down % side // _NEAR_CELLS << 10) + along % side // _NEAR_CELLS
    order = np.argsort((piece << 20) + near, kind="stable")
    most = _PART_ROWS
    if roofs or _one_by_one(request):
        each = _PART_ROWS_COMPILED if _is_compiled(request) else _PART_ROWS_EACH
        most = min(_PART_ROWS, _PART_ROOFS if roofs else each)
    if is_held(raster):
        cuts = np.arange(most, count, most)
    else:
        new = np.flatnonzero(np.diff(piece[order])) + 1
        edges = np.concatenate([[0], new, [count]])
        starts = [np.arange(a, b, most) for a, b in pairwise(edges)]
        cuts = np.unique(np.concatenate(starts))[1:]
    return list(np.split(order, cuts))


class _Tasks(Sequence[_Task]):
    """Tasks that are made when they are handed out."""

    def __init__(
        self,
        places: Addresses,
        roofs: Roofs | None,
        replies: Mapping[int, Sequence[Reply]],
        groups: Sequence[Ints],
    ) -> None:
        self.places, self.roofs, self.replies, self.groups = places, roofs, replies, groups

    def __len__(self) -> int:
        return len(self.groups)

    def __getitem__(self, number: Any) -> Any:
        places, rows = self.places, self.groups[number]
        return _Task(places.satellites, rows, places.latitude_deg[rows], places.longitude_deg[rows],
                     places.mount_height_m[rows], places.satellite[rows],
                     None if self.roofs is None else self.roofs.take(rows),
                     replies_of(self.replies, rows))  # fmt: skip


def _columns(request: ScreeningRequest, *, roofs: bool) -> ResultColumns:
    """What is added to every record."""
    several = len(request.satellites) > 1
    if roofs:
        return roof_columns(several=several)
    callers = request.callers
    return ResultColumns(callers.numbers, callers.texts, several=several, kept=callers.kept)


def _one_by_one(request: ScreeningRequest) -> bool:
    """Whether every address is assessed by itself."""
    first = request.rasters[0]
    return (
        len(request.rasters) > 1
        or request.full
        or (first.kind == "surface" and first.cell_size_m <= FINE_CELL_M)
    )


def _is_compiled(request: ScreeningRequest) -> bool:
    """Whether addresses that would be assessed by themselves go through the compiled loops."""
    if not (_one_by_one(request) and available()):
        return False
    from skysill.bulk.compiled.verdicts import can_screen

    return can_screen(request.rasters, full=request.full)


class _PartWork(Work[_Task]):
    """Screens the parts of one list, and keeps the ground that it read last."""

    def __init__(
        self, request: ScreeningRequest, lowest_m: float = LOWEST_GROUND_M, *, with_numba: bool
    ) -> None:
        self.request, self.lowest_m, self.with_numba = request, lowest_m, with_numba
        self.roof_parts = RoofParts(request.rasters, request.roofs)
        self.box: tuple[int, int, int, int] | None = None
        self.ground: Ground | None = None
        self.boxes: tuple[Box, ...] = ()
        self.stack: RasterStack | None = None

    def prepare(self) -> None:
        """Read a raster that every part needs."""
        rasters = self.request.rasters
        if len(rasters) == 1 and is_held(rasters[0]):
            self._whole(rasters[0])

    def __call__(self, task: _Task, /) -> bytes:
        """One part: the results of its addresses.

        Raises
        ------
        InputError : numba is installed here and not where the list is held, or the other way round
        """
        if available() != self.with_numba:
            raise InputError(
                f"numba is {'not ' if self.with_numba else ''}installed on the worker {socket.gethostname()} but "
                f"{'' if self.with_numba else 'not '}on this machine: parts of the list would differ slightly.",
                where="--cluster",
                mend='Install it on all of them: pip install "skysill[fast]".',
            )
        wanted = range(len(self.request.satellites))
        results: dict[int, tuple[Ints, ScreeningResults]] = {}
        for number, satellite in enumerate(task.satellites):
            own = (task.satellite == number) | ((task.satellite < 0) & (number in wanted))
            at = np.flatnonzero(own)
            if at.size:
                results[number] = (at, self._screened(task, satellite, at))
        if task.roofs is None:
            self._add_for_callers(task, results)
        columns = _columns(self.request, roofs=task.roofs is not None)
        return packed(task.row, task.satellites, results, columns)

    def _screened(self, task: _Task, satellite: Satellite, at: Ints) -> ScreeningResults:
        request, query = self.request, self._query(satellite)
        latitude, longitude, height = task.latitude_deg[at], task.longitude_deg[at], task.mount_height_m[at]
        if task.roofs is not None:
            return self.roof_parts.screened(task.roofs.take(at), height, query)
        compiled = _is_compiled(request) and min(min(r.rows, r.cols) for r in request.rasters) > 1
        if len(request.rasters) == 1 and not compiled:
            return screen(self._ground_for(task, satellite), latitude, longitude, height, query)
        *finer, last = request.rasters
        far = np.zeros(at.size, dtype=bool)
        if is_held(last) and finer:
            far = out_of_reach(self._whole(last), finer, latitude, longitude, height, query)
        found, rows = [], []
        for some in (far, ~far):
            if not some.any():
                continue
            these = (latitude[some], longitude[some], height[some], query)
            rows.append(np.flatnonzero(some))
            if some is far:
                found.append(screen(self._whole(last), *these))
            elif compiled:
                found.append(self._screened_compiled(*these))
            else:
                found.append(screen_one_by_one(request.rasters, *these))
        return in_order(found, rows)

    def _screened_compiled(
        self, latitude_deg: Floats, longitude_deg: Floats, height_m: Floats, query: ScreeningQuery
    ) -> ScreeningResults:
        """Results of the compiled loops, group by group of addresses whose ground fits in memory together."""
        from skysill.bulk.compiled.verdicts import screen_compiled

        found, rows = [], []
        rasters = self.request.rasters
        for group in ground_boxes(rasters, latitude_deg, longitude_deg, query, lowest_m=self.lowest_m):
            stack, at = self._stack_of(group.boxes), group.rows
            found.append(
                screen_compiled(
                    stack, stack.sources, latitude_deg[at], longitude_deg[at], height_m[at], query
                )
            )
            rows.append(at)
        return in_order(found, rows)

    def _stack_of(self, boxes: tuple[Box, ...]) -> RasterStack:
        """Boxes of the rasters as the compiled loops read them; neighbouring groups need the same."""
        if self.stack is None or self.boxes != boxes:
            from skysill.bulk.compiled.raster_stack import held_stack

            self.stack = None
            self.stack = held_stack(self.request.rasters, boxes)
            self.boxes = boxes
        return self.stack

    def _add_for_callers(self, task: _Task, results: Mapping[int, tuple[Ints, ScreeningResults]]) -> None:
        """What callers and the surveyor are told; the sample is taken before answers change verdicts."""
        if self.request.callers.survey_order:
            self._add_survey_samples(task, results)
        rasters = self.request.rasters
        for number, (at, found) in results.items():
            satellite = task.satellites[number]
            replies = replies_of(dict(task.replies), at)
            sources: tuple[Any, ...] = ()
            if replies:
                alone = len(rasters) == 1
                sources = (
                    (self._ground_for(task, satellite).source,) if alone else tuple(map(WindowCache, rasters))
                )
            places = PlacesAsked(task.latitude_deg[at], task.longitude_deg[at], task.mount_height_m[at])
            self.request.callers.add(found, places, self._query(satellite), replies, sources)

    def _add_survey_samples(self, task: _Task, results: Mapping[int, tuple[Ints, ScreeningResults]]) -> None:
        """What tells afterwards how addresses alike turned out where a fine surface raster covers them."""
        *finer, last = self.request.rasters
        fine = last.kind == "surface" and last.cell_size_m <= FINE_CELL_M
        surfaces = [r for r in finer if r.kind == "surface" and r.cell_size_m <= FINE_CELL_M]
        ground = self._whole(last) if surfaces and is_held(last) and not fine else None
        where = (task.latitude_deg, task.longitude_deg, task.mount_height_m)
        queries = [self._query(task.satellites[number]) for number in results]
        add_survey_samples(ground, surfaces, *where, list(results.values()), queries)

    def _query(self, satellite: Satellite) -> ScreeningQuery:
        request = self.request
        return ScreeningQuery(satellite, request.terminal, request.criteria, request.highest_ground_m, request.full,
                              request.position_error_m)  # fmt: skip

    def _ground_for(self, task: _Task, satellite: Satellite) -> Ground:
        """The ground that could matter to the addresses of a part."""
        raster = self.request.rasters[0]
        if is_held(raster):
            return self._whole(raster)
        row, column = lattice_of(raster).cell(task.latitude_deg, task.longitude_deg)
        side = 4 * LEAST_TILE
        row, column = (np.clip(np.nan_to_num(p, posinf=0.0, neginf=0.0), 0, last)
                       for p, last in ((row, raster.rows - 1), (column, raster.cols - 1)))  # fmt: skip
        query = self._query(satellite)
        for reach in margins_cells(raster, task.latitude_deg, task.longitude_deg, query):
            margin = -(-reach // MARGIN_STEP) * MARGIN_STEP
            box = (
                max(int(row.min()) // side * side - margin, 0),
                min((int(row.max()) // side + 1) * side + margin, raster.rows),
                max(int(column.min()) // side * side - margin, 0),
                min((int(column.max()) // side + 1) * side + margin, raster.cols),
            )
            if (box[1] - box[0]) * (box[3] - box[2]) <= MOST_CELLS:
                return self._read(raster, box)
        raise InputError("ground as far as it could matter does not fit in memory.", where=raster.name,
                         mend="Say with --highest-ground how high the ground around can be.")  # fmt: skip

    def _whole(self, raster: Raster) -> Ground:
        return self._read(raster, (0, raster.rows, 0, raster.cols))

    def _read(self, raster: Raster, box: tuple[int, int, int, int]) -> Ground:
        """Ground of a box of rows and columns of the one raster that is held; neighbouring parts need the same box."""
        if self.ground is None or self.box != box:
            self.ground = None
            self.ground = Ground.of(
                raster.cells(*box),
                name=raster.name,
                kind=raster.kind,
                cell_size_m=raster.cell_size_m,
                vertical_error_m=raster.vertical_error_m,
                facts=raster.facts,
            )
            self.box = box
        return self.ground


def _assemble(
    request: ScreeningRequest, file: AddressFile, places: Addresses, groups: Sequence[Ints],
    checkpoints: Checkpoints, out: Path, notes: list[str], columns: ResultColumns, layer: tuple[Path, str] | None,
) -> ScreeningSummary:  # fmt: skip
    """Write the output, the layer and the rejected records from all parts; layer : its path and date."""
    results = ResultTable(checkpoints.results(len(groups)), places.record.size, places.satellites, columns)
    if request.callers.survey_order:
        notes.append(put_in_order(results))
    whole = checkpoints.folder / f"whole{out.suffix}"
    changed = write_list(whole, file, places, results, neutralize=request.neutralize)
    made = {out: whole}
    if layer is not None:
        made = {layer[0]: checkpoints.folder / f"layer{layer[0].suffix}", **made}
        write_layer(made[layer[0]], file, places, results, date=layer[1])
    rejected = out.with_name(out.name + ".rejected.csv")
    if places.rejects:
        changed += write_rejects(checkpoints.folder / "rejected.csv", places, neutralize=request.neutralize)
        made = {rejected: checkpoints.folder / "rejected.csv", **made}
    checkpoints.check_inputs()
    if not places.rejects and _is_rejects(rejected):
        rejected.unlink()
    checkpoints.place(made)
    if "cautions" in columns.texts:
        notes.append(roofs_note(request.terminal, request.roofs))
    if places.repeated:
        notes.append(f"{places.repeated} ids occur more than once; every row was screened.")
    if request.neutralize:
        notes.append(f"{changed} cells that a spreadsheet would run as formulas got an apostrophe.")
    verdict = results.verdict
    counts = np.bincount(verdict, minlength=len(RANK)).tolist()
    return ScreeningSummary(
        path=os.fspath(out), rejected_path=os.fspath(rejected) if places.rejects else None, addresses=places.count,
        screened=places.record.size, rejected=len(places.rejects),
        counts={name: counts[rank] for name, rank in RANK.items()}, best=results.best(), notes=tuple(notes),
        latitude_deg=places.latitude_deg, longitude_deg=places.longitude_deg, verdict=verdict,
        of_roofs="cautions" in columns.texts,
        outlines=outer_rings(file, places) if places.record.size <= _MOST_OUTLINES else (),
    )  # fmt: skip


def _check_layer(target: Path) -> None:
    if target.suffix.lower() not in LAYER_SUFFIXES:
        raise InputError(f'"{target.suffix}" is no kind of layer that can be written.', where=os.fspath(target),
                         mend="End its name with .gpkg or .geojson.")  # fmt: skip


def _changed(source: Path) -> str:
    """When a list was last changed: the date of its layer, so that the same list gives the same bytes."""
    moment = dt.datetime.fromtimestamp(int(source.stat().st_mtime), tz=dt.UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.000Z")


def _is_rejects(path: Path) -> bool:
    """Whether a file is a list of rejected records from an earlier run."""
    try:
        with open(path, "rb") as opened:
            return path.is_file() and opened.readline().strip() == ",".join(REJECT_COLUMNS).encode()
    except OSError:
        return False
