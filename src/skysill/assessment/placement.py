"""Where the dish is: the mount on what it stands on, and in relation to the surveyor's instrument."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import Elevations
from skysill.horizon.roof_surface import APART_M, roof_elevation_m
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Roof, Site
from skysill.units import Floats

__all__ = [
    "CORRELATION_CELLS",
    "Place",
    "PlacedMount",
    "Standing",
    "instrument_step_m",
    "place",
    "position_notes",
    "surface_at",
]

_COARSE_M = 2.0
CORRELATION_CELLS = 5.0
"""Over so many cells the error of a raster stays alike. Taken without a source."""

_STANDS_ON_M = 1.5
_FINE_ERROR_M = 1.0
_AROUND_M = (5.0, 10.0)
_BURIED_M = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """The dish in the sources' frame.

    antenna_elevation_m : above the rasters' datum; above the site's ground where no datum is known
    from_instrument_m : (3,) dish centre minus instrument, east, north, up; None where it is not known
    ground_shared : the dish's height rests on an elevation raster
    step_error_m : standard deviation of what the mount's surface rests on: the rasters' rise from the site's stated
        ground, the roof's stated elevations; 0 where it rests on neither
    ground_from : the raster whose error the dish's height shares, "" where none
    """

    site: Site
    mount: Mount
    latitude_deg: float
    longitude_deg: float
    antenna_elevation_m: float
    datum_known: bool
    ground_shared: bool
    from_instrument_m: Floats | None
    notes: tuple[str, ...] = ()
    step_error_m: float = 0.0
    ground_from: str = ""

    @property
    def placed_mount(self) -> PlacedMount:
        """The mount as results show it."""
        m = self.mount
        antenna_m = self.antenna_elevation_m if self.datum_known else None
        return PlacedMount(
            m.name,
            m.east_m,
            m.north_m,
            m.height_m,
            m.surface_elevation_m,
            m.surface_source,
            antenna_m,
            m.max_height_m,
        )


@dataclass(frozen=True, slots=True)
class PlacedMount:
    """A mount with the dish's elevation above the datum worked out; None where no datum is known."""

    name: str
    east_m: float
    north_m: float
    height_m: float
    surface_elevation_m: float | None
    surface_source: str
    antenna_elevation_m: float | None
    max_height_m: float | None


class _Ground(NamedTuple):
    """An elevation above the datum, metres, and the raster that has it."""

    elevation_m: float
    raster: Elevations


def _ground(
    sources: Sources, latitude_deg: float, longitude_deg: float, *, kind: str | None = None
) -> _Ground | None:
    """The ground at a position, None where no raster has data; kind : ask only rasters of that kind."""
    rasters = tuple(r for r in sources.rasters if kind is None or r.kind == kind)
    if not rasters:
        return None
    from skysill.horizon.terrain import ground_at

    elevation_m, index = ground_at(rasters, latitude_deg, longitude_deg)
    value = float(np.asarray(elevation_m).reshape(-1)[0])
    return None if np.isnan(value) else _Ground(value, rasters[int(np.asarray(index).reshape(-1)[0])])


@dataclass(frozen=True, slots=True)
class Standing:
    """What a place on the property stands on.

    elevation_m : above the datum; None where nobody knows
    source : who says so
    from_raster : the elevation itself is a raster's
    step_error_m : standard deviation of a raster's rise from the site's stated ground to the place
    raster : the raster that had a say, else None
    """

    elevation_m: float | None
    source: str
    from_raster: bool
    step_error_m: float = 0.0
    raster: Elevations | None = None


def surface_at(job: Job, site: Site, east_m: float, north_m: float) -> Standing:
    """What stands at a plan position: the site's ground, and from there the rasters' rise or fall.

    Where the ground at the site was given, only the difference between two heights of the rasters is added to it, so
    that a raster that lies too high or too low as a whole moves nothing. Its error over a step of s metres is
    sigma sqrt(2 - 2 (1 - a) / hypot(1 - a, a)), a = min(1, s / L), errors being alike over L (five cells; the same
    draws as `sampling.interpolate_knots`).
    """
    from_raster = site.ground_source not in ("given", "unknown")
    if east_m == north_m == 0.0 and site.ground_elevation_m is not None:
        return Standing(site.ground_elevation_m, site.ground_source, from_raster)
    there = offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m)
    ground = _ground(job.sources, float(there[0]), float(there[1]))
    if ground is None:
        return Standing(site.ground_elevation_m, site.ground_source, from_raster)
    value_m, raster = ground
    if site.ground_source != "given" or site.ground_elevation_m is None:
        return Standing(value_m, raster.name, True, raster=raster)
    origin_m = _rasters_ground_m(job.sources, site)
    if origin_m is None:
        return Standing(value_m, raster.name, True, raster=raster)
    share = min(1.0, float(np.hypot(east_m, north_m)) / (CORRELATION_CELLS * raster.cell_size_m))
    apart = float(np.sqrt(max(0.0, 2.0 - 2.0 * (1.0 - share) / np.hypot(1.0 - share, share))))
    return Standing(
        site.ground_elevation_m + value_m - origin_m,
        f"given ground, step of {raster.name}",
        False,
        apart * raster.vertical_error_m,
        raster,
    )


