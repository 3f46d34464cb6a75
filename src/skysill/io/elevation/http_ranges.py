"""Byte ranges of files on web servers: only allowed hosts, bounded in time and size, every answer checked.

A small reader of our own in place of a raster library's network file system. That file system is set by
environment variables, follows redirects to any host, takes a short or changed answer for the file, may send
credentials that lie about, and looks for further files beside the one named. Here each request is one GET with a
Range (RFC 9110, section 14), and an answer that is not exactly the bytes asked for is an error.

Imported only when a source on the web is read.
"""

from __future__ import annotations

import http.client
import re
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass

from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import AllowedHosts, WebAddress, parse_web_address
from skysill.io.elevation.remote_source import ChangedError, FileVersion, HttpLimits, MissingError
from skysill.io.text import quoted

__all__ = ["Part", "RangeReader"]

_CHUNK = 1 << 16
_RANGE = re.compile(r"bytes (\d{1,18})-(\d{1,18})/(\d{1,18})")
_WAIT_AND_TRY = frozenset({429, 500, 502, 503, 504})
_REDIRECTS = frozenset({301, 302, 303, 307, 308})
_AGAIN = "Try again later, or save the file here and give its path."


class _PassingError(Exception):
    """Something that a second try may mend; the text says what."""


@dataclass(frozen=True, slots=True)
class Part:
    """Bytes from `start` on of one version of a file."""

    start: int
    data: bytes
    version: FileVersion


