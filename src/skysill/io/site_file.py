"""A site file (TOML), read into the job that it describes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skysill.errors import InputError
from skysill.geodesy.positions import Position, parse_longitude, parse_position
from skysill.horizon.roof_surface import roof_doubts
from skysill.io.elevation.areas import Around
from skysill.io.elevation.source_names import is_web_address
from skysill.io.job_options import JobOptions
from skysill.io.obstacle_keys import MastKitTable, RoofTable
from skysill.io.site_bearings import BearingCorrections
from skysill.io.site_keys import MountTable, StationTable, SurveyTable, TerminalTable, TerrainTable
from skysill.io.site_obstacles import ground_of, inline_obstacles, plan_position, read_scene, scene_of
from skysill.io.site_schema import SiteFile, parse_site_file, parse_site_text
from skysill.io.site_values import given
from skysill.io.sources import (
    open_listed,
    open_terrain,
    refuse_higher_ground,
    refuse_implausible_elevations,
    terrain_area,
    with_position_error,
)
from skysill.io.survey_tables import read_horizon_csv, read_satellites, refuse_same_names
from skysill.io.text import check_file, placed_at, quoted
from skysill.model.default_errors import BEARING, DISTANCE, INCLINATION, POSITION, default_error_of
from skysill.model.job import Job, Sources
from skysill.model.obstacles import Obstacle
from skysill.model.roof_forms import form_facets
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    MastKit,
    Mount,
    Roof,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import (
    Landmark,
    Station,
    SunSighting,
    Survey,
)

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts

__all__ = ["rasters_of", "read_site_file"]

_LANDMARK_ERROR_M = 20.0


def read_site_file(
    path: str | Path,
    *,
    options: JobOptions | None = None,
    without: Collection[str] = (),
    default_date: dt.date | None = None,
) -> Job:
    """The job that a site file describes, its rasters opened, its readings and obstacles read.

    Parameters
    ----------
    path : the TOML file; paths in it begin at its folder
    options : in place of the file's site, rasters and date, and for what is not read because options replace it;
        its `site_text` is read in place of what the file holds; web hosts are allowed by options only, None: none
    without : sources that are not read: "terrain", "horizon", "obstacles"
    default_date : of magnetic bearings, where neither options nor the survey have a date; None: they are refused


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
    hosts = None if options is None else options.hosts()
    options = options or JobOptions()
    shown, folder = str(path), Path(path).parent
    file = parse_site_file(path) if options.site_text is None else parse_site_text(options.site_text, shown)
    site = options.site(_site(file, path))
    satellites = tuple(_satellites(file, folder, shown))
    with placed_at(f"{shown}, [[satellites]]"):
        refuse_same_names(satellites)
    left_out = {*without, *options.replaced}
    rasters: tuple[Any, ...] = ()
    if "terrain" not in without:
        around = terrain_area(site, options.satellites(satellites))
        if options.terrain:
            rasters = open_terrain(options.terrain, options.terrain_error_m, around=around, hosts=hosts)
        else:
            rasters = rasters_of(file.terrain, folder, shown, around, hosts)
        rasters = with_position_error(rasters, site)
    survey = _survey(file.survey, shown)
    readings = None
    if file.survey.horizon is not None and "horizon" not in left_out:
        with placed_at(f"{shown}, [survey], horizon", inner=False):
            readings = read_horizon_csv(folder / file.survey.horizon)
    landmarks = tuple(_landmarks(file, shown))
    sun_sightings = tuple(SunSighting(table.time, table.shadow_bearing_deg) for table in file.sun_sightings)
    date = options.date or survey.date or default_date
    bearings = BearingCorrections(site, survey, landmarks, sun_sightings, date)
    scene = None if "obstacles" in left_out else _scene(file, site, rasters, bearings, folder, shown)
    new: dict[str, Any] = {}
    if file.terrain.highest_ground_m is not None:
        new["highest_ground_m"] = file.terrain.highest_ground_m
        if "highest ground" not in left_out:
            where = f"{shown}, [terrain], highest_ground_m"
            refuse_higher_ground(rasters, site, satellites, file.terrain.highest_ground_m, where)
    sources = Sources(
        rasters=rasters,
        readings=readings,
        survey=survey,
        stations=_stations(file.stations, bearings, shown),
        landmarks=landmarks,
        sun_sightings=sun_sightings,
        scene=scene,
        **new,
    )
    mounts = _mounts(file.mounts, bearings, shown, options.default_mount_height_m)
    roof = _roof(file.roof, shown, site, rasters)
    doubts = () if roof is None else _roof_notes(roof)
    refuse_implausible_elevations(
        rasters, site, mounts, "" if site.ground_elevation_m != file.ground_elevation_m else shown
    )
    return Job(
        site=site,
        satellites=satellites,
        mounts=mounts,
        notes=(*_mount_notes(file.mounts, bearings), *doubts),
        terminal=_terminal(file.terminal, shown),
        criteria=_made(Criteria, file.criteria, f"{shown}, [criteria]"),
        sources=sources,
        roof=roof,
        mounts_named=bool(file.mounts),
        mast_kits=tuple(_mast_kits(file.mast_kits, shown)),
        property_boundary=()
        if file.property_boundary is None
        else _area(file.property_boundary.outline, f"{shown}, [property_boundary], outline"),
    )


