"""skysill sun"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from skysill.cli.options import Output, WholeDay, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions, parse_time, today

if TYPE_CHECKING:
    from skysill.pointing.look_vector import LookVector
    from skysill.pointing.sun import SunReport

__all__ = ["sun"]


@click.command()
@shared("where", "satellites", "mount", "terrain", "terminal")
@click.option("--date", "day", type=WholeDay(), help="One day. Default: today.")
@click.option("--from", "first", type=WholeDay(), help="First day of a range.")
@click.option("--to", "last", type=WholeDay(), help="Last day of a range.")
@click.option(
    "--time", "time", metavar="TIME", help="Also the sun's place then: ISO 8601, or HH:MM on the day."
)
@click.option("--zone", metavar="ZONE", help="Time zone, as Atlantic/Azores. Default UTC.")
@click.option("--plot", metavar="FILE", help="Picture: PNG, SVG or PDF.")
@output
def sun(
    options: JobOptions,
    out: Output,
    *,
    day: dt.date | None,
    first: dt.date | None,
    last: dt.date | None,
    time: str | None,
    zone: str | None,
    plot: str | None,
) -> None:
    """When the sun stands at, or on, the satellite.

    At the satellite's azimuth a mast's shadow lies on the pointing line, and sun or shade at the dish proves
    something about the path.

    \b
    skysill sun demo_terrain/clinic.toml --satellite "Demo South" --date 2026-06-14 --zone Atlantic/Azores
    """
    _check_outputs(options, plot)
    from skysill.assessment.sun_reports import sun_reports
    from skysill.io.jobs import mount_of, read_job
    from skysill.pointing.sun_guides import local_zone

    try:
        local = local_zone(zone)
    except InputError as fault:
        raise InputError(fault.what, where="--zone", mend=fault.mend) from fault
    begin, end, one_day = _range(day, first, last, local)
    job = read_job(options, without={"horizon", "obstacles"})
    at = sun_reports(
        job,
        mount_of(options, job),
        first_utc=begin,
        last_utc=end,
        time_utc=None if time is None else _moment(time, begin, local),
        alignments_until_utc=begin + dt.timedelta(days=365) if one_day else None,
    )
    out.say(*at.notes)
    answers = list(zip(at.looks, at.reports, strict=True))
    if plot is not None:
        from skysill.io.output_files import write_whole
        from skysill.plots.sun_path import write_sun

        write_whole(
            plot,
            lambda path: write_sun(path, at.site, *answers[0], first_utc=begin, last_utc=end, zone=local),
        )
    told = [(look, _in_zone(found, local)) for look, found in answers]
    if out.json:
        out.document(_document(told))
        return
    out.text(f"{at.site.name}: sun, times in {zone or 'UTC'}")
    for number, (look, found) in enumerate(told):
        if number == 0 and found.position is not None:
            sun_at = found.position
            height = f"elevation {sun_at.elevation_deg:.2f}° ({sun_at.elevation_apparent_deg:.2f}° with refraction)"
            out.text(f"{_clock(sun_at.time)}  sun at azimuth {sun_at.azimuth_deg:.2f}°, {height}")
        _print_satellite(out, look, found)
    from skysill.assessment.cautions import sun_cautions

    out.text("\nSafety:")
    for caution in sun_cautions(at.position, [look for look, _ in told], begin, local):
        out.text(f"  - {caution.text}")
    for note in dict.fromkeys(note for _, found in told for note in found.notes):
        out.text(f"\n{note}")


def _check_outputs(options: JobOptions, plot: str | None) -> None:
    if plot is None:
        return
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs, check_pictures

    check_pictures({"--plot": plot})
    check_outputs({"--plot": plot}, inputs_of(options))


def _range(
    day: dt.date | None, first: dt.date | None, last: dt.date | None, zone: dt.tzinfo
) -> tuple[dt.datetime, dt.datetime, bool]:
    """From midnight to midnight, local, as UTC; and whether that is one day."""
    if day is not None and (first is not None or last is not None):
        raise InputError("--date and a range are both given.", where="--date", mend="Keep one of the two.")
    if last is not None and first is None:
        raise InputError("a range needs its first day.", where="--to", mend="Give --from too.")
    start = first or day or today()
    stop = start if first is None else (last or start.replace(month=12, day=31))
    if stop < start:
        raise InputError("ends before --from begins.", where="--to")
    begin = dt.datetime.combine(start, dt.time(), zone)
    end = dt.datetime.combine(stop + dt.timedelta(days=1), dt.time(), zone)
    return begin.astimezone(dt.UTC), end.astimezone(dt.UTC), start == stop


def _moment(text: str, begin: dt.datetime, zone: dt.tzinfo) -> dt.datetime:
    clock = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}))?", text.strip())
    if clock and int(clock[1]) < 24 and int(clock[2]) < 60 and int(clock[3] or 0) < 60:
        when = dt.time(int(clock[1]), int(clock[2]), int(clock[3] or 0))
        return dt.datetime.combine(begin.astimezone(zone).date(), when, zone).astimezone(dt.UTC)
    try:
        moment = parse_time(text)
        bare = dt.datetime.fromisoformat(text.strip())
    except InputError as fault:
        raise InputError(fault.what, where="--time", mend=fault.mend) from fault
    return bare.replace(tzinfo=zone).astimezone(dt.UTC) if bare.tzinfo is None else moment


def _in_zone(result: Any, zone: dt.tzinfo) -> Any:
    """The same result with every time in a zone."""
    if isinstance(result, dt.datetime):
        return result.astimezone(zone)
    if isinstance(result, tuple):
        return tuple(_in_zone(part, zone) for part in result)
    if is_dataclass(result) and not isinstance(result, type):
        return replace(
            result, **{part.name: _in_zone(getattr(result, part.name), zone) for part in fields(result)}
        )
    return result


def _document(answers: list[tuple[LookVector, SunReport]]) -> dict[str, Any]:
    """The first satellite's answer, and where there are several, each one's."""
    from skysill.io.json_text import plain_values

    each = [{"satellite": look.satellite, **plain_values(found)} for look, found in answers]
    whole = {label: each[0][label] for label in ("position", "crossings", "alignments", "satellite", "notes")}
    return whole if len(each) == 1 else {**whole, "satellites": each}


def _clock(time: dt.datetime) -> str:
    return f"{time:%Y-%m-%d %H:%M:%S}"


def _print_satellite(out: Output, look: LookVector, found: SunReport) -> None:
    azimuth = "straight up or down" if look.azimuth_deg is None else f"azimuth {look.azimuth_deg:.2f}°"
    out.text(f"\n{look.satellite}, {azimuth}, elevation {look.elevation_apparent_deg:.2f}°")
    few = len(found.crossings) <= 3
    for crossing in found.crossings:
        out.text(
            f"  {_clock(crossing.time)}  sun {crossing.sun_elevation_deg:.2f}° high at the satellite's azimuth"
        )
        if few:
            out.text(f"    {crossing.lit_means}")
    for season in found.alignments:
        days = f"{season.season_start:%Y-%m-%d} to {season.season_end:%Y-%m-%d}"
        nearest = f"nearest {_clock(season.peak_time)}, {season.separation_deg:.2f}° apart"
        out.text(f"  sun in the beam {days}, {nearest}, up to {season.longest_outage_min:.0f} minutes a day")
