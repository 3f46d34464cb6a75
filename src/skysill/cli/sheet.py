"""skysill sheet"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from skysill.cli.options import Output, WholeDay, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions, today

if TYPE_CHECKING:
    from skysill.report.sheet import FieldSheet

__all__ = ["sheet"]


@click.command()
@shared("where", "satellites", "mount", "terrain", "survey", "obstacles", "terminal", "criteria", "date")
@click.option("--out", "path", metavar="FILE", required=True, help="The sheet: HTML or PDF, by its suffix.")
@click.option("--csv", "csv_path", metavar="FILE", help="The table to fill in. Default: beside the sheet.")
@click.option("--day", type=WholeDay(), help="Day of the visit, for the sun's shadow. Default: today.")
@click.option("--zone", metavar="ZONE", help="Time zone, as Atlantic/Azores. Default UTC.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Of a PDF. Default a4.")
@click.option("--revisit", is_flag=True, help="Only what the readings of the survey still lack.")
@output
def sheet(
    options: JobOptions,
    out: Output,
    *,
    path: str,
    csv_path: str | None,
    day: dt.date | None,
    zone: str | None,
    paper: str,
    revisit: bool,
) -> None:
    """Blank field sheet for the azimuths that need measuring, and the table to fill in.

    \b
    skysill sheet demo_terrain/farm.toml --out farm.pdf --day 2026-06-14 --zone Atlantic/Azores
    """
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs
    from skysill.io.output_files import write_together
    from skysill.io.report_formats import refuse_filled_table, report_format

    kind = report_format(path)
    table = Path(path).with_suffix(".csv") if csv_path is None else Path(csv_path)
    check_outputs({"--out": path, "--csv": str(table)}, inputs_of(options))
    if not revisit:
        refuse_filled_table(table)
    made = _made(options, day or today(), zone, revisit)
    from skysill.report.sheet import horizon_csv

    if revisit:
        refuse_filled_table(table, horizon_csv(made))

    if kind == "pdf":
        from skysill.report.sheet_pdf import sheet_pdf

        document = sheet_pdf(made, csv_name=table.name, paper=paper)
    else:
        from skysill.report.html import sheet_html

        document = sheet_html(made, csv_name=table.name).encode("utf-8")
    write_together([(path, document), (table, horizon_csv(made))])
    if out.json:
        out.document(made)
        return
    must = sum(row.need == "measure" for row in made.rows)
    if revisit:
        again = sum(row.read_deg is not None for row in made.rows)
        out.text(f"{path}: revisit, {len(made.rows) - again} azimuths to read, {again} distances to measure.")
    else:
        out.text(f"{path}: field sheet, {must} readings that decide, {len(made.rows) - must} that check.")
    out.text(f"{table}: to be filled in, azimuths from {made.bearings} north.")
    out.say(*made.notes)


def _made(options: JobOptions, day: dt.date, zone: str | None, revisit: bool) -> FieldSheet:
    from skysill.io.jobs import mount_of, read_job
    from skysill.pointing.sun_guides import local_zone
    from skysill.report.sheet import field_sheet

    try:
        local = local_zone(zone)
    except InputError as fault:
        raise InputError(fault.what, where="--zone", mend=fault.mend) from fault
    job = read_job(options)
    job = replace(job, date=options.date or day)
    start = dt.datetime.combine(day, dt.time(0), tzinfo=local).astimezone(dt.UTC)
    return field_sheet(job, mount_of(options, job), sun_after_utc=start, zone=local, revisit=revisit)
