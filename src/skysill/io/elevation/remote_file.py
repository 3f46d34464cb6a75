"""A file on a web server as a file object: from kept blocks, and by range requests what is missing.

Whatever goes wrong while a library reads is remembered in `fault`, because a library may take a failed read for the
end of the file, or pass it over; whoever hands the object to a library asks for `fault` afterwards.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable

from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import WebAddress
from skysill.io.elevation.block_cache import BLOCK_BYTES, BlockCache
from skysill.io.elevation.http_ranges import RangeReader
from skysill.io.elevation.remote_source import ChangedError, FileVersion, MissingError, RemoteSource

__all__ = ["RemoteFile"]

_GAP_BLOCKS = 2
"""Blocks that nobody asked for are fetched too where they lie between two that are: one request instead of two."""

_HELD_BYTES = 128_000_000
_MISSING_DAYS = 30.0


class RemoteFile:
    """Bytes of one file on the web, seekable. fault : the first thing that went wrong while reading.

    Raises
    ------
    InputError : the host is not allowed
    MissingError : it was not there when last asked, less than 30 days ago
    """

    def __init__(self, source: RemoteSource) -> None:
        source.hosts.check(source.address)
        self.source = source
        self.fault: InputError | None = None
        self.fetched = ""
        self._cache = BlockCache(source.folder, source.address.text, limit_bytes=source.limit_bytes)
        self._reader = RangeReader(source.address, source.hosts, limits=source.limits)
        self._version = source.version
        self._tag = b""
        self._held: dict[int, bytes] = {}
        self._held_bytes = 0
        self._at = 0
        try:
            self._begin()
        except BaseException:
            self._reader.close()
            raise

    # --- what a library calls ---------------------------------------------------------------------------------------

    def __enter__(self) -> RemoteFile:
        return self

    def __exit__(self, *_: object) -> None:
        """A library's end of use is not ours: it opens the object several times."""

    def close(self) -> None:
        """As __exit__."""

    def seek(self, offset: int, whence: int = 0) -> int:
        base = (0, self._at, self.size)[whence]
        self._at = max(base + offset, 0)
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, count: int = -1) -> bytes:
        """Bytes from where the object stands; none at all once something went wrong."""
        if self.fault is not None:
            return b""
        stop = self.size if count < 0 else min(self._at + count, self.size)
        if self._at >= stop:
            return b""
        try:
            data = self.bytes_of(self._at, stop)
        except InputError as fault:
            self.fault = fault
            return b""
        self._at = stop
        return data

    # --- what we call -----------------------------------------------------------------------------------------------

    @property
    def size(self) -> int:
        """Of the whole file, bytes."""
        assert self._version is not None
        return self._version.size_bytes

    @property
    def version(self) -> FileVersion:
        assert self._version is not None
        return self._version

    @property
    def requests(self) -> int:
        """Sent so far."""
        return self._reader.requests

    @property
    def bytes_read(self) -> int:
        """Fetched over the network so far."""
        return self._reader.bytes_read

    def end(self) -> None:
        """Close the connection; hold the cache to its limit."""
        self._reader.close()
        self._held.clear()
        if self._cache.unsaved:
            self._cache.trim()

    def bytes_of(self, start: int, stop: int) -> bytes:
        """Bytes start..stop-1 of the file, which has them."""
        first, last = start // BLOCK_BYTES, (stop - 1) // BLOCK_BYTES
        self._load(range(first, last + 1))
        whole = b"".join(self._block(number) for number in range(first, last + 1))
        return whole[start - first * BLOCK_BYTES : stop - first * BLOCK_BYTES]

    def prefetch(self, spans: Iterable[tuple[int, int]]) -> None:
        """Have these spans (start, stop) of bytes ready, near ones by one request."""
        wanted: set[int] = set()
        for start, stop in spans:
            if start < stop <= self.size:
                wanted.update(range(start // BLOCK_BYTES, (stop - 1) // BLOCK_BYTES + 1))
        if len(wanted) * BLOCK_BYTES <= _HELD_BYTES:
            self._load(sorted(wanted))

    # --- blocks -----------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        """Version and first block: from the cache, else from the server."""
        about = self._cache.about()
        if about is not None:
            if about.get("missing"):
                if _age_days(about) < _MISSING_DAYS:
                    raise _missing(self.source.address)
            else:
                version = _version_of(about)
                if version is not None and self._version in (None, version):
                    self._version, self.fetched = version, str(about.get("fetched", ""))
                    self._tag = _tag_of(version)
                    return
        if self._version is not None:  # known from another process, whose blocks are gone
            self._tag = _tag_of(self._version)
            return
        try:
            part = self._reader.read(0, BLOCK_BYTES)
        except MissingError:
            self._cache.put_about({"missing": True})
            raise
        self._adopt(part.version)
        self._keep(part.start, part.data)

    def _adopt(self, version: FileVersion) -> None:
        if version.size_bytes == 0:
            raise InputError("is empty.", where=self.source.address.shown, mend="Check the address.")
        self._version, self._tag = version, _tag_of(version)
        about = {
            "size_bytes": version.size_bytes,
            "etag": version.etag,
            "last_modified": version.last_modified,
        }
        self._cache.put_about(about)
        self.fetched = str((self._cache.about() or {}).get("fetched", ""))

    def _block(self, number: int) -> bytes:
        if number not in self._held:
            self._load([number])
        return self._held[number]

    def _length(self, number: int) -> int:
        return min(BLOCK_BYTES, self.size - number * BLOCK_BYTES)

    def _load(self, numbers: Iterable[int]) -> None:
        """Have blocks in memory: those of the cache that are whole, and by as few requests as can be the others."""
        missing, wanted = [], set(numbers)
        for number in sorted(wanted):
            if number in self._held:
                continue
            data = self._cache.get(number, self._tag)
            if data is not None and len(data) == self._length(number):
                self._hold(number, data, wanted)
            else:
                missing.append(number)
        for first, last in _runs(missing, self.source.limits.request_bytes // BLOCK_BYTES):
            self._fetch(first, last, wanted)

    def _fetch(self, first: int, last: int, wanted: set[int]) -> None:
        start, stop = first * BLOCK_BYTES, min((last + 1) * BLOCK_BYTES, self.size)
        try:
            part = self._reader.read(start, stop, version=self.version)
        except ChangedError:
            self._cache.forget()
            raise ChangedError(
                "has changed on the server since parts of it were read; what was kept of it is removed.",
                where=self.source.address.shown,
                mend="Run it again.",
            ) from None
        except MissingError:
            self._cache.forget()
            raise
        self._keep(part.start, part.data, wanted)

    def _keep(self, start: int, data: bytes, wanted: set[int] | None = None) -> None:
        """Take fetched bytes apart into blocks; into memory, and into the cache."""
        for at in range(0, len(data), BLOCK_BYTES):
            number = (start + at) // BLOCK_BYTES
            block = data[at : at + BLOCK_BYTES]
            if len(block) == self._length(number):
                self._cache.put(number, self._tag, block)
                self._hold(number, block, wanted or set())

    def _hold(self, number: int, data: bytes, wanted: set[int]) -> None:
        while self._held and self._held_bytes + len(data) > _HELD_BYTES:
            oldest = next((one for one in self._held if one not in wanted), None)
            if oldest is None:
                break
            self._held_bytes -= len(self._held.pop(oldest))
        if number not in self._held:
            self._held_bytes += len(data)
        self._held[number] = data


def _missing(address: WebAddress) -> MissingError:
    return MissingError("the server had no such file when it was last asked.", where=address.shown,
                        mend='Check the address; "skysill cache --clear" forgets it.')  # fmt: skip


def _runs(numbers: list[int], most: int) -> list[tuple[int, int]]:
    """First and last of runs of blocks that are fetched together."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number - runs[-1][1] <= 1 + _GAP_BLOCKS and number - runs[-1][0] < most:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def _tag_of(version: FileVersion) -> bytes:
    said = json.dumps([version.size_bytes, version.etag, version.last_modified])
    return hashlib.sha256(said.encode()).digest()[:16]


def _version_of(about: dict[str, object]) -> FileVersion | None:
    size, etag, modified = (about.get(key) for key in ("size_bytes", "etag", "last_modified"))
    if not isinstance(size, int) or size <= 0 or not isinstance(etag, str) or not isinstance(modified, str):
        return None
    return FileVersion(size, etag, modified)


def _age_days(about: dict[str, object]) -> float:
    try:
        then = dt.datetime.fromisoformat(str(about.get("fetched")))
    except ValueError:
        return float("inf")
    return abs((dt.datetime.now(dt.UTC) - then).total_seconds()) / 86_400.0