def _site(file: SiteFile, path: str | Path) -> Site:
    with placed_at(str(path)):
        there = _position(file.position)
        return Site(
            file.name or Path(path).stem,
            there.latitude_deg,
            there.longitude_deg,
            position_error_m=there.error_m,
            ground_elevation_m=file.ground_elevation_m,
            ground_source="unknown" if file.ground_elevation_m is None else "given",
        )


def _made(data_class: Any, table: Any, where: str, **more: Any) -> Any:
    """A data class from the keys that were given."""
    with placed_at(where):
        return data_class(**given(table, "horizon"), **more)


def _position(text: str) -> Position:
    """A position text, read; its errors name the key `position`."""
    with placed_at("position"):
        return parse_position(text)


def rasters_of(
    table: TerrainTable, folder: Path, shown: str, around: Around | None, hosts: AllowedHosts | None
) -> tuple[Any, ...]:
    """The rasters of [terrain], opened. around : the area they are needed for; None: everywhere"""
    labels = (
        "kinds",
        "attribution",
        "vertical_error_m",
        "horizontal_error_m",
        "cells",
        "date",
        "growth_m_per_year",
    )
    each = {label: _for_each(getattr(table, label), len(table.rasters), label, shown) for label in labels}
    kinds = ["bare" if kind is None else kind for kind in each.pop("kinds")]
    further = [dict(zip(each, values, strict=True)) for values in zip(*each.values(), strict=True)]
    paths = [path if is_web_address(path) else folder / path for path in table.rasters]
    return open_listed(paths, kinds, further, around=around, hosts=hosts)


def _for_each(value: Any, count: int, label: str, shown: str) -> list[Any]:
    """A value of [terrain] for each raster: one for all, or a list; None each where the key was not given."""
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
        ground = ground_of(site, rasters)
        found.extend(inline_obstacles(file.obstacle, bearings=bearings, ground=ground, shown=shown))
    return scene_of(found, complete=file.obstacles.complete)


def _terminal(table: TerminalTable, shown: str) -> Terminal:
    assumed = tuple(label for label in ("dish_diameter_m", "receive_ghz") if getattr(table, label) is None)
    if table.receive_ghz is None and table.transmit_ghz is not None:
        assumed = tuple(label for label in assumed if label != "receive_ghz")
        table = replace(table, receive_ghz=table.transmit_ghz)
    made: Terminal = _made(Terminal, table, f"{shown}, [terminal]", assumed=assumed)
    return made


def _survey(table: SurveyTable, shown: str) -> Survey:
    where = f"{shown}, [survey]"
    if table.bearings == "relative" and table.reference_bearing_deg is None and table.horizon is not None:
        raise InputError(
            "relative bearings need the true bearing of their zero mark.",
            where=f"{where}, bearings",
            mend="Give reference_bearing_deg.",
        )
    new: dict[str, Any] = {}
    for label, errors in (("bearing", BEARING), ("inclination", INCLINATION)):
        name = getattr(table, f"{label}_instrument")
        if name is not None:
            error = default_error_of(errors, name, f"{where}, {label}_instrument")
            new[f"{label}_error_deg"] = error.sigma_deg
    if table.distance_method is not None:
        by = default_error_of(DISTANCE, table.distance_method, f"{where}, distance_method")
        new |= {"distance_error_m": by.sigma_m, "distance_error_fraction": by.fraction}
    if table.position_method is not None:
        new["position_error_m"] = default_error_of(
            POSITION, table.position_method, f"{where}, position_method"
        ).sigma_m
    stated = given(table, "horizon")
    with placed_at(where):
        return Survey(**{**new, **stated})


