"""Who may ask: host names, origins, the token, sizes and speed of requests; and the headers of every answer."""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from skysill.io.json_text import to_json_text

__all__ = ["COOKIE", "MARK", "Access", "Guard", "RefusedError", "is_loopback"]

COOKIE = "skysill_session"
MARK = "x-skysill"
"""A header that pages of other sites cannot send without asking first, which is never granted."""

_JSON_BYTES = 1_000_000
_OPEN = ("/enter", "/static/", "/api/enter")
_BODY_SECONDS = 20.0
_LEAST_BYTES_A_SECOND = 20_000
_MOST_SESSIONS = 200
_CHANGING = ("POST", "PUT", "PATCH", "DELETE")
_HEADERS = {
    "content-security-policy": "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(self), camera=(self), microphone=()",
    "cache-control": "no-store",
}


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine only.

    >>> is_loopback("127.0.0.1"), is_loopback("0.0.0.0")
    (True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass(slots=True)
class Access:
    """What the guard checks.

    host_names : names by which the server may be called besides IP addresses; port : in the Host header
    token : None: no token is asked for
    sessions : cookies that were given for the token, oldest first
    limits_bytes : largest body by the beginning of a path; 1 MB elsewhere
    """

    port: int
    host_names: frozenset[str] = frozenset({"localhost"})
    loopback_only: bool = True
    token: str | None = None
    sessions: dict[str, None] = field(default_factory=dict)
    limits_bytes: dict[str, int] = field(default_factory=dict)
    body_seconds: float = _BODY_SECONDS

    def names_this_server(self, host: str) -> bool:
        """Whether a Host header names this server: an address or a known name, and the port."""
        try:
            split = urlsplit(f"//{host}")
            name, port = split.hostname or "", split.port or 80
        except ValueError:
            return False
        if port != self.port or split.username is not None or split.path:
            return False
        if name in self.host_names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self.loopback_only

    def session_for(self, token: str) -> str | None:
        """A new session's cookie for the right token, None for a wrong one."""
        if self.token is None or not hmac.compare_digest(token.encode(), self.token.encode()):
            return None
        session = secrets.token_urlsafe(32)
        self.sessions[session] = None
        while len(self.sessions) > _MOST_SESSIONS:
            del self.sessions[next(iter(self.sessions))]
        return session

    def is_known(self, cookies: str) -> bool:
        """Whether the cookies of a request hold a session."""
        if self.token is None:
            return True
        given = [part.strip().partition("=") for part in cookies.split(";")]
        return any(name == COOKIE and value in self.sessions for name, _, value in given)

    def limit_bytes(self, path: str, method: str) -> int:
        """Largest body of a request."""
        key = f"{method} {path}"
        found = [size for start, size in self.limits_bytes.items() if key.startswith(start)]
        return max(found, default=_JSON_BYTES)


class RefusedError(Exception):
    """A request that is not served, and why."""

    def __init__(self, status: int, said: str) -> None:
        super().__init__(said)
        self.status, self.said = status, said


class Guard:
    """Checks every request before anything else sees it, and its body while it is read."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app, self.access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        started = False

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            headers = Headers(scope=scope)
            self._check(scope, headers)
            limited = _limited(receive, headers, self._limit(scope, headers), self.access.body_seconds)
            await self.app(scope, limited, send_with_headers)
        except RefusedError as refused:
            if started:
                raise
            await _refuse(scope, send_with_headers, refused)

    def _check(self, scope: Scope, headers: Headers) -> None:
        path, method, access = scope["path"], scope["method"], self.access
        if len(headers.getlist("host")) != 1 or not access.names_this_server(headers["host"]):
            raise RefusedError(421, "This server does not answer by that name.")
        origin = headers.get("origin")
        if origin is not None and origin != f"{scope['scheme']}://{headers['host']}":
            raise RefusedError(403, "Requests from other sites are refused.")
        came_from = headers.get("sec-fetch-site", "none")
        opened = (
            headers.get("sec-fetch-mode") == "navigate" and method == "GET" and not path.startswith("/api/")
        )
        if came_from not in ("same-origin", "none") and not opened:
            raise RefusedError(403, "Requests from other sites are refused.")
        if method in _CHANGING and headers.get(MARK) != "1":
            raise RefusedError(403, "Requests that change something carry the header X-Skysill: 1.")
        if not path.startswith(_OPEN) and not access.is_known(headers.get("cookie", "")):
            raise RefusedError(401, "This server asks for its token: open the link that it printed.")

    def _limit(self, scope: Scope, headers: Headers) -> int:
        limit = self.access.limit_bytes(scope["path"], scope["method"])
        length = headers.get("content-length")
        if length is not None and (not length.isdigit() or int(length) > limit):
            raise RefusedError(413, f"More than {limit / 1e6:g} MB are not taken here.")
        return limit


def _limited(receive: Receive, headers: Mapping[str, str], limit: int, seconds: float) -> Receive:
    """Reading that stops at a size, and at a slowness: so many seconds, and then a least number of bytes a second."""
    taken, clock = 0, asyncio.get_running_loop().time
    start_s = clock()
    whole = "content-length" not in headers and "transfer-encoding" not in headers

    async def read() -> Message:
        nonlocal taken, whole
        if whole:
            return await receive()
        try:
            left_s = start_s + seconds + taken / _LEAST_BYTES_A_SECOND - clock()
            message = await asyncio.wait_for(receive(), max(left_s, 0.0))
        except TimeoutError:
            raise RefusedError(408, "The request came too slowly.") from None
        taken += len(message.get("body", b""))
        whole = not message.get("more_body", False)
        if taken > limit:
            raise RefusedError(413, f"More than {limit / 1e6:g} MB are not taken here.")
        return message

    return read


async def _refuse(scope: Scope, send: Send, refused: RefusedError) -> None:
    api = scope["path"].startswith("/api/")
    if refused.status == 401 and not api:
        await send({"type": "http.response.start", "status": 303, "headers": [(b"location", b"/enter")]})
        await send({"type": "http.response.body", "body": b""})
        return
    values: dict[str, Any] = {"error": refused.said, "path": None}
    body = (to_json_text(values, indent=None) if api else refused.said).encode()
    kind = b"application/json" if api else b"text/plain; charset=utf-8"
    closing = [(b"connection", b"close")] if refused.status in (408, 413) else []
    head = [(b"content-type", kind), (b"content-length", str(len(body)).encode()), *closing]
    await send({"type": "http.response.start", "status": refused.status, "headers": head})
    await send({"type": "http.response.body", "body": body})
