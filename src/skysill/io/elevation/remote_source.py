"""What is needed to read a file on the web, here or in another process; imports no HTTP module."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import AllowedHosts, WebAddress

__all__ = ["ChangedError", "FileVersion", "HttpLimits", "MissingError", "RemoteSource"]


class MissingError(InputError):
    """The server has no such file (404 or 410)."""


class ChangedError(InputError):
    """The file on the server is no longer the one that parts were read of."""


@dataclass(frozen=True, slots=True)
class HttpLimits:
    """How long, how often and how much.

    timeout_s : without any byte; request_s : one request in all; tries : of one request
    waits_s : before the second, third, ... try
    whole_bytes : largest file taken whole from a server that does not serve ranges
    request_bytes : largest range of one request
    """

    timeout_s: float = 20.0
    request_s: float = 120.0
    tries: int = 3
    waits_s: tuple[float, ...] = (0.5, 2.0)
    redirects: int = 4
    whole_bytes: int = 32_000_000
    request_bytes: int = 64_000_000


@dataclass(frozen=True, slots=True)
class FileVersion:
    """What tells one state of a file from another: its size, and what the server says (RFC 9110, section 8.8)."""

    size_bytes: int
    etag: str = ""
    last_modified: str = ""


@dataclass(frozen=True, slots=True)
class RemoteSource:
    """A file on the web that may be read.

    folder, limit_bytes : of the cache
    version : of which every byte must be; None: not looked at yet
    fetched : when the oldest kept part of it was fetched, UTC; empty: not known
    """

    address: WebAddress
    hosts: AllowedHosts
    folder: Path
    limit_bytes: int
    limits: HttpLimits = HttpLimits()
    version: FileVersion | None = None
    fetched: str = ""