def _stations(
    tables: Sequence[StationTable], bearings: BearingCorrections, shown: str
) -> tuple[Station, ...]:
    found: list[Station] = []
    for number, table in enumerate(tables, start=1):
        with placed_at(f"{shown}, [[stations]] number {number}"):
            if table.name in {station.name for station in found}:
                raise InputError(f"two are called {quoted(table.name)}.", mend="Rename one.")
            at = plan_position(table, bearings, table.bearings)
            if at is None:
                raise InputError(
                    "has no place.", mend="Give east_m and north_m, or bearing_deg and distance_m."
                )
            found.append(Station(table.name, *at, table.instrument_height_m, table.reference_bearing_deg))
    return tuple(found)


def _satellites(file: SiteFile, folder: Path, shown: str) -> Iterator[Satellite]:
    for number, table in enumerate(file.satellites, start=1):
        with placed_at(f"{shown}, [[satellites]] number {number}"):
            if (table.longitude is None) == (table.orbit is None):
                raise InputError("needs a longitude or an orbit file, and not both.")
            if table.orbit is not None:
                check_file(folder / table.orbit)
                text = table.orbit if table.name is None else f"{table.name}={table.orbit}"
                yield from read_satellites(text, folder=folder)
            elif isinstance(table.longitude, str):
                with placed_at("longitude"):
                    longitude_deg = parse_longitude(table.longitude)
                yield Satellite(table.name or table.longitude, longitude_deg=longitude_deg)
            else:
                assert table.longitude is not None
                yield Satellite(table.name or f"{table.longitude:g}", longitude_deg=table.longitude)


def _mount_notes(tables: Sequence[MountTable], bearings: BearingCorrections) -> tuple[str, ...]:
    """Notes on the bearings of mounts, which are true unless a mount says otherwise."""
    typed = [table for table in tables if table.bearing_deg is not None]
    notes = [note for table in typed for note in bearings.notes(table.bearings or "true", "mounts")]
    if bearings.survey.bearings != "true" and any(table.bearings is None for table in typed):
        notes.append(
            f"The bearings of mounts are taken as true though the survey's are {bearings.survey.bearings}: write "
            f'bearings = "{bearings.survey.bearings}" or "true" in [[mounts]].'
        )
    return tuple(dict.fromkeys(notes))


def _mounts(
    tables: Sequence[MountTable], bearings: BearingCorrections, shown: str, default_height_m: float
) -> tuple[Mount, ...]:
    mounts: list[Mount] = []
    for number, table in enumerate(tables, start=1):
        with placed_at(f"{shown}, [[mounts]] number {number}"):
            mounts.extend(_mount(table, bearings, number, len(tables), default_height_m))
    names = [mount.name for mount in mounts]
    for name in names:
        if names.count(name) > 1:
            raise InputError(
                f"two are called {quoted(name)}.", where=f"{shown}, [[mounts]]", mend="Rename one."
            )
    return tuple(mounts) or (Mount(height_m=default_height_m),)


def _mount(
    table: MountTable, bearings: BearingCorrections, number: int, count: int, default_height_m: float
) -> Iterator[Mount]:
    name = table.name or ("mount" if count == 1 else f"mount {number}")
    if table.surface_elevation_m is not None and table.surface_height_m is not None:
        raise InputError(
            "surface_elevation_m and surface_height_m are both given.", mend="Keep one of the two."
        )
    if table.height_m is not None and table.heights_m is not None:
        raise InputError("height_m and heights_m are both given.", mend="Keep one of the two.")
    east_m, north_m = plan_position(table, bearings, table.bearings or "true") or (0.0, 0.0)
    heights_m = table.heights_m or [default_height_m if table.height_m is None else table.height_m]
    for height_m in heights_m:
        if table.max_height_m is not None and height_m > table.max_height_m:
            raise InputError(
                f"{height_m:g} m is above max_height_m, {table.max_height_m:g} m.", where="height_m"
            )
        yield Mount(
            name=name if len(heights_m) == 1 else f"{name} at {height_m:g} m",
            east_m=east_m,
            north_m=north_m,
            height_m=height_m,
            surface_elevation_m=table.surface_elevation_m,
            max_height_m=table.max_height_m,
            surface_height_m=table.surface_height_m,
            surface_source="unknown" if table.surface_elevation_m is None else "given",
        )


