"""Results -> plain dictionaries and JSON text; files written whole or not at all."""

from __future__ import annotations

import datetime as dt
import errno
import json
import math
import os
import re
import secrets
import stat
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from skysill.errors import InputError

__all__ = ["Writing", "check_writable", "plain", "to_json_text", "write_new", "write_together", "write_whole"]

Writing = bytes | str | Callable[[Path], object]
"""What goes into a file: its bytes, its text (kept as UTF-8), or a function that fills the path given."""

_CONTROLS = re.compile("[\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Characters that control a terminal, turn the direction of writing or are halves of letters; json escapes the rest."""

_FULL = {errno.ENOSPC, errno.EFBIG, errno.EIO, errno.EROFS, getattr(errno, "EDQUOT", errno.ENOSPC)}


def plain(thing: Any) -> Any:
    """Anything the library answers, as dictionaries, lists, text, numbers and None only.

    Dataclasses become dictionaries in the order of their fields, leaving out fields whose metadata say
    ``{"json": False}``, and those that say ``{"json": "given"}`` while they are None; arrays become lists; dates
    become ISO 8601 text; nan and infinity become None, for a quantity that does not exist is no number.

    >>> plain({"margin_deg": float("nan"), "distance_m": (6.0, float("inf"))})
    {'margin_deg': None, 'distance_m': [6.0, None]}
    """
    if thing is None or isinstance(thing, bool | str):
        return str(thing.value) if isinstance(thing, Enum) else thing
    if isinstance(thing, float):
        return float(thing) if math.isfinite(thing) else None
    if isinstance(thing, Enum):
        return plain(thing.value)
    if isinstance(thing, int):
        return int(thing)
    if is_dataclass(thing) and not isinstance(thing, type):
        return {
            part.name: plain(getattr(thing, part.name))
            for part in fields(thing)
            if _shown(part.metadata.get("json", True), getattr(thing, part.name))
        }
    if isinstance(thing, Mapping):
        return {str(key): plain(value) for key, value in thing.items()}
    if isinstance(thing, dt.date | dt.time):
        return thing.isoformat()
    if isinstance(thing, os.PathLike):
        return os.fspath(thing)
    if hasattr(thing, "tolist"):  # arrays and the array library's scalars, without importing it here
        return plain(thing.tolist())
    if isinstance(thing, Iterable) and not isinstance(thing, bytes):
        return [plain(part) for part in thing]
    raise TypeError(f"{type(thing).__name__} has no plain form")


def _shown(wish: bool | str, value: object) -> bool:
    return value is not None if wish == "given" else bool(wish)


def to_json_text(thing: Any, *, indent: int | None = 2) -> str:
    """One JSON document: fields in the order declared, numbers to their last digit, nan and infinity as null.

    >>> to_json_text({"a": 0.1, "b": float("nan")}, indent=None)
    '{"a": 0.1, "b": null}'
    """
    text = json.dumps(plain(thing), ensure_ascii=False, allow_nan=False, indent=indent)
    return _CONTROLS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def write_whole(path: str | os.PathLike[str], writing: Writing) -> Path:
    """Write one file whole or not at all; what stood there before stays until the new one is complete.

    Parameters
    ----------
    path : where to; its folder must exist
    writing : bytes, text, or a function that fills the path it is given (same folder, same suffix)

    Raises
    ------
    InputError : the folder is missing or not writable, the place is a folder, the disk is full
    """
    return write_together([(path, writing)])[0]


def write_together(pairs: Iterable[tuple[str | os.PathLike[str], Writing]]) -> list[Path]:
    """Write several files; none is put in its place before all of them are complete."""
    wanted = [(Path(path), writing) for path, writing in pairs]
    ready: list[tuple[Path, Path, Path]] = []
    try:
        for path, writing in wanted:
            target = check_writable(path)
            if _is_device(target):
                _fill(target, writing, path)
                continue
            part = _open_part(target, path)
            ready.append((part, target, path))
            _fill(part, writing, path)
        for part, target, path in ready:
            _put_in_place(part, target, path)
    finally:
        for part, _, _ in ready:
            part.unlink(missing_ok=True)
    return [path for path, _ in wanted]


def write_new(path: str | os.PathLike[str], text: str) -> Path:
    """Write a text file that does not exist yet; nothing that exists is replaced, not even by a race.

    Raises
    ------
    InputError : something of this name exists; the folder is missing or not writable, the disk is full
    """
    check_writable(path)
    target = Path(path)
    try:
        with target.open("x", encoding="utf-8", newline="\n") as opened:
            try:
                opened.write(text)
                opened.flush()
            except OSError:
                target.unlink(missing_ok=True)
                raise
    except FileExistsError:
        raise InputError(
            "exists already, and nothing is overwritten.", where=os.fspath(path), mend="Give another name."
        ) from None
    except OSError as fault:
        raise _cannot(target, fault) from fault
    return target


def check_writable(path: str | os.PathLike[str]) -> Path:
    """Where a file would really be written (links followed), refused in words when that cannot be.

    Long work asks this before it starts.
    """
    shown, target = os.fspath(path), Path(os.path.realpath(path))
    if target.is_dir():
        raise InputError("is a folder, not a file.", where=shown, mend="Give the name of a file to write.")
    if not target.parent.is_dir():
        kind = "is not a folder" if target.parent.exists() else "does not exist"
        raise InputError(f'the folder "{Path(shown).parent}" {kind}.', where=shown, mend="Make it first.")
    if not os.access(target.parent, os.W_OK) and not _is_device(target):
        raise InputError(
            f'the folder "{Path(shown).parent}" may not be written to.',
            where=shown,
            mend="Choose another one.",
        )
    return target


def _is_device(target: Path) -> bool:
    """A terminal, a pipe, a null device: nothing to put in place there, and nothing that may be replaced."""
    with suppress(OSError):
        return not stat.S_ISREG(target.stat().st_mode)
    return False


def _open_part(target: Path, shown: Path) -> Path:
    part = target.with_name(f".{target.stem[:80]}.{secrets.token_hex(6)}{target.suffix}")
    try:
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except OSError as fault:
        raise _cannot(shown, fault) from fault
    return part


def _fill(part: Path, writing: Writing, shown: Path) -> None:
    try:
        if isinstance(writing, str):
            part.write_bytes(writing.encode("utf-8", "replace"))
        elif isinstance(writing, bytes):
            part.write_bytes(writing)
        else:
            writing(part)
    except OSError as fault:
        if fault.errno in _FULL:
            raise _cannot(shown, fault) from fault
        raise


def _put_in_place(part: Path, target: Path, shown: Path) -> None:
    try:
        os.replace(part, target)
    except OSError as fault:
        raise _cannot(shown, fault) from fault


def _cannot(shown: Path, fault: OSError) -> InputError:
    reason = fault.strerror or type(fault).__name__
    return InputError(
        f"cannot be written ({reason}).", where=os.fspath(shown), mend="Choose another place, or make room."
    )
