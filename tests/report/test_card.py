"""The roof card: its answers tried as actions, strict HTML that fetches nothing, and what is unknown said in words."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace

import html5lib
import numpy as np
import pytest
from pytest import approx

from card_scene import MADE, NASTY, card_job
from hall_scene import hall_job, least_by_hand_m
from skysill.errors import InputError
from skysill.model.site import Terminal
from skysill.report.card import roof_card
from skysill.report.card_page import card_page
from skysill.report.html import card_html

XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def card():
    return roof_card(card_job(), made=MADE, weeks=2, grid_step_m=2.0)


@pytest.fixture(scope="module")
def text(card):
    return card_html(card)


@pytest.fixture(scope="module")
def page(card):
    return card_page(card)


def tree(text):
    return html5lib.HTMLParser(strict=True).parse(text)


def words(element) -> str:
    return " ".join("".join(element.itertext()).split())


# --- the answers ----------------------------------------------------------------------------------------------


def test_every_place_has_an_answer_for_every_satellite(card):
    assert card.places[0].name == "pole"
    assert len(card.places) == 1 + 15  # 12 by 8 m less a metre all round: 5 by 3 spots
    assert {len(one.answers) for one in card.places} == {2}
    for place in card.places[1:]:
        answer = place.answers[0]
        if answer.verdict is not None and answer.least_height_m is not None:
            assert answer.least_height_m == approx(least_by_hand_m(place.east_m), abs=0.051)


def test_the_best_places_are_in_the_order_of_the_ranking(card):
    best = [card.places[k].answers[0] for k in card.satellites[0].best]
    assert len(best) == 5
    assert all(answer.verdict == "clear" for answer in best)
    heights = [answer.least_height_m for answer in best]
    assert heights == sorted(heights)
    plan = np.array([(card.places[k].east_m, card.places[k].north_m) for k in card.satellites[0].best])
    apart = np.linalg.norm(plan[:, None] - plan[None], axis=2) + 9.0 * np.eye(5)
    assert apart.min() >= 1.5


def test_a_satellite_below_the_horizon_is_said_to_be_so(card, page):
    assert {place.answers[1].verdict for place in card.places} == {"blocked", None}
    assert page.satellites[1].pointing == ()
    assert page.satellites[1].where == "Far west is below the horizon here."
    assert page.satellites[1].headline.startswith("Far west: no place serves with a mast up to 6.00 m.")
    assert page.satellites[1].days == ()


def test_the_guides_are_seen_from_each_place(card):
    """The spire stands 300 m due north of the origin: from a spot x m east of it, it bears atan(-x / 300) of north."""
    for place in card.places:
        if not place.answers[0].guides:
            continue
        guide = next(g for g in place.answers[0].guides if g.kind == "landmark")
        bearing_deg = np.rad2deg(np.arctan2(-place.east_m, 300.0 - place.north_m))
        assert (guide.bearing_deg + 180.0) % 360.0 - 180.0 == approx(bearing_deg, abs=0.01)
        assert guide.turn_deg == approx(90.0 - bearing_deg, abs=0.05)  # the satellite stands due east


def test_cable_runs_are_those_of_a_tape_round_the_roof(card):
    """A flat roof at 5 m, entry in the middle of the east wall 3 m below: level to the edge, down, and the mast;
    a tenth and 2 m are added (common practice, no source).
    """
    for place in card.places[1:]:
        answer = place.answers[0]
        if answer.verdict is None or place.north_m != 0.0:
            continue
        assert answer.cable_run_m == approx(
            1.1 * (answer.height_m + 6.0 - place.east_m + 3.0) + 2.0, abs=0.02
        )
        assert answer.cable_ok is (answer.cable_run_m <= 15.0)


def test_an_overhead_line_is_said_at_the_spots_it_passes(card, page):
    near = [a for a in page.satellites[0].answers if any("service wire" in c for c in a.cautions)]
    far = [a for a in page.satellites[0].answers if not any("service wire" in c for c in a.cautions)]
    assert near
    assert far
    assert all(abs(card.places[a.place].north_m - 5.0) < 6.0 for a in near)


# --- unknown is said ------------------------------------------------------------------------------------------


def test_what_is_not_known_stands_there_in_words():
    """No cable entry, no offset angle, an incomplete list of obstacles, no date for magnetic bearings."""
    job = hall_job(min_p_clear=0.9, terminal=Terminal(dish_diameter_m=0.8, receive_ghz=12.0))
    scene = replace(job.sources.scene, complete=False)
    made = roof_card(
        replace(job, sources=replace(job.sources, scene=scene)), made=MADE, weeks=1, grid_step_m=5.0
    )
    page = card_page(made)
    [south] = page.satellites
    assert {a.verdict for a in south.answers} <= {"needs-survey", "unknown", "blocked", "marginal", ""}
    for answer in south.answers:
        facts = dict(answer.facts)
        if answer.verdict:
            assert facts["cable"] == "not known: no cable entry is given"
            assert answer.verdict != "needs-survey" or facts["probability"] == "not assessed"
        else:
            assert facts["mast"] == "none: in keep-out area of the roof"
        assert all(value for value in facts.values())
    pointing = dict(south.pointing)
    assert pointing["dish face from plumb"] == "not known: the dish's offset angle is not stated"
    assert pointing["azimuth, magnetic"].startswith("not known")


def test_days_without_a_fit_shadow_say_so(page):
    """At the equator the sun stands over 60 degrees high from about 10 to 14 o'clock at all seasons."""
    day = page.satellites[0].days[0]
    hours = [int(hour[:2]) for hour in day.hours]
    assert hours
    assert not {11, 12, 13} & set(hours)


