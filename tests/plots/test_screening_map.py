"""The map of a screened list: a dot an address, marked by verdict and not by colour alone."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from pyproj import Geod

from skysill.assessment.verdict import RANK
from skysill.io.backdrops import Backdrop
from skysill.io.verdict_styles import VERDICT_SYMBOLS
from skysill.plots import screening_map
from skysill.plots.screening_map import draw_verdict_map, map_bounds, verdict_map_figure, write_verdict_map
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


def crowded(seed=5):
    """300 addresses in one village (200 to be surveyed, 100 blocked), 40 far apart, and one that is clear."""
    rng = np.random.default_rng(seed)
    latitude = np.concatenate([58.03 + rng.normal(0, 2e-5, 300), rng.uniform(57.9, 58.1, 40), [58.03]])
    longitude = np.concatenate([-24.65 + rng.normal(0, 2e-5, 300), rng.uniform(-24.9, -24.5, 40), [-24.65]])
    verdict = np.array([1] * 200 + [4] * 100 + [1] * 40 + [0])
    return latitude, longitude, verdict


def test_crowded_addresses_share_a_marker_of_the_commonest_verdict_and_rare_verdicts_are_all_drawn(
    monkeypatch,
):
    monkeypatch.setattr(screening_map, "_RARE", 5)
    latitude, longitude, verdict = crowded()
    ax = verdict_map_figure([], [], []).axes[0]
    drawn = draw_verdict_map(ax, latitude, longitude, verdict)
    survey = drawn.dots["needs-survey"]
    sizes = survey.get_sizes()
    assert 41 <= len(survey.get_offsets()) <= 45
    assert sizes.max() == screening_map._AREA_PT2[-1]  # over a hundred
    shared = survey.get_offsets()[sizes.argmax()]
    assert np.abs(shared - [-24.65, 58.03]).max() < 1e-3
    second = drawn.dots["blocked"]
    assert len(second.get_offsets()) == 1  # a third of the village
    assert second.get_sizes()[0] == screening_map._AREA_PT2[0]
    assert len(drawn.dots["clear"].get_offsets()) == 1
    assert drawn.cell_m > 100.0
    assert drawn.dots["blocked"].get_label() == "BLOCKED: 100"


def test_the_densest_place_is_enlarged_and_framed_on_the_map():
    latitude, longitude, verdict = crowded()
    figure = verdict_map_figure(latitude, longitude, verdict)
    main, inset = figure.axes
    west, east = inset.get_xlim()
    assert west < -24.65 < east
    south, north = inset.get_ylim()
    assert south < 58.03 < north
    assert inset.get_title(loc="left").startswith("A: the densest place")
    (frame,) = main.patches
    np.testing.assert_allclose([frame.get_x(), frame.get_y()], [west, south])
    _, bounds = map_bounds(latitude, longitude)
    np.testing.assert_allclose(bounds, [west, east, south, north])
    apart = verdict_map_figure(latitude[300:], longitude[300:], verdict[300:])
    assert len(apart.axes) == 1


def test_title_date_north_and_scale_stand_on_the_map():
    """The bar's length against a geodesic (pyproj, WGS 84): within half a percent of what it says."""
    latitude, longitude = [57.95, 58.05, 58.0], [-24.75, -24.6, -24.55]
    figure = verdict_map_figure(
        latitude, longitude, [1, 1, 4], title="list.csv: $Demo$ South", lines=["2 July 2026"]
    )
    said = [text.get_text() for text in figure.texts]
    assert said[:2] == ["list.csv: $Demo$ South", "2 July 2026"]
    (ax,) = figure.axes
    inside = {text.get_text() for text in ax.texts}
    assert "N" in inside
    (label,) = inside - {"N", ""}
    share = np.ptp(ax.lines[-1].get_xdata())
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    _, _, wide_m = Geod(ellps="WGS84").inv(west, (south + north) / 2, east, (south + north) / 2)
    assert float(label.split()[0]) * 1000.0 == pytest.approx(share * wide_m, rel=0.005)
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["NEEDS SURVEY: 2 (66.7 %)", "BLOCKED: 1 (33.3 %)"]


