"""The list of sites, and the desk page: a position or a site to a verdict."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from skysill.web.answers import endpoint
from skysill.web.pages import page
from skysill.web.state import AppState

__all__ = ["routes"]


def routes(state: AppState) -> list[Route]:
    """Routes of the pages and what they ask for."""

    def start(request: Request, given: dict[str, Any]) -> Any:
        return page("sites.html", title="Sites", sites=state.store.sites())

    def desk(request: Request, given: dict[str, Any]) -> Any:
        stored = state.store.read(request.path_params["name"])
        return page("desk.html", site=stored.name, tab="desk", title=stored.name)

    return [Route("/", endpoint(start)), Route("/sites/{name}/desk", endpoint(desk))]
