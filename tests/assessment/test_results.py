"""Results as rows: which is worse, and what of them is written."""

from __future__ import annotations

from dataclasses import fields, replace

from brackendale import job
from skysill.assessment.clearance import Clearance
from skysill.assessment.pipeline import assess
from skysill.assessment.results import Assessment, result_severity
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