def _rasters_ground_m(sources: Sources, site: Site) -> float | None:
    """What the rasters have for the ground at the site's position, whose elevation was given.

    A surface raster may have a house or a tree there. A fine bare raster tells; without one, the raster's ground a few
    metres around is taken where that agrees better with the ground given.
    """
    here = _ground(sources, site.latitude_deg, site.longitude_deg)
    if here is None:
        return None
    here_m, raster = here
    if raster.kind == "bare" or site.ground_elevation_m is None:
        return here_m
    bare = _ground(sources, site.latitude_deg, site.longitude_deg, kind="bare")
    if bare is not None and bare.raster.vertical_error_m <= _FINE_ERROR_M:
        return bare.elevation_m if here_m - bare.elevation_m > _STANDS_ON_M else here_m
    turn = np.deg2rad(np.arange(0.0, 360.0, 22.5))
    reach_m = np.repeat(_AROUND_M, turn.size)
    turn = np.tile(turn, len(_AROUND_M))
    around = offset_position(
        site.latitude_deg, site.longitude_deg, reach_m * np.sin(turn), reach_m * np.cos(turn)
    )
    from skysill.horizon.terrain import ground_at

    near_m, _ = ground_at((raster,), *around)
    low_m = float(np.nanmin(np.append(near_m, here_m)))
    off_m = abs(here_m - site.ground_elevation_m)
    stands = here_m - low_m > _STANDS_ON_M and abs(low_m - site.ground_elevation_m) < off_m - 1.0
    return low_m if stands else here_m


def place(job: Job, mount: Mount) -> Place:
    """Puts the mount on what it stands on, and the dish in relation to the surveyor's instrument.

    Raises
    ------
    InputError : mount below ground; surface given without the ground that the readings refer to
    """
    site, sources, notes = job.site, job.sources, []
    if site.ground_elevation_m is None:
        ground = _ground(sources, site.latitude_deg, site.longitude_deg)
        if ground is None:
            site = replace(site, ground_elevation_m=None, ground_source="unknown")
        else:
            site = replace(site, ground_elevation_m=ground.elevation_m, ground_source=ground.raster.name)
    elif site.ground_source == "unknown":
        site = replace(site, ground_source="given")
    latitude_deg, longitude_deg = site.latitude_deg, site.longitude_deg
    if mount.east_m or mount.north_m:
        latitude_deg, longitude_deg = (
            float(v) for v in offset_position(latitude_deg, longitude_deg, mount.east_m, mount.north_m)
        )
    mount, stands = _on_surface(job, site, mount, latitude_deg, longitude_deg)
    known = mount.antenna_elevation_m is not None
    notes.extend(_ground_notes(job, site, mount, stands, latitude_deg, longitude_deg))
    if not known:
        if sources.rasters:
            notes.append(
                "The ground's elevation is unknown: the rasters have no data at the site. They cannot speak. Give "
                "ground_elevation_m, or a raster that covers the site."
            )
        mount = replace(mount, surface_elevation_m=None)
    antenna_m = mount.height_m if mount.antenna_elevation_m is None else mount.antenna_elevation_m
    at = Place(
        site,
        mount,
        latitude_deg,
        longitude_deg,
        antenna_m,
        known,
        stands.from_raster,
        None,
        tuple(notes),
        float(np.hypot(stands.step_error_m, _roof_error_m(job.roof, mount))),
        _ground_from(sources, site, stands),
    )
    if sources.readings is None:
        return at
    survey = sources.survey
    step_m = instrument_step_m(job, at, survey.east_m, survey.north_m, survey.instrument_height_m)
    return replace(at, from_instrument_m=step_m)


def _roof_error_m(roof: Roof | None, mount: Mount) -> float:
    """Standard deviation of the roof's elevation under a mount that rests on it; 0 where none is stated."""
    if roof is None or not roof.height_error_m or not roof.shaped or mount.surface_elevation_m is None:
        return 0.0
    roof_m = float(roof_elevation_m(roof, mount.east_m, mount.north_m)[0])
    return roof.height_error_m if abs(roof_m - mount.surface_elevation_m) <= APART_M else 0.0


def _ground_from(sources: Sources, site: Site, stands: Standing) -> str:
    if not stands.from_raster:
        return ""
    names = {raster.name for raster in sources.rasters}
    return next((name for name in (stands.source, site.ground_source) if name in names), "")


