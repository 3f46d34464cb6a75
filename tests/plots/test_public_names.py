"""The public names of skysill.plots: complete, documented, loaded on first use, drawing on Axes of any figure."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
from pathlib import Path

import matplotlib
import pytest
from matplotlib.figure import Figure

from skysill import plots


def test_every_public_name_is_the_one_that_checkers_see():
    """The imports under TYPE_CHECKING, read with ast, are those that are loaded on first use."""
    tree = ast.parse(Path(plots.__file__).read_text(encoding="utf-8"))
    typed = {
        alias.name: node.module
        for block in tree.body
        if isinstance(block, ast.If)
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert sorted(typed) == sorted(plots.__all__)
    for name, module in typed.items():
        assert getattr(plots, name) is getattr(sys.modules[module], name), name
        assert name in sys.modules[module].__all__, name
    assert set(plots.__all__) <= set(dir(plots))
    with pytest.raises(AttributeError, match=r"skysill\.plots has no draw_nothing"):
        plots.draw_nothing  # noqa: B018  # reading the name is the test


@pytest.mark.parametrize("name", [name for name in plots.__all__ if name.startswith("draw_")])
def test_every_drawing_function_takes_axes_first_and_is_documented(name):
    function = getattr(plots, name)
    parameters = list(inspect.signature(function).parameters.values())
    assert parameters[0].name == "ax"
    assert parameters[-1].name == "theme"
    text = inspect.getdoc(function)
    assert "\nParameters\n" in text
    assert "\nReturns\n" in text
    for parameter in parameters:
        assert re.search(rf"(^|[,;] ){parameter.name}\b[^\n]* : ", text, re.MULTILINE), parameter.name
    assert f"{name}(" in text  # an example, run as a doctest
    assert inspect.signature(function).return_annotation.endswith("Artists")


def test_importing_the_package_loads_no_matplotlib():
    code = "import skysill.plots, sys; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_two_drawings_stand_side_by_side_on_a_plain_figure(clinic):
    """No window, no current figure, no settings changed; each drawing returns its own artists."""
    before = dict(matplotlib.rcParams)
    figure = Figure(figsize=(11.0, 5.5))
    left, right = figure.add_axes((0.02, 0.05, 0.46, 0.9)), figure.add_axes((0.52, 0.05, 0.46, 0.9))
    sky, strip = plots.draw_sky(left, clinic), plots.draw_strip(right, clinic, "Demo South")
    assert len(sky.satellites) == len(clinic.results)
    assert all(mark.axes is left for mark in sky.satellites)
    assert strip.ray.axes is right
    assert dict(matplotlib.rcParams) == before
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()
