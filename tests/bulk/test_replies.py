"""What callers name: probabilities by a second route, and verdicts that a guess by eye can only make worse."""

import math
from dataclasses import replace

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.assessment.verdict import RANK
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.replies import THINGS, Reply, add_replies, judged_reply
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import wall
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.pointing.look_vector import look_vector

SOUTH = Satellite("Demo South", longitude_deg=-24.0)
SITE = Site("croft", 58.0312, -24.6541, ground_elevation_m=41.0)
JOB = Job(SITE, (SOUTH,), terminal=Terminal(dish_diameter_m=1.2, receive_ghz=19.7))
MOUNT = Mount(height_m=2.0)
ELEVATION_DEG = look_vector(58.0312, -24.6541, 43.0, SOUTH).elevation_apparent_deg


GUESSES = [(3.0, 10.0), (5.5, 10.0), (8.0, 10.0), (9.9, 20.0), (15.0, 20.0), (23.0, 50.0), (40.0, 50.0)]


def share_with_room(height_m, distance_m, *, grown_m=0.0, samples=200_000):
    """The room by its definition, D/2 + 0.6 sqrt(lambda d) across the ray.

    Guesses have normal errors of 30 % of the distance and of 0.5 m and 30 % of the height; the dish's height is known
    to 0.1 m, the growth to three tenths of it.
    """
    rng = np.random.default_rng(11)
    top_m = height_m + math.hypot(0.5, 0.3 * height_m) * rng.standard_normal(samples)
    top_m += grown_m * (1.0 + 0.3 * rng.standard_normal(samples)) - 2.0 - 0.1 * rng.standard_normal(samples)
    away_m = np.maximum(distance_m * (1.0 + 0.3 * rng.standard_normal(samples)), 0.1)
    slant_m, margin = np.hypot(top_m, away_m), np.deg2rad(ELEVATION_DEG) - np.arctan2(top_m, away_m)
    required_m = 0.6 + 0.6 * np.sqrt(0.299792458 / 19.7 * slant_m)
    return float(((margin > 0.0) & (slant_m * np.sin(margin) >= required_m)).mean())


@pytest.mark.parametrize(
    ("height_m", "distance_m"),
    GUESSES,
)
def test_the_probability_is_that_of_guesses_drawn_by_a_second_route(height_m, distance_m):
    """0.03 between 0.1 and 0.9, where the first-order movement of the pipeline's samples does little harm."""
    found = judged_reply(JOB, MOUNT, [Reply("building", height_m, distance_m)])
    assert found.p_room == pytest.approx(share_with_room(height_m, distance_m), abs=0.03)
    tree = judged_reply(JOB, MOUNT, [Reply("tree", height_m, distance_m)])
    assert tree.p_room == pytest.approx(share_with_room(height_m, distance_m, grown_m=5 * 0.4), abs=0.03)
    assert tree.p_room < found.p_room


def test_in_the_tails_the_pipeline_is_at_most_five_hundredths_too_high():
    for height_m, distance_m in ((5.0, 20.0), (10.0, 50.0), (20.0, 100.0), (2.0, 10.0)):
        found = judged_reply(JOB, MOUNT, [Reply("building", height_m, distance_m)])
        assert -0.01 < found.p_room - share_with_room(height_m, distance_m) < 0.05


def test_no_answer_ever_makes_a_verdict_of_clear_and_each_further_thing_makes_it_no_better():
    rng = np.random.default_rng(4)
    for _ in range(12):
        told, before = [], judged_reply(JOB, MOUNT, [Reply("nothing")])
        assert before.verdict == "needs-survey"
        for _ in range(2):
            thing = str(rng.choice(THINGS[:4]))
            told.append(Reply(thing, float(rng.uniform(1.0, 40.0)), float(rng.uniform(2.0, 120.0))))
            after = judged_reply(JOB, MOUNT, told)
            assert RANK[after.verdict] >= max(RANK[before.verdict], RANK["needs-survey"])
            assert before.p_room is None or after.p_room <= before.p_room + 0.02  # other draws: 4000 samples
            before = after


def test_a_survey_of_the_same_thing_is_trusted_more():
    """Taped and listed as complete it is clear; named on the telephone it still needs the survey."""
    azimuth = math.radians(look_vector(58.0312, -24.6541, 43.0, SOUTH).azimuth_deg)
    ahead, aside = (
        np.array([math.sin(azimuth), math.cos(azimuth)]),
        np.array([math.cos(azimuth), -math.sin(azimuth)]),
    )
    line = [20.0 * ahead - 4.0 * aside, 20.0 * ahead + 4.0 * aside]
    barn = wall("barn", line, ground_elevation_m=41.0, height_m=4.0)
    surveyed = replace(JOB, sources=Sources((bare(),), 400.0, scene=Scene((barn,), complete=True)))
    assert assess(surveyed, MOUNT, explain=False).results[0].verdict == "clear"
    assert judged_reply(JOB, MOUNT, [Reply("building", 4.0, 20.0)]).verdict == "needs-survey"


