"""The roof page: the plan, a spot that is dragged, the search for the best one, the roof card."""

from __future__ import annotations

import datetime as dt
import secrets
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from skysill.errors import InputError
from skysill.io.checksums import file_checksums
from skysill.io.job_options import JobOptions, today
from skysill.io.jobs import mount_of
from skysill.io.json_text import plain_values
from skysill.io.site_store import SiteMissingError
from skysill.io.sources import refuse_outside
from skysill.model.job import Job
from skysill.model.site import Mount
from skysill.pointing.sun_guides import local_zone
from skysill.report.card import CardAnswer, RoofCard, roof_card
from skysill.report.html import card_html
from skysill.siting.spot_review import SpotReview, moved_mount, review_spot
from skysill.web.answers import document_response, endpoint, field_of
from skysill.web.pages import page
from skysill.web.reading_store import title_of
from skysill.web.roof_plan import elevations_document, hillshade_document, plan_document, snap_document
from skysill.web.site_checks import sentence_of, warm_job_for
from skysill.web.state import AppState
from skysill.web.tasks import Progress

__all__ = ["routes"]

_MOST_CARDS = 8
_DEFAULT_HEIGHT_M = 1.0


def routes(state: AppState) -> list[Route]:
    """Routes of the page and what it asks for."""
    cards: OrderedDict[str, str] = OrderedDict()

    def show(request: Request, given: dict[str, Any]) -> Any:
        stored = state.store.read(request.path_params["name"])
        return page("roof.html", site=stored.name, tab="roof", title=f"Roof: {title_of(stored)}")

    def plan(request: Request, given: dict[str, Any]) -> Any:
        warm, _ = warm_job_for(state, request.path_params["name"], given)
        return plan_document(warm.job)

    def hillshade(request: Request, given: dict[str, Any]) -> Any:
        warm, _ = warm_job_for(state, request.path_params["name"], given)
        return hillshade_document(warm, given)

    def elevations(request: Request, given: dict[str, Any]) -> Any:
        return elevations_document(warm_job_for(state, request.path_params["name"], given)[0].job, given)

    def snap(request: Request, given: dict[str, Any]) -> Any:
        return snap_document(warm_job_for(state, request.path_params["name"], given)[0].job, given)

    def spot(request: Request, given: dict[str, Any]) -> Any:
        warm, _ = warm_job_for(state, request.path_params["name"], given)
        return _spot_document(warm.job, warm.context, given)

    def card(request: Request, given: dict[str, Any]) -> Any:
        text = cards.get(request.path_params["key"])
        if text is None:
            raise SiteMissingError("this card is no longer kept.", mend="Make it again.")
        made = document_response(text, scripts=True)
        if "download" in request.query_params:
            name = f"{request.path_params['name']}-card.html".encode("ascii", "replace").decode("ascii")
            made.headers["content-disposition"] = f'attachment; filename="{name.replace(chr(34), "_")}"'
        return made

    def make_card(state: AppState, given: dict[str, Any]) -> Callable[[Progress], Any]:
        return _card_work(state, given, cards)

    state.task_kinds["roof-search"] = _search_work
    state.task_kinds["roof-card"] = make_card
    site = "/api/sites/{name}"
    return [
        Route("/sites/{name}/roof", endpoint(show)),
        Route("/sites/{name}/cards/{key}", endpoint(card)),
        Route(f"{site}/plan", endpoint(plan, limiter=state.computing), methods=["POST"]),
        Route(f"{site}/hillshade", endpoint(hillshade, limiter=state.computing), methods=["POST"]),
        Route(f"{site}/elevations", endpoint(elevations, limiter=state.computing), methods=["POST"]),
        Route(f"{site}/snap", endpoint(snap, limiter=state.computing), methods=["POST"]),
        Route(f"{site}/spot", endpoint(spot, limiter=state.computing), methods=["POST"]),
    ]


# --- a spot that is dragged -----------------------------------------------------------------------------------


