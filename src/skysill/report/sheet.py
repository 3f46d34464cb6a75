"""The field sheet: which azimuths must be measured on the visit, why, how finely, and where nobody need look.

Plain data; `html`, `pdf` and the CSV are made from it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from skysill.aiming import SunGuide, sun_guides
from skysill.assess import horizon_profile
from skysill.cautions import cautions_for
from skysill.clearance import room_angle_deg
from skysill.compass import declination, magnetic_bearing
from skysill.errors import InputError
from skysill.gather import (
    Gathered,
    Place,
    gather,
    near_reach_m,
    place,
    prepared,
    reach_wanted_m,
    stop_elevation_deg,
    window_azimuths_deg,
)
from skysill.horizon.silhouette import Profile, covered
from skysill.job import Job
from skysill.look import LookVector, look_vector
from skysill.positions import bearing_and_distance, format_position, offset_position
from skysill.site import Mount, Site
from skysill.units import Bools, Floats, wrap_180, wrap_360

__all__ = ["FieldSheet", "MarkRow", "SheetRow", "Window", "field_sheet", "horizon_csv"]

Need = Literal["measure", "check", "enough"]

STEP_DEG = 2.0
"""Between readings where they decide: twice the bearing error of a careful compass reading (0.5 to 1 degree,
common practice, no source)."""

CHECK_STEP_DEG = 4.0
"""Between readings that only check a fine raster. Under the 5 degrees at which readings stop being joined."""

_MOST_WIDENED_DEG = 20.0
_ROOMS_AT_M = (5.0, 10.0, 20.0, 50.0, 200.0)


@dataclass(frozen=True, slots=True)
class Window:
    """The azimuths that matter for one satellite.

    from_deg, to_deg : true; a full circle is (0, 360)
    need : "measure", "check" (a fine raster speaks, but misses wires and poles), "enough" (below the horizon)
    watch_deg : what reaches this high `assumed_distance_m` away takes the room; nearer things lower down
    why : sentences
    """

    look: LookVector
    from_deg: float
    to_deg: float
    from_magnetic_deg: float | None
    to_magnetic_deg: float | None
    step_deg: float
    need: Need
    watch_deg: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One reading to take.

    azimuth_deg : true; bearing_magnetic_deg : what an undisturbed compass shows
    asked_deg : in the bearings of the survey, a whole degree: what stands in the CSV
    known_deg, known_distance_m, known_as : what is known to stand there, seen from the instrument; None: nothing is
    satellites : those within half a row of it
    """

    azimuth_deg: float
    bearing_magnetic_deg: float | None
    asked_deg: float
    need: Need
    known_deg: float | None
    known_distance_m: float | None
    known_as: str
    satellites: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A landmark as the instrument should show it."""

    name: str
    azimuth_deg: float
    bearing_magnetic_deg: float | None
    distance_m: float


@dataclass(frozen=True, slots=True)
class FieldSheet:
    """All that goes on the sheet.

    bearings : what the azimuths of the CSV count from, as the site file has it
    instrument : where to stand, in words
    sun : shadows whose true bearing checks the compass
    """

    site: Site
    mount: Mount
    date: dt.date | None
    position: str
    geo_uri: str
    bearings: Literal["true", "magnetic"]
    declination_deg: float | None
    windows: tuple[Window, ...]
    rows: tuple[SheetRow, ...]
    landmarks: tuple[MarkRow, ...]
    sun: tuple[SunGuide, ...]
    instrument: str
    equipment: tuple[str, ...]
    how: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())
    zone: dt.tzinfo = field(default=dt.UTC, metadata={"json": False})


def field_sheet(
    job: Job,
    mount: Mount,
    *,
    sun_after_utc: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> FieldSheet:
    """What to measure at a site before anything is known of its horizon but rasters and obstacles.

    Parameters
    ----------
    job : readings in it are left aside: the sheet is for a new survey
    sun_after_utc : from when on shadows may check the compass; None leaves them out

    Raises
    ------
    InputError : the survey's bearings are relative (a sheet cannot know the zero mark's bearing in advance)
    """
    survey = job.sources.survey
    if survey.bearings == "relative":
        raise InputError(
            "a sheet cannot be made for relative bearings.", where="bearings", mend="Use true or magnetic."
        )
    notes = []
    if job.sources.readings is not None:
        notes.append(f"The readings of {job.sources.readings.source} are left aside: this is a new survey.")
    job = prepared(replace(job, sources=replace(job.sources, readings=None)))
    at = place(job, mount)
    turn_deg, turn_notes = _declination(job, at)
    notes.extend(turn_notes)
    here = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
    looks = [look_vector(*here, one, date=job.date) for one in job.satellites if one.orbit is None]
    notes.extend(
        f"{one.name} moves: its azimuths are not on this sheet." for one in job.satellites if one.orbit
    )
    gathered = gather(job, at, looks)
    windows = tuple(_window(job, at, gathered, look, turn_deg) for look in looks)
    known = _known(job, notes)
    counted_from_deg = turn_deg or 0.0 if survey.bearings == "magnetic" else 0.0
    rows = _rows(windows, known, turn_deg, counted_from_deg, _near_far(job, at, gathered, looks))
    spoken = cautions_for(
        at.mount,
        scene=job.sources.scene,
        terminal=job.terminal,
        roof=job.roof,
        ground_elevation_m=at.site.ground_elevation_m,
    )
    sun = () if sun_after_utc is None or not looks else _shadows(here, sun_after_utc, zone)
    return FieldSheet(
        site=at.site,
        mount=at.mount,
        date=job.date,
        position=format_position(at.site.latitude_deg, at.site.longitude_deg, notation="hemispheres"),
        geo_uri=format_position(at.site.latitude_deg, at.site.longitude_deg, notation="geo"),
        bearings="magnetic" if survey.bearings == "magnetic" else "true",
        declination_deg=turn_deg,
        windows=windows,
        rows=rows,
        landmarks=tuple(_marks(job, turn_deg)),
        sun=sun,
        instrument=_instrument(job),
        equipment=_EQUIPMENT,
        how=_how(job),
        cautions=tuple(one.text for one in spoken),
        notes=tuple(dict.fromkeys((*notes, *gathered.notes))),
        zone=zone,
    )


_EQUIPMENT = (
    "this sheet on a board, pencil",
    "sighting compass, away from iron, cars and phones",
    "clinometer, its zero checked by sighting both ways along a level line",
    "laser rangefinder or tape",
    "camera with its position switched on",
    "a straight pole and a plumb line, for the sun's shadow; a clock set to the second",
)


def _how(job: Job) -> tuple[str, ...]:
    gap_deg = job.sources.survey.max_gap_deg
    beside_deg = float(room_angle_deg(2.0, job.terminal, job.criteria))
    room_deg = room_angle_deg(_ROOMS_AT_M, job.terminal, job.criteria)
    rooms = ", ".join(
        f"{angle:.1f} degrees at {d:g} m" for d, angle in zip(_ROOMS_AT_M, room_deg, strict=True)
    )
    return (
        "Sight the top of whatever stands highest in each direction: roof, tree, wire, hill. Open sky down to a flat "
        "horizon is a reading too: write 0.",
        f"Leave a row empty when you did not look: it then counts as not measured. Two readings more than {gap_deg:g} "
        "degrees apart leave a gap between them.",
        "Where something begins or ends between two rows, add a row of its own for its edge.",
        "Where a near edge stands before a higher, farther one, read the one that needs the higher line: add to its "
        f"elevation {rooms}, and compare.",
        "Things closer than the sheet reckons with reach farther: what stands 2 m away matters up to "
        f"{beside_deg:.0f} degrees beside a satellite. Add rows for it.",
        "Write the distance along the line of sight, above all for things within 100 m. Only readings with a distance "
        "can be carried to a dish that stands lower or aside.",
        "Say in the note what it is, and whether it is a tree in leaf.",
        "Take the bearing of each landmark, and of a pole's shadow, with the same compass from the same place. They go "
        "into the site file: measured_bearing_deg of the landmark; [[sun_sightings]] with time and shadow_bearing_deg.",
    )


def _declination(job: Job, at: Place) -> tuple[float | None, tuple[str, ...]]:
    if job.date is None:
        return None, ()
    try:
        found = declination(
            at.site.latitude_deg, at.site.longitude_deg, at.site.ground_elevation_m or 0.0, job.date
        )
    except InputError as fault:
        if job.sources.survey.bearings == "magnetic":
            raise
        return None, (f"No magnetic bearings: {fault}",)
    return found.declination_deg, found.notes


def _magnetic(azimuth_deg: float, turn_deg: float | None) -> float | None:
    return None if turn_deg is None else float(magnetic_bearing(azimuth_deg, turn_deg))


def _window(job: Job, at: Place, gathered: Gathered, look: LookVector, turn_deg: float | None) -> Window:
    room_deg = float(room_angle_deg(job.criteria.assumed_distance_m, job.terminal, job.criteria))
    watch_deg = look.elevation_apparent_deg - room_deg
    if not look.visible:
        low = f"{look.satellite} never rises here; nothing need be measured for it."
        return Window(look, 0.0, 0.0, None, None, 0.0, "enough", watch_deg, (low,))
    dense, _ = window_azimuths_deg(look, job.terminal, job.criteria)
    near, far = _seen(job, at, gathered, look, dense)
    need: Need = "check" if bool((near & far).all()) else "measure"
    why = list(_why(job, room_deg, near, far))
    if look.azimuth_deg is None or dense.size >= 3600:
        ends = (0.0, 360.0)
    else:
        spread_deg = float(np.abs(wrap_180(dense - look.azimuth_deg)).max())
        widened_deg = _widened_deg(job, at)
        if widened_deg > 0.5:
            why.append(
                f"It is {widened_deg:.0f} degrees wider on both sides because the instrument stands beside the mount: "
                "near things shift."
            )
        half_deg = min(spread_deg + widened_deg, 180.0)
        ends = (
            float(wrap_360(look.azimuth_deg - half_deg)),
            float(wrap_360(look.azimuth_deg + half_deg)),
        )
        if half_deg >= 180.0:
            ends = (0.0, 360.0)
    step_deg = min(STEP_DEG if need == "measure" else CHECK_STEP_DEG, job.sources.survey.max_gap_deg)
    whole = ends == (0.0, 360.0)
    return Window(
        look=look,
        from_deg=ends[0],
        to_deg=ends[1],
        from_magnetic_deg=None if whole else _magnetic(ends[0], turn_deg),
        to_magnetic_deg=None if whole else _magnetic(ends[1], turn_deg),
        step_deg=step_deg,
        need=need,
        watch_deg=watch_deg,
        why=tuple(why),
    )


def _widened_deg(job: Job, at: Place) -> float:
    """How far something `assumed_distance_m` away shifts between instrument and mount, and how far a compass errs."""
    survey = job.sources.survey
    aside_m = float(np.hypot(at.mount.east_m - survey.east_m, at.mount.north_m - survey.north_m))
    shift_deg = float(np.rad2deg(np.arctan2(aside_m, job.criteria.assumed_distance_m)))
    return min(shift_deg + 2.0 * survey.bearing_error_deg, _MOST_WIDENED_DEG)


def _seen(
    job: Job, at: Place, gathered: Gathered, look: LookVector, azimuth_deg: Floats
) -> tuple[Bools, Bools]:
    """Which azimuths have near evidence, and which have been looked at as far out as ground could matter."""
    terrain = gathered.terrain
    near = np.full(azimuth_deg.shape, gathered.scene is not None and gathered.scene.complete)
    if terrain is None or not at.datum_known:
        return near, np.zeros(azimuth_deg.shape, dtype=bool)
    highest_m = job.sources.highest_ground_m
    stop_deg = stop_elevation_deg(look, at, highest_m, job.terminal, job.criteria)
    far_m = reach_wanted_m(look, at, highest_m, job.terminal, job.criteria)
    return (
        near | covered(terrain, azimuth_deg, reach_m=near_reach_m(stop_deg), fine=True),
        covered(terrain, azimuth_deg, reach_m=far_m),
    )


def _why(job: Job, room_deg: float, near: Bools, far: Bools) -> Iterable[str]:
    away_m = job.criteria.assumed_distance_m
    yield (
        f"Something {away_m:g} m away takes the room when it comes within {room_deg:.1f} degrees of the line to a "
        "satellite: this is how far to either side it can."
    )
    if not far.all():
        yield "No elevation raster reaches far enough here: hills count as well as what stands near."
    elif not near.all():
        yield "The rasters say enough of hills, but nothing of what stands near: trees, buildings, wires."
    else:
        yield (
            "A fine raster or a complete list speaks for this already. It misses wires and poles and what has grown "
            "since: take a few readings to check it."
        )


def _near_far(
    job: Job, at: Place, gathered: Gathered, looks: list[LookVector]
) -> list[tuple[LookVector, Floats, Bools]]:
    """For each satellite the azimuths that matter, and whether each is known already, near and far."""
    found = []
    for look in looks:
        dense, _ = window_azimuths_deg(look, job.terminal, job.criteria)
        near, far = _seen(job, at, gathered, look, dense)
        found.append((look, dense, near & far))
    return found


def _known(job: Job, notes: list[str]) -> Profile | None:
    """What is known to stand around, each whole degree of true azimuth, seen from the instrument."""
    survey = job.sources.survey
    if not job.sources.rasters and job.sources.scene is None:
        return None
    eye = Mount(
        "instrument", east_m=survey.east_m, north_m=survey.north_m, height_m=survey.instrument_height_m
    )
    try:
        return horizon_profile(job, eye, np.arange(0.0, 360.0))[0]
    except InputError as fault:
        notes.append(f"What is known already is not shown: {fault}")
        return None


def _rows(
    windows: tuple[Window, ...],
    known: Profile | None,
    turn_deg: float | None,
    counted_from_deg: float,
    judged: list[tuple[LookVector, Floats, Bools]],
) -> tuple[SheetRow, ...]:
    """Whole degrees of the survey's own bearings; those that decide are marked, each stands once."""
    wanted: dict[int, bool] = {}
    for window in windows:
        if window.need != "enough":
            for asked in _asked_deg(window, counted_from_deg):
                wanted[asked] = wanted.get(asked, False) or window.need == "measure"
    rows = []
    for asked in sorted(wanted):
        azimuth_deg = float(wrap_360(asked + counted_from_deg))
        need: Need = "measure" if wanted[asked] and not _all_known(azimuth_deg, judged) else "check"
        rows.append(_row(asked, azimuth_deg, need, known, turn_deg, judged))
    return tuple(rows)


