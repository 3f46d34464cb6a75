"""The record page of a site: field sheet, photographs, as-built values, records and what changed between them."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from skysill.assessment.assessment_cautions import assessment_cautions
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.io.as_built import AsBuilt, as_built_of
from skysill.io.as_built_edits import as_built_text, as_built_values, typed_as_built
from skysill.io.checksums import file_checksums
from skysill.io.job_options import JobOptions, today
from skysill.io.json_text import to_json_text
from skysill.io.last_record import read_last_record
from skysill.io.output_files import write_together
from skysill.io.photos import read_photo
from skysill.io.record_files import RecordName, as_built_name, record_name, record_names
from skysill.io.site_store import NEW_FILE, SiteMissingError
from skysill.io.text import printable, quoted
from skysill.pointing.sun_guides import local_zone
from skysill.report.formatting import for_readers
from skysill.report.html import record_html, sheet_html
from skysill.report.record import Record, survey_record
from skysill.report.record_page import record_page
from skysill.report.sheet import FieldSheet, field_sheet, horizon_csv
from skysill.web.answers import document_response, endpoint, field_of, json_response
from skysill.web.pages import page
from skysill.web.photo_files import photo_names, photo_routes
from skysill.web.reading_store import title_of
from skysill.web.site_checks import mount_for, sentence_of, warm_job_for
from skysill.web.state import AppState
from skysill.web.tasks import Progress

__all__ = ["routes"]

_MOST_LETTERS = 200
_PDF_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'self'; base-uri 'none'"


def routes(state: AppState) -> list[Route]:
    """Routes of the page and what it asks for."""

    def show(request: Request, given: dict[str, Any]) -> Any:
        stored = state.store.read(request.path_params["name"])
        title = f"Record: {title_of(stored)}"
        return page("record.html", site=stored.name, tab="record", title=title, today=today().isoformat())

    def now(request: Request, given: dict[str, Any]) -> Any:
        return _state_of_records(state, request.path_params["name"], given)

    def sheet(request: Request, given: dict[str, Any]) -> Any:
        return _sheet_summary(_sheet(state, request.path_params["name"], given))

    def sheet_document(request: Request, given: dict[str, Any]) -> Any:
        name, kind = request.path_params["name"], request.path_params["kind"]
        return _sheet_document(state, name, kind, dict(request.query_params))

    def record_document(request: Request, given: dict[str, Any]) -> Any:
        return _record_document(state, request.path_params["name"], request.path_params["file"])

    def as_built(request: Request, given: dict[str, Any]) -> Any:
        return _as_built(state, request.path_params["name"])

    def save_as_built(request: Request, given: dict[str, Any]) -> Any:
        return _save_as_built(state, request.path_params["name"], given)

    state.task_kinds["record"] = _record_task
    return [
        Route("/sites/{name}/record", endpoint(show)),
        Route("/sites/{name}/sheet.{kind}", endpoint(sheet_document, limiter=state.computing)),
        Route("/sites/{name}/records/{file}", endpoint(record_document)),
        Route("/api/sites/{name}/record", endpoint(now, limiter=state.computing), methods=["POST"]),
        Route("/api/sites/{name}/sheet", endpoint(sheet, limiter=state.computing), methods=["POST"]),
        Route("/api/sites/{name}/as-built", endpoint(as_built), methods=["GET"]),
        Route("/api/sites/{name}/as-built", endpoint(save_as_built), methods=["PUT"]),
        *photo_routes(state),
    ]


def _state_of_records(state: AppState, name: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Cautions first; verdicts, records and the names of what a record may be of."""
    warm, _ = warm_job_for(state, name, {})
    mount = mount_for(warm, {"mount": given.get("mount")})
    found = assess(warm.job, mount, explain=False, losses=False, context=warm.context)
    return {
        "cautions": [one.text for one in assessment_cautions(warm.job, mount, found)],
        "mount": mount.name,
        "mounts": [one.name for one in warm.job.mounts],
        "satellites": [one.name for one in warm.job.satellites],
        "verdicts": [
            {"name": r.satellite.name, "verdict": r.verdict, "sentence": sentence_of(r)}
            for r in found.results
        ],
        "corners": [one.corner for one in _tapes(warm.as_read, mount)],
        "readings": warm.job.sources.readings is not None,
        "records": [_listed(one) for one in _records(state, name)],
    }


def _tapes(job: Any, mount: Any) -> Any:
    from skysill.report.as_built import tapes_from

    return tapes_from(job, mount)


# --- field sheet ---------------------------------------------------------------------------------------------------


def _whole_day(given: Mapping[str, Any], field: str) -> dt.date:
    text = field_of(given, field, str, "").strip()
    if not text:
        return today()
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{quoted(text)} is not a day.", where=field, mend="Write 2026-06-14.") from None


def _zone(given: Mapping[str, Any]) -> dt.tzinfo:
    return local_zone(field_of(given, "zone", str, "").strip() or None)


