"""Monte Carlo samples of stated errors: how each column shifts in each sample.

Every source has its own random generator, and within a source the features are sampled in an order that depends on
where they stand. So neither the order of sources, obstacles, readings or satellites, nor a source that has nothing
near the ray, changes the answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.error_model import Errors, ObstacleErrors, UncertainSilhouette, Unread
from skysill.horizon.silhouette import Silhouette
from skysill.units import Floats, Ints, wrap_180

__all__ = [
    "INDEPENDENT_SHARE",
    "SAMPLES",
    "SEED",
    "THIN_LOST",
    "Shifts",
    "blur_samples",
    "dish_offset_samples_m",
    "generator",
    "height_error_samples",
    "interpolate_knots",
    "nearest_share",
    "plan_offset_samples_m",
    "position_order",
    "sample_shifts",
    "sigma_bound_deg",
]

SAMPLES = 2000
"""The estimate's own standard error is sqrt(p (1 - p) / n): 0.0067 at p = 0.9."""

_SHARE_COMMON = 0.9
"""Part of a compass or clinometer error that all readings of one survey share; the rest is each reading's own.

Common practice, no source: zero error and local iron last through a survey, reading and sighting scatter do not.
"""

INDEPENDENT_SHARE = (1.0 - _SHARE_COMMON**2) ** 0.5
"""The part that each reading has to itself."""

SEED = 20260614
_KNOTS = 20


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Shifts of every column in every draw; arrays (samples, column) or broadcast to it.

    azimuth_deg, elevation_deg : added to the column's direction
    top_deg : added to its upper edge only
    stretch : factor of its distance
    """

    azimuth_deg: Any
    elevation_deg: Any
    stretch: Any
    top_deg: Any = 0.0


def generator(source: str, number: int = 0) -> np.random.Generator:
    """The generator of one source: "dish", "measured", "unread", "terrain" (one a raster) or "obstacle"."""
    names = ("dish", "measured", "unread", "terrain", "obstacle")
    return np.random.default_rng([SEED, names.index(source), number])


def dish_offset_samples_m(samples: int, errors: Errors) -> Any:
    """(samples, 3) how far the dish stands off its place: east, north, up."""
    slip_m = np.array([errors.position_m, errors.position_m, errors.height_m], dtype=np.float32)
    return _normal(generator("dish"), samples, 3) * slip_m


def height_error_samples(samples: int, number: int = 0) -> Any:
    """(samples, knot) errors of one raster's ground at the dish and at 1, 2, 4, ... correlation lengths, in
    standard deviations.
    """
    return _normal(generator("terrain", number), samples, _KNOTS)


def plan_offset_samples_m(samples: int, horizontal_m: float, number: int = 0) -> Any:
    """(samples, 3) how far a raster lies beside its place, as a step of the dish over it: east, north, up."""
    drawn = _normal(generator("terrain", 1000 + number), samples, 3)
    return drawn * np.array([horizontal_m, horizontal_m, 0.0], dtype=np.float32)


def blur_samples(samples: int) -> tuple[Any, Any]:
    """Samples of what a fine raster blurs, (samples, 1) each.

    Returns
    -------
    Errors of the width that edges lost, in standard deviations; share of its height by which a thin thing may be higher
    """
    rng = generator("terrain", 2000)
    inward = _normal(rng, samples, 1)
    return inward, 1.0 / (1.0 - np.float32(THIN_LOST) * rng.random((samples, 1), dtype=np.float32)) - 1.0


def interpolate_knots(draws: Any, along: Any) -> Any:
    """(samples, n) errors at distances in correlation lengths, joined from knot to knot.

    Weights (1 - t) and t are divided by the root of the sum of their squares, so that the full standard deviation
    stands everywhere and not only at the knots.
    """
    at = np.append(0.0, 2.0 ** np.arange(draws.shape[1] - 1))
    upper = np.clip(np.searchsorted(at, along, side="right"), 1, at.size - 1)
    share = _float32(np.minimum((along - at[upper - 1]) / (at[upper] - at[upper - 1]), 1.0))
    scale = np.hypot(1.0 - share, share)
    return draws[:, upper - 1] * ((1.0 - share) / scale) + draws[:, upper] * (share / scale)


def _float32(values: ArrayLike) -> Any:
    return np.asarray(values, dtype=np.float32)


def _normal(rng: np.random.Generator, samples: int, count: int) -> Any:
    """(samples, count) standard normal draws, single precision: a hundred-thousandth of a degree is ample here."""
    return rng.standard_normal(size=(samples, count), dtype=np.float32)


def sample_shifts(
    uncertain: UncertainSilhouette, errors: Errors, step_m: Any, distance_m: Floats, azimuth_deg: float
) -> Shifts:
    """Every column of one source in every draw.

    Parameters
    ----------
    azimuth_deg : of the ray
    step_m : (samples, 3) from `dish_offset_samples_m`
    distance_m : (column,) along the line of sight, an assumed one where nobody measured
    """
    source = uncertain.silhouette.source
    if source == "measured":
        return _readings(uncertain, errors, step_m, distance_m)
    if source == "terrain":
        return _terrain(uncertain, errors, step_m, distance_m, azimuth_deg)
    return _obstacles(uncertain, errors, step_m, distance_m)


@dataclass(frozen=True, slots=True, eq=False)
class _Axes:
    """Unit vectors of each column's direction: to the right, towards the zenith, outwards; and lengths to divide by."""

    right: Any
    upward: Any
    outward: Any
    level_m: Any
    slant_m: Any

    @classmethod
    def of(cls, azimuth_deg: Floats, elevation_deg: Floats, distance_m: Floats) -> _Axes:
        azimuth, elevation = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
        sine, cosine, zero = np.sin(azimuth), np.cos(azimuth), np.zeros(azimuth.shape)
        low, level = np.sin(elevation), np.cos(elevation)
        return cls(
            _float32([cosine, -sine, zero]),
            _float32([-sine * low, -cosine * low, level]),
            _float32([sine * level, cosine * level, low]),
            _float32(np.maximum(distance_m * level, 0.2)),
            _float32(np.maximum(distance_m, 0.2)),
        )

    def shifts(self, aside_m: Any, up_m: Any, out_m: Any) -> tuple[Any, Any, Any]:
        """Azimuth and elevation shift, degrees, and distance factor, when each point moves along the axes."""
        return (
            np.rad2deg(np.arctan2(aside_m, self.level_m)),
            np.rad2deg(np.arctan2(up_m, self.slant_m)),
            np.maximum(1.0 + out_m / self.slant_m, np.float32(0.1)),
        )

    def step(self, step_m: Any) -> tuple[Any, Any, Any]:
        """The points' own movement along the axes when the dish moves by (samples, 3)."""
        step_m = _float32(step_m)
        return -step_m @ self.right, -step_m @ self.upward, -step_m @ self.outward


