"""Roof forms of the open map tagging (roof:shape) on rectangular houses, as planes.

The words, from the OpenStreetMap wiki, "Key:roof:shape" and "Simple 3D Buildings" (from memory): flat, gabled, hipped,
half-hipped, skillion, pyramidal. roof:height is what the roof adds over its eaves; roof:direction is the way that the
roof's face slopes down, so that it stands at right angles to a ridge. Where nobody says it, the ridge runs along the
longer side (roof:orientation = along), and a skillion roof cannot be drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from skysill.errors import InputError
from skysill.model.site import ROOF_FORMS
from skysill.units import Floats, wrap_180

__all__ = ["form_facets"]

_SQUARE_DEG = 2.0
"""A corner this near to a right angle is one: footprints are drawn by hand."""

_AGREES_DEG = 30.0
"""A direction this far off every wall's own is a slip."""

Ring = tuple[tuple[float, float, float], ...]
_At = Callable[[float, float, float], tuple[float, float, float]]


def form_facets(
    outline_m: Sequence[Sequence[float]],
    form: str,
    *,
    eaves_elevation_m: float,
    ridge_elevation_m: float | None = None,
    direction_deg: float | None = None,
    where: str = "[roof], shape",
) -> tuple[Ring, ...]:
    """A roof's planes from its footprint and the word for its form.

    Parameters
    ----------
    outline_m : ring of (east, north); any for "flat", four right angles for the others
    eaves_elevation_m, ridge_elevation_m : above the datum; a flat roof lies at its eaves
    direction_deg : true azimuth that a main face slopes down to

    Returns
    -------
    Rings of (east, north, elevation), one a plane, which together fill the outline. A hip slopes as the sides do; a
    half-hipped gable is cut by a hip over its upper half.

    Raises
    ------
    InputError : a word that is no form, an outline that the form is not defined for, a missing height or direction

    >>> [len(ring) for ring in form_facets([[0, 0], [9, 0], [9, 6], [0, 6]], "hipped",
    ...                                    eaves_elevation_m=3.0, ridge_elevation_m=5.0)]
    [4, 4, 3, 3]
    """
    if form not in ROOF_FORMS:
        raise InputError(
            f'"{form}" is no roof form.', where=where, mend=f"Known are {', '.join(ROOF_FORMS)}."
        )
    if form == "flat":
        return (tuple((float(p[0]), float(p[1]), float(eaves_elevation_m)) for p in outline_m),)
    if ridge_elevation_m is None or not ridge_elevation_m > eaves_elevation_m:
        raise InputError(
            f"a {form} roof needs a ridge above its eaves.",
            where=where,
            mend="Give eaves_height_m and a larger ridge_height_m.",
        )
    if form == "skillion" and direction_deg is None:
        raise InputError(
            "a skillion roof needs the direction it falls in.", where=where, mend="Give direction_deg."
        )
    corner, along, down = _laid_out(outline_m, form, direction_deg, where)
    low, top = float(eaves_elevation_m), float(ridge_elevation_m)
    length, width = float(np.linalg.norm(along)), float(np.linalg.norm(down))

    def at(share_along: float, share_down: float, elevation_m: float) -> tuple[float, float, float]:
        east_m, north_m = corner + share_along * along + share_down * down
        return float(east_m), float(north_m), elevation_m

    if form == "skillion":  # from the high side, where share_down is 0, to the low one
        return ((at(0, 0, top), at(1, 0, top), at(1, 1, low), at(0, 1, low)),)
    if form == "pyramidal":
        ring = [at(0, 0, low), at(1, 0, low), at(1, 1, low), at(0, 1, low)]
        apex = at(0.5, 0.5, top)
        return tuple((ring[i], ring[(i + 1) % 4], apex) for i in range(4))
    if form == "gabled":
        return (
            (at(0, 0, low), at(1, 0, low), at(1, 0.5, top), at(0, 0.5, top)),
            (at(0, 0.5, top), at(1, 0.5, top), at(1, 1, low), at(0, 1, low)),
        )
    if length < width - 1e-6:
        raise InputError(
            f"a {form} roof whose ridge runs along the shorter side is not defined.",
            where=where,
            mend="Turn direction_deg by a right angle, or give ridges and facets.",
        )
    return (
        _hipped(at, width / length, low, top)
        if form == "hipped"
        else _half_hipped(at, width / length, low, top)
    )


