"""The process that reads damaged files: bounded memory, no sockets, nothing opened outside the inputs' folder.

Reads one JSON request a line, answers one JSON line. A request names a reader, a file of it and the steps of damage; or
a range of seeds, which are worked through here.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

sys.path.insert(0, os.path.dirname(__file__))

from damage import damaged, steps_of
from readers import COMMON, READERS, Reader
from scenes import SCENES

MEMORY_BYTES = 4 << 30
ALLOWED = tuple(
    os.path.realpath(p)
    for p in {
        sys.prefix,
        sys.base_prefix,
        "/usr",
        "/proc",
        "/dev/null",
        "/dev/urandom",
        "/etc/localtime",
        str(Path(__file__).parents[2]),
        *[p for p in sys.path if p],
    }
)


class Watch:
    """What the reader opens while it is watched."""

    def __init__(self) -> None:
        self.folder: str | None = None
        self.seen: list[str] = []
        sys.addaudithook(self)

    def __call__(self, event: str, details: tuple[object, ...]) -> None:
        if self.folder is None:
            return
        if event in ("socket.connect", "socket.bind", "socket.getaddrinfo", "subprocess.Popen", "os.system"):
            self.seen.append(f"{event} {details[1:2]!r}")
        elif event == "open" and isinstance(details[0], str | bytes):
            path = os.path.realpath(os.fsdecode(details[0]))
            writes = isinstance(details[2], int) and details[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            inside = path.startswith(self.folder)
            if not (inside or (path.startswith(ALLOWED) and not writes) or "__pycache__" in path):
                self.seen.append(f"opened {path}")


class Bench:
    """One reader's folder, with a true input in it."""

    def __init__(self, reader: Reader, watch: Watch, parent: str) -> None:
        self.reader, self.watch = reader, watch
        self.folder = Path(tempfile.mkdtemp(dir=parent))
        reader.seed(self.folder)
        self.true = {path.name: path.read_bytes() for path in self.folder.iterdir()}
        self.tokens = (*COMMON, *reader.tokens)
        reader.call(self.folder)  # a true input is read; what loads late is loaded
        self._restore()

    def _restore(self) -> None:
        for path in self.folder.iterdir():
            if path.name not in self.true:
                shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
        for name, data in self.true.items():
            path = self.folder / name
            if not path.exists() or path.read_bytes() != data:
                path.write_bytes(data)

    def try_one(self, name: str, steps: list, fixed: bytes | None = None) -> str:
        """What comes of it: "read", "refused", or a fault in words. fixed : bytes in place of damage by steps"""
        from skysill.errors import InputError

        broken = damaged(self.true[name], [tuple(step) for step in steps], self.tokens)
        if fixed is not None:
            broken = fixed
        (self.folder / name).write_bytes(broken)
        self.watch.seen.clear()
        self.watch.folder = os.path.realpath(self.folder)
        outcome = "read"
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self.reader.call(self.folder)
        except InputError as fault:
            said = str(fault)
            outcome = (
                "refused"
                if "\n" not in said and said.isprintable()
                else f"a fault of several lines: {said!r}"
            )
        except BaseException as fault:  # whatever else comes out is what is looked for
            outcome = f"{type(fault).__name__}: {fault}\n{traceback.format_exc()[-1500:]}"
        finally:
            self.watch.folder = None
        if self.watch.seen:
            outcome = "; ".join(self.watch.seen)
        now = {path.name for path in self.folder.iterdir()}
        if now != set(self.true):
            outcome = f"left behind: {sorted(now ^ set(self.true))}"
        elif (self.folder / name).read_bytes() != broken:
            outcome = "the input was changed"
        (self.folder / name).write_bytes(self.true[name])
        if now != set(self.true):
            self._restore()
        return outcome


def main() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    import numpy  # noqa: F401  # loaded before anything is watched

    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what libraries print is no answer
    watch, benches = Watch(), {}
    with tempfile.TemporaryDirectory() as parent:
        for line in sys.stdin:
            asked = json.loads(line)
            name = asked["reader"]
            if name not in benches:
                benches[name] = Bench((READERS | SCENES)[name], watch, parent)
            bench = benches[name]
            if "path" in asked:
                found = {"outcome": bench.try_one(asked["file"], [], Path(asked["path"]).read_bytes())}
            elif "steps" in asked:
                found = {"outcome": bench.try_one(asked["file"], asked["steps"])}
            else:
                found = _many(bench, asked, answers)
            answers.write(json.dumps(found) + "\n")
            answers.flush()


def _many(bench: Bench, asked: dict, answers) -> dict:
    """Seeds first to last; tells where it is, so that who waits can tell a slow input from a hanging one."""
    tally = {"read": 0, "refused": 0}
    faults, files, told = [], bench.reader.damaged, time.monotonic()
    for seed in range(asked["first"], asked["last"]):
        if time.monotonic() - told > 1.0:
            told = time.monotonic()
            answers.write(json.dumps({"at": seed}) + "\n")
            answers.flush()
        outcome = bench.try_one(files[seed % len(files)], steps_of(seed, bench.reader.kinds))
        if outcome in tally:
            tally[outcome] += 1
        else:
            faults.append({"seed": seed, "outcome": outcome})
            if len(faults) >= 20:
                return {"tally": tally, "faults": faults, "stopped": seed + 1}
    return {"tally": tally, "faults": faults}


if __name__ == "__main__":
    main()