def _mast_kits(tables: Sequence[MastKitTable], shown: str) -> Iterator[MastKit]:
    for number, table in enumerate(tables, start=1):
        with placed_at(f"{shown}, [[mast_kits]] number {number} ({quoted(table.name)})"):
            yield MastKit(table.name, tuple(sorted(set(table.heights_m))), table.stand_off_m)


def _landmarks(file: SiteFile, shown: str) -> Iterator[Landmark]:
    for number, table in enumerate(file.landmarks, start=1):
        with placed_at(f"{shown}, [[landmarks]] number {number}"):
            there = _position(table.position)
            if there.error_m > _LANDMARK_ERROR_M:
                raise InputError(
                    f"{quoted(table.position)} is known to {there.error_m:.0f} m only, too little for a bearing.",
                    where="position",
                    mend="Write it with more digits.",
                )
            yield Landmark(table.name, there.latitude_deg, there.longitude_deg, table.measured_bearing_deg)


def _area(ring: Sequence[Sequence[float]], where: str) -> tuple[tuple[float, float], ...]:
    """A ring of (east, north), refused where it encloses nothing or crosses itself."""
    import shapely

    shape = shapely.Polygon([(point[0], point[1]) for point in ring])
    if not shape.is_valid or shape.area <= 0.0:
        raise InputError(
            "crosses itself or encloses nothing.", where=where, mend="Give the corners in order around it."
        )
    return tuple((point[0], point[1]) for point in ring)


def _roof(table: RoofTable | None, shown: str, site: Site, rasters: Sequence[Any]) -> Roof | None:
    if table is None:
        return None
    return Roof(
        outline=tuple((east_m, north_m) for east_m, north_m in table.outline),
        surface=tuple(_points(table.surface)),
        edge_setback_m=table.edge_setback_m,
        cable_entry=None if table.cable_entry is None else (table.cable_entry[0], *table.cable_entry[1:3]),  # type: ignore[arg-type]  # three, checked at the table
        yards=tuple(tuple((east_m, north_m) for east_m, north_m in yard) for yard in table.yards),
        keep_out=tuple(
            _area(ring, f"{shown}, [roof], keep_out number {number}")
            for number, ring in enumerate(table.keep_out, start=1)
        ),
        breaks=tuple(tuple(_points(line)) for line in (*table.ridges, *table.valleys, *table.eaves)),
        facets=tuple(tuple(_points(ring)) for ring in table.facets) or _form(table, shown, site, rasters),
        height_error_m=table.height_error_m,
        position_error_m=table.position_error_m,
    )


def _roof_notes(roof: Roof) -> tuple[str, ...]:
    """Notes on what the points leave open about a roof's surface; errors are raised by what uses the surface."""
    if not roof.shaped:
        return ()
    try:
        return roof_doubts(roof).sentences()
    except InputError:
        return ()


def _points(points: Sequence[Sequence[float]]) -> Iterator[tuple[float, float, float]]:
    yield from ((east_m, north_m, up_m) for east_m, north_m, up_m in points)


def _form(
    table: RoofTable, shown: str, site: Site, rasters: Sequence[Any]
) -> tuple[tuple[tuple[float, float, float], ...], ...]:
    """The planes of a roof given by `shape`; its heights count from the site's ground."""
    where = f"{shown}, [roof], shape"
    if table.shape is None:
        for label in ("eaves_height_m", "ridge_height_m", "direction_deg"):
            if getattr(table, label) is not None:
                raise InputError(
                    "belongs to a roof's form.", where=f"{shown}, [roof], {label}", mend="Give shape as well."
                )
        return ()
    if table.surface or table.ridges or table.valleys:
        raise InputError(
            "stands beside points or lines of the surface.", where=where, mend="Keep one of the two."
        )
    if table.eaves_height_m is None:
        raise InputError("needs eaves_height_m above the site's ground.", where=where)
    ground = ground_of(site, rasters)
    if not ground.known:
        raise InputError(
            "has heights above a ground that nobody knows.", where=where, mend="Give ground_elevation_m."
        )
    ridge_m = None if table.ridge_height_m is None else ground.site_elevation_m + table.ridge_height_m
    return form_facets(
        table.outline,
        table.shape,
        eaves_elevation_m=ground.site_elevation_m + table.eaves_height_m,
        ridge_elevation_m=ridge_m,
        direction_deg=table.direction_deg,
        where=where,
    )
