"""Address lists taken from a page, and what was made of them: in a temporary folder, for as long as the server runs."""

from __future__ import annotations

import shutil
import tempfile
import threading
from pathlib import Path

from skysill.errors import InputError
from skysill.io.site_store import SiteMissingError

__all__ = ["UploadedLists"]

_MOST_LISTS = 12
_KINDS = {
    ".csv": ".csv",
    ".txt": ".csv",
    ".geojson": ".geojson",
    ".json": ".geojson",
    ".parquet": ".parquet",
    ".pq": ".parquet",
}
_MADE = ("screened.csv", "screened.geojson", "screened.parquet", "screened.csv.rejected.csv")


class UploadedLists:
    """The last lists, each in a folder of its own. The name that a list had elsewhere decides its format only.

    >>> lists = UploadedLists()
    >>> lists.get(lists.add("../../enquiries.CSV", b"id,position")).name
    'addresses.csv'
    >>> lists.clear()
    """

    def __init__(self) -> None:
        self._folder: Path | None = None
        self._lists: dict[str, Path] = {}
        self._lock = threading.Lock()

    def add(self, file_name: str, raw: bytes) -> str:
        """Keep a list; gives its key. The oldest lists are removed.

        Raises
        ------
        InputError : another ending than csv, txt, geojson, json, parquet, pq; an empty file
        """
        suffix = _KINDS.get(Path(file_name).suffix.lower())
        if suffix is None:
            raise InputError(
                "is not a list that can be read.", where="list", mend="Drop CSV, GeoJSON or Parquet."
            )
        if not raw.strip():
            raise InputError("is empty.", where="list")
        with self._lock:
            if self._folder is None:
                self._folder = Path(tempfile.mkdtemp(prefix="skysill-lists-"))
            place = Path(tempfile.mkdtemp(dir=self._folder))
            (place / f"addresses{suffix}").write_bytes(raw)
            self._lists[place.name] = place / f"addresses{suffix}"
            while len(self._lists) > _MOST_LISTS:
                oldest = next(iter(self._lists))
                shutil.rmtree(self._lists.pop(oldest).parent, ignore_errors=True)
        return place.name

    def get(self, key: str) -> Path:
        """The path of a list. Raises SiteMissingError where it is gone."""
        try:
            return self._lists[key]
        except KeyError:
            raise SiteMissingError("this list is not here any more.", mend="Drop it again.") from None

    def made(self, key: str, file: str) -> Path:
        """The path of a file that was made of a list. Raises SiteMissingError where there is none."""
        path = self.get(key).parent / file
        if file not in _MADE or not path.is_file():
            raise SiteMissingError("there is no such file.")
        return path

    def clear(self) -> None:
        """Remove everything."""
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None
        self._lists.clear()
