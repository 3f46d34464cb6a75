"""Input files: which may be opened, text files (UTF-8 or refused), and numbers as people type them."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

from skysill.errors import InputError

__all__ = [
    "check_file",
    "nearest",
    "placed_at",
    "printable",
    "quoted",
    "read_bytes",
    "read_number",
    "read_text",
    "refuse_remote",
]

_LONGEST_SHOWN = 60
_BIGGEST_BYTES = 200_000_000
_MOST_NAMES = 10_000


def printable(text: str) -> str:
    """Text with a space for each character that controls a terminal or reverses the direction of writing.

    >>> printable("a\\x1b[2Jb")
    'a [2Jb'
    """
    return text if text.isprintable() else "".join(letter if letter.isprintable() else " " for letter in text)


def quoted(text: object) -> str:
    """Text from a file, shortened and in quotes, for use in a one-line message.

    >>> quoted("12,5.3")
    '"12,5.3"'
    """
    line = " ".join(printable(str(text)[: 20 * _LONGEST_SHOWN]).split())
    return f'"{line}"' if len(line) <= _LONGEST_SHOWN else f'"{line[:_LONGEST_SHOWN]}..."'


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name most similar to a word, None when none is similar.

    >>> nearest("dish_diametre_m", ["dish_diameter_m", "receive_ghz"])
    'dish_diameter_m'
    """
    names = list(known)
    lower = {name.lower(): name for name in names}
    found = difflib.get_close_matches(word.lower().strip(), lower, n=1, cutoff=0.6)
    return lower[found[0]] if found else None


def check_file(path: str | Path, *, most_bytes: int | None = None) -> Path:
    """The path of a regular file, after checking that it can be read.

    most_bytes : a larger file is refused

    Raises
    ------
    InputError : missing, a folder, a device or pipe, an address of another machine, a virtual file, too big
    """
    place, shown = Path(path), str(path)
    refuse_remote(shown)
    try:
        if place.is_dir():
            raise InputError("is a folder, and a file is wanted.", where=shown)
        if not place.exists():
            near = (
                nearest(place.name, [one.name for one in islice(place.parent.iterdir(), _MOST_NAMES)])
                if place.parent.is_dir()
                else None
            )
            mend = f"Did you mean {place.with_name(near)}?" if near else "Is the path right?"
            raise InputError("there is no such file.", where=shown, mend=mend)
        if not place.is_file():
            raise InputError("is a device or a pipe, and a file is wanted.", where=shown)
        size = place.stat().st_size
    except (
        OSError,
        ValueError,
    ) as fault:  # a name too long, a nul inside, a folder that may not be looked into
        raise InputError("cannot be read: its name is not accepted here.", where=quoted(shown)) from fault
    if most_bytes is not None and size > most_bytes:
        raise InputError(
            f"is {size / 1e6:,.0f} MB; files of this kind may have up to {most_bytes / 1e6:,.0f} MB.",
            where=shown,
        )
    return place


def refuse_remote(path: str) -> None:
    """Refuse a path that a library would fetch over a network or parse as a description, before any library sees it."""
    if re.match(r"/vsi|[A-Za-z][A-Za-z0-9+.-]+:/|<", path):
        raise InputError(
            "is no file of this machine.", where=quoted(path), mend="Save it here first, and give its path."
        )


def read_bytes(path: str | Path, *, most_bytes: int = _BIGGEST_BYTES) -> bytes:
    """The bytes of a file of limited size.

    Raises
    ------
    InputError : as check_file; not allowed to be read
    """
    place = check_file(path, most_bytes=most_bytes)
    try:
        with place.open("rb") as opened:
            raw = opened.read(most_bytes + 1)  # a file may grow, and a system's file may have no size
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=str(path)) from fault
    if len(raw) > most_bytes:
        raise InputError(f"is over {most_bytes / 1e6:,.0f} MB.", where=str(path))
    return raw


def read_text(path: str | Path) -> str:
    """The text of a file, without its byte order mark, lines ended by a newline.

    The text is UTF-8, or UTF-16 where a byte order mark says so.

    Raises
    ------
    InputError : missing, a folder, no permission, not text, larger than text that people type
    """
    shown, raw = str(path), read_bytes(path)
    wide = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as fault:
        if wide:
            raise InputError(
                "begins as UTF-16 text and is none.", where=shown, mend="Save it as UTF-8."
            ) from None
        line = raw[: fault.start].count(b"\n") + 1
        raise InputError(
            "is not UTF-8 text.", where=f"{shown}, row {line}", mend="Save it as UTF-8."
        ) from None
    control = re.search(r"[\x00-\x08\x0e-\x1f\x7f-\x9f]", text)
    if control is not None:
        line = re.sub(r"\r\n?", "\n", text[: control.start()]).count("\n") + 1
        raise InputError(
            f"is not text: it holds the control character {ord(control[0]):02x}.",
            where=f"{shown}, row {line}",
            mend="Save it as plain UTF-8 text.",
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def read_number(text: str, *, comma: bool = False) -> float:
    """A finite number as a person types it. Raises ValueError with the sentence to show.

    comma : whether the table is known to write decimal commas, so that "1,234" is 1.234

    >>> read_number("12,5"), read_number(" -3 "), read_number("1,234", comma=True)
    (12.5, -3.0, 1.234)
    """
    plain = text.strip().replace("−", "-")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain) and not comma:
        dotted, whole = plain.replace(",", "."), plain.replace(",", "")
        raise ValueError(f"{quoted(text)} may be {dotted} or {whole}. Write the one you mean.")
    if re.fullmatch(r"[+-]?\d*,\d+", plain):
        plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", plain):
        raise ValueError(f"{quoted(text)} is not a number. Write 12.5 or 12,5.")
    number = float(plain)
    if not math.isfinite(number):
        raise ValueError(f"{quoted(text)} is not a finite number.")
    return number


@contextmanager
def placed_at(where: str, *, inner: bool = True) -> Iterator[None]:
    """Put a location in front of that of errors raised inside. inner False: only of errors that have none."""
    try:
        yield
    except InputError as fault:
        if not inner and fault.where is not None:
            raise
        raise fault.placed(where) from None