def test_ground_is_lit_from_the_north_west_and_what_is_unknown_is_hatched():
    rows, columns = np.mgrid[0:60, 0:60]
    hill = 300.0 * np.exp(-((rows - 30.0) ** 2 + (columns - 30.0) ** 2) / 200.0)
    hill[:5, :5] = np.nan
    [bounds] = map_bounds([58.0, 58.02], [-24.7, -24.66])
    figure = verdict_map_figure(
        [58.0, 58.02], [-24.7, -24.66], [1, 1], backdrops=[Backdrop(hill, *bounds, ("hill",))]
    )
    ax = figure.axes[0]
    (image,) = ax.images
    light = np.asarray(image.get_array())
    assert light[22, 22] > light[30, 30] > light[38, 38]
    assert ax.get_xlim() == pytest.approx(bounds[:2])
    assert any(part.hatches for part in ax.collections if hasattr(part, "hatches"))
    assert "Shaded ground: hill" in [text.get_text() for text in figure.texts]


def test_outlines_of_roofs_are_drawn_on_a_map_of_a_village_and_not_on_one_of_a_country():
    ring = np.array([[0.0, 0.0], [1e-4, 0.0], [1e-4, 1e-4], [0.0, 1e-4], [0.0, 0.0]])
    west, east, north = (np.add(ring, at) for at in ((-24.65, 58.03), (-24.64, 58.03), (-24.64, 58.031)))
    near = [(west,), (east, north)]
    ax = verdict_map_figure([], [], []).axes[0]
    drawn = draw_verdict_map(ax, [58.03, 58.03], [-24.65, -24.64], [0, 4], outlines=near)
    assert {name: len(areas.get_paths()) for name, areas in drawn.outlines.items()} == {
        "clear": 1,
        "blocked": 2,
    }
    assert drawn.outlines["clear"].get_linestyle() != drawn.outlines["blocked"].get_linestyle()
    far = draw_verdict_map(ax, [58.03, 59.03], [-24.65, -24.64], [0, 4], outlines=near)
    assert far.outlines == {}


def test_a_list_across_the_antimeridian_is_one_map():
    ax = verdict_map_figure([], [], []).axes[0]
    drawn = draw_verdict_map(ax, [-16.8, -16.9], [179.9, -179.9], [1, 1])
    assert np.ptp(drawn.dots["needs-survey"].get_offsets()[:, 0]) == pytest.approx(0.2)
    assert np.ptp(ax.get_xlim()) < 0.5


def test_outlines_of_roofs_west_of_180_degrees_stand_beside_their_markers():
    ring = np.array([[0.0, 0.0], [2e-4, 0.0], [2e-4, 2e-4], [0.0, 2e-4]])
    ax = verdict_map_figure([], [], []).axes[0]
    outlines = [[ring + np.array([west, -16.8])] for west in (179.999, -179.999)]
    drawn = draw_verdict_map(ax, [-16.8, -16.8], [179.9991, -179.9989], [0, 0], outlines=outlines)
    at_deg = sorted(path.vertices[:, 0].min() for path in drawn.outlines["clear"].get_paths())
    assert at_deg == pytest.approx([179.999, 180.001])


def test_the_label_of_latitudes_is_on_the_page_where_they_have_many_digits():
    figure = verdict_map_figure([-44.0490, -44.0504], [179.996, 180.0], [0, 0])
    axis, draw = figure.axes[0].yaxis, FigureCanvasAgg(figure)
    draw.draw()
    label = axis.label.get_window_extent(draw.get_renderer())
    numbers = [
        text.get_window_extent(draw.get_renderer()) for text in axis.get_ticklabels() if text.get_text()
    ]
    assert label.x0 > 0.0
    assert label.x1 < min(number.x0 for number in numbers)


def test_pictures_and_layers_show_a_verdict_alike():
    for name, style in THEME.verdicts.items():
        symbol = VERDICT_SYMBOLS[name]
        assert (symbol.word, symbol.colour) == (style.word, style.colour)
    assert len({symbol.shape for symbol in VERDICT_SYMBOLS.values()}) == len(VERDICT_SYMBOLS) == len(RANK)
