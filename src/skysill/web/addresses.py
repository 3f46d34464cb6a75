"""The page of address lists: a file in, verdicts on a map and in a table, the screened list out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from starlette.requests import Request
from starlette.responses import FileResponse
from starlette.routing import Route

from skysill.bulk.worker_pool import default_jobs
from skysill.errors import InputError
from skysill.io.address_area import address_area
from skysill.io.address_lists import open_addresses
from skysill.io.elevation.source_names import is_template
from skysill.io.job_options import JobOptions
from skysill.io.jobs import read_job
from skysill.io.json_text import plain_values
from skysill.io.screened_rows import rejected_rows, screened_rows
from skysill.io.screening import ScreeningRequest, ScreeningSummary, screen_file
from skysill.io.site_file import rasters_of
from skysill.io.site_schema import parse_site_text
from skysill.io.uploaded_lists import UploadedLists
from skysill.model.default_errors import POSITION, default_error_of
from skysill.report.formatting import for_readers
from skysill.web.answers import endpoint, field_of
from skysill.web.new_places import place_text
from skysill.web.pages import page
from skysill.web.state import AppState
from skysill.web.tasks import Progress

__all__ = ["reasons_for_readers", "routes"]

_LIST_BYTES = 60_000_000
_MOST_ROWS = 20_000
_MOST_REJECTS = 2_000
_OUTPUTS = (".csv", ".geojson", ".parquet")
_ANYWHERE = "0 N 0 E"


def routes(state: AppState) -> list[Route]:
    """Routes of the page and what it asks for."""
    uploads = UploadedLists()
    state.at_end.append(uploads.clear)
    state.access.limits_bytes["POST /api/lists"] = _LIST_BYTES
    state.task_kinds["screen"] = lambda of, given: _screening(of, uploads, given)

    def show(request: Request, given: dict[str, Any]) -> Any:
        sites = [entry for entry in state.store.sites() if entry.fault is None]
        kinds = {name: error.sigma_m for name, error in POSITION.items()}
        return page(
            "addresses.html",
            title="Addresses",
            tab="addresses",
            sites=sites,
            state=state.options,
            kinds=kinds,
        )

    def take(request: Request, given: dict[str, Any]) -> Any:
        name = unquote(request.headers.get("x-file-name", ""))[-200:]
        key = uploads.add(name, given["raw"])
        try:
            file = open_addresses(uploads.get(key))
        except InputError as fault:
            raise InputError(fault.what, where="list", mend=fault.mend) from fault
        return {"list": key, "columns": list(file.names), "notes": list(file.notes)}

    def download(request: Request, given: dict[str, Any]) -> Any:
        path = uploads.made(request.path_params["key"], request.path_params["file"])
        return FileResponse(path, filename=path.name)

    return [
        Route("/addresses", endpoint(show)),
        Route("/api/lists", endpoint(take, raw=True), methods=["POST"]),
        Route("/api/lists/{key}/{file}", endpoint(download)),
    ]


def _screening(
    state: AppState, uploads: UploadedLists, given: Mapping[str, Any]
) -> Callable[[Progress], Any]:
    """The work of one screening; what is wrong with the request is raised before it begins."""
    source = uploads.get(field_of(given, "list", str, ""))
    wanted = _OUTPUTS[0] if given.get("format") is None else f".{given['format']}"
    if wanted not in _OUTPUTS:
        raise InputError(
            "is no format of a list.", where="format", mend="There are csv, geojson and parquet."
        )
    request = _request(state, source, given)

    def work(progress: Progress) -> Any:
        table = source.with_name("screened.csv")
        made = screen_file(request, source, table, jobs=default_jobs(), progress=progress)
        if wanted != ".csv":
            screen_file(request, source, table.with_suffix(wanted), jobs=default_jobs(), progress=progress)
        return _document(made, source.parent.name, table, wanted)

    return work


def _request(state: AppState, source: Path, given: Mapping[str, Any]) -> ScreeningRequest:
    """What the list is screened against: rasters, dish and satellites of a site, or as the server was started."""
    text = place_text(state, {**given, "position": _ANYWHERE, "height_m": None})
    shown = str(state.store.folder / "list.toml")
    job = read_job(JobOptions(site_file=shown, site_text=text), without=("terrain", "horizon", "obstacles"))
    if any(satellite.longitude_deg is None for satellite in job.satellites):
        raise InputError("lists are screened for geostationary satellites.", where="satellites")
    table = parse_site_text(text, shown).terrain
    if not table.rasters:
        raise InputError(
            "no elevation raster is known.",
            where="like",
            mend="Choose a site with rasters, or start with --terrain.",
        )
    around = address_area(source, job.satellites) if any(map(is_template, table.rasters)) else None
    hosts = state.options.hosts()
    rasters = rasters_of(table, state.store.folder, shown, around, hosts)
    kind = field_of(given, "position_kind", str, "geocoded building")
    return ScreeningRequest(
        rasters=rasters,
        satellites=job.satellites,
        highest_ground_m=job.sources.highest_ground_m,
        terminal=job.terminal,
        criteria=job.criteria,
        mount_height_m=field_of(given, "height_m", float, 2.0),
        position_error_m=default_error_of(POSITION, kind, "position_kind").sigma_m,
    )


def _document(made: ScreeningSummary, key: str, table: Path, wanted: str) -> dict[str, Any]:
    rows = screened_rows(table, most=_MOST_ROWS)
    rejects = rejected_rows(made.rejected_path, most=_MOST_REJECTS)
    most = len(rows.rows)
    return {
        "addresses": made.addresses,
        "screened": made.screened,
        "rejected": made.rejected,
        "counts": dict(made.counts),
        "notes": list(made.notes),
        "columns": rows.columns,
        "rows": reasons_for_readers(rows.columns, rows.rows),
        "left_out": rows.left_out,
        "latitude_deg": plain_values(made.latitude_deg[:most]),
        "longitude_deg": plain_values(made.longitude_deg[:most]),
        "rejects": rejects.rows,
        "download": f"/api/lists/{key}/screened{wanted}",
        "rejects_download": f"/api/lists/{key}/screened.csv.rejected.csv" if made.rejected_path else None,
    }


def reasons_for_readers(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """Rows of a screened list, their reasons without what is typed into commands and site files."""
    if "reason" not in columns:
        return [[*row] for row in rows]
    at = len(columns) - 1 - [*columns][::-1].index("reason")  # the list's own columns stand first
    return [[*row[:at], " ".join(for_readers((row[at],))) or row[at], *row[at + 1 :]] for row in rows]
