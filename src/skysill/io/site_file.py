"""The site file (TOML) -> the job."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.geodesy.positions import parse_longitude, parse_position
from skysill.horizon.roof_surface import roof_doubts
from skysill.io.elevation.allowed_hosts import AllowedHosts, is_web_address
from skysill.io.elevation.areas import Around
from skysill.io.obstacle_keys import MastKitTable, RoofTable
from skysill.io.site_bearings import BearingCorrections
from skysill.io.site_keys import MountTable, StationTable, SurveyTable, TerminalTable, TerrainTable
from skysill.io.site_schema import SiteFile, parse_site_file
from skysill.io.site_values import given
from skysill.io.sources import (
    inline_obstacles,
    open_listed,
    plan_of,
    read_scene,
    refuse_higher_ground,
    refuse_unlikely,
    scene_of,
    stand_on,
    terrain_area,
)
from skysill.io.survey_tables import read_horizon_csv, read_satellites
from skysill.io.text import check_file, placed_at, quoted
from skysill.model.default_errors import BEARING, DISTANCE, INCLINATION, POSITION, named
from skysill.model.job import Job, Sources
from skysill.model.obstacles import Obstacle
from skysill.model.roof_forms import form_facets
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    Landmark,
    MastKit,
    Mount,
    Roof,
    Satellite,
    Site,
    Station,
    SunSighting,
    Survey,
    Terminal,
)

__all__ = ["read_site_file"]


def read_site_file(
    path: str | Path,
    *,
    without: Collection[str] = (),
    placed: Callable[[Site], Site] = lambda site: site,
    rasters: Callable[[Around], Sequence[Any]] | None = None,
    hosts: AllowedHosts | None = None,
    aimed: Callable[[Sequence[Satellite]], Sequence[Satellite]] = lambda satellites: satellites,
    default_height_m: float = 2.0,
    dated: Callable[[dt.date | None], dt.date | None] = lambda date: date,
) -> Job:
    """The job that a site file describes, its rasters opened, its readings and obstacles read.

    Parameters
    ----------
    path : the TOML file; paths in it begin at its folder
    without : sources that the caller has others for and that are not opened: "terrain", "horizon", "obstacles";
        "highest ground" where the caller has another figure for it
    placed : what the caller changes about the site, before obstacles are stood on its ground
    rasters : opens others in place of the file's, for the area that they are wanted for
    hosts : that may be asked for rasters on the web; None: none. A site file cannot allow one
    aimed : from the file's satellites, those that the caller asks about
    default_height_m : of mounts whose height nobody gave
    dated : from the date of the survey, which may be None, the date of magnetic bearings


    Returns
    -------
    Job; its date is None: `dataclasses.replace(job, date=...)` asks for magnetic bearings

    Raises
    ------
    InputError : naming file, table, key and the mend

    >>> from skysill import read_site_file
    >>> job = read_site_file("demo_terrain/clinic.toml")
    >>> job.site.name, len(job.mounts), len(job.satellites)
    ('Skerrow clinic', 3, 3)
    """
    shown, folder = str(path), Path(path).parent
    file = parse_site_file(path)
    with placed_at(shown):
        site = Site(
            file.name or Path(path).stem,
            *_position(file.position),
            ground_elevation_m=file.ground_elevation_m,
            ground_source="unknown" if file.ground_elevation_m is None else "given",
        )
    site = placed(site)
    satellites = tuple(_satellites(file, folder, shown))
    opened: Sequence[Any] = ()
    if rasters is not None:
        opened = rasters(terrain_area(site, aimed(satellites)))
    elif "terrain" not in without:
        opened = _rasters(file.terrain, folder, shown, terrain_area(site, aimed(satellites)), hosts)
    survey = _survey(file.survey, shown)
    readings = None
    if file.survey.horizon is not None and "horizon" not in without:
        with placed_at(f"{shown}, [survey], horizon", inner=False):
            readings = read_horizon_csv(folder / file.survey.horizon)
    landmarks = tuple(_landmarks(file, shown))
    sun_sightings = tuple(SunSighting(door.time, door.shadow_bearing_deg) for door in file.sun_sightings)
    bearings = BearingCorrections(site, survey, landmarks, sun_sightings, dated(survey.date))
    scene = None if "obstacles" in without else _scene(file, site, opened, bearings, folder, shown)
    new: dict[str, Any] = {}
    if file.terrain.highest_ground_m is not None:
        new["highest_ground_m"] = file.terrain.highest_ground_m
        if "highest ground" not in without:
            where = f"{shown}, [terrain], highest_ground_m"
            refuse_higher_ground(opened, site, satellites, file.terrain.highest_ground_m, where)
    sources = Sources(
        rasters=tuple(opened),
        readings=readings,
        survey=survey,
        stations=_stations(file.stations, bearings, shown),
        landmarks=landmarks,
        sun_sightings=sun_sightings,
        scene=scene,
        **new,
    )
    mounts = _mounts(file.mounts, bearings, shown, default_height_m)
    roof = _roof(file.roof, shown, site, opened)
    doubts = () if roof is None else _roof_notes(roof)
    refuse_unlikely(opened, site, mounts, "" if site.ground_elevation_m != file.ground_elevation_m else shown)
    return Job(
        site=site,
        satellites=satellites,
        mounts=mounts,
        notes=(*_mount_notes(file.mounts, bearings), *doubts),
        terminal=_terminal(file.terminal, shown),
        criteria=_noun(Criteria, file.criteria, f"{shown}, [criteria]"),
        sources=sources,
        roof=roof,
        mounts_named=bool(file.mounts),
        mast_kits=tuple(_mast_kits(file.mast_kits, shown)),
        property_boundary=()
        if file.property_boundary is None
        else _area(file.property_boundary.outline, f"{shown}, [property_boundary], outline"),
    )


def _noun(noun: Any, door: Any, where: str, **more: Any) -> Any:
    """A noun from the keys that were given."""
    with placed_at(where):
        return noun(**given(door, "horizon"), **more)


def _position(text: str) -> tuple[float, float]:
    """Latitude and longitude of a position text, its faults placed at the key `position`."""
    with placed_at("position"):
        there = parse_position(text)
    return there.latitude_deg, there.longitude_deg


def _rasters(
    door: TerrainTable, folder: Path, shown: str, around: Around, hosts: AllowedHosts | None
) -> tuple[Any, ...]:
    labels = (
        "kinds",
        "attribution",
        "vertical_error_m",
        "horizontal_error_m",
        "cells",
        "date",
        "growth_m_per_year",
    )
    each = {label: _for_each(getattr(door, label), len(door.rasters), label, shown) for label in labels}
    kinds = ["bare" if kind is None else kind for kind in each.pop("kinds")]
    further = [dict(zip(each, values, strict=True)) for values in zip(*each.values(), strict=True)]
    paths = [path if is_web_address(path) else folder / path for path in door.rasters]
    return open_listed(paths, kinds, further, around=around, hosts=hosts)


def _for_each(value: Any, count: int, label: str, shown: str) -> list[Any]:
    """A value of [terrain] for each raster: one for all, or a list; Nones where nothing was said."""
    values = value if isinstance(value, list) else [value] * count
    if len(values) == 1 and label != "kinds":
        values = values * count
    if len(values) not in (0, count) or (values == [] and label == "kinds" and count):
        raise InputError(
            f"holds {len(values)} for {count} rasters.",
            where=f"{shown}, [terrain], {label}",
            mend="Give one each.",
        )
    return values or [None] * count


def _scene(
    file: SiteFile, site: Site, rasters: Sequence[Any], bearings: BearingCorrections, folder: Path, shown: str
) -> Scene | None:
    if file.obstacles.file is None and not file.obstacle and not file.obstacles.complete:
        return None
    found: list[Obstacle] = []
    if file.obstacles.file is not None:
        found.extend(read_scene(folder / file.obstacles.file, site, rasters=rasters).obstacles)
    if file.obstacle:
        ground = stand_on(site, rasters)
        found.extend(inline_obstacles(file.obstacle, bearings=bearings, ground=ground, shown=shown))
    return scene_of(found, complete=file.obstacles.complete)


def _terminal(door: TerminalTable, shown: str) -> Terminal:
    assumed = tuple(label for label in ("dish_diameter_m", "receive_ghz") if getattr(door, label) is None)
    if door.receive_ghz is None and door.transmit_ghz is not None:
        assumed = tuple(label for label in assumed if label != "receive_ghz")
        door = replace(door, receive_ghz=door.transmit_ghz)
    made: Terminal = _noun(Terminal, door, f"{shown}, [terminal]", assumed=assumed)
    return made


def _survey(door: SurveyTable, shown: str) -> Survey:
    where = f"{shown}, [survey]"
    if door.bearings == "relative" and door.reference_bearing_deg is None and door.horizon is not None:
        raise InputError(
            "relative bearings need the true bearing of their zero mark.",
            where=f"{where}, bearings",
            mend="Give reference_bearing_deg.",
        )
    new: dict[str, Any] = {}
    for label, table in (("bearing", BEARING), ("inclination", INCLINATION)):
        name = getattr(door, f"{label}_instrument")
        if name is not None:
            error = named(table, name, f"{where}, {label}_instrument")
            new[f"{label}_error_deg"] = error.sigma_deg
    if door.distance_method is not None:
        by = named(DISTANCE, door.distance_method, f"{where}, distance_method")
        new |= {"distance_error_m": by.sigma_m, "distance_error_fraction": by.fraction}
    if door.position_method is not None:
        new["position_error_m"] = named(POSITION, door.position_method, f"{where}, position_method").sigma_m
    stated = given(door, "horizon")
    with placed_at(where):
        return Survey(**{**new, **stated})


def _stations(doors: Sequence[StationTable], bearings: BearingCorrections, shown: str) -> tuple[Station, ...]:
    found: list[Station] = []
    for number, door in enumerate(doors, start=1):
        with placed_at(f"{shown}, [[stations]] number {number}"):
            if door.name in {station.name for station in found}:
                raise InputError(f"two are called {quoted(door.name)}.", mend="Rename one.")
            at = plan_of(door, bearings, door.bearings)
            if at is None:
                raise InputError(
                    "has no place.", mend="Give east_m and north_m, or bearing_deg and distance_m."
                )
            found.append(Station(door.name, *at, door.instrument_height_m, door.reference_bearing_deg))
    return tuple(found)


def _satellites(file: SiteFile, folder: Path, shown: str) -> Iterator[Satellite]:
    for number, door in enumerate(file.satellites, start=1):
        with placed_at(f"{shown}, [[satellites]] number {number}"):
            if (door.longitude is None) == (door.orbit is None):
                raise InputError("needs a longitude or an orbit file, and not both.")
            if door.orbit is not None:
                check_file(folder / door.orbit)
                text = door.orbit if door.name is None else f"{door.name}={door.orbit}"
                yield from read_satellites(text, folder=folder)
            elif isinstance(door.longitude, str):
                with placed_at("longitude"):
                    longitude_deg = parse_longitude(door.longitude)
                yield Satellite(door.name or door.longitude, longitude_deg=longitude_deg)
            else:
                assert door.longitude is not None
                yield Satellite(door.name or f"{door.longitude:g}", longitude_deg=door.longitude)


def _mount_notes(doors: Sequence[MountTable], bearings: BearingCorrections) -> tuple[str, ...]:
    """What mounts' bearings are taken to be: true ones, unless a mount says otherwise."""
    typed = [door for door in doors if door.bearing_deg is not None]
    notes = [note for door in typed for note in bearings.notes(door.bearings or "true", "mounts")]
    if bearings.survey.bearings != "true" and any(door.bearings is None for door in typed):
        notes.append(
            f"The bearings of mounts are taken as true though the survey's are {bearings.survey.bearings}: write "
            f'bearings = "{bearings.survey.bearings}" or "true" in [[mounts]].'
        )
    return tuple(dict.fromkeys(notes))


