"""skysill card"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import click

from skysill.cli.options import Number, Output, WholeDay, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions, today

if TYPE_CHECKING:
    from skysill.report.card import RoofCard

__all__ = ["card"]


@click.command()
@shared("where", "satellites", "sources", "terminal", "criteria", "date", "times")
@click.option("--out", "path", metavar="FILE", required=True, help="The card: HTML.")
@click.option(
    "--grid",
    "grid_step_m",
    type=Number(0.05, 100.0, "METRES"),
    help="Between the spots of the roof. Default: 1 m or coarser, for about 60 spots.",
)
@click.option(
    "--max-height", "max_height_m", type=Number(0.1, 200.0, "METRES"), help="Tallest mast of the search."
)
@click.option("--day", type=WholeDay(), help="Day from which the sun's times run. Default: today.")
@click.option(
    "--weeks",
    type=click.IntRange(1, 26),
    default=4,
    show_default=True,
    help="For how many weeks the sun's times are given.",
)
@click.option("--zone", metavar="ZONE", help="Time zone, as Atlantic/Azores. Default UTC.")
@output
def card(
    options: JobOptions,
    out: Output,
    *,
    path: str,
    grid_step_m: float | None,
    max_height_m: float | None,
    day: dt.date | None,
    weeks: int,
    zone: str | None,
) -> None:
    """Roof card for a phone without a network: every spot's answers, pointing, the sun's times.

    One self-contained HTML file. For each spot of the roof and each satellite it holds the verdict, the least mast,
    what controls, the cable run and the cautions; without a roof, the same for the mounts of the site file.

    \b
    skysill card demo_terrain/ferry_house.toml --out card.html --grid 2 --day 2026-06-15
    """
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs
    from skysill.io.output_files import check_writable, write_whole
    from skysill.io.report_formats import report_format

    if report_format(path) != "html":
        raise InputError("a card is written as HTML.", where=path, mend="End the name in .html.")
    check_writable(path)
    check_outputs({"--out": path}, inputs_of(options))
    made = _made(options, out, grid_step_m, max_height_m, day or today(), weeks, zone)
    from skysill.report.html import card_html

    write_whole(path, card_html(made))
    if out.json:
        out.document(made)
        return
    for number, one in enumerate(made.satellites):
        out.text(_best_line(made, number, one.satellite.name))
    places, satellites = len(made.places), len(made.satellites)
    out.text(
        f"{path}: card of {made.site.name}, {places} {'place' if places == 1 else 'places'}, "
        f"{satellites} {'satellite' if satellites == 1 else 'satellites'}."
    )
    out.say(*dict.fromkeys((*made.notes, *(note for one in made.satellites for note in one.notes))))


def _made(
    options: JobOptions,
    out: Output,
    grid_step_m: float | None,
    max_height_m: float | None,
    day: dt.date,
    weeks: int,
    zone: str | None,
) -> RoofCard:
    from skysill.io.checksums import file_checksums
    from skysill.io.jobs import read_job
    from skysill.pointing.sun_guides import local_zone
    from skysill.report.card import roof_card

    try:
        local = local_zone(zone)
    except InputError as fault:
        raise InputError(fault.what, where="--zone", mend=fault.mend) from fault
    job = read_job(options)
    files = file_checksums(options, job.sources.rasters)
    with out.progress(100, "places") as advance:
        shown = 0

        def progress(done: int, of: int) -> None:
            nonlocal shown
            advance(100 * done // of - shown)
            shown = 100 * done // of

        return roof_card(
            job,
            made=day,
            weeks=weeks,
            zone=local,
            grid_step_m=grid_step_m,
            max_height_m=max_height_m,
            files=files,
            progress=progress,
        )


def _best_line(made: RoofCard, number: int, satellite: str) -> str:
    best = made.satellites[number].best
    if not best:
        return f"{satellite}: no mast may stand at any place"
    place = made.places[best[0]]
    answer = place.answers[number]
    return f"{satellite}: {place.name}, mast {answer.height_m:.2f} m: {answer.verdict}"
