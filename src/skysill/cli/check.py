"""skysill check"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skysill.cli.options import Output, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    from skysill.assessment.cautions import Caution
    from skysill.assessment.results import Assessment, SatelliteResult
    from skysill.assessment.verdicts_by_year import YearVerdict

__all__ = ["check"]

_VERDICTS = ["clear", "needs-survey", "marginal", "unknown", "blocked"]
_ROUND_STEP_DEG = 0.5


class _Years(click.ParamType):  # type: ignore[type-arg]  # generic only since click 8.3
    """Years from now, separated by commas."""

    name = "years"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        return "YEARS,..."

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        if isinstance(value, tuple):
            return value
        try:
            years = tuple(sorted({float(part) for part in str(value).split(",")}))
        except ValueError:
            self.fail(f'"{value}" is no list of years. Write 0,2,5,10.', param, ctx)
        if not all(0.0 <= year <= 100.0 for year in years):
            self.fail("years run from 0 to 100.", param, ctx)
        return years


@click.command()
@shared("where", "satellites", "mount", "sources", "terminal", "criteria", "date", "times")
@click.option("--years", type=_Years(), help="Also the verdicts after so much growth: 0,2,5,10.")
@click.option("--sky-view", metavar="FILE", help="Picture of the whole sky: PNG, SVG or PDF.")
@click.option("--path-profile", metavar="FILE", help="Picture of ground, ray and Fresnel zone.")
@click.option("--strip", metavar="FILE", help="Picture of the sky around one satellite.")
@click.option("--picture-of", metavar="NAME", help="The satellite of these two. Default: the first.")
@click.option("--require", type=click.Choice(_VERDICTS), help="Exit 3 unless this is every verdict.")
@output
def check(
    options: JobOptions,
    out: Output,
    *,
    years: tuple[float, ...] | None,
    sky_view: str | None,
    path_profile: str | None,
    strip: str | None,
    picture_of: str | None,
    require: str | None,
) -> int:
    """Verdict per satellite for one mount.

    \b
    skysill check demo_terrain/clinic.toml --satellite "Demo South" --sky-view sky.svg
    """
    pictures = {"--sky-view": sky_view, "--path-profile": path_profile, "--strip": strip}
    wanted = {option: path for option, path in pictures.items() if path is not None}
    _check_outputs(options, wanted)
    from skysill.assessment.assessment_cautions import assessment_cautions
    from skysill.assessment.job_context import JobContext
    from skysill.assessment.pipeline import assess
    from skysill.assessment.verdicts_by_year import verdicts_by_year
    from skysill.io.jobs import mount_notes, mount_of, read_job
    from skysill.io.sources import refuse_outside
    from skysill.remedies.search import with_remedies

    job = read_job(options)
    mount = mount_of(options, job)
    refuse_outside(job)
    job = replace(job, notes=(*job.notes, *mount_notes(options, job)))
    if picture_of is not None and picture_of not in [satellite.name for satellite in job.satellites]:
        raise InputError(f'no satellite is called "{picture_of}".', where="--picture-of")
    round_deg = _ROUND_STEP_DEG if sky_view is not None else None
    context = JobContext()
    found = assess(job, mount, profile_step_deg=round_deg, paths=path_profile is not None, context=context)
    found = with_remedies(job, mount, found, context=context)
    ahead = verdicts_by_year(job, mount, years or ())
    safety = assessment_cautions(job, mount, found)
    _draw(wanted, found, picture_of)
    if out.json:
        from skysill.io.json_text import plain_values

        more = {"years": plain_values(ahead)} if years else {}
        out.document({**plain_values(found), **more, "cautions": plain_values(safety)})
    else:
        from skysill.siting.allowed_heights import allowed_heights_by_satellite

        allowed = allowed_heights_by_satellite(job, mount, found)
        _print_results(out, found, ahead, allowed=allowed, safety=safety)
    missed = require is not None and any(result.verdict != require for result in found.results)
    return 3 if missed else 0


def _check_outputs(options: JobOptions, pictures: dict[str, str]) -> None:
    """Refuse outputs that cannot be written, before anything is computed."""
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs, check_pictures

    check_pictures(pictures)
    check_outputs(pictures, inputs_of(options))


def _draw(pictures: dict[str, str], found: Assessment, picture_of: str | None) -> None:
    if not pictures:
        return
    from skysill.io.output_files import write_together

    writers: dict[str, Callable[[Path], object]] = {}
    if "--sky-view" in pictures:
        from skysill.plots.sky_view import write_sky_view

        writers["--sky-view"] = lambda path: write_sky_view(path, found)
    if "--path-profile" in pictures:
        from skysill.plots.path_profile import write_path_profile

        writers["--path-profile"] = lambda path: write_path_profile(path, found, picture_of)
    if "--strip" in pictures:
        from skysill.plots.strip import write_strip

        writers["--strip"] = lambda path: write_strip(path, found, picture_of)
    write_together([(pictures[option], writers[option]) for option in pictures])


# --- text output ---------------------------------------------------------------------------------------------


def _print_results(
    out: Output,
    found: Assessment,
    ahead: Sequence[YearVerdict],
    *,
    allowed: dict[str, str],
    safety: Sequence[Caution],
) -> None:
    mount = found.mount
    where = f"{found.site.name}, {mount.name}, dish {mount.height_m:g} m above its surface"
    dish = f"{found.terminal.dish_diameter_m:g} m dish, {found.terminal.lowest_ghz:g} GHz"
    out.text(f"{where}; {dish}")
    for result in found.results:
        out.text()
        for line in _result_lines(result):
            out.text(line)
        if result.satellite.name in allowed:
            out.text(f"  allowed   {allowed[result.satellite.name]}")
        _print_years(out, [row for row in ahead if row.satellite == result.satellite.name])
    out.text("\nSafety:")
    for caution in safety:
        out.text(f"  - {caution.text}")
    if found.warnings:
        out.text("\nMind:")
        for warning in found.warnings:
            out.text(f"  - {warning}")


def _result_lines(result: SatelliteResult) -> list[str]:
    lines = [f"{result.satellite.name}: {result.verdict.upper()}"]
    lines += [f"  {reason}" for reason in result.reasons]
    lines.append(f"  look      {_look(result)}")
    below = result.horizon
    if below.elevation_deg is not None:
        lines.append(
            f"  horizon   {below.elevation_deg:.2f}° straight below it{_away(below.distance_m)}, {below.source}"
        )
    room = result.clearance
    if room.controlling is not None and room.margin_deg is not None:
        controlling, reasons = room.controlling, " ".join(result.reasons)
        assumed = ", assumed" if controlling.distance_assumed else ""
        of_zone = f"{_ratio(room.fresnel_ratio)} of the first Fresnel radius"
        if f"{room.clearance_m or 0.0:.2f} m of room where" in reasons:  # the reasons say it already
            lines.append(
                f"  controls  {controlling.name} ({controlling.kind}, {controlling.source}), {of_zone}"
            )
        else:
            what = f"{controlling.name} ({controlling.kind}, {controlling.source})"
            lines.append(f"  controls  {what}{_away(controlling.distance_m)}{assumed}")
            lines.append(
                f"  room      {_metres(room.clearance_m)} where {_metres(room.required_m)} is required; margin "
                f"{room.margin_deg:.2f}°, {of_zone}"
            )
        if room.blocked_fraction is not None and room.blocked_fraction >= 0.005:
            lines.append(f"  blocked   {room.blocked_fraction:.0%} of the dish, loss {_db(room.loss_db)}")
    if result.foliage is not None:
        leaves = result.foliage
        lines.append(
            f"  foliage   {leaves.path_m:.1f} m through {_listed(leaves.trees)}: {leaves.in_leaf_loss_db:.0f} dB in "
            f"leaf, {leaves.bare_loss_db:.0f} dB bare at {leaves.frequency_ghz:g} GHz; it counts as opaque"
        )
    later = result.later
    repeated = "" if later is None else f"{later.clearance_m or 0.0:.2f} m of room where"
    if later is not None and later.margin_deg is not None and repeated not in " ".join(result.reasons):
        lines.append(
            f"  growth    leaves {_metres(later.clearance_m)} where {_metres(later.required_m)} is required"
        )
    if result.p_clear is not None and not any("probability" in reason for reason in result.reasons):
        lines.append(f"  certainty {_percent(result.p_clear)} that the required room is there")
    if result.track is not None:
        track = result.track
        lines.append(
            f"  track     clear at {track.share_clear:.0%} of {len(track.time_utc)} times; the worst is told here"
        )
    lines += [f"  remedy    {remedy.text}" for remedy in result.remedies]
    if result.searched:
        lines.append(f"  remedy    {result.searched}")
    return lines


def _look(result: SatelliteResult) -> str:
    look = result.look
    if look.azimuth_deg is None:
        return f"straight up or down, elevation {look.elevation_deg:.2f}°"
    magnetic = "" if look.bearing_magnetic_deg is None else f" ({look.bearing_magnetic_deg:.2f}° magnetic)"
    when = f" at {look.time_utc}" if look.time_utc else ""
    return f"azimuth {look.azimuth_deg:.2f}°{magnetic}, elevation {look.elevation_apparent_deg:.2f}°{when}"


def _away(distance_m: float | None) -> str:
    if distance_m is None:
        return ""
    return f", {distance_m / 1000.0:.2f} km away" if distance_m >= 1000.0 else f", {distance_m:.1f} m away"


def _metres(value_m: float | None) -> str:
    return "-" if value_m is None else f"{value_m:.2f} m" if abs(value_m) < 100.0 else f"{value_m:.0f} m"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _ratio(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _percent(share: float) -> str:
    return "over 99%" if share > 0.99 else "under 1%" if share < 0.01 else f"{share:.0%}"


def _db(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} dB"


def _print_years(out: Output, rows: Sequence[YearVerdict]) -> None:
    if not rows:
        return
    told = ", ".join(f"{row.years_ahead:g} years {row.verdict}" for row in rows)
    lost = next((row.years_ahead for row in rows if row.verdict != "clear"), None)
    began = rows[0].verdict == "clear"
    end = f"; clear stops by year {lost:g}" if began and lost is not None else ""
    out.text(f"  years     {told}{end}")
