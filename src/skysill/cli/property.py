"""skysill property"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skysill.cli.options import Number, Output, WholeDay, output, shared
from skysill.io.job_options import JobOptions, today

if TYPE_CHECKING:
    from skysill.extraction.property import FoundProperty
    from skysill.io.property_folder import PropertyWritten
    from skysill.model.site import Satellite

__all__ = ["property"]


@click.command()
@click.argument("position", metavar="POSITION")
@click.option(
    "--from",
    "sources",
    multiple=True,
    required=True,
    metavar="SOURCE",
    help="Laser scan (.las, .laz), raster (RASTER:surface or :bare), footprints, or a folder. Repeatable.",
)
@click.option("--out", "folder", required=True, metavar="FOLDER", help="Where the property's files go.")
@click.option("--name", metavar="NAME", help="Of the property. Default: that of the footprint.")
@click.option(
    "--reach",
    "reach_m",
    type=Number(20.0, 2000.0, "METRES"),
    help="How far around the site points and cells are taken. Default: as far as things 30 m tall matter.",
)
@click.option("--crs", metavar="CRS", help="Coordinate system of laser scans that state none, as EPSG:25829.")
@click.option(
    "--vertical-unit",
    type=click.Choice(["m", "ft", "us-ft"]),
    help="Unit of the heights of laser scans that state none.",
)
@click.option("--surveyed", type=WholeDay(), help="Day on which the scan or surface was surveyed.")
@click.option("--ask", is_flag=True, help="Ask for what the data do not show, question by question.")
@shared("satellites", "hosts")
@output
def property(
    options: JobOptions,
    out: Output,
    *,
    position: str,
    sources: tuple[str, ...],
    folder: str,
    name: str | None,
    reach_m: float | None,
    crs: str | None,
    vertical_unit: str | None,
    surveyed: dt.date | None,
    ask: bool,
) -> None:
    """A position and open data to a site file, obstacles and local rasters.

    The data are laser scans, elevation rasters and building footprints. Runs again after the data change: what you
    edited in the folder stays, and what differs is told.

    \b
    skysill property "58.0312 N 24.6541 W" --from demo_terrain/survey_data --from demo_terrain/island.tif --out clinic
    """
    from skysill.geodesy.positions import parse_position
    from skysill.io.output_checks import check_outputs
    from skysill.io.property_folder import PICTURE, property_files, unchanged_since, write_property
    from skysill.io.property_sources import (
        lowest_elevation_deg,
        made_from,
        property_from,
        reach_for,
        sort_sources,
    )
    from skysill.io.sources import open_terrain, terrain_area
    from skysill.model.site import Site
    from skysill.plots.property_map import write_property_map

    here = parse_position(position)
    named = sort_sources(sources)
    files = property_files(folder)
    check_outputs({f"--out {path.name}": path for path in files if path.parent.is_dir()}, named.files())
    satellites = options.named_satellites()
    lowest_deg = lowest_elevation_deg(here.latitude_deg, here.longitude_deg, satellites)
    if reach_m is None:
        reach_m = reach_for(lowest_deg)
    asked_for = made_from(
        named, here.latitude_deg, here.longitude_deg, satellites, name, reach_m, surveyed, crs, vertical_unit
    )
    if not ask and unchanged_since(folder, asked_for):
        out.text(f"{folder}: made from these sources already; nothing has changed since.")
        return
    site = Site(name or "property", here.latitude_deg, here.longitude_deg)
    terrain = open_terrain(named.rasters, around=terrain_area(site, satellites), hosts=options.hosts())
    found = property_from(
        named,
        latitude_deg=here.latitude_deg,
        longitude_deg=here.longitude_deg,
        least_elevation_deg=lowest_deg,
        name=name,
        reach_m=reach_m,
        terrain=terrain,
        today=today(),
        surveyed=surveyed,
        crs=crs,
        vertical_unit=vertical_unit,
    )
    written = write_property(
        folder,
        found,
        satellites=_longitudes(satellites),
        far=named.far_terrain(folder, terrain),
        answers=_asked(found) if ask else {},
        made_from=asked_for,
    )
    picture = Path(folder) / PICTURE
    write_property_map(picture, found, written.features)
    if out.json:
        out.document(_document(found, written, folder, picture))
        return
    _tell(out, found, written, picture, bool(satellites))


def _longitudes(satellites: Sequence[Satellite]) -> list[tuple[str, str]]:
    return [(one.name, f"{one.longitude_deg:.10g}") for one in satellites if one.longitude_deg is not None]


def _document(found: FoundProperty, written: PropertyWritten, folder: str, picture: Path) -> dict[str, Any]:
    return {
        "schema": 1,
        "folder": folder,
        "found": _counts(found),
        "files": [*written.files, picture],
        "kept": written.kept,
        "differences": written.differences,
        "missing": found.missing,
        "notes": found.notes,
    }


def _counts(found: FoundProperty) -> dict[str, Any]:
    return {
        "name": found.name,
        "ground_elevation_m": found.ground_elevation_m,
        "roof_planes": 0 if found.roof is None else len(found.roof.planes),
        "on_the_roof": 0 if found.roof is None else len(found.roof.standing_off),
        "buildings": len(found.buildings),
        "trees": len(found.trees),
        "walls": len(found.walls),
        "wires": len(found.wires),
    }


def _tell(
    out: Output, found: FoundProperty, written: PropertyWritten, picture: Path, with_satellites: bool
) -> None:
    counts = _counts(found)
    ground = "" if found.ground_elevation_m is None else f", ground {found.ground_elevation_m:.1f} m"
    out.text(f"{found.name}{ground}")
    if found.roof is not None:
        planes, count = counts["roof_planes"], counts["on_the_roof"]
        standing = "1 thing stands" if count == 1 else f"{count} things stand"
        worst = max((plane.residual_rms_m for plane in found.roof.planes), default=0.0)
        out.text(
            f"  roof      {planes} {'plane' if planes == 1 else 'planes'}, residuals up to {worst:.2f} m rms; "
            f"{standing} on it"
        )
    for label, things in (
        ("buildings", [(one.name, one.height_m, one.height_origin) for one in found.buildings]),
        (
            "trees",
            [(one.name or "tree", one.height_m, f"+-{one.height_error_m:.1f} m") for one in found.trees],
        ),
        ("hedges", [(one.name or one.kind, one.height_m, "") for one in found.walls]),
    ):
        if things:
            heights = [height for _, height, _ in things if height is not None]
            high = f", up to {max(heights):.1f} m" if heights else ""
            out.text(f"  {label:<9} {len(things)}{high}")
    if found.wires:
        out.text(f"  wires     {len(found.wires)}")
    for path in (*written.files, picture):
        out.text(f"{path}")
    for path in written.kept:
        out.text(f"{path}: edited since, stays")
    for sentence in written.differences:
        out.text(f"  {sentence}")
    if found.missing:
        out.text("Not in the data:")
        for sentence in found.missing:
            out.text(f"  {sentence}")
    out.say(*found.notes)
    satellite = "" if with_satellites else " --satellite NAME=LONGITUDE"
    out.text(f"Next: skysill mounts {picture.with_name('site.toml')}{satellite} --grid 1 --plan plan.svg")


def _asked(found: FoundProperty) -> dict[str, Any]:
    """Answers to what the data do not show; an empty answer leaves a thing unsaid."""
    answers: dict[str, Any] = {}

    def question(text: str, kind: Callable[[str], Any], key: str) -> None:
        while True:
            said = click.prompt(text, default="", show_default=False, err=True).strip()
            if not said:
                return
            try:
                answers[key] = kind(said)
                return
            except (ValueError, KeyError):
                click.echo(f"  {said!r} cannot be read here; leave it empty if you do not know.", err=True)

    if found.roof is not None:
        question("Cable entry: east, north, elevation in metres", _triple, "cable_entry")
    question("Limit of the cable between dish and indoor unit, metres", _positive, "cable_limit_m")
    question("Diameter of the dish, metres", _positive, "dish_diameter_m")
    if found.trees:
        question(f"Do the {len(found.trees)} trees drop their leaves in winter? y or n", _yes, "deciduous")
        question("How fast do the trees grow, metres a year", _positive, "growth_m_per_year")
    return answers


def _triple(text: str) -> list[float]:
    numbers = [float(one) for one in text.replace(",", " ").split()]
    if len(numbers) != 3:
        raise ValueError
    return numbers


def _positive(text: str) -> float:
    number = float(text)
    if not 0.0 < number < 1000.0:
        raise ValueError
    return number


def _yes(text: str) -> bool:
    return {"y": True, "yes": True, "n": False, "no": False}[text.lower()]
