"""The application: all routes behind one guard."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from skysill.web.access import COOKIE, Guard
from skysill.web.addresses import routes as addresses_routes
from skysill.web.answers import endpoint, error_response, field_of, json_response
from skysill.web.desk import routes as desk_routes
from skysill.web.pages import STATIC, page
from skysill.web.record import routes as record_routes
from skysill.web.roof import routes as roof_routes
from skysill.web.sites import routes as sites_routes
from skysill.web.state import AppState
from skysill.web.survey import routes as survey_routes

__all__ = ["create_app"]

_FILE_BYTES = 25_000_000
_ROUTES = (sites_routes, desk_routes, survey_routes, roof_routes, record_routes, addresses_routes)


def create_app(state: AppState) -> Guard:
    """The application of one server.

    Parameters
    ----------
    state : store, access, options; it lives as long as the application
    """

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        state.tasks.stop()
        for end in state.at_end:
            end()

    state.access.limits_bytes.setdefault("PUT /api/sites/", _FILE_BYTES)
    routes = [
        Route("/enter", endpoint(lambda request, given: page("enter.html", title="Token"))),
        Route("/api/enter", endpoint(lambda request, given: _enter(state, given)), methods=["POST"]),
        *(route for routes_of in _ROUTES for route in routes_of(state)),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    app = Starlette(
        routes=routes,
        lifespan=lifespan,
        exception_handlers={HTTPException: _http_error, Exception: _fault},
    )
    app.state.folder = state.store.folder
    return Guard(app, state.access)


def _enter(state: AppState, given: dict[str, Any]) -> Response:
    session = state.access.session_for(field_of(given, "token", str, ""))
    if session is None:
        return json_response({"error": "That is not the token of this server.", "path": None}, 401)
    answer = json_response({"entered": True})
    answer.set_cookie(COOKIE, session, httponly=True, samesite="strict", path="/")
    return answer


async def _http_error(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)
    said = "There is nothing at this address." if fault.status_code == 404 else f"{fault.detail}."
    if request.url.path.startswith("/api/"):
        return json_response({"error": said, "path": None}, fault.status_code)
    return page("error.html", fault.status_code, title="Not found", said=said)


async def _fault(request: Request, fault: Exception) -> Response:
    return error_response(fault)
