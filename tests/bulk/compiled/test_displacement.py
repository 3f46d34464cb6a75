"""What the bounds of displacements leave out takes the required room in no Monte Carlo sample."""

from __future__ import annotations

import importlib
import pkgutil

import numpy as np
import pytest

from skysill.assessment.error_model import Errors
from small_village import sources

pytest.importorskip("numba")

import skysill.bulk.compiled as package
from skysill.bulk.compiled import certainty, columns, jit, ray_sampling, sampled_room
from skysill.bulk.compiled.displacement import (
    FLOOR_BINS,
    FLOOR_THIN_M,
    floor_bin,
    harmless_floor,
    may_take_room,
    may_take_room_at,
    piece_may_take_room,
)
from skysill.bulk.compiled.draws import all_draws
from skysill.bulk.compiled.raster_stack import raster_stack

HALF_DISH_M, ZONE = 0.6, 0.074


def shapes(count, seed):
    """Slopes, azimuth offsets, distances, thin heights and drops of columns all around a dish."""
    rng = np.random.default_rng(seed)
    distance_m = np.exp(rng.uniform(np.log(0.25), np.log(60.0), count))
    slope = np.tan(np.deg2rad(rng.uniform(-89.0, 60.0, count)))
    off = np.deg2rad(rng.uniform(-150.0, 150.0, count) * rng.random(count))
    thin = np.where(rng.random(count) < 0.6, 0.4 * rng.random(count), rng.uniform(0.0, 10.0, count))
    return np.column_stack([slope, off, distance_m, thin, rng.uniform(0.0, 1.5, count)])


def failing_samples(stack, draws, own, raster, shape, cosine, sine):
    """How many samples bring one column into the room, by the loop over samples itself."""
    slope, off, distance_m, thin, drop = shape
    rays = np.zeros((len(stack), 1, ray_sampling.RAY_FIELDS))
    azimuth = 3.0 + off
    rays[raster, 0, 1:5] = np.cos(off), np.sin(off), np.sin(azimuth), np.cos(azimuth)
    column = np.zeros(columns.COLUMN_FIELDS)
    column[columns.COLUMN_SLOPE], column[columns.COLUMN_SLANT] = slope, distance_m * np.hypot(1.0, slope)
    column[columns.COLUMN_RASTER], column[columns.COLUMN_THIN] = raster, thin
    column[columns.COLUMN_DROP] = drop
    into = np.zeros(certainty.DRAW_FIELDS, dtype=np.float32)
    certainty._describe(stack.parts, stack.facts, rays, column, into)
    moved, knots, inward, short, own_m = draws.whole
    knot, failed = int(into[certainty.D_KNOT]), np.zeros(inward.size, dtype=np.float32)
    room = (np.float32(value) for value in (cosine, sine, HALF_DISH_M, ZONE))
    sampled_room.failures(
        into,
        moved[raster],
        knots[raster, knot],
        knots[raster, knot + 1],
        own_m[own],
        inward,
        short,
        *room,
        failed,
    )
    return int(failed.sum())


@pytest.mark.parametrize("up_deg", [9.0, 36.0])
@pytest.mark.parametrize(("own", "raster"), [(0, 0), (1, 0), (2, 0), (0, 1)])
def test_columns_left_out_take_the_room_in_no_sample(up_deg, own, raster):
    rasters = sources(1, 100)
    stack = raster_stack(rasters, [source.grid for source in rasters])
    draws = all_draws(stack, Errors())
    cosine, sine = np.cos(np.deg2rad(up_deg)), np.sin(np.deg2rad(up_deg))
    bounds, floor = draws.bounds[own, raster], np.zeros(FLOOR_BINS)
    room = (cosine, sine, HALF_DISH_M, ZONE)
    harmless_floor(*room, bounds, 1e-3, floor)
    taken, left_out = 0, np.zeros(4, dtype=int)
    for shape in shapes(1200, 10 * own + raster) * (
        1.0,
        1.0,
        1.0,
        raster == 0,
        raster == 0,
    ):  # only fine rasters blur
        slope, off, distance_m, thin, drop = shape
        beside = np.cos(off), np.sin(off)
        number = floor_bin(distance_m)
        under = number < FLOOR_BINS and thin <= FLOOR_THIN_M and slope * distance_m <= floor[number]
        out = (
            not may_take_room(slope, *beside, distance_m, distance_m, thin, drop, *room, bounds, 1e-4),
            not may_take_room_at(slope, *beside, distance_m, thin, drop, *room, bounds, 1e-4),
            not piece_may_take_room(slope, *beside, distance_m, distance_m, thin, drop, *room, bounds, 1e-4),
            under,
        )
        fails = failing_samples(stack, draws, own, raster, shape, cosine, sine)
        assert not (fails and any(out)), (shape, fails, out)
        taken += fails > 0
        left_out += out
    assert taken > 100
    assert (left_out[:3] > 100).all()


def test_compiled_functions_stand_after_those_that_they_call():
    """A checksum of a function holds that of another only if the other is compiled before it."""
    checked = 0
    for module in pkgutil.iter_modules(package.__path__):
        for made in vars(importlib.import_module(f"{package.__name__}.{module.name}")).values():
            if hasattr(made, "py_func") and made.__module__.endswith(module.name):
                assert made.py_func.__qualname__.endswith(jit._digest(made.py_func)), made
                checked += 1
    assert checked > 30
