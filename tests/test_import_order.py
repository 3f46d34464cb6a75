"""Every module imports only from modules above it, and heavy libraries are imported in one place each."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import skysill

PACKAGE = Path(skysill.__file__).parent

ARCHITECTURE = Path(__file__).parents[1] / "docs" / "architecture.md"
MODULES = [
    name
    for name in re.findall(r"^\| ([a-z_.]+) \| ", ARCHITECTURE.read_text(encoding="utf-8"), re.M)
    if name != "module"
]
"""All modules in the order of the architecture document: a module may use those before it."""

HEAVY = {
    "rasterio": ("io.raster_open", "io.raster_windows", "io.rasters", "io.least_height_rasters"),
    "laspy": ("io.point_headers",),
    "lazrs": ("io.laz_chunks", "io.point_headers"),
    "scipy": ("extraction.",),
    "pyogrio": ("io.vector_files",),
    "numba": ("bulk.compiled.jit",),
    "matplotlib": ("plots.",),
    "click": ("cli.",),
    "jinja2": ("report.", "web.pages"),
    "starlette": ("web.",),
    "uvicorn": ("web.server",),
    "tomlkit": ("io.site_edits", "io.as_built_edits"),
    "pygeomag": ("pointing.compass",),
    "sgp4": ("pointing.orbits",),
    "erfa": ("pointing.orbits", "pointing.ephemeris"),
}
"""Libraries and the only modules that may import them."""


def modules() -> list[str]:
    paths = [path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py"]
    return sorted(".".join(path.relative_to(PACKAGE).with_suffix("").parts) for path in paths)


def imports(module: str) -> list[tuple[str, list[str]]]:
    """(module, names) of every import of a module, those inside functions too."""
    tree = ast.parse(PACKAGE.joinpath(*module.split(".")).with_suffix(".py").read_text(encoding="utf-8"))
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} has a relative import"
            found.append((node.module or "", [alias.name for alias in node.names]))
        elif isinstance(node, ast.Import):
            found.extend((alias.name, []) for alias in node.names)
    return found


def used_modules(module: str) -> set[str]:
    used = set()
    for imported, names in imports(module):
        if imported == "skysill":
            used |= set(names) - {"__version__"}
        elif imported.startswith("skysill."):
            used.add(imported.removeprefix("skysill."))
    return used


@pytest.mark.parametrize("module", modules())
def test_modules_import_only_from_modules_above(module):
    assert module in MODULES, f"{module} has no row in docs/architecture.md"
    for used in used_modules(module):
        assert used in MODULES, f"{module} uses {used}, which has no row in docs/architecture.md"
        assert MODULES.index(used) < MODULES.index(module), f"{module} imports from below: {used}"


def test_every_row_of_the_architecture_document_is_a_module():
    assert sorted(MODULES) == modules()


def test_the_sources_of_the_horizon_never_import_each_other():
    sources = {"horizon.measured", "horizon.terrain", "horizon.scene_silhouette"}
    for source in sources:
        assert not used_modules(source) & (sources - {source})


def test_nothing_imports_the_commands_or_the_web_page_but_the_commands():
    for module in modules():
        faces = {used for used in used_modules(module) if used.startswith(("cli.", "web."))}
        assert not faces or module.startswith(("cli.", "web.")), f"{module} uses {faces}"


@pytest.mark.parametrize("module", modules())
def test_heavy_libraries_stay_in_their_modules(module):
    for imported, _ in imports(module):
        allowed = HEAVY.get(imported.partition(".")[0])
        assert allowed is None or module.startswith(allowed), f"{module} imports {imported}"


@pytest.mark.parametrize(
    "module", [module for module in modules() if not module.startswith(("io.", "cli.", "web."))]
)
def test_modules_before_io_open_nothing(module):
    tree = ast.parse(PACKAGE.joinpath(*module.split(".")).with_suffix(".py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            assert name not in {"open", "write_text", "write_bytes"}, (
                f"{module}, line {node.lineno}: {name}()"
            )


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


def test_importing_the_package_loads_nothing_heavy():
    code = "import skysill, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "rasterio", "matplotlib", "click", "scipy", "pyproj"} & set(done.stdout.split())


def test_the_command_list_loads_nothing_heavy():
    loaded = loaded_by("skysill.cli.main", "--help")
    assert "skysill.cli.command_list" in loaded
    assert not {"numpy", "rasterio", "matplotlib", "click", "scipy"} & loaded


@pytest.mark.parametrize("command", ["look", "check", "horizon", "sun"])
def test_the_help_of_a_command_loads_nothing_heavy(command):
    assert not {"numpy", "rasterio", "matplotlib"} & loaded_by("skysill.cli.main", command, "--help")


def test_checking_without_pictures_draws_nothing():
    loaded = loaded_by("skysill.cli.main", "check", "--at", "58.0312 N 24.6541 W", "--satellite", "24W")
    assert "skysill.assessment.pipeline" in loaded
    assert not {"matplotlib", "rasterio", "pyogrio", "jinja2"} & loaded
