"""On a machine that checks submissions the invented examples are the same every time; elsewhere they are new."""

import os

import pytest
from hypothesis import settings

settings.register_profile("same", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same")


@pytest.fixture(autouse=True)
def no_cache_of_the_user(tmp_path_factory, monkeypatch):
    """What tests keep of the web and of folders goes to a place of their own; no host is allowed by the environment."""
    monkeypatch.setenv("SKYSILL_CACHE", str(tmp_path_factory.getbasetemp() / "no cache"))
    monkeypatch.delenv("SKYSILL_ALLOWED_HOSTS", raising=False)


LATE = {"test_screening.py", "test_screening_roofs.py", "test_bulk_commands.py", "test_docs.py"}


def pytest_collection_modifyitems(items):
    """What compiles loops by the way comes last: tests/bulk, in the first worker's half, has compiled them by then."""
    items.sort(key=lambda item: item.path.name in LATE and item.path.parent.name != "bulk")
