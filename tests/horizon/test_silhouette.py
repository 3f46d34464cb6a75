"""Columns against the sky: who covers what, and the profile, each against a loop written here."""

import numpy as np
import pytest

from skysill.errors import SkysillError
from skysill.horizon.silhouette import Feature, Silhouette, covered, profile

THINGS = (Feature("hill", "ground", "terrain"), Feature("shed", "building", "terrain"))


def columns(azimuth_deg, elevation_deg, distance_m=100.0, *, source="terrain", feature=0, **more):
    return Silhouette(source, azimuth_deg, elevation_deg, distance_m, THINGS, feature, **more)


def by_hand(silhouettes, azimuths_deg, step_deg):
    """The profile as its description reads: nearest azimuth, highest column, the nearest column where none falls."""
    rows = []
    for azimuth in azimuths_deg:
        best = (np.nan, np.nan, "", "")
        for s in silhouettes:
            turns = (s.azimuth_deg - azimuth + 180.0) % 360.0 - 180.0
            mine = [i for i in range(len(s)) if -step_deg / 2 <= turns[i] < step_deg / 2]
            looked = any(
                (azimuth - start) % 360.0 <= stop - start + 1e-7 or (azimuth - start) % 360.0 > 360.0 - 1e-7
                for start, stop in s.covered_deg
            )
            if s.source == "obstacle":
                looked = True
            elif looked and not mine and len(s):
                mine = [int(np.abs(turns).argmin())]
            if not looked or not mine:
                continue
            top = max(mine, key=lambda i: s.elevation_deg[i])
            if not s.elevation_deg[top] <= best[0]:
                feature = s.features[s.feature[top]]
                best = (s.elevation_deg[top], s.distance_m[top], feature.source, feature.name)
        rows.append(best)
    return rows


@pytest.mark.parametrize("first_deg", [0.0, 340.0])
@pytest.mark.parametrize("step_deg", [0.5, 2.0, 10.0])
def test_the_profile_is_the_highest_of_each_bin_over_all_sources(first_deg, step_deg):
    rng = np.random.default_rng(58)
    asked_deg = (first_deg + np.arange(30) * step_deg) % 360.0
    asked_deg = np.sort(asked_deg) if first_deg == 0.0 else asked_deg
    ground = columns(
        rng.uniform(0, 360, 400), rng.uniform(-2, 20, 400), rng.uniform(10, 900, 400),
        feature=rng.integers(0, 2, 400), covered_deg=[(first_deg + 2.0, first_deg + 11.0)], reach_m=1000.0,
    )  # fmt: skip
    shed = columns(
        rng.uniform(0, 360, 60), rng.uniform(5, 40, 60), 8.0, source="obstacle", feature=1, floor_deg=0.0
    )
    if first_deg:
        asked_deg = (
            first_deg + np.arange(9) * step_deg if step_deg < 3 else first_deg + np.arange(2) * step_deg
        )
    found = profile([ground, columns([], []), shed], asked_deg)
    wanted = by_hand([ground, columns([], []), shed], asked_deg, step_deg)
    assert np.isnan(found.elevation_deg).any() == any(np.isnan(row[0]) for row in wanted)
    np.testing.assert_array_equal(found.elevation_deg, [row[0] for row in wanted])
    np.testing.assert_array_equal(found.distance_m, [row[1] for row in wanted])
    assert found.source == tuple(row[2] for row in wanted)
    assert found.name == tuple(row[3] for row in wanted)


def test_a_covered_bin_without_a_column_takes_its_nearest_and_an_obstacle_fills_none():
    sparse = columns([0.0, 90.0], [3.0, 7.0], covered_deg=[(0.0, 360.0)], reach_m=1000.0)
    for azimuth, expected in ((20.0, 3.0), (60.0, 7.0), (350.0, 3.0)):
        assert profile([sparse], [azimuth]).elevation_deg.tolist() == [expected]
    alone = columns([90.0], [30.0], source="obstacle")
    found = profile([alone], [89.0, 90.0, 91.0])
    assert np.isnan(found.elevation_deg).tolist() == [True, False, True]