def _spot_document(job: Job, context: Any, given: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of a mount at a plan position.

    given : "mount" (its name; null: a new one), "east_m", "north_m", "height_m", "max_height_m"; "prove": name of the
        satellite whose least mast is assessed, null: least masts are those with the room, which is quick
    """
    refuse_outside(job)
    mount, name = _mount(job, given), field_of(given, "prove", str)
    if name is not None and name not in [one.name for one in job.satellites]:
        raise InputError("no satellite has this name.", where="prove")
    reviews = [
        review_spot(
            replace(job, satellites=group),
            mount,
            context=context,
            prove=prove,
            named=field_of(given, "mount", str) is not None,
            max_height_m=field_of(given, "max_height_m", float),
        )
        for prove, group in (
            (True, tuple(one for one in job.satellites if one.name == name)),
            (False, tuple(one for one in job.satellites if one.name != name)),
        )
        if group
    ]
    if not reviews:
        raise InputError("no satellite was named.", mend="Choose one at the desk.")
    values = _review_values(job, reviews[0])
    answers = [answer for review in reviews for answer in _answers(review)]
    order = [one.name for one in job.satellites]
    values["answers"] = plain_values(sorted(answers, key=lambda answer: order.index(answer["satellite"])))
    values["mount"]["given_surface_m"] = mount.surface_elevation_m
    return values


def _answers(found: SpotReview) -> list[dict[str, Any]]:
    return [
        {
            "satellite": result.satellite.name,
            "verdict": result.verdict,
            "sentence": sentence_of(result),
            "margin_deg": result.clearance.margin_deg,
            "p_clear": result.p_clear,
            "controls": None if result.clearance.controlling is None else result.clearance.controlling.name,
            "least_height_m": least_m,
            "proved": found.proved,
        }
        for result, least_m in zip(found.assessment.results, found.least_height_m, strict=True)
    ]


def _mount(job: Job, given: Mapping[str, Any]) -> Mount:
    """The mount as dragged: where it did not move it stands as the site file says."""
    name = field_of(given, "mount", str)
    mount = Mount("new spot", height_m=_DEFAULT_HEIGHT_M)
    if name is not None:
        mount = mount_of(JobOptions(mount_name=name), job)
    east_m = field_of(given, "east_m", float, mount.east_m)
    north_m = field_of(given, "north_m", float, mount.north_m)
    if name is None or (east_m, north_m) != (mount.east_m, mount.north_m):
        mount = moved_mount(job, mount, east_m=east_m, north_m=north_m)
    return replace(mount, height_m=field_of(given, "height_m", float, mount.height_m))


def _review_values(job: Job, found: SpotReview) -> dict[str, Any]:
    values: dict[str, Any] = plain_values(
        {
            "mount": {
                "name": found.mount.name,
                "east_m": found.mount.east_m,
                "north_m": found.mount.north_m,
                "height_m": found.mount.height_m,
                "surface_elevation_m": found.mount.surface_elevation_m,
                "surface_source": found.assessment.mount.surface_source,
            },
            "max_height_m": found.max_height_m,
            "refusal": found.refusal,
            "cable_run_m": found.cable_run_m,
            "cable_ok": found.cable_ok,
            "cable_limit_m": job.terminal.cable_limit_m,
            "cautions": found.cautions,
            "notes": found.notes,
        }
    )
    return values


# --- the search -----------------------------------------------------------------------------------------------


def _search_work(state: AppState, given: dict[str, Any]) -> Callable[[Progress], Any]:
    """Every spot of the roof for the satellites asked for; the same answers as the card's."""
    warm, _ = warm_job_for(state, field_of(given, "site", str, ""), given)
    step_m = field_of(given, "grid_step_m", float)
    max_m = field_of(given, "max_height_m", float)
    if warm.job.roof is None:
        raise InputError("there is no roof to search.", where="roof", mend="Draw its outline first.")
    refuse_outside(warm.job)
    bare = replace(warm.job, mounts_named=False)

    def work(progress: Progress) -> Any:
        made = roof_card(
            bare, made=today(), weeks=1, grid_step_m=step_m, max_height_m=max_m, progress=progress
        )
        return _search_values(made)

    return work


def _search_values(made: RoofCard) -> dict[str, Any]:
    values: dict[str, Any] = plain_values(
        {
            "grid_step_m": made.grid_step_m,
            "satellites": [{"name": one.satellite.name, "best": one.best} for one in made.satellites],
            "spots": [
                {
                    "name": place.name,
                    "east_m": place.east_m,
                    "north_m": place.north_m,
                    "surface_elevation_m": place.surface_elevation_m,
                    "answers": [_answer_values(answer) for answer in place.answers],
                }
                for place in made.places
            ],
            "notes": made.notes,
        }
    )
    return values


def _answer_values(answer: CardAnswer) -> dict[str, Any]:
    return {
        "verdict": answer.verdict,
        "refusal": answer.refusal,
        "height_m": answer.height_m,
        "least_height_m": answer.least_height_m,
        "max_height_m": answer.max_height_m,
        "margin_deg": answer.margin_deg,
        "cable_run_m": answer.cable_run_m,
        "cable_ok": answer.cable_ok,
        "cautions": len(answer.cautions),
    }


# --- the card -------------------------------------------------------------------------------------------------


def _card_work(
    state: AppState, given: dict[str, Any], cards: OrderedDict[str, str]
) -> Callable[[Progress], Any]:
    """The roof card of the saved site; its checksums are those of the files as they are."""
    if field_of(given, "edits", list):
        raise InputError("the card is made of what is saved.", mend="Save first.")
    name = field_of(given, "site", str, "")
    warm, options = warm_job_for(state, name, {})
    refuse_outside(warm.job)
    zone = local_zone(field_of(given, "zone", str))
    day = _day(field_of(given, "day", str))
    weeks = field_of(given, "weeks", int, 4)
    step_m = field_of(given, "grid_step_m", float)

    def work(progress: Progress) -> Any:
        files = file_checksums(replace(options, site_text=None), warm.as_read.sources.rasters)
        made = roof_card(
            warm.job,
            made=day,
            weeks=weeks,
            zone=zone,
            grid_step_m=step_m if warm.job.roof is not None else None,
            files=files,
            progress=progress,
        )
        key = secrets.token_urlsafe(9)
        cards[key] = card_html(made)
        while len(cards) > _MOST_CARDS:
            cards.popitem(last=False)
        return {"address": f"/sites/{name}/cards/{key}", "places": len(made.places), "title": made.title}

    return work


def _day(text: str | None) -> dt.date:
    if text is None:
        return today()
    try:
        return dt.date.fromisoformat(text)
    except ValueError as fault:
        raise InputError(
            f'"{text}" is not a date.', where="day", mend="Write 2026-06-14, for instance."
        ) from fault
