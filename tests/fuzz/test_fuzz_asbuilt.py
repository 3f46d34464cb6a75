"""Damaged as-built files."""

from checks import holds

test_damaged_asbuilt = holds("asbuilt")
