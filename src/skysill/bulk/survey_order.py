"""In which order to send the surveyor out: how often addresses alike turned out clear where near evidence exists.

Part of an area may lie in a fine surface raster. Its addresses that the bare terrain alone leaves at `needs-survey` are
a sample of all such addresses: near evidence shows how many of them are clear. That share is a guess about
others, and no verdict about any.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skysill.assessment.verdict import RANK
from skysill.bulk.prefilter import Ground, ScreeningQuery
from skysill.bulk.raster_reach import Extent
from skysill.bulk.screening import screen
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import interpolate, lattice_position
from skysill.pointing.refraction import refraction_deg
from skysill.siting.allowed_heights import allowed_height_m
from skysill.units import Bools, Floats, Ints

__all__ = [
    "LEAST_SAMPLE",
    "ORDER_NUMBERS",
    "SAMPLE_NUMBERS",
    "ClearShares",
    "add_survey_samples",
    "best_of",
    "clear_shares",
    "survey_classes",
    "survey_order",
    "terrain_allowed_m",
]

LEAST_SAMPLE = 30
"""Fewer addresses of a class say nothing: the 90 % interval of a share of a half would be wider than 0.3."""

ORDER_NUMBERS = {
    "survey_order": 0, "clear_share": 2, "clear_share_low": 2, "clear_share_high": 2, "clear_share_of": 0,
}  # fmt: skip
"""Columns that are written, with their decimal places."""

SAMPLE_NUMBERS = {"survey_class": 0, "survey_sample": 0, "survey_allowed_m": 1}
"""What is stored of every address until all are screened: its class, whether it is in the sample (1: clear, 0: not),
and the height that terrain allows."""

_ALLOWED_AT_M = 50.0
_ELEVATION_STEP_DEG = 5.0
_HEIGHT_STEPS_M = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 50.0)
_CLASSES_A_BAND = 10
_Z_90 = 1.6449
_INSIDE_M = 0.1  # positions there and back on the map differ by less
_ALTITUDE_M = 500.0


def terrain_allowed_m(
    ground: Ground, latitude_deg: Floats, longitude_deg: Floats, mount_height_m: Floats, results: ScreeningResults,
    query: ScreeningQuery,
) -> Floats:  # fmt: skip
    """(n,) height over the ground 50 m towards the satellite that leaves the room; nan where the ground is not known.

    As `allowed_height_m`, less the rise of the ground from the address to there; results : of the query's satellite
    """
    azimuth_rad = np.deg2rad(np.nan_to_num(results.azimuth_deg))
    there = offset_position(
        latitude_deg,
        longitude_deg,
        _ALLOWED_AT_M * np.sin(azimuth_rad),
        _ALLOWED_AT_M * np.cos(azimuth_rad),
    )
    here_m, ahead_m = (
        interpolate(ground.grid, *lattice_position(ground.grid, *where))
        for where in ((latitude_deg, longitude_deg), there)
    )
    elevation_deg = np.clip(results.elevation_deg, 0.0, 85.0)
    level_m = allowed_height_m(
        np.full(elevation_deg.shape, _ALLOWED_AT_M),
        elevation_deg=elevation_deg + refraction_deg(elevation_deg, _ALTITUDE_M),
        antenna_height_m=mount_height_m,
        link=query.link,
    )
    return np.asarray(level_m - (ahead_m - here_m))


def survey_classes(elevation_deg: Floats, allowed_m: Floats) -> Ints:
    """(n,) class of each address: the satellite's elevation in steps of 5 degrees, and the height that terrain allows.

    Heights are cut at 0, 5, 10, 15, 20, 30 and 50 m. -1 where one of both is not known or the satellite is down.

    >>> survey_classes(np.array([24.1, 24.9, 25.1, np.nan]), np.array([23.0, 12.0, 23.0, 23.0]))
    array([45, 43, 55, -1])
    """
    known = np.isfinite(elevation_deg) & np.isfinite(allowed_m) & (elevation_deg > 0.0)
    band = np.floor(np.where(known, elevation_deg, 0.0) / _ELEVATION_STEP_DEG)
    step = np.searchsorted(_HEIGHT_STEPS_M, np.where(known, allowed_m, 0.0), side="right")
    return np.where(known, _CLASSES_A_BAND * band + step, -1).astype(np.int64)


def best_of(results: Sequence[tuple[Ints, ScreeningResults]], count: int) -> tuple[Ints, Ints]:
    """For each of n addresses the satellite that serves it best: its number among the results, and its verdict's rank.

    results : for each satellite the numbers of its addresses, and their results. -1 and 99 where there is none

    The best has the best verdict; of those the largest margin, as in the output.
    """
    best, number = np.full(count, np.inf), np.full(count, -1, dtype=np.int64)
    ranks = np.full(count, 99, dtype=np.int64)
    for k, (at, found) in enumerate(results):
        rank = np.array([RANK[str(verdict)] for verdict in found.verdict], dtype=np.int64)
        room_deg = np.where(np.isnan(found.margin_deg), -90.0, found.margin_deg) + 1e-3 * found.elevation_deg
        value = rank - np.clip(room_deg, -180.0, 180.0) / 1000.0
        better = np.flatnonzero(value < best[at])
        into = at[better]
        best[into], number[into], ranks[into] = value[better], k, rank[better]
    return number, ranks


def add_survey_samples(
    ground: Ground | None,
    surfaces: Sequence[Extent],
    latitude_deg: Floats,
    longitude_deg: Floats,
    mount_height_m: Floats,
    results: Sequence[tuple[Ints, ScreeningResults]],
    queries: Sequence[ScreeningQuery],
) -> None:
    """Fill `SAMPLE_NUMBERS` of all results, and leave `ORDER_NUMBERS` empty for later.

    Parameters
    ----------
    ground : the bare or coarse terrain under all addresses; None: there is none, and no address gets a class
    surfaces : fine surface rasters
    latitude_deg, longitude_deg, mount_height_m : (n,) all addresses of a part
    results, queries : one a satellite: the numbers of its addresses and their results

    Notes
    -----
    In the sample: addresses inside a fine surface that have a verdict other than `needs-survey` and `unknown`, and
    that the terrain alone, screened again, leaves at `needs-survey` for the satellite that then serves them best. That
    satellite decides their class. The outcome is 1 where any of the satellites is clear with the surface.
    """
    count = latitude_deg.size
    values = {name: np.full(count, np.nan) for name in SAMPLE_NUMBERS}
    where = (latitude_deg, longitude_deg, mount_height_m)
    if ground is not None:
        number, rank = best_of(results, count)
        of_terrain = list(results)
        inside = np.zeros(count, dtype=bool)
        for surface in surfaces:
            inside |= surface.away_m(latitude_deg, longitude_deg) < _INSIDE_M
        inside &= np.isin(rank, [RANK["clear"], RANK["marginal"], RANK["blocked"]])
        for k, (at, _) in enumerate(results):
            at = at[inside[at]]
            if at.size:
                of_terrain.append(
                    (at, screen(ground, latitude_deg[at], longitude_deg[at], mount_height_m[at], queries[k]))
                )
        terrain_number, terrain_rank = best_of(of_terrain[len(results) :], count)
        sampled = inside & (terrain_rank == RANK["needs-survey"])
        chosen = np.where(inside, terrain_number + len(results), number)
        values["survey_sample"][sampled] = rank[sampled] == RANK["clear"]
        again = [k for k, (at, _) in enumerate(results) if inside[at].any()]
        asked = [*queries, *(queries[k] for k in again)]
        values |= _classes(ground, where, of_terrain, chosen, asked)
    for at, found in results:
        found.numbers.update({name: np.full(at.size, np.nan) for name in ORDER_NUMBERS})
        found.numbers.update({name: values[name][at] for name in SAMPLE_NUMBERS})


def _classes(
    ground: Ground,
    where: tuple[Floats, Floats, Floats],
    results: Sequence[tuple[Ints, ScreeningResults]],
    chosen: Ints,
    queries: Sequence[ScreeningQuery],
) -> dict[str, Floats]:
    """Class and allowed height of each address, from the results with the number `chosen` (n,)."""
    elevation_deg, allowed_m = (np.full(chosen.size, np.nan) for _ in range(2))
    for k, (at, found) in enumerate(results):
        own = chosen[at] == k
        latitude_deg, longitude_deg, height_m = (part[at] for part in where)
        terrain_m = terrain_allowed_m(ground, latitude_deg, longitude_deg, height_m, found, queries[k])
        elevation_deg[at[own]], allowed_m[at[own]] = found.elevation_deg[own], terrain_m[own]
    classes = survey_classes(elevation_deg, allowed_m).astype(np.float64)
    return {"survey_class": np.where(classes >= 0.0, classes, np.nan), "survey_allowed_m": allowed_m}


@dataclass(frozen=True, slots=True, eq=False)
class ClearShares:
    """Share of clear addresses in the sample, for each of n addresses by its class; nan where the sample is too small.

    low, high : its 90 % interval (Wilson 1927, from memory), as if addresses were independent of each other; neighbours
        are not, so it is rather too narrow
    sample : (n,) number of addresses in the class's sample
    """

    share: Floats
    low: Floats
    high: Floats
    sample: Ints


def clear_shares(classes: Ints, outcome: Floats) -> ClearShares:
    """The shares by class, of all addresses.

    Parameters
    ----------
    classes : (n,) from `survey_classes`
    outcome : (n,) 1 in the sample and clear, 0 in the sample and not clear, nan not in the sample

    >>> shares = clear_shares(np.repeat([45, 46], 40), np.r_[np.ones(30), np.zeros(10), np.full(40, np.nan)])
    >>> shares.share[[0, 40]], shares.low[0].round(2), shares.high[0].round(2)
    (array([0.75,  nan]), np.float64(0.62), np.float64(0.84))
    """
    sampled = np.isfinite(outcome) & (classes >= 0)
    most = int(classes.max(initial=0)) + 1
    count = np.bincount(classes[sampled], minlength=most)
    clear = np.bincount(classes[sampled], weights=outcome[sampled], minlength=most)
    own = np.where(classes >= 0, count[classes], 0)
    enough = own >= LEAST_SAMPLE
    n = np.where(enough, own, np.nan)
    share = np.where(enough, clear[classes], np.nan) / n
    z2 = _Z_90**2
    middle = (share + z2 / (2.0 * n)) / (1.0 + z2 / n)
    half = _Z_90 * np.sqrt(share * (1.0 - share) / n + z2 / (4.0 * n * n)) / (1.0 + z2 / n)
    return ClearShares(share, middle - half, middle + half, own)


def survey_order(wanted: Bools, shares: ClearShares, allowed_m: Floats, heard: Bools) -> Floats:
    """(n,) place in the order, from 1; nan where nothing is wanted or no share is known.

    Parameters
    ----------
    wanted : (n,) addresses that need a survey
    allowed_m : (n,) height that terrain allows
    heard : (n,) whether a caller's answer leaves the room

    Larger shares come first; of equal ones those with such an answer, then those that allow taller things, then by
    the list.
    """
    order = np.full(wanted.shape, np.nan)
    at = np.flatnonzero(wanted & np.isfinite(shares.share))
    keys = (-np.nan_to_num(allowed_m[at], nan=-1e9), ~heard[at], -shares.share[at])
    order[at[np.lexsort(keys)]] = np.arange(1, at.size + 1)
    return order
