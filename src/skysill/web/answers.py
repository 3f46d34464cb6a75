"""Requests in, answers out: JSON bodies read strictly, errors in one shape, computing kept off the event loop.

Every error is {"error": one sentence, "path": where in the site file or null, "row": line or null, "field": or null}.
"""

from __future__ import annotations

import json
import re
import sys
import traceback
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

import anyio
from anyio import CapacityLimiter
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, Response

from skysill.errors import CoverageError, InputError
from skysill.io.json_text import to_json_text
from skysill.io.site_edits import field_path
from skysill.io.site_store import RevisionConflictError, SiteMissingError
from skysill.web.access import RefusedError
from skysill.web.pages import page

__all__ = ["Handler", "document_response", "endpoint", "error_response", "field_of", "json_response"]

Handler = Callable[[Request], Awaitable[Response]]

_DOCUMENT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data: blob:; font-src data:; script-src {scripts}; "
    "form-action 'none'; frame-ancestors 'self'; base-uri 'none'; sandbox allow-popups allow-downloads{sandbox}"
)


def json_response(values: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """A JSON document; nan becomes null."""
    return Response(
        to_json_text(values, indent=None), status, media_type="application/json", headers=dict(headers or {})
    )


def document_response(html: str, *, scripts: bool = False) -> Response:
    """A document made by the library (record, sheet, roof card) with its own, closed policy.

    scripts : whether the document's own script may run; it runs without access to these pages
    """
    policy = _DOCUMENT_POLICY.format(
        scripts="'unsafe-inline'" if scripts else "'none'", sandbox=" allow-scripts" if scripts else ""
    )
    return HTMLResponse(html, headers={"content-security-policy": policy})


def endpoint(
    work: Callable[[Request, dict[str, Any]], Any],
    *,
    limiter: CapacityLimiter | Callable[[dict[str, Any]], CapacityLimiter] | None = None,
    raw: bool = False,
) -> Handler:
    """A route's handler from a plain function, which runs in a thread.

    Parameters
    ----------
    work : called with the request and its JSON body (an object; empty without a body); gives a Response, or values
        that become a JSON document
    limiter : how many of this kind compute at once, or a function of the body that says so; None: as many as there
        are threads. Who has gone away while waiting is not computed for
    raw : the body is bytes, handed over as {"raw": bytes}
    """

    async def answer(request: Request) -> Response:
        try:
            given: dict[str, Any] = {}
            if request.method not in ("GET", "HEAD", "DELETE"):
                body = await request.body()
                given = {"raw": body} if raw else _json_object(body)
            if limiter is None:
                made = await anyio.to_thread.run_sync(work, request, given)
            else:
                async with limiter if isinstance(limiter, CapacityLimiter) else limiter(given):
                    if await request.is_disconnected():
                        return Response(status_code=400)
                    made = await anyio.to_thread.run_sync(work, request, given)
        except ClientDisconnect:
            return Response(status_code=400)
        except Exception as fault:
            answered = error_response(fault, folder=getattr(request.app.state, "folder", None))
            return answered if request.url.path.startswith("/api/") else _as_page(answered)
        return made if isinstance(made, Response) else json_response(made)

    return answer


def _json_object(body: bytes) -> dict[str, Any]:
    if not body.strip():
        return {}
    try:
        values = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError) as fault:
        raise InputError("the request is not JSON.") from fault
    if not isinstance(values, dict):
        raise InputError("the request is not a JSON object.")
    return values


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number in JSON")


def field_of(given: Mapping[str, Any], name: str, kind: type | tuple[type, ...], default: Any = None) -> Any:
    """A field of a request, checked for its type; the default where it is missing or null.

    Raises
    ------
    InputError : another type; numbers must be finite

    >>> field_of({"height_m": 2}, "height_m", float)
    2.0
    """
    value = given.get(name)
    if value is None:
        return default
    if kind is float:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or abs(value) > 1e9:
            raise InputError("is not a number that can be used.", where=name)
        return float(value)
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise InputError("is not of the right kind.", where=name)
    return value


def error_response(fault: Exception, *, folder: Path | None = None) -> Response:
    """An exception as an answer: 404 nothing of this name, 409 changed meanwhile, 422 wrong input, 500 our fault."""
    if isinstance(fault, RefusedError):
        return json_response({"error": fault.said, "path": None}, fault.status, {"connection": "close"})
    if isinstance(fault, RevisionConflictError):
        return json_response({"error": str(fault), "path": None, "revision": fault.revision}, 409)
    if isinstance(fault, SiteMissingError):
        return json_response({"error": str(fault), "path": None}, 404)
    if isinstance(fault, InputError | CoverageError):
        return json_response(_error_values(fault, folder), 422)
    print(f"skysill: internal fault, {type(fault).__name__}: {fault}", file=sys.stderr)
    traceback.print_exception(fault, file=sys.stderr)
    return json_response({"error": "An internal fault; the server's window says more.", "path": None}, 500)


def _as_page(answered: Response) -> Response:
    said = json.loads(bytes(answered.body))["error"]
    return page("error.html", answered.status_code, title="Not found", said=said)


def _error_values(fault: InputError | CoverageError, folder: Path | None) -> dict[str, Any]:
    said = str(fault)
    if folder is not None:
        said = said.replace(f"{folder}/", "")
    where = getattr(fault, "where", None) or ""
    row = re.search(r"\brow (\d+)", where)
    field = re.search(r"(?:^|, )([a-z][a-z_]*)$", where)
    return {
        "error": said[:1].upper() + said[1:] if not where else said,
        "path": field_path(where),
        "row": int(row[1]) if row else None,
        "field": field[1] if field else None,
    }
