"""Output paths compared with input paths and with each other before work begins, so that no input is overwritten."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path

from skysill.errors import InputError
from skysill.io.output_files import check_writable

__all__ = ["PICTURE_SUFFIXES", "check_outputs", "check_pictures"]

PICTURE_SUFFIXES = (".png", ".svg", ".pdf")

PathLike = str | os.PathLike[str]
Identity = tuple[object, ...]


def check_pictures(pictures: Mapping[str, str | None]) -> None:
    """Refuse pictures of another format than PNG, SVG or PDF. pictures : option -> path; None: option not given

    Raises
    ------
    InputError : naming the option
    """
    for option, path in pictures.items():
        if path is not None and Path(path).suffix.lower() not in PICTURE_SUFFIXES:
            kind = Path(path).suffix or "a name without a suffix"
            raise InputError(
                f"{kind} is no kind of picture.", where=option, mend="End it in .png, .svg or .pdf."
            )


def check_outputs(outputs: Mapping[str, PathLike | None], inputs: Iterable[PathLike] = ()) -> None:
    """Refuse outputs that cannot be written, that are an input under any name, or that are the same file twice.

    Parameters
    ----------
    outputs : option -> path; None where the option was not given
    inputs : files that are read, and folders whose files are

    Notes
    -----
    Symbolic and hard links count as the file they lead to. Names that differ only in case or in the composition of
    their letters count as one, as they are on many systems. Terminals and null devices may be named twice.

    Raises
    ------
    InputError : naming the option and what it would write over
    """
    read: dict[Identity, str] = {}
    folders: list[str] = []
    for source in inputs:
        if os.path.isdir(source):
            folders.append(os.path.realpath(source))
        for identity in _identities(source):
            read.setdefault(identity, os.fspath(source))
    written: dict[Identity, str] = {}
    for option, path in outputs.items():
        if path is None:
            continue
        target = check_writable(path)
        if target.exists() and not target.is_file():
            continue
        identities = _identities(path)
        for identity in identities:
            if identity in read:
                raise InputError(
                    f"would be written over {read[identity]}, which is read.",
                    where=f"{option} {os.fspath(path)}",
                    mend="Name another file.",
                )
            if identity in written:
                raise InputError(
                    f"is the same file as {written[identity]}.",
                    where=f"{option} {os.fspath(path)}",
                    mend="Give each its own name.",
                )
        _refuse_inside(target, folders, f"{option} {os.fspath(path)}")
        written.update(dict.fromkeys(identities, f"{option} {os.fspath(path)}"))


def _refuse_inside(target: Path, folders: Iterable[str], where: str) -> None:
    for folder in folders:
        if os.path.commonpath([folder, target]) == folder:
            raise InputError(
                f"would lie in the folder {folder}, all of which is read.",
                where=where,
                mend="Name a file elsewhere.",
            )


def _identities(path: PathLike) -> list[Identity]:
    """Identities of a file, any of which may equal that of another path: name, device and inode, folder entry."""
    place = Path(os.path.realpath(path))
    found: list[Identity] = [("name", _folded(os.fspath(place)))]
    try:
        stat = place.stat()
        found.append(("file", stat.st_dev, stat.st_ino))
    except (OSError, ValueError):
        pass
    try:
        stat = place.parent.stat()
        found.append(("entry", stat.st_dev, stat.st_ino, _folded(place.name)))
    except (OSError, ValueError):
        pass
    return found


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
