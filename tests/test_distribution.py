"""What is distributed: no package without content, and bounds in one form, so that each can be tried as the lowest."""

import re
import tomllib
from pathlib import Path

import skysill

ROOT = Path(__file__).parents[1]
SOURCE = Path(skysill.__file__).parent


def test_every_package_holds_a_module_of_its_own():
    packages = [init.parent for init in SOURCE.rglob("__init__.py")]
    assert len(packages) > 3
    for package in packages:
        assert [path for path in package.glob("*.py") if path.name != "__init__.py"], f"{package} is empty"


def test_every_dependency_names_its_lowest_version():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [one for extra in project["optional-dependencies"].values() for one in extra]
    for wanted in (*project["dependencies"], *extras):
        assert re.fullmatch(r"[a-z0-9-]+(\[[a-z,]+\])?>=\d+(\.\d+)*", wanted), wanted
