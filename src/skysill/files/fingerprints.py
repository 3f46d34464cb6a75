"""Which files an answer rests on: name, size, SHA-256, so that anyone can tell whether it is the same file."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.files.asked import Asked
from skysill.files.text import check_file

__all__ = ["Fingerprint", "fingerprint", "fingerprints"]


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """One file that was read.

    role : what for, in words
    detail : of a raster, its kind, cell size and stated error
    """

    name: str
    role: str
    detail: str
    size_bytes: int
    sha256: str


def fingerprint(path: str | Path, role: str, detail: str = "") -> Fingerprint:
    """Size and SHA-256 (FIPS 180-4) of one file. Raises InputError where it cannot be read."""
    place = check_file(path)
    try:
        with place.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
        return Fingerprint(place.name, role, detail, place.stat().st_size, digest)
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=str(path)) from fault


def fingerprints(asked: Asked, rasters: tuple[Any, ...] = ()) -> tuple[Fingerprint, ...]:
    """Every file that a job rests on, each once: the site file and what it names, or the options name instead."""
    found: dict[str, Fingerprint] = {}
    for path, role, detail in _read(asked, rasters):
        key = str(Path(path).resolve())
        if key not in found:
            found[key] = fingerprint(path, role, detail)
    return tuple(found.values())


def _read(asked: Asked, rasters: tuple[Any, ...]) -> Iterator[tuple[str | Path, str, str]]:
    if asked.site_file is not None:
        from skysill.files.door import parse_site_file

        yield asked.site_file, "site file", ""
        file, folder = parse_site_file(asked.site_file), Path(asked.site_file).parent
        if asked.horizon is None and file.survey.horizon is not None:
            yield folder / file.survey.horizon, "measured horizon", ""
        if asked.obstacles is None and file.obstacles.file is not None:
            yield folder / file.obstacles.file, "obstacles", ""
        for satellite in file.satellites if not asked.satellite else ():
            if satellite.orbit is not None:
                yield folder / satellite.orbit, "orbit", ""
    if asked.horizon is not None:
        yield asked.horizon, "measured horizon", ""
    if asked.obstacles is not None:
        yield asked.obstacles, "obstacles", ""
    for text in asked.satellite:
        path = text.rpartition("=")[2].strip()
        if path and Path(path).is_file():
            yield path, "orbit", ""
    for raster in rasters:
        kind = "surface, with trees and buildings" if raster.kind == "surface" else "bare ground"
        detail = f"{kind}, cells of {raster.cell_size_m:.3g} m, heights to {raster.vertical_error_m:g} m"
        for tile in raster.tiles:
            yield tile.path, "elevation", detail