def _mounts(
    doors: Sequence[MountTable], bearings: BearingCorrections, shown: str, default_height_m: float
) -> tuple[Mount, ...]:
    mounts: list[Mount] = []
    for number, door in enumerate(doors, start=1):
        with placed_at(f"{shown}, [[mounts]] number {number}"):
            mounts.extend(_mount(door, bearings, number, len(doors), default_height_m))
    names = [mount.name for mount in mounts]
    for name in names:
        if names.count(name) > 1:
            raise InputError(
                f"two are called {quoted(name)}.", where=f"{shown}, [[mounts]]", mend="Rename one."
            )
    return tuple(mounts) or (Mount(height_m=default_height_m),)


def _mount(
    door: MountTable, bearings: BearingCorrections, number: int, count: int, default_height_m: float
) -> Iterator[Mount]:
    name = door.name or ("mount" if count == 1 else f"mount {number}")
    if door.surface_elevation_m is not None and door.surface_height_m is not None:
        raise InputError(
            "surface_elevation_m and surface_height_m are both given.", mend="Keep one of the two."
        )
    if door.height_m is not None and door.heights_m is not None:
        raise InputError("height_m and heights_m are both given.", mend="Keep one of the two.")
    east_m, north_m = plan_of(door, bearings, door.bearings or "true") or (0.0, 0.0)
    heights_m = door.heights_m or [default_height_m if door.height_m is None else door.height_m]
    for height_m in heights_m:
        if door.max_height_m is not None and height_m > door.max_height_m:
            raise InputError(
                f"{height_m:g} m is above max_height_m, {door.max_height_m:g} m.", where="height_m"
            )
        yield Mount(
            name=name if len(heights_m) == 1 else f"{name} at {height_m:g} m",
            east_m=east_m,
            north_m=north_m,
            height_m=height_m,
            surface_elevation_m=door.surface_elevation_m,
            max_height_m=door.max_height_m,
            surface_height_m=door.surface_height_m,
            surface_source="unknown" if door.surface_elevation_m is None else "given",
        )


