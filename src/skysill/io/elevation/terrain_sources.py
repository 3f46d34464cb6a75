"""A source of elevations (file, folder, tiles named by a template, file on the web) -> heads of its files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from skysill.errors import InputError
from skysill.io.elevation.areas import Around, box_of
from skysill.io.elevation.raster_heads import TerrainSource, head_from_plain, plain_head, read_head
from skysill.io.elevation.source_names import is_template, is_web_address
from skysill.io.geopackage import split_table
from skysill.io.text import refuse_remote

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts
    from skysill.io.elevation.remote_source import HttpLimits

__all__ = ["MOST_TILES", "TILE_SUFFIXES", "TerrainSource", "open_source"]

MOST_TILES = 1_000_000
"""Rasters of one folder."""

MOST_TILES_AT_ONCE = 20_000
"""Rasters of one folder that are opened for one job."""

TILE_SUFFIXES = (".tif", ".tiff", ".hgt", ".vrt", ".img", ".asc", ".bil", ".flt", ".dt0", ".dt1", ".dt2")


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
    if is_web_address(text) or (is_template(text) and not Path(text).exists()):
        from skysill.io.elevation.named_tiles import open_tiles, open_web_file

        if is_template(text):
            return open_tiles(text, around=around, hosts=hosts, limits=limits)
        return open_web_file(text, hosts=hosts, limits=limits)
    refuse_remote(text)
    path = Path(text)
    if path.is_dir():
        return _folder(path, around)
    if not split_table(text)[0].exists():
        raise InputError("there is no such file.", where=text, mend="Check the path of the elevation raster.")
    return TerrainSource(path.name, (read_head(path),))


# --- folders --------------------------------------------------------------------------------------------------------


def _folder(path: Path, around: Around | None) -> TerrainSource:
    from skysill.io.elevation.block_cache import cache_folder
    from skysill.io.elevation.folder_index import LEAST_FILES, FolderIndex, scan_folder

    files = scan_folder(path, TILE_SUFFIXES, most=MOST_TILES)
    if not files:
        raise InputError("the folder holds no elevation raster.", where=str(path),
                         mend="Put GeoTIFF or .hgt tiles in it, or name a file.")  # fmt: skip
    index = FolderIndex(cache_folder(), path)
    plain = index.heads(files, _head_and_box)
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
    return TerrainSource(path.name, tuple(head_from_plain(head["head"]) for head in plain))


def _head_and_box(path: str) -> dict[str, Any]:
    """What a file of a folder says about itself, and the box that it lies in, JSON-ready."""
    head = read_head(Path(path))
    return {"head": plain_head(head), "box": box_of(head.crs, head.transform, head.rows, head.cols)}
