"""A source of elevations (file, folder, tiles named by a template, file on the web) -> heads of its files."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import AllowedHosts, is_web_address, parse_web_address
from skysill.io.elevation.areas import Around
from skysill.io.elevation.block_cache import cache_folder, cache_limit_bytes
from skysill.io.elevation.folder_index import LEAST_FILES, FolderIndex, scan_folder
from skysill.io.elevation.raster_heads import (
    RasterHead,
    head_from_plain,
    plain_head,
    read_head,
    read_remote_head,
)
from skysill.io.elevation.remote_source import HttpLimits, MissingError, RemoteSource
from skysill.io.elevation.tile_names import is_template, parse_template
from skysill.io.geopackage import split_table
from skysill.io.text import refuse_remote

__all__ = ["MOST_TILES", "TILE_SUFFIXES", "TerrainSource", "is_named_elsewhere", "open_source"]

MOST_TILES = 1_000_000
"""Rasters of one folder."""

MOST_TILES_AT_ONCE = 20_000
"""Rasters of one folder that are opened for one job."""

MOST_NAMED_TILES = 100
"""Tiles of a template that are opened for one job, nearest first."""

TILE_SUFFIXES = (".tif", ".tiff", ".hgt", ".vrt", ".img", ".asc", ".bil", ".flt", ".dt0", ".dt1", ".dt2")

_FETCHED_AT_ONCE = 4


@dataclass(frozen=True, slots=True)
class TerrainSource:
    """The files of one source, and what there is to say about all of them."""

    name: str
    heads: tuple[RasterHead, ...]
    notes: tuple[str, ...] = ()


def is_named_elsewhere(text: str) -> bool:
    """Whether a source is no path: an address on the web, or a template of one."""
    return is_web_address(text)


def open_source(
    text: str,
    *,
    around: Around | None = None,
    hosts: AllowedHosts | None = None,
    limits: HttpLimits | None = None,
) -> TerrainSource:
    """The heads of a source's files.

    text : a path of a file or folder, an http or https address, or a template of tile names of either
    around : the area wanted; None: all of it, which a template cannot give
    hosts : that may be asked; None: none

    Raises
    ------
    InputError : no such source, not a raster, a host that is not allowed, a template without an area
    """
    hosts = hosts or AllowedHosts()
    if is_template(text) and not (not is_web_address(text) and Path(text).exists()):
        return _tiles(text, around, hosts, limits)
    if is_web_address(text):
        remote = _remote(text, hosts, limits)
        return TerrainSource(remote.address.name, (read_remote_head(remote),))
    refuse_remote(text)
    path = Path(text)
    if path.is_dir():
        return _folder(path, around)
    if not split_table(text)[0].exists():
        raise InputError("there is no such file.", where=text, mend="Check the path of the elevation raster.")
    return TerrainSource(path.name, (read_head(path),))


def _remote(text: str, hosts: AllowedHosts, limits: HttpLimits | None) -> RemoteSource:
    address = parse_web_address(text)
    hosts.check(address)
    return RemoteSource(address, hosts, cache_folder(), cache_limit_bytes(), limits or HttpLimits())


# --- folders --------------------------------------------------------------------------------------------------------


def _folder(path: Path, around: Around | None) -> TerrainSource:
    files = scan_folder(path, TILE_SUFFIXES, most=MOST_TILES)
    if not files:
        raise InputError("the folder holds no elevation raster.", where=str(path),
                         mend="Put GeoTIFF or .hgt tiles in it, or name a file.")  # fmt: skip
    index = FolderIndex(cache_folder(), path)
    plain = index.heads(files, lambda file: plain_head(read_head(Path(file))))
    if around is not None and len(files) >= LEAST_FILES:
        near = around.touches([head["box"] for head in plain])
        plain = [head for head, wanted in zip(plain, near, strict=True) if wanted]
        if not plain:
            raise InputError(
                f"none of its {len(files):,} rasters lies within {around.radius_m / 1000:.0f} km of "
                f"{around.latitude_deg:.5f}, {around.longitude_deg:.5f}.",
                where=str(path),
                mend="Are latitude and longitude swapped?",
            )
    if len(plain) > MOST_TILES_AT_ONCE:
        raise InputError(f"holds {len(plain):,} rasters that could matter; up to {MOST_TILES_AT_ONCE:,} are opened.",
                         where=str(path), mend="Give the folder of the part that is wanted.")  # fmt: skip
    return TerrainSource(path.name, tuple(head_from_plain(head) for head in plain))


# --- tiles named by a template --------------------------------------------------------------------------------------


def _tiles(text: str, around: Around | None, hosts: AllowedHosts, limits: HttpLimits | None) -> TerrainSource:
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
