"""Damaged vector files."""

from checks import holds

test_damaged_geojson = holds("geojson")
test_damaged_geopackage = holds("geopackage")
test_damaged_shapefile = holds("shapefile")
test_damaged_flatgeobuf = holds("flatgeobuf")
test_damaged_geoparquet = holds("geoparquet")
