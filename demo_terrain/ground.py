"""The invented ground of Hollinsay: a seeded landscape, shaped by simulated erosion, on a 30 m lattice.

Only additions, multiplications, divisions and square roots are used, so that every machine with IEEE arithmetic
makes the same island. Coordinates are metres east and north of the clinic on the map grid.
"""

from __future__ import annotations

import heapq
import itertools

import numpy as np

SEED = 20260614
CELL_M = 30.0
HIGHEST_M = 418.0

LAND_WEST_M, LAND_SOUTH_M = -8100.0, -9000.0  # the part of the raster that may hold land
LAND_COLUMNS, LAND_ROWS = 540, 420
RIDGE = (
    (-5200.0, -3300.0),
    (-3300.0, -2350.0),
    (-1500.0, -2050.0),
    (300.0, -2250.0),
    (2200.0, -1900.0),
    (4300.0, -2700.0),
)
VOE = ((-3600.0, 2600.0), (-2100.0, 1100.0), (-1150.0, 500.0), (-830.0, 60.0))
VILLAGE_TILT = (0.030, 0.014)  # metres of rise per metre east and north: the village slopes to its harbour
CLINIC_GROUND_M = 41.07


def smooth(t):
    """Quintic step from 0 to 1 with two vanishing derivatives at both ends."""
    t = np.clip(t, 0.0, 1.0)
    return t * t * t * (t * (t * 6.0 - 15.0) + 10.0)


def lattice_noise(x_m, y_m, *, wavelength_m, seed):
    """Smooth noise in [-1, 1]: random values on a square lattice, joined by quintic steps."""
    size = 256
    values = np.random.default_rng([SEED, seed]).random((size, size)) * 2.0 - 1.0
    u, v = x_m / wavelength_m + 131.37, y_m / wavelength_m + 127.71
    column, row = np.floor(u).astype(int), np.floor(v).astype(int)
    a, b = smooth(u - column), smooth(v - row)
    near = values[row % size, column % size] * (1 - a) + values[row % size, (column + 1) % size] * a
    far = (
        values[(row + 1) % size, column % size] * (1 - a) + values[(row + 1) % size, (column + 1) % size] * a
    )
    return near * (1 - b) + far * b


def fractal_noise(x_m, y_m, *, wavelength_m, octaves, seed, ridged=False):
    """Sum of octaves of lattice noise, each rotated against the last to hide the lattice."""
    total, weight, scale = np.zeros(np.shape(x_m)), 1.0, wavelength_m
    for octave in range(octaves):
        part = lattice_noise(x_m, y_m, wavelength_m=scale, seed=seed * 16 + octave)
        total += weight * ((1.0 - 2.0 * np.abs(part)) if ridged else part)
        x_m, y_m = 0.8 * x_m - 0.6 * y_m, 0.6 * x_m + 0.8 * y_m
        weight, scale = weight * 0.5, scale * 0.5
    return total


def distance_to_line(x_m, y_m, line):
    """Distance to a polyline, and the share of its length up to the nearest point."""
    best, share = np.full(np.shape(x_m), np.inf), np.zeros(np.shape(x_m))
    pieces = len(line) - 1
    for piece, ((x0, y0), (x1, y1)) in enumerate(itertools.pairwise(line)):
        length2 = (x1 - x0) ** 2 + (y1 - y0) ** 2
        t = np.clip(((x_m - x0) * (x1 - x0) + (y_m - y0) * (y1 - y0)) / length2, 0.0, 1.0)
        gap = np.sqrt((x_m - x0 - t * (x1 - x0)) ** 2 + (y_m - y0 - t * (y1 - y0)) ** 2)
        share = np.where(gap < best, (piece + t) / pieces, share)
        best = np.minimum(best, gap)
    return best, share


def _axes(step_m):
    columns, rows = int(LAND_COLUMNS * CELL_M / step_m), int(LAND_ROWS * CELL_M / step_m)
    x = LAND_WEST_M + (np.arange(columns) + 0.5) * step_m
    y = LAND_SOUTH_M + LAND_ROWS * CELL_M - (np.arange(rows) + 0.5) * step_m
    return np.meshgrid(x, y)


