"""An address known only so well: what the verdict makes of it, against the same address moved by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pyproj import Geod

from skysill.assessment.pipeline import assess
from skysill.bulk import screening
from skysill.bulk.position_error import offsets_around_m, supports
from skysill.bulk.screening import screen, screen_one_by_one
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Site
from small_ground import asked_of, ground_of, hills, spots


def test_the_places_around_are_spread_as_a_normal_error_is():
    """Of a two-dimensional normal: mean square of each axis sigma**2, half within 1.1774 sigma (Rayleigh)."""
    for count in (8, 16):
        east_m, north_m = offsets_around_m(10.0, count)
        assert (np.hypot(east_m, north_m) <= 11.774).mean() == 0.5
        assert np.abs(np.array([east_m.mean(), north_m.mean()])).max() < 2.5
        for axis_m in (east_m, north_m):
            assert 6.5 < np.sqrt((axis_m**2).mean()) < 12.5
        assert np.sqrt((east_m**2 + north_m**2).mean() / 2.0) == pytest.approx(10.0, rel=0.07)
        quadrant = np.floor(np.arctan2(north_m, east_m) / (np.pi / 2.0))
        assert set(quadrant) == {-2.0, -1.0, 0.0, 1.0}
    assert offsets_around_m(20.0, 16)[0] == pytest.approx(2.0 * offsets_around_m(10.0, 16)[0])


def test_what_bears_a_verdict_out():
    elsewhere = ["blocked", "marginal", "needs-survey", "clear", "unknown"]
    assert supports("blocked", elsewhere).tolist() == [True, False, False, False, False]
    assert supports("needs-survey", elsewhere).tolist() == [False, False, True, True, False]
    assert supports("clear", elsewhere).tolist() == [False, False, False, True, False]


def by_hand(own, latitude, longitude, height, asked, count):
    """The chain for one mount at each of the places around, moved by geodesics."""
    east_m, north_m = offsets_around_m(asked.position_error_m, count)
    there = Geod(ellps="WGS84").fwd(
        np.full(count, longitude), np.full(count, latitude), np.degrees(np.arctan2(east_m, north_m)),
        np.hypot(east_m, north_m),
    )  # fmt: skip
    verdicts = []
    for moved_longitude, moved_latitude in zip(*there[:2], strict=True):
        job = Job(site=Site("a", float(moved_latitude), float(moved_longitude)), satellites=(asked.satellite,),
                  terminal=asked.terminal, criteria=asked.criteria,
                  sources=Sources(rasters=(own.source,), highest_ground_m=asked.highest_ground_m))  # fmt: skip
        verdicts.append(assess(job, Mount(height_m=height), explain=False).results[0].verdict)
    return verdicts


def test_on_bare_ground_a_verdict_that_moves_with_the_address_is_marginal(monkeypatch):
    """Steep hills, addresses known to 30 m: each verdict is borne out, or not, by eight assessments of one mount."""
    own = ground_of(hills(60, seed=5, relief_m=110.0))
    asked = asked_of(-20.0, highest_ground_m=float(own.grid.highest_m))
    rng = np.random.default_rng(3)
    latitude, longitude = spots(own, rng.uniform(15, 45, 40), rng.uniform(8, 30, 40))
    still = screen(own, latitude, longitude, 2.0, asked)
    moved = screen(own, latitude, longitude, 2.0, replace(asked, position_error_m=30.0))
    turned = 0
    for at in range(40):
        if still.verdict[at] not in ("blocked", "needs-survey"):
            assert moved.verdict[at] == still.verdict[at]
            continue
        verdicts = by_hand(own, latitude[at], longitude[at], 2.0, replace(asked, position_error_m=30.0), 8)
        share = float(np.mean([v in (still.verdict[at], "clear") for v in verdicts]))
        if share >= 0.9:
            assert (moved.verdict[at], moved.reason[at]) == (still.verdict[at], still.reason[at])
            continue
        turned += 1
        assert moved.verdict[at] == "marginal"
        said = "is obstructed" if still.verdict[at] == "blocked" else "The room is there"
        assert said in moved.reason[at]
        assert (
            f"only at {100 * share:.0f} % of the places within its position error of 30 m" in moved.reason[at]
        )
        assert "Give the position of the dish itself." in moved.reason[at]
        assert moved.margin_deg[at] == still.margin_deg[at]
    assert 4 <= turned <= 36
    assert {"blocked", "needs-survey"} <= set(still.verdict)
    monkeypatch.setattr(screening, "available", lambda: False)
    by_arrays = screen(own, latitude, longitude, 2.0, replace(asked, position_error_m=30.0))
    assert by_arrays.verdict.tolist() == moved.verdict.tolist()


@pytest.fixture(params=["arrays", "loops"] if screening.available() else ["arrays"])
def way(request, monkeypatch):
    """By arrays as without numba, or by the compiled loops."""
    monkeypatch.setattr(screening, "available", lambda: request.param == "loops")


@pytest.mark.usefixtures("way")
def test_a_position_error_never_makes_a_verdict_better():
    own = ground_of(hills(60, seed=6, relief_m=110.0))
    asked = asked_of(-20.0, highest_ground_m=float(own.grid.highest_m))
    rng = np.random.default_rng(4)
    latitude, longitude = spots(own, rng.uniform(10, 50, 300), rng.uniform(5, 35, 300))
    still = screen(own, latitude, longitude, 2.0, asked)
    for error_m in (2.0, 16.0, 62.0):
        moved = screen(own, latitude, longitude, 2.0, replace(asked, position_error_m=error_m))
        changed = moved.verdict != still.verdict
        assert set(moved.verdict[changed]) <= {"marginal"}
        assert not changed[still.verdict == "unknown"].any()
    assert changed.any()


def wall(height_m):
    """A surface of 1 m, flat but for a block 12 m south of row 100, thick enough to show whole in cells of means."""
    values = np.zeros((260, 200), np.float32)
    values[112:118] = height_m
    return ground_of(values, cell_m=1.0, x=500_000.0, kind="surface", error_m=0.1)


@pytest.mark.parametrize("each", [False, True])
def test_on_a_fine_surface_the_distance_to_a_wall_decides_only_as_well_as_it_is_known(each):
    """A wall of 4 m, 12 m off: seen at 9.5 degrees from a dish at 2 m, under a satellite at some 23. Known to half a
    metre the address is clear; known to 6 m it may as well stand 3 m from the wall, which then reaches 34 degrees.
    """
    own = wall(4.0)
    latitude, longitude = spots(own, 100.0, 100.0)
    asked = asked_of(-20.0, highest_ground_m=5.0)

    def verdict(error_m):
        query = replace(asked, position_error_m=error_m)
        found = (screen_one_by_one((own.source,), latitude, longitude, 2.0, query) if each
                 else screen(own, latitude, longitude, 2.0, query))  # fmt: skip
        return found.verdict[0], found.reason[0]

    assert verdict(0.0)[0] == "clear"
    assert verdict(0.5)[0] == "clear"
    said, why = verdict(6.0)
    assert said == "marginal"
    assert "The room is there at the address, but only at" in why


def test_the_wanted_probability_is_the_share_that_must_bear_a_verdict_out():
    own = ground_of(hills(60, seed=5, relief_m=110.0))
    rng = np.random.default_rng(3)
    latitude, longitude = spots(own, rng.uniform(15, 45, 60), rng.uniform(8, 30, 60))
    counts = []
    for wanted in (0.5, 0.9):
        asked = asked_of(
            -20.0, highest_ground_m=float(own.grid.highest_m), criteria=Criteria(min_p_clear=wanted)
        )
        found = screen(own, latitude, longitude, 2.0, replace(asked, position_error_m=16.0))
        shares = [
            int(why.split("only at ")[1].split(" %")[0]) for why in found.reason if "position error" in why
        ]
        assert max(shares) < 100 * wanted
        counts.append(len(shares))
    assert 0 < counts[0] < counts[1]
