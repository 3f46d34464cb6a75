"""The survey page of a site: readings as rows, what is still unmeasured, the strip around each satellite."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from skysill.assessment.assessment_cautions import assessment_cautions
from skysill.assessment.cautions import sun_caution
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import place
from skysill.assessment.results import Assessment
from skysill.errors import InputError
from skysill.io.json_text import plain_values
from skysill.io.reading_rows import (
    COLUMN_NAMES,
    RowFault,
    TypedRow,
    checked_rows,
    pasted_rows,
    readings_from,
)
from skysill.io.sources import refuse_outside
from skysill.model.default_errors import BEARING, DISTANCE, INCLINATION
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.model.site import Mount
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.survey_compass import compass_correction_of
from skysill.report.formatting import for_readers
from skysill.report.sheet import FieldSheet, field_sheet
from skysill.report.survey_progress import Unmeasured, unmeasured
from skysill.report.survey_readings import sightings_of
from skysill.web.answers import endpoint, field_of
from skysill.web.pages import page
from skysill.web.reading_store import read_table, save_table, title_of
from skysill.web.site_checks import mount_for, options_for, pictures_of, sentence_of
from skysill.web.state import AppState
from skysill.web.warm_jobs import WarmJob

__all__ = ["routes", "rows_of"]

_MOST_ROWS = 3_000
_MOST_CELLS = 40
_MOST_KEPT = 6


def routes(state: AppState) -> list[Route]:
    """Routes of the page and what it asks for."""

    def show(request: Request, given: dict[str, Any]) -> Any:
        stored = state.store.read(request.path_params["name"])
        return page(
            "survey.html",
            site=stored.name,
            tab="survey",
            title=f"Survey: {title_of(stored)}",
            sun_caution=sun_caution().text,
            instruments={
                "bearing": list(BEARING),
                "inclination": list(INCLINATION),
                "distance": [name for name in DISTANCE if name != "unsaid"],
            },
        )

    def readings(request: Request, given: dict[str, Any]) -> Any:
        return read_table(state, request.path_params["name"])

    def pasted(request: Request, given: dict[str, Any]) -> Any:
        rows = pasted_rows(field_of(given, "text", str, ""))
        if len(rows) > _MOST_ROWS:
            raise InputError(f"{len(rows)} rows at once are too many.", mend=f"At most {_MOST_ROWS} fit.")
        return {"rows": [{"cells": dict(row.cells), "text": row.text} for row in rows]}

    def save(request: Request, given: dict[str, Any]) -> Any:
        return save_table(
            state, request.path_params["name"], rows_of(given), field_of(given, "revision", str)
        )

    def now(request: Request, given: dict[str, Any]) -> Any:
        return _state_of_survey(state, request.path_params["name"], given)

    def strip(request: Request, given: dict[str, Any]) -> Any:
        return _strip(state, request.path_params["name"], given)

    return [
        Route("/sites/{name}/survey", endpoint(show)),
        Route("/api/sites/{name}/readings", endpoint(readings), methods=["GET"]),
        Route("/api/sites/{name}/readings", endpoint(save), methods=["PUT"]),
        Route("/api/sites/{name}/readings/pasted", endpoint(pasted), methods=["POST"]),
        Route("/api/sites/{name}/survey", endpoint(now, limiter=state.computing), methods=["POST"]),
        Route("/api/sites/{name}/survey/strip", endpoint(strip, limiter=state.computing), methods=["POST"]),
    ]


def rows_of(given: Mapping[str, Any]) -> tuple[TypedRow, ...]:
    """The rows of a request, each {"cells": {column: text}, "key": number or null, "text": text}.

    Raises
    ------
    InputError : not of this form, or too many
    """
    listed = field_of(given, "rows", list, [])
    if len(listed) > _MOST_ROWS:
        raise InputError(f"{len(listed)} rows are too many.", where="rows", mend=f"At most {_MOST_ROWS} fit.")
    return tuple(_row(one) for one in listed)


def _row(given: Any) -> TypedRow:
    if not isinstance(given, dict):
        raise InputError("a row is not an object.", where="rows")
    cells, key = field_of(given, "cells", dict, {}), field_of(given, "key", int)
    good = len(cells) <= _MOST_CELLS and all(
        isinstance(n, str) and isinstance(c, str) for n, c in cells.items()
    )
    if not good or (key is not None and key < 0):
        raise InputError("a row has cells that are no text.", where="rows")
    return TypedRow(cells, key, field_of(given, "text", str, ""))


def _state_of_survey(state: AppState, name: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """What the page shows beside the rows: faults, verdicts, what is unmeasured, what the sightings leave over."""
    warm, job, mount, faults = _surveyed(state, name, given)
    refuse_outside(job)
    held = _held_because(faults)
    found = _assessed(warm, job, mount, held, given)
    lacking, lacking_fault = _lacking(warm, job, mount)
    at = place(job, mount)
    correction = compass_correction_of(job, at.site)
    turn_deg = correction.correction_deg
    satellites = []
    for result in found.results:
        azimuth_deg, one = result.look.azimuth_deg, lacking.get(result.satellite.name)
        satellites.append(
            {
                "name": result.satellite.name,
                "verdict": result.verdict,
                "sentence": next(iter(for_readers(result.reasons)), sentence_of(result)),
                "azimuth_deg": azimuth_deg,
                "bearing_deg": None if azimuth_deg is None else (azimuth_deg - turn_deg) % 360.0,
                "elevation_deg": result.look.elevation_apparent_deg,
                "visible": result.look.visible,
                "unmeasured": None if one is None else asdict(one),
            }
        )
    return {
        "faults": [[asdict(one) for one in row] for row in faults],
        "held": held,
        "mount": mount.name,
        "mounts": [one.name for one in warm.job.mounts],
        "bearings": job.sources.survey.bearings,
        "count": 0 if job.sources.readings is None else len(job.sources.readings),
        "satellites": satellites,
        "lacking_fault": lacking_fault,
        "sightings": [asdict(one) for one in sightings_of(job, at, turn_deg)],
        "correction": _correction_text(correction),
        "warnings": list(for_readers(found.warnings)),
        "cautions": [one.text for one in assessment_cautions(job, mount, found)],
    }


def _surveyed(
    state: AppState, name: str, given: Mapping[str, Any]
) -> tuple[WarmJob, Job, Mount, tuple[tuple[RowFault, ...], ...]]:
    """The job of a site with the rows of a request in place of its table, the mount, and the faults of each row."""
    warm = state.jobs.get(options_for(state, name, given), without=("horizon",))
    stations = {one.name for one in warm.job.sources.stations}
    read, faults = checked_rows(rows_of(given), stations=stations)
    readings: Readings | None = readings_from(read, "the rows of this page")
    job = replace(warm.job, sources=replace(warm.job.sources, readings=readings))
    return warm, job, mount_for(warm, given), faults


def _held_because(faults: Sequence[Sequence[RowFault]]) -> str | None:
    """Why no verdict is given while a row cannot be read: what it would say may stand in the way."""
    wrong = [number for number, row in enumerate(faults, start=1) if row]
    if not wrong:
        return None
    rows = (
        f"Row {wrong[0]} cannot"
        if len(wrong) == 1
        else f"{len(wrong)} rows, the first of them {wrong[0]}, cannot"
    )
    return f"{rows} be read yet: no verdict is given before that is mended."


def _assessed(
    warm: WarmJob, job: Job, mount: Mount, held: str | None, given: Mapping[str, Any]
) -> Assessment:
    """The assessment with these rows; while a row cannot be read every verdict is `unknown`."""
    kept: OrderedDict[Any, Assessment] = warm.kept.setdefault("survey", OrderedDict())
    key = (mount, _rows_key(given))
    found = kept.get(key)
    if found is None:
        found = assess(job, mount, explain=False, losses=False, context=warm.context)
        kept[key] = found
        while len(kept) > _MOST_KEPT:
            kept.popitem(last=False)
    if held is None:
        return found
    results = tuple(
        one if one.verdict == "blocked" else replace(one, verdict="unknown", reasons=(held, *one.reasons))
        for one in found.results
    )
    return replace(found, results=results)


def _rows_key(given: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(
        (tuple(row.cells.get(name, "") for name in COLUMN_NAMES), row.text) for row in rows_of(given)
    )


def _lacking(warm: WarmJob, job: Job, mount: Mount) -> tuple[dict[str, Unmeasured], str | None]:
    """What is unmeasured by satellite, or why that cannot be said."""
    sheets: dict[Mount, FieldSheet] = warm.kept.setdefault("fresh sheets", {})
    try:
        if mount not in sheets:
            while len(sheets) >= _MOST_KEPT:
                sheets.pop(next(iter(sheets)), None)
            sheets[mount] = field_sheet(replace(job, sources=replace(job.sources, readings=None)), mount)
        found = unmeasured(job, mount, fresh=sheets[mount])
    except InputError as fault:
        return {}, f"What is still unmeasured is not listed: {fault.what}"
    return {one.satellite: one for one in found}, None


def _correction_text(correction: CompassCorrection) -> str:
    sources = {
        "declination": "by the magnetic model; a landmark or the sun would check the compass",
        "reference": "by the bearing of the zero mark",
        "landmarks": "by the landmarks sighted with the same compass",
        "sun": "by the shadow sighted with the same compass",
    }
    if correction.source == "true":
        return "Bearings count from true north: nothing is turned."
    turned = f"Readings are turned by {correction.correction_deg:+.1f}° to true north, {sources[correction.source]}"
    return f"{turned}, good to {correction.sigma_deg:.1f}°." if correction.sigma_deg else f"{turned}."


def _strip(state: AppState, name: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """The strip around one satellite, as SVG, with its description for those who cannot see it."""
    satellite = field_of(given, "satellite", str, "")
    warm, job, mount, faults = _surveyed(state, name, given)
    refuse_outside(job)
    found = _assessed(warm, job, mount, _held_because(faults), given)
    result = next((one for one in found.results if one.satellite.name == satellite), None)
    if result is None:
        raise InputError("no satellite has this name.", where="satellite")
    look, control = result.look, result.clearance.controlling
    if not look.visible:
        return {"satellite": satellite, "svg": None, "description": f"{satellite} is below the horizon."}
    words = f"The sky around {satellite}, with the room that is needed drawn as a circle: {result.verdict}"
    description = words if control is None else f"{words}, controlled by {control.name}"
    return {
        "satellite": satellite,
        "svg": pictures_of(found, ["strip"], satellite)["strip"],
        "description": f"{description}.",
        "document": plain_values(result.clearance),
    }
