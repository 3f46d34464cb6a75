"""A clear spot near a mount, with the same mast: searched all round it, and proved."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from skysill.assessment.overhead_lines import near_lines
from skysill.assessment.results import Remedy, SatelliteResult
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.roof_surface import roof_elevation_m
from skysill.model.site import Mount
from skysill.pointing.survey_compass import compass_correction_of
from skysill.remedies.standing_room import standing
from skysill.remedies.tape_distances import compass_word, tape_words, tapes_to
from skysill.remedies.trials import Trials, line_warning, short_of
from skysill.units import Bools, Floats, Ints, wrap_360

__all__ = ["REACH_M", "ROOF_REACH_M", "moved", "spots_word"]

REACH_M = 12.0
"""A mount on the ground is not moved farther than this: the cable has to reach. Common practice, no source."""

ROOF_REACH_M = 30.0
"""A mount on a roof is looked for all over it, this far at most. Common practice, no source."""

_SPACING_M = 0.5
_ON_GROUND_M = 1.0
_ON_ROOF_M = 0.3
_NEAR_ROOF_M = 0.5
_LEVEL_M, _STEEPEST = 0.3, 0.3
"""Ground that rises more than this from the mount is a roof, a wall or a treetop in a surface raster."""

_AMPLE_DEG = 1.0
_MOST_NEAR = 8
_MOST_OTHERS = 6
_APART_M = 1.5


def moved(trials: Trials) -> list[Remedy]:
    """The remedy `move`: the nearest spot of those tried that clears; empty where none does."""
    step_m, on_roof = _spots(trials)
    if not len(step_m):
        return []
    near = near_lines(trials.job, trials.foot_m + step_m, trials.mount.height_m).severity
    for severity in (
        0,
        1,
    ):  # from where no line could be reached at all, else from where one is kept away from
        step_here_m, roof_here = step_m[near == severity], on_roof[near == severity]
        if not len(step_here_m):
            continue
        for at in _in_order(step_here_m, trials.spare_deg(step_here_m)):
            mount = _there(trials, step_here_m[at])
            found = trials.tried(mount)
            remedy = None if found is None else _remedy(trials, mount, *found, on_roof=bool(roof_here[at]))
            if remedy is not None:
                return [remedy]
    return []


def spots_word(trials: Trials) -> str:
    """Where `moved` looks, in words; empty where the mount cannot be moved."""
    if _at_the_roof(trials):
        return f"spot of the roof within {ROOF_REACH_M:g} m"
    return f"spot within {REACH_M:g} m" if _on_the_ground(trials) else ""


def _in_order(step_m: Floats, spare_deg: Floats) -> Iterator[int]:
    """Spots to try: of each distance the roomiest where that is ample, nearest first; then the roomiest of all."""
    far_m = np.hypot(step_m[:, 0], step_m[:, 1])
    room = spare_deg >= 0.0
    tried: list[int] = []
    for ring_m in np.unique(far_m[room].round(6)):
        on_ring = np.flatnonzero(room & (np.abs(far_m - ring_m) < 1e-5))
        best = int(on_ring[spare_deg[on_ring].argmax()])
        if len(tried) < _MOST_NEAR and spare_deg[best] >= _AMPLE_DEG:
            tried.append(best)
            yield best
    others = _spread(step_m, np.flatnonzero(room)[np.argsort(-spare_deg[room], kind="stable")], tried)
    yield from sorted(others, key=lambda at: far_m[at])


def _spread(step_m: Floats, order: Ints, tried: list[int]) -> list[int]:
    """The first few of an order that are apart from each other and from what was tried."""
    chosen: list[int] = []
    for at in order:
        gaps = [np.hypot(*(step_m[at] - step_m[other])[:2]) for other in (*tried, *chosen)]
        if all(gap >= _APART_M for gap in gaps):
            chosen.append(int(at))
        if len(chosen) == _MOST_OTHERS:
            break
    return chosen


# --- where ---------------------------------------------------------------------------------------------------


def _rings(reach_m: float) -> Floats:
    """(n, 2) steps aside: circles half a metre apart out to 6 m, then a metre, with spots as far apart along them."""
    radii = np.append(np.arange(_SPACING_M, 6.0 + 1e-9, _SPACING_M), np.arange(7.0, reach_m + 1e-9, 1.0))
    parts = []
    for radius_m in radii:
        apart_m = _SPACING_M if radius_m <= 6.0 else 2.0 * _SPACING_M
        count = 8 * int(np.ceil(2.0 * np.pi * radius_m / apart_m / 8.0))
        turn = np.arange(count) * 2.0 * np.pi / count
        parts.append(radius_m * np.column_stack([np.sin(turn), np.cos(turn)]))
    return np.concatenate(parts)


def _spots(trials: Trials) -> tuple[Floats, Bools]:
    """Steps (n, 3) to where the mount may go, and whether it is on the roof then."""
    plan_m = _rings(ROOF_REACH_M if _at_the_roof(trials) else REACH_M)
    rise_m, on_roof = _rise_m(trials, plan_m)
    keep = np.isfinite(rise_m)
    step_m, on_roof = np.column_stack([plan_m, rise_m])[keep], on_roof[keep]
    if not len(step_m):
        return step_m, on_roof
    east_m, north_m, surface_m = (trials.foot_m + step_m).T
    free = standing(trials.job, east_m, north_m, surface_m, trials.mount.height_m).free
    return step_m[free], on_roof[free]


def _rise_m(trials: Trials, plan_m: Floats) -> tuple[Floats, Bools]:
    """(n,) how much higher the surface is at each step aside, nan where the mount may not go; and whether on the roof.

    A mount on or at the roof goes anywhere on it, less the setback, and follows its planes. One on the ground goes
    anywhere near that is ground. One on an elevation that nobody gave a shape to does not move.
    """
    import shapely

    job, mount = trials.job, trials.evidence.place.mount
    east_m, north_m = mount.east_m + plan_m[:, 0], mount.north_m + plan_m[:, 1]
    nowhere = np.full(len(plan_m), np.nan)
    no_roof = np.zeros(len(plan_m), dtype=bool)
    outline = None if job.roof is None else shapely.Polygon(job.roof.outline)
    if outline is not None and job.roof is not None and _at_the_roof(trials):
        inner = outline.buffer(-job.roof.edge_setback_m, join_style="mitre")
        there = roof_elevation_m(job.roof, east_m, north_m) - (mount.surface_elevation_m or 0.0)
        return np.where(shapely.contains_xy(inner, east_m, north_m), there, np.nan), ~no_roof
    if not _on_the_ground(trials):
        return nowhere, no_roof
    rise_m = _ground_rise_m(trials, plan_m)
    if outline is not None:
        rise_m[shapely.contains_xy(outline, east_m, north_m)] = np.nan
    return rise_m, no_roof


def _at_the_roof(trials: Trials) -> bool:
    """Whether the mount stands on the own roof or hangs on the wall under its edge."""
    import shapely

    job, mount = trials.job, trials.evidence.place.mount
    if job.roof is None or mount.surface_elevation_m is None or _on_the_ground(trials):
        return False
    whole = shapely.Polygon(job.roof.outline).buffer(_NEAR_ROOF_M)
    return bool(whole.contains(shapely.Point(mount.east_m, mount.north_m)))


def _on_the_ground(trials: Trials) -> bool:
    place = trials.evidence.place
    ground_m, surface_m = place.site.ground_elevation_m, place.mount.surface_elevation_m
    if place.mount.surface_source != "given" or surface_m is None or ground_m is None:
        return True
    here_m = _ground_rise_m(trials, np.zeros((1, 2)), origin=True)[0]
    return bool(abs(surface_m - ground_m - here_m) < _ON_GROUND_M)


def _ground_rise_m(trials: Trials, plan_m: Floats, *, origin: bool = False) -> Floats:
    """(n,) rise of the ground from the mount (origin: from the site's position) to each step; nan: no ground there."""
    place, sources = trials.evidence.place, trials.job.sources
    rasters = sources.rasters
    if place.mount.surface_source == "given" or origin:
        rasters = tuple(raster for raster in rasters if raster.kind == "bare")
    rise_m = np.zeros(len(plan_m))
    if not rasters or not place.datum_known:
        return rise_m
    from skysill.horizon.terrain import ground_at

    east_m, north_m = place.mount.east_m + plan_m[:, 0], place.mount.north_m + plan_m[:, 1]
    from_m = (0.0, 0.0) if origin else (place.mount.east_m, place.mount.north_m)
    there = offset_position(
        place.site.latitude_deg,
        place.site.longitude_deg,
        np.append(east_m, from_m[0]),
        np.append(north_m, from_m[1]),
    )
    elevation_m, _ = ground_at(rasters, *there)
    rise_m = (
        np.nan_to_num(elevation_m[:-1] - elevation_m[-1]) if origin else elevation_m[:-1] - elevation_m[-1]
    )
    if not origin:
        far_m = np.hypot(plan_m[:, 0], plan_m[:, 1])
        rise_m = np.where(np.abs(rise_m) > _LEVEL_M + _STEEPEST * far_m, np.nan, rise_m)
    return np.asarray(rise_m)


def _there(trials: Trials, step_m: Floats) -> Mount:
    """The mount a step aside; on a surface given as an elevation, with the roof's or the ground's rise there."""
    stands, mount = trials.evidence.place.mount, trials.mount
    east_m, north_m = round(mount.east_m + float(step_m[0]), 2), round(mount.north_m + float(step_m[1]), 2)
    aside = replace(mount, east_m=east_m, north_m=north_m)
    if stands.surface_source != "given" or stands.surface_elevation_m is None:
        return aside
    surface_m = stands.surface_elevation_m + float(step_m[2])
    if trials.job.roof is not None:
        own_m = float(roof_elevation_m(trials.job.roof, east_m, north_m)[0])
        surface_m = own_m if abs(own_m - surface_m) < _ON_ROOF_M else surface_m
    return replace(aside, surface_elevation_m=round(surface_m, 3), surface_height_m=None)


# --- in words ------------------------------------------------------------------------------------------------


def _remedy(
    trials: Trials, mount: Mount, result: SatelliteResult, surface_m: float | None, *, on_roof: bool
) -> Remedy | None:
    """The move in words; None where a line is too near after all."""
    east_m, north_m = mount.east_m - trials.mount.east_m, mount.north_m - trials.mount.north_m
    foot_m = np.array([mount.east_m, mount.north_m, np.nan if surface_m is None else surface_m])
    warning = line_warning(trials.job, foot_m, mount.height_m)
    if warning is None:
        return None
    by_m, bearing_deg = (
        float(np.hypot(east_m, north_m)),
        float(np.rad2deg(np.arctan2(east_m, north_m)) % 360.0),
    )
    magnetic_deg = _magnetic_deg(trials, bearing_deg)
    direction = compass_word(bearing_deg)
    tapes = tapes_to(trials.job, mount.east_m, mount.north_m, on_roof=on_roof)
    bearing_text = (
        f"bearing {bearing_deg:.0f}° true"
        if magnetic_deg is None
        else f"bearing {magnetic_deg:.0f}° magnetic"
    )
    text = f"Move the mount {by_m:.1f} m to the {direction} ({bearing_text}), on the same mast"
    if tapes:
        text += f": {tape_words(tapes)}"
    text += "."
    if surface_m is not None:
        text += f" The {'roof' if on_roof else 'ground'} there is at {surface_m:.2f} m."
    return Remedy(
        "move",
        text + short_of(result.verdict) + warning,
        by_m=by_m,
        bearing_deg=bearing_deg,
        bearing_magnetic_deg=magnetic_deg,
        direction=direction,
        to_east_m=mount.east_m,
        to_north_m=mount.north_m,
        to_surface_elevation_m=surface_m,
        tapes=tapes,
        verdict=result.verdict,
    )


def _magnetic_deg(trials: Trials, bearing_deg: float) -> float | None:
    """The bearing as the survey's compass shows it; None where its bearings are true, or no date is known."""
    if trials.job.sources.survey.bearings != "magnetic":
        return None
    job, site = trials.job, trials.evidence.place.site
    correction = trials.evidence.correction
    try:
        correction = compass_correction_of(job, site) if correction is None else correction
    except InputError:
        return None
    return float(wrap_360(bearing_deg - correction.correction_deg))
