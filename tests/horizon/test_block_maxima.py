"""Maxima of blocks, against loops over their nodes."""

from __future__ import annotations

import numpy as np

from skysill.horizon.block_maxima import block_maxima, maximum_pyramid, over_blocks, widened
from small_ground import hills


def pyramid(values):
    return maximum_pyramid(values, has_void=bool(np.isnan(values).any()))


def test_every_level_holds_the_highest_node_of_its_blocks_and_of_their_neighbours():
    values = hills(37, seed=2)[:37, :22]
    maxima = pyramid(values)
    rows, columns = values.shape
    assert maxima.neighbourhood_void is None
    assert not maxima.void_near(0, np.zeros(3), np.zeros(3)).any()
    for level, (own, wide) in enumerate(zip(maxima.block_m, maxima.neighbourhood_m, strict=True)):
        side = 2**level
        assert own.shape == (-(-rows // side), -(-columns // side))
        for i in range(own.shape[0]):
            for j in range(own.shape[1]):
                assert own[i, j] == values[i * side : (i + 1) * side + 1, j * side : (j + 1) * side + 1].max()
                around = own[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2]
                assert wide[i, j] == around.max()
    assert min(maxima.block_m[-1].shape) <= 2 < min(maxima.block_m[-2].shape)


def test_a_void_is_lower_than_any_ground_and_found_from_within_its_level():
    values = hills(32, seed=3)
    values[20, 11] = np.nan
    maxima = pyramid(values)
    assert np.isfinite(maxima.block_m[0][5, 5])
    lone = np.full((8, 8), np.nan, np.float32)
    assert np.isneginf(pyramid(lone).block_m[0]).all()
    for level in range(3):
        side = 2**level
        voids = {(r // side, c // side) for r in (19, 20) for c in (10, 11)}
        for row in range(32):
            for column in range(32):
                here = row // side, column // side
                near = any(abs(here[0] - a) <= 1 and abs(here[1] - b) <= 1 for a, b in voids)
                assert maxima.void_near(level, np.array([column + 0.5]), np.array([row + 0.5]))[0] == near


def test_a_position_outside_takes_the_nearest_block():
    values = np.arange(64, dtype=np.float32).reshape(8, 8)
    maxima = pyramid(values)
    column, row = np.array([-50.0, 50.0, 3.2]), np.array([-50.0, 50.0, 4.9])
    assert maxima.highest_near(0, column, row).tolist() == [
        values[:3, :3].max(),
        63.0,
        values[3:7, 2:6].max(),
    ]
    assert [maxima.level_for(cells) for cells in (0.1, 1.0, 1.1, 2.0, 2.1, 4.0, 1e9)] == [0, 0, 1, 1, 2, 2, 2]


def test_blocks_of_sixteen_hold_the_highest_node_the_voids_and_the_largest_rise_of_nine_blocks():
    values = hills(53, seed=4)[:, :38]
    values[40, 5] = np.nan
    found = block_maxima(values)
    assert found.highest_m.shape == found.void.shape == found.rise_m.shape == (4, 3)
    for i in range(4):
        for j in range(3):
            top, left = max(16 * (i - 1), 0), max(16 * (j - 1), 0)
            nodes = values[top : 16 * (i + 2), left : 16 * (j + 2)]
            assert found.highest_m[i, j] == np.nanmax(nodes)
            assert found.void[i, j] == np.isnan(nodes).any()
            cells = values[top : 16 * (i + 2) + 1, left : 16 * (j + 2) + 1].astype(float)
            mixed = cells[:-1, :-1] - cells[:-1, 1:] - cells[1:, :-1] + cells[1:, 1:]
            assert abs(found.rise_m[i, j] - np.nanmax(np.abs(mixed)) / 4.0) < 1e-4
    lone = block_maxima(np.full((5, 5), np.nan, np.float32))
    assert np.isneginf(lone.highest_m).all()
    assert lone.void.all()


def test_extremes_over_blocks_and_over_neighbours_by_loops():
    values = np.random.default_rng(5).integers(0, 100, (11, 7))
    for block in (2, 3, 16):
        found = over_blocks(np.minimum, values, block)
        for i in range(found.shape[0]):
            for j in range(found.shape[1]):
                assert found[i, j] == values[i * block : (i + 1) * block, j * block : (j + 1) * block].min()
    wide = widened(values)
    assert all(wide[i, j] == values[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].max()
               for i in range(11) for j in range(7))  # fmt: skip


def test_a_lone_spike_lifts_its_block_and_bends_the_ground_around_it_wherever_it_stands():
    """One node of 8 m on a plain: highest 8 m; in a cell with one raised corner bilinear ground rises 8 / 4 m at most
    over a straight line. Looked up at the node itself, also where it ends or begins a block of 16."""
    for row in (0, 14, 15, 16, 17, 31, 32, 39):
        for column in (0, 15, 16, 33, 36):
            values = np.zeros((40, 37), np.float32)
            values[row, column] = 8.0
            found = block_maxima(values)
            at = row // 16, column // 16
            assert (found.highest_m[at], found.rise_m[at]) == (8.0, 2.0)
            assert not found.void.any()
            values[row, column] = np.nan
            found = block_maxima(values)
            assert found.void[at]
            assert found.highest_m[at] == 0.0
