"""The schema of the site file: the reader, the key reference and the JSON schema say the same of every key."""

import datetime as dt
import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from skysill.cli.command_list import COMMANDS
from skysill.cli.group import main
from skysill.errors import InputError
from skysill.io.obstacle_schema import KINDS_BY_SHAPE
from skysill.io.site_file import read_site_file
from skysill.io.site_reference import json_schema, reference_page, rows, tables, toml_text
from skysill.io.site_schema import parse_site_file
from skysill.io.site_values import ListOf, Number, OneOrList

ROOT = Path(__file__).parents[2]
PAGE, SCHEMA_FILE = ROOT / "docs" / "site-file.md", ROOT / "docs" / "site-file.schema.json"
DEMO = sorted(set((ROOT / "demo_terrain").glob("*.toml")) - {ROOT / "demo_terrain" / "clinic_as_built.toml"})
PLACE = 'position = "58.0312 N 24.6541 W"\n'

KEYS = [(heading, row) for heading, holder, table in tables() for row in rows(table, holder)]
NAMES = [f"{heading} {row.name}".strip() for heading, row in KEYS]


@pytest.fixture
def site(tmp_path):
    def write(text):
        path = tmp_path / "site.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def example_tables():
    """Each table as text with nothing but its required keys."""
    needed = {
        heading: [row for row in rows(table, holder) if row.required] for heading, holder, table in tables()
    }
    return {
        heading: "".join(f"{row.name} = {toml_text(row.about.example)}\n" for row in found)
        for heading, found in needed.items()
    }


REQUIRED = example_tables()


def file_with(heading, name, value):
    """A site file with one key set in one table, and else only what is required."""
    if not heading:
        return f"{name} = {value}\n" if name == "position" else f"{name} = {value}\n{PLACE}"
    needed = "".join(line for line in REQUIRED[heading].splitlines(True) if not line.startswith(f"{name} ="))
    return f"{PLACE}{heading}\n{needed}{name} = {value}\n"


# --- the page ----------------------------------------------------------------------------------------------------


def test_the_page_and_the_schema_file_are_what_the_schema_says():
    made_by = "python -m skysill.io.site_reference > docs/site-file.md"
    assert PAGE.read_text(encoding="utf-8") == reference_page(), made_by
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json_schema(), (
        "skysill site schema > docs/..."
    )


def test_the_command_prints_the_stored_schema_to_the_byte():
    assert CliRunner().invoke(main, ["site", "schema"]).stdout == SCHEMA_FILE.read_text(encoding="utf-8")


def keys_on_the_page():
    """heading -> keys, read from the page's own text."""
    found = {}
    for part in re.split(r"^## ", PAGE.read_text(encoding="utf-8"), flags=re.M)[1:]:
        title = part.splitlines()[0].strip("`")
        found["" if title == "Top of the file" else title] = re.findall(r"^\| `(\w+)` \|", part, re.M)
    return found


def keys_the_reader_knows(site, heading):
    """The reader's own list, which it gives when a key is unlike any that it knows."""
    text = f"{PLACE}{heading}\n{REQUIRED[heading]}" if heading else PLACE
    with pytest.raises(InputError) as caught:
        parse_site_file(site(text + "qqqqqqqq = 1\n"))
    return re.search(r"Known are (.*)\.$", str(caught.value))[1].split(", ")


@pytest.mark.parametrize("heading", list(REQUIRED))
def test_the_page_has_every_key_that_the_reader_accepts_and_no_other(site, heading):
    page = keys_on_the_page()
    known = keys_the_reader_knows(site, heading)
    if not heading:
        below = {re.sub(r"\W", "", title) for title in page if title}
        assert below <= set(known), "a table on the page that the reader does not know"
        known = [name for name in known if name not in below]
    assert page[heading] == known


def test_every_command_named_on_the_page_exists():
    for _, row in KEYS:
        assert row.commands, row.name
        assert set(row.commands) <= set(COMMANDS) - {"screen", "heights", "site"}, row.name


def test_the_kinds_of_obstacles_on_the_page_are_those_that_are_read():
    [meaning] = [
        row.about.meaning for heading, row in KEYS if (heading, row.name) == ("[[obstacle]]", "kind")
    ]
    told = [set(re.split(r", ", part)) for part in re.findall(r": ([a-z, ]+)\.", meaning)]
    assert told == [KINDS_BY_SHAPE[shape] for shape in ("point", "line", "area")]


# --- each key ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("heading", "row"), KEYS, ids=NAMES)
def test_the_example_of_a_key_is_accepted(site, heading, row):
    parse_site_file(site(file_with(heading, row.name, toml_text(row.about.example))))


def number_of(value):
    """The number inside a value, and how a test writes it."""
    if isinstance(value, Number):
        return value, "{}"
    if isinstance(value, ListOf | OneOrList) and isinstance(value.item, Number):
        return value.item, "[{}]"
    return None, ""


