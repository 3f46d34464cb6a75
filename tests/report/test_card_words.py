"""Words and marks of the roof card, one by one, from a card with few places."""

from __future__ import annotations

import inspect
import re
from dataclasses import replace

import numpy as np
import pytest

from card_scene import MADE, card_job
from skysill.assessment.cautions import spot_cautions
from skysill.model.obstacle_builders import building
from skysill.model.site import MastKit
from skysill.pointing.sun_guides import local_zone
from skysill.report.card import roof_card
from skysill.report.card_page import _zone_name, card_page
from skysill.report.card_plan import _SHAPES, WIDTH, _Frame, _north_and_scale, _obstacle
from skysill.report.formatting import metres


@pytest.fixture(scope="module")
def card():
    job = card_job()
    kits = (MastKit("short pole", (0.5, 1.0, 1.5)), MastKit("long pole", (2.0, 3.0, 4.0)))
    job = replace(job, satellites=job.satellites[:1], mast_kits=kits)
    return roof_card(job, made=MADE, weeks=1, grid_step_m=4.0)


@pytest.fixture(scope="module")
def page(card):
    return card_page(card)


def test_the_last_day_is_the_last_one_with_shadows(page):
    assert (page.first_day, page.last_day) == (
        page.satellites[0].days[0].iso,
        page.satellites[0].days[-1].iso,
    )
    assert len(page.satellites[0].days) == 7
    assert inspect.signature(roof_card).parameters["weeks"].default == 4  # as the command's help says


def test_what_controls_is_named_with_its_distance_and_the_room(card, page):
    told = 0
    for place, answer in zip(card.places, page.satellites[0].answers, strict=True):
        of = place.answers[0]
        if of.controlling is None:
            continue
        text = dict(answer.facts)["controls"]
        assert text.startswith(f"{of.controlling.name} (")
        assert f"{metres(of.controlling.distance_m)} away" in text
        assert text.endswith(f": {metres(of.clearance_m)} of room, {metres(of.required_m)} needed")
        told += 1
    assert told > 2


def test_columns_of_figures_are_set_as_such(page):
    best = page.satellites[0].best
    for number, head in enumerate(best.heads[1:], start=1):
        figures = all(re.match(r"[\d-]|none up to", row[number]) for row in best.rows)
        assert head.number == figures, head.text


def test_times_name_their_zone(card):
    assert _zone_name(card) == "UTC"
    assert _zone_name(replace(card, zone=local_zone("Asia/Tokyo"))) == "Asia/Tokyo, JST"
    assert (
        _zone_name(replace(card, zone=local_zone("America/Caracas"))) == "America/Caracas"
    )  # its time has no letters


def test_each_mast_names_the_kit_that_has_its_height(card):
    kits = {
        0.5: "short pole",
        1.0: "short pole",
        1.5: "short pole",
        2.0: "long pole",
        3.0: "long pole",
        4.0: "long pole",
    }
    answers = [place.answers[0] for place in card.places if place.answers[0].verdict is not None]
    assert answers[0].kit is None  # the named mount
    assert [one.kit for one in answers[1:]] == [kits[one.height_m] for one in answers[1:]]
    assert len(answers) > 2


def test_cautions_at_a_named_mount_count_its_tallest_mast(card):
    """The wire hangs 2.5 m over the roof, the pole is 0.6 m and may become 3 m tall."""
    job, pole = card.job, card.job.mounts[0]
    given = {
        "scene": job.sources.scene,
        "terminal": job.terminal,
        "roof": job.roof,
        "ground_elevation_m": 0.0,
    }
    texts = [
        [one.text for one in spot_cautions(pole, **given, tallest_m=tall_m)]
        for tall_m in (pole.height_m, 3.0)
    ]
    assert texts[0] != texts[1]
    assert [one.text for one in card.places[0].answers[0].cautions] == texts[1]


# --- the plan -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("verdict", sorted(_SHAPES))
def test_marks_are_alike_on_both_sides(verdict):
    points = {(round(x, 3), round(y, 3)) for x, y in _SHAPES[verdict]}
    assert {(-x, y) for x, y in points} == points
    if verdict != "marginal":
        assert {(x, -y) for x, y in points} == points
    assert np.abs(list(points)).max() <= 1.3


def test_other_roofs_are_drawn_through_and_buildings_filled():
    frame = _Frame(np.array([[-20.0, -10.0], [20.0, 10.0]]))
    ring = [[9, -8], [20, -8], [20, 8], [9, 8]]
    barn = building("barn", ring, ground_elevation_m=0, top_elevation_m=8)
    for kind, filled in (("building", True), ("roof", False)):
        [drawn] = _obstacle(replace(barn, kind=kind), frame)
        assert ('fill="none"' in drawn) != filled
        assert "<title>barn</title>" in drawn


@pytest.mark.parametrize("across_m", [6.0, 30.0, 90.0, 1500.0, 9000.0])
def test_the_scale_bar_is_as_long_as_it_says(across_m):
    frame = _Frame(np.array([[0.0, 0.0], [across_m, across_m]]))
    parts = "".join(_north_and_scale(frame))
    bar, said_m = float(re.search(r"h([\d.]+)", parts)[1]), float(re.search(r">(\d+) m<", parts)[1])
    assert bar == pytest.approx(said_m * frame.scale, abs=0.1)
    assert 40.0 <= bar < WIDTH / 2.0 or across_m > 5000.0
    assert said_m <= 1000.0
