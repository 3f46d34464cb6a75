"""A footprint checked, and how far it lies beside the building that elevation data show.

Footprints are often drawn from pictures taken aslant and lie off by a metre or so. The footprint is moved as a whole
to where it holds the most samples high above the ground and the fewest low ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.units import Bools, Floats

__all__ = ["footprint_shift_m", "moved_footprint", "sound_footprint"]

_STEP_M = 0.25
_LEAST_GAIN = 0.02
_TIE_SHARE = 0.004
"""A metre of movement costs this share of the samples, so that of equal places the nearest is taken."""


def sound_footprint(outline_m: ArrayLike, holes_m: Sequence[ArrayLike]) -> Any:
    """A footprint's rings as a shapely Polygon, counter-clockwise.

    Raises
    ------
    InputError : too few corners, a corner that is no number, sides that cross, nothing enclosed
    """
    import shapely

    rings = [np.asarray(ring, dtype=np.float64) for ring in (outline_m, *holes_m)]
    if any(ring.ndim != 2 or ring.shape[1] < 2 or len(ring) < 3 for ring in rings):
        raise InputError("a footprint needs at least three corners of east and north.", where="footprint")
    if not all(np.isfinite(ring).all() for ring in rings):
        raise InputError("a corner of the footprint is not a number.", where="footprint")
    shape = shapely.Polygon(rings[0][:, :2], [ring[:, :2] for ring in rings[1:]])
    if not shape.is_valid or shape.area <= 0.0:
        why = shapely.is_valid_reason(shape).split("[")[0].lower()
        raise InputError(
            f"the footprint is not sound ({why}).", where="footprint", mend="Give its corners in order."
        )
    return shapely.orient_polygons(shapely.remove_repeated_points(shape, 1e-3))


def footprint_shift_m(
    footprint: Any, plan_m: Floats, high: Bools, *, at_most_m: float, least_m: float
) -> Floats | None:
    """(2,) how far to move a footprint, east and north; None where it lies well enough, or the data do not say.

    Parameters
    ----------
    footprint : shapely Polygon
    plan_m : (n, 2) samples in and around it; high : (n,) whether each is high above the ground
    at_most_m : largest movement along each axis
    least_m : smaller movements are left alone

    Notes
    -----
    The number of high samples inside less that of low ones is made largest, on a grid of 0.25 m, then around the best
    place on one of 0.05 m. It must gain 2 % of the samples inside. Where high things stand on one side (a terrace, a
    tree), the count does not change along that side and the footprint stays.
    """
    import shapely

    inside = shapely.contains_xy(footprint.buffer(at_most_m), *plan_m.T)
    plan, weight = plan_m[inside], np.where(high[inside], 1.0, -1.0)
    total = int(np.count_nonzero(shapely.contains_xy(footprint, *plan.T)))
    if total < 20 or not (weight < 0.0).any():
        return None
    shapely.prepare(footprint)

    def score(move: Floats) -> float:
        held = shapely.contains_xy(footprint, *(plan - move).T)
        return float(weight[held].sum()) - _TIE_SHARE * total * float(np.hypot(*move))

    at_rest = score(np.zeros(2))
    best, best_score = np.zeros(2), at_rest
    for step, reach in ((_STEP_M, at_most_m), (0.05, 0.2)):
        offsets = np.arange(-reach, reach + step / 2.0, step)
        tried = best + np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)
        scores = np.array([score(move) for move in tried])
        if scores.max() > best_score:
            best, best_score = tried[int(scores.argmax())], float(scores.max())
    if best_score - at_rest < _LEAST_GAIN * total or float(np.hypot(*best)) < least_m:
        return None
    return best


def moved_footprint(
    footprint: Any, plan_m: Floats, high: Bools, *, at_most_m: float, least_m: float
) -> tuple[Any, tuple[str, ...]]:
    """The footprint where the data show the building, and a note where it was moved; as `footprint_shift_m`."""
    import shapely.affinity

    if at_most_m <= 0.0 or not len(plan_m):
        return footprint, ()
    move = footprint_shift_m(footprint, plan_m, high, at_most_m=at_most_m, least_m=least_m)
    if move is None:
        return footprint, ()
    note = (
        f"The footprint lies beside the building in the data; it was moved by {move[0]:+.1f} m east and "
        f"{move[1]:+.1f} m north."
    )
    return shapely.affinity.translate(footprint, *move), (note,)
