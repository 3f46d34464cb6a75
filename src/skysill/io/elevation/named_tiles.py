"""Files on the web, and tiles named by a template, there or on this machine -> their heads."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import AllowedHosts, parse_web_address
from skysill.io.elevation.areas import Around
from skysill.io.elevation.block_cache import cache_folder, cache_limit_bytes
from skysill.io.elevation.raster_heads import RasterHead, TerrainSource, read_head, read_remote_head
from skysill.io.elevation.remote_source import HttpLimits, MissingError, RemoteSource
from skysill.io.elevation.source_names import is_web_address
from skysill.io.elevation.tile_names import parse_template
from skysill.io.text import refuse_remote

__all__ = ["open_tiles", "open_web_file"]

MOST_NAMED_TILES = 100
"""Tiles of a template that are opened for one job, nearest first."""

_FETCHED_AT_ONCE = 4


def open_web_file(
    text: str, *, hosts: AllowedHosts | None, limits: HttpLimits | None = None
) -> TerrainSource:
    """One GeoTIFF on the web.

    Raises
    ------
    InputError : a host that is not allowed, no such file, a wrong answer, no GeoTIFF
    """
    remote = _remote(text, hosts, limits)
    return TerrainSource(remote.address.name, (read_remote_head(remote),))


def _remote(text: str, hosts: AllowedHosts | None, limits: HttpLimits | None) -> RemoteSource:
    address, hosts = parse_web_address(text), hosts or AllowedHosts()
    hosts.check(address)
    return RemoteSource(address, hosts, cache_folder(), cache_limit_bytes(), limits or HttpLimits())


def open_tiles(
    text: str, *, around: Around | None, hosts: AllowedHosts | None, limits: HttpLimits | None = None
) -> TerrainSource:
    """The tiles of a template that an area needs, nearest first; those that are not there are left out, with a note.

    Raises
    ------
    InputError : no area, a template that is none, no tile there at all, a fault of any tile
    """
    template = parse_template(text)
    if around is None:
        raise InputError("names tiles by their place, and no place is asked about here.", where=text,
                         mend="Save the tiles in a folder and give that.")  # fmt: skip
    names = template.names(around)
    notes = []
    if len(names) > MOST_NAMED_TILES:
        notes.append(
            f"{_short(text)}: the nearest {MOST_NAMED_TILES} of {len(names):,} tiles within "
            f"{around.radius_m / 1000:.0f} km are read; for ground farther off add a coarser raster."
        )
        names = names[:MOST_NAMED_TILES]
    if is_web_address(text):
        found = list(_web_heads([_remote(name, hosts, limits) for name in names]))
    else:
        refuse_remote(text)
        found = [read_head(Path(name)) if Path(name).exists() else None for name in names]
    heads = tuple(head for head in found if head is not None)
    if not heads:
        raise InputError(
            f"no tile is there for {around.latitude_deg:.5f}, {around.longitude_deg:.5f}: "
            f"{_shown(names[0])} and {len(names) - 1} others were looked for.",
            where=_short(text),
            mend="Check the placeholders.",
        )
    if len(heads) < len(names):
        notes.append(
            f"{_short(text)}: {len(names) - len(heads)} of {len(names)} tiles are not there; "
            "nothing is known of the ground in them."
        )
    return TerrainSource(_short(text), heads, tuple(notes))


def _shown(name: str) -> str:
    return parse_web_address(name).name if is_web_address(name) else os.path.basename(name)


def _short(text: str) -> str:
    """A name for the tiles of a template: what stands before its first placeholder, without the way to it."""
    whole = text.partition("?")[0].partition("{")[0]
    before = whole.rstrip("/\\_-. ")
    name = before.replace("\\", "/").rpartition("/")[2]
    return name or "tiles"


def _web_heads(remotes: Sequence[RemoteSource]) -> Iterator[RasterHead | None]:
    """Heads in order, None for tiles that are not there; several are asked for at once."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(_FETCHED_AT_ONCE) as pool:
        begun = [pool.submit(_first_block, remote) for remote in remotes]
        try:
            for remote, ready in zip(remotes, begun, strict=True):
                yield read_remote_head(remote) if ready.result() else None
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _first_block(remote: RemoteSource) -> bool:
    """Have the beginning of a file in the cache; whether there is such a file."""
    from skysill.io.elevation.remote_file import RemoteFile

    try:
        RemoteFile(remote).end()
    except MissingError:
        return False
    return True
