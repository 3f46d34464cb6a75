"""The rows of `mounts`: each mount with its figures, the ranking, and the same as GeoJSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from skysill.assessment.cautions import Caution, line_cautions
from skysill.assessment.overhead_lines import LINE_RANK, LineDistances, near_lines
from skysill.assessment.verdict import RANK
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job
from skysill.pointing.look_vector import LookVector
from skysill.siting.cables import CableRun
from skysill.siting.mast_search import Searched

__all__ = [
    "MountRow",
    "MountsFound",
    "Ranked",
    "SatelliteMounts",
    "kit_of",
    "mounts_geojson",
    "row_order",
    "spot_lines",
]

HIDDEN = {"json": False}


@dataclass(frozen=True, slots=True)
class MountRow:
    """One mount in the ranking; heights are dish centre above what the mount stands on.

    rank : 1 is the best; name : of the mount
    east_m, north_m, surface_elevation_m : where it stands; the elevation None while unknown
    height_m : the one judged; for spots of a search the least that serves, or the tallest where none does
    least_height_m : least height at which the required room is there and the verdict is as good as it can get;
        None if none within max_height_m
    worst : the satellite with the worst verdict, of those the one with the least room beyond what is required
    verdict, margin_deg, clearance_m, required_m : of that satellite; p_clear : the least of all satellites
    cable_run_m : with slack; None without a cable entry; cable_ok : within the terminal's limit, None if not stated
    cautions : what keeps people from harm there
    serves : satellites that are clear from there, or only wait for a survey
    kit : the mast kit or bracket that holds the dish there, where kits are named
    fault : why the mount could not be assessed; its verdict is then "unknown"
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
    worst: str | None = None
    kit: str | None = None
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class SatelliteMounts:
    """The ranking for one satellite."""

    satellite: str
    mounts: tuple[MountRow, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MountsFound:
    """Mounts of one property, ranked. Fields are the JSON of `skysill mounts`, but for those that the plan needs.

    satellite : the one asked for, or all, joined: then `mounts` ranks by what serves all of them together
    mounts : one row a mount, the best first
    per_satellite : the same for each satellite by itself, where several are asked for
    cautions, warnings : for all mounts, in whole sentences
    job, looks, searched, routes : for the plan: what was asked, look vectors, every spot of the search, cable runs
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


class Ranked(Protocol):
    """What the ranking asks of a mount."""

    @property
    def verdict(self) -> str: ...
    @property
    def cautions(self) -> Sequence[Caution]: ...
    @property
    def cable_ok(self) -> bool | None: ...
    @property
    def least_height_m(self) -> float | None: ...
    @property
    def cable_run_m(self) -> float | None: ...
    @property
    def margin_deg(self) -> float | None: ...


def row_order(row: Ranked) -> tuple[float, ...]:
    """Verdict, overhead lines near, cable within its limit, least mast, shorter cable, larger margin."""
    codes = {caution.code for caution in row.cautions}
    return (
        RANK[row.verdict],
        max((rank for rank, code in LINE_RANK.items() if code and code in codes), default=0),
        row.cable_ok is False,
        np.inf if row.least_height_m is None else row.least_height_m,
        np.inf if row.cable_run_m is None else row.cable_run_m,
        -(90.0 if row.margin_deg is None else row.margin_deg),
    )


def kit_of(job: Job, height_m: float) -> str | None:
    """Name of the first mast kit that has a height; None without one."""
    for kit in job.mast_kits:
        if kit.stand_off_m is None and any(abs(height_m - h) < 1e-6 for h in kit.heights_m):
            return kit.name
    return None


def spot_lines(found: MountsFound) -> LineDistances | None:
    """How near overhead lines come to every spot of the search; None without a search.

    With the tallest mast offered there, for any satellite or for all; where none serves, the tallest looked at.
    """
    searched = found.searched
    if searched is None or found.job is None:
        return None
    spots = searched.spots
    offered_m = np.column_stack([searched.all_height_m, searched.least_height_m])
    tall_m = np.where(np.isnan(offered_m), -np.inf, offered_m).max(axis=1)
    tall_m = np.where(np.isfinite(tall_m), tall_m, np.max(searched.heights_m))
    foot_m = np.column_stack([spots.east_m, spots.north_m, spots.surface_elevation_m])
    return near_lines(found.job, foot_m, tall_m)


def mounts_geojson(found: MountsFound) -> dict[str, Any]:
    """The mounts, every spot of the search and the best cable run as a GeoJSON FeatureCollection (RFC 7946).

    Parameters
    ----------
    found : from `compare_mounts`

    Returns
    -------
    dictionary; longitude, latitude in WGS 84; properties are the fields of MountRow, or of a spot its surface, least
    masts and cautions

    >>> from skysill import compare_mounts, mounts_geojson, read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> document = mounts_geojson(compare_mounts(job))
    >>> document["type"], document["features"][0]["geometry"]["type"]
    ('FeatureCollection', 'Point')
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
        near = spot_lines(found)
        assert near is not None
        spots_at = place_of(found.searched.spots.east_m, found.searched.spots.north_m)
        for at, coordinates in enumerate(spots_at):
            least = {
                f"least_height_m {s.name}": found.searched.least_height_m[at, k]
                for k, s in enumerate(job.satellites)
            }
            surface = found.searched.spots.surface_elevation_m[at]
            said = {"is": "spot", "surface_elevation_m": surface, **least}
            add("Point", coordinates, {**said, "cautions": [c.text for c in line_cautions(near, at)]})
    for row, route in zip(found.mounts, found.routes, strict=True):
        if route is not None and row.rank == 1:
            add(
                "LineString",
                place_of(*route.path_m[:, :2].T),
                {"is": "cable run", "length_m": route.length_m},
            )
    return {"type": "FeatureCollection", "features": features}
