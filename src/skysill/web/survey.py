"""The survey page of a site."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from skysill.web.answers import endpoint
from skysill.web.pages import page
from skysill.web.state import AppState

__all__ = ["routes"]


def routes(state: AppState) -> list[Route]:
    """Routes of the page and what it asks for."""

    def show(request: Request, given: dict[str, Any]) -> Any:
        stored = state.store.read(request.path_params["name"])
        return page("survey.html", site=stored.name, tab="survey", title=stored.name)

    return [Route("/sites/{name}/survey", endpoint(show))]
