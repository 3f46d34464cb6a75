"""Damaged site files."""

from checks import holds

test_damaged_sitefile = holds("sitefile")