_UNKNOWN_SPREAD = 0.5
"""Standard deviation of the natural logarithm of a distance that was assumed: two thirds within a factor of 1.65.

Own estimate, no source.
"""


def nearest_share(errors: Errors) -> float:
    """Share of an assumed distance that one in 740 of its draws falls short of: three standard deviations."""
    return float(np.exp(-3.0 * _UNKNOWN_SPREAD * errors.unread))


def _readings(uncertain: UncertainSilhouette, errors: Errors, step_m: Any, distance_m: Floats) -> Shifts:
    """Compass, clinometer and distance act where the instrument stood; the point they move is seen from the dish."""
    s, samples = uncertain.silhouette, len(step_m)
    anchors = np.zeros((len(s), 2), dtype=int) if uncertain.anchors is None else uncertain.anchors
    weights = _float32(np.tile([1.0, 0.0], (len(s), 1)) if uncertain.weights is None else uncertain.weights)
    used, at = np.unique(anchors, return_inverse=True)
    at = at.reshape(anchors.shape)
    rng = generator("measured")
    bearing, inclination = _normal(rng, samples, 1), _normal(rng, samples, 1)
    own = [_normal(rng, samples, used.size) for _ in range(3)]

    def joined(values: Any) -> Any:
        return values[:, at[:, 0]] * weights[:, 0] + values[:, at[:, 1]] * weights[:, 1]

    def angle(common: Any, each: Any, sigma_deg: float) -> Any:
        return np.deg2rad(np.float32(sigma_deg)) * (_SHARE_COMMON * common + INDEPENDENT_SHARE * joined(each))

    turn, lift = (
        angle(bearing, own[0], errors.bearing_deg),
        angle(inclination, own[1], errors.inclination_deg),
    )
    known = ~np.isnan(s.distance_m)
    seen = _Axes.of(s.azimuth_deg, s.elevation_deg, distance_m)
    aside_m, up_m, out_m = seen.step(step_m)
    lever_m = np.zeros(3) if uncertain.from_instrument_m is None else uncertain.from_instrument_m
    point_m = seen.outward.T * _float32(distance_m)[:, None] + np.where(
        known[:, None], _float32(lever_m), 0.0
    )
    far_m = np.maximum(np.sqrt((point_m**2).sum(axis=1)), 0.2)
    level_m = np.maximum(np.hypot(point_m[:, 0], point_m[:, 1]), 0.2)
    read = _Axes.of(
        np.rad2deg(np.arctan2(point_m[:, 0], point_m[:, 1])),
        np.rad2deg(np.arctan2(point_m[:, 2], level_m)),
        far_m,
    )
    sigma_m = np.hypot(errors.distance_fraction * far_m, errors.distance_m) * known
    moved_m = ((read.right, turn * _float32(level_m)), (read.upward, lift * _float32(far_m)),
               (read.outward, joined(own[2]) * _float32(sigma_m)))  # fmt: skip
    for axis, by_m in moved_m:
        aside_m = aside_m + by_m * (axis * seen.right).sum(axis=0)
        up_m = up_m + by_m * (axis * seen.upward).sum(axis=0)
        out_m = out_m + by_m * (axis * seen.outward).sum(axis=0)
    azimuth_deg, elevation_deg, stretch = seen.shifts(aside_m, up_m, out_m)
    if not known.all() and errors.unread:
        guess = np.exp(
            _UNKNOWN_SPREAD * np.float32(errors.unread) * _normal(generator("unread", 1), samples, 1)
        )
        stretch = np.where(known, stretch, guess)
    return Shifts(azimuth_deg, elevation_deg, stretch, _unread(uncertain.unread, errors, samples))


