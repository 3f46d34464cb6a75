"""Damaged photographs."""

from checks import holds

test_damaged_photos = holds("photos")
