"""Many mounts on one property: compared by their assessments, looked for over a roof and its yards, ranked.

A search asks the exact kernel of the obstacles, and the columns of everything else carried over by their distance,
which spots and heights leave the required room. What it offers is then assessed like any other mount.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from skysill.assess import SatelliteResult, assess
from skysill.carried import carried_spare_deg
from skysill.cautions import Caution, general_cautions, spot_cautions
from skysill.errors import InputError
from skysill.gather import gather, place, prepared
from skysill.horizon.obstacles import least_room
from skysill.job import Job
from skysill.look import LookVector, look_vector
from skysill.positions import offset_position
from skysill.roofs import CableRun, Spots, cable_run, spots
from skysill.site import Mount, Satellite
from skysill.units import Bools, Floats
from skysill.verdict import RANK

__all__ = [
    "DEFAULT_MAX_HEIGHT_M",
    "MountRow",
    "MountsFound",
    "SatelliteMounts",
    "Searched",
    "compare_mounts",
    "least_heights_m",
    "mounts_geojson",
    "room_over_heights",
    "search",
]

HIDDEN = {"json": False}

DEFAULT_MAX_HEIGHT_M = 6.0
"""Tallest mast looked at where no mount says its max_height_m: taller ones want guys. Common practice, no source."""

_STEP_M = 0.25
_FINE_STEP_M = 0.05
_ENOUGH_DEG = 0.0
_MOST_TRIES = 8


@dataclass(frozen=True, slots=True)
class MountRow:
    """One mount in the ranking; heights are dish centre above what the mount stands on.

    height_m : the one judged; for spots of a search the least that serves, or the tallest where none does
    least_height_m : least height at which the required room is there and the verdict is as good as it can get;
        None if none within max_height_m
    margin_deg, clearance_m, required_m : of the satellite with the least room to spare
    cable_run_m : with slack; None without a cable entry; cable_ok : within the terminal's limit, None if not said
    serves : satellites that are clear from there, or only wait for a survey
    """

    rank: int
    name: str
    east_m: float
    north_m: float
    surface_elevation_m: float | None
    height_m: float
    least_height_m: float | None
    verdict: str
    margin_deg: float | None
    clearance_m: float | None
    required_m: float | None
    p_clear: float | None
    cable_run_m: float | None
    cable_ok: bool | None
    cautions: tuple[Caution, ...] = ()
    serves: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SatelliteMounts:
    """The ranking for one satellite."""

    satellite: str
    mounts: tuple[MountRow, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """Every spot of a search.

    spots : where
    least_height_m : (spot, satellite) least height that leaves the required room, nan where none does
    all_height_m : (spot,) the same for all satellites from one height
    heights_m : (height,) that were looked at
    """

    spots: Spots
    least_height_m: Floats
    all_height_m: Floats
    heights_m: Floats


@dataclass(frozen=True, slots=True, eq=False)
class MountsFound:
    """What `mounts` answers. Fields are the JSON, but for those marked HIDDEN, which the plan draws.

    satellite : the one asked for, or all, joined: then `mounts` ranks by what serves all of them together
    per_satellite : each by itself, where several are asked for
    """

    satellite: str
    mounts: tuple[MountRow, ...]
    per_satellite: tuple[SatelliteMounts, ...] = ()
    cautions: tuple[Caution, ...] = ()
    warnings: tuple[str, ...] = ()
    job: Job | None = field(default=None, metadata=HIDDEN)
    looks: tuple[LookVector, ...] = field(default=(), metadata=HIDDEN)
    searched: Searched | None = field(default=None, metadata=HIDDEN)
    routes: tuple[CableRun | None, ...] = field(default=(), metadata=HIDDEN)


def compare_mounts(
    job: Job, *, grid_step_m: float | None = None, max_height_m: float | None = None, keep: int = 6
) -> MountsFound:
    """The named mounts, and with a grid the best spots of the roof and yards, assessed and ranked.

    Parameters
    ----------
    grid_step_m : search the roof and yards at this step; None: the named mounts only
    max_height_m : tallest mast of the search; default the tallest that a named mount allows, or 6 m
    keep : spots of the search to assess, for all satellites together and for each alone

    Returns
    -------
    MountsFound. Ranking: verdict, cable within its limit, least mast, shorter cable, larger margin

    Raises
    ------
    InputError : a grid without a roof
    """
    if not job.satellites:
        raise InputError("no satellite was named.", mend='Give --satellite "NAME=24.5W".')
    job = prepared(job)
    candidates = [_Candidate(mount) for mount in job.mounts]
    looks, searched = _looks(job, job.mounts[0]), None
    if grid_step_m is not None:
        if job.roof is None:
            raise InputError("there is no roof to search.", where="--grid", mend="Describe it under [roof].")
        searched = search(job, grid_step_m, max_height_m)
        candidates += _chosen(job, searched, keep)
    for candidate in candidates:
        _judge(job, candidate, max_height_m)
    return _answer(job, candidates, looks, searched)


@dataclass(slots=True, eq=False)
class _Candidate:
    """A mount while it is being judged."""

    mount: Mount
    searched_at_m: float | None = None  # a spot of the search: where it found room
    wanted: tuple[str, ...] = ()  # satellites it was found for; empty: all
    least_m: dict[str, float | None] = field(default_factory=dict)
    found: dict[str, SatelliteResult] = field(default_factory=dict)
    at: Any = None


def _looks(job: Job, mount: Mount, satellites: Sequence[Satellite] | None = None) -> tuple[LookVector, ...]:
    """One look vector per satellite, the first of the times for one that moves."""
    at = place(job, mount)
    where = at.latitude_deg, at.longitude_deg, at.antenna_elevation_m
    return tuple(
        look_vector(*where, s, date=job.date, time_utc=(job.times_utc or (None,))[0] if s.orbit else None)
        for s in satellites or job.satellites
    )


# --- the search ----------------------------------------------------------------------------------------------


def search(job: Job, grid_step_m: float, max_height_m: float | None = None) -> Searched:
    """Least height of every spot of the roof and yards, for each satellite and for all at once."""
    assert job.roof is not None
    site = place(job, Mount()).site
    grid = spots(job.roof, site, job.sources.rasters, step_m=grid_step_m)
    heights = _heights(job, max_height_m)
    foot = np.column_stack([grid.east_m, grid.north_m, grid.surface_elevation_m])
    room = np.asarray(room_over_heights(job, foot, heights) >= 0.0)
    if job.sources.scene is not None:  # nothing is mounted on what stands on the roof
        occupied = job.sources.scene.holding(foot + np.array([0.0, 0.0, 0.02])).any(axis=1)
        room[occupied] = False
    together = np.asarray(room.all(axis=2))
    return Searched(grid, least_heights_m(room, heights), least_heights_m(together, heights), heights)


def _heights(job: Job, max_height_m: float | None) -> Floats:
    """From a dish whose rim touches the roof to the tallest mast."""
    tallest = (
        max_height_m or max((m.max_height_m or 0.0 for m in job.mounts), default=0.0) or DEFAULT_MAX_HEIGHT_M
    )
    lowest = job.terminal.dish_diameter_m / 2.0
    return np.append(np.arange(lowest, tallest - 1e-9, _STEP_M), max(tallest, lowest))


def least_heights_m(roomy: Bools, heights_m: Floats) -> Floats:
    """Least height at which there is room; nan where there is none.

    Parameters
    ----------
    roomy : (spot, height, ...) bool; heights in rising order. Under an overhang there may be room below and above
        it and none between: the lowest counts.

    >>> least_heights_m(np.array([[False, True, False], [False, False, False]]), np.array([0.6, 1.0, 1.4]))
    array([ 1., nan])
    """
    first = roomy.argmax(axis=1)
    return np.where(roomy.any(axis=1), heights_m[first], np.nan)


def room_over_heights(job: Job, foot_m: Floats, heights_m: Floats) -> Floats:
    """(spot, height, satellite) least spare angle today and after growth, degrees; 0 where there is enough.

    foot_m : (spot, 3). Obstacles exactly; readings and terrain as seen from the middle of the spots, each column
    carried over by its distance, those without one left where they are.
    """
    dish = np.repeat(foot_m, len(heights_m), axis=0)
    dish[:, 2] += np.tile(heights_m, len(foot_m))
    middle = foot_m.mean(axis=0)
    centre = Mount("middle", float(middle[0]), float(middle[1]), float(heights_m.mean()), float(middle[2]))
    at = place(job, centre)
    looks = _looks(job, centre)
    ray = [look.azimuth_deg or 0.0 for look in looks], [look.elevation_apparent_deg for look in looks]
    spare = np.full((len(dish), len(looks)), _ENOUGH_DEG)
    scene = job.sources.scene
    if scene is not None:
        later = scene.grown(job.criteria.years_ahead)
        for stand in (scene, later) if any(o.growth_m_per_year for o in scene.obstacles) else (scene,):
            found = least_room(
                stand, dish, *ray, terminal=job.terminal, criteria=job.criteria, enough_deg=_ENOUGH_DEG
            )
            spare = np.minimum(spare, found.spare_deg)
    blind = replace(job, sources=replace(job.sources, scene=None))
    fixed = gather(blind, at, looks).silhouettes
    step_m = dish - np.array([centre.east_m, centre.north_m, at.antenna_elevation_m])
    for k, look in enumerate(looks):
        if not look.visible:
            spare[:, k] = -90.0
        carried = carried_spare_deg(
            fixed,
            ray[0][k],
            ray[1][k],
            step_m,
            terminal=job.terminal,
            criteria=job.criteria,
            enough_deg=_ENOUGH_DEG,
        )
        spare[:, k] = np.minimum(spare[:, k], carried)
    return spare.reshape(len(foot_m), len(heights_m), len(looks))


def _chosen(job: Job, searched: Searched, keep: int) -> list[_Candidate]:
    """The best spots for all satellites at once and for each alone, not all in one corner."""
    assert job.roof is not None
    grid = searched.spots
    wanted: list[tuple[Floats, tuple[str, ...]]] = [(searched.all_height_m, ())]
    if len(job.satellites) > 1:
        wanted += [(searched.least_height_m[:, k], (s.name,)) for k, s in enumerate(job.satellites)]
    taken: dict[int, _Candidate] = {}
    for height, names in wanted:
        for at in _spread_out(job, grid, height, keep if not names else max(2, keep // 2)):
            if at in taken:
                taken[at].wanted = taken[at].wanted and (*taken[at].wanted, *names)
                continue
            mount = replace(
                _mount_at(grid, at, float(height[at])), max_height_m=float(searched.heights_m[-1])
            )
            taken[at] = _Candidate(mount, float(height[at]), names)
    return list(taken.values())


def _mount_at(grid: Spots, at: int, height_m: float) -> Mount:
    east_m, north_m = float(grid.east_m[at]), float(grid.north_m[at])
    return Mount(
        name=f"spot {abs(east_m):.1f} {'E' if east_m >= 0 else 'W'} {abs(north_m):.1f} {'N' if north_m >= 0 else 'S'}",
        east_m=east_m,
        north_m=north_m,
        height_m=height_m,
        surface_elevation_m=float(grid.surface_elevation_m[at]),
        surface_source=grid.source[at],
    )


def _spread_out(job: Job, grid: Spots, height: Floats, keep: int) -> list[int]:
    """Spots in the order of the ranking, each at least a metre and a half from those before it."""
    assert job.roof is not None
    able = np.flatnonzero(np.isfinite(height))
    cable = np.full(len(grid), np.inf)
    for at in able[np.argsort(height[able], kind="stable")][:400]:
        run = cable_run(job.roof, _mount_at(grid, int(at), float(height[at])))
        cable[at] = np.inf if run is None else run.length_m
    limit = job.terminal.cable_limit_m or np.inf
    order = able[np.lexsort((cable[able], height[able], np.isfinite(cable[able]) & (cable[able] > limit)))]
    chosen: list[int] = []
    for at in order:
        apart = [
            np.hypot(grid.east_m[at] - grid.east_m[c], grid.north_m[at] - grid.north_m[c]) for c in chosen
        ]
        if all(gap >= 1.5 for gap in apart):
            chosen.append(int(at))
        if len(chosen) == keep:
            break
    return chosen


# --- the proof -----------------------------------------------------------------------------------------------


def _judge(job: Job, candidate: _Candidate, max_height_m: float | None) -> None:
    """Least heights proved by assessments, and the assessment that stands in the ranking."""
    mount = candidate.mount
    at = place(job, mount)
    candidate.mount = mount = replace(mount, surface_elevation_m=at.mount.surface_elevation_m)
    heights = _fine_heights(job, mount, max_height_m)
    room = None
    if mount.surface_elevation_m is not None:
        foot = np.array([[mount.east_m, mount.north_m, mount.surface_elevation_m]])
        room = room_over_heights(job, foot, heights)[0] >= 0.0
    for k, satellite in enumerate(job.satellites):
        if candidate.wanted and satellite.name not in candidate.wanted:
            continue
        able = heights if room is None else heights[room[:, k]]
        candidate.least_m[satellite.name] = _proved_m(job, mount, satellite, able)
    served = [h for h in candidate.least_m.values()]
    if candidate.searched_at_m is not None:
        tall = max((h for h in served if h is not None), default=float(heights[-1]))
        able = heights if room is None else heights[room.all(axis=1) & (heights >= tall - 1e-9)]
        together = not candidate.wanted and all(h is not None for h in served) and able.size
        candidate.mount = mount = replace(mount, height_m=float(able[0]) if together else tall)
    found = assess(job, mount, explain=False)
    candidate.at = found
    candidate.found = {r.satellite.name: r for r in found.results}


def _fine_heights(job: Job, mount: Mount, max_height_m: float | None) -> Floats:
    tallest = mount.max_height_m or max_height_m or max(DEFAULT_MAX_HEIGHT_M, mount.height_m)
    lowest = min(job.terminal.dish_diameter_m / 2.0, tallest)
    return np.append(np.arange(lowest, tallest - 1e-9, _FINE_STEP_M), tallest).round(6)


def _proved_m(job: Job, mount: Mount, satellite: Satellite, able_m: Floats) -> float | None:
    """The least of the heights with room at which the assessment is content; None where none is.

    Content: nothing marginal, nothing blocked. Where nobody looked the verdict cannot get better with height.
    Certainty asks for more than bare room, so the steps upward widen, and what lies between is then halved.
    """
    alone = replace(job, satellites=(satellite,))
    tried: dict[int, bool] = {}

    def content(index: int) -> bool:
        if index not in tried:
            found = assess(alone, replace(mount, height_m=float(able_m[index])), explain=False)
            tried[index] = found.results[0].verdict not in ("marginal", "blocked")
        return tried[index]

    if not able_m.size:
        return None
    low, at, stride = -1, 0, 4
    while not content(at):
        if at == able_m.size - 1 or len(tried) >= _MOST_TRIES:
            return None
        low, at, stride = at, min(at + stride, able_m.size - 1), stride * 2
    while at - low > 1 and len(tried) < 2 * _MOST_TRIES:
        middle = (low + at) // 2
        low, at = (low, middle) if content(middle) else (middle, at)
    return float(able_m[at])


# --- the answer ----------------------------------------------------------------------------------------------


def _answer(
    job: Job, candidates: Sequence[_Candidate], looks: tuple[LookVector, ...], searched: Searched | None
) -> MountsFound:
    names = tuple(s.name for s in job.satellites)
    whole = [c for c in candidates if not c.wanted]
    rows, routes = _ranked(job, whole, names)
    each = tuple(
        SatelliteMounts(name, _ranked(job, [c for c in candidates if name in c.least_m], (name,))[0])
        for name in names
    )
    # what is said of each spot of a search differs only in its distances: the best one's stands for all
    spoken = [c for c in candidates if c.searched_at_m is None or c.mount.name == rows[0].name]
    notes = [*(searched.spots.notes if searched else ()), *(w for c in spoken for w in c.at.warnings)]
    if searched is not None and not np.isfinite(searched.all_height_m).any() and len(names) > 1:
        notes.append("No spot of the search serves all satellites from one mast within the height looked at.")
    return MountsFound(
        satellite=" + ".join(names),
        mounts=rows,
        per_satellite=each if len(names) > 1 else (),
        cautions=general_cautions(job.terminal, scene=job.sources.scene, roof=job.roof),
        warnings=tuple(dict.fromkeys(notes)),
        job=job,
        looks=looks,
        searched=searched,
        routes=routes,
    )


def _ranked(
    job: Job, candidates: Sequence[_Candidate], names: tuple[str, ...]
) -> tuple[tuple[MountRow, ...], tuple[CableRun | None, ...]]:
    made = [_row(job, candidate, names) for candidate in candidates]
    made.sort(key=lambda pair: _order(pair[0]))
    rows = tuple(replace(row, rank=rank) for rank, (row, _) in enumerate(made, start=1))
    return rows, tuple(route for _, route in made)


def _order(row: MountRow) -> tuple[float, ...]:
    """Verdict, cable within its limit, least mast, shorter cable, larger margin."""
    return (
        RANK[row.verdict],
        row.cable_ok is False,
        np.inf if row.least_height_m is None else row.least_height_m,
        np.inf if row.cable_run_m is None else row.cable_run_m,
        -(90.0 if row.margin_deg is None else row.margin_deg),
    )


def _row(job: Job, candidate: _Candidate, names: tuple[str, ...]) -> tuple[MountRow, CableRun | None]:
    mount, results = candidate.mount, [candidate.found[name] for name in names]
    if (
        len(names) == 1
        and candidate.searched_at_m is not None
        and candidate.least_m.get(names[0]) is not None
    ):
        mount = replace(mount, height_m=float(candidate.least_m[names[0]] or 0.0))
        alone = replace(job, satellites=(results[0].satellite,))
        results = list(assess(alone, mount, explain=False).results)
    worst = max(results, key=lambda r: RANK[r.verdict])
    tight = min(results, key=lambda r: np.inf if r.clearance.spare_deg is None else r.clearance.spare_deg)
    sure = [r.p_clear for r in results]
    least = [candidate.least_m.get(name) for name in names]
    route = None if job.roof is None else cable_run(job.roof, mount)
    limit = job.terminal.cable_limit_m
    row = MountRow(
        rank=0,
        name=mount.name,
        east_m=mount.east_m,
        north_m=mount.north_m,
        surface_elevation_m=mount.surface_elevation_m,
        height_m=mount.height_m,
        least_height_m=None if any(h is None for h in least) else max(h for h in least if h is not None),
        verdict=worst.verdict,
        margin_deg=tight.clearance.margin_deg,
        clearance_m=tight.clearance.clearance_m,
        required_m=tight.clearance.required_m,
        p_clear=None if any(p is None for p in sure) else min(p for p in sure if p is not None),
        cable_run_m=None if route is None else round(route.length_m, 3),
        cable_ok=None if route is None or limit is None else route.length_m <= limit,
        cautions=spot_cautions(
            mount,
            scene=job.sources.scene,
            terminal=job.terminal,
            roof=job.roof,
            ground_elevation_m=candidate.at.site.ground_elevation_m,
            survey=job.sources.survey,
        ),
        serves=tuple(r.satellite.name for r in results if r.verdict in ("clear", "needs-survey")),
    )
    return row, route


def mounts_geojson(found: MountsFound) -> dict[str, Any]:
    """The mounts, every spot of the search and the best cable run as a GeoJSON FeatureCollection (RFC 7946).

    Longitude, latitude in WGS 84; properties are the fields of MountRow, or of a spot its surface and least masts.
    """
    assert found.job is not None
    job, features = found.job, []

    def place_of(east_m: Any, north_m: Any) -> list[Any]:
        latitude, longitude = offset_position(job.site.latitude_deg, job.site.longitude_deg, east_m, north_m)
        return np.stack([longitude, latitude], axis=-1).round(8).tolist()  # type: ignore[no-any-return]  # numpy says Any

    def add(kind: str, coordinates: Any, properties: dict[str, Any]) -> None:
        geometry = {"type": kind, "coordinates": coordinates}
        features.append({"type": "Feature", "geometry": geometry, "properties": properties})

    for row in found.mounts:
        said = {name: getattr(row, name) for name in MountRow.__slots__ if name not in ("cautions", "serves")}
        said |= {"cautions": [c.text for c in row.cautions], "serves": list(row.serves), "is": "mount"}
        add("Point", place_of(row.east_m, row.north_m), said)
    if found.searched is not None:
        spots_at = place_of(found.searched.spots.east_m, found.searched.spots.north_m)
        for at, coordinates in enumerate(spots_at):
            least = {
                f"least_height_m {s.name}": found.searched.least_height_m[at, k]
                for k, s in enumerate(job.satellites)
            }
            surface = found.searched.spots.surface_elevation_m[at]
            add("Point", coordinates, {"is": "spot", "surface_elevation_m": surface, **least})
    for row, route in zip(found.mounts, found.routes, strict=True):
        if route is not None and row.rank == 1:
            add(
                "LineString",
                place_of(*route.path_m[:, :2].T),
                {"is": "cable run", "length_m": route.length_m},
            )
    return {"type": "FeatureCollection", "features": features}
