"""The Monte Carlo samples of `assessment.sampling` for terrain, laid out for the compiled loops."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from skysill.assessment.error_model import Errors
from skysill.assessment.sampling import (
    SAMPLES,
    blur_samples,
    dish_offset_samples_m,
    height_error_samples,
    plan_offset_samples_m,
)
from skysill.bulk.compiled.displacement import displacement_bounds
from skysill.bulk.compiled.raster_stack import (
    PLAN,
    VERTICAL,
    RasterStack,
)
from skysill.units import Floats

__all__ = ["Draws", "all_draws"]


ALONE_SAMPLES = 256
"""As in `confidence`."""


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Errors in every sample, for the compiled loops.

    dish_m : standard deviation of the dish's place and height together
    whole : moved (raster, 3, samples) metres that the dish stands off its place over each raster, east, north, up;
        knots (raster, knot, samples) errors of each raster's heights in standard deviations; inward (samples,)
        standard normal; short (samples,) share by which a thin thing rises over what the cells show; own (raster +
        1, samples) error of the dish's ground, metres, by the raster that it is from, 0 for the last: none. All
        float32
    alone : the same of fewer samples, with moved (error, raster, 3, samples) by the dish's place, its height, the
    rasters
    bounds : (raster + 1, raster, BOUNDS) by how much the samples of `whole` move columns at most, see
        `displacement`; first by the raster that the dish's ground is from
    """

    dish_m: float
    bounds: Floats
    whole: tuple[Any, ...]
    alone: tuple[Any, ...]


def all_draws(stack: RasterStack, errors: Errors) -> Draws:
    """The samples of `confidence` for the rasters of a stack; kept with the stack."""
    key = f"draws {errors}"
    if key not in stack.held:
        place, height = (
            replace(errors, height_m=0.0, terrain=0.0),
            replace(errors, position_m=0.0, terrain=0.0),
        )
        rasters = replace(errors, position_m=0.0, height_m=0.0)
        whole = _samples(stack, errors, SAMPLES)
        few = [_samples(stack, one, ALONE_SAMPLES) for one in (place, height, rasters)]
        alone = (np.stack([part[0] for part in few]), *few[2][1:])
        dish_m = float(np.hypot(errors.position_m, errors.height_m))
        bounds = displacement_bounds(stack, *whole)
        stack.held[key] = Draws(dish_m, bounds, whole, alone)
    found: Draws = stack.held[key]
    return found


def _samples(stack: RasterStack, errors: Errors, samples: int) -> tuple[Any, ...]:
    """moved, knots, inward, short, own of `Draws`."""
    count = len(stack)
    step_m = dish_offset_samples_m(samples, errors)
    plan = [
        errors.terrain * plan_offset_samples_m(samples, float(stack.facts[r, PLAN]), r) for r in range(count)
    ]
    moved = np.stack([(step_m + plan[r]).T for r in range(count)])
    knots = np.stack([height_error_samples(samples, r).T for r in range(count)])
    inward, short = (part[:, 0] for part in blur_samples(samples))
    own = np.zeros((count + 1, samples))
    own[:count] = knots[:, 0] * stack.facts[:, VERTICAL, None]
    return tuple(np.ascontiguousarray(part, dtype=np.float32) for part in (moved, knots, inward, short, own))
