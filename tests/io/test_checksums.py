"""Fingerprints of the files an answer rests on."""

from __future__ import annotations

from pathlib import Path

import pytest

from skysill.errors import InputError
from skysill.io.checksums import file_checksum, file_checksums
from skysill.io.job_options import JobOptions
from skysill.io.jobs import read_job

DEMO = Path(__file__).parents[2] / "demo_terrain"


def test_the_published_example_of_the_standard(tmp_path):
    """FIPS 180-4 example, one block: SHA-256 of "abc" (NIST, from memory)."""
    (tmp_path / "abc.txt").write_bytes(b"abc")
    found = file_checksum(tmp_path / "abc.txt", "a test")
    assert found.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (found.name, found.size_bytes) == ("abc.txt", 3)


def test_every_file_of_the_clinic_is_named_once():
    options = JobOptions(site_file=str(DEMO / "clinic.toml"))
    found = file_checksums(options, read_job(options).sources.rasters)
    assert {(print_.name, print_.role) for print_ in found} == {
        ("clinic.toml", "site file"),
        ("clinic_horizon.csv", "measured horizon"),
        ("clinic_obstacles.geojson", "obstacles"),
        ("village_surface.tif", "elevation"),
        ("island.tif", "elevation"),
    }
    [surface] = [print_ for print_ in found if print_.name == "village_surface.tif"]
    assert surface.detail == "surface, with trees and buildings, cells of 1 m, heights to 0.3 m"


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        file_checksum(tmp_path / "gone.tif", "elevation")
