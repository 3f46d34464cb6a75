"""Damaged tables of readings, and of what callers answered."""

from checks import holds

test_damaged_horizon = holds("horizon")
test_damaged_answers = holds("answers")