def _hipped(at: _At, width_over_length: float, low: float, top: float) -> tuple[Ring, ...]:
    """Two slopes and two hips of the same pitch."""
    hip = width_over_length / 2.0
    return (
        (at(0, 0, low), at(1, 0, low), at(1 - hip, 0.5, top), at(hip, 0.5, top)),
        (at(hip, 0.5, top), at(1 - hip, 0.5, top), at(1, 1, low), at(0, 1, low)),
        (at(0, 0, low), at(hip, 0.5, top), at(0, 1, low)),
        (at(1, 0, low), at(1, 1, low), at(1 - hip, 0.5, top)),
    )


def _half_hipped(at: _At, width_over_length: float, low: float, top: float) -> tuple[Ring, ...]:
    """Two slopes and two gables, each cut by a hip over its upper half."""
    hip, half = width_over_length / 4.0, (low + top) / 2.0
    return (
        (at(0, 0, low), at(1, 0, low), at(1, 0.25, half), at(1 - hip, 0.5, top), at(hip, 0.5, top),
         at(0, 0.25, half)),
        (at(0, 1, low), at(0, 0.75, half), at(hip, 0.5, top), at(1 - hip, 0.5, top), at(1, 0.75, half),
         at(1, 1, low)),
        (at(0, 0.25, half), at(hip, 0.5, top), at(0, 0.75, half)),
        (at(1, 0.25, half), at(1, 0.75, half), at(1 - hip, 0.5, top)),
    )  # fmt: skip


def _laid_out(
    outline_m: Sequence[Sequence[float]], form: str, direction_deg: float | None, where: str
) -> tuple[Floats, Floats, Floats]:
    """A corner of the rectangle, its side along the ridge and its side down the face that direction_deg names."""
    ring = np.asarray([point[:2] for point in outline_m], dtype=np.float64)
    if len(ring) > 3 and np.allclose(ring[0], ring[-1]):
        ring = ring[:-1]
    before, after = np.roll(ring, 1, axis=0) - ring, np.roll(ring, -1, axis=0) - ring
    turn = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    bent = turn > np.sin(np.deg2rad(_SQUARE_DEG)) * np.linalg.norm(before, axis=1) * np.linalg.norm(
        after, axis=1
    )
    ring = ring[bent]
    sides = np.roll(ring, -1, axis=0) - ring
    lengths = np.linalg.norm(sides, axis=1)
    square = len(ring) == 4 and bool(
        np.all(np.abs((sides * np.roll(sides, -1, axis=0)).sum(axis=1))
               < np.sin(np.deg2rad(_SQUARE_DEG)) * lengths * np.roll(lengths, -1))
    )  # fmt: skip
    if not square:
        raise InputError(
            f'"{form}" is defined for a rectangular outline only; this one has {len(ring)} corners.',
            where=where,
            mend="Give surface points with ridges and valleys, or facets.",
        )
    bearing_deg = np.rad2deg(np.arctan2(sides[:, 0], sides[:, 1]))
    if direction_deg is None:
        at = int((lengths + 1e-9 * np.arange(4, 0, -1)).argmin())
    else:
        off_deg = np.abs(wrap_180(bearing_deg - direction_deg))
        at = int(off_deg.argmin())
        if off_deg[at] > _AGREES_DEG:
            raise InputError(
                f"direction_deg {direction_deg:g} is {off_deg[at]:.0f} degrees off the walls.",
                where=where,
                mend="It is the true azimuth that a face slopes down to, at right angles to a wall.",
            )
    # side `at` runs down the face; the one before it, the other way round, runs along the ridge
    return ring[at], -sides[at - 1], sides[at]
