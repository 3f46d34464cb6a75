"""Whether the azimuths that matter to a ray are covered by some source, and by near evidence."""

from __future__ import annotations

import numpy as np

from skysill.assessment.evidence import Evidence
from skysill.assessment.search_window import (
    near_reach_m,
    reach_wanted_m,
    stop_elevation_deg,
    window_azimuths_deg,
)
from skysill.horizon.silhouette import Silhouette, covered
from skysill.model.job import Job
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M
from skysill.pointing.look_vector import LookVector
from skysill.units import Floats

__all__ = ["gap_sentence", "near_doubt_sentence", "near_seen", "uncovered"]


def uncovered(evidence: Evidence, look: LookVector, job: Job) -> str | None:
    """Why the azimuths that matter are not covered, in a sentence; None when they are."""
    at, highest_m = evidence.place, job.sources.highest_ground_m
    dense, _ = window_azimuths_deg(look, job.link)
    is_covered = np.zeros(dense.shape, dtype=bool)
    for station in evidence.stations:
        is_covered |= covered(station.silhouette, dense)
    if is_covered.all():
        return None
    wanted_m = reach_wanted_m(look, at, highest_m, job.link) if at.datum_known else np.inf
    if evidence.terrain is not None:
        is_covered |= covered(evidence.terrain, dense, reach_m=wanted_m)
    if is_covered.all():
        return None
    gap_deg = dense[~is_covered]
    where = f"between azimuth {gap_deg[0]:.0f} and {gap_deg[-1]:.0f} degrees"
    if gap_deg.size > 3500:
        where = "all round"
    if evidence.terrain is None:
        return (
            f"Nobody has looked {where}: no reading and no elevation raster speaks for it. Measure the horizon there "
            "(type --horizon FILE), or give a raster (type --terrain FILE)."
        )
    reach_m = _shortest_reach_m(evidence.terrain, gap_deg)
    return gap_sentence(where, reach_m, wanted_m, highest_m)


def gap_sentence(where: str, reach_m: float, wanted_m: float, highest_m: float) -> str:
    """That the rasters stop or have a hole.

    where : on which azimuths
    reach_m : how far out they are known; wanted_m : how far out they ought to be, with ground of highest_m
    """
    if reach_m <= 0.0:
        return (
            f"Nobody has looked {where}: the rasters have no data at the site and no reading speaks for it. Measure "
            "the horizon there (type --horizon FILE), or give a raster that covers the site (type --terrain FILE)."
        )
    lower = ""
    if highest_m >= HIGHEST_GROUND_ON_EARTH_M:
        lower = (
            " Nobody said how high the ground around is: say what it does not exceed (type highest_ground_m under "
            "[terrain], or --highest-ground)."
        )
    return (
        f"The elevation rasters end or have a hole {_km(reach_m)} out {where}, but ground of up to {highest_m:.0f} m "
        f"could reach the line as far out as {_km(wanted_m)}, and no reading speaks for it.{lower}"
    )


def near_doubt_sentence(distance_m: float, name: str) -> str:
    """That a raster shows something in the room that is nearer than it can be relied on."""
    return (
        f"Ground {distance_m:.0f} m away seems to stand in the line, but {name} is too coarse to be "
        "believed so near. Measure the horizon on site (type --horizon FILE)."
    )


def _km(metres: float) -> str:
    return f"{metres / 1000.0:.1f} km" if metres >= 1000.0 else f"{metres:.0f} m"


def _shortest_reach_m(terrain: Silhouette, azimuth_deg: Floats) -> float:
    least = np.inf
    for (start, stop), reach_m in zip(terrain.covered_deg, np.asarray(terrain.reach_m), strict=True):
        if (np.mod(azimuth_deg - start, 360.0) <= stop - start + 1e-7).any():
            least = min(least, float(reach_m))
    return 0.0 if np.isinf(least) else least


def near_seen(evidence: Evidence, look: LookVector, job: Job) -> bool:
    """Whether near evidence exists over all azimuths that matter."""
    if evidence.scene is not None and evidence.scene.complete:
        return True
    dense, _ = window_azimuths_deg(look, job.link)
    seen = np.zeros(dense.shape, dtype=bool)
    for station in evidence.stations:
        seen |= covered(station.silhouette, dense)
    if evidence.terrain is not None and not seen.all():
        stop_deg = stop_elevation_deg(look, evidence.place, job.sources.highest_ground_m, job.link)
        seen |= covered(evidence.terrain, dense, reach_m=near_reach_m(stop_deg), fine=True)
    return bool(seen.all())
