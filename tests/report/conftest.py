"""One record and one sheet for the tests of the reports: the clinic, with names that contain markup."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from skysill.assessment.pipeline import assess
from skysill.assessment.results import Remedy
from skysill.io.as_built import AsBuilt
from skysill.io.checksums import file_checksums
from skysill.io.job_options import JobOptions
from skysill.io.photos import Photo
from skysill.io.site_file import read_site_file
from skysill.pointing.sun_guides import local_zone
from skysill.report.html import record_html, sheet_html
from skysill.report.record import survey_record
from skysill.report.sheet import field_sheet

DEMO = Path(__file__).parents[2] / "demo_terrain"
NASTY = "<script>alert('x')</script> & \"Skerrow\" {{ 7*7 }} Ω 診"
DAY = dt.date(2026, 6, 15)
MORNING = dt.datetime(2026, 6, 15, 6, tzinfo=dt.UTC)


def a_photo(name="roof.jpg", **claims) -> Photo:
    kept = io.BytesIO()
    Image.new("RGB", (160, 120), (90, 120, 160)).save(kept, "JPEG")
    return Photo(name, kept.getvalue(), 160, 120, **claims)


@pytest.fixture(scope="session")
def clinic_job():
    job = read_site_file(DEMO / "clinic.toml")
    wanted = tuple(s for s in job.satellites if s.name != "Demo East")
    return replace(job, satellites=wanted, date=dt.date(2026, 6, 14))


@pytest.fixture(scope="session")
def clinic_assessment(clinic_job):
    """Without the search for remedies, which is tested elsewhere: one is put in by hand."""
    found = assess(clinic_job, clinic_job.mounts[0], profile_step_deg=1.0, paths=True, explain=False)
    remedy = Remedy("raise", f"Raise it past {NASTY}.", to_height_m=5.4)
    results = tuple(replace(r, remedies=(remedy,)) if r.verdict != "clear" else r for r in found.results)
    return replace(found, results=results)


@pytest.fixture(scope="session")
def make_record(clinic_job, clinic_assessment):
    def make(job=clinic_job, assessment=clinic_assessment, **given):
        given = {
            "made": DAY,
            "zone": local_zone("Atlantic/Azores"),
            **given,
        }
        return survey_record(job, job.mounts[0], assessment, **given)

    return make


@pytest.fixture(scope="session")
def record(make_record, clinic_job, clinic_assessment):
    """Everything that can be on it, with names that try to break out of the page."""
    nasty = replace(clinic_assessment, site=replace(clinic_assessment.site, name=NASTY))
    options = JobOptions(site_file=str(DEMO / "clinic.toml"))
    return make_record(
        assessment=nasty,
        by=NASTY,
        sun_after_utc=MORNING,
        files=file_checksums(options, clinic_job.sources.rasters),
        photos=[a_photo(f"{NASTY}.jpg", latitude_deg=58.0321, longitude_deg=-24.6541, direction_deg=175.0)],
        as_built=AsBuilt(
            date=dt.date(2026, 7, 2), by=NASTY, satellite="Demo South", height_m=4.45, azimuth_deg=179.0,
            bearings="true",
            elevation_deg=24.2, signal=13.2, signal_unit="dB", note=NASTY, source="built.toml",
        ),
        built_photos=[a_photo("dish.jpg")],
    )  # fmt: skip


@pytest.fixture(scope="session")
def record_text(record):
    return record_html(record)


@pytest.fixture(scope="session")
def sheet_text(sheet):
    return sheet_html(sheet, csv_name=f"{sheet.site.name}.csv")


@pytest.fixture(scope="session")
def sheet(clinic_job):
    named = replace(clinic_job, site=replace(clinic_job.site, name=NASTY))
    return field_sheet(named, named.mounts[0], sun_after_utc=MORNING)
