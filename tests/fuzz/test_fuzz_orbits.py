"""Damaged orbit files of every form."""

from checks import holds

test_damaged_orbits = holds("orbits")
