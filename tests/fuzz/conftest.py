"""One child process for all damaged files; a new one where it hung or died."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
collect_ignore = ["child.py", "damage.py", "long.py", "readers.py", "scenes.py", "checks.py"]


@pytest.fixture(scope="session")
def child():
    from long import Child

    held = {"one": Child()}

    def ask(**asked):
        found = held["one"].ask(**asked)
        if "hung" in found or "died" in found:
            held["one"].end()
            held["one"] = Child()
        return found

    yield ask
    held["one"].end()
