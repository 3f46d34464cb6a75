"""Checkpoints: finished parts of a long run, kept beside the output until it is whole, so that a run can be resumed.

out.csv.parts/
  manifest.json  what was asked of the run and the state of its inputs; says which output the parts belong to
  contents.json  checksums of the inputs' contents
  000000.part    a result, with its length and checksum; put in place in one step

A folder of that name without such a manifest, or a link, was not made by a run and is left alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import struct
import threading
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from skysill.errors import InputError
from skysill.io.output_files import write_whole

__all__ = ["Checkpoints", "file_states"]

_HEAD = struct.Struct("<4sQI")
_MARK = b"SKP2"
_BELONGS = "parts of a skysill run"
_OWN_NAMES = re.compile(
    r"\d{6}\.part|manifest\.json|contents\.json|lock|whole\.\w+|rejected\.csv|\.[\w.]+\.[0-9a-f]{12}\.\w+"
)
"""Names of the files that a run writes there, and of files that a killed run left unfinished."""
_AT_ONCE = 1 << 22


def file_states(path: str | os.PathLike[str]) -> dict[str, Any]:
    """State of a file, or of every file in a folder: size and time of change, by absolute path."""
    path = Path(path)
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    states: dict[str, Any] = {}
    for file in files:
        try:
            stat = file.stat()
        except OSError:
            raise InputError("the file is gone.", where=str(file)) from None
        states[str(file.resolve())] = [stat.st_size, stat.st_mtime_ns]
    return states


class Checkpoints:
    """The checkpoints of one run.

    out : the output that the parts will become
    manifest : everything that the results depend on, JSON-ready; inputs under "files" as `file_states` gives them
    """

    def __init__(self, out: str | os.PathLike[str], manifest: Mapping[str, Any]) -> None:
        self.out = Path(out)
        self.folder = self.out.with_name(self.out.name + ".parts")
        self.manifest: dict[str, Any] = {
            "belongs": [_BELONGS, self.out.name],
            **json.loads(json.dumps(manifest)),
        }
        self._lock: IO[bytes] | None = None
        self._contents: _Contents | None = None

    def begin(self, *, resume: bool) -> str | None:
        """Create or reopen the folder; returns a sentence about the parts found there, if any.

        Raises
        ------
        InputError : resume asked and an input, raster or option is not what it was; another run is at work
        """
        try:
            return self._begin(resume=resume)
        except InputError:
            self.close()
            raise

    def _begin(self, *, resume: bool) -> str | None:
        note = None
        found = self._found()
        if found:
            self._take_lock()
        if found and resume:
            self._compare()
            for unfinished in self.folder.glob(".*"):
                if _OWN_NAMES.fullmatch(unfinished.name):
                    unfinished.unlink()
            kept = sum(1 for _ in self.folder.glob("*.part"))
            note = f"Going on with {kept} finished parts."
        elif found:
            self._clear()
            note = "Parts of an earlier run were thrown away; --resume would have used them."
        elif resume:
            note = "There is nothing to resume; starting from the beginning."
        try:
            self.folder.mkdir(exist_ok=True)
        except OSError as fault:
            raise InputError(
                f"the folder for finished parts cannot be made ({fault.strerror}).", where=str(self.folder)
            ) from fault
        self._take_lock()
        write_whole(self.folder / "manifest.json", json.dumps(self.manifest, indent=1, sort_keys=True))
        self._contents = _Contents(self.folder / "contents.json", list(self.manifest.get("files", {})))
        return note

    def _found(self) -> bool:
        """Whether there is a folder of parts of this output.

        Raises
        ------
        InputError : there is something else: a link, a file, or a folder that no run made
        """
        mend = "Move it away, or name another output."
        if self.folder.is_symlink():
            raise InputError(
                "is a link, and no folder for finished parts.", where=str(self.folder), mend=mend
            )
        if not self.folder.exists():
            return False
        if not self.folder.is_dir():
            raise InputError("is no folder for finished parts.", where=str(self.folder), mend=mend)
        names = [path.name for path in self.folder.iterdir()]
        strange = next((name for name in names if not _OWN_NAMES.fullmatch(name)), None)
        belongs = self._stored_manifest().get("belongs")
        if strange is None and (belongs == self.manifest["belongs"] or not set(names) - {"lock"}):
            return True
        what = (
            "was not made by a run for this output."
            if strange is None
            else f'holds "{strange}", which no run put there.'
        )
        raise InputError(what, where=str(self.folder), mend=mend)

    def _stored_manifest(self) -> dict[str, Any]:
        try:
            found = json.loads((self.folder / "manifest.json").read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        return found if isinstance(found, dict) else {}

    def _take_lock(self) -> None:
        if self._lock is not None:
            return
        self._lock = open(self.folder / "lock", "ab")  # noqa: SIM115  # held until the run ends
        try:
            import fcntl
        except ImportError:  # no such locks on this system
            return
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._lock.close()
            self._lock = None
            raise InputError("another run is at work on this output.", where=str(self.out)) from None

    def _clear(self) -> None:
        for path in self.folder.iterdir():
            if path.name != "lock" and _OWN_NAMES.fullmatch(path.name):
                path.unlink()

    def _compare(self) -> None:
        before = self._stored_manifest()
        if not before:
            self._clear()  # killed before anything was started
            return
        self._compare_manifests(before)
        try:
            known = json.loads((self.folder / "contents.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            self._clear()  # killed before the inputs' checksums were written: they cannot be compared
            return
        for path in self.manifest.get("files", {}):
            if known.get(path) != _checksum(path):
                raise InputError(
                    f'"{path}" has changed since the run that is to be resumed.', where=str(self.out),
                    mend="Start again without --resume, or give back what it had.",
                )  # fmt: skip

    def _compare_manifests(self, before: Mapping[str, Any]) -> None:
        for name in sorted({*before, *self.manifest}):
            if before.get(name) == self.manifest.get(name):
                continue
            what = f'"{name}" is not what it was'
            if name == "files":
                changed = sorted(
                    path
                    for path in {*before.get(name, {}), *self.manifest.get(name, {})}
                    if before.get(name, {}).get(path) != self.manifest.get(name, {}).get(path)
                )
                what = f'"{changed[0]}" has changed'
            raise InputError(
                f"{what} since the run that is to be resumed.", where=str(self.out),
                mend="Start again without --resume, or give back what it had.",
            )  # fmt: skip

    def check_inputs(self) -> None:
        """Raise InputError if an input has changed since the run began."""
        for path, states in self.manifest.get("files", {}).items():
            if file_states(path).get(str(Path(path).resolve())) != states:
                raise InputError(
                    "the file has changed while the run was going; nothing was written.", where=path,
                    mend="Start again without --resume.",
                )  # fmt: skip

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:06d}.part"

    def put(self, number: int, result: bytes) -> None:
        """Store one result; the file is written whole or not at all."""
        write_whole(self._path(number), _HEAD.pack(_MARK, len(result), zlib.crc32(result)) + result)

    def get(self, number: int) -> bytes | None:
        """One result, None where it is missing or damaged."""
        try:
            whole = self._path(number).read_bytes()
        except OSError:
            return None
        if len(whole) < _HEAD.size:
            return None
        mark, length, checksum = _HEAD.unpack_from(whole)
        result = whole[_HEAD.size :]
        good = mark == _MARK and len(result) == length and zlib.crc32(result) == checksum
        return result if good else None

    def missing(self, count: int) -> list[int]:
        """Numbers of the parts that are still to be made; damaged ones are deleted."""
        wanted = []
        for number in range(count):
            path = self._path(number)
            if path.exists() and self.get(number) is not None:
                continue
            path.unlink(missing_ok=True)
            wanted.append(number)
        return wanted

    def results(self, count: int) -> Iterator[bytes]:
        """All results, in order."""
        for number in range(count):
            result = self.get(number)
            if result is None:
                raise InputError(
                    "a finished part is gone or damaged.",
                    where=str(self._path(number)),
                    mend="Resume the run.",
                )
            yield result

    def place(self, made: Mapping[Path, Path]) -> None:
        """Move files made in the folder to their targets, and remove the folder."""
        for target, ready in made.items():
            try:
                os.replace(ready, os.path.realpath(target))
            except OSError as fault:
                raise InputError(
                    f"cannot be written ({fault.strerror}).", where=str(target), mend="Choose another place."
                ) from fault
        self.remove()

    def close(self) -> None:
        """Release the folder without removing it."""
        if self._contents is not None:
            self._contents.finish()
            self._contents = None
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def remove_if_unused(self) -> None:
        """Remove the folder of a run that was refused before any part was finished."""
        if self._lock is not None and not any(self.folder.glob("*.part")):
            self.remove()

    def remove(self) -> None:
        """Remove the folder, the output being whole."""
        if self._contents is not None:
            self._contents.cancel()
        self.close()
        with contextlib.suppress(OSError):
            self._clear()
            (self.folder / "lock").unlink(missing_ok=True)
            self.folder.rmdir()


class _Contents:
    """Checksums of the inputs' contents, calculated in a thread beside the work and written when all are known."""

    def __init__(self, path: Path, files: list[str]) -> None:
        self.path, self.files = path, files
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._take, daemon=True)
        self._thread.start()

    def _take(self) -> None:
        found: dict[str, str] = {}
        for file in self.files:
            checksum = _checksum(file, self._stop)
            if checksum is None:
                return
            found[file] = checksum
        with contextlib.suppress(InputError, OSError):
            write_whole(self.path, json.dumps(found, indent=1))

    def finish(self) -> None:
        self._thread.join()

    def cancel(self) -> None:
        """Stop without writing the checksums."""
        self._stop.set()
        self._thread.join()


def _checksum(path: str, stop: threading.Event | None = None) -> str | None:
    """SHA-256 (FIPS 180-4) of a file; None where it cannot be read, or where `stop` is set."""
    digest = hashlib.sha256()
    try:
        with open(path, "rb") as opened:
            while block := opened.read(_AT_ONCE):
                if stop is not None and stop.is_set():
                    return None
                digest.update(block)
    except OSError:
        return None
    return digest.hexdigest()
