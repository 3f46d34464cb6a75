"""Finished parts of long work, kept beside the output until it is whole, so that a killed run can go on.

out.csv.parts/
  recipe.json    what the run was asked, and how its inputs looked; says whose parts these are
  contents.json  checksums of the inputs' contents
  000000.part    an answer, with its length and checksum; put in place in one step

A folder of that name without such a recipe, or a link, belongs to somebody else and is left alone.
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

__all__ = ["Parts", "looks_of"]

_HEAD = struct.Struct("<4sQI")
_MARK = b"SKP2"
_BELONGS = "parts of a skysill run"
_OURS = re.compile(
    r"\d{6}\.part|recipe\.json|contents\.json|lock|whole\.\w+|rejected\.csv|\.[\w.]+\.[0-9a-f]{12}\.\w+"
)
"""Names of what a run writes there, and of pieces that a killed run left half written."""
_AT_ONCE = 1 << 22


def looks_of(path: str | os.PathLike[str]) -> dict[str, Any]:
    """How a file looks: size and time of change. A folder looks as its files do."""
    path = Path(path)
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    looks: dict[str, Any] = {}
    for file in files:
        try:
            stat = file.stat()
        except OSError:
            raise InputError("the file is gone.", where=str(file)) from None
        looks[str(file.resolve())] = [stat.st_size, stat.st_mtime_ns]
    return looks


class Parts:
    """The parts of one run.

    out : the output they will become
    recipe : everything the answers depend on, JSON-ready; inputs under "files" as `looks_of` gives them
    """

    def __init__(self, out: str | os.PathLike[str], recipe: Mapping[str, Any]) -> None:
        self.out = Path(out)
        self.folder = self.out.with_name(self.out.name + ".parts")
        self.recipe: dict[str, Any] = {"belongs": [_BELONGS, self.out.name], **json.loads(json.dumps(recipe))}
        self._lock: IO[bytes] | None = None
        self._contents: _Contents | None = None

    def begin(self, *, resume: bool) -> str | None:
        """Make ready; returns a sentence about what was found, if anything.

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
                if _OURS.fullmatch(unfinished.name):
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
        write_whole(self.folder / "recipe.json", json.dumps(self.recipe, indent=1, sort_keys=True))
        self._contents = _Contents(self.folder / "contents.json", list(self.recipe.get("files", {})))
        return note

    def _found(self) -> bool:
        """Whether there is a folder of parts, and it is this output's.

        Raises
        ------
        InputError : something else stands there: a link, a file, a folder of somebody's
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
        strange = next((name for name in names if not _OURS.fullmatch(name)), None)
        belongs = self._recipe_there().get("belongs")
        if strange is None and (belongs == self.recipe["belongs"] or not set(names) - {"lock"}):
            return True
        what = (
            "was not made by a run for this output."
            if strange is None
            else f'holds "{strange}", which no run put there.'
        )
        raise InputError(what, where=str(self.folder), mend=mend)

    def _recipe_there(self) -> dict[str, Any]:
        try:
            found = json.loads((self.folder / "recipe.json").read_text(encoding="utf-8"))
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
            if path.name != "lock" and _OURS.fullmatch(path.name):
                path.unlink()

    def _compare(self) -> None:
        before = self._recipe_there()
        if not before:
            self._clear()  # killed before anything was begun
            return
        self._compare_recipes(before)
        try:
            known = json.loads((self.folder / "contents.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            self._clear()  # killed before the inputs' contents were noted: nobody knows what the parts were made from
            return
        for path in self.recipe.get("files", {}):
            if known.get(path) != _checksum(path):
                raise InputError(
                    f'"{path}" has changed since the run that is to be resumed.', where=str(self.out),
                    mend="Start again without --resume, or give back what it had.",
                )  # fmt: skip

    def _compare_recipes(self, before: Mapping[str, Any]) -> None:
        for name in sorted({*before, *self.recipe}):
            if before.get(name) == self.recipe.get(name):
                continue
            what = f'"{name}" is not what it was'
            if name == "files":
                changed = sorted(
                    path
                    for path in {*before.get(name, {}), *self.recipe.get(name, {})}
                    if before.get(name, {}).get(path) != self.recipe.get(name, {}).get(path)
                )
                what = f'"{changed[0]}" has changed'
            raise InputError(
                f"{what} since the run that is to be resumed.", where=str(self.out),
                mend="Start again without --resume, or give back what it had.",
            )  # fmt: skip

    def unchanged(self) -> None:
        """Refuse to go on if an input has changed since the run began."""
        for path, looks in self.recipe.get("files", {}).items():
            if looks_of(path).get(str(Path(path).resolve())) != looks:
                raise InputError(
                    "the file has changed while the run was going; nothing was written.", where=path,
                    mend="Start again without --resume.",
                )  # fmt: skip

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:06d}.part"

    def put(self, number: int, answer: bytes) -> None:
        """Keep one answer; it is there whole or not at all."""
        write_whole(self._path(number), _HEAD.pack(_MARK, len(answer), zlib.crc32(answer)) + answer)

    def get(self, number: int) -> bytes | None:
        """One answer, None where it is missing or damaged."""
        try:
            whole = self._path(number).read_bytes()
        except OSError:
            return None
        if len(whole) < _HEAD.size:
            return None
        mark, length, checksum = _HEAD.unpack_from(whole)
        answer = whole[_HEAD.size :]
        good = mark == _MARK and len(answer) == length and zlib.crc32(answer) == checksum
        return answer if good else None

    def missing(self, count: int) -> list[int]:
        """Numbers of the parts that are still to be done; damaged ones are thrown away."""
        wanted = []
        for number in range(count):
            path = self._path(number)
            if path.exists() and self.get(number) is not None:
                continue
            path.unlink(missing_ok=True)
            wanted.append(number)
        return wanted

    def answers(self, count: int) -> Iterator[bytes]:
        """All answers, in order."""
        for number in range(count):
            answer = self.get(number)
            if answer is None:
                raise InputError(
                    "a finished part is gone or damaged.",
                    where=str(self._path(number)),
                    mend="Resume the run.",
                )
            yield answer

    def place(self, made: Mapping[Path, Path]) -> None:
        """Put files made in the parts' folder where they belong, and remove the parts."""
        for target, ready in made.items():
            try:
                os.replace(ready, os.path.realpath(target))
            except OSError as fault:
                raise InputError(
                    f"cannot be written ({fault.strerror}).", where=str(target), mend="Choose another place."
                ) from fault
        self.done()

    def close(self) -> None:
        """Let go of the parts without removing them."""
        if self._contents is not None:
            self._contents.finish()
            self._contents = None
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def done(self) -> None:
        """The output is whole: remove the parts."""
        if self._contents is not None:
            self._contents.give_up()
        self.close()
        with contextlib.suppress(OSError):
            self._clear()
            (self.folder / "lock").unlink(missing_ok=True)
            self.folder.rmdir()


class _Contents:
    """Checksums of the inputs' contents, taken beside the work and noted when all are known."""

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

    def give_up(self) -> None:
        """Nobody will ask any more."""
        self._stop.set()
        self._thread.join()


def _checksum(path: str, stop: threading.Event | None = None) -> str | None:
    """SHA-256 (FIPS 180-4) of a file; None where it cannot be read, or it was told to stop."""
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
