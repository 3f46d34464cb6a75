"""Readings of two records are compared by what was typed."""

from skysill.report.record_changes import record_changes


def changes(before, now):
    last, later = ({"survey": {"readings": rows}} for rows in (before, now))
    return record_changes(last, later).changes


def test_rows_count_by_their_bearing():
    assert changes([], [{"elevation_deg": 3.0}]) == ()
    assert changes([], [{"bearing_deg": 120.0}]) == ("1 reading new: at 120°.",)
    assert changes([{"bearing_deg": 120.0}], []) == ("1 reading no longer there: at 120°.",)


def test_another_correction_of_the_compass_is_told_from_a_twentieth_of_a_degree():
    def turned(before, now):
        last, later = ({"survey": {"correction_deg": by}} for by in (before, now))
        return record_changes(last, later).changes

    assert turned(-6.4, -6.1) == ("Readings are turned by -6.1° to true north now, -6.4° before.",)
    assert turned(2.0, 2.04) == ()
    assert turned(None, 2.0) == ()
