"""skysill sheet"""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
FARM = str(DEMO / "farm.toml")


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def sheet(*arguments):
    return run("sheet", FARM, "--day", "2026-06-14", *arguments)


def filled_in(table: Path) -> None:
    text = table.read_text(encoding="utf-8").replace(",,,,,", ",3.5,60,,,shed")
    table.write_text(text, encoding="utf-8")


@pytest.mark.parametrize(("name", "starts"), [("a.html", b"<!DOCTYPE html>"), ("a.pdf", b"%PDF-")])
def test_sheet_and_table_are_written_side_by_side(tmp_path, name, starts):
    result = sheet("--out", tmp_path / name)
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / name).read_bytes().startswith(starts)
    assert (tmp_path / "a.csv").read_text(encoding="utf-8").count(",,,,,") == 27
    assert "27 readings that decide, 0 that check" in result.stdout


def test_the_whole_round(tmp_path):
    """Written, filled in, fed back as it is: what needed a survey is clear then, and the table is safe."""
    assert sheet("--out", tmp_path / "farm.html").exit_code == 0
    before = json.loads(run("check", FARM, "--json", "--quiet").stdout)
    filled_in(tmp_path / "farm.csv")
    after = json.loads(run("check", FARM, "--horizon", tmp_path / "farm.csv", "--json", "--quiet").stdout)
    assert {result["verdict"] for result in before["results"]} == {"needs-survey"}
    assert {result["verdict"] for result in after["results"]} == {"clear"}


def test_a_table_with_readings_is_never_written_over(tmp_path):
    assert sheet("--out", tmp_path / "farm.html").exit_code == 0
    assert sheet("--out", tmp_path / "farm.html").exit_code == 0  # still blank: made again
    filled_in(tmp_path / "farm.csv")
    kept = (tmp_path / "farm.csv").read_bytes()
    result = sheet("--out", tmp_path / "farm.html")
    assert result.exit_code == 2
    assert "holds readings already, and is not written over" in result.stderr
    assert (tmp_path / "farm.csv").read_bytes() == kept
    assert sheet("--out", tmp_path / "farm.html", "--csv", tmp_path / "new.csv").exit_code == 0


def test_a_revisit_keeps_the_readings_and_asks_for_the_rest(tmp_path):
    assert sheet("--out", tmp_path / "farm.html").exit_code == 0
    table = tmp_path / "farm.csv"
    lines = table.read_text(encoding="utf-8").splitlines()
    half = [
        line.replace(",,,,,", ",3.5,60,tree,bare,shed") if k % 9 else line for k, line in enumerate(lines)
    ]
    table.write_text("\n".join(half) + "\n", encoding="utf-8")
    asking = (FARM, "--day", "2026-06-14", "--horizon", table, "--out", tmp_path / "again.pdf", "--revisit")
    result = run("sheet", *asking)
    assert result.exit_code == 0, result.stderr
    assert "again.pdf: revisit," in result.stdout
    again = (tmp_path / "again.csv").read_text(encoding="utf-8")
    assert again.count(",3.5,60,tree,bare,shed") == sum(",3.5," in line for line in half)
    assert run("sheet", *asking).exit_code == 0  # nobody wrote in it yet: made again
    (tmp_path / "again.csv").write_text(again.replace(",,,,,", ",4,9,,,new"), encoding="utf-8")
    refused = run("sheet", *asking)
    if ",,,,," in again:
        assert refused.exit_code == 2
        assert "holds readings already" in refused.stderr


def test_json(tmp_path):
    made = json.loads(sheet("--out", tmp_path / "a.html", "--json", "--quiet").stdout)
    assert len(made["rows"]) == 27
    assert {"satellite", "azimuth_deg"} <= set(made["windows"][0]["look"])
    assert made["bearings"] == "true"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--out", "a.docx"), "reports and sheets are written as HTML or PDF"),
        (("--out", "nowhere/a.html"), 'the folder "nowhere" does not exist'),
        (("--out", "a.html", "--zone", "Moon/Base"), '--zone: "Moon/Base" is not a time zone'),
        (("--out", "a.html", "--bearings", "magnetic", "--date", "2040-01-01"), "outside the magnetic model"),
        (("--out", "a.html", "--bearings", "relative", "--reference-bearing", "3"), "for relative bearings"),
    ],
)  # fmt: skip
def test_faults_in_one_line(tmp_path, monkeypatch, arguments, sentence):
    monkeypatch.chdir(tmp_path)
    result = sheet(*arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
