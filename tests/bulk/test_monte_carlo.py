"""The probability of the room for many places: normal distributions in closed form, and the assessment of one mount."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from skysill.assessment.pipeline import assess
from skysill.bulk.controlling_obstruction import controlling_ground
from skysill.bulk.monte_carlo import estimated_p_clear
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site
from small_ground import asked_of, ground_of, hills, places_at, room_deg

ASKED = asked_of(-20.0)


def wall(own_rows, top_m, *, error_m, rows_away, plan_m):
    values = np.zeros((own_rows, 40), np.float32)
    values[5 + rows_away :] = top_m
    return ground_of(values, error_m=error_m, plan_m=plan_m)


@pytest.mark.parametrize(
    ("rows_away", "error_m", "plan_m"), [(10, 2.0, 0.0), (20, 3.0, 5.0), (40, 6.0, 0.0), (10, 0.5, 8.0)]
)
@pytest.mark.parametrize("deviations", [-1.0, 0.0, 1.0, 2.0])
def test_before_a_wide_wall_it_is_a_normal_distribution(rows_away, error_m, plan_m, deviations):
    """A plateau's edge at a knot of the errors (2, 4, 8 times five cells), independent of the dish's own ground: the
    difference of two errors of the raster over the line of sight, the raster's place in plan, and the dish's own 0.2 m
    ahead and 0.1 m in height.
    """
    away_m = 30.0 * rows_away / 0.9996
    ray_deg = places_at(
        wall(90, 10.0, error_m=error_m, rows_away=rows_away, plan_m=plan_m), ASKED, [20.0], [5.0]
    ).apparent_deg[0]
    slant_m = away_m / np.cos(np.radians(ray_deg))
    e = np.radians(ray_deg)
    ahead_m = np.hypot(0.2, plan_m) * np.sin(e)
    sigma_m = np.sqrt(2.0 * (error_m * np.cos(e)) ** 2 + ahead_m**2 + (0.1 * np.cos(e)) ** 2)
    sigma_deg = np.degrees(sigma_m / slant_m)
    top_deg = ray_deg - float(room_deg(slant_m, ASKED)) - deviations * sigma_deg
    top_m = 2.0 + away_m * np.tan(np.radians(top_deg)) + away_m**2 / (2.0 * 8.5e6)
    own = wall(90, top_m, error_m=error_m, rows_away=rows_away, plan_m=plan_m)
    places = places_at(own, ASKED, [20.0, 21.0], [5.0, 5.0])
    found = estimated_p_clear(own, places, ASKED)
    assert found == pytest.approx(np.full(2, norm.cdf(deviations)), abs=0.03)


def test_ground_as_wrong_as_what_the_dish_stands_on_hardly_tilts():
    """Half way to the first knot most of the error is shared: the weights 1/2, 1/2 over their root sum of squares."""
    error_m, rows_away = 4.0, 2.5
    values = np.zeros((60, 40), np.float32)
    away_m = 75.0 / 0.9996
    share = 0.5
    ray_deg = places_at(ground_of(values), ASKED, [20.0], [5.5]).apparent_deg[0]
    e, slant_m = np.radians(ray_deg), away_m / np.cos(np.radians(ray_deg))
    apart = np.sqrt(2.0 - 2.0 * (1.0 - share) / np.hypot(1.0 - share, share))
    sigma_m = np.sqrt((apart * error_m * np.cos(e)) ** 2 + (0.2 * np.sin(e)) ** 2 + (0.1 * np.cos(e)) ** 2)
    top_deg = ray_deg - float(room_deg(slant_m, ASKED)) - np.degrees(sigma_m / slant_m)
    values[8:] = 2.0 + away_m * np.tan(np.radians(top_deg))
    own = ground_of(values, error_m=error_m)
    places = places_at(own, ASKED, [20.0], [5.5])
    assert rows_away == 8 - 5.5
    assert estimated_p_clear(own, places, ASKED)[0] == pytest.approx(norm.cdf(1.0), abs=0.04)


def test_it_is_what_the_assessment_says_within_three_hundredths_where_it_decides():
    own = ground_of(hills(60, seed=5, relief_m=90.0), error_m=5.0, plan_m=5.0)
    rng = np.random.default_rng(6)
    places = places_at(own, ASKED, rng.uniform(15, 45, 150), rng.uniform(8, 32, 150))
    close = controlling_ground(own, places, ASKED)
    asked = np.flatnonzero(~close.inside & close.uncertain)
    found = estimated_p_clear(own, places.take(asked), ASKED)
    compared = 0
    for p_clear, at in zip(found, asked, strict=True):
        job = Job(site=Site("a", float(places.latitude_deg[at]), float(places.longitude_deg[at])),
                  satellites=(ASKED.satellite,), terminal=ASKED.terminal,
                  sources=Sources(rasters=(own.source,), highest_ground_m=own.grid.highest_m))  # fmt: skip
        evidence = assess(job, Mount(height_m=2.0), explain=False).results[0]
        if evidence.p_clear is None:
            continue
        compared += 1
        # the flat sky around the ray is the less true the farther errors move ground: below 0.8 nothing is decided
        assert p_clear == pytest.approx(evidence.p_clear, abs=0.03 if evidence.p_clear > 0.8 else 0.08)
    assert compared > 3


def test_nothing_near_is_certain():
    own = ground_of(np.zeros((60, 40), np.float32), error_m=3.0)
    places = places_at(own, ASKED, [20.0, 21.0], [5.0, 9.0])
    assert estimated_p_clear(own, places, ASKED).tolist() == [1.0, 1.0]
    assert estimated_p_clear(own, places.take(slice(0, 0)), ASKED).size == 0
