"""Margins against a brute-force search over the fine raster that shares no code with the library."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod, Transformer

from skysill.bulk.compiled.kernel import dish_clearances
from skysill.bulk.compiled.placed import place_dishes
from skysill.bulk.compiled.raster_stack import raster_stack
from skysill.bulk.prefilter import ScreeningQuery
from skysill.model.site import Criteria, Satellite, Terminal
from small_village import addresses, sources

pytest.importorskip("numba")

WITHIN_M, STEPS = 50.0, 4


def points(grid, x, y):
    """Easting, northing and height of bilinear ground around a place, STEPS by STEPS points a cell."""
    a, _, left, _, e, top = grid.transform
    row, column = (y - top) / e, (x - left) / a
    reach = int(WITHIN_M / abs(a)) + 1
    rows = np.clip(int(row) + np.arange(-reach, reach), 0, grid.values.shape[0] - 2)
    columns = np.clip(int(column) + np.arange(-reach, reach), 0, grid.values.shape[1] - 2)
    share = np.arange(STEPS) / STEPS
    z = grid.values.astype(float)
    down = share[:, None]
    found = []
    for r in np.unique(rows):
        c = np.unique(columns)
        upper, lower = z[r, c][:, None, None], z[r + 1, c][:, None, None]
        upper = upper + (z[r, c + 1][:, None, None] - upper) * share
        lower = lower + (z[r + 1, c + 1][:, None, None] - lower) * share
        height = upper + (lower - upper) * down
        east = left + a * (c[:, None, None] + share + 0 * down)
        north = top + e * (r + down + 0 * share) + 0 * c[:, None, None]
        found.append(np.stack([east.ravel(), north.ravel(), height.ravel()]))
    return np.concatenate(found, axis=1)


def test_margins_of_three_hundred_addresses():
    rasters, asked = sources()[:1], ScreeningQuery(Satellite("Demo", -20.0), Terminal(), Criteria(), 700.0)
    grid = rasters[0].grid
    latitude, longitude, height = addresses(300, 51)
    stack = raster_stack(rasters, [grid])
    dishes = place_dishes(stack, latitude, longitude, height, asked)
    found = dish_clearances(stack, dishes, asked)
    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True)
    compared = []
    for at in np.flatnonzero(~found.met & (found.slant_m < 0.9 * WITHIN_M) & (found.slant_m > 8.0)):
        x, y = to_plane.transform(longitude[at], latitude[at])
        # the azimuth on the plane, by a step along the geodesic
        east, north, _ = Geod(ellps="WGS84").fwd(longitude[at], latitude[at], dishes.azimuth_deg[at], 50.0)
        ahead = np.array(to_plane.transform(east, north)) - (x, y)
        unit = ahead / np.hypot(*ahead)
        scale = np.hypot(*ahead) / 50.0
        e, n, z = points(grid, x, y)
        forward, right = (
            ((e - x) * unit[0] + (n - y) * unit[1]) / scale,
            ((e - x) * unit[1] - (n - y) * unit[0]) / scale,
        )
        away = np.hypot(forward, right)
        some = (away > 0.3) & (away < WITHIN_M)
        forward, right, away = forward[some], right[some], away[some]
        rise = z[some] - dishes.antenna_m[at] - away**2 / (2 * 8.5e6)
        up = np.deg2rad(dishes.apparent_deg[at])
        # the angle to a vertical column: to its top, or to its nearest point where it reaches higher
        along, across = forward * np.cos(up) + rise * np.sin(up), rise * np.cos(up) - forward * np.sin(up)
        top = np.arctan2(np.hypot(right, across), along)
        beside = np.arcsin(np.cos(up) * np.abs(right) / away)
        over = (forward > 0) & (rise * np.cos(up) * forward / away >= away * np.sin(up))
        slant = np.hypot(away, rise)
        terminal = Terminal()
        wave = 0.299792458 / terminal.lowest_ghz
        needed = np.arctan((terminal.dish_diameter_m / 2 + 0.6 * np.sqrt(wave * slant)) / slant)
        compared.append(np.rad2deg((np.where(over, beside, top) - needed).min()) - found.spare_deg[at])
    compared = np.array(compared)
    assert compared.size > 60
    # points lie between the rays of the fan and rays between the points: either may miss the highest by a little
    assert np.median(np.abs(compared)) < 0.05
    assert compared.min() > -0.1
    assert compared.max() < 0.6
