"""The documents: every command line in them runs and prints what they say, and every name in them exists.

    python tests/test_docs.py

writes the outputs in docs/days again.
"""

from __future__ import annotations

import ast
import re
import shlex
import shutil
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.command_list import present
from skysill.cli.group import main

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
DAYS = sorted((DOCS / "days").glob("*.md"))
PAGES = [
    page
    for page in (
        *(ROOT / name for name in ("README.md", "DEVELOPERS.md", "demo_terrain/README.md")),
        *sorted(DOCS.rglob("*.md")),
    )
    if page.exists()
]
SOURCE = ROOT / "src" / "skysill"
NUMBER = re.compile(r"\d+(?:\.\d+)?")
README = ROOT / "README.md"
LEFT_OUT = "..."
"""A line of a pasted output that stands for any number of lines."""


@dataclass(frozen=True)
class Shown:
    """A command in a `console` block and the output pasted under it.

    exit_code : the block's `exit=N`, else 0
    first, last : line numbers of the output, from and up to
    """

    words: tuple[str, ...]
    output: tuple[str, ...]
    exit_code: int
    first: int
    last: int


def shown(page: Path) -> Iterator[Shown]:
    lines = page.read_text(encoding="utf-8").splitlines()
    at = 0
    while at < len(lines):
        fence = re.fullmatch(r"```console(?: exit=(\d))?", lines[at])
        at += 1
        if fence is None:
            continue
        while lines[at] != "```":
            assert lines[at].startswith("$ "), (
                f"{page.name}, line {at + 1}: a console block opens with a command"
            )
            command = lines[at][2:]
            while command.endswith("\\"):
                at += 1
                command = command[:-1] + lines[at].strip()
            first = at = at + 1
            while lines[at] != "```" and not lines[at].startswith("$ "):
                at += 1
            words = tuple(shlex.split(command))
            yield Shown(words, tuple(lines[first:at]), int(fence[1] or 0), first, at)
        at += 1


def printed(words: tuple[str, ...], exit_code: int = 0) -> list[str]:
    """What a command prints, run here in the working directory; a server is only asked whether it would start."""
    name, *rest = words[1:]
    if name == "serve":
        main.get_command(None, name).make_context(name, rest)  # type: ignore[arg-type,union-attr]  # no context needed
        return []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as the installed command does
        done = CliRunner().invoke(main, [name, *rest], prog_name="skysill")
    assert done.exit_code == exit_code, f"{shlex.join(words)}\n{done.output}"
    told = [line.rstrip() for line in done.output.rstrip().splitlines()]
    return [line for line in told if not line.startswith("skysill: compiling loops")]  # the first time only


def cut_alike(output: list[str], pasted: tuple[str, ...]) -> list[str]:
    """The output, cut where the pasted one is cut."""
    if LEFT_OUT not in pasted:
        return output
    head, tail = pasted.index(LEFT_OUT), len(pasted) - pasted.index(LEFT_OUT) - 1
    return [*output[:head], LEFT_OUT, *output[len(output) - tail :]]


@pytest.fixture
def beside_the_demo(tmp_path, monkeypatch):
    shutil.copytree(
        ROOT / "demo_terrain", tmp_path / "demo_terrain", ignore=shutil.ignore_patterns("__pycache__")
    )
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("page", DAYS, ids=lambda page: page.stem)
@pytest.mark.usefixtures("beside_the_demo")
@pytest.mark.slow
def test_a_day_runs_and_prints_what_it_shows(page):
    commands = list(shown(page))
    assert commands
    for command in commands:
        assert Path(command.words[0]).name == "skysill", f"{page.name}: {command.words[0]} is not ours"
        output = printed(command.words, command.exit_code)
        if command.words[1] != "serve":
            told = f"{shlex.join(command.words)}\npython tests/test_docs.py writes it again"
            assert_alike(cut_alike(output, command.output), command.output, told)


def assert_alike(output: list[str], pasted: tuple[str, ...], told: str) -> None:
    """The words are those pasted, and the figures too but for the last digit of another machine."""
    assert [NUMBER.sub("#", line) for line in output] == [NUMBER.sub("#", line) for line in pasted], told
    figures, shown_ones = (
        [float(figure) for line in lines for figure in NUMBER.findall(line)] for lines in (output, pasted)
    )
    assert figures == pytest.approx(shown_ones, rel=0.02, abs=0.11), told


