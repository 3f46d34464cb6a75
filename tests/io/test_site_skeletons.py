"""Skeletons of a site file are complete, valid and never taken for a real place."""

import json
import re
import tomllib

import jsonschema
import pytest
from click.testing import CliRunner

from skysill.cli.group import main
from skysill.io.site_file import read_site_file
from skysill.io.site_reference import json_schema, rows, tables
from skysill.io.site_schema import parse_site_file
from skysill.io.site_skeletons import INVENTED, KINDS, site_skeleton

MARK = f"# {INVENTED}"
LIVE = re.compile(r"^(\w+) = ")


def run(*words):
    return CliRunner().invoke(main, list(words))


@pytest.fixture
def written(tmp_path):
    def write(kind, *more):
        path = tmp_path / f"{kind}.toml"
        done = run("site", "new", str(path), "--kind", kind, *more)
        assert done.exit_code == 0, done.output
        return path

    return write


@pytest.mark.parametrize("kind", KINDS)
def test_a_skeleton_is_read_and_checked_without_an_error_and_is_never_clear(kind, written):
    path = written(kind)
    assert read_site_file(path).satellites
    done = run("check", str(path), "--json")
    assert done.exit_code == 0, done.output
    assert {result["verdict"] for result in json.loads(done.stdout)["results"]} == {"unknown"}
    assert run("mounts", str(path), "--json").exit_code == 0
    assert run("look", str(path)).exit_code == 0


@pytest.mark.parametrize("kind", KINDS)
def test_every_value_filled_in_is_marked_as_invented(kind):
    lines = site_skeleton(kind).splitlines()
    live = [line for line in lines if LIVE.match(line)]
    assert len(live) > 15
    assert all(line.endswith(MARK) for line in live)


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_is_there_and_may_be_uncommented(kind, tmp_path):
    """With each # before a key or heading taken away, the file has all keys of the schema, and is accepted."""
    text = re.sub(r"^#(?=\w|\[)", "", site_skeleton(kind), flags=re.M)
    (tmp_path / "all.toml").write_text(text)
    parse_site_file(tmp_path / "all.toml")
    found = tomllib.loads(text)
    jsonschema.Draft202012Validator(json_schema()).validate(json.loads(json.dumps(found, default=str)))
    for heading, holder, table in tables():
        there = found if not heading else found[heading.strip("[]")]
        there = there[0] if isinstance(there, list) else there
        assert {row.name for row in rows(table, holder)} <= set(there), heading


@pytest.mark.parametrize("kind", KINDS)
def test_every_comment_is_prose_or_a_key(kind):
    for line in site_skeleton(kind).splitlines():
        assert len(line) <= 160
        assert not line.startswith("#") or re.match(r"# \S|#\w+ = |#\[", line), line


def test_a_position_replaces_the_invented_one_and_loses_its_mark(written):
    path = written("house", "--at", "58°01'10.1\"N 24°40'11.5\"W")
    [line] = [line for line in path.read_text().splitlines() if line.startswith("position")]
    assert MARK not in line
    site = read_site_file(path).site
    assert (site.latitude_deg, site.longitude_deg) == pytest.approx(
        (58.019472, -24.669861), abs=1e-6
    )  # by hand


def test_nothing_is_overwritten(written):
    path = written("farm")
    path.write_text("mine")
    done = run("site", "new", str(path))
    assert done.exit_code == 2
    assert done.stderr == f"skysill: {path}: exists already, and nothing is overwritten. Give another name.\n"
    assert path.read_text() == "mine"


def test_a_link_that_leads_nowhere_is_not_written_through(tmp_path):
    (tmp_path / "link.toml").symlink_to(tmp_path / "elsewhere.toml")
    assert run("site", "new", str(tmp_path / "link.toml")).exit_code == 2
    assert not (tmp_path / "elsewhere.toml").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--kind", "castle"], "'castle' is not one of 'house', 'farm', 'mast'"),
        (["--at", "58.0312"], "--at: "),
    ],
)
def test_wrong_words_write_nothing(words, sentence, tmp_path):
    done = run("site", "new", str(tmp_path / "a.toml"), *words)
    assert done.exit_code == 2
    assert sentence in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_told(tmp_path):
    done = run("site", "new", str(tmp_path / "none" / "a.toml"))
    assert done.exit_code == 2
    assert "does not exist. Make it first." in done.stderr


def test_json_says_what_was_written(tmp_path):
    path = tmp_path / "m.toml"
    done = run("site", "new", str(path), "--kind", "mast", "--json")
    told = json.loads(done.stdout)
    assert told == {"file": str(path), "kind": "mast", "invented": path.read_text().count(MARK)}
