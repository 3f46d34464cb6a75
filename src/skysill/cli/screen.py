"""skysill screen"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from skysill.cli.options import Number, Output, WholeDay, output, shared
from skysill.cli.progress import ProgressLine
from skysill.errors import InputError
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from skysill.bulk.questions import CallDay
    from skysill.bulk.roof_results import RoofSearch
    from skysill.io.caller_columns import CallerColumns
    from skysill.io.raster_windows import Raster
    from skysill.io.screening import ScreeningRequest, ScreeningSummary

__all__ = ["screen"]

_KIND = "geocoded building"


@click.command()
@click.argument("addresses", metavar="ADDRESSES")
@shared("satellites", "terrain", "terminal", "criteria")
@click.option(
    "--out", "out_path", metavar="FILE", required=True, help="CSV, GeoJSON or Parquet, by its ending."
)
@click.option("--mount-height", "height_m", type=Number(0.0, 200.0, "METRES"), default=2.0, show_default=True,
              help="Dish centre above ground where the row says nothing.")  # fmt: skip
@click.option("--position-error", "position_error", metavar="METRES|KIND", default=_KIND, show_default=True,
              help="How well places are known, on each of two axes: metres, or tape, map, phone, "
              "geocoded building, geocoded street.")  # fmt: skip
@click.option("--questions", is_flag=True, help="For each needs-survey: what to ask the caller, as columns and as one "
              "sentence.")  # fmt: skip
@click.option(
    "--date", "day", type=WholeDay(), help="Day of the sun's time in the questions. Default: today."
)
@click.option("--zone", metavar="ZONE", help="Time zone of it, as Atlantic/Azores. Default UTC.")
@click.option("--answers", "answers_path", metavar="FILE", help="Table of what callers answered: id, thing, height_m, "
              "distance_m; verdicts only become worse by it.")  # fmt: skip
@click.option("--survey-order", "survey_order", is_flag=True, help="In which order to send the surveyor out, from how "
              "addresses alike turned out where a fine surface raster covers them.")  # fmt: skip
@click.option("--map", "map_path", metavar="FILE", help="Also draw the verdicts on a map: PNG, SVG or PDF.")
@click.option("--layer", "layer_path", metavar="FILE", help="Also write the list as a layer for a GIS, verdicts "
              "styled: GeoPackage (.gpkg) or GeoJSON.")  # fmt: skip
@click.option("--grid", "grid_step_m", type=Number(0.05, 100.0, "METRES"), default=1.0, show_default=True,
              help="Buildings: step of the spots on each roof.")  # fmt: skip
@click.option("--edge-setback", "setback_m", type=Number(0.0, 100.0, "METRES"), default=1.0, show_default=True,
              help="Buildings: distance of spots from the roof's edge.")  # fmt: skip
@click.option("--max-height", "max_height_m", type=Number(0.1, 200.0, "METRES"),
              help="Buildings: tallest mast, dish centre over the roof. Default 6.")  # fmt: skip
@click.option(
    "--mast-kits",
    "kits_path",
    metavar="FILE",
    help="Buildings: [[mast_kits]] of a TOML file; their heights only.",
)
@click.option("--overhead-lines", "lines_path", metavar="FILE", help="Buildings: known overhead lines, lines of kind "
              "wire as for --obstacles. There may be others.")  # fmt: skip
@click.option("--full", is_flag=True, help="Margins over 10 degrees too. Slow.")
@click.option(
    "--neutralize", is_flag=True, help="Put ' before cells that a spreadsheet would run as formulas."
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 512),
    help="Processes on this machine. Default: one a processor, up to 4.",
)
@click.option("--cluster", metavar="ADDRESS", help="Dask scheduler to work on, tcp://host:8786.")
@click.option("--resume", is_flag=True, help="Go on where a run that was stopped left off.")
@output
def screen(addresses: str, options: JobOptions, out: Output, **given: Any) -> None:
    """Many addresses at once, or roofs.

    ADDRESSES is CSV, GeoJSON, Parquet or a vector file with columns id and position, or latitude and longitude, or
    points; mount_height_m and satellite where rows have their own. Outlines of buildings in place of points mean
    anywhere on that roof: each gets its best spot and the least practical mast there.

    \b
    skysill screen demo_terrain/addresses.csv --terrain demo_terrain/island.tif --satellite 24.0W --out screened.csv
    """
    from dataclasses import replace

    from skysill.bulk.worker_pool import default_jobs
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs
    from skysill.io.screening import screen_file

    wanted = _wanted(options, addresses, given)
    error_m, said = _position_error(given["position_error"])
    wanted = replace(
        wanted, position_error_m=error_m, callers=_callers(given), roofs=_roofs(given, wanted.rasters)
    )
    outputs = {"--out": given["out_path"], "--layer": given["layer_path"], "--map": given["map_path"]}
    check_outputs(outputs, inputs_of(options, addresses, given["answers_path"], given["lines_path"]))
    try:
        made = screen_file(
            wanted,
            addresses,
            given["out_path"],
            layer=given["layer_path"],
            resume=given["resume"],
            jobs=given["jobs"] or default_jobs(),
            cluster=given["cluster"],
            progress=ProgressLine("addresses", quiet=out.quiet),
        )
    except KeyboardInterrupt:
        click.echo("skysill: the finished parts are kept; the same command with --resume goes on.", err=True)
        raise
    if given["map_path"]:
        _draw_map(given["map_path"], addresses, wanted, made, given["day"])
    out.say(*made.notes, *(() if made.of_roofs else (said,)))
    if out.json:
        out.document(made)
    else:
        _words(out, made)


def _draw_map(
    path: str, addresses: str, wanted: ScreeningRequest, made: ScreeningSummary, day: dt.date | None
) -> None:
    """Draw the verdicts over the shaded ground of the rasters."""
    from pathlib import Path

    from skysill.io.backdrops import read_backdrop
    from skysill.io.job_options import today
    from skysill.plots.screening_map import map_bounds, write_verdict_map

    place = made.latitude_deg, made.longitude_deg
    names = ", ".join(satellite.name for satellite in wanted.satellites)
    date = day if day is not None else today()
    what = "roofs" if made.of_roofs else "addresses"
    write_verdict_map(
        path, *place, made.verdict, title=f"{Path(addresses).name}: {names}",
        lines=[f"{made.screened:,} {what} screened, {date.isoformat()}"],
        backdrops=[read_backdrop(wanted.rasters, *bounds) for bounds in map_bounds(*place)],
        outlines=made.outlines or None,
    )  # fmt: skip


def _wanted(options: JobOptions, addresses: str, given: dict[str, Any]) -> ScreeningRequest:
    from dataclasses import replace

    from skysill.io.address_area import address_area
    from skysill.io.elevation.source_names import is_template
    from skysill.io.screening import ScreeningRequest
    from skysill.io.sources import open_terrain
    from skysill.io.survey_tables import read_satellites
    from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Criteria, Terminal

    if not options.terrain:
        raise InputError("no elevation raster was named.", mend="Give --terrain RASTER.")
    satellites = tuple(satellite for text in options.satellite for satellite in read_satellites(text))
    moving = next((satellite.name for satellite in satellites if satellite.longitude_deg is None), None)
    if moving:
        raise InputError(f'"{moving}" moves; screening is for geostationary satellites.', where="--satellite")
    if not satellites:
        raise InputError("no satellite was named.", mend='Give --satellite "NAME=24.0W".')
    terminal, criteria = Terminal(), Criteria()
    if options.dish_diameter_m is not None:
        terminal = replace(terminal, dish_diameter_m=options.dish_diameter_m)
    if options.frequency_ghz:
        terminal = replace(terminal, receive_ghz=min(options.frequency_ghz))
    names = ("fresnel_fraction", "assumed_distance_m", "years_ahead", "min_p_clear", "refraction_factor")
    said = {name: getattr(options, name) for name in names if getattr(options, name) is not None}
    around = address_area(addresses, satellites) if any(map(is_template, options.terrain)) else None
    return ScreeningRequest(
        rasters=open_terrain(options.terrain, options.terrain_error_m, around=around, hosts=options.hosts()),
        satellites=satellites,
        highest_ground_m=HIGHEST_GROUND_ON_EARTH_M
        if options.highest_ground_m is None
        else options.highest_ground_m,
        terminal=terminal,
        criteria=replace(criteria, **said),
        mount_height_m=given["height_m"],
        full=given["full"],
        neutralize=given["neutralize"],
    )


def _callers(given: dict[str, Any]) -> CallerColumns:
    """What is added for callers."""
    from skysill.io.answers import read_answers
    from skysill.io.caller_columns import CallerColumns

    path = given["answers_path"]
    answers = None if path is None else read_answers(path)
    return CallerColumns(_call_day(given), answers, given["survey_order"])


def _call_day(given: dict[str, Any]) -> CallDay | None:
    """The day on which callers are asked; None where no questions are wanted."""
    import datetime as dt

    for name, option in (("day", "--date"), ("zone", "--zone")):
        if given[name] is not None and not given["questions"]:
            raise InputError("is for the questions.", where=option, mend="Give --questions too.")
    if not given["questions"]:
        return None
    from skysill.bulk.questions import CallDay
    from skysill.io.job_options import today
    from skysill.pointing.sun_guides import local_zone

    try:
        zone = local_zone(given["zone"])
    except InputError as fault:
        raise InputError(fault.what, where="--zone", mend=fault.mend) from fault
    day = given["day"] or today()
    name = "today" if day == today() else f"on {day.isoformat()}"
    begins = dt.datetime.combine(day, dt.time(), zone).astimezone(dt.UTC)
    return CallDay(begins, zone, "UTC" if zone is dt.UTC else f"({given['zone']} time)", name)


def _roofs(given: dict[str, Any], rasters: Sequence[Raster]) -> RoofSearch:
    from skysill.bulk.roof_results import RoofSearch
    from skysill.io.mast_kits import read_mast_kits
    from skysill.io.overhead_line_files import read_overhead_lines

    path, lines_path = given["kits_path"], given["lines_path"]
    return RoofSearch(
        step_m=given["grid_step_m"],
        setback_m=given["setback_m"],
        max_height_m=given["max_height_m"],
        kits=() if path is None else read_mast_kits(path),
        lines=None if lines_path is None else read_overhead_lines(lines_path, rasters),
    )


def _position_error(text: str) -> tuple[float, str]:
    """Metres, and who says so, of an option that gives them or names a kind of address."""
    from skysill.io.text import read_number
    from skysill.model.default_errors import POSITION, default_error_of

    try:
        error_m = read_number(text)
    except ValueError:
        kind = default_error_of(POSITION, text.strip().lower(), "--position-error")
        return kind.sigma_m, (
            f"Places are taken as known to {kind.sigma_m:g} m on each axis, as of a {text.strip().lower()}; "
            "--position-error says otherwise."
        )
    if not 0.0 <= error_m <= 1000.0:
        raise InputError(
            f"{text} m is no position error.", where="--position-error", mend="Give 0 to 1000 metres."
        )
    return error_m, f"Places are taken as known to {error_m:g} m on each axis."


def _words(out: Output, made: ScreeningSummary) -> None:
    what = "roofs" if made.of_roofs else "addresses"
    out.text(
        f"{made.path}: {made.screened:,} of {made.addresses:,} {what} screened, {made.rejected:,} rejected"
    )
    if made.rejected_path:
        out.text(f"{made.rejected_path}: the rejected ones, each with its reason")
    share = max(made.screened, 1)
    out.table(
        ["verdict", what, "%"],
        [
            [name, f"{count:,}", f"{100.0 * count / share:.1f}"]
            for name, count in made.counts.items()
            if count
        ],
    )
    if len(made.best) > 1:
        out.table(["best satellite", what], [[name, f"{count:,}"] for name, count in made.best.items()])