def _ground_notes(
    job: Job, site: Site, mount: Mount, stands: Standing, latitude_deg: float, longitude_deg: float
) -> list[str]:
    """Where the ground taken is not the ground a reader would think of."""
    notes = []
    if stands.raster is not None:
        here = _ground(job.sources, latitude_deg, longitude_deg)
        bare = _ground(job.sources, latitude_deg, longitude_deg, kind="bare")
        tall_m = 0.0 if here is None or bare is None else here.elevation_m - bare.elevation_m
        if tall_m > _STANDS_ON_M:
            notes.append(
                f"{stands.raster.name} has something {tall_m:.1f} m high where the mount is put, a roof or "
                "a tree: the dish was taken to stand on that, not on the ground. Where it does not, say what it stands "
                "on (type surface_elevation_m, or surface_height_m above the site's ground)."
            )
    if site.ground_source != "given" or site.ground_elevation_m is None:
        return notes
    if stands.step_error_m and mount.surface_elevation_m is not None:
        notes.append(
            f"The mount's ground is the {site.ground_elevation_m:.1f} m given for the site and the step of "
            f"{mount.surface_elevation_m - site.ground_elevation_m:+.1f} m that {stands.raster.name} has from there to "  # type: ignore[union-attr]  # a step comes from a raster
            f"the mount, {mount.surface_elevation_m:.1f} m."
        )
    origin = _ground(job.sources, site.latitude_deg, site.longitude_deg)
    if origin is None:
        return notes
    raster_m, raster = origin
    apart_m = raster_m - site.ground_elevation_m
    if abs(apart_m) > 2.0 * raster.vertical_error_m:
        notes.append(
            f"The ground was given as {site.ground_elevation_m:.1f} m, but {raster.name} says {raster_m:.1f} m, "
            f"{abs(apart_m):.1f} m {'higher' if apart_m > 0.0 else 'lower'} and more than twice its stated error of "
            f"{raster.vertical_error_m:g} m. Is it the same place, do both count from the same zero level "
            "(datum), or does the raster have a tree or a roof there? Correct ground_elevation_m, or leave it "
            "out to take the raster's."
        )
    return notes


def _refuse_below_ground(
    job: Job, site: Site, mount: Mount, latitude_deg: float, longitude_deg: float
) -> None:
    """A dish whose given elevation lies under the ground that a bare raster has there is a slip, or another datum.

    Without such a raster the ground there is not known: a terrace below the house is a valid place.
    """
    bare = _ground(job.sources, latitude_deg, longitude_deg, kind="bare")
    if bare is None or mount.antenna_elevation_m is None:
        return
    ground_m, raster = bare
    depth_m = ground_m - mount.antenna_elevation_m
    if depth_m > max(_BURIED_M, 2.0 * raster.vertical_error_m):
        raise InputError(
            f"the dish centre, {mount.antenna_elevation_m:.1f} m, is {depth_m:.1f} m below the ground there "
            f"({ground_m:.1f} m, {raster.name}).",
            where=f'mount "{mount.name}", surface_elevation_m',
            mend="It is an elevation above the same datum as the ground; surface_height_m counts from the ground.",
        )


def _on_surface(
    job: Job, site: Site, mount: Mount, latitude_deg: float, longitude_deg: float
) -> tuple[Mount, Standing]:
    """The mount with the elevation it stands on, and who says so."""
    ground_m = site.ground_elevation_m
    if mount.surface_elevation_m is not None:
        _refuse_below_ground(job, site, mount, latitude_deg, longitude_deg)
        given = Standing(mount.surface_elevation_m, "given", False)
    elif mount.surface_height_m is not None and ground_m is not None:
        from_raster = site.ground_source not in ("given", "unknown")
        given = Standing(ground_m + mount.surface_height_m, "given", from_raster)
    elif mount.surface_height_m is not None:
        return replace(mount, height_m=mount.height_m + mount.surface_height_m), Standing(
            None, "given", False
        )
    else:
        given = surface_at(job, site, mount.east_m, mount.north_m)
    return replace(mount, surface_elevation_m=given.elevation_m, surface_source=given.source), given


def instrument_step_m(
    job: Job, at: Place, east_m: float, north_m: float, instrument_height_m: float
) -> Floats:
    """(3,) dish centre minus an instrument at a plan position so high above the ground there: east, north, up.

    Raises
    ------
    InputError : the mount's surface is given as an elevation but no ground is known that the readings refer to
    """
    ground_m = 0.0
    if at.datum_known:
        told_m = surface_at(job, at.site, east_m, north_m).elevation_m
        if told_m is None:
            raise InputError(
                "the mount's surface_elevation_m is given but not the ground that the readings were taken on.",
                where=f'site "{at.site.name}"',
                mend="Give ground_elevation_m, or surface_height_m above the ground in place of surface_elevation_m.",
            )
        ground_m = told_m
    up_m = at.antenna_elevation_m - ground_m - instrument_height_m
    step_m = np.array([at.mount.east_m - east_m, at.mount.north_m - north_m, up_m])
    return np.where(np.abs(step_m) < 1e-9, 0.0, step_m)


def dish_in_scene_m(at: Place) -> Floats:
    """(3,) the dish in the scene's frame: east, north, elevation."""
    return np.array([at.mount.east_m, at.mount.north_m, at.antenna_elevation_m])


def position_notes(site: Site, least_m: float = _COARSE_M) -> tuple[str, ...]:
    """A note where the text of the site's position names a square or a radius.

    least_m : standard deviation from which on it is worth one
    """
    if site.position_error_m < least_m:
        return ()
    return (
        f"The position is a square or circle as it is written, and known to {site.position_error_m:.0f} m only "
        "(standard deviation); its middle is taken. Write it with more digits.",
    )
