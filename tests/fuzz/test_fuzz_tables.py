"""Damaged tables of readings."""

from checks import holds

test_damaged_horizon = holds("horizon")