@pytest.mark.skipif(not README.exists(), reason="there is no README in this copy")
@pytest.mark.usefixtures("beside_the_demo")
@pytest.mark.slow
def test_the_readme_runs_and_prints_what_it_shows():
    """Its `sh` and `python` blocks; the first `text` block after one opens as the last command's output does."""
    blocks = re.findall(
        r"^```(sh|text|python)\n(.*?)^```$", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )
    ran, output = 0, []
    for kind, body in blocks:
        if kind == "text" and output:
            pasted = tuple(line.rstrip() for line in body.splitlines())
            assert_alike(output[: len(pasted)], pasted, "README.md")
            output = []
        if kind == "python":
            exec(compile(body, "README.md", "exec"), {})
        for part in re.split(r"&&|\n", body) if kind == "sh" else ():
            words = tuple(shlex.split(part))
            if words and Path(words[0]).name == "skysill":
                output, ran = printed(words), ran + 1
    assert ran


def test_every_command_has_its_place_in_a_day():
    used = {command.words[1] for page in DAYS for command in shown(page)}
    assert set(present()) <= used


# --- names that must exist ---------------------------------------------------------------------------------------


@cache
def names_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


def test_every_test_named_in_the_accuracy_page_exists():
    named = re.findall(r"(tests/[\w/]+\.py)::(\w+)", (DOCS / "accuracy.md").read_text(encoding="utf-8"))
    assert len(named) > 30
    for path, name in named:
        assert name in names_in(ROOT / path), f"{path}::{name}"


def anchors_of(page: Path) -> set[str]:
    """The anchors of a page's headings, as the usual Markdown renderers make them."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_to_files_and_headings_that_exist(page):
    for target, anchor in re.findall(r"\]\(([^)#]*)(?:#([^)]*))?\)", page.read_text(encoding="utf-8")):
        if target.startswith(("https://", "http://", "geo:")):
            continue
        linked = page.parent / target if target else page
        assert linked.exists(), target
        assert not anchor or anchor in anchors_of(linked), f"{target}#{anchor}"


def practice_in(path: Path) -> Iterator[str]:
    """Names of the constants, functions and classes whose text calls something common practice."""

    def calls_it_so(node: ast.AST) -> bool:
        texts = (n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str))
        return any("common practice" in " ".join(text.lower().split()) for text in texts)

    text = path.read_text(encoding="utf-8")
    body = ast.parse(text).body if re.search(r"common\s+practice", text, re.IGNORECASE) else []
    for before, node in zip([None, *body], body, strict=False):
        if not calls_it_so(node):
            continue
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            yield node.targets[0].id
        elif isinstance(before, ast.Assign | ast.AnnAssign):
            target = before.targets[0] if isinstance(before, ast.Assign) else before.target
            first = target.elts[0] if isinstance(target, ast.Tuple) else target
            assert isinstance(first, ast.Name)
            yield first.id
        else:
            raise AssertionError(f"{path.name}, line {node.lineno}: practice without a name")


def test_all_common_practice_is_listed_among_the_sources():
    listed = (DOCS / "sources.md").read_text(encoding="utf-8")
    found = [(path, name) for path in sorted(SOURCE.rglob("*.py")) for name in practice_in(path)]
    assert found
    for path, name in found:
        row = f"| `{path.relative_to(SOURCE).as_posix()}` | `{name}` |"
        assert row in listed, row
    rows = re.findall(r"^\| `([\w/]+\.py)` \| `(\w+)` \|", listed, re.MULTILINE)
    assert set(rows) == {(path.relative_to(SOURCE).as_posix(), name) for path, name in found}


def test_every_published_table_is_among_the_sources():
    listed = (DOCS / "sources.md").read_text(encoding="utf-8")
    for path in (ROOT / "tests" / "published").iterdir():
        stem = path.stem.removesuffix("_positions")
        assert stem in listed or stem in "knife_edge_nu knife_edge_geometry", path.name


@pytest.mark.parametrize("path", sorted((ROOT / "tests" / "published").iterdir()), ids=lambda path: path.name)
def test_every_published_table_says_where_its_values_are_from(path):
    head = [line for line in path.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    assert head[0].startswith("# Title: ")
    text = " ".join(line.removeprefix("# ") for line in head)
    assert re.search(r"read \d{4}-\d\d-\d\d|computed \d{4}-\d\d-\d\d|from memory", text)


# --- writing the days again ----------------------------------------------------------------------------------------


def written_again(page: Path) -> str:
    """The page with the outputs that its commands print now."""
    lines = page.read_text(encoding="utf-8").splitlines()
    made = [
        (c, cut_alike(printed(c.words, c.exit_code), c.output)) for c in shown(page) if c.words[1] != "serve"
    ]
    for command, output in reversed(made):
        lines[command.first : command.last] = output
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    import contextlib
    import tempfile

    for day in DAYS:
        with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
            shutil.copytree(ROOT / "demo_terrain", "demo_terrain")
            text = written_again(day)
        day.write_text(text, encoding="utf-8")
        print(day)
