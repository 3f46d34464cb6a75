"""Names, sizes and checksums (SHA-256) of the files that a result rests on."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.elevation.source_names import is_web_address
from skysill.io.geopackage import split_table
from skysill.io.job_options import JobOptions
from skysill.io.raster_checks import check_raster_file
from skysill.io.text import check_file, printable
from skysill.io.vector_files import split_layer

__all__ = ["FileChecksum", "file_checksum", "file_checksums", "inputs_of"]


@dataclass(frozen=True, slots=True)
class FileChecksum:
    """One file that was read.

    name : without its folder; role : what for, in words
    detail : of a raster, its kind, cell size and stated error
    size_bytes, sha256 : size, and SHA-256 (FIPS 180-4) in hexadecimal
    """

    name: str
    role: str
    detail: str
    size_bytes: int
    sha256: str


def file_checksum(path: str | Path, role: str, detail: str = "") -> FileChecksum:
    """Size and SHA-256 (FIPS 180-4) of one file.

    Parameters
    ----------
    path : the file
    role : what it was read for, in words
    detail : what else a record shall show of it

    Returns
    -------
    FileChecksum

    Raises
    ------
    InputError : it cannot be read

    >>> file_checksum("demo_terrain/clinic_horizon.csv", "readings").name
    'clinic_horizon.csv'
    """
    place = check_file(path)
    try:
        with place.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
        return FileChecksum(printable(place.name), role, detail, place.stat().st_size, digest)
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=str(path)) from fault


def file_checksums(options: JobOptions, rasters: tuple[Any, ...] = ()) -> tuple[FileChecksum, ...]:
    """Every file that a job rests on, each once: the site file and what it names, or the options name instead."""
    found: dict[str, FileChecksum] = {}
    for path, role, detail in _read(options, rasters):
        key = str(Path(path).resolve())
        if key not in found:
            found[key] = file_checksum(path, role, detail)
    for raster in rasters:
        found.update({one.detail: one for one in _fetched(raster)})
    return tuple(found.values())


def _read(options: JobOptions, rasters: tuple[Any, ...]) -> Iterator[tuple[str | Path, str, str]]:
    """Path, role and detail of every file that is read."""
    if options.site_file is not None:
        yield from _read_by_site_file(options.site_file, options)
    if options.horizon is not None:
        yield options.horizon, "measured horizon", ""
    if options.obstacles is not None:
        yield split_layer(options.obstacles)[0], "obstacles", ""
    for text in options.satellite:
        path = text.rpartition("=")[2].strip()
        if path and Path(path).is_file():
            yield path, "orbit", ""
    for raster in rasters:
        for path in raster.files:
            yield path, "elevation", _detail(raster)


def _read_by_site_file(path: str, options: JobOptions) -> Iterator[tuple[str | Path, str, str]]:
    """The site file, and the files that it names and options do not replace."""
    from skysill.io.site_schema import parse_site_file

    yield path, "site file", ""
    file, folder = parse_site_file(path), Path(path).parent
    if options.horizon is None and file.survey.horizon is not None:
        yield folder / file.survey.horizon, "measured horizon", ""
    if options.obstacles is None and file.obstacles.file is not None:
        yield split_layer(folder / file.obstacles.file)[0], "obstacles", ""
    for satellite in file.satellites if not options.satellite else ():
        if satellite.orbit is not None:
            yield folder / satellite.orbit, "orbit", ""


def _detail(raster: Any) -> str:
    kind = "surface, with trees and buildings" if raster.kind == "surface" else "bare ground"
    detail = f"{kind}, cells of {raster.cell_size_m:.3g} m, heights to {raster.vertical_error_m:g} m"
    return f"{detail}; {raster.attribution}" if raster.attribution else detail


def _fetched(raster: Any) -> Iterator[FileChecksum]:
    """Files on the web that windows were read of: address, version and day in place of a checksum of the whole."""
    for tile in raster.tiles:
        if tile.remote is None or tile.remote.version is None:
            continue
        version, day = tile.remote.version, tile.remote.fetched[:10]
        said = [_detail(raster), f"windows of it read over the web, {tile.path}"]
        said += [f"fetched {day}"] if day else []
        said += [f"changed there {version.last_modified}"] if version.last_modified else []
        said += [f"ETag {version.etag}"] if version.etag else []
        detail = printable("; ".join(said))
        yield FileChecksum(
            printable(Path(tile.path).name), "elevation", detail, version.size_bytes, "not read whole"
        )


_BESIDE = (".hdr", ".prj", ".tfw", ".wld", ".shp", ".shx", ".dbf", ".cpg")
_BEHIND = (".aux.xml", ".msk", ".ovr")


def inputs_of(options: JobOptions, *more: str | Path | None) -> list[Path]:
    """Every file or folder that a command would read, for `check_outputs`; those that are missing too.

    more : what the command reads besides

    Raises
    ------
    InputError : a site file or virtual raster that cannot be read
    """
    found = [Path(path) for path, _, _ in _read(options, ())]
    found += [Path(path) for path in more if path is not None]
    if options.site_file is not None and not options.terrain:
        from skysill.io.site_schema import parse_site_file

        folder = Path(options.site_file).parent
        named = parse_site_file(options.site_file).terrain.rasters
        found += [split_table(folder / path)[0] for path in named if not is_web_address(path)]
    for text in options.terrain:
        path, colon, kind = text.rpartition(":")
        path = path if colon and kind in ("surface", "bare") else text
        found += [] if is_web_address(path) else [split_table(path)[0]]
    behind = []
    for one in found:
        if not one.name or one.is_dir():
            continue
        if one.suffix.lower() == ".vrt" and one.is_file():
            behind += [Path(path) for path in check_raster_file(one).files]
        behind += [one.with_name(one.name + end) for end in _BEHIND]
        behind += [one.with_suffix(end) for end in _BESIDE if one.suffix]
    return found + [one for one in behind if one.is_file()]
