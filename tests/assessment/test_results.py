"""Results as rows: which is worse, and what of them is written."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from pytest import approx

from brackendale import job
from skysill.assessment.clearance import Clearance
from skysill.assessment.pipeline import assess
from skysill.assessment.results import Assessment, result_severity
from skysill.assessment.verdict import Findings, _certainty, _metres, _room, _what, decide
from skysill.model.obstacle_builders import building
from skysill.model.scene import Scene
from skysill.model.site import Mount


def test_of_one_verdict_the_least_room_is_the_worst_and_nothing_in_the_way_the_best():
    [found] = assess(job(), Mount(height_m=2.0)).results
    rows = [replace(found, clearance=Clearance(spare_deg=spare)) for spare in (0.5, None, -2.0, 7.0)]
    order = [row.clearance.spare_deg for row in sorted(rows, key=result_severity)]
    assert order == [None, 7.0, 0.5, -2.0]
    worse = replace(rows[1], verdict="blocked")
    assert max([*rows, worse], key=result_severity) is worse


def test_what_pictures_need_is_not_written():
    hidden = {field.name for field in fields(Assessment) if field.metadata.get("json") is False}
    assert hidden == {"criteria", "date", "evidence", "silhouettes", "profile", "paths"}
    assert assess(job(), Mount(height_m=2.0)).schema == 1  # the JSON's own version


def test_the_centre_ray_is_met_only_at_a_margin_of_zero_or_less():
    assert [Clearance(margin_deg=margin).obstructed for margin in (0.5, 0.0, -1.0, None)] == [
        False,
        True,
        True,
        False,
    ]


def test_something_far_from_the_line_is_named_where_nothing_else_stands():
    """A wall 60 m to the north, 1 m under the dish: the margin is the ray's elevation and a degree more."""
    hut = building("hut", [[-20, 60], [20, 60], [20, 70], [-20, 70]], ground_elevation_m=100.0, height_m=1.0)
    [found] = assess(job(scene=Scene((hut,), complete=True)), Mount(height_m=2.0)).results
    turn = np.radians(found.look.azimuth_deg)
    below_deg = np.degrees(np.arctan(1.0 / (60.0 / np.cos(turn))))
    assert found.clearance.controlling.name == "hut"
    assert found.clearance.margin_deg == approx(found.look.elevation_apparent_deg + below_deg, abs=0.2)


def test_metres_are_written_to_the_decimetre_up_to_twenty_and_in_kilometres_from_ten():
    assert [_metres(m) for m in (3.04, 19.94, 20.0, 31.4, 9999.0, 12_345.0, None)] == [
        "3.0 m", "19.9 m", "20 m", "31 m", "9999 m", "12.3 km", "at an unknown distance",
    ]  # fmt: skip


def test_a_satellite_that_stands_still_has_no_track():
    assert assess(job(), Mount(height_m=2.0)).results[0].track is None


def test_nothing_near_and_nothing_sampled_is_said_plainly():
    nothing = Clearance()
    assert _what(nothing) == "nothing"
    assert _room(nothing) == "Nothing stands near the line to the satellite."
    told = Findings("Demo", 30.0, nothing, nothing, 0.0, None, True, None, None, 0.0)
    assert _certainty(told) == ()
    assert decide(told)[0] == "clear"
