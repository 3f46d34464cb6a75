"""A copy of the demo as a store, and a client that asks as the pages do."""

import shutil
import warnings
from pathlib import Path

import pytest

from skysill.io.job_options import JobOptions
from skysill.io.site_store import SiteStore
from skysill.web.app import create_app
from skysill.web.server import new_state

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # newer releases would like another HTTP client
    from starlette.testclient import TestClient

DEMO = Path(__file__).parents[2] / "demo_terrain"
PORT = 8417


@pytest.fixture
def folder(tmp_path):
    """A copy of the demo's files, to be written to."""
    shutil.copytree(
        DEMO, tmp_path / "sites", ignore=shutil.ignore_patterns("survey_data", "*.py", "__pycache__")
    )
    return tmp_path / "sites"


@pytest.fixture
def state(folder):
    options = JobOptions(
        terrain=(f"{folder / 'village_surface.tif'}:surface", str(folder / "island.tif")),
        highest_ground_m=420.0,
        satellite=("Demo South=24.0W",),
    )
    return new_state(SiteStore(folder), host="127.0.0.1", port=PORT, options=options)


@pytest.fixture
def client(state):
    headers = {"x-skysill": "1"}
    with TestClient(create_app(state), base_url=f"http://127.0.0.1:{PORT}", headers=headers) as asking:
        yield asking
