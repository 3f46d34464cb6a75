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

__all__ = ["heights"]

_SMALL_CELLS = 64_000_000
"""Rasters up to this are done before other processes would be ready."""


@click.command()
@shared("satellites", "terrain")
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
    """
    from skysill.bulk.worker_pool import default_jobs
    from skysill.io.checksums import inputs_of
    from skysill.io.least_height_rasters import write_heights
    from skysill.io.output_checks import check_outputs

    check_outputs({"--out": given["out_path"]}, inputs_of(options, given["within"]))
    wanted = _wanted(options, given)
    rows, columns = wanted.window.shape if wanted.window else (wanted.raster.rows, wanted.raster.cols)
    unasked = default_jobs() if rows * columns > _SMALL_CELLS else 1
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
    from skysill.io.sources import open_terrain
    from skysill.io.survey_tables import read_satellites
    from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Criteria

    if not options.terrain:
        raise InputError("no elevation raster was named.", mend="Give --terrain RASTER.")
    if not options.satellite:
        raise InputError("no satellite was named.", mend='Give --satellite "NAME=24.0W".')
    rasters = open_terrain(options.terrain, options.terrain_error_m, hosts=options.hosts())
    if len(rasters) > 1:
        raise InputError("heights are made from one raster, or from tiles on one lattice.", where="--terrain",
                         mend="Lay several rasters together in a VRT first.")  # fmt: skip
    satellites = tuple(satellite for text in options.satellite for satellite in read_satellites(text))
    moving = next((satellite.name for satellite in satellites if satellite.longitude_deg is None), None)
    if moving:
        raise InputError(f'"{moving}" moves; heights are for geostationary satellites.', where="--satellite")
    window = None if given["bounds"] is None else raster_window(rasters[0], _bounds(given["bounds"]))
    rows, columns = window.shape if window else (rasters[0].rows, rasters[0].cols)
    if rasters[0].is_remote and rows * columns > rasters[0].most_cells:
        raise InputError(
            f"{rows * columns / 1e6:,.0f} million cells would be fetched; up to "
            f"{rasters[0].most_cells / 1e6:,.0f} million are.",
            where=rasters[0].name,
            mend="Give a part of it with --bounds, or save the file here.",
        )
    return HeightsRequest(
        raster=rasters[0],
        satellites=satellites,
        highest_ground_m=HIGHEST_GROUND_ON_EARTH_M
        if options.highest_ground_m is None
        else options.highest_ground_m,
        refraction_factor=options.refraction_factor or Criteria().refraction_factor,
        rays_per_cell=given["rays"],
        window=window,
        outline=None if given["within"] is None else outline_of(given["within"], rasters[0]),
    )


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
