"""Brackendale Mill, an invented site on the southern half of the Earth, far from the demo's island."""

from __future__ import annotations

import numpy as np

from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.site import Satellite, Site

SITE = Site("Brackendale Mill", -41.31, 147.22, ground_elevation_m=100.0, ground_source="given")
NORTH = Satellite("Invented North", 150.0)


def ground(height_m, *, cell_m=1.0, kind="surface", name="fine.tif", error_m=0.3, half_m=150.0):
    """A lattice in UTM 55S; height_m(east, north) from the site's position."""
    from pyproj import Transformer

    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:32755", always_xy=True)
    east, north = to_plane.transform(SITE.longitude_deg, SITE.latitude_deg)
    count = int(half_m / cell_m)
    steps = np.arange(-count, count + 1) * cell_m
    x, y = np.meshgrid(steps, steps[::-1])
    values = np.broadcast_to(height_m(x, y), x.shape).astype(np.float32)
    transform = (cell_m, 0.0, east + steps[0], 0.0, -cell_m, north + steps[-1])
    return HeldGrid(Grid(values, transform, "EPSG:32755"), name, kind, cell_m, error_m)


def job(*rasters, site=SITE, **sources):
    return Job(site, (NORTH,), sources=Sources(rasters=rasters, highest_ground_m=150.0, **sources))