# --- the file -------------------------------------------------------------------------------------------------


def test_a_general_parser_finds_no_error(text):
    tree(text)


def test_it_fetches_nothing_and_allows_only_its_own_script(text):
    found = tree(text)
    scripts = list(found.iter(f"{XHTML}script"))
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].text.encode()).digest()).decode()
    [policy] = [
        e.attrib["content"]
        for e in found.iter(f"{XHTML}meta")
        if e.attrib.get("http-equiv", "").startswith("Content")
    ]
    assert (
        policy
        == f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    )
    for element in found.iter():
        assert not any(name.startswith("on") for name in element.attrib), element.attrib
        for name in ("src", "href", "data", "srcset", "action"):
            address = element.attrib.get(name)
            assert address is None or address.startswith(("data:image/", "#")), address
    assert not re.search(r"@import|fetch\(|XMLHttp|import\(|https?://(?!www\.w3\.org/2000/svg)", text)


def test_names_stay_text(text):
    found = tree(text)
    assert NASTY in words(found.find(f".//{XHTML}title"))
    assert " 49 " not in words(found.find(f".//{XHTML}h1"))


def test_the_same_job_gives_the_same_bytes(text):
    first, again = (card_html(roof_card(card_job(), made=MADE, weeks=1, grid_step_m=4.0)) for _ in range(2))
    assert again == first
    assert len(text.encode()) < 3_000_000


def test_cautions_come_before_every_answer(text, card):
    found = [e for e in tree(text).iter() if e.tag in (f"{XHTML}h2", f"{XHTML}details", f"{SVG}svg")]
    assert found[0].attrib["id"] == "safety"
    said = words(tree(text).find(f".//{XHTML}section"))
    assert len(card.cautions) > 6
    assert all(" ".join(caution.split()) in said for caution in card.cautions)
    for answer in tree(text).iter(f"{XHTML}details"):
        inside = [e.attrib.get("class", "") for e in answer]
        if "danger" in inside:
            assert inside.index("danger") == 1  # straight after its heading


def test_without_the_script_every_answer_and_day_is_in_the_document(text, card):
    found = tree(text)
    answers = [e for e in found.iter(f"{XHTML}details") if "answer" in e.attrib.get("class", "").split()]
    assert len(answers) == 2 * len(card.places)
    assert not any("hidden" in e.attrib for e in answers)
    days = [e for e in found.iter(f"{XHTML}li") if "data-day" in e.attrib]
    assert len(days) == 14
    assert "2026-06-15" in words(days[0])
    assert "Best places" in words(found)


def test_the_plan_marks_every_place_with_its_verdict(text, card):
    found = tree(text)
    plans = [e for e in found.iter(f"{SVG}svg") if e.attrib.get("class") == "plan"]
    assert len(plans) == 2
    marks = {e.attrib["data-place"]: e for e in plans[0].iter(f"{SVG}g") if e.attrib.get("class") == "mark"}
    assert sorted(map(int, marks)) == list(range(len(card.places)))
    scale = None
    for place, mark in ((card.places[int(k)], m) for k, m in marks.items()):
        filled = next(iter(mark)).attrib["fill"]
        expected = {"clear": "#56B4E9", "blocked": "#D55E00", "marginal": "#F0E442", None: "none"}
        assert filled == expected[place.answers[0].verdict]
        x = float(mark.attrib["data-x"])
        scale = scale or [(place.east_m, x)]
        scale.append((place.east_m, x))
    east, x = np.array(scale).T
    slope, at_zero = np.polyfit(east, x, 1)
    assert slope > 0.0
    assert x == approx(slope * east + at_zero, abs=0.1)


# --- refusals -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("weeks", [0, 27])
def test_weeks_out_of_range_are_refused(weeks):
    with pytest.raises(InputError, match=f"{weeks} weeks are out of range. Give 1 to 26 weeks."):
        roof_card(card_job(), made=MADE, weeks=weeks)


def test_a_card_that_no_phone_opens_is_refused(card, monkeypatch):
    monkeypatch.setattr("skysill.report.html.MOST_CARD_BYTES", 20_000)
    with pytest.raises(
        InputError, match=r"the card would have [\d,]+ bytes, more than 20,000\. Take a coarser grid"
    ):
        card_html(card)


def test_another_zone_moves_the_clock_and_not_the_sun(card):
    from skysill.pointing.sun_guides import local_zone

    there = roof_card(
        replace(card_job(), satellites=card_job().satellites[:1]),
        made=MADE, weeks=1, grid_step_m=5.0, zone=local_zone("Asia/Tokyo"),
    )  # fmt: skip
    hour = there.satellites[0].days[0].hours[0].time.astimezone(local_zone("Asia/Tokyo"))
    assert (hour.date(), hour.minute) == (MADE, 0)
    assert "Asia/Tokyo" in card_page(there).satellites[0].shadow_how
