"""Damaged elevation rasters."""

from checks import holds

test_damaged_tiff = holds("tiff")
test_damaged_mosaic = holds("mosaic")
test_damaged_grids = holds("grids")
test_damaged_erdas = holds("erdas")
test_damaged_raster_geopackage = holds("raster geopackage")
