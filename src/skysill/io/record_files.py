"""Files of a site's records: photographs, as-built values and records beside the site file, known by their names.

They begin with the name of the site file, so that several sites may share a folder:
clinic-photo-gable.jpg, clinic_as_built.toml, clinic-record-2026-06-15-gable-pole.json with its .html and .pdf.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass

__all__ = ["RecordName", "as_built_name", "is_photo_name", "photo_name", "record_name", "record_names"]

_MOST_LETTERS = 40
_MOST_ALIKE = 1000


def _plain(text: str, instead: str) -> str:
    """Letters, digits and hyphens of a text."""
    found = re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-")[:_MOST_LETTERS].strip("-")
    return found or instead


def as_built_name(stem: str) -> str:
    """Name of the as-built file of a site. stem : of the site file

    >>> as_built_name("clinic")
    'clinic_as_built.toml'
    """
    return f"{stem}_as_built.toml"


def photo_name(stem: str, given: str, suffix: str, taken: Collection[str]) -> str:
    """A name for a photograph that was handed over, which no file has yet.

    given : the name it came with; only its letters, digits and hyphens are used
    suffix : by what the file holds

    >>> photo_name("clinic", "../../etc/Süd gable (1).JPG", ".jpg", {"clinic-photo-S-d-gable-1.jpg"})
    'clinic-photo-S-d-gable-1-2.jpg'
    """
    last = re.split(r"[/\\]", given)[-1]
    plain = _plain(last.rpartition(".")[0] or last, "photo")
    low = {name.lower() for name in taken}
    for number in range(1, _MOST_ALIKE):
        more = "" if number == 1 else f"-{number}"
        name = f"{stem}-photo-{plain}{more}{suffix}"
        if name.lower() not in low:
            return name
    raise ValueError("too many photographs of one name")


def is_photo_name(stem: str, name: str) -> bool:
    """Whether a file of this name is a photograph of a site."""
    found = re.fullmatch(r"(?s)(.+)-photo-[A-Za-z0-9-]+\.(jpg|jpeg|png)", name)
    return found is not None and found[1] == stem


@dataclass(frozen=True, slots=True, order=True)
class RecordName:
    """A record by its name. made : day; number : of that day and mount, from 1; mount : its name in the file's name"""

    made: str
    number: int
    mount: str
    stem: str

    def file(self, suffix: str) -> str:
        """Name of its file. suffix : "json", "html" or "pdf" """
        more = "" if self.number == 1 else f"-n{self.number}"
        return f"{self.stem}-record-{self.made}-{self.mount}{more}.{suffix}"


def record_name(stem: str, made: str, mount: str, taken: Iterable[str]) -> RecordName:
    """The name of a new record, which no file has yet.

    >>> record_name("clinic", "2026-06-15", "gable pole", ["clinic-record-2026-06-15-gable-pole.json"]).file("pdf")
    'clinic-record-2026-06-15-gable-pole-n2.pdf'
    """
    low = {name.lower() for name in taken}
    for number in range(1, _MOST_ALIKE):
        name = RecordName(made, number, _plain(mount, "mount"), stem)
        if not any(name.file(suffix).lower() in low for suffix in ("json", "html", "pdf")):
            return name
    raise ValueError("too many records of one day")


def record_names(stem: str, files: Iterable[str]) -> list[RecordName]:
    """The records among the files of a folder, newest first."""
    pattern = re.compile(re.escape(stem) + r"-record-(\d{4}-\d\d-\d\d)-([A-Za-z0-9-]+?)(?:-n(\d+))?\.json")
    found = [pattern.fullmatch(name) for name in files]
    return sorted((RecordName(one[1], int(one[3] or 1), one[2], stem) for one in found if one), reverse=True)
