"""Many places at once: screening and rasters of least heights."""