def _shore(x_m, y_m):
    """Positive on land: about the share of the distance from the shore to the island's middle."""
    radius = np.sqrt(((x_m - 300.0) / 6500.0) ** 2 + ((y_m + 2900.0) / 4600.0) ** 2)
    shore = 1.0 - radius + 0.30 * fractal_noise(x_m, y_m, wavelength_m=3600.0, octaves=6, seed=1)
    wind_m = 170.0 * fractal_noise(x_m, y_m, wavelength_m=700.0, octaves=4, seed=4)
    gap_m, share = distance_to_line(x_m + wind_m, y_m - wind_m, VOE)
    inlet = 1.0 - gap_m / (900.0 - 560.0 * share)  # a voe, narrowing to the harbour at its head
    bench = 1.0 - np.sqrt(((x_m - 150.0) / 900.0) ** 2 + ((y_m - 150.0) / 1150.0) ** 2)
    shore = np.maximum(shore, 0.25 * bench)
    return np.where(inlet > -1.0, np.minimum(shore, -inlet * 0.22), shore)


def _first_shape(x_m, y_m):
    """The land before erosion: hills, and the ridge with its steep north face, summits and cols."""
    land = smooth(_shore(x_m, y_m) / 0.45)
    hills = fractal_noise(x_m, y_m, wavelength_m=2600.0, octaves=6, seed=2, ridged=True)
    height = 95.0 * land * (1.0 + 0.9 * hills)
    warp_m = 330.0 * fractal_noise(x_m, y_m, wavelength_m=1100.0, octaves=4, seed=3)
    gap_m, share = distance_to_line(x_m + 0.8 * warp_m, y_m + warp_m, RIDGE)
    at = np.minimum((share * (len(RIDGE) - 1)).astype(int), len(RIDGE) - 2)
    along = share * (len(RIDGE) - 1) - at
    ys = np.array([p[1] for p in RIDGE])
    width_m = np.where(y_m + warp_m > ys[at] + along * (ys[at + 1] - ys[at]), 430.0, 900.0)
    summits = lattice_noise(share * 9000.0, 0.0 * share, wavelength_m=1150.0, seed=78)
    ends = smooth(share / 0.2) * smooth((1.0 - share) / 0.3)
    crest = ends * (300.0 + 150.0 * summits)
    spurs = 1.0 + 0.35 * fractal_noise(x_m, y_m, wavelength_m=1500.0, octaves=5, seed=7, ridged=True)
    return np.where(land > 0, height + land * crest * spurs / (1.0 + (gap_m / width_m) ** 2), 0.0)


def _filled(height_m, sea):
    """Depressions filled to their outlet, with 1 mm of rise a cell away from it, so that all water reaches the sea."""
    columns = height_m.shape[1]
    bottom, done = height_m.ravel().tolist(), sea.ravel().tolist()  # the rim of the lattice is all sea
    level = list(bottom)
    shore = sea.copy()
    shore[1:-1, 1:-1] &= ~(sea[:-2, 1:-1] & sea[2:, 1:-1] & sea[1:-1, :-2] & sea[1:-1, 2:])
    queue = [(level[at], at) for at in np.flatnonzero(shore).tolist()]
    heapq.heapify(queue)
    size = len(level)
    around = (-columns - 1, -columns, -columns + 1, -1, 1, columns - 1, columns, columns + 1)
    while queue:
        height, at = heapq.heappop(queue)
        for step in around:
            to = at + step
            if 0 <= to < size and not done[to]:
                done[to] = True
                level[to] = max(bottom[to], height + 1e-3)
                heapq.heappush(queue, (level[to], to))
    return np.array(level).reshape(height_m.shape)


def _receivers(level_m, step_m):
    """Index of the steepest neighbour downhill and the distance to it."""
    rows, columns = level_m.shape
    index = np.arange(level_m.size).reshape(level_m.shape)
    wide = np.pad(level_m, 1, mode="edge")
    index_wide = np.pad(index, 1, mode="edge")
    best, to, length = np.zeros(level_m.shape), index.copy(), np.full(level_m.shape, step_m)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            if down == right == 0:
                continue
            reach = step_m * (1.4142135623730951 if down and right else 1.0)
            part = (slice(1 + down, 1 + down + rows), slice(1 + right, 1 + right + columns))
            slope = (level_m - wide[part]) / reach
            better = slope > best
            best = np.where(better, slope, best)
            to = np.where(better, index_wide[part], to)
            length = np.where(better, reach, length)
    return to.ravel(), length.ravel()


