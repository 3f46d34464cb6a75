"""skysill card: what it writes, what it refuses, and its masts tried again with `check` on an invented pump house."""

import json
import re
from html import unescape
from math import atan, degrees, radians, sin, tan
from pathlib import Path

import pytest
from click.testing import CliRunner
from pytest import approx

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
SITE = """
name = "Marrow Point pump house"
position = "33.5210 S 18.9900 E"
ground_elevation_m = 20.0
[terminal]
dish_diameter_m = 0.9
receive_ghz = 11.7
[[satellites]]
name = "Invented North"
longitude = "19.5 E"
[terrain]
highest_ground_m = 60
[survey]
horizon = "readings.csv"
[[obstacle]]
kind = "building"
name = "tank house"
outline = [[-30, 9], [30, 9], [30, 14], [-30, 14]]
height_m = 15.0
[obstacles]
complete = true
[roof]
outline = [[-5, -4], [5, -4], [5, 4], [-5, 4]]
surface = [[-5, -4, 24.0], [5, -4, 24.0], [5, 4, 24.0], [-5, 4, 24.0]]
edge_setback_m = 1.0
"""


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def site(tmp_path):
    rows = [f"{azimuth},1.0,far" for azimuth in range(0, 360, 4)]
    (tmp_path / "readings.csv").write_text("azimuth_deg,elevation_deg,distance_m\n" + "\n".join(rows) + "\n")
    (tmp_path / "site.toml").write_text(SITE)
    return tmp_path / "site.toml"


def stated(page: str) -> list[tuple[str, float, float, float]]:
    """What the page itself says: verdict, east, north, mast of every spot."""
    found = []
    for answer in re.findall(r'<details class="answer .*?</details>', page, re.DOTALL):
        words = unescape(re.sub(r"<[^>]+>", " ", answer))
        verdict = re.search(r"\b(CLEAR|MARGINAL|BLOCKED|NEEDS SURVEY|UNKNOWN)\b", words)
        mast = re.search(r"mast (?:of )?([\d.]+) m", words)
        place = re.search(r"([\d.]+) m (east|west), ([\d.]+) m (north|south)", words)
        east = float(place[1]) * (1 if place[2] == "east" else -1)
        north = float(place[3]) * (1 if place[4] == "north" else -1)
        found.append((verdict[1].lower(), east, north, float(mast[1])))
    return found


def checked(site: Path, east: float, north: float, height: float) -> dict:
    """The same mast typed into the site file as a mount, and `check`ed."""
    mount = f'\n[[mounts]]\nname = "again"\neast_m = {east}\nnorth_m = {north}\nsurface_elevation_m = 24.0\n'
    again = site.with_name("again.toml")
    again.write_text(SITE + mount + f"height_m = {height}\n")
    result = run("check", again, "--json", "--quiet")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)["results"][0]


def test_the_masts_on_the_card_have_the_verdict_it_states_when_they_are_checked(site, tmp_path):
    result = run("card", site, "--out", tmp_path / "card.html", "--grid", 3, "--day", "2026-06-15")
    assert result.exit_code == 0, result.stderr
    answers = stated((tmp_path / "card.html").read_text(encoding="utf-8"))
    assert len(answers) == 9
    masts = {height for _, _, _, height in answers}
    assert len(masts) >= 3  # farther from the tank house, lower
    for verdict, east, north, height in answers[::2]:
        assert checked(site, east, north, height)["verdict"] == verdict == "clear"
        if height > 0.55 + 1e-9:
            assert checked(site, east, north, height - 0.05)["verdict"] != "clear"


def test_it_says_what_it_wrote_and_json_has_every_answer(site, tmp_path):
    out = tmp_path / "card.html"
    asked = ["card", site, "--out", out, "--grid", 4, "--day", "2026-06-15", "--weeks", 1]
    result = run(*asked)
    lines = result.stdout.splitlines()
    assert re.fullmatch(r"Invented North: spot 0\.0 E 0\.0 N, mast \d\.\d\d m: clear", lines[0]), lines[0]
    assert lines[-1] == f"{out}: card of Marrow Point pump house, 3 places, 1 satellite."
    document = json.loads(run(*asked, "--json", "--quiet").stdout)
    assert [len(place["answers"]) for place in document["places"]] == [1, 1, 1]
    answer = document["places"][0]["answers"][0]
    wanted = {"verdict", "height_m", "least_height_m", "margin_deg", "controlling", "cable_run_m", "cautions"}
    assert wanted <= set(answer)
    assert answer["cable_run_m"] is None
    assert [day["date"] for day in document["satellites"][0]["days"]][::6] == ["2026-06-15", "2026-06-21"]
    # azimuth by hand, the satellite 0.51 degrees farther east (Soler and Eisemann 1994, on a sphere)
    azimuth_deg = degrees(atan(tan(radians(0.51)) / sin(radians(33.521))))
    assert document["satellites"][0]["look"]["azimuth_deg"] == approx(azimuth_deg, abs=0.02)


def test_without_a_roof_the_named_mounts_are_on_it(tmp_path):
    out = tmp_path / "card.html"
    result = run(
        "card",
        DEMO / "farm.toml",
        "--satellite",
        "Demo South",
        "--out",
        out,
        "--day",
        "2026-06-15",
        "--weeks",
        1,
    )
    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[0] == "Demo South: barn gable, mast 2.50 m: needs-survey"
    assert "NEEDS SURVEY" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--out", "card.pdf"], "skysill: card.pdf: a card is written as HTML. End the name in .html."),
        (
            ["--out", "nowhere/card.html"],
            'skysill: nowhere/card.html: the folder "nowhere" does not exist. Make it first.',
        ),
        (["--out", "card.html", "--zone", "Atlantis"], 'skysill: --zone: "Atlantis" is not a time zone.'),
        (
            ["--out", "card.html", "--grid", "0.1"],
            "skysill: --grid: a 0.1 m grid has 4,941 spots; 400 at most",
        ),
        (
            ["--out", "card.html", "--weeks", "99"],
            "skysill: Invalid value for '--weeks': 99 is not in the range",
        ),
        (
            ["--out", "card.html", "--day", "soon"],
            "skysill: Invalid value for '--day': \"soon\" is not a date.",
        ),
        ([], "skysill: Missing option '--out'."),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_line(site, monkeypatch, more, sentence):
    monkeypatch.chdir(site.parent)
    before = sorted(site.parent.iterdir())
    result = run("card", "site.toml", *more)
    assert result.exit_code == 2
    assert result.stderr.startswith(sentence), result.stderr
    assert result.stderr.count("\n") == 1
    assert sorted(site.parent.iterdir()) == before


def test_it_is_not_written_over_what_is_read(site, monkeypatch):
    monkeypatch.chdir(site.parent)
    (site.parent / "linked.html").symlink_to("readings.csv")
    result = run("card", "site.toml", "--out", "linked.html")
    assert result.exit_code == 2
    assert "would be written over readings.csv, which is read." in result.stderr


def test_a_grid_needs_a_roof(tmp_path):
    result = run("card", DEMO / "farm.toml", "--out", tmp_path / "card.html", "--grid", 1)
    assert result.exit_code == 2
    assert result.stderr == "skysill: --grid: there is no roof to search. Describe it under [roof].\n"
