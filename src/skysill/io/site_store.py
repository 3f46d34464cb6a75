"""A folder of site files as a store: listed, read with a revision, written only when nobody wrote in between.

The revision of a file is the SHA-256 (FIPS 180-4) of its bytes. There is no other record: the commands read and write
the same files.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import threading
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.output_files import write_whole
from skysill.io.text import printable, quoted, read_bytes

__all__ = [
    "COMPANION_BYTES",
    "NEW_FILE",
    "SITE_BYTES",
    "CompanionFile",
    "RevisionConflictError",
    "SiteEntry",
    "SiteMissingError",
    "SiteStore",
    "StoredSite",
    "revision_of",
]

SITE_BYTES = 2_000_000
"""Largest site file that the store writes, bytes."""

COMPANION_BYTES = 25_000_000
"""Largest companion file that the store writes, bytes."""

NEW_FILE = "new"
"""Revision to give for a file that must not exist yet."""

COMPANIONS = (".csv", ".geojson", ".json", ".jpg", ".jpeg", ".png", ".toml", ".xml")
"""Endings of companion files that are shown and written; rasters are read where they lie, but not sent."""

_FOLDER_MARK = "~"
_MOST_SITES = 5_000
_MOST_NAME = 100
_DEVICES = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{port}{number}" for port in ("com", "lpt") for number in range(10)),
}
_NAME = re.compile(r"[^\x00-\x1f\x7f-\x9f/\\:*?\"<>|~]+")
_REVERSING = re.compile("[\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


class SiteMissingError(InputError):
    """No site, or no companion file, has the name asked for."""


class RevisionConflictError(InputError):
    """The file is another one than the writer read.

    revision, text : of the file as it is now; both None where it does not exist, text None where it is not a site file
    """

    def __init__(self, where: str, revision: str | None, text: str | None = None) -> None:
        what = "is gone." if revision is None else "was changed by someone else since you read it."
        super().__init__(what, where=where, mend="Compare both, then save again.")
        self.revision, self.text = revision, text


@dataclass(frozen=True, slots=True)
class SiteEntry:
    """One site of the folder, for a list.

    name : by which the store knows it; file : path from the folder
    title : the site's own name; position : as written
    fault : why it cannot be read as TOML, None where it can
    """

    name: str
    file: str
    title: str
    position: str
    fault: str | None


@dataclass(frozen=True, slots=True)
class StoredSite:
    """A site file as it is now.

    path : of the file; text : what it holds; revision : SHA-256 of its bytes
    """

    name: str
    path: Path
    text: str
    revision: str


@dataclass(frozen=True, slots=True)
class CompanionFile:
    """A file beside a site file. modified : seconds of its last change since 1970, UTC"""

    file: str
    size_bytes: int
    modified: float


def revision_of(raw: bytes) -> str:
    """SHA-256 of a file's bytes, hexadecimal.

    >>> revision_of(b"")[:8]
    'e3b0c442'
    """
    return hashlib.sha256(raw).hexdigest()


class SiteStore:
    """The site files of one folder, and of the folders directly in it.

    A site in the folder itself is known by its file's name without `.toml`; one in a folder below by the folder's
    name, a tilde, and the file's name: `croft~site` is `croft/site.toml`.

    Raises
    ------
    InputError : the folder does not exist

    >>> store = SiteStore("demo_terrain")
    >>> store.read("clinic").path.name
    'clinic.toml'
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(os.path.realpath(folder))
        if not self.folder.is_dir():
            raise InputError(
                "is not a folder.", where=os.fspath(folder), mend="Give the folder that holds the site files."
            )
        self._lock = threading.RLock()
        self._listed: dict[Path, tuple[tuple[int, int], SiteEntry | None]] = {}

    def sites(self) -> list[SiteEntry]:
        """The sites of the folder by name; TOML files that describe no position are left out."""
        listed = {}
        for path in self._site_files():
            with suppress(OSError):
                about = path.stat()
                state = (about.st_mtime_ns, about.st_size)
                last = self._listed.get(path)
                listed[path] = last if last is not None and last[0] == state else (state, self._entry(path))
        self._listed = listed
        found = [entry for _, entry in listed.values() if entry is not None]
        return sorted(found, key=lambda entry: (entry.title.lower(), entry.name))

    def path_of(self, name: str) -> Path:
        """The path of a site's file, which exists and is a plain file inside the folder.

        Raises
        ------
        SiteMissingError : there is none, or the name is not one that this store gives
        """
        path = self._place_of(name)
        if not _is_plain(path):
            raise SiteMissingError(
                "there is no such site.", where=quoted(name), mend="Choose one from the list."
            )
        return path

    def read(self, name: str) -> StoredSite:
        """A site file with its revision. Raises SiteMissingError; InputError where it is not text in UTF-8."""
        path = self.path_of(name)
        raw = read_bytes(path, most_bytes=SITE_BYTES)
        return StoredSite(name, path, _text_of(raw, path), revision_of(raw))

    def write(self, name: str, text: str, *, revision: str) -> StoredSite:
        """Replace a site file whole, if it still is the one that was read.

        Parameters
        ----------
        revision : of the file that the new text was made from; NEW_FILE: it must not exist yet

        Raises
        ------
        RevisionConflictError : it has changed, is gone, or exists already
        InputError : too large, the folder may not be written to, the disk is full; the old file stays as it was
        """
        path, raw = self._place_of(name), text.encode("utf-8")
        if len(raw) > SITE_BYTES:
            raise InputError(f"would be over {SITE_BYTES / 1e6:.0f} MB.", where=path.name)
        with self._locked(path.parent):
            self._check_revision(path, revision, with_text=True)
            _write_synced(path, raw)
        return StoredSite(name, path, text, revision_of(raw))

    def name_for(self, title: str) -> str:
        """A name for a new site, made of its title, that no site has yet."""
        plain = re.sub(r"[^\w.-]+", "-", title.strip().lower(), flags=re.UNICODE).strip("-.")[:60] or "site"
        taken = {entry.name for entry in self.sites()}
        for number in range(1, _MOST_SITES):
            name = plain if number == 1 else f"{plain}-{number}"
            if name not in taken and not os.path.lexists(self._place_of(name)):
                return name
        raise InputError("the folder holds too many sites of this name.", where=quoted(title))

    def refuse_foreign_files(self, name: str, before: Iterable[str], after: Iterable[str]) -> None:
        """Refuse files that an edit newly names and that lie outside the store's folder.

        Parameters
        ----------
        before, after : files that the site file named, and names now, from its own folder

        Raises
        ------
        InputError : a path that leads out of the folder, over a link too
        """
        base = self._place_of(name).parent
        for file in set(after) - set(before):
            if not Path(os.path.realpath(base / file)).is_relative_to(self.folder):
                raise InputError(
                    "lies outside the folder of this server.",
                    where=quoted(file),
                    mend="Copy the file there first.",
                )

    # --- companion files ------------------------------------------------------------------------------------

    def companions(self, name: str) -> list[CompanionFile]:
        """The tables, obstacle files and photographs in the folder of a site."""
        folder = self.path_of(name).parent
        found = []
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.lower().endswith(COMPANIONS) and not entry.name.startswith("."):
                    if not entry.is_file(follow_symlinks=False):
                        continue
                    about = entry.stat(follow_symlinks=False)
                    found.append(CompanionFile(printable(entry.name), about.st_size, about.st_mtime))
        return sorted(found, key=lambda one: one.file)

    def companion_path(self, name: str, file: str) -> Path:
        """Path of a companion file, whether it exists or not.

        Raises
        ------
        InputError : a name with a folder in it, an ending that is not allowed, the site file itself, a link
        """
        site = self.path_of(name)
        _check_name(file)
        if not file.lower().endswith(COMPANIONS):
            kinds = ", ".join(COMPANIONS)
            raise InputError(
                "is not a kind of file that is kept here.", where=quoted(file), mend=f"Kept are {kinds}."
            )
        path = site.parent / file
        if path == site or (os.path.lexists(path) and not _is_plain(path)):
            raise InputError(
                "is not a file that may be replaced.", where=quoted(file), mend="Choose another name."
            )
        return path

    def read_companion(self, name: str, file: str) -> tuple[bytes, str]:
        """Bytes and revision of a companion file. Raises SiteMissingError where there is none."""
        path = self.companion_path(name, file)
        if not _is_plain(path):
            raise SiteMissingError("there is no such file.", where=quoted(file))
        raw = read_bytes(path, most_bytes=COMPANION_BYTES)
        return raw, revision_of(raw)

    def write_companion(self, name: str, file: str, raw: bytes, *, revision: str | None) -> str:
        """Write a companion file whole and return its revision.

        Parameters
        ----------
        revision : of the file as it was read; NEW_FILE: it must not exist yet; None: whatever stands there

        Raises
        ------
        RevisionConflictError, InputError : as `write`
        """
        path = self.companion_path(name, file)
        if len(raw) > COMPANION_BYTES:
            raise InputError(f"is over {COMPANION_BYTES / 1e6:.0f} MB.", where=quoted(file))
        old = path.read_bytes() if path.suffix.lower() == ".toml" and _is_plain(path) else b""
        if path.suffix.lower() == ".toml" and (_describes_site(raw) or _describes_site(old)):
            raise InputError(
                "is a site file, not a file beside one.", where=quoted(file), mend="Make a new site."
            )
        with self._locked(path.parent):
            if revision is not None:
                self._check_revision(path, revision, with_text=False)
            _write_synced(path, raw)
        return revision_of(raw)

    # --- helpers --------------------------------------------------------------------------------------------

    def _site_files(self) -> Iterator[Path]:
        count = 0
        for folder in (self.folder, *self._folders()):
            with suppress(OSError), os.scandir(folder) as entries:
                for entry in entries:
                    plain = entry.is_file(follow_symlinks=False) and _NAME.fullmatch(entry.name)
                    if plain and entry.name.endswith(".toml") and not entry.name.startswith("."):
                        count += 1
                        if count > _MOST_SITES:
                            return
                        yield folder / entry.name

    def _folders(self) -> list[Path]:
        with os.scandir(self.folder) as entries:
            return [
                self.folder / entry.name
                for entry in entries
                if entry.is_dir(follow_symlinks=False)
                and _NAME.fullmatch(entry.name)
                and not entry.name.startswith(".")
            ]

    def _entry(self, path: Path) -> SiteEntry | None:
        below = path.relative_to(self.folder)
        name = _FOLDER_MARK.join((*below.parts[:-1], path.stem))
        try:
            whole = tomllib.loads(_text_of(read_bytes(path, most_bytes=SITE_BYTES), path))
        except InputError as fault:
            return SiteEntry(name, below.as_posix(), path.stem, "", str(fault.what))
        except (tomllib.TOMLDecodeError, RecursionError, ValueError) as fault:
            return SiteEntry(
                name, below.as_posix(), path.stem, "", f"is not TOML ({printable(str(fault))[:200]})."
            )
        if "position" not in whole:
            return None
        title, position = (str(whole.get(key, "")) for key in ("name", "position"))
        return SiteEntry(name, below.as_posix(), printable(title) or path.stem, printable(position), None)

    def _place_of(self, name: str) -> Path:
        """Where the file of a site of this name is, or would be."""
        parts = name.split(_FOLDER_MARK)
        if len(parts) > 2:
            raise SiteMissingError(
                "there is no such site.", where=quoted(name), mend="Choose one from the list."
            )
        for part in parts:
            _check_name(part)
        path = self.folder.joinpath(*parts[:-1], parts[-1] + ".toml")
        if len(parts) == 2 and (path.parent.is_symlink() or not path.parent.is_dir()):
            raise SiteMissingError(
                "there is no such site.", where=quoted(name), mend="Choose one from the list."
            )
        return path

    def _check_revision(self, path: Path, revision: str, *, with_text: bool) -> None:
        if not os.path.lexists(path):
            if revision != NEW_FILE:
                raise RevisionConflictError(path.name, None)
            return
        if not _is_plain(path):
            raise InputError("is not a file that may be replaced.", where=path.name)
        raw = read_bytes(path, most_bytes=COMPANION_BYTES)
        if revision_of(raw) != revision:
            text = None
            with suppress(InputError):
                text = _text_of(raw, path) if with_text else None
            raise RevisionConflictError(path.name, revision_of(raw), text)

    @contextmanager
    def _locked(self, folder: Path) -> Iterator[None]:
        """One writer at a time: of this process, and where the system has file locks, of all servers on the folder."""
        with self._lock:
            try:
                import fcntl
            except ImportError:  # no such locks on this system
                yield
                return
            handle = os.open(folder, os.O_RDONLY)
            try:
                with suppress(OSError):  # a file system without locks
                    fcntl.flock(handle, fcntl.LOCK_EX)
                yield
            finally:
                os.close(handle)