class RangeReader:
    """Reads ranges of one file; keeps its connection between requests. requests, bytes_read : what it took so far."""

    def __init__(
        self,
        address: WebAddress,
        hosts: AllowedHosts,
        *,
        limits: HttpLimits | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.address, self.limits = address, limits or HttpLimits()
        self.requests = self.bytes_read = 0
        self._hosts, self._sleep = hosts, sleep
        self._now = address
        self._open: http.client.HTTPConnection | None = None
        self._open_to: tuple[str, str, int] | None = None

    def close(self) -> None:
        """End the connection."""
        if self._open is not None:
            self._open.close()
        self._open = self._open_to = None

    def read(self, start: int, stop: int, *, version: FileVersion | None = None) -> Part:
        """Bytes start..stop-1, fewer only at the file's end; the whole file where the server serves no ranges.

        version : of which the bytes must be; None: of any

        Raises
        ------
        MissingError : the server has no such file
        ChangedError : the file is another one than `version`
        InputError : a host that was not allowed, an answer that is wrong, late or short, a web page, a file too big
        """
        if not 0 <= start < stop or stop - start > self.limits.request_bytes:
            raise ValueError(f"{start}..{stop} is no range")
        said = ""
        for attempt in range(self.limits.tries):
            if attempt:
                waits = self.limits.waits_s
                self._sleep(waits[min(attempt, len(waits)) - 1] if waits else 0.0)
            try:
                part = self._once(start, stop)
            except _PassingError as fault:
                said = str(fault)
                self.close()
                continue
            except BaseException:
                self.close()
                raise
            if version is not None and part.version != version:
                self.close()
                raise ChangedError("has changed on the server while it was read.", where=self.address.shown,
                                   mend="Run it again.")  # fmt: skip
            return part
        raise InputError(f"{said}, {self.limits.tries} times.", where=self.address.shown, mend=_AGAIN)

    # --- one request ------------------------------------------------------------------------------------------------

    def _once(self, start: int, stop: int) -> Part:
        deadline = time.monotonic() + self.limits.request_s
        address = self._now  # where an earlier request was redirected to
        for _ in range(self.limits.redirects + 1):
            self._hosts.check(address)
            answer = self._ask(address, start, stop)
            if answer.status not in _REDIRECTS:
                self._now = address
                return self._taken(answer, start, stop, deadline)
            address = self._redirected(address, answer)
        raise self._fault("is redirected over and over.")

    def _ask(self, address: WebAddress, start: int, stop: int) -> http.client.HTTPResponse:
        self.requests += 1
        headers = {
            "Range": f"bytes={start}-{stop - 1}",
            "Accept-Encoding": "identity",
            "User-Agent": "skysill",
            "Accept": "*/*",
        }
        try:
            connection = self._connection(address)
            connection.request("GET", address.target, headers=headers)
            return connection.getresponse()
        except ssl.SSLCertVerificationError as fault:
            raise self._fault(
                f"{address.host} shows a certificate that is not trusted ({fault.verify_message})."
            ) from None
        except TimeoutError:
            raise _PassingError(f"{address.host} did not answer within {self.limits.timeout_s:g} s") from None
        except socket.gaierror:
            raise _PassingError(f"{address.host} cannot be found by name") from None
        except (OSError, http.client.HTTPException) as fault:
            why = getattr(fault, "strerror", None) or type(fault).__name__
            raise _PassingError(f"{address.host} cannot be reached ({why})") from None

    def _connection(self, address: WebAddress) -> http.client.HTTPConnection:
        """The open connection, or a new one. Proxies and credentials of the environment are not used."""
        to = (address.scheme, address.host, address.port)
        if self._open is not None and self._open_to == to:
            return self._open
        self.close()
        if address.scheme == "https":
            self._open = http.client.HTTPSConnection(
                address.host,
                address.port,
                timeout=self.limits.timeout_s,
                context=ssl.create_default_context(),
            )
        else:
            self._open = http.client.HTTPConnection(address.host, address.port, timeout=self.limits.timeout_s)
        self._open_to = to
        return self._open

    def _redirected(self, address: WebAddress, answer: http.client.HTTPResponse) -> WebAddress:
        to = answer.getheader("Location") or ""
        self.close()
        if to.startswith("//"):
            to = f"{address.scheme}:{to}"
        elif to.startswith("/"):
            to = f"{address.origin}{to}"
        try:
            found = parse_web_address(to)
        except InputError:
            raise self._fault(
                f"is redirected to {quoted(to.partition('?')[0])}, which is not read."
            ) from None
        if address.scheme == "https" and found.scheme == "http":
            raise self._fault("is redirected from https to http.")
        if not self._hosts.allows(found):
            raise InputError(
                f"is redirected to {found.host_and_port}, which is not allowed.",
                where=self.address.shown,
                mend=f"Add --allow-host {found.host_and_port} if you trust it.",
            )
        return found

    def _taken(self, answer: http.client.HTTPResponse, start: int, stop: int, deadline: float) -> Part:
        status = answer.status
        if status in _WAIT_AND_TRY:
            raise _PassingError(f"{self._now.host} answers {status} {_reason(answer)}")
        if status in (404, 410):
            raise MissingError(f"the server has no such file ({status}).", where=self.address.shown,
                               mend="Check the address.")  # fmt: skip
        if status == 416:
            raise self._fault("is shorter than was said: the server has no such range (416).")
        if status not in (200, 206):
            raise self._fault(f"the server answers {status} {_reason(answer)}.")
        if (answer.getheader("Content-Encoding") or "identity").strip().lower() != "identity":
            raise self._fault("the server sends it compressed, though it was asked not to.")
        kind = (answer.getheader("Content-Type") or "").partition(";")[0].strip().lower()
        if kind in ("text/html", "application/xhtml+xml"):
            raise self._fault("is answered with a web page, and a raster is wanted.")
        part = self._ranged(answer, start, stop, deadline) if status == 206 else self._whole(answer, deadline)
        if part.start == 0 and re.match(rb"\s*(<!doctype\s+html|<html)", part.data[:200], re.IGNORECASE):
            raise self._fault("is answered with a web page, and a raster is wanted.")
        return part

    def _ranged(self, answer: http.client.HTTPResponse, start: int, stop: int, deadline: float) -> Part:
        said = answer.getheader("Content-Range") or ""
        found = _RANGE.fullmatch(said.strip())
        if found is None:
            raise self._fault(f"the server does not say which bytes it sends (Content-Range {quoted(said)}).")
        first, last, size = (int(number) for number in found.groups())
        if first != start or last != min(stop, size) - 1:
            raise self._fault(
                f"the server sends bytes {first} to {last} of {size} where {start} to {stop - 1} were asked for."
            )
        length = answer.getheader("Content-Length")
        if length is not None and length.strip() != str(last - first + 1):
            raise self._fault(f"the server says {quoted(length)} bytes and means {last - first + 1}.")
        data = self._body(answer, last - first + 1, deadline)
        if len(data) != last - first + 1:
            raise _PassingError(f"{self._now.host} broke off after {len(data)} of {last - first + 1} bytes")
        return Part(start, data, _version(answer, size))

    def _whole(self, answer: http.client.HTTPResponse, deadline: float) -> Part:
        """The whole file, from a server that does not serve ranges."""
        most, length = self.limits.whole_bytes, answer.getheader("Content-Length")
        mend = "Save the file here and give its path."
        size = None
        if length is not None:
            if not re.fullmatch(r"\d{1,18}", length.strip()):
                raise self._fault(f"the server says that it has {quoted(length)} bytes.")
            size = int(length)
        if size is not None and size > most:
            raise InputError(
                f"its server does not serve parts of files, and it has {size / 1e6:,.0f} MB; "
                f"up to {most / 1e6:,.0f} MB are taken whole.",
                where=self.address.shown,
                mend=mend,
            )
        data = self._body(answer, most + 1 if size is None else size, deadline)
        if len(data) > most:
            raise InputError(f"its server does not serve parts of files, and it has over {most / 1e6:,.0f} MB.",
                             where=self.address.shown, mend=mend)  # fmt: skip
        if size is not None and len(data) != size:
            raise _PassingError(f"{self._now.host} broke off after {len(data)} of {size} bytes")
        if size is None and not answer.chunked:
            raise self._fault(
                "its server does not say how long it is, so it cannot be told whether all came."
            )
        return Part(0, data, _version(answer, len(data)))

    def _body(self, answer: http.client.HTTPResponse, count: int, deadline: float) -> bytes:
        """Up to `count` bytes; fewer where the answer ends."""
        parts, got = [], 0
        while got < count:
            if time.monotonic() > deadline:
                raise _PassingError(f"{self._now.host} took over {self.limits.request_s:g} s")
            try:
                part = answer.read1(min(_CHUNK, count - got))
            except TimeoutError:
                raise _PassingError(
                    f"{self._now.host} sent nothing for {self.limits.timeout_s:g} s"
                ) from None
            except (OSError, http.client.HTTPException):
                raise _PassingError(f"{self._now.host} broke off after {got} bytes") from None
            if not part:
                break
            parts.append(part)
            got += len(part)
            self.bytes_read += len(part)
        if answer.length == 0 and not answer.chunked:
            answer.read()  # nothing is left; tells the connection that it is free for the next request
        else:
            self.close()
        return b"".join(parts)

    def _fault(self, what: str) -> InputError:
        mend = "Check the address, or save the file here and give its path."
        return InputError(what, where=self.address.shown, mend=mend)


def _reason(answer: http.client.HTTPResponse) -> str:
    """What a server says beside a status, fit for one line."""
    return quoted(answer.reason or "")


def _version(answer: http.client.HTTPResponse, size: int) -> FileVersion:
    etag, modified = (answer.getheader(name) or "" for name in ("ETag", "Last-Modified"))
    return FileVersion(size, etag.strip()[:200], modified.strip()[:100])
