"""The verdict of a mount for a page: the job kept ready, the mount as dragged, the pictures as asked for."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from skysill.assessment.pipeline import assess
from skysill.assessment.results import Assessment, SatelliteResult
from skysill.errors import InputError
from skysill.geodesy.positions import parse_longitude
from skysill.io.job_options import JobOptions
from skysill.io.jobs import mount_of
from skysill.io.json_text import plain_values
from skysill.io.site_edits import with_edits
from skysill.io.site_schema import parse_site_text
from skysill.io.site_store import StoredSite
from skysill.io.sources import refuse_outside
from skysill.model.site import Mount
from skysill.siting.spot_review import moved_mount
from skysill.web.answers import field_of
from skysill.web.state import AppState
from skysill.web.warm_jobs import WarmJob, files_named

__all__ = [
    "check_document",
    "edited_text",
    "mount_for",
    "options_for",
    "pictures_of",
    "safe_satellites",
    "sentence_of",
    "warm_job_for",
]

_WORDS = {"clear": "Clear", "marginal": "Marginal", "needs-survey": "Needs a survey", "unknown": "Unknown"}
_PICTURE_STEP_DEG = 0.5
_DRAWING = threading.Lock()
"""One picture at a time: the drawing library keeps its settings in one table of the process."""


def edited_text(state: AppState, stored: StoredSite, edits: Sequence[Mapping[str, Any]] | None) -> str:
    """The text of a site file with edits of a page; files that they newly name lie in the store's folder.

    Raises
    ------
    InputError : an edit that the reader of site files refuses
    """
    state.recent.keep(stored.revision, stored.text)
    if not edits:
        return stored.text
    text = with_edits(stored.text, edits, stored.path.name)
    folder = stored.path.parent
    named = [
        [
            str(path.relative_to(folder)) if path.is_relative_to(folder) else str(path)
            for path in files_named(options)
        ]
        for options in (
            JobOptions(site_file=str(stored.path), site_text=stored.text),
            JobOptions(site_file=str(stored.path), site_text=text),
        )
    ]
    state.store.refuse_foreign_files(stored.name, *named)
    return text


def safe_satellites(texts: Sequence[Any] | None) -> tuple[str, ...]:
    """Satellites as a page names them: orbital longitudes, or names of the site file; never files.

    Raises
    ------
    InputError : not a list of texts

    >>> safe_satellites(["Demo South=24.0W"])
    ('Demo South=24.0W',)
    """
    found = []
    for text in texts or ():
        if not isinstance(text, str) or not text.strip():
            raise InputError("is not a satellite.", where="satellites", mend='Write "24.0 W" or NAME=24.0W.')
        try:
            parse_longitude(text.rpartition("=")[2])
        except InputError as fault:
            raise InputError(fault.what, where="satellites", mend=fault.mend) from fault
        found.append(text.strip())
    return tuple(found)


def options_for(state: AppState, name: str, given: Mapping[str, Any]) -> JobOptions:
    """Options of a check on a site, with the unsaved edits of a request.

    given : "edits", "satellites" of the request

    Raises
    ------
    InputError, SiteMissingError
    """
    stored = state.store.read(name)
    text = edited_text(state, stored, field_of(given, "edits", list))
    return JobOptions(
        site_file=str(stored.path),
        site_text=text,
        satellite=_known_satellites(text, stored.path.name, field_of(given, "satellites", list)),
        allow_host=state.options.allow_host,
    )


def _known_satellites(text: str, shown: str, named: Sequence[Any] | None) -> tuple[str, ...]:
    known = [one.name or one.longitude or one.orbit for one in parse_site_text(text, shown).satellites]
    for one in named or ():
        if one not in known:
            safe_satellites([one])
    return tuple(str(one) for one in named or ())


def warm_job_for(state: AppState, name: str, given: Mapping[str, Any]) -> tuple[WarmJob, JobOptions]:
    """The job of a site with unsaved edits, kept ready between requests."""
    options = options_for(state, name, given)
    return state.jobs.get(options), options


def mount_for(warm: WarmJob, given: Mapping[str, Any]) -> Mount:
    """The mount of a request: one of the site's by "mount", at "height_m", at the plan position "east_m", "north_m".

    A mount that was moved stands on the roof or ground under its new place, unless "surface_elevation_m" says where.
    """
    mount = mount_of(JobOptions(mount_name=field_of(given, "mount", str)), warm.job)
    height_m, east_m, north_m, surface_m = (
        field_of(given, key, float) for key in ("height_m", "east_m", "north_m", "surface_elevation_m")
    )
    if height_m is not None:
        mount = replace(mount, height_m=height_m)
    east_m = mount.east_m if east_m is None else east_m
    north_m = mount.north_m if north_m is None else north_m
    if (east_m, north_m) != (mount.east_m, mount.north_m):
        mount = moved_mount(warm.job, mount, east_m=east_m, north_m=north_m)
    if surface_m is not None:
        mount = replace(mount, surface_elevation_m=surface_m, surface_height_m=None, surface_source="given")
    return mount


def sentence_of(result: SatelliteResult) -> str:
    """The verdict on one satellite in one sentence, with its first reason."""
    word = _WORDS.get(result.verdict, "Blocked")
    return (
        f"{result.satellite.name}: {word}. {result.reasons[0]}"
        if result.reasons
        else f"{result.satellite.name}: {word}."
    )


def check_document(warm: WarmJob, mount: Mount, given: Mapping[str, Any]) -> dict[str, Any]:
    """The document of `check --json` for a mount, with sentences and pictures.

    Parameters
    ----------
    given : "remedies" (true: what would help, default false), "pictures" (list of "sky", "profile", "strip"),
        "picture_of" (name of a satellite), "profile" (true: the horizon all around as numbers, for drawing)

    Returns
    -------
    as `check --json`, and "sentences" (one a satellite), "pictures" (SVG by name), "horizon" where asked for
    """
    from skysill.assessment.assessment_cautions import assessment_cautions
    from skysill.remedies.search import with_remedies

    job, context = warm.job, warm.context
    refuse_outside(job)
    wanted = field_of(given, "pictures", list) or []
    full, rounds = bool(given.get("remedies")), bool(given.get("profile")) or "sky" in wanted
    found = assess(
        job,
        mount,
        profile_step_deg=_PICTURE_STEP_DEG if rounds else None,
        paths="profile" in wanted,
        explain=full,
        losses=full,
        magnetic=full,
        context=context,
    )
    if full:
        found = with_remedies(job, mount, found, context=context)
    document: dict[str, Any] = plain_values(found)
    document["sentences"] = [sentence_of(result) for result in found.results]
    if full:
        document["cautions"] = plain_values(assessment_cautions(job, mount, found))
    if rounds and found.profile is not None:
        document["horizon"] = plain_values(found.profile)
    document["pictures"] = pictures_of(found, wanted, field_of(given, "picture_of", str))
    return document


def pictures_of(found: Assessment, wanted: Sequence[Any], satellite: str | None = None) -> dict[str, str]:
    """Pictures of an assessment as SVG, by name: "sky", "profile", "strip"."""
    if not wanted:
        return {}
    from skysill.plots.path_profile import path_profile_figure
    from skysill.plots.sky_view import sky_figure
    from skysill.plots.strip import strip_figure
    from skysill.plots.theme import fixed_settings, render

    if satellite is not None and satellite not in [one.satellite.name for one in found.results]:
        raise InputError("no satellite has this name.", where="picture_of")
    made = {}
    with _DRAWING, fixed_settings():
        for name in wanted:
            if name == "sky":
                figure = sky_figure(found, heading=False)
            elif name == "profile":
                figure = path_profile_figure(found, satellite, heading=False)
            elif name == "strip":
                figure = strip_figure(found, satellite, heading=False)
            else:
                raise InputError("is no picture.", where="pictures", mend="There are sky, profile and strip.")
            made[str(name)] = render(figure, "svg").decode("utf-8")
    return made
