"""The list of sites, and the desk: a position or a site to a verdict."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from skysill.errors import InputError
from skysill.io.site_edits import site_values
from skysill.io.sources import refuse_outside
from skysill.web.answers import endpoint
from skysill.web.found_places import find_property
from skysill.web.new_places import as_started, new_site, options_of_place, place_text
from skysill.web.pages import page
from skysill.web.site_checks import check_document, mount_for
from skysill.web.sites import site_document
from skysill.web.state import AppState

__all__ = ["routes"]


def routes(state: AppState) -> list[Route]:
    """Routes of the pages and what they ask for."""

    state.task_kinds["property"] = find_property

    def start(request: Request, given: dict[str, Any]) -> Any:
        sites = state.store.sites()
        return page("sites.html", title="Sites", tab="sites", sites=sites, started=_started(state))

    def desk(request: Request, given: dict[str, Any]) -> Any:
        stored = state.store.read(request.path_params["name"])
        return page("desk.html", site=stored.name, tab="desk", title=_title(stored.text, stored.name))

    def check_place(request: Request, given: dict[str, Any]) -> Any:
        warm = state.jobs.get(options_of_place(state, given))
        refuse_outside(warm.job)
        return check_document(warm, mount_for(warm, {"height_m": given.get("height_m")}), given)

    def describe(request: Request, given: dict[str, Any]) -> Any:
        return site_values(place_text(state, given), "new-place.toml")

    def make(request: Request, given: dict[str, Any]) -> Any:
        return site_document(state, new_site(state, given))

    return [
        Route("/", endpoint(start)),
        Route("/sites/{name}/desk", endpoint(desk)),
        Route("/api/place/check", endpoint(check_place, limiter=state.limiter_of), methods=["POST"]),
        Route("/api/place", endpoint(describe), methods=["POST"]),
        Route("/api/sites", endpoint(make), methods=["POST"]),
    ]


def _started(state: AppState) -> dict[str, Any]:
    """What the command line said, in words for the page."""
    values = as_started(state)
    satellites = [f"{one['name']}={one['longitude']:g}" for one in values.get("satellites", [])]
    return {
        "rasters": values.get("terrain", {}).get("rasters", []),
        "satellites": satellites,
        "finds": bool(state.property_sources),
    }


def _title(text: str, name: str) -> str:
    try:
        return str(site_values(text, name).get("name", name))
    except InputError:
        return name
