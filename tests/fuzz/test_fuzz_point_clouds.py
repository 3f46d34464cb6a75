"""Damaged laser scans."""

from checks import holds

test_damaged_point_clouds = holds("pointclouds")
