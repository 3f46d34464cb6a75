"""Texts that go to callers: columns of several addresses at once, and how probabilities are worded."""

import datetime as dt

import numpy as np
import pytest

from skysill.bulk.questions import CallDay, add_questions
from skysill.bulk.replies import JudgedReply, Reply, _reason
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.model.link import Link
from skysill.model.site import Criteria, Terminal


def test_addresses_of_one_list_get_the_sun_of_their_own_azimuth():
    """At 58 degrees north on 1 December the sun stands in the south-east about three hours before the south, and in
    the north never: by hand from 15 degrees an hour; 40 minutes are allowed.
    """
    n, nothing = 4, np.full(4, np.nan)
    results = ScreeningResults(
        np.array([180.0, 135.0, 20.0, 180.0]), np.full(n, 24.0), nothing, nothing, nothing, np.zeros(n, bool), nothing,
        np.array(["needs-survey", "needs-survey", "needs-survey", "blocked"], dtype=object), np.full(n, "", object),
    )  # fmt: skip
    place = np.full(n, 58.0312), np.full(n, -24.6541), np.full(n, 2.0)
    add_questions(
        results,
        *place,
        link=Link(Terminal(), Criteria()),
        day=CallDay(dt.datetime(2026, 12, 1, tzinfo=dt.UTC)),
    )
    south, east, north, blocked = (
        {name: column[k] for name, column in results.texts.items()} for k in range(n)
    )
    times = [dt.datetime.fromisoformat(one["sun_time"]) for one in (east, south)]
    assert 2.3 < (times[1] - times[0]).total_seconds() / 3600.0 < 3.7
    assert (
        times[1].strftime("%H:%M") == "13:28"
    )  # 12:00 and 4 minutes a degree, less 11 minutes (equation of time, from memory)
    assert north["sun_time"] == ""
    assert set(blocked.values()) == {""}


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "under 1 %"), (0.009, "under 1 %"), (0.015, "of 2 %"), (0.5, "of 50 %"), (0.992, "over 99 %")],
)
def test_probabilities_are_worded_in_whole_percents(share, said):
    text = _reason(JudgedReply("marginal", share, 0.0), [Reply("tree", 8.0, 15.0)], "marginal")
    assert said in text
