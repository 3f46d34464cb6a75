"""The public API: typed, loaded when it is asked for, documented, with examples that run.

    python tests/test_public_api.py

writes the outputs in docs/api/README.md again.
"""

from __future__ import annotations

import ast
import contextlib
import doctest
import inspect
import io
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from importlib import import_module
from pathlib import Path

import pytest
from click.testing import CliRunner

import skysill

ROOT = Path(__file__).resolve().parents[1]
GUIDE = ROOT / "docs" / "api" / "README.md"
BLOCK = re.compile(r"```python\n(?P<code>.*?)```\n\n```text\n(?P<printed>.*?)```", re.S)
NAMES = sorted(set(skysill.__all__) - {"__version__"})
FUNCTIONS = [name for name in NAMES if inspect.isfunction(getattr(skysill, name))]
CLASSES = [name for name in NAMES if inspect.isclass(getattr(skysill, name))]


# --- names and types ------------------------------------------------------------------------------------------------


def typed_names() -> dict[str, str]:
    """Public name to the module it is imported from for type checkers."""
    tree = ast.parse(Path(skysill.__file__).read_text(encoding="utf-8"))
    [block] = [
        node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
    ]
    found = {}
    for node in block.body:
        if isinstance(node, ast.ImportFrom):
            for alias in node.names:
                assert alias.name == alias.asname, f"{alias.name} is not re-exported"
                found[alias.name] = str(node.module)
    return found


def test_type_checkers_and_the_run_time_import_the_same_names():
    assert typed_names() == {name: f"skysill.{module}" for name, module in skysill._MODULE_OF.items()}
    assert set(skysill.__all__) == {*typed_names(), "__version__"}


def test_every_public_name_is_public_in_its_module():
    for name, module_name in skysill._MODULE_OF.items():
        module = import_module(f"skysill.{module_name}")
        assert name in module.__all__, f"{name} is not public in {module_name}"
        assert getattr(skysill, name) is getattr(module, name)
    assert set(skysill.__all__) <= set(dir(skysill))


def test_no_public_name_is_that_of_a_package():
    packages = {path.stem for path in Path(skysill.__file__).parent.iterdir()}
    assert not packages & set(NAMES), "importing the package would cover the name"


def test_there_are_no_other_public_names():
    with pytest.raises(AttributeError, match="skysill has no such_thing"):
        skysill.such_thing  # noqa: B018  # the asking is the test


def test_the_version_is_that_of_the_installed_package():
    from importlib.metadata import version

    assert skysill.__version__ == version("skysill")


# --- documentation --------------------------------------------------------------------------------------------------


def words(text: str | None) -> set[str]:
    return set(re.findall(r"\w+", text or ""))


@pytest.mark.parametrize("name", NAMES)
def test_every_public_name_is_documented(name):
    thing = getattr(skysill, name)
    if not (inspect.isfunction(thing) or inspect.isclass(thing)):
        return
    text = inspect.getdoc(thing) or ""
    assert re.match(r"[A-Z].*\S", text), f"{name} has no docstring"
    if name in FUNCTIONS:
        parameters = set(inspect.signature(thing).parameters)
    elif is_dataclass(thing):
        parameters = {field.name for field in fields(thing) if not field.name.startswith("_")}
    else:
        return
    assert parameters <= words(text), f"{name} does not describe {sorted(parameters - words(text))}"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_public_function_has_parameters_returns_and_an_example(name):
    thing = getattr(skysill, name)
    text = inspect.getdoc(thing) or ""
    for heading in ("Parameters", "Returns"):
        assert f"{heading}\n{'-' * len(heading)}\n" in text, f"{name} has no section {heading}"
    assert ">>> " in text, f"{name} has no example"


def test_the_data_types_that_a_job_is_made_of_have_an_example():
    for name in CLASSES:
        if getattr(skysill, name).__module__.startswith("skysill.model."):
            assert ">>> " in (inspect.getdoc(getattr(skysill, name)) or ""), f"{name} has no example"


def test_every_example_is_run_with_its_module(request):
    """By pytest itself, as a test named after the module and the name."""
    assert request.config.option.doctestmodules
    assert "src" in request.config.getini("testpaths")
    for name in NAMES:
        thing = getattr(skysill, name)
        if callable(thing) and ">>> " in (thing.__doc__ or ""):
            module = sys.modules[thing.__module__]
            run = {test.name for test in doctest.DocTestFinder(exclude_empty=True).find(module)}
            assert f"{module.__name__}.{thing.__qualname__}" in run


def blocks() -> Iterator[re.Match[str]]:
    found = list(BLOCK.finditer(GUIDE.read_text(encoding="utf-8")))
    assert len(found) == GUIDE.read_text(encoding="utf-8").count("```python")
    yield from found


def printed_by(code: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, str(GUIDE), "exec"), {"__name__": "guide"})
    return out.getvalue()


def test_the_guide_to_the_library_runs_and_prints_what_it_shows(monkeypatch):
    monkeypatch.chdir(ROOT)
    for block in blocks():
        assert printed_by(block["code"]) == block["printed"]


def test_the_guide_lists_every_public_name():
    table = GUIDE.read_text(encoding="utf-8").partition("## All names")[2]
    assert sorted(re.findall(r"`(\w+)`", table.partition("| --- | --- |")[2])) == NAMES