def _asked_deg(window: Window, counted_from_deg: float) -> Iterable[int]:
    """Whole degrees over the window, its ends and the satellite's own azimuth included."""
    step = max(1, int(window.step_deg))
    if (window.from_deg, window.to_deg) == (0.0, 360.0):
        yield from range(0, 360, step)
        return
    start = int(np.floor(window.from_deg - counted_from_deg))
    width = float(np.mod(window.to_deg - window.from_deg, 360.0))
    steps = int(np.ceil((width + 1.0) / step))
    yield from ((start + k * step) % 360 for k in range(steps + 1))
    yield round(float(window.look.azimuth_deg or 0.0) - counted_from_deg) % 360


def _all_known(azimuth_deg: float, judged: list[tuple[LookVector, Floats, Bools]]) -> bool:
    """Whether near and far is known wherever this azimuth matters to somebody; where it matters to none, not."""
    said = []
    for _, dense, seen in judged:
        apart = np.abs(wrap_180(dense - azimuth_deg))
        if apart.size and apart.min() <= 1.0:
            said.append(bool(seen[int(apart.argmin())]))
    return bool(said) and all(said)


def _row(
    asked: int,
    azimuth_deg: float,
    need: Need,
    known: Profile | None,
    turn_deg: float | None,
    judged: list[tuple[LookVector, Floats, Bools]],
) -> SheetRow:
    at = round(azimuth_deg) % 360
    height_deg = None if known is None else float(known.elevation_deg[at])
    there = known is not None and height_deg is not None and not np.isnan(height_deg)
    distance_m = float(known.distance_m[at]) if known is not None and there else float("nan")
    return SheetRow(
        azimuth_deg=azimuth_deg,
        bearing_magnetic_deg=_magnetic(azimuth_deg, turn_deg),
        asked_deg=float(asked),
        need=need,
        known_deg=height_deg if there else None,
        known_distance_m=None if np.isnan(distance_m) else distance_m,
        known_as=known.name[at] if known is not None and there else "",
        satellites=tuple(
            look.satellite
            for look, _, _ in judged
            if look.azimuth_deg is not None
            and look.visible
            and abs(float(wrap_180(look.azimuth_deg - azimuth_deg))) <= 0.5
        ),
    )


