"""Damaged lists of addresses."""

from checks import holds

test_damaged_addresses = holds("addresses")
test_damaged_address_points = holds("address points")
test_damaged_parquet = holds("parquet")
