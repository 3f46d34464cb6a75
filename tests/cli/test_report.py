"""skysill report"""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"


def report(*arguments, site="farm.toml"):
    asked = ["report", DEMO / site, "--satellite", "Demo South", "--day", "2026-06-15", *arguments]
    return CliRunner().invoke(main, [str(argument) for argument in asked])


@pytest.fixture
def photo(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8825).update(
        {1: "N", 2: (58.0, 1.0, 47.28), 3: "W", 4: (24.0, 36.0, 10.4), 16: "T", 17: 180.0}
    )
    Image.new("RGB", (40, 30)).save(tmp_path / "gable.jpg", exif=exif)
    return tmp_path / "gable.jpg"


@pytest.mark.parametrize(("name", "starts"), [("a.html", b"<!DOCTYPE html>"), ("a.pdf", b"%PDF-")])
def test_a_record_is_written_and_the_verdict_said(tmp_path, photo, name, starts):
    result = report("--out", tmp_path / name, "--photo", photo, "--by", "installer 1")
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / name).read_bytes().startswith(starts)
    assert result.stdout.splitlines()[0] == "Demo South: needs-survey"


def test_the_photos_own_position_is_kept_only_on_request(tmp_path, photo):
    """58 1 47.28 N is 58.0298 N."""
    for choice, times in (("strip", 0), ("keep", 1)):
        out = tmp_path / f"{choice}.html"
        assert report("--out", out, "--photo", photo, "--photo-location", choice).exit_code == 0
        text = out.read_text(encoding="utf-8")
        assert "from the site" in text
        assert text.count("Camera position 58.0298") == times


def test_what_was_built_comes_in(tmp_path, photo):
    done = (
        'satellite = "Demo South"\nheight_m = 2.6\nsignal = 12.5\nsignal_unit = "dB"\nphoto = "gable.jpg"\n'
    )
    (tmp_path / "built.toml").write_text(done, encoding="utf-8")
    result = report("--out", tmp_path / "a.html", "--as-built", tmp_path / "built.toml", "--json", "--quiet")
    made = json.loads(result.stdout)
    assert made["built"]["as_built"]["signal"] == 12.5
    assert made["built"]["photos"][0]["photo"]["name"] == "gable.jpg"
    assert made["files"][0]["name"] == "farm.toml"
    assert "As built" in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_a_record_says_what_changed_since_another(tmp_path):
    made = report("--out", tmp_path / "a.html", "--json", "--quiet")
    (tmp_path / "a.json").write_text(made.stdout, encoding="utf-8")
    again = report("--out", tmp_path / "b.pdf", "--since", tmp_path / "a.json", "--mount-height", "5")
    assert again.exit_code == 0, again.stderr
    lines = again.stdout.splitlines()
    assert "Since the record of 2026-06-15:" in lines
    assert any(line.startswith("  Height of the dish centre: 5.00 m now, ") for line in lines)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--out", "a.odt"), "reports and sheets are written as HTML or PDF"),
        (("--out", "a.html", "--photo", "text.jpg"), "text.jpg: is not a picture that can be read"),
        (("--out", "a.html", "--photo", "huge.jpg"), "huge.jpg: is 200 MB; photos of up to 60 MB are taken"),
        (("--out", "a.html", "--photo", "gone.jpg"), "gone.jpg: there is no such file"),
        (("--out", "a.html", "--as-built", "bad.toml"), 'bad.toml: "hieght_m" is not known. Did you mean height_m?'),
        (("--out", "a.html", "--zone", "Nowhere"), '--zone: "Nowhere" is not a time zone'),
        (("--out", "a.html", "--mount", "tower"), 'no mount is called "tower"'),
    ],
)  # fmt: skip
def test_faults_in_one_line_and_nothing_written(tmp_path, monkeypatch, arguments, sentence):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "text.jpg").write_text("not a photo")
    (tmp_path / "bad.toml").write_text("hieght_m = 2")
    with (tmp_path / "huge.jpg").open("wb") as file:
        file.truncate(200_000_000)
    result = report(*arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "a.html").exists()