def test_blocked_needs_a_guess_that_leaves_no_doubt():
    """8 m at 10 m stands in the line, which passes 6.5 m up there, but three guesses in ten err by more."""
    assert 2.0 + 10.0 * math.tan(math.radians(ELEVATION_DEG)) == pytest.approx(6.47, abs=0.01)
    doubtful, sure = (judged_reply(JOB, MOUNT, [Reply("building", h, 10.0)]) for h in (8.0, 20.0))
    assert (doubtful.verdict, sure.verdict) == ("marginal", "blocked")
    assert doubtful.p_met == pytest.approx(0.70, abs=0.03)
    assert sure.p_met >= 0.9
    lax = replace(
        JOB, criteria=Criteria(min_p_clear=0.3)
    )  # 5.5 m is under the line, though three guesses in ten are not
    assert judged_reply(lax, MOUNT, [Reply("building", 5.5, 10.0)]).verdict != "blocked"


def test_a_guess_that_leaves_the_room_with_less_than_the_wanted_probability_is_marginal():
    """4 m at 10 m leaves the room (5.5 m is allowed), in eight guesses of ten; here no raster says anything."""
    assert judged_reply(JOB, MOUNT, [Reply("building", 4.0, 10.0)]).verdict == "marginal"
    lax = replace(JOB, criteria=Criteria(min_p_clear=0.7))
    assert judged_reply(lax, MOUNT, [Reply("building", 4.0, 10.0)]).verdict == "needs-survey"


def bare(height_m=41.0):
    """Level bare ground of 30 m cells around the site."""
    transform = (30.0, 0.0, 280_000.0, 0.0, -30.0, 6_442_000.0)
    grid = Grid(np.full((300, 300), height_m, np.float32), transform, "EPSG:32627")
    return HeldGrid(grid, "level.tif", "bare", 30.0, 3.0)


def results(verdicts):
    """Results of a screening with given verdicts."""
    n = len(verdicts)
    numbers = [np.full(n, 1.0) for _ in range(5)]
    return ScreeningResults(
        *numbers, np.zeros(n, dtype=bool), np.full(n, np.nan), np.array(verdicts, dtype=object),
        np.array([f"Why {one}." for one in verdicts], dtype=object),
    )  # fmt: skip


def answered(verdicts, told, rasters=None):
    found = results(verdicts)
    n = len(verdicts)
    query = ScreeningQuery(SOUTH, JOB.terminal, Criteria(), 400.0)
    rasters = (bare(),) if rasters is None else rasters
    add_replies(found, np.full(n, 58.0312), np.full(n, -24.6541), np.full(n, 2.0), query,
                dict.fromkeys(range(n), told), rasters=rasters)  # fmt: skip
    return found


ALL = ["clear", "needs-survey", "marginal", "unknown", "blocked"]


@pytest.mark.parametrize(
    ("told", "after"),
    [
        ([Reply("nothing")], ["clear", "needs-survey", "marginal", "unknown", "blocked"]),
        ([Reply("building", 3.0, 40.0)], ["clear", "needs-survey", "marginal", "unknown", "blocked"]),
        ([Reply("tree", 8.0, 15.0)], ["marginal", "marginal", "marginal", "unknown", "blocked"]),
        ([Reply("other", 30.0, 12.0)], ["marginal", "blocked", "blocked", "blocked", "blocked"]),
        ([Reply("other", 30.0, 12.0)] * 3, ["marginal", "blocked", "blocked", "blocked", "blocked"]),
        (
            [Reply("nothing"), Reply("tree", 8.0, 15.0)],
            ["marginal", "marginal", "marginal", "unknown", "blocked"],
        ),
    ],
)
def test_verdicts_after_an_answer_are_never_better_than_before(told, after):
    found = answered(ALL, told)
    assert list(found.verdict) == after
    assert all(RANK[b] >= RANK[a] for a, b in zip(ALL, found.verdict, strict=True))
    assert np.isnan(found.numbers["answer_p_room"][4])
    assert found.reason[4] == "Why blocked."


def test_what_was_answered_is_written_and_reasons_say_so():
    found = answered(["needs-survey"], [Reply("tree", 8.0, 15.0), Reply("nothing")])
    assert found.texts["answer"][0] == "tree 8 m high, 15 m away; nothing"
    assert found.reason[0].startswith(
        "The caller names a tree 8 m high 15 m away: with the errors of a guess by eye"
    )
    assert found.reason[0].endswith("Why needs-survey.")
    assert 0.0 < found.numbers["answer_p_room"][0] < 0.5


def test_without_ground_nothing_changes():
    """An address outside the raster stays as it is, and gets no probability."""
    away = Grid(
        np.full((10, 10), 41.0, np.float32), (30.0, 0.0, 500_000.0, 0.0, -30.0, 6_000_000.0), "EPSG:32627"
    )
    found = answered(
        ["unknown"], [Reply("tree", 30.0, 15.0)], rasters=(HeldGrid(away, "away.tif", "bare", 30.0, 3.0),)
    )
    assert found.verdict[0] == "unknown"
    assert np.isnan(found.numbers["answer_p_room"][0])