_UPRIGHT_SHARE = 0.6
_PEAK_CHANCE = 0.0025
_PEAK_RISE_DEG = (0.5, 0.7)
_BESIDE_CHANCE = 0.04
_BESIDE_RISE_DEG = (1.0, 4.0)
"""What stands where nobody read, counted in the invented surroundings of tests/benchmarks/true_worlds.py.

Between two readings of different heights the higher one goes on to an upright edge at any place in six of ten gaps;
else the skyline runs straight. Over both readings of a gap of w degrees something rises in 0.0025 w^2 of the gaps, by
half a degree and an exponential remainder. Beside the outermost reading the skyline rises in 4 of 100 per degree.
"""


def _unread(unread: Unread | None, errors: Errors, samples: int) -> Any:
    """What may rise over the straight line inside each stretch that nobody read, degrees."""
    if unread is None or not errors.unread:
        return 0.0
    used, first, at = np.unique(unread.stretch, return_index=True, return_inverse=True)
    width_deg, rise_deg = _float32(unread.width_deg[first]), _float32(unread.rise_deg[first])
    beside = np.isnan(rise_deg)
    rng = generator("unread")
    there, place, upright = (rng.random((samples, used.size), dtype=np.float32) for _ in range(3))
    much = rng.standard_exponential((samples, used.size), dtype=np.float32)
    chance = np.where(beside, 1.0 - np.exp(-_BESIDE_CHANCE * width_deg), _PEAK_CHANCE * width_deg**2)
    chance = np.where(used >= 0, chance, 0.0)
    least, scale = (np.where(beside, _BESIDE_RISE_DEG[i], _PEAK_RISE_DEG[i]) for i in (0, 1))
    extra = (least + scale * much).astype(np.float32) * (there < chance)
    along, width = _float32(unread.along), _float32(unread.width_deg)
    # beside the outermost reading what rises goes on outwards; between readings it is narrower than the gap
    reached = np.where(beside[at], along >= place[:, at], np.abs(along - place[:, at]) < np.float32(0.25))
    jump_deg = np.where(beside, 0.0, np.abs(rise_deg))
    from_higher = np.where((rise_deg > 0.0)[at], 1.0 - along, along)
    goes_on = (
        (upright[:, at] < _UPRIGHT_SHARE) & (from_higher < place[:, at]) & (used[at] >= 0) & (width > 0.0)
    )
    edge = jump_deg[at] * from_higher * goes_on
    return np.float32(errors.unread) * np.maximum(extra[:, at] * reached, edge).astype(np.float32)


THIN_LOST = 0.35
"""A hedge or wall about as wide as a cell of means loses up to so much of its height, all losses being alike likely.

A thing 1.2 cells wide fills the best of its cells by six tenths to all; own reasoning.
"""


