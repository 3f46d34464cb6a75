"""Results of screening as arrays: verdicts and reasons, by the rules of the assessment of one mount."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Protocol

import numpy as np

from skysill.assessment.clearance import Clearance, Controlling
from skysill.assessment.job_context import WindowCache
from skysill.assessment.pipeline import assess, judge
from skysill.assessment.verdict import Findings, decide
from skysill.bulk.controlling_obstruction import ControllingGround
from skysill.bulk.position_error import reason_text
from skysill.bulk.prefilter import FLOOR_DEG, Ground, Places, ScreeningQuery
from skysill.bulk.single_heights import least_height_m
from skysill.errors import InputError
from skysill.horizon.lattice import Elevations
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site
from skysill.radio.required_room import room_m
from skysill.units import Bools, Floats, Ints

__all__ = [
    "MOST_HEIGHT_M",
    "PROVED_WITHIN",
    "ScreeningResults",
    "assess_each",
    "below_horizon_reason",
    "empty_results",
    "in_order",
    "merged",
    "require_support",
    "write_far",
    "write_near",
]

MOST_HEIGHT_M = 200.0
"""Least heights are looked for up to here."""

PROVED_WITHIN = 0.005
"""A `clear` by the compiled loops is proved by an assessment where its probability is over the one asked by less."""


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningResults:
    """One entry an address. Angles in degrees, lengths in metres, nan where a quantity does not exist.

    azimuth_deg, elevation_deg : look vector, the apparent elevation
    terrain_elevation_deg, terrain_distance_m : the highest ground straight below the satellite
    margin_deg : angle between the ray and the controlling obstruction; margin_is_floor : the margin is at least that
    least_height_m : dish height over the ground at which terrain leaves the room; nan where the height given does
    verdict, reason : text
    numbers, texts : further results of some kinds of screening, by the name of the column
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    terrain_elevation_deg: Floats
    terrain_distance_m: Floats
    margin_deg: Floats
    margin_is_floor: Bools
    least_height_m: Floats
    verdict: np.ndarray[Any, np.dtype[np.object_]]
    reason: np.ndarray[Any, np.dtype[np.object_]]
    numbers: dict[str, Floats] = field(default_factory=dict)
    texts: dict[str, np.ndarray[Any, np.dtype[np.object_]]] = field(default_factory=dict)


class Addressed(Protocol):
    """Addresses with their look vectors; arrays of one length."""

    @property
    def latitude_deg(self) -> Floats: ...
    @property
    def longitude_deg(self) -> Floats: ...
    @property
    def height_m(self) -> Floats: ...
    @property
    def azimuth_deg(self) -> Floats: ...
    @property
    def elevation_deg(self) -> Floats: ...


def empty_results(places: Addressed) -> ScreeningResults:
    """Results without any verdict yet."""
    count = places.latitude_deg.size
    nothing = [np.full(count, np.nan) for _ in range(4)]
    return ScreeningResults(
        azimuth_deg=places.azimuth_deg,
        elevation_deg=places.elevation_deg,
        terrain_elevation_deg=nothing[0],
        terrain_distance_m=nothing[1],
        margin_deg=nothing[2],
        margin_is_floor=np.zeros(count, dtype=bool),
        least_height_m=nothing[3],
        verdict=np.full(count, "", dtype=object),
        reason=np.full(count, "", dtype=object),
    )


def below_horizon_reason(query: ScreeningQuery, apparent_deg: float) -> str:
    """Why an address is blocked whose satellite stands below the horizon plane."""
    nothing = Findings(
        query.satellite.name, apparent_deg, Clearance(), Clearance(), 0.0, None, False, None, None, 0.0
    )
    return decide(nothing)[1][0]


def merged(parts: Sequence[ScreeningResults], first: Bools) -> ScreeningResults:
    """Two results as one: the first for addresses where `first` is true, the second for the others."""
    return in_order(parts, [np.flatnonzero(first), np.flatnonzero(~first)])


def in_order(parts: Sequence[ScreeningResults], rows: Sequence[Ints]) -> ScreeningResults:
    """Results of groups of addresses as one; rows : of each group, the numbers of its addresses."""
    order = np.argsort(np.concatenate(rows))

    def joined(columns: Sequence[Any]) -> Any:
        if isinstance(columns[0], dict):
            return {name: joined([column[name] for column in columns]) for name in columns[0]}
        return np.concatenate(columns)[order]

    return ScreeningResults(
        *(joined([getattr(part, f.name) for part in parts]) for f in fields(ScreeningResults))
    )