def _check_name(name: str) -> None:
    """Refuse what is not one plain name: folders, devices, hidden files, characters that mislead."""
    plain = (
        0 < len(name) <= _MOST_NAME
        and _NAME.fullmatch(name)
        and not _REVERSING.search(name)
        and not name.startswith((".", " "))
        and not name.endswith((".", " "))
        and name.split(".")[0].lower() not in _DEVICES
    )
    if not plain:
        raise SiteMissingError(
            "is not a name that is used here.", where=quoted(name), mend="Letters, digits, - and _ are safe."
        )


def _is_plain(path: Path) -> bool:
    with suppress(OSError, ValueError):
        return stat.S_ISREG(path.lstat().st_mode)
    return False


def _text_of(raw: bytes, path: Path) -> str:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise InputError("is not text in UTF-8.", where=path.name) from fault
    return text.replace("\r\n", "\n")


def _describes_site(raw: bytes) -> bool:
    with suppress(tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError, ValueError):
        return "position" in tomllib.loads(raw.decode("utf-8-sig"))
    return False


def _write_synced(path: Path, raw: bytes) -> None:
    """Write a file whole and wait until it is on the disk, so that losing power leaves the old or the new one."""

    def fill(part: Path) -> None:
        with open(part, "wb") as opened:
            opened.write(raw)
            opened.flush()
            os.fsync(opened.fileno())
        if path.exists():
            os.chmod(part, stat.S_IMODE(path.stat().st_mode))

    write_whole(path, fill)
    with suppress(OSError):  # not every system opens folders
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
