"""Web addresses of elevation sources, and the hosts that a person allowed by name.

Nothing is fetched unless its host was named on the command line (`--allow-host`) or in the environment
(SKYSILL_ALLOWED_HOSTS). A site file cannot allow a host: it may have come from somebody else. This module opens no
connection and imports no HTTP module.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import quote, urlsplit

from skysill.errors import InputError
from skysill.io.elevation.source_names import ALLOWED_HOSTS_VARIABLE, is_web_address
from skysill.io.text import quoted

__all__ = ["AllowedHosts", "WebAddress", "allowed_hosts", "parse_web_address"]

_DEFAULT_PORT = {"http": 80, "https": 443}
_HOST = re.compile(
    r"(?=.{1,253}$)[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?)*\.?"
)
_ADDRESS_6 = re.compile(r"[0-9a-f:.]{2,45}")
_LONGEST = 2000


@dataclass(frozen=True, slots=True)
class WebAddress:
    """An address that a server is asked for.

    target : path and query as sent, percent-encoded
    """

    scheme: str
    host: str
    port: int
    target: str

    @property
    def text(self) -> str:
        """The whole address."""
        return f"{self.origin}{self.target}"

    @property
    def origin(self) -> str:
        port = "" if self.port == _DEFAULT_PORT[self.scheme] else f":{self.port}"
        return f"{self.scheme}://{_bracketed(self.host)}{port}"

    @property
    def shown(self) -> str:
        """The address without its query, which may hold a key that is nobody else's business."""
        return f"{self.origin}{self.target.partition('?')[0]}"

    @property
    def name(self) -> str:
        """The last part of its path."""
        return self.target.partition("?")[0].rstrip("/").rpartition("/")[2] or self.host

    @property
    def host_and_port(self) -> str:
        """How the host is named to allow it."""
        port = "" if self.port == _DEFAULT_PORT[self.scheme] else f":{self.port}"
        return f"{_bracketed(self.host)}{port}"


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def parse_web_address(text: str) -> WebAddress:
    """The parts of an http or https address.

    Raises
    ------
    InputError : another scheme, a user name or password, a fragment, no host, a port out of range, too long

    >>> parse_web_address("https://Data.Example.org/dem/a b.tif").text
    'https://data.example.org/dem/a%20b.tif'
    """
    shown = _without_secrets(text)
    if not is_web_address(text) or len(text) > _LONGEST or not text.isprintable():
        raise InputError("is no web address that can be read.", where=shown, mend="Give http:// or https://.")
    try:
        parts = urlsplit(text)
        port = parts.port
        host = (parts.hostname or "").lower()
        if not host.isascii():
            host = host.encode("idna").decode("ascii")
    except (ValueError, UnicodeError):
        raise InputError("is no whole web address.", where=shown, mend="Check host and port.") from None
    if "@" in parts.netloc:
        raise InputError(
            "holds a user name or password, which would end up in records.",
            where=shown,
            mend="Give the address without it, of data that need none.",
        )
    if parts.fragment:
        raise InputError("has a part behind #, which no server sees.", where=shown, mend="Leave it out.")
    named = _ADDRESS_6.fullmatch(host) if ":" in host else _HOST.fullmatch(host)
    if named is None or port == 0:
        raise InputError("names no host that can be asked.", where=shown, mend="Check it.")
    scheme = parts.scheme.lower()
    target = quote(parts.path or "/", safe="/%:@!$&'()*+,;=~-._")
    if parts.query:
        target += "?" + quote(parts.query, safe="/%:@!$&'()*+,;=~-._?")
    return WebAddress(scheme, host.rstrip("."), port or _DEFAULT_PORT[scheme], target)


def _without_secrets(text: str) -> str:
    """An address as it may be shown: no user name, no query."""
    return quoted(re.sub(r"(?<=//)[^/?#]*@", "", text.partition("?")[0]))


@dataclass(frozen=True, slots=True)
class AllowedHosts:
    """Hosts that may be asked, each with its port: (host, port); port None: 80 for http and 443 for https."""

    hosts: frozenset[tuple[str, int | None]] = frozenset()

    def allows(self, address: WebAddress) -> bool:
        if (address.host, address.port) in self.hosts:
            return True
        return address.port == _DEFAULT_PORT[address.scheme] and (address.host, None) in self.hosts

    def check(self, address: WebAddress) -> None:
        """Refuse an address whose host was not allowed; the line says how to allow it."""
        if not self.allows(address):
            raise InputError(
                f"is on the web, and nothing is fetched from {address.host_and_port} unless you allow it.",
                where=address.shown,
                mend=f"Add --allow-host {address.host_and_port}, or save the file here and give its path.",
            )


def allowed_hosts(names: Iterable[str], environment: Mapping[str, str] | None = None) -> AllowedHosts:
    """Hosts named on the command line and in the environment variable SKYSILL_ALLOWED_HOSTS.

    names : HOST or HOST:PORT each; no wildcards, no addresses

    Raises
    ------
    InputError : a name that is none

    >>> sorted(allowed_hosts(["data.example.org", "127.0.0.1:8000"], {}).hosts, key=str)
    [('127.0.0.1', 8000), ('data.example.org', None)]
    """
    environment = os.environ if environment is None else environment
    filed = environment.get(ALLOWED_HOSTS_VARIABLE, "").replace(",", " ").split()
    found = [_host(name, "--allow-host") for name in names]
    found += [_host(name, ALLOWED_HOSTS_VARIABLE) for name in filed]
    return AllowedHosts(frozenset(found))


def _host(text: str, where: str) -> tuple[str, int | None]:
    name = text.strip().lower()
    mend = "Write data.example.org, or with a port 127.0.0.1:8000."
    if not name or re.search(r"[/@?#*\s]", name):
        raise InputError(f"{quoted(text)} is no host.", where=where, mend=mend)
    try:
        parts = urlsplit(f"//{name}")
        port, host = parts.port, parts.hostname or ""
        if not host.isascii():
            host = host.encode("idna").decode("ascii")
    except (ValueError, UnicodeError):
        raise InputError(f"{quoted(text)} is no host.", where=where, mend=mend) from None
    named = _ADDRESS_6.fullmatch(host) if ":" in host else _HOST.fullmatch(host)
    if named is None or port == 0:
        raise InputError(f"{quoted(text)} is no host.", where=where, mend=mend)
    return host.rstrip("."), port