def eroded(height_m, *, step_m, rounds, strength, hardness, creep):
    """Erosion of a landscape: the stream power law, solved implicitly from the sea upward, and slope creep.

    Whipple & Tucker (1999), J. Geophys. Res. 104(B8), area exponent 1/2, slope exponent 1; the implicit scheme
    after Braun & Willett (2013), Geomorphology 180-181 (both from memory).
    """
    sea = height_m <= 0.0
    for _ in range(rounds):
        level = _filled(height_m, sea)
        to, length = _receivers(level, step_m)
        order = np.argsort(level.ravel(), kind="stable")
        area = [step_m * step_m] * level.size
        receiver = to.tolist()
        for at in order[::-1].tolist():
            if receiver[at] != at:
                area[receiver[at]] += area[at]
        factor = (strength * np.sqrt(np.array(area)) / length / hardness.ravel()).tolist()
        cut = level.ravel().tolist()
        for at in order.tolist():
            if receiver[at] != at:
                cut[at] = (cut[at] + factor[at] * cut[receiver[at]]) / (1.0 + factor[at])
        height_m = np.array(cut).reshape(level.shape)
        wide = np.pad(height_m, 1, mode="edge")
        mean = (wide[:-2, 1:-1] + wide[2:, 1:-1] + wide[1:-1, :-2] + wide[1:-1, 2:]) / 4.0
        height_m = np.where(sea, 0.0, height_m + creep * (mean - height_m))
    return height_m


def cubic(grid, row, column):
    """Catmull-Rom interpolation of a lattice at fractional rows and columns: smooth, exact at the lattice points."""
    r0, c0 = np.floor(row).astype(int), np.floor(column).astype(int)

    def weights(t):
        return (
            ((-0.5 * t + 1.0) * t - 0.5) * t,
            (1.5 * t - 2.5) * t * t + 1.0,
            ((-1.5 * t + 2.0) * t + 0.5) * t,
            (0.5 * t - 0.5) * t * t,
        )

    total = np.zeros(np.shape(row))
    for down, by_row in enumerate(weights(row - r0)):
        r = np.clip(r0 + down - 1, 0, grid.shape[0] - 1)
        for right, by_column in enumerate(weights(column - c0)):
            total += by_row * by_column * grid[r, np.clip(c0 + right - 1, 0, grid.shape[1] - 1)]
    return total


def _with_village_bench(x_m, y_m, height_m):
    """The land with the village's ground: a plane that slopes to the harbour, and the chapel's rise."""
    bench = CLINIC_GROUND_M + VILLAGE_TILT[0] * x_m + VILLAGE_TILT[1] * y_m
    swell = fractal_noise(x_m, y_m, wavelength_m=420.0, octaves=3, seed=5)
    bench = bench + 1.6 * (
        swell - fractal_noise(np.zeros(1), np.zeros(1), wavelength_m=420.0, octaves=3, seed=5)
    )
    rise = 1.0 - ((x_m - 322.0) ** 2 + 1.6 * (y_m - 720.0) ** 2) / 330.0**2 + 0.25 * swell
    bench = bench + 13.0 * smooth(rise)
    far = np.sqrt(((x_m - 80.0) / 720.0) ** 2 + ((y_m - 60.0) / 900.0) ** 2)
    return height_m + smooth((1.7 - far) / 1.0) * (np.maximum(bench, 1.0) - height_m)


def land_lattice():
    """Heights (row from the north, column from the west) of the part that may hold land, metres."""
    x_m, y_m = _axes(90.0)
    hardness = 1.0 + 0.6 * smooth(0.5 + 0.5 * fractal_noise(x_m, y_m, wavelength_m=1700.0, octaves=3, seed=6))
    coarse = eroded(
        _first_shape(x_m, y_m), step_m=90.0, rounds=22, strength=0.022, hardness=hardness, creep=0.04
    )
    x_m, y_m = _axes(CELL_M)
    rows, columns = np.indices(x_m.shape)
    fine = cubic(coarse, (rows + 0.5) / 3.0 - 0.5, (columns + 0.5) / 3.0 - 0.5)
    shore = _shore(x_m, y_m)
    rough = fractal_noise(x_m, y_m, wavelength_m=360.0, octaves=4, seed=8, ridged=True)
    fine = fine + (0.5 + fine / 40.0) * rough
    cliff = 34.0 * smooth(
        fractal_noise(x_m, y_m, wavelength_m=2600.0, octaves=2, seed=9) - (y_m + 2000.0) / 6000.0
    )
    fine = np.where(shore > 0.0, np.maximum(fine, 0.8) + cliff * smooth(shore / 0.05), 0.0)
    hard = np.ones(fine.shape)
    fine = eroded(fine, step_m=CELL_M, rounds=4, strength=0.012, hardness=hard, creep=0.15)
    fine = fine * (HIGHEST_M / fine.max())
    return np.where(shore > 0.0, np.maximum(_with_village_bench(x_m, y_m, fine), 0.3), 0.0)


def ground_m(lattice, x_m, y_m):
    """Ground at any place of the land part, metres: cubic between the lattice points."""
    column = (x_m - LAND_WEST_M) / CELL_M - 0.5
    row = (LAND_SOUTH_M + LAND_ROWS * CELL_M - y_m) / CELL_M - 0.5
    return cubic(lattice, row, column)