def _terrain(
    uncertain: UncertainSilhouette, errors: Errors, step_m: Any, distance_m: Floats, azimuth_deg: float
) -> Shifts:
    """Height errors alike over the correlation length: knots at 0, L, 2L, 4L, ... along the ray.

    The knot at the dish is shared when its own height comes from the raster, so that near ground, which is as
    wrong as the ground it stands on, hardly tilts.
    """
    s, samples = uncertain.silhouette, len(step_m)
    seen = _Axes.of(s.azimuth_deg, s.elevation_deg, distance_m)
    aside_m, up_m, out_m = seen.step(step_m)
    level_m = distance_m * np.cos(np.deg2rad(s.elevation_deg))
    raised_m: Any = np.zeros((samples, len(s)), dtype=np.float32)
    for index, feature in enumerate(s.features):
        mine = np.flatnonzero(s.feature == index)
        if mine.size:
            raised_m[:, mine] = _ground_m(uncertain, feature.name, level_m[mine], samples)
            raster = uncertain.rasters.get(feature.name)
            if raster is not None and raster.horizontal_m and errors.terrain:
                laid_m = plan_offset_samples_m(samples, raster.horizontal_m, raster.number)
                for shift, by in zip((aside_m, up_m, out_m), seen.step(laid_m), strict=True):
                    shift[:, mine] += by[:, mine] * np.float32(errors.terrain)
    raised_m = (raised_m - _own_ground_m(uncertain, samples)) * np.float32(errors.terrain)
    elevation = np.deg2rad(s.elevation_deg)
    sine, cosine = _float32(np.sin(elevation)), _float32(np.cos(elevation))
    if uncertain.blur is not None and errors.terrain:
        blur, (inward, short) = uncertain.blur, blur_samples(samples)
        inward_m = np.maximum(_float32(blur.lost_m) + _float32(blur.spread_m) * inward, np.float32(0.0))
        raised_m = raised_m + short * _float32(blur.thin_m)
        beside_m = seen.level_m * _float32(np.sin(np.deg2rad(wrap_180(azimuth_deg - s.azimuth_deg))))
        aside_m = aside_m + np.sign(beside_m) * np.minimum(np.abs(beside_m), inward_m)
        up_m, out_m = up_m + inward_m * sine, out_m - inward_m * cosine
    fine = np.array(
        [n in uncertain.rasters and uncertain.rasters[n].fine for n in (t.name for t in s.features)]
    )
    azimuth_shift, elevation_shift, stretch = seen.shifts(aside_m, up_m + raised_m * cosine, out_m)
    return Shifts(azimuth_shift, elevation_shift, np.where(fine[s.feature], stretch, np.float32(1.0)))


def _ground_m(uncertain: UncertainSilhouette, name: str, level_m: Floats, samples: int) -> Any:
    """(samples, n) error of one raster's ground at distances along the ground; 0 where the raster is not known."""
    raster = uncertain.rasters.get(name)
    if raster is None:
        return np.zeros((1, level_m.size), dtype=np.float32)
    unit = interpolate_knots(height_error_samples(samples, raster.number), level_m / raster.correlation_m)
    return unit * np.float32(raster.vertical_m)


def _own_ground_m(uncertain: UncertainSilhouette, samples: int) -> Any:
    """(samples, 1) error of the ground under the dish."""
    raster = uncertain.rasters.get(uncertain.ground_from)
    if raster is None:
        return np.float32(0.0)
    return height_error_samples(samples, raster.number)[:, :1] * np.float32(raster.vertical_m)


def _feature_order(s: Silhouette) -> Ints:
    """(thing,) the place of each thing in an order that depends only on where its columns stand."""
    keys = np.full((len(s.features), 3), np.inf)
    for index in np.unique(s.feature):
        mine = s.feature == index
        keys[index] = s.distance_m[mine].min(), s.elevation_deg[mine].max(), s.azimuth_deg[mine].min()
    keys = np.round(keys, 4)
    place = np.empty(len(s.features), dtype=np.int64)
    place[np.lexsort(keys.T[::-1])] = np.arange(len(s.features))
    return place