def test_a_single_azimuth_has_a_bin_of_one_degree():
    wall = columns([99.6, 100.4, 100.6], [1.0, 2.0, 9.0], source="obstacle")
    assert profile([wall], [100.0]).elevation_deg.tolist() == [2.0]


def test_equal_heights_keep_the_first_source():
    first = columns([10.0], [5.0], 20.0, covered_deg=[(0.0, 20.0)], reach_m=1.0)
    second = columns([10.0], [5.0], 90.0, source="obstacle", feature=1)
    assert profile([first, second], [10.0]).distance_m.tolist() == [20.0]


@pytest.mark.parametrize(
    ("azimuth_deg", "expected"),
    [(350.0, True), (0.0, True), (10.0, True), (10.001, False), (349.999, False), (180.0, False)],
)
def test_a_span_is_covered_from_its_start_clockwise_to_its_end(azimuth_deg, expected):
    assert covered(columns([], [], covered_deg=[(350.0, 370.0)], reach_m=5.0), azimuth_deg).tolist() == [
        expected
    ]


def test_rounding_at_the_ends_of_a_span_leaves_no_hole():
    span = columns([], [], covered_deg=[(10.0, 20.0)], reach_m=5.0)
    assert covered(span, [10.0 - 5e-8, 20.0 + 5e-8]).all()
    assert not covered(span, [10.0 - 2e-6, 20.0 + 2e-6]).any()


def test_a_full_circle_covers_all_and_no_span_nothing():
    assert covered(columns([], [], covered_deg=[(0.0, 360.0)], reach_m=5.0), [0.0, 123.4, 359.9]).all()
    assert covered(columns([1.0], [1.0]), [1.0, 2.0]).tolist() == [False, False]


def test_reach_and_near_evidence_are_asked_span_by_span():
    two = columns(
        [], [], covered_deg=[(0.0, 90.0), (90.0, 180.0)], reach_m=[500.0, 2000.0], fine_reach_m=[0.0, 300.0]
    )
    assert covered(two, [45.0, 135.0], reach_m=1000.0).tolist() == [False, True]
    assert covered(two, [45.0, 135.0], reach_m=[500.0, 2000.1]).tolist() == [True, False]
    assert covered(two, [45.0, 135.0], reach_m=300.0, fine=True).tolist() == [False, True]
    assert covered(two, [45.0, 135.0], reach_m=301.0, fine=True).tolist() == [False, False]
    far = two.reaching(1000.0)
    assert far.covered_deg.tolist() == [[90.0, 180.0]]
    assert far.reach_m.tolist() == [2000.0]
    assert far.fine_reach_m.tolist() == [300.0]


def test_what_nobody_saw_is_refused_and_a_distance_nobody_measured_is_not():
    with pytest.raises(SkysillError, match="elevation_deg holds nan"):
        columns([1.0], [np.nan])
    assert np.isnan(columns([1.0], [2.0], np.nan).distance_m).all()


def test_arrays_are_fixed_azimuths_folded_and_what_is_kept_keeps_its_row():
    s = columns([-10.0, 370.0, 45.0], [1.0, 2.0, 3.0], [7.0, 8.0, 9.0], feature=[0, 1, 0], sigma_deg=[0.1, 0.2, 0.3],
                floor_deg=[-90.0, -1.0, 0.0], reliable=[True, False, True])  # fmt: skip
    assert s.azimuth_deg.tolist() == [350.0, 10.0, 45.0]
    with pytest.raises(ValueError, match="read-only"):
        s.elevation_deg[0] = 9.0
    part = s.kept(np.array([False, True, True]))
    assert part.azimuth_deg.tolist() == [10.0, 45.0]
    assert part.elevation_deg.tolist() == [2.0, 3.0]
    assert part.distance_m.tolist() == [8.0, 9.0]
    assert part.feature.tolist() == [1, 0]
    assert part.sigma_deg.tolist() == [0.2, 0.3]
    assert part.floor_deg.tolist() == [-1.0, 0.0]
    assert part.reliable.tolist() == [False, True]
    assert len(part) == 2