def _mast_kits(doors: Sequence[MastKitTable], shown: str) -> Iterator[MastKit]:
    for number, door in enumerate(doors, start=1):
        with placed_at(f"{shown}, [[mast_kits]] number {number} ({quoted(door.name)})"):
            yield MastKit(door.name, tuple(sorted(set(door.heights_m))), door.stand_off_m)


def _landmarks(file: SiteFile, shown: str) -> Iterator[Landmark]:
    for number, door in enumerate(file.landmarks, start=1):
        with placed_at(f"{shown}, [[landmarks]] number {number}"):
            yield Landmark(door.name, *_position(door.position), door.measured_bearing_deg)


def _area(ring: Sequence[Sequence[float]], where: str) -> tuple[tuple[float, float], ...]:
    """A ring that encloses something and does not cross itself."""
    import shapely

    shape = shapely.Polygon([(point[0], point[1]) for point in ring])
    if not shape.is_valid or shape.area <= 0.0:
        raise InputError(
            "crosses itself or encloses nothing.", where=where, mend="Give the corners in order around it."
        )
    return tuple((point[0], point[1]) for point in ring)


def _roof(door: RoofTable | None, shown: str, site: Site, rasters: Sequence[Any]) -> Roof | None:
    if door is None:
        return None
    return Roof(
        outline=tuple((east_m, north_m) for east_m, north_m in door.outline),
        surface=tuple(_points(door.surface)),
        edge_setback_m=door.edge_setback_m,
        cable_entry=None if door.cable_entry is None else (door.cable_entry[0], *door.cable_entry[1:3]),  # type: ignore[arg-type]  # three, checked at the door
        yards=tuple(tuple((east_m, north_m) for east_m, north_m in yard) for yard in door.yards),
        keep_out=tuple(
            _area(ring, f"{shown}, [roof], keep_out number {number}")
            for number, ring in enumerate(door.keep_out, start=1)
        ),
        breaks=tuple(tuple(_points(line)) for line in (*door.ridges, *door.valleys, *door.eaves)),
        facets=tuple(tuple(_points(ring)) for ring in door.facets) or _form(door, shown, site, rasters),
        height_error_m=door.height_error_m,
        position_error_m=door.position_error_m,
    )


