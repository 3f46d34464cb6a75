"""One server on one port: started, told to the person who started it, stopped cleanly."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import secrets
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from skysill.errors import InputError
from skysill.io.job_options import JobOptions
from skysill.io.site_store import SiteStore
from skysill.web.access import Access, is_loopback
from skysill.web.app import create_app
from skysill.web.state import AppState

__all__ = ["addresses_of", "link_of", "new_state", "serve", "taken_socket", "warm_up"]

_HEADER_SECONDS = 15.0
_MOST_CONNECTIONS = 300


def taken_socket(host: str, port: int) -> socket.socket:
    """A socket that listens on an address.

    Parameters
    ----------
    host : address or name of this machine; port : 0 takes any that is free

    Raises
    ------
    InputError : the port is taken, or the address is not one of this machine
    """
    where = f"{host}, port {port}"
    try:
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        taken = socket.socket(family, kind)
    except OSError as fault:
        raise InputError(
            "is not an address of this machine.", where=f"--bind {host}", mend="Give 127.0.0.1."
        ) from fault
    try:
        if hasattr(socket, "SO_REUSEADDR"):
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(address)
        taken.listen(128)
    except PermissionError as fault:
        taken.close()
        raise InputError(
            "may not be used.", where=where, mend="Give a port above 1023, as --port 8417."
        ) from fault
    except OSError as fault:
        taken.close()
        if fault.errno is not None and "assign" in (fault.strerror or "").lower():
            raise InputError("is not an address of this machine.", where=f"--bind {host}") from fault
        raise InputError(
            "is taken by another program.", where=where, mend="Give another one with --port, or --port 0."
        ) from fault
    taken.setblocking(False)
    return taken


def new_state(
    store: SiteStore, *, host: str, port: int, options: JobOptions | None = None, names: Sequence[str] = ()
) -> AppState:
    """The state of a server; one that other machines reach asks for a token.

    names : names of this machine on the network, besides its own
    """
    loopback = is_loopback(host)
    known = {"localhost", *(name.lower() for name in names)}
    if not loopback:
        known |= {
            socket.gethostname().lower(),
            socket.getfqdn().lower(),
            f"{socket.gethostname().lower()}.local",
        }
    access = Access(
        port=port,
        host_names=frozenset(known),
        loopback_only=loopback,
        token=None if loopback else secrets.token_urlsafe(16),
    )
    return AppState(store=store, access=access, options=options or JobOptions())


def link_of(state: AppState, host: str) -> str:
    """The address to open, with the token behind # where one is asked for: browsers do not send that part."""
    shown = f"[{host}]" if ":" in host else host
    base = f"http://{shown}:{state.access.port}/"
    return base if state.access.token is None else f"{base}enter#{state.access.token}"


def addresses_of(host: str) -> list[str]:
    """The addresses by which a server bound to `host` is reached from elsewhere; the likeliest first."""
    try:
        anywhere = ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return [host]
    if not anywhere:
        return [host]
    found = []
    for probe, family in (("192.0.2.1", socket.AF_INET), ("2001:db8::1", socket.AF_INET6)):
        with socket.socket(family, socket.SOCK_DGRAM) as asked:
            try:
                asked.connect((probe, 9))  # datagrams: nothing is sent
                found.append(str(asked.getsockname()[0]))
            except OSError:
                continue
    return found or [socket.gethostname()]


def warm_up() -> None:
    """Load the libraries that the first verdict and picture need, in the background."""

    def load() -> None:
        import skysill.assessment.pipeline
        import skysill.io.rasters
        import skysill.plots.path_profile
        import skysill.plots.sky_view
        import skysill.remedies.search  # noqa: F401

    threading.Thread(target=load, name="warm up", daemon=True).start()


class _Protocol(H11Protocol):
    """HTTP whose connections are closed where no whole request head comes in time."""

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._head_timer = self.loop.call_later(_HEADER_SECONDS, self._close_if_silent)

    def connection_lost(self, exc: Exception | None) -> None:
        self._head_timer.cancel()
        super().connection_lost(exc)

    def _close_if_silent(self) -> None:
        silent: bool = self.cycle is None  # set with the first whole request head
        if silent and not self.transport.is_closing():
            self.transport.close()


def serve(state: AppState, listening: socket.socket, *, started: Callable[[], None] = lambda: None) -> None:
    """Serve until the process is told to stop (Ctrl-C, SIGTERM); returns then.

    started : called once requests are answered
    """
    config = uvicorn.Config(
        create_app(state),
        http=_Protocol,
        ws="none",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=_MOST_CONNECTIONS,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=32_768,
    )
    server = _Server(config, started)
    try:
        asyncio.run(server.serve(sockets=[listening]))
    finally:
        state.tasks.stop()
        listening.close()


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, started: Callable[[], None]) -> None:
        super().__init__(config)
        self._started_call = started

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """As the library does it, without raising them again: being told to stop is a clean end."""
        with super().capture_signals():
            try:
                yield
            finally:
                self._captured_signals.clear()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._started_call()
