"""Photographs for the record: checked, turned upright, reduced, with place and time from their EXIF.

EXIF values may be wrong: impossible ones are left out, with a note.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import math
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from skysill.errors import InputError
from skysill.io.text import check_file, printable, quoted

__all__ = ["BIGGEST_BYTES", "Photo", "photo_from_bytes", "picture_suffix", "read_photo", "smaller_jpeg"]

BIGGEST_BYTES = 60_000_000
"""Largest file that is read; no phone makes a larger photograph."""

MOST_PIXELS = 120_000_000
"""Most pixels of a photograph, above those of phone cameras; a small file can decompress to more than the memory."""

LONGEST_SIDE = 1600
_QUALITY = 82
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
_GPS, _EXIF, _TAKEN, _TAKEN_OFFSET, _TIME = 0x8825, 0x8769, 0x9003, 0x9011, 0x0132
# EXIF 2.32 (CIPA DC-008-2019), table of GPS attributes, tag numbers
_LAT_REF, _LAT, _LON_REF, _LON = 1, 2, 3, 4
_DIRECTION_REF, _DIRECTION = 16, 17


@dataclass(frozen=True, slots=True)
class Photo:
    """One photograph as it goes into a record.

    name : of the file
    jpeg : the picture, upright, at most LONGEST_SIDE pixels wide or high; without EXIF but for the place, if kept
    width, height : of the picture, pixels
    latitude_deg, longitude_deg : where the camera says it was; None where it does not, or where location was
        stripped
    direction_deg : camera direction, clockwise from direction_from ("true" or "magnetic") north
    taken : time by the camera's clock, ISO 8601, with its zone where the EXIF has one
    notes : impossible EXIF values that were left out, in sentences
    """

    name: str
    jpeg: bytes = field(metadata={"json": False}, repr=False)
    width: int
    height: int
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    direction_deg: float | None = None
    direction_from: Literal["true", "magnetic"] = "true"
    taken: str | None = None
    notes: tuple[str, ...] = ()


def read_photo(path: str | Path) -> Photo:
    """A photograph with the place, direction and time of its EXIF, turned by its EXIF orientation.

    Parameters
    ----------
    path : JPEG, PNG or another picture that Pillow reads

    Returns
    -------
    Photo

    Raises
    ------
    InputError : missing, not a picture, too big, truncated

    >>> import tempfile
    >>> from pathlib import Path
    >>> from PIL import Image
    >>> path = Path(tempfile.mkdtemp()) / "gable.jpg"
    >>> Image.new("RGB", (40, 30)).save(path)
    >>> photo = read_photo(path)
    >>> photo.name, photo.width, photo.height, photo.direction_deg
    ('gable.jpg', 40, 30, None)
    """
    place, shown = check_file(path), str(path)
    try:
        size = place.stat().st_size
        if size > BIGGEST_BYTES:
            raise InputError(
                f"is {size / 1e6:.0f} MB; photos of up to {BIGGEST_BYTES / 1e6:.0f} MB are taken.",
                where=shown,
                mend="Save it smaller, as JPEG.",
            )
        raw = place.read_bytes()
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=shown) from fault
    return _photo(raw, place.name, shown)


def photo_from_bytes(raw: bytes, name: str) -> Photo:
    """A photograph that was handed over as bytes, as `read_photo` reads it from a file.

    Parameters
    ----------
    raw : the whole file
    name : of the file, for the record and for messages

    Raises
    ------
    InputError : not a picture, too big, truncated

    >>> photo_from_bytes(b"GIF89a or something else", "gable.jpg")
    Traceback (most recent call last):
    skysill.errors.InputError: gable.jpg: is not a picture that can be read. Save it as JPEG or PNG.
    """
    if len(raw) > BIGGEST_BYTES:
        what = f"is {len(raw) / 1e6:.0f} MB; photos of up to {BIGGEST_BYTES / 1e6:.0f} MB are taken."
        raise InputError(what, where=printable(name), mend="Save it smaller, as JPEG.")
    return _photo(raw, name, printable(name))


def picture_suffix(raw: bytes) -> str:
    """The file name suffix of a picture by what it holds, ".jpg" for instance; "" for anything else."""
    from PIL import Image

    try:
        with _opened(raw) as picture:
            return {"JPEG": ".jpg", "MPO": ".jpg", "PNG": ".png", "WEBP": ".webp", "TIFF": ".tif"}.get(
                picture.format or "", ""
            )
    except (OSError, SyntaxError, ValueError, EOFError, OverflowError, Image.DecompressionBombError):
        return ""


def smaller_jpeg(photo: Photo, longest_side: int) -> bytes:
    """The picture of a photograph as JPEG, at most so many pixels wide or high.

    >>> from PIL import Image
    >>> file = io.BytesIO()
    >>> Image.new("RGB", (400, 300)).save(file, "JPEG")
    >>> small = smaller_jpeg(photo_from_bytes(file.getvalue(), "gable.jpg"), 100)
    >>> Image.open(io.BytesIO(small)).size
    (100, 75)
    """
    from PIL import Image

    with Image.open(io.BytesIO(photo.jpeg), formats=("JPEG",)) as picture:
        picture.thumbnail((longest_side, longest_side))
        kept = io.BytesIO()
        picture.save(kept, "JPEG", quality=_QUALITY)
    return kept.getvalue()


def _photo(raw: bytes, name: str, shown: str) -> Photo:
    from PIL import Image, ImageOps, UnidentifiedImageError

    mend = "Save it as JPEG or PNG."
    try:
        with warnings.catch_warnings(), _opened(raw) as picture:
            warnings.simplefilter("ignore")  # what the EXIF lacks is said in our own notes
            if picture.width * picture.height > MOST_PIXELS:
                what = f"has {picture.width} by {picture.height} pixels, too many for a photo."
                raise InputError(what, where=shown, mend="Save it smaller.")
            values = _exif_values(picture)
            picture.draft("RGB", (2 * LONGEST_SIDE, 2 * LONGEST_SIDE))
            upright = _upright(picture, ImageOps)
            upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            kept = io.BytesIO()
            _opaque(upright).save(kept, "JPEG", quality=_QUALITY, optimize=True)
            width, height = upright.size
    except UnidentifiedImageError:
        raise InputError("is not a picture that can be read.", where=shown, mend=mend) from None
    except Image.DecompressionBombError:
        raise InputError("has too many pixels for a photo.", where=shown, mend="Save it smaller.") from None
    except (OSError, SyntaxError, ValueError, EOFError, OverflowError) as fault:
        raise InputError("is a damaged picture, or breaks off.", where=shown, mend=mend) from fault
    return Photo(printable(name), kept.getvalue(), width, height, **values)


def _opened(raw: bytes) -> Any:
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Image.open(io.BytesIO(raw), formats=_FORMATS)


def _upright(picture: Any, operations: Any) -> Any:
    """The picture turned by its EXIF orientation; unturned where that is invalid."""
    try:
        return operations.exif_transpose(picture)
    except (ValueError, TypeError, KeyError, SyntaxError, OverflowError, ZeroDivisionError):
        picture.load()
        return picture.copy()


def _opaque(picture: Any) -> Any:
    """The picture in RGB, on white where it was transparent."""
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        from PIL import Image

        picture = picture.convert("RGBA")
        background = Image.new("RGB", picture.size, "white")
        background.paste(picture, mask=picture.getchannel("A"))
        return background
    return picture.convert("RGB")


def _exif_values(picture: Any) -> dict[str, Any]:
    """Place, direction and time of the EXIF, each only where it is possible."""
    try:
        exif = picture.getexif()
        gps, own = dict(exif.get_ifd(_GPS)), dict(exif.get_ifd(_EXIF))
        plain = dict(exif)
    except (OSError, ValueError, TypeError, KeyError, SyntaxError, OverflowError, EOFError, AttributeError):
        return {"notes": ("Its EXIF cannot be read; nothing is taken from it.",)}
    notes: list[str] = []
    values: dict[str, Any] = {}
    values["latitude_deg"], values["longitude_deg"] = _position(gps, notes)
    values["direction_deg"], values["direction_from"] = _direction(gps, notes)
    values["taken"] = _taken(own, plain, notes)
    return {**values, "notes": tuple(notes)}


def _position(gps: Mapping[int, Any], notes: list[str]) -> tuple[float | None, float | None]:
    if _LAT not in gps and _LON not in gps:
        return None, None
    latitude = _from_sexagesimal(gps.get(_LAT), gps.get(_LAT_REF), "N", "S", 90.0)
    longitude = _from_sexagesimal(gps.get(_LON), gps.get(_LON_REF), "E", "W", 180.0)
    if latitude is None or longitude is None or latitude == longitude == 0.0:
        notes.append("Its EXIF position is none on Earth, and is left out.")
        return None, None
    return latitude, longitude


def _from_sexagesimal(value: Any, letter: Any, plus: str, minus: str, most: float) -> float | None:
    """Decimal degrees from degrees, minutes, seconds and hemisphere letter; None where they are invalid."""
    with contextlib.suppress(TypeError, ValueError, ZeroDivisionError, OverflowError):
        parts = [float(part) for part in value]
        letter = (letter.decode("ascii", "replace") if isinstance(letter, bytes) else str(letter)).strip(
            " \0"
        )
        if len(parts) != 3 or letter[:1].upper() not in (plus, minus):
            return None
        degrees = parts[0] + parts[1] / 60.0 + parts[2] / 3600.0
        if all(math.isfinite(p) and p >= 0.0 for p in parts) and degrees <= most:
            return round(-degrees if letter[:1].upper() == minus else degrees, 7)
    return None


def _direction(gps: Mapping[int, Any], notes: list[str]) -> tuple[float | None, Literal["true", "magnetic"]]:
    said = gps.get(_DIRECTION)
    if said is None:
        return None, "true"
    from_ = str(gps.get(_DIRECTION_REF, "T")).strip(" \0").upper()
    with contextlib.suppress(TypeError, ValueError, ZeroDivisionError, OverflowError):
        degrees = float(said)
        if math.isfinite(degrees) and 0.0 <= degrees <= 360.0:
            return degrees % 360.0, "magnetic" if from_.startswith("M") else "true"
    notes.append("Its EXIF direction is none, and is left out.")
    return None, "true"


def _taken(own: Mapping[int, Any], plain: Mapping[int, Any], notes: list[str]) -> str | None:
    said = own.get(_TAKEN) or plain.get(_TIME)
    if said is None:
        return None
    found = re.match(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)", str(said))
    with contextlib.suppress(ValueError):
        if found:
            moment = dt.datetime(*(int(part) for part in found.groups()))  # type: ignore[arg-type]  # six numbers
            zone = re.match(r"[+-]\d\d:\d\d", str(own.get(_TAKEN_OFFSET, "")))
            return moment.isoformat(sep=" ") + (f" {zone[0]}" if zone else "")
    if str(said).strip(" \0:"):
        notes.append(f"Its EXIF time, {quoted(said)}, is none, and is left out.")
    return None