ENDS = [
    (heading, row.name, shape, end, bound == "exclusiveMinimum", outward)
    for heading, row in KEYS
    for number, shape in [number_of(row.about.value)]
    if number is not None and getattr(row.about.value, "most", None) not in (2, 3)
    for bound, outward in (("minimum", -1.0), ("exclusiveMinimum", -1.0), ("maximum", 1.0))
    for end in [number.json_schema().get(bound)]
    if end is not None and not (bound == "minimum" and "exclusiveMinimum" in number.json_schema())
]

MORE = {
    "[[obstacle]]": {
        "": 'kind = "pole"\neast_m = 5.0\nheight_m = 40.0\n',
        "crown_radius_m": 'kind = "tree"\neast_m = 99.0\nheight_m = 40.0\n',
        "inclination_deg": 'kind = "pole"\neast_m = 5.0\n',
        "trimmed_to_height_m": 'kind = "tree"\neast_m = 5.0\nheight_m = 40.0\n',
        "voltage_kv": 'kind = "wire"\nline = [[-20, 9], [20, 9]]\nheight_m = 20.0\n',
    },
    "[roof]": {"": 'shape = "gabled"\neaves_height_m = 2.0\nridge_height_m = 4.0\n'},
}
"""What a key needs beside it to reach the data class that checks its range."""


def refused_at(path):
    """Where a file is refused, "" where it is read: something else may be missing from it."""
    try:
        read_site_file(path)
    except InputError as fault:
        return fault.where
    return ""


@pytest.mark.parametrize(("heading", "name", "shape", "end", "open_end", "outward"), ENDS)
def test_a_range_holds_at_its_ends_and_not_beyond(site, heading, name, shape, end, open_end, outward):
    """The stated ends are those that the reader and the data classes hold to."""
    more = MORE.get(heading, {}).get(name, MORE.get(heading, {}).get("", ""))
    more = re.sub(rf"^{name} = .*\n", "", more, flags=re.M)

    def text(value):
        return file_with(heading, name, shape.format(repr(value))) + more

    beyond = end if open_end else end + outward * max(abs(end) * 1e-6, 1e-6)
    with pytest.raises(InputError):
        read_site_file(site(text(beyond)))
    assert not refused_at(site(text(end + 1e-6 if open_end else end))).endswith(f", {name}")


# --- the JSON schema ---------------------------------------------------------------------------------------------

VALIDATOR = jsonschema.Draft202012Validator(json_schema())


def as_json(value):
    """A TOML document as editors hand it to a validator: dates as text."""
    return json.loads(json.dumps(value, default=dt.date.isoformat))


def test_the_schema_is_one_of_draft_2020_12():
    """Checked against the meta-schema that the published draft brings."""
    jsonschema.Draft202012Validator.check_schema(json_schema())


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.stem)
def test_every_demo_file_is_valid(path):
    assert list(VALIDATOR.iter_errors(as_json(tomllib.loads(path.read_text(encoding="utf-8"))))) == []


@pytest.mark.parametrize(("heading", "row"), KEYS, ids=NAMES)
def test_the_example_of_a_key_is_valid_and_a_value_of_another_type_is_not(heading, row):
    right = as_json(tomllib.loads(file_with(heading, row.name, toml_text(row.about.example))))
    assert list(VALIDATOR.iter_errors(right)) == []
    wrong = as_json(tomllib.loads(file_with(heading, row.name, '{ a = "b" }')))
    assert list(VALIDATOR.iter_errors(wrong))


FAULTY = [
    "name = 'x'\n",
    'postion = "58 N 24 W"\n',
    PLACE + "[terminal]\ndish_diametre_m = 1.2\n",
    PLACE + "[terminal]\ndish_diameter_m = '1.2'\n",
    PLACE + "[terminal]\ndish_diameter_m = 120\n",
    PLACE + "[terminal]\ntransmit_power_w = 0\n",
    PLACE + "[survey]\nbearings = 'compass'\n",
    PLACE + "[survey]\nmax_gap_deg = 0\n",
    PLACE + "[[landmarks]]\nname = 'x'\n",
    PLACE + "[[mounts]]\nheight_m = 201\n",
    PLACE + "[[mounts]]\nheights_m = []\n",
    PLACE + "[mounts]\nheight_m = 1\n",
    PLACE + "terminal = 3\n",
    PLACE + "[roof]\noutline = [[0,0],[1,0]]\n",
    PLACE + "[roof]\noutline = [[0,0],[1,0],[1,0,3]]\n",
    PLACE + "[obstacles]\ncomplete = 'yes'\n",
    PLACE + "[terrain]\nkinds = ['bare', 'forest']\n",
    PLACE + "[criteria]\nmin_p_clear = 1.5\n",
]


@pytest.mark.parametrize("text", FAULTY)
def test_reader_and_schema_both_refuse(site, text):
    with pytest.raises(InputError):
        read_site_file(site(text))
    assert list(VALIDATOR.iter_errors(as_json(tomllib.loads(text))))