def _paper(given: Mapping[str, Any]) -> str:
    paper: str = field_of(given, "paper", str, "a4")
    if paper not in ("a4", "letter"):
        raise InputError("is no paper.", where="paper", mend="Choose a4 or letter.")
    return paper


def _sheet(state: AppState, name: str, given: Mapping[str, Any]) -> FieldSheet:
    """The field sheet that a request describes: "mount", "day", "zone", "revisit"."""
    warm, _ = warm_job_for(state, name, {})
    day, zone = _whole_day(given, "day"), _zone(given)
    start = dt.datetime.combine(day, dt.time(0), tzinfo=zone).astimezone(dt.UTC)
    revisit = given.get("revisit") in (True, "1")
    mount = mount_for(warm, {"mount": given.get("mount") or None})
    job = replace(warm.job, date=day)
    return field_sheet(job, mount, sun_after_utc=start, zone=zone, revisit=revisit)


def _sheet_summary(made: FieldSheet) -> dict[str, Any]:
    again = sum(row.read_deg is not None for row in made.rows)
    return {
        "decide": sum(row.need == "measure" and row.read_deg is None for row in made.rows),
        "check": sum(row.need == "check" for row in made.rows),
        "distances": again,
        "bearings": made.bearings,
        "notes": list(for_readers(made.notes)),
    }


def _sheet_document(state: AppState, name: str, kind: str, given: Mapping[str, Any]) -> Response:
    made, stem = _sheet(state, name, given), state.store.path_of(name).stem
    table = f"{stem}_sheet.csv"
    if kind == "html":
        return document_response(sheet_html(made, csv_name=table))
    if kind == "pdf":
        from skysill.report.sheet_pdf import sheet_pdf

        return _pdf(sheet_pdf(made, csv_name=table, paper=_paper(given)), f"{stem}_sheet.pdf")
    if kind == "csv":
        headers = {"content-disposition": f'attachment; filename="{_header_name(table)}"'}
        return Response(horizon_csv(made), media_type="text/csv; charset=utf-8", headers=headers)
    raise SiteMissingError("there is no such sheet.", where=quoted(kind))


def _header_name(file: str) -> str:
    """A file name as it may stand in a header."""
    return re.sub(r'[^ -~]|["\\]', "_", file)


def _pdf(raw: bytes, file: str) -> Response:
    headers = {
        "content-disposition": f'inline; filename="{_header_name(file)}"',
        "content-security-policy": _PDF_POLICY,
    }
    return Response(raw, media_type="application/pdf", headers=headers)


# --- records -------------------------------------------------------------------------------------------------------


def _records(state: AppState, name: str) -> list[RecordName]:
    stem = state.store.path_of(name).stem
    return record_names(stem, [one.file for one in state.store.companions(name)])


def _listed(one: RecordName) -> dict[str, Any]:
    return {
        "made": one.made,
        "number": one.number,
        "mount": one.mount,
        "html": one.file("html"),
        "pdf": one.file("pdf"),
    }


def _record_task(state: AppState, given: dict[str, Any]) -> Any:
    """The work of making a record, from "site", "mount", "by", "day", "zone", "paper", "keep_location"."""
    name = field_of(given, "site", str, "")
    path = state.store.path_of(name)
    mount_name = field_of(given, "mount", str)
    by = printable(field_of(given, "by", str, "")).strip()
    if len(by) > _MOST_LETTERS:
        raise InputError(f"is longer than {_MOST_LETTERS} letters.", where="by")
    day, zone, paper = _whole_day(given, "day"), _zone(given), _paper(given)
    keep_location = bool(given.get("keep_location"))

    def work(progress: Progress) -> Any:
        progress(0, 4)
        options = JobOptions(site_file=str(path), mount_name=mount_name, allow_host=state.options.allow_host)
        job = state.jobs.get(replace(options, mount_name=None)).as_read
        mount = mount_for(state.jobs.get(replace(options, mount_name=None)), {"mount": mount_name})
        survey_photos, built = _photos_and_built(state, name)
        earlier = _last(state, name, mount.name)
        from skysill.remedies.search import check

        assessment = check(job, mount, profile_step_deg=1.0, paths=True)
        progress(1, 4)
        made = survey_record(
            job,
            mount,
            assessment,
            made=day,
            by=by,
            sun_after_utc=dt.datetime.combine(day, dt.time(0), tzinfo=zone).astimezone(dt.UTC),
            zone=zone,
            files=file_checksums(options, job.sources.rasters),
            photos=[read_photo(one) for one in survey_photos],
            keep_location=keep_location,
            as_built=built,
            built_photos=[] if built is None else [read_photo(one) for one in built.photos],
            last=earlier,
        )
        progress(2, 4)
        return _written(state, name, made, paper, progress)

    return work


