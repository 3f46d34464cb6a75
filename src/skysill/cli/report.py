"""skysill report"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from skysill.cli.options import Number, Output, WholeDay, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions, today

if TYPE_CHECKING:
    from skysill.report.record import Record

__all__ = ["report"]


@click.command()
@shared("where", "satellites", "mount", "sources", "terminal", "criteria", "date", "times")
@click.option("--out", "path", metavar="FILE", required=True, help="The record: HTML or PDF, by its suffix.")
@click.option("--photo", "photos", metavar="FILE", multiple=True, help="A photograph. Repeatable.")
@click.option(
    "--photo-location",
    type=click.Choice(["strip", "keep"]),
    default="strip",
    help="Whether the photos' own positions are shown. Default strip: only their distance from the site.",
)
@click.option("--as-built", metavar="TOML", help="What was done, to be held against the plan.")
@click.option("--by", metavar="NAME", default="", help="Who made the record.")
@click.option(
    "--day", type=WholeDay(), help="Day of the record, from which the sun's times run. Default: today."
)
@click.option("--zone", metavar="ZONE", help="Time zone, as Atlantic/Azores. Default UTC.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Of a PDF. Default a4.")
@click.option(
    "--availability",
    type=Number(95.0, 99.99, "PERCENT"),
    default=99.7,
    help="Of the year, that the link is laid out for in rain. Default 99.7.",
)
@click.option("--since", metavar="JSON", help="An earlier record, as --json printed it: says what changed.")
@output
def report(
    options: JobOptions,
    out: Output,
    *,
    path: str,
    photos: tuple[str, ...],
    photo_location: str,
    as_built: str | None,
    by: str,
    day: dt.date | None,
    zone: str | None,
    paper: str,
    availability: float,
    since: str | None,
) -> None:
    """One self-contained survey record: verdict, pictures, pointing card, obstructions, sources, photos.

    \b
    skysill report demo_terrain/clinic.toml --out clinic.html --day 2026-06-15
    """
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs
    from skysill.io.output_files import check_writable, write_whole
    from skysill.io.report_formats import report_format

    kind = report_format(path)
    check_writable(path)
    inputs = _RecordInputs(photos, photo_location == "keep", as_built, by, availability, since)
    built = () if inputs.as_built is None else inputs.as_built.photos
    check_outputs({"--out": path}, inputs_of(options, as_built, since, *photos, *built))
    made = _made(options, inputs, day or today(), zone)
    if kind == "pdf":
        from skysill.report.record_pdf import record_pdf

        write_whole(path, record_pdf(made, paper=paper))
    else:
        from skysill.report.html import record_html

        write_whole(path, record_html(made))
    if out.json:
        out.document(made)
        return
    for one in made.satellites:
        out.text(f"{one.result.satellite.name}: {one.result.verdict}")
    if made.changes is not None:
        out.text(f"Since the record of {made.changes.since}:")
        for change in made.changes.changes or ("Nothing changed.",):
            out.text(f"  {change}")
    out.text(f"{path}: survey record of {made.assessment.site.name}, {made.assessment.mount.name}.")
    out.say(*made.notes)


class _RecordInputs:
    """Inputs of a record besides the job, read before the long work begins so that errors come at once."""

    def __init__(
        self,
        photos: tuple[str, ...],
        keep_location: bool,
        as_built: str | None,
        by: str,
        availability: float,
        since: str | None,
    ) -> None:
        from skysill.io.as_built import read_as_built
        from skysill.io.last_record import read_last_record
        from skysill.io.photos import read_photo

        self.photos = [read_photo(photo) for photo in photos]
        self.keep_location = keep_location
        self.as_built = None if as_built is None else read_as_built(as_built)
        self.built_photos = [] if self.as_built is None else [read_photo(p) for p in self.as_built.photos]
        self.by = by
        self.availability = availability
        self.last = None if since is None else read_last_record(since)


def _made(options: JobOptions, inputs: _RecordInputs, day: dt.date, zone: str | None) -> Record:
    from skysill.io.checksums import file_checksums
    from skysill.io.jobs import mount_notes, mount_of, read_job
    from skysill.pointing.sun_guides import local_zone
    from skysill.remedies.search import check
    from skysill.report.record import survey_record

    try:
        local = local_zone(zone)
    except InputError as fault:
        raise InputError(fault.what, where="--zone", mend=fault.mend) from fault
    job = read_job(options)
    mount = mount_of(options, job)
    job = replace(job, notes=(*job.notes, *mount_notes(options, job)))
    files = file_checksums(options, job.sources.rasters)
    assessment = check(job, mount, profile_step_deg=1.0, paths=True)
    return survey_record(
        job,
        mount,
        assessment,
        made=day,
        by=inputs.by,
        sun_after_utc=dt.datetime.combine(day, dt.time(0), tzinfo=local).astimezone(dt.UTC),
        zone=local,
        files=files,
        photos=inputs.photos,
        keep_location=inputs.keep_location,
        as_built=inputs.as_built,
        built_photos=inputs.built_photos,
        rain_availability_percent=inputs.availability,
        last=inputs.last,
    )
