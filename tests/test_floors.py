"""Who may import whom: every room only from rooms above it, and heavy things in one room each."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import skysill

HOUSE = Path(skysill.__file__).parent

# fmt: off
ROOMS = [
    "errors", "units", "angles", "elements", "pluscodes", "grids", "positions", "default_errors", "site", "fresnel",
    "compass", "orbits",
    "look", "ephemeris", "sun", "horizon.silhouette", "horizon.measured", "horizon.lattice",
    "horizon.vegetation",
    "horizon.rays", "horizon.march", "horizon.terrain", "horizon.sharpness", "horizon.shapes", "horizon.outline",
    "horizon.features", "foliage", "horizon.obstacles", "job", "roof_forms", "roofs", "cables", "spots",
    "standing", "clearance", "carried",
    "sampling", "confidence",
    "verdict", "overhead", "exposure", "cautions", "placement", "stations", "gather", "growth", "unseen",
    "assess",
    "tapes", "trials", "raising", "moving", "trimming",
    "remedies", "allowed",
    "ground_profiles", "mast_search", "mast_certainty", "mast_choice", "mount_rows", "mounts",
    "aiming", "rain", "fan", "nearness", "doubts",
    "descent", "outlook", "edges", "crests", "depths", "nearest", "draws", "sweep",
    "address_error", "screen", "heights", "cluster",
    "files.plain", "files.outputs", "files.text", "files.records", "files.parts",
    "files.rasterchecks", "files.rasteropen",
    "files.rasters",
    "files.tables", "files.features", "files.geojson", "files.vectorfiles",
    "files.vectors", "files.door", "files.bearings", "files.scenes", "files.sitefile",
    "files.asked", "files.fingerprints", "files.asbuilt", "files.photos", "files.delimited",
    "files.addresses", "files.answers",
    "files.screening", "files.heightmaps", "files.papers", "views.ink", "views.labels", "views.captions",
    "views.skyline", "views.sky", "views.strip", "views.upright", "views.path", "views.tilt", "views.plan",
    "views.sun", "views.summary", "report.built", "report.record", "report.pictures",
    "report.sheet_rows", "report.revisit", "report.sheet", "report.words", "report.satellite_page", "report.built_page",
    "report.record_page", "report.sheet_page", "report.html", "report.pdf_builder", "report.record_pdf",
    "report.sheet_pdf", "cli.listing", "cli.options", "cli.pace",
    "cli.look", "cli.horizon", "cli.check", "cli.mounts", "cli.screen", "cli.heights", "cli.sun",
    "cli.sheet", "cli.report", "cli.serve", "cli.group", "cli.main", "cli.handbook",
]
# fmt: on
"""The house from the ground up: a room may use those that stand before it."""

HEAVY = {
    "rasterio": ("files.rasteropen", "files.rasters", "files.heightmaps"),
    "pyogrio": ("files.vectorfiles",),
    "matplotlib": ("views.",),
    "click": ("cli.",),
    "jinja2": ("report.",),
    "pygeomag": ("compass",),
    "sgp4": ("orbits",),
    "erfa": ("orbits", "ephemeris"),
}
"""Outside things and the only rooms that may import them."""


def rooms() -> list[str]:
    paths = [path for path in HOUSE.rglob("*.py") if path.name != "__init__.py"]
    return sorted(".".join(path.relative_to(HOUSE).with_suffix("").parts) for path in paths)


def imports(room: str) -> list[tuple[str, list[str]]]:
    """(module, names) of every import of a room, those inside functions too."""
    tree = ast.parse(HOUSE.joinpath(*room.split(".")).with_suffix(".py").read_text(encoding="utf-8"))
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{room} has a relative import"
            found.append((node.module or "", [alias.name for alias in node.names]))
        elif isinstance(node, ast.Import):
            found.extend((alias.name, []) for alias in node.names)
    return found


def used_rooms(room: str) -> set[str]:
    used = set()
    for module, names in imports(room):
        if module == "skysill":
            used |= set(names) - {"__version__"}
        elif module.startswith("skysill."):
            used.add(module.removeprefix("skysill."))
    return used


@pytest.mark.parametrize("room", rooms())
def test_rooms_import_only_from_rooms_above(room):
    assert room in ROOMS, f"{room} has no place in the house yet"
    for used in used_rooms(room):
        assert used in ROOMS, f"{room} uses {used}, which has no place in the house"
        assert ROOMS.index(used) < ROOMS.index(room), f"{room} reaches down to {used}"


def test_the_sources_of_the_horizon_never_import_each_other():
    sources = {"horizon.measured", "horizon.terrain", "horizon.obstacles"}
    for source in sources:
        assert not used_rooms(source) & (sources - {source})


def test_nothing_imports_the_commands_or_the_web_page_but_the_commands():
    for room in rooms():
        faces = {used for used in used_rooms(room) if used.startswith(("cli.", "web."))}
        assert not faces or room.startswith(("cli.", "web.")), f"{room} uses {faces}"


@pytest.mark.parametrize("room", rooms())
def test_heavy_things_stay_in_their_rooms(room):
    for module, _ in imports(room):
        allowed = HEAVY.get(module.partition(".")[0])
        assert allowed is None or room.startswith(allowed), f"{room} imports {module}"


@pytest.mark.parametrize(
    "room", [room for room in rooms() if not room.startswith(("files.", "cli.", "web."))]
)
def test_rooms_above_the_files_open_nothing(room):
    tree = ast.parse(HOUSE.joinpath(*room.split(".")).with_suffix(".py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            assert name not in {"open", "write_text", "write_bytes"}, f"{room}, line {node.lineno}: {name}()"


def loaded_by(*command: str) -> set[str]:
    probe = (
        "import sys, runpy\n"
        "sys.argv = sys.argv[1:]\n"
        "try: runpy.run_module(sys.argv[0], run_name='__main__')\n"
        "except SystemExit: pass\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", probe, *command], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_importing_the_shelf_loads_nothing_heavy():
    code = "import skysill, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "rasterio", "matplotlib", "click", "scipy", "pyproj"} & set(done.stdout.split())


def test_the_listing_loads_nothing_heavy():
    loaded = loaded_by("skysill.cli.main", "--help")
    assert "skysill.cli.listing" in loaded
    assert not {"numpy", "rasterio", "matplotlib", "click", "scipy"} & loaded


@pytest.mark.parametrize("command", ["look", "check", "horizon", "sun"])
def test_the_help_of_a_command_loads_nothing_heavy(command):
    assert not {"numpy", "rasterio", "matplotlib"} & loaded_by("skysill.cli.main", command, "--help")


def test_checking_without_pictures_draws_nothing():
    loaded = loaded_by("skysill.cli.main", "check", "--at", "58.0312 N 24.6541 W", "--satellite", "24W")
    assert "skysill.assess" in loaded
    assert not {"matplotlib", "rasterio", "pyogrio", "jinja2"} & loaded


def test_everything_on_the_shelf_is_public_in_its_room():
    from importlib import import_module

    for name, room in skysill._SHELF.items():
        module = import_module(f"skysill.{room}")
        assert name in module.__all__, f"{name} is not public in {room}"
        assert getattr(skysill, name) is getattr(module, name)
    assert set(skysill.__all__) == {*skysill._SHELF, "__version__"}
    assert set(skysill.__all__) <= set(dir(skysill))


def test_the_version_is_that_of_the_installed_package():
    from importlib.metadata import version

    assert skysill.__version__ == version("skysill")


def test_the_shelf_has_nothing_else():
    with pytest.raises(AttributeError, match="skysill has no such_thing"):
        skysill.such_thing  # noqa: B018  # the asking is the test