def _photos_and_built(state: AppState, name: str) -> tuple[list[Path], AsBuilt | None]:
    """Photographs of the survey, and the as-built values with theirs.

    Raises
    ------
    InputError : as-built values that name a photograph elsewhere
    """
    folder, built = state.store.path_of(name).parent, None
    text, revision = _as_built_file(state, name)
    if revision != NEW_FILE:
        file = as_built_name(state.store.path_of(name).stem)
        built = as_built_of(tomllib.loads(text), str(folder / file))
        for photo in built.photos:
            if Path(photo).parent != folder or Path(photo).is_symlink():
                raise InputError(
                    f"{quoted(Path(photo).name)} does not lie beside the site file.",
                    where=f"{file}, photo",
                    mend="Attach it on this page.",
                )
    done = set() if built is None else {Path(one).name for one in built.photos}
    return [folder / one for one in photo_names(state, name) if one not in done], built


def _last(state: AppState, name: str, mount: str) -> dict[str, Any] | None:
    """The last record of this mount, else the last of the site; None where there is none that can be read."""
    folder, listed = state.store.path_of(name).parent, _records(state, name)
    plain = record_name("", "", mount, ()).mount
    for one in sorted(listed, key=lambda each: each.mount != plain):
        try:
            return read_last_record(folder / one.file("json"))
        except InputError:
            continue
    return None


def _written(state: AppState, name: str, made: Record, paper: str, progress: Progress) -> dict[str, Any]:
    from skysill.report.record_pdf import record_pdf

    html = record_html(made)
    progress(3, 4)
    pdf = record_pdf(made, paper=paper)
    path = state.store.path_of(name)
    taken = [one.name for one in path.parent.iterdir() if one.name.startswith(f"{path.stem}-record-")]
    new = record_name(path.stem, made.made.isoformat(), made.assessment.mount.name, taken)
    state.store.companion_path(name, new.file("json"))
    write_together(
        [
            (path.parent / new.file("html"), html),
            (path.parent / new.file("pdf"), pdf),
            (path.parent / new.file("json"), to_json_text(made)),
        ]
    )
    shown = record_page(made)
    return {
        "record": _listed(new),
        "verdicts": [{"name": one.name, "verdict": one.verdict} for one in shown.satellites],
        "changes_heading": shown.changes_heading,
        "changes": None if shown.changes is None else list(shown.changes),
        "notes": list(shown.notes),
    }


def _record_document(state: AppState, name: str, file: str) -> Response:
    """A record of the site, by the name of its file; nothing else of the folder."""
    path = state.store.path_of(name)
    for one in _records(state, name):
        for suffix in ("html", "pdf"):
            found = path.parent / one.file(suffix)
            if found.name == file and found.is_file() and not found.is_symlink():
                raw = found.read_bytes()
                return document_response(raw.decode("utf-8")) if suffix == "html" else _pdf(raw, file)
    raise SiteMissingError("there is no such record.", where=quoted(file))


# --- as-built values -------------------------------------------------------------------------------------------------


def _as_built_file(state: AppState, name: str) -> tuple[str, str]:
    """Text and revision of the as-built file; "" and NEW_FILE where there is none."""
    file = as_built_name(state.store.path_of(name).stem)
    try:
        raw, revision = state.store.read_companion(name, file)
    except SiteMissingError:
        return "", NEW_FILE
    try:
        return raw.decode("utf-8-sig"), revision
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text.", where=file, mend="Save it as UTF-8.") from None


def _as_built(state: AppState, name: str) -> dict[str, Any]:
    file = as_built_name(state.store.path_of(name).stem)
    text, revision = _as_built_file(state, name)
    values = as_built_values(text, file) if text.strip() else {}
    tapes, photos = values.pop("tape_m", []), values.pop("photos", [])
    single = values.pop("photo", None)
    return {
        "file": file,
        "revision": revision,
        "values": values,
        "tapes": tapes,
        "photos": [*photos, *([single] if single else [])],
    }


def _save_as_built(state: AppState, name: str, given: Mapping[str, Any]) -> Any:
    file = as_built_name(state.store.path_of(name).stem)
    typed, tapes = field_of(given, "values", dict, {}), field_of(given, "tapes", list, [])
    photos = field_of(given, "photos", list)
    if not all(isinstance(one, str) for one in typed.values()) or not all(
        isinstance(one, list) and len(one) == 2 and all(isinstance(part, str) for part in one)
        for one in tapes
    ):
        raise InputError("the values are not text.", where="values")
    text, now = _as_built_file(state, name)
    if now != field_of(given, "revision", str):
        said = f"{file} was changed by someone else since you read it. What you typed is kept here."
        return json_response({"error": said, "path": None, **_as_built(state, name)}, 409)
    values, faults = typed_as_built(typed, [(one[0], one[1]) for one in tapes])
    if faults:
        field, said = next(iter(faults.items()))
        return json_response({"error": said, "path": None, "field": field, "faults": faults}, 422)
    if photos is not None:
        there = set(photo_names(state, name))
        values["photos"] = [one for one in photos if one in there]
        if not values["photos"]:
            del values["photos"]
    made = as_built_text(text, values, file, with_photos=photos is not None)
    state.store.write_companion(name, file, made.encode("utf-8"), revision=now)
    return _as_built(state, name)
