"""Blocks of files on the web, kept on this machine: checksummed, limited in size, safe with several processes.

<cache>/web/<name>/        one folder an address; its name is a checksum of the address
    about.json             address, version, when it was fetched
    000000000017.block     one block: head with checksums, then the bytes
<cache>/folders/<name>.json  what files of a large folder of rasters say about themselves (`folder_index`)

Each file is written beside its place and moved there in one step, so a reader sees all of it or nothing. A block
carries the checksum of its bytes and of the version of the file that it belongs to; one that does not fit is as good
as missing, and is fetched again. Where the cache cannot be written, work goes on without it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import re
import secrets
import struct
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.text import read_number

__all__ = [
    "BLOCK_BYTES",
    "BlockCache",
    "CachedSource",
    "cache_folder",
    "cache_limit_bytes",
    "cached_sources",
    "clear_cache",
    "trim_cache",
    "write_kept",
]

CACHE_VARIABLE = "SKYSILL_CACHE"
LIMIT_VARIABLE = "SKYSILL_CACHE_MB"

BLOCK_BYTES = 1 << 16
"""Files are fetched and kept in blocks of so many bytes."""

_DEFAULT_LIMIT_MB = 2000.0
_MARK = b"SKB1"
_HEAD = struct.Struct("<4sI16s32s")  # mark, length, version, SHA-256
_NAME = re.compile(r"[0-9a-f]{32}")
_OURS = re.compile(r"about\.json|\d{12}\.block|[0-9a-f]{32}\.json|\.[0-9a-f]{16}\.part")
_TRIM_EVERY_BYTES = 64_000_000
_TRIM_TO = 0.9
_TOUCH_AFTER_S = 60.0
_STALE_PART_S = 3600.0


def cache_folder(environment: Mapping[str, str] | None = None) -> Path:
    """Where things fetched over the network are kept.

    SKYSILL_CACHE where it is set; else skysill in XDG_CACHE_HOME (XDG Base Directory Specification 0.8), in
    ~/Library/Caches on macOS, in LOCALAPPDATA on Windows, in ~/.cache elsewhere.
    """
    environment = os.environ if environment is None else environment
    if named := environment.get(CACHE_VARIABLE, "").strip():
        return Path(named).expanduser().absolute()
    base = environment.get("XDG_CACHE_HOME", "")
    if base and os.path.isabs(base):  # the specification: relative paths are to be ignored
        return Path(base) / "skysill"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "skysill"
    if sys.platform == "win32":
        return (
            Path(environment.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "skysill" / "Cache"
        )
    return Path.home() / ".cache" / "skysill"


def cache_limit_bytes(environment: Mapping[str, str] | None = None) -> int:
    """How much is kept: SKYSILL_CACHE_MB, 2000 MB unless set."""
    environment = os.environ if environment is None else environment
    said = environment.get(LIMIT_VARIABLE, "").strip()
    if not said:
        return int(_DEFAULT_LIMIT_MB * 1e6)
    try:
        limit_mb = read_number(said)
    except ValueError as fault:
        raise InputError(str(fault), where=LIMIT_VARIABLE) from None
    if not 0.0 <= limit_mb <= 1e7:
        raise InputError(f"{limit_mb:g} MB is no size of a cache.", where=LIMIT_VARIABLE, mend="Write 2000.")
    return int(limit_mb * 1e6)


def write_kept(path: Path, data: bytes) -> bool:
    """Write a file of the cache in one step; whether that could be done."""
    part = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        os.replace(part, path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        return False
    return True


class BlockCache:
    """The kept blocks of one address, of one version of its file.

    folder : of the whole cache
    address : the file's; kept as text in about.json
    """

    def __init__(self, folder: Path, address: str, *, limit_bytes: int) -> None:
        self.root, self.address, self.limit_bytes = folder, address, limit_bytes
        digest = hashlib.sha256(address.encode("utf-8", "surrogatepass")).hexdigest()
        self.folder = folder / "web" / digest[:32]
        self.keeps = limit_bytes > 0
        self._written = 0

    def about(self) -> dict[str, Any] | None:
        """What is known of the file; None where nothing is kept or what is kept is damaged."""
        try:
            raw = (self.folder / "about.json").read_bytes()
            found = json.loads(raw)
            body = found.pop("body")
            if found != {"sha256": _digest_of(body)} or body["address"] != self.address:
                return None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None
        return dict(body)

    def put_about(self, about: Mapping[str, Any]) -> None:
        """Keep what is known of the file: JSON-ready. Blocks of another version are removed."""
        body = {"address": self.address, "fetched": _now(), **about}
        whole = json.dumps({"sha256": _digest_of(body), "body": body}).encode()
        if self.keeps:
            known = self.about()
            if known is not None and any(known.get(key) != value for key, value in about.items()):
                self.forget()
            self.keeps = write_kept(self.folder / "about.json", whole)

    def forget(self) -> None:
        """Remove what is kept of this address."""
        _remove_ours(self.folder)

    def get(self, number: int, version: bytes) -> bytes | None:
        """Block `number`; None where it is missing, damaged, or of another version (16 bytes that tell it)."""
        path = self._path(number)
        try:
            with path.open("rb") as opened:
                raw = opened.read(_HEAD.size + BLOCK_BYTES + 1)
                changed = os.fstat(opened.fileno()).st_mtime
            mark, length, mine, digest = _HEAD.unpack_from(raw)
        except (OSError, struct.error):
            return None
        data = raw[_HEAD.size :]
        if mark != _MARK or mine != version or len(data) != length or hashlib.sha256(data).digest() != digest:
            return None
        if time.time() - changed > _TOUCH_AFTER_S:
            with contextlib.suppress(OSError):
                os.utime(path)  # the block used last goes last
        return data

    def put(self, number: int, version: bytes, data: bytes) -> None:
        """Keep one block."""
        if not self.keeps:
            return
        head = _HEAD.pack(_MARK, len(data), version, hashlib.sha256(data).digest())
        self.keeps = write_kept(self._path(number), head + data)
        self._written += len(data)
        if self._written > min(_TRIM_EVERY_BYTES, self.limit_bytes // 4):
            self.trim()

    def trim(self) -> None:
        """Hold the whole cache to its limit."""
        self._written = 0
        trim_cache(self.root, self.limit_bytes)

    @property
    def unsaved(self) -> bool:
        """Whether blocks were written since the cache was last held to its limit."""
        return self._written > 0

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:012d}.block"


def _digest_of(body: Any) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def _now() -> str:
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


# --- the cache as a whole -------------------------------------------------------------------------------------------


def _files(folder: Path) -> Iterator[tuple[Path, os.stat_result]]:
    """Files of the cache that we wrote: those with our names in the places where we write."""
    for place in (folder / "folders", *_sources(folder)):
        try:
            with os.scandir(place) as entries:
                for entry in entries:
                    if _OURS.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                        with contextlib.suppress(OSError):
                            yield Path(entry.path), entry.stat(follow_symlinks=False)
        except OSError:
            continue


def _sources(folder: Path) -> list[Path]:
    try:
        with os.scandir(folder / "web") as entries:
            return sorted(
                Path(one.path)
                for one in entries
                if _NAME.fullmatch(one.name) and one.is_dir(follow_symlinks=False)
            )
    except OSError:
        return []


def _remove_ours(folder: Path) -> int:
    """Remove the files that we wrote in one folder, and the folder where nothing else is in it; bytes freed."""
    freed = 0
    try:
        entries = list(os.scandir(folder))
    except OSError:
        return 0
    for entry in entries:
        if _OURS.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
            with contextlib.suppress(OSError):
                size = entry.stat(follow_symlinks=False).st_size
                os.unlink(entry.path)
                freed += size
    with contextlib.suppress(OSError):
        os.rmdir(folder)
    return freed


def trim_cache(folder: Path, limit_bytes: int) -> int:
    """Remove what was used longest ago until nine tenths of the limit are left; bytes freed. Does nothing below it."""
    found = list(_files(folder))
    total = sum(stat.st_size for _, stat in found)
    freed, now = 0, time.time()
    for path, stat in found:
        if path.suffix == ".part" and now - stat.st_mtime > _STALE_PART_S:  # a killed process left it
            freed += _unlinked(path, stat.st_size)
    if total - freed <= limit_bytes:
        return freed
    for path, stat in sorted(found, key=lambda one: one[1].st_mtime_ns):
        if path.name != "about.json" and path.suffix != ".part":
            freed += _unlinked(path, stat.st_size)
        if total - freed <= _TRIM_TO * limit_bytes:
            break
    for place in _sources(folder):
        if not any(place.glob("*.block")):
            _remove_ours(place)
    return freed


def _unlinked(path: Path, size: int) -> int:
    try:
        path.unlink()
    except OSError:
        return 0
    return size


@dataclass(frozen=True, slots=True)
class CachedSource:
    """One address in the cache: how much of it is kept, when it was first fetched and last used (UTC)."""

    address: str
    kept_bytes: int
    file_bytes: int | None
    fetched: str
    used: str
    blocks: int


def cached_sources(folder: Path) -> tuple[list[CachedSource], int]:
    """Addresses in the cache, used last first, without their queries; and bytes of everything in it."""
    sizes: dict[Path, list[tuple[Path, os.stat_result]]] = {}
    total = 0
    for path, stat in _files(folder):
        total += stat.st_size
        sizes.setdefault(path.parent, []).append((path, stat))
    found = []
    for place, files in sizes.items():
        if place.name == "folders":
            continue
        blocks = [stat for path, stat in files if path.suffix == ".block"]
        try:
            body = json.loads((place / "about.json").read_bytes())["body"]
            address = str(body["address"]).partition("?")[0]
            fetched = str(body["fetched"])[:20]
            size = body.get("size_bytes")
        except (OSError, ValueError, KeyError, TypeError):
            address, fetched, size = "(damaged; fetched again when needed)", "", None
        used = max((stat.st_mtime for _, stat in files), default=0.0)
        shown = dt.datetime.fromtimestamp(used, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        found.append(
            CachedSource(
                address,
                sum(stat.st_size for _, stat in files),
                size if isinstance(size, int) else None,
                fetched,
                shown,
                len(blocks),
            )
        )
    return sorted(found, key=lambda one: (one.used, one.address), reverse=True), total


def clear_cache(folder: Path) -> int:
    """Remove everything that we keep there, and nothing else; bytes freed."""
    freed = sum(_remove_ours(place) for place in (*_sources(folder), folder / "folders"))
    for place in (folder / "web", folder):
        with contextlib.suppress(OSError):
            os.rmdir(place)
    return freed
