"""Damaged tables of readings, whole and row by row, and of what callers answered."""

from checks import holds

test_damaged_horizon = holds("horizon")
test_damaged_rows = holds("rows")
test_damaged_answers = holds("answers")