@pytest.mark.slow
def test_pages_are_made_of_the_docstrings_without_a_warning(tmp_path):
    done = subprocess.run(
        [sys.executable, str(ROOT / "docs" / "make_api.py"), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "skysill.html").read_text(encoding="utf-8")
    for name in NAMES:
        assert f'id="{name}"' in page
    assert "<strong>height_m</strong>: dish centre above the surface" in page  # entries are lists
    assert (tmp_path / "skysill" / "plots.html").is_file()


# --- the same as the commands ---------------------------------------------------------------------------------------


def command_output(*words: str) -> str:
    from skysill.cli.group import main

    done = CliRunner().invoke(main, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture
def clinic(monkeypatch):
    from dataclasses import replace
    from datetime import date

    monkeypatch.chdir(ROOT)
    job = skysill.read_site_file("demo_terrain/clinic.toml")
    return replace(job, date=date(2026, 6, 14))


def test_the_library_answers_what_look_and_horizon_answer(clinic):
    import numpy as np

    mount, day = clinic.mounts[0], ("--date", "2026-06-14")
    looks = skysill.look_vectors(clinic, mount)
    assert skysill.to_json_text(looks) + "\n" == command_output(
        "look", "demo_terrain/clinic.toml", "--mount", mount.name, *day, "--json"
    )
    profile, _ = skysill.horizon_profile(clinic, mount, np.arange(150.0, 210.5, 1.0))
    assert skysill.horizon_profile_csv(profile) == command_output(
        "horizon", "demo_terrain/clinic.toml", "--mount", mount.name, *day, "--from", "150", "--to", "210"
    )


def test_the_library_answers_what_check_answers(clinic):
    from dataclasses import replace
    from json import loads

    mount = clinic.mounts[0]
    [satellite] = [one for one in clinic.satellites if one.name == "Demo South"]
    job = replace(clinic, satellites=(satellite,))
    assessment = skysill.check(job, mount)
    document = loads(
        command_output(
            "check",
            "demo_terrain/clinic.toml",
            "--mount",
            mount.name,
            "--satellite",
            "Demo South",
            "--date",
            "2026-06-14",
            "--years",
            "0,10",
            "--json",
        )
    )
    answer = skysill.plain_values(assessment)
    answer["years"] = skysill.plain_values(skysill.verdicts_by_year(job, mount, [0.0, 10.0]))
    answer["cautions"] = skysill.plain_values(skysill.assessment_cautions(job, mount, assessment))
    assert answer == document


# --- types, from an installed wheel ---------------------------------------------------------------------------------


def examples() -> dict[str, str]:
    """File name to the text of every example: README, the guide, docstrings of the public names."""
    found = {}
    for page in (ROOT / "README.md", GUIDE):
        for number, code in enumerate(
            re.findall(r"```python\n(.*?)```", page.read_text(encoding="utf-8"), re.S)
        ):
            found[f"{page.parent.name}_{page.stem.lower()}_{number}.py".replace("-", "_")] = code
    parser = doctest.DocTestParser()
    for name in NAMES:
        parts = parser.get_examples(inspect.getdoc(getattr(skysill, name)) or "")
        code = "".join(part.source for part in parts)
        if code:
            known = [one for one in NAMES if re.search(rf"\b{one}\b", code)]
            names = f"from skysill import {', '.join(known)}\n" if known else ""
            found[f"docstring_of_{name}.py"] = f"import datetime as dt\nimport numpy as np\n{names}{code}"
    return found


@pytest.mark.slow
def test_type_checkers_see_the_types_of_an_installed_wheel(tmp_path):
    """mypy --strict, in an environment that holds the built wheel: the examples pass, a wrong use does not."""
    run = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q"]
    subprocess.run([*run, "wheel", "--no-deps", "-w", str(tmp_path), str(ROOT)], check=True, timeout=600)
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(tmp_path / "env")], check=True)
    [site] = (tmp_path / "env").glob("lib/python3*/site-packages")
    [wheel] = tmp_path.glob("skysill-*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(site)
    here = [path for path in sys.path if path.endswith("site-packages")]
    (site / "dependencies.pth").write_text("\n".join(here) + "\n", encoding="utf-8")
    folder = tmp_path / "examples"
    folder.mkdir()
    for name, code in examples().items():
        (folder / name).write_text(code, encoding="utf-8")
    (folder / "wrong_use.py").write_text(
        "import skysill\n"
        "skysill.Mount(height_m='high')\n"
        "skysill.no_such_name\n"
        "skysill.check(skysill.read_site_file('clinic.toml'), 3)\n",
        encoding="utf-8",
    )
    python = tmp_path / "env" / "bin" / "python"
    command = [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", "--hide-error-context",
               "--cache-dir", str(tmp_path / "cache"), "--python-executable", str(python), "."]  # fmt: skip
    environment = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "MYPYPATH")}
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    faults = [line for line in done.stdout.splitlines() if " error: " in line]
    wrong = [line.split(" error: ")[0] for line in faults if line.startswith("wrong_use.py")]
    assert wrong == ["wrong_use.py:2:", "wrong_use.py:3:", "wrong_use.py:4:"], done.stdout + done.stderr
    assert len(faults) == len(wrong), done.stdout


if __name__ == "__main__":
    os.chdir(ROOT)
    GUIDE.write_text(
        BLOCK.sub(
            lambda block: f"```python\n{block['code']}```\n\n```text\n{printed_by(block['code'])}```",
            GUIDE.read_text(encoding="utf-8"),
        ),
        encoding="utf-8",
    )