def _obstacles(uncertain: UncertainSilhouette, errors: Errors, step_m: Any, distance_m: Floats) -> Shifts:
    """Each obstacle moves as a whole: towards or away, aside, up; with the ground that it was stood on."""
    s, samples = uncertain.silhouette, len(step_m)
    stated = [uncertain.obstacles.get(feature.name, ObstacleErrors()) for feature in s.features]
    sigma_m = np.array(
        [
            [
                np.hypot(
                    errors.obstacle_m if e.height_m is None else e.height_m * (errors.obstacle_m > 0.0),
                    errors.growth_fraction * e.grown_m,
                ),
                errors.obstacle_m if e.along_m is None else e.along_m * (errors.obstacle_m > 0.0),
                errors.obstacle_m if e.across_m is None else e.across_m * (errors.obstacle_m > 0.0),
            ]
            for e in stated
        ]
    ).reshape(-1, 3)
    present = np.unique(s.feature)
    place = np.empty(len(s.features), dtype=np.int64)
    place[present] = np.argsort(np.argsort(_feature_order(s)[present]))
    draws = _normal(generator("obstacle"), samples, 3 * present.size).reshape(samples, 3, -1)
    height_m, along_m, across_m = (
        draws[:, i][:, place[s.feature]] * _float32(sigma_m[s.feature, i]) for i in range(3)
    )
    level_m = distance_m * np.cos(np.deg2rad(s.elevation_deg))
    own_m = _own_ground_m(uncertain, samples)
    for index in present:
        ground_from = stated[index].ground_from
        if ground_from in uncertain.rasters:
            mine = np.flatnonzero(s.feature == index)
            stood = _ground_m(uncertain, ground_from, np.full(1, level_m[mine].min()), samples) - own_m
            height_m[:, mine] += stood * np.float32(errors.terrain)
    seen = _Axes.of(s.azimuth_deg, s.elevation_deg, distance_m)
    aside_m, up_m, out_m = seen.step(step_m)
    elevation = np.deg2rad(s.elevation_deg)
    sine, cosine = _float32(np.sin(elevation)), _float32(np.cos(elevation))
    return Shifts(*seen.shifts(
        aside_m + across_m, up_m + height_m * cosine - along_m * sine, out_m + height_m * sine + along_m * cosine
    ))  # fmt: skip


def sigma_bound_deg(uncertain: UncertainSilhouette, errors: Errors, distance_m: Floats) -> Floats:
    """(column,) an upper bound of how far one standard deviation of everything turns each column, for sorting out."""
    s = uncertain.silhouette
    shift_m: Any = np.hypot(errors.position_m, errors.height_m)
    fixed_deg = 0.0
    if s.source == "measured":
        lever_m = (
            0.0 if uncertain.from_instrument_m is None else float(np.linalg.norm(uncertain.from_instrument_m))
        )
        fixed_deg = np.hypot(errors.bearing_deg, errors.inclination_deg)
        shift_m = shift_m + lever_m * (errors.distance_fraction + np.deg2rad(fixed_deg))
        shift_m = shift_m + np.minimum(errors.distance_m, lever_m)
        if uncertain.unread is not None:
            rise_deg = np.abs(uncertain.unread.rise_deg)
            between_deg, beside_deg = _PEAK_RISE_DEG[1] + 0.3 * rise_deg, _BESIDE_RISE_DEG[1]
            may_rise_deg = np.where(np.isnan(rise_deg), beside_deg, between_deg)
            fixed_deg = fixed_deg + errors.unread * may_rise_deg * (uncertain.unread.stretch >= 0)
    elif s.source == "terrain":
        each = [uncertain.rasters.get(feature.name) for feature in s.features]
        vertical_m = np.array([0.0 if r is None else r.vertical_m for r in each] or [0.0])
        own = uncertain.rasters.get(uncertain.ground_from)
        plan_m = np.array([0.0 if r is None else r.horizontal_m for r in each] or [0.0])
        ground_m = vertical_m[s.feature] + plan_m[s.feature] + (0.0 if own is None else own.vertical_m)
        if uncertain.blur is not None:
            ground_m = (
                ground_m + uncertain.blur.lost_m + uncertain.blur.spread_m + THIN_LOST * uncertain.blur.thin_m
            )
        shift_m = shift_m + errors.terrain * ground_m
    else:
        stated = [uncertain.obstacles.get(feature.name, ObstacleErrors()) for feature in s.features]
        widest_m = np.array([
            max(e.height_m or 0.0, e.along_m or 0.0, e.across_m or 0.0, errors.obstacle_m)
            + errors.growth_fraction * e.grown_m
            + (uncertain.rasters[e.ground_from].vertical_m if e.ground_from in uncertain.rasters else 0.0)
            for e in stated
        ] or [0.0])  # fmt: skip
        shift_m = shift_m + widest_m[s.feature]
    return np.asarray(np.rad2deg(np.arctan2(shift_m, distance_m)) + fixed_deg)


def position_order(silhouette: Silhouette, azimuth_deg: float) -> Ints:
    """The order of columns that depends only on where they stand, beginning left of the ray."""
    offset = np.round(wrap_180(silhouette.azimuth_deg - azimuth_deg), 6)
    distance_m, elevation_deg = np.round(silhouette.distance_m, 4), np.round(silhouette.elevation_deg, 6)
    return np.asarray(np.lexsort((distance_m, elevation_deg, offset)))
