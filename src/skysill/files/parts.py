"""Finished parts of long work, kept beside the output until it is whole, so that a killed run can go on.

out.csv.parts/
  recipe.json    what the run was asked, and how its inputs looked
  000000.part    an answer, with its length and checksum; put in place in one step
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import struct
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from skysill.errors import InputError
from skysill.files.plain import write_whole

__all__ = ["Parts", "looks_of"]

_HEAD = struct.Struct("<4sQI")
_MARK = b"SKP2"


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
        self.recipe: dict[str, Any] = json.loads(json.dumps(recipe))
        self._lock: IO[bytes] | None = None

    def begin(self, *, resume: bool) -> str | None:
        """Make ready; returns a sentence about what was found, if anything.

        Raises
        ------
        InputError : resume asked and an input, raster or option is not what it was; another run is at work
        """
        note = None
        found = self.folder.is_dir()
        if found:
            self._take_lock()
        if found and resume:
            self._compare()
            for unfinished in self.folder.glob(".*"):
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
        return note

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
            if path.name != "lock":
                path.unlink()

    def _compare(self) -> None:
        try:
            before = json.loads((self.folder / "recipe.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            self._clear()  # killed before anything was begun
            return
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
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def done(self) -> None:
        """The output is whole: remove the parts."""
        self.close()
        with contextlib.suppress(OSError):
            shutil.rmtree(self.folder)