def assess_each(
    rasters: tuple[Elevations, ...],
    places: Addressed,
    query: ScreeningQuery,
    chosen: Ints,
    results: ScreeningResults,
    *,
    into: Ints | None = None,
    words: bool = True,
    most_height_m: float = 0.0,
) -> None:
    """Assess places one by one, as `check` does, and write their results.

    Parameters
    ----------
    chosen : (n,) indices of the places
    into : index of each place's result, where it is not the place's own
    words : whether the reason of a marginal verdict names the largest errors, which takes longer
    most_height_m : least heights of dishes without the required room are looked for up to there; 0: they are not
    """
    for k in chosen:
        at = k if into is None else into[k]
        job = Job(
            site=Site("address", float(places.latitude_deg[k]), float(places.longitude_deg[k])),
            satellites=(query.satellite,),
            terminal=query.terminal,
            criteria=query.criteria,
            # read once for all heights of a place
            sources=Sources(
                rasters=tuple(map(WindowCache, rasters)), highest_ground_m=query.highest_ground_m
            ),
        )
        try:
            mount = Mount(height_m=float(places.height_m[k]))
            assessment = assess(job, mount, explain=False)
            found = assessment.results[0]
            if words and found.verdict == "marginal" and assessment.evidence is not None:
                found = judge(job, assessment.evidence, query.satellite, found.look)
        except InputError as fault:  # ground at the address that cannot be true
            results.verdict[at], results.reason[at] = "unknown", fault.what
            continue
        clear, look = found.clearance, found.look
        results.elevation_deg[at] = look.elevation_deg
        results.azimuth_deg[at] = np.nan if look.azimuth_deg is None else look.azimuth_deg
        results.verdict[at], results.reason[at] = found.verdict, found.reasons[0]
        if look.visible and not clear.has_clearance and mount.height_m < most_height_m:
            results.least_height_m[at] = least_height_m(job, mount, clear, most_m=most_height_m)
        beyond = clear.margin_deg is None or clear.margin_deg > FLOOR_DEG
        if beyond and not query.full:
            results.margin_deg[at], results.margin_is_floor[at] = FLOOR_DEG, True
            continue
        results.margin_deg[at] = np.nan if clear.margin_deg is None else clear.margin_deg
        if found.horizon.elevation_deg is not None:
            results.terrain_elevation_deg[at] = found.horizon.elevation_deg
            results.terrain_distance_m[at] = found.horizon.distance_m


def require_support(results: ScreeningResults, at: int, held: Bools, query: ScreeningQuery) -> None:
    """Make an address marginal whose verdict holds at too few of the places around; held : (place,)."""
    share = float(held.mean())
    if share < query.criteria.min_p_clear:
        results.reason[at] = reason_text(results.verdict[at], share, query.position_error_m)
        results.verdict[at] = "marginal"


def write_far(results: ScreeningResults, rows: Ints) -> None:
    """Write the results of addresses that no ground comes near to."""
    results.margin_deg[rows], results.margin_is_floor[rows] = FLOOR_DEG, True
    results.verdict[rows] = "needs-survey"
    results.reason[rows] = (
        f"Nothing that is known stands in the way. The ground stays over {FLOOR_DEG:g} degrees off the line."
    )


def write_near(
    ground: Ground,
    places: Places,
    query: ScreeningQuery,
    close: ControllingGround,
    into: Ints,
    results: ScreeningResults,
) -> None:
    """Write the results of places that ground comes near to; into : index of each one's result."""
    within = np.flatnonzero(close.inside | (close.margin_deg <= FLOOR_DEG))
    at = into[within]
    results.margin_deg[at], results.margin_is_floor[at] = close.margin_deg[within], False
    results.terrain_elevation_deg[at] = close.top_deg[within]
    results.terrain_distance_m[at] = close.top_m[within]
    name, apparent_deg = query.satellite.name, places.apparent_deg[within].tolist()
    for number, now in enumerate(_clearances(ground, query, close.take(within))):
        findings = Findings(name, apparent_deg[number], now, now, 0.0, None, False, None, None, 0.0)
        results.verdict[at[number]], (results.reason[at[number]], *_) = decide(findings)


def _clearances(ground: Ground, query: ScreeningQuery, close: ControllingGround) -> Iterator[Clearance]:
    """The clearance of each place, as far as the verdict needs it."""
    required_m = room_m(close.slant_m, query.link)  # fmt: skip
    clearance_m = close.slant_m * np.sin(np.deg2rad(close.margin_deg))
    kind = "surface" if ground.kind == "surface" else "ground"
    columns = (close.margin_deg, clearance_m, required_m, close.excess_deg, close.slant_m)
    for margin, room, required, excess, slant in zip(*(part.tolist() for part in columns), strict=True):
        controlling = Controlling(ground.name, kind, "terrain", 0.0, 0.0, slant, False)
        yield Clearance(margin_deg=margin, clearance_m=room, required_m=required, controlling=controlling,
                        spare_deg=excess)  # fmt: skip