def _marks(job: Job, turn_deg: float | None) -> Iterable[MarkRow]:
    marks, survey = job.sources.landmarks, job.sources.survey
    if not marks:
        return
    here = offset_position(job.site.latitude_deg, job.site.longitude_deg, survey.east_m, survey.north_m)
    bearings, distances = bearing_and_distance(
        float(here[0]), float(here[1]), [m.latitude_deg for m in marks], [m.longitude_deg for m in marks]
    )
    for mark, bearing, distance in zip(marks, np.atleast_1d(bearings), np.atleast_1d(distances), strict=True):
        yield MarkRow(mark.name, float(bearing), _magnetic(float(bearing), turn_deg), float(distance))


def _shadows(
    here: tuple[float, float, float], after_utc: dt.datetime, zone: dt.tzinfo
) -> tuple[SunGuide, ...]:
    """Shadows to sight along: their turn is counted from north, so it is the bearing itself."""
    north = LookVector("north", 0.0, 0.0, 45.0, 45.0, 0.0, None, None, None, True)
    return sun_guides(here, north, after_utc=after_utc, zone=zone)


def _instrument(job: Job) -> str:
    survey = job.sources.survey
    where = "at the site's position"
    if survey.east_m or survey.north_m:
        where = f"{survey.east_m:g} m east and {survey.north_m:g} m north of the site's position"
    return f"{where}, eye {survey.instrument_height_m:g} m above the ground"


def horizon_csv(sheet: FieldSheet) -> str:
    """The measured-horizon table to be filled in: azimuths given, the rest blank; fed back as it is.

    Rows left blank count as not measured.
    """
    name = " ".join(sheet.site.name.split())
    date = "" if sheet.date is None else f", date = {sheet.date.isoformat()}"
    lines = [
        f"# {name}: horizon readings to be filled in. A row left blank counts as not measured.",
        f"# azimuth_deg counts from {sheet.bearings} north. In the site file, under [survey]: "
        f'bearings = "{sheet.bearings}"{date}',
        "# elevation_deg: top of what stands there. distance_m: along the line of sight, or blank. note: what it is.",
        "azimuth_deg,elevation_deg,distance_m,note",
        *(f"{row.asked_deg:.0f},,," for row in sheet.rows),
    ]
    return "\n".join(lines) + "\n"
