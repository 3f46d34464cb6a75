"""The pages of the public API as HTML, made by pdoc from the docstrings and types; warnings are errors.

python docs/make_api.py FOLDER
"""

from __future__ import annotations

import re
import sys
import warnings
from pathlib import Path

import pdoc
import pdoc.docstrings
import pdoc.render

import skysill
import skysill.plots

ENTRY = re.compile(r"(?P<names>[\w*]+(?:, [\w*]+)*) : (?P<text>.*)")
"""A parameter or field and what it is, as the docstrings of this project write it."""


def to_markdown(docstring: str) -> str:
    """A docstring as Markdown: underlined words are headings, entries a list, examples code."""
    found: list[str] = []
    lines = docstring.splitlines()
    in_list = in_example = False
    for at, line in enumerate(lines):
        entry = ENTRY.fullmatch(line)
        if in_example and not line:
            found.append("```")
            in_example = False
        if in_example or re.fullmatch("-{3,}", line):
            found.extend([line] if in_example else [""])
        elif lines[at + 1 : at + 2] and re.fullmatch("-{3,}", lines[at + 1]):
            found.append(f"###### {line}")
        elif line.startswith(">>> "):
            found.extend(["```pycon", line])
            in_example = True
        elif entry is not None:
            found.extend([] if in_list or not found or not found[-1] else [""])
            found.append(f"- **{entry['names']}**: {entry['text']}")
        else:
            found.append(line)
        in_list = entry is not None or (in_list and line.startswith(" "))
    return "\n".join([*found, "```"] if in_example else found)


def make_api(folder: Path) -> None:
    """Write skysill.html and skysill/plots.html into a folder."""
    for module in (skysill, skysill.plots):
        for name in module.__all__:  # pdoc looks for names that have been loaded
            setattr(module, name, getattr(module, name))
    pdoc.docstrings.numpy = to_markdown
    pdoc.render.configure(docformat="numpy", show_source=False, search=False)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pdoc.pdoc("skysill", "skysill.plots", output_directory=folder)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    make_api(Path(sys.argv[1]))
