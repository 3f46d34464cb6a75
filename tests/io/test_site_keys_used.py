"""The commands that the key reference names for a key are those that read the field made from it.

Each command runs once on one site file, while the fields of the data classes that other code reads are noted. Copying,
comparing and printing a whole data class, and reading the site file, do not count as use.
"""

import shutil
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main
from skysill.io.site_reference import rows, tables
from skysill.model.default_errors import RasterFacts
from skysill.model.job import Job, Sources
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    MastKit,
    Mount,
    Roof,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import (
    Landmark,
    Station,
    SunSighting,
    Survey,
)

ROOT = Path(__file__).parents[2]
READERS = (
    "<string>",
    "dataclasses.py",
    "json_text.py",
    "sources.py",
    "site_obstacles.py",
    "job_options.py",
    "jobs.py",
)
SITE_READERS = ("site_file.py", "site_bearings.py", "survey_tables.py")
READERS_OF_ROOFS = ("roof_surface.py",)  # the reader itself asks whether a roof's surface is determined

MORE = """
[[stations]]
name = "yard"
east_m = 6.0
north_m = 4.0
[[sun_sightings]]
time = 2026-06-14T10:20:00Z
shadow_bearing_deg = 303.0
[[obstacle]]
kind = "tree"
name = "rowan"
bearing_deg = 190.0
distance_m = 20.0
height_m = 18.0
crown_radius_m = 2.0
growth_m_per_year = 0.3
max_height_m = 22.0
deciduous = true
[[obstacle]]
kind = "wire"
name = "feed"
line = [[-20.0, 9.0, 49.0], [25.0, 9.0, 49.0]]
voltage_kv = 0.4
[[mast_kits]]
name = "tripod"
heights_m = [0.9, 1.5]
[[mast_kits]]
name = "bracket"
heights_m = [0.5]
stand_off_m = 0.4
[property_boundary]
outline = [[-20, -20], [30, -20], [30, 40], [-20, 40]]
[criteria]
"""

COMMANDS = {
    "look": ["look", "site.toml"],
    "horizon": ["horizon", "site.toml"],
    "check": ["check", "site.toml", "--satellite", "Demo South"],
    "mounts": ["mounts", "site.toml", "--satellite", "Demo South", "--grid", "4", "--keep", "1"],
    "sun": ["sun", "site.toml", "--date", "2026-10-10"],
    "sheet": ["sheet", "site.toml", "--out", "s.html"],
    "report": ["report", "site.toml", "--satellite", "Demo South", "--out", "r.html"],
}

FIELD_OF = {
    "": (Site, {"ground_elevation_m": "ground_elevation_m", "name": "name"}),
    "[terminal]": (Terminal, {}),
    "[[satellites]]": (Satellite, {"longitude": "longitude_deg"}),
    "[[mounts]]": (Mount, {}),
    "[terrain]": (RasterFacts, {"date": "survey_year"}),
    "[survey]": (Survey, {}),
    "[[stations]]": (Station, {}),
    "[[landmarks]]": (Landmark, {"position": "latitude_deg"}),
    "[[sun_sightings]]": (SunSighting, {"time": "time_utc"}),
    "[obstacles]": (Scene, {"file": "obstacles"}),
    "[[obstacle]]": (
        Obstacle,
        {"crown_base_height_m": "crown_base_m", "height_error_m": "errors", "along_error_m": "errors",
         "across_error_m": "errors", "trimmed_to_height_m": "cut_m", "sag_m": "line_m",
         "outline": "areas_m", "line": "line_m"},
    ),
    "[roof]": (Roof, {}),
    "[[mast_kits]]": (MastKit, {}),
    "[property_boundary]": (Job, {"outline": "property_boundary"}),
    "[criteria]": (Criteria, {}),
}  # fmt: skip
"""The data class made from a table, and its fields of another name than the key's."""

NOT_SEEN = {
    ("[survey]", "reference_bearing_deg"): "turned into azimuths while the file is read",
    **{("[roof]", name): "the reader asks for the surface too" for name in ("outline", "surface", "facets")},
    **{("[roof]", f"{what}_error_m"): "the own roof carries them" for what in ("height", "position")},
    ("[survey]", "date"): "look reads the job's date, which is made from it",
    **{
        ("[survey]", f"{what}_instrument"): "turned into an error by the reader"
        for what in ("bearing", "inclination")
    },
    **{
        ("[survey]", f"{what}_method"): "turned into an error by the reader"
        for what in ("distance", "position")
    },
    ("[[stations]]", "reference_bearing_deg"): "the demo's bearings are magnetic",
    ("[[mounts]]", "name"): "shown beside other mounts only",
    ("[[mounts]]", "surface_height_m"): "look and sun read the elevation made from it",
    ("[terrain]", "growth_m_per_year"): "the demo's surface raster has none",
}


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """(data class, field) -> the commands that read it."""
    folder = tmp_path_factory.mktemp("used")
    shutil.copytree(ROOT / "demo_terrain", folder, dirs_exist_ok=True)
    text = (folder / "clinic.toml").read_text(encoding="utf-8")
    assert text.count("[criteria]") == 1
    (folder / "site.toml").write_text(text.replace("[criteria]", MORE), encoding="utf-8")
    found, running = {}, [""]
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for made in {made for made, _ in FIELD_OF.values()} | {Sources}:
            _watch(patch, made, found, running)
        for name, words in COMMANDS.items():
            running[0] = name
            done = CliRunner().invoke(main, words)
            running[0] = ""
            assert done.exit_code == 0, done.output
    return found


def _watch(patch, made, found, running):
    names, plainly = set(made.__dataclass_fields__), made.__getattribute__

    def watched(self, name):
        if running[0] and name in names:
            frame = sys._getframe(1)
            by_reader = (
                frame.f_code.co_filename.endswith((*READERS, *SITE_READERS))
                or frame.f_code.co_name == "__post_init__"
            )
            of_roof = made is Roof and frame.f_code.co_filename.endswith(READERS_OF_ROOFS)
            if not (by_reader or of_roof):
                found.setdefault((made, name), set()).add(running[0])
        return plainly(self, name)

    patch.setattr(made, "__getattribute__", watched)


ROWS = [(heading, row) for heading, holder, table in tables() for row in rows(table, holder)]


@pytest.mark.slow
def test_the_commands_named_for_a_key_are_those_that_read_it(seen):
    wrong, compared = {}, 0
    for heading, row in ROWS:
        made, others = FIELD_OF[heading]
        name = others.get(row.name, row.name)
        if heading == "[terrain]" and row.name == "highest_ground_m":
            made = Sources
        if name not in made.__dataclass_fields__ or (heading, row.name) in NOT_SEEN:
            continue
        compared += 1
        if set(row.commands) != seen.get((made, name), set()):
            wrong[f"{heading} {row.name}"] = (sorted(row.commands), sorted(seen.get((made, name), set())))
    assert not wrong, "\n".join(
        f"{key}: named {named}, read by {read}" for key, (named, read) in wrong.items()
    )
    assert compared > 65
