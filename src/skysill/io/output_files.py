"""Output files, written whole or not at all."""

from __future__ import annotations

import errno
import os
import secrets
import stat
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from skysill.errors import InputError

__all__ = ["Writing", "check_writable", "write_new", "write_together", "write_whole"]

Writing = bytes | str | Callable[[Path], object]
"""What goes into a file: its bytes, its text (kept as UTF-8), or a function that fills the path given."""

_FULL = {errno.ENOSPC, errno.EFBIG, errno.EIO, errno.EROFS, getattr(errno, "EDQUOT", errno.ENOSPC)}


def write_whole(path: str | os.PathLike[str], writing: Writing) -> Path:
    r"""Write one file whole or not at all; an old file stays until the new one is complete.

    Parameters
    ----------
    path : where to; its folder must exist
    writing : bytes, text (kept as UTF-8), or a function that fills the path it is given (same folder, same suffix)

    Returns
    -------
    the path

    Raises
    ------
    InputError : the folder is missing or not writable, the path is a folder, the disk is full

    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "horizon.csv"
    >>> write_whole(path, "azimuth_deg,elevation_deg\n") == path, path.read_text()
    (True, 'azimuth_deg,elevation_deg\n')
    """
    return write_together([(path, writing)])[0]


def write_together(pairs: Iterable[tuple[str | os.PathLike[str], Writing]]) -> list[Path]:
    """Write several files; none replaces an old file before all of them are complete.

    Parameters
    ----------
    pairs : path and what to write, as in `write_whole`

    Returns
    -------
    the paths

    Raises
    ------
    InputError : as in `write_whole`

    >>> import tempfile
    >>> from pathlib import Path
    >>> folder = Path(tempfile.mkdtemp())
    >>> [path.name for path in write_together([(folder / "a.txt", "a"), (folder / "b.txt", b"b")])]
    ['a.txt', 'b.txt']
    """
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
    """The path that a file would be written to, links followed; refused where it cannot be written.

    Long commands call this before they start.
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
    """Whether the target is a terminal, a pipe or another device, which is written to and never replaced."""
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
