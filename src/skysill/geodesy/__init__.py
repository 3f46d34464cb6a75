"""Written positions and angles, grid codes, distances and offsets on the ellipsoid."""
