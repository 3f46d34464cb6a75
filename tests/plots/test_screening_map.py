"""The map of a screened list: a dot an address, marked by verdict and not by colour alone."""

from __future__ import annotations

import numpy as np

from skysill.assessment.verdict import RANK
from skysill.plots.screening_map import draw_verdict_map, verdict_map_figure, write_verdict_map
from skysill.plots.theme import THEME


def test_every_verdict_has_its_own_dots_in_its_own_marker_and_the_key_counts_them():
    rng = np.random.default_rng(1)
    verdict = np.array([RANK["needs-survey"]] * 5 + [RANK["blocked"]] * 3 + [RANK["unknown"]])
    figure = verdict_map_figure(58.0 + rng.random(9), -24.0 - rng.random(9), verdict, title="Demo South")
    ax = figure.axes[0]
    labels = ax.get_legend_handles_labels()[1]
    assert labels == ["NEEDS SURVEY: 5", "UNKNOWN: 1", "BLOCKED: 3"]
    assert ax.get_xlabel() == "longitude, degrees east"
    drawn = draw_verdict_map(ax, [58.0], [-24.0], [RANK["blocked"]], theme=THEME)
    assert list(drawn.dots) == ["blocked"]
    np.testing.assert_allclose(drawn.dots["blocked"].get_offsets(), [[-24.0, 58.0]])


def test_an_empty_list_and_a_long_one_are_drawn_too(tmp_path):
    write_verdict_map(tmp_path / "empty.png", [], [], [])
    rng = np.random.default_rng(2)
    count = 100_000
    drawn = draw_verdict_map(verdict_map_figure([], [], []).axes[0], 58 + rng.random(count), rng.random(count),
                         np.full(count, RANK["clear"]))  # fmt: skip
    assert len(drawn.dots["clear"].get_offsets()) <= 40_000
    assert drawn.dots["clear"].get_label() == "CLEAR: 100,000"
