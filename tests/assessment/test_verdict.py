"""The rules in order, each by the sentence it says."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from skysill.assessment.clearance import Clearance, Controlling
from skysill.assessment.confidence import Confidence
from skysill.assessment.verdict import RANK, Findings, decide

SPIRE = Controlling("chapel spire", "building", "obstacle", 179.0, 17.0, 40.0, False)


def room(margin, spare):
    return Clearance(
        margin_deg=margin, vertical_margin_deg=margin, clearance_m=40 * margin / 57.3, required_m=1.0,
        fresnel_radius_m=0.8, fresnel_ratio=1.0, blocked_fraction=0.0, loss_db=0.0, controlling=SPIRE, spare_deg=spare,
    )  # fmt: skip


CLEAR = Findings(
    satellite="Demo South",
    elevation_apparent_deg=24.1,
    now=room(7.1, 5.0),
    later=room(7.1, 5.0),
    years=5.0,
    uncovered=None,
    near_seen=True,
    near_unreliable=None,
    confidence=Confidence(0.97, 0.004),
    min_p_clear=0.9,
)


def verdict(**changes):
    return decide(replace(CLEAR, **changes))


@pytest.mark.parametrize(
    ("changes", "word", "sentence"),
    [
        ({}, "clear", "The tightest place is chapel spire, 40 m away"),
        ({"near_seen": False}, "needs-survey", "Trees and buildings nearby were not assessed"),
        ({"near_unreliable": "Only coarse cells saw it."}, "needs-survey", "Only coarse cells saw it."),
        (
            {"confidence": Confidence(0.85, 0.01, "compass", 1.2)},
            "marginal",
            "Check it against the sun or a landmark (type [[sun_sightings]]",
        ),
        (
            {"later": room(1.0, -1.0)},
            "marginal",
            "Chapel spire, 40 m away, grows: in 5 years it leaves 0.70 m of room where 1.00 m is needed",
        ),
        (
            {"later": room(-1.0, -3.0)},
            "marginal",
            "Chapel spire, 40 m away, grows into the line in 5 years; there is room today.",
        ),
        (
            {"now": room(1.0, -1.0), "later": room(1.0, -1.0)},
            "marginal",
            "Chapel spire, 40 m away, leaves 0.70 m of room where 1.00 m is needed, 1.0 degrees beside the line; ",
        ),
        ({"uncovered": "Nobody has looked."}, "unknown", "Nobody has looked."),
        (
            {"now": room(-2.0, -4.0)},
            "blocked",
            "Chapel spire, 40 m away, stands in the line to the satellite.",
        ),
        ({"elevation_apparent_deg": -3.2}, "blocked", "3.2 degrees below the true horizon"),
    ],
)
def test_each_rule_says_its_sentence(changes, word, sentence):
    said, reasons = verdict(**changes)
    assert said == word
    assert any(sentence in reason for reason in reasons)


def test_precedence_is_blocked_unknown_marginal_needs_survey_clear():
    """Faults are taken away one by one, the gravest first; each time the next gravest speaks."""
    faults = {
        "now": room(-2.0, -4.0),
        "uncovered": "Nobody has looked.",
        "later": room(1.0, -1.0),
        "near_seen": False,
    }
    order = ["blocked", "unknown", "marginal", "needs-survey", "clear"]
    for at, word in enumerate(order):
        assert verdict(**dict(list(faults.items())[at:]))[0] == word
    assert [RANK[word] for word in order] == [4, 3, 2, 1, 0]


def test_a_blocked_ray_tells_of_the_gap_besides():
    _, reasons = verdict(now=room(-2.0, -4.0), uncovered="Nobody has looked north.")
    assert reasons[1] == "Besides: nobody has looked north."


@pytest.mark.parametrize(
    "changes",
    [
        {"near_seen": False},
        {"near_unreliable": "Only coarse cells saw it."},
        {"hidden": "A wood may stand unseen."},
        {"near_seen": False, "set_aside": "Four readings were set aside."},
        {"now": room(1.0, -1.0), "later": room(1.0, -1.0)},
        {"later": room(-1.0, -3.0)},
        {"confidence": Confidence(0.85, 0.01, "compass", 1.2)},
        {"now": room(-2.0, -4.0)},
    ],
)
def test_the_first_reason_opens_with_its_cause(changes):
    """Not with what is all right: nobody on the phone waits for the second sentence."""
    _, reasons = verdict(**changes)
    assert not reasons[0].startswith(("The line is free", "There is room", "Nothing", "With the stated"))


@pytest.mark.parametrize("dominant", [None, "compass", "tree growth", "measured distance"])
@pytest.mark.parametrize("p_clear", [0.0, 0.5, 0.85, 0.95, 0.999])
def test_probability_and_room_are_said_once(p_clear, dominant):
    for now in (room(7.1, 5.0), room(1.0, -1.0)):
        sure = Confidence(p_clear, 0.01, dominant, 1.2)
        word, reasons = verdict(confidence=sure, now=now, later=now)
        said = " ".join(reasons)
        assert said.count("probability") == int(p_clear < 0.9 or word == "clear")
        assert said.count("m is needed") <= 1
        assert said.count("degrees beside the line") <= 1
        if "probability" in said:
            assert ("over 99 %" in said) == (p_clear > 0.99)
            assert ("under 1 %" in said) == (p_clear < 0.01)


@pytest.mark.parametrize(
    ("dominant", "key"),
    [
        ("compass", "measured_bearing_deg"),
        ("clinometer", "inclination_error_deg"),
        ("measured distance", "distance_m"),
        ("elevation raster", "--horizon FILE"),
        ("obstacle survey", "height_error_m"),
        ("tree growth", "growth_m_per_year"),
    ],
)
def test_what_makes_it_uncertain_comes_with_its_remedy_and_its_key(dominant, key):
    [reason] = verdict(confidence=Confidence(0.6, 0.01, dominant, 1.2))[1]
    assert reason.startswith(f"The {dominant} alone moves the room by 1.2 degrees")
    assert re.search(rf"\(type [^()]*{re.escape(key)}[^()]*\)", reason)


def test_a_satellite_below_the_horizon_says_how_deep():
    word, reasons = verdict(elevation_apparent_deg=-3.2)
    assert word == "blocked"
    assert "it stands 3.2 degrees below the true horizon" in reasons[0]


def test_what_stands_behind_the_dish_is_not_near_the_line():
    """More than a right angle off; at 89 degrees it is still told."""
    behind = verdict(now=room(95.0, 90.0), later=room(95.0, 90.0))[1][0]
    beside = verdict(now=room(89.0, 84.0), later=room(89.0, 84.0))[1][0]
    assert behind == "Nothing stands near the line to the satellite."
    assert beside.startswith("The tightest place is chapel spire")


def test_an_edge_beside_the_dish_needs_the_metres_as_well_as_the_angle():
    """1.22 m away and 33.6 degrees beside the ray: 1.22 sin(33.6) = 0.67 m (rounded down). 0.68 m are required, whose
    angle atan(0.68 / 1.22) = 29.1 degrees is there."""
    parapet = Controlling("parapet", "wall", "obstacle", 179.0, -10.0, 1.22, False)
    near = replace(room(33.6, 4.5), clearance_m=0.67, required_m=0.68, controlling=parapet)
    for state in ({"now": near, "later": near}, {"later": near}):
        word, (reason, *_) = verdict(**state)
        assert word == "marginal"
        assert "0.67 m of room where 0.68 m is needed" in reason
    enough = replace(near, clearance_m=0.685)
    assert verdict(now=enough, later=enough)[0] == "clear"
