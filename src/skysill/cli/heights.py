"""skysill heights"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from skysill.cli.options import Number, Output, output, shared
from skysill.cli.progress import ProgressLine
from skysill.errors import InputError
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    from skysill.io.least_height_rasters import HeightsRequest, HeightsSummary
    from skysill.io.raster_windows import Raster
    from skysill.io.surface_heights import SurfaceHeights

__all__ = ["heights"]

_SMALL_CELLS = 64_000_000
_SMALL_SURFACE_CELLS = 500_000
"""Rasters up to this are done before other processes would be ready; surfaces take longer."""


@click.command()
@shared("satellites", "terrain", "terminal")
@click.option("--surface", metavar="[RASTER]", is_flag=False, flag_value="",
              help="Surface raster of 2 m or finer, with trees and houses: the dish stands on it and has the required "
              "room. --terrain is then the ground beyond it. Without a name: the first --terrain.")  # fmt: skip
@click.option("--above-ground", metavar="RASTER",
              help="With --surface: bare ground raster; heights are given above it.")  # fmt: skip
@click.option("--fresnel-fraction", "fresnel_fraction", type=Number(0.0, 5.0, "FRACTION"),
              help="With --surface: share of the first Fresnel zone to keep free. Default 0.6.")  # fmt: skip
@click.option(
    "--out", "out_path", metavar="FILE.tif", required=True, help="GeoTIFF to write, one band a satellite."
)
@click.option("--bounds", metavar="W,S,E,N", help="Only this window, in the raster's own coordinates.")
@click.option("--within", metavar="FILE", help="Only cells inside this polygon (GeoJSON, GeoPackage, ...).")
@click.option("--refraction-factor", "refraction_factor", type=Number(0.5, 10.0, "FACTOR"),
              help="Effective Earth radius over the true one. Default 1.3333.")  # fmt: skip
@click.option(
    "--rays",
    type=click.IntRange(1, 16),
    default=3,
    show_default=True,
    help="Rays per cell: more is finer and slower.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 512),
    help="Processes on this machine. Default: one a processor, up to 4; one for a small raster.",
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler to work on, tcp://host:8786.")
@click.option("--resume", is_flag=True, help="Go on where a run that was stopped left off.")
@output
def heights(options: JobOptions, out: Output, **given: Any) -> None:
    """Raster of the least antenna height that sees the satellite.

    \b
    skysill heights --terrain demo_terrain/island.tif --highest-ground 720 --satellite 24.0W --out heights.tif
    skysill heights --surface demo_terrain/village_surface.tif --highest-ground 120 --satellite 24.0W --out roofs.tif
    """
    from skysill.bulk.worker_pool import default_jobs
    from skysill.io.checksums import inputs_of
    from skysill.io.least_height_rasters import write_heights
    from skysill.io.output_checks import check_outputs
    from skysill.io.sources import split_kind

    more = [
        given["within"],
        *(split_kind(given[name])[0] for name in ("surface", "above_ground") if given[name]),
    ]
    check_outputs({"--out": given["out_path"]}, inputs_of(options, *more))
    wanted = _wanted(options, given)
    rows, columns = wanted.window.shape if wanted.window else (wanted.raster.rows, wanted.raster.cols)
    small_cells = _SMALL_CELLS if wanted.surface is None else _SMALL_SURFACE_CELLS
    unasked = default_jobs() if rows * columns > small_cells else 1
    try:
        made = write_heights(
            wanted,
            given["out_path"],
            resume=given["resume"],
            jobs=given["jobs"] or unasked,
            cluster=given["cluster"],
            progress=ProgressLine("cells", quiet=out.quiet),
        )
    except KeyboardInterrupt:
        click.echo("skysill: the finished parts are kept; the same command with --resume goes on.", err=True)
        raise
    out.say(*made.notes)
    if out.json:
        out.document(made)
    else:
        _words(out, made)


def _wanted(options: JobOptions, given: dict[str, Any]) -> HeightsRequest:
    from skysill.io.least_height_rasters import HeightsRequest, outline_of, raster_window
    from skysill.io.survey_tables import read_satellites
    from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Criteria

    if not options.terrain and not given["surface"]:
        raise InputError("no elevation raster was named.", mend="Give --terrain RASTER.")
    if not options.satellite:
        raise InputError("no satellite was named.", mend='Give --satellite "NAME=24.0W".')
    raster, surface = _rasters(options, given)
    satellites = tuple(satellite for text in options.satellite for satellite in read_satellites(text))
    moving = next((satellite.name for satellite in satellites if satellite.longitude_deg is None), None)
    if moving:
        raise InputError(f'"{moving}" moves; heights are for geostationary satellites.', where="--satellite")
    window = None if given["bounds"] is None else raster_window(raster, _bounds(given["bounds"]))
    rows, columns = window.shape if window else (raster.rows, raster.cols)
    if raster.is_remote and rows * columns > raster.most_cells:
        raise InputError(
            f"{rows * columns / 1e6:,.0f} million cells would be fetched; up to "
            f"{raster.most_cells / 1e6:,.0f} million are.",
            where=raster.name,
            mend="Give a part of it with --bounds, or save the file here.",
        )
    return HeightsRequest(
        raster=raster,
        satellites=satellites,
        highest_ground_m=HIGHEST_GROUND_ON_EARTH_M
        if options.highest_ground_m is None
        else options.highest_ground_m,
        refraction_factor=options.refraction_factor or Criteria().refraction_factor,
        rays_per_cell=given["rays"],
        window=window,
        surface=surface,
        outline=None if given["within"] is None else outline_of(given["within"], raster),
    )


def _rasters(options: JobOptions, given: dict[str, Any]) -> tuple[Raster, SurfaceHeights | None]:
    """The raster that heights are made over; with --surface also how, and the other rasters."""
    from skysill.io.sources import open_terrain

    if given["surface"] is None:
        _refuse_without_surface(options, given)
        rasters = open_terrain(options.terrain, options.terrain_error_m, hosts=options.hosts())
        if len(rasters) > 1:
            raise InputError("heights are made from one raster, or from tiles on one lattice.", where="--terrain",
                             mend="Lay several rasters together in a VRT first.")  # fmt: skip
        return rasters[0], None
    first, *others = [text for text in (given["surface"], *options.terrain) if text]
    surface_text = _as_surface(first)
    if len(others) > 1:
        raise InputError("one raster of ground beyond the surface is read.", where="--terrain",
                         mend="Lay several rasters together in a VRT first.")  # fmt: skip
    rasters = open_terrain([surface_text, *others], hosts=options.hosts())
    if len(rasters) != 1 + len(others) or rasters[0].kind != "surface":
        raise InputError("the surface must be one raster, and the finest.", where="--surface",
                         mend="Lay its tiles together in a VRT, and give coarser ground as --terrain.")  # fmt: skip
    return rasters[0], _surface_heights(options, given, surface_text, rasters)


def _refuse_without_surface(options: JobOptions, given: dict[str, Any]) -> None:
    only = {
        "--above-ground": given["above_ground"], "--fresnel-fraction": given["fresnel_fraction"],
        "--dish": options.dish_diameter_m, "--frequency": options.frequency_ghz or None,
    }  # fmt: skip
    for name, value in only.items():
        if value is not None:
            raise InputError("counts with --surface only; without it heights are line of sight.", where=name)


def _as_surface(text: str) -> str:
    from skysill.io.sources import split_kind

    path, kind = split_kind(text)
    if text.endswith(":bare") and kind == "bare":
        raise InputError("is named as bare ground; trees and houses are not in it.", where=text,
                         mend="Give a surface raster, or leave out --surface.")  # fmt: skip
    return f"{path}:surface"


def _surface_heights(
    options: JobOptions, given: dict[str, Any], surface_text: str, rasters: tuple[Raster, ...]
) -> SurfaceHeights:
    from dataclasses import replace

    from skysill.io.sources import open_terrain
    from skysill.io.surface_heights import SurfaceHeights
    from skysill.model.site import Criteria, Terminal

    bare = None
    if given["above_ground"] is not None:
        both = open_terrain([surface_text, _bare(given["above_ground"])], hosts=options.hosts())
        bare = next((raster for raster in both if raster.kind == "bare"), None)
        again = next((raster for raster in both if raster.kind == "surface"), None)
        if bare is None or again is None or len(both) != 2 or again.shift != rasters[0].shift:
            raise InputError("cannot be laid under the surface.", where="--above-ground",
                             mend="Give one bare raster above the same vertical datum.")  # fmt: skip
    terminal, criteria = Terminal(), Criteria()
    if options.dish_diameter_m is not None:
        terminal = replace(terminal, dish_diameter_m=options.dish_diameter_m)
    if options.frequency_ghz:
        terminal = replace(terminal, receive_ghz=min(options.frequency_ghz))
    factor = options.refraction_factor or criteria.refraction_factor
    fraction = criteria.fresnel_fraction if given["fresnel_fraction"] is None else given["fresnel_fraction"]
    criteria = replace(criteria, refraction_factor=factor, fresnel_fraction=fraction)
    return SurfaceHeights(terminal, criteria, rasters[1] if len(rasters) > 1 else None, bare)


def _bare(text: str) -> str:
    from skysill.io.sources import split_kind

    path, kind = split_kind(text)
    if kind == "surface":
        raise InputError(
            "is named as a surface; heights above ground need bare ground.", where="--above-ground"
        )
    return f"{path}:bare"


def _bounds(text: str) -> list[float]:
    try:
        west, south, east, north = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f'"{text}" is not four numbers.', where="--bounds", mend="Write west,south,east,north."
        ) from None
    if west >= east or south >= north:
        raise InputError(
            "the window is empty or turned round.", where="--bounds", mend="Write west,south,east,north."
        )
    return [west, south, east, north]


def _words(out: Output, made: HeightsSummary) -> None:
    cells = made.rows * made.columns
    out.text(f"{made.path}: {made.columns} x {made.rows} cells")
    rows = [
        [name, *(f"{100.0 * count / cells:.1f}" for count in counts)]
        for name, *counts in zip(made.satellites, made.seen, made.raised, made.unknown, strict=True)
    ]
    out.table(["satellite", "ground sees it %", "needs height %", "unknown %"], rows)
