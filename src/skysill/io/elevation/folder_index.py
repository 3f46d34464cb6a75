"""A large folder of rasters: what each file says about itself, kept in the cache folder and checked on every use.

A file's entry is used again only while the file and what stands beside it look the same: size, time of change, and a
checksum of the file's first and last 4 KiB (head and directory of most formats, so that a file put back with its old
size and time is noticed too). Small folders are read afresh every time, and nothing is kept of them.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.elevation.block_cache import write_kept

__all__ = ["FolderFile", "FolderIndex", "scan_folder"]

LEAST_FILES = 32
"""Folders of fewer rasters are not indexed: reading their heads takes no longer."""

_FORM = 2
_ENDS_BYTES = 4096
_MOST_BYTES = 2_000_000_000


@dataclass(frozen=True, slots=True)
class FolderFile:
    """A raster of a folder. looks : size and time of it and of the files beside it that bear its name"""

    path: str
    looks: str


def scan_folder(folder: Path, suffixes: Collection[str], *, most: int) -> list[FolderFile]:
    """Rasters in a folder and the folders in it, in the order of their names.

    suffixes : in lower case, with the dot

    Raises
    ------
    InputError : more than `most`; a folder that may not be read
    """
    found: list[FolderFile] = []
    for place, _, names in os.walk(folder, onerror=_refuse):
        stems: dict[str, list[str]] = {}
        rasters = []
        for name in names:
            stems.setdefault(name.partition(".")[0], []).append(name)
            if os.path.splitext(name)[1].lower() in suffixes:
                rasters.append(name)
        looks: dict[str, str] = {}
        for name in rasters:
            stem = name.partition(".")[0]
            path = os.path.join(place, name)
            if not os.path.isfile(path):
                continue
            if stem not in looks:
                looks[stem] = json.dumps(
                    [[one, *_size_and_time(os.path.join(place, one))] for one in sorted(stems[stem])]
                )
            found.append(FolderFile(path, looks[stem]))
        if len(found) > most:
            raise InputError(f"the folder holds more than {most:,} rasters.", where=str(folder),
                             mend="Give the folder of the part that is wanted.")  # fmt: skip
    return sorted(found, key=lambda one: one.path)


def _refuse(fault: OSError) -> None:
    raise InputError(f"may not be looked into ({fault.strerror}).", where=str(fault.filename)) from fault


def _size_and_time(path: str) -> tuple[int, int]:
    try:
        stat = os.stat(path)
    except OSError:
        return -1, -1
    return stat.st_size, stat.st_mtime_ns


def _ends(path: str) -> str:
    """Checksum of a file's first and last 4 KiB."""
    try:
        with open(path, "rb") as opened:
            digest = hashlib.sha256(opened.read(_ENDS_BYTES))
            size = opened.seek(0, os.SEEK_END)
            if size > _ENDS_BYTES:
                opened.seek(max(size - _ENDS_BYTES, _ENDS_BYTES))
                digest.update(opened.read(_ENDS_BYTES))
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=path) from fault
    return digest.hexdigest()[:32]


class FolderIndex:
    """Heads of a folder's rasters, as JSON-ready dictionaries. read : how many were read afresh the last time."""

    def __init__(self, cache: Path, folder: Path) -> None:
        self.folder = os.path.realpath(folder)
        name = hashlib.sha256(os.fsencode(self.folder)).hexdigest()[:32]
        self.path = cache / "folders" / f"{name}.json"
        self.read = 0

    def heads(
        self, files: Sequence[FolderFile], read_head: Callable[[str], dict[str, Any]]
    ) -> list[dict[str, Any]]:
        """One head for each file, in their order; of those that look the same as before, the one that was kept.

        read_head : reads one file; its fault is not kept, so a bad file is read again the next time
        """
        if len(files) < LEAST_FILES:
            self.read = len(files)
            return [read_head(file.path) for file in files]
        known = self._kept()
        kept: dict[str, list[Any]] = {}
        heads = []
        self.read = 0
        for file in files:
            ends = _ends(file.path)
            entry = known.get(file.path)
            if entry is not None and entry[0] == file.looks and entry[1] == ends:
                head = entry[2]
            else:
                head = read_head(file.path)
                self.read += 1
            heads.append(head)
            if not file.path.lower().endswith(".vrt"):  # it is what its sources are, and they may change
                kept[file.path] = [file.looks, ends, head]
        if kept.keys() != known.keys() or self.read:
            self._keep(kept)
        return heads

    def _kept(self) -> dict[str, list[Any]]:
        try:
            if self.path.stat().st_size > _MOST_BYTES:
                return {}
            whole = json.loads(self.path.read_bytes())
            text = whole["files"]
            if whole["form"] != _FORM or whole["folder"] != self.folder:
                return {}
            if hashlib.sha256(text.encode()).hexdigest() != whole["sha256"]:
                return {}
            found: dict[str, list[Any]] = json.loads(text)
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}
        return found

    def _keep(self, files: dict[str, list[Any]]) -> None:
        text = json.dumps(files)
        digest = hashlib.sha256(text.encode()).hexdigest()
        whole = {"form": _FORM, "folder": self.folder, "sha256": digest, "files": text}
        write_kept(self.path, json.dumps(whole).encode())