def _roof_notes(roof: Roof) -> tuple[str, ...]:
    """What is not determined about a roof's surface; what is wrong with it is said by what uses it."""
    if not roof.shaped:
        return ()
    try:
        return roof_doubts(roof).sentences()
    except InputError:
        return ()


def _points(points: Sequence[Sequence[float]]) -> Iterator[tuple[float, float, float]]:
    yield from ((east_m, north_m, up_m) for east_m, north_m, up_m in points)


def _form(
    door: RoofTable, shown: str, site: Site, rasters: Sequence[Any]
) -> tuple[tuple[tuple[float, float, float], ...], ...]:
    """The planes of a roof told by the word for its form; its heights count from the site's ground."""
    where = f"{shown}, [roof], shape"
    if door.shape is None:
        for label in ("eaves_height_m", "ridge_height_m", "direction_deg"):
            if getattr(door, label) is not None:
                raise InputError(
                    "belongs to a roof's form.", where=f"{shown}, [roof], {label}", mend="Give shape as well."
                )
        return ()
    if door.surface or door.ridges or door.valleys:
        raise InputError(
            "stands beside points or lines of the surface.", where=where, mend="Keep one of the two."
        )
    if door.eaves_height_m is None:
        raise InputError("needs eaves_height_m above the site's ground.", where=where)
    ground = stand_on(site, rasters)
    if not ground.known:
        raise InputError(
            "has heights above a ground that nobody knows.", where=where, mend="Give ground_elevation_m."
        )
    ridge_m = None if door.ridge_height_m is None else ground.site_elevation_m + door.ridge_height_m
    return form_facets(
        door.outline,
        door.shape,
        eaves_elevation_m=ground.site_elevation_m + door.eaves_height_m,
        ridge_elevation_m=ridge_m,
        direction_deg=door.direction_deg,
        where=where,
    )
