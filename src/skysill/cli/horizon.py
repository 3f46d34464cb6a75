"""skysill horizon"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from skysill.cli.options import NUMBER, Number, Output, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    from skysill.horizon.silhouette import Profile
    from skysill.units import Floats

__all__ = ["horizon"]

_MOST_AZIMUTHS = 360_000


@click.command()
@shared("where", "satellites", "mount", "sources", "terminal", "criteria", "date")
@click.option("--from", "from_deg", type=NUMBER, default=0.0, help="First azimuth. Default 0.")
@click.option("--to", "to_deg", type=NUMBER, help="Last azimuth. Default: once round.")
@click.option("--step", "step_deg", type=Number(0.001, 90.0, "DEGREES"), default=1.0, help="Default 1.")
@click.option("--out", "out_file", metavar="FILE", help="Write the CSV here instead of on standard output.")
@click.option("--plot", metavar="FILE", help="Picture of the whole sky: PNG, SVG or PDF.")
@output
def horizon(
    options: JobOptions,
    out: Output,
    *,
    from_deg: float,
    to_deg: float | None,
    step_deg: float,
    out_file: str | None,
    plot: str | None,
) -> None:
    """Merged horizon profile from all sources.

    Writes CSV: for each azimuth the elevation below which the sky is obstructed, how far away that is, and who
    says so; empty where nobody looked.

    \b
    skysill horizon demo_terrain/clinic.toml --from 150 --to 210
    """
    azimuth_deg = _azimuths_deg(from_deg, to_deg, step_deg)
    _check_outputs(options, out_file, plot)
    from skysill.assessment.pipeline import horizon_profile
    from skysill.io.horizon_tables import horizon_profile_csv
    from skysill.io.jobs import mount_notes, mount_of, read_job
    from skysill.io.sources import refuse_outside

    job = read_job(options, satellites=False)
    mount = mount_of(options, job)
    refuse_outside(job)
    if job.sources.readings is None and not job.sources.rasters and job.sources.scene is None:
        raise InputError(
            "no source was given.", mend="Give --terrain, --horizon or --obstacles, or a site file."
        )
    profile, notes = horizon_profile(job, mount, azimuth_deg)
    out.say(*mount_notes(options, job), *job.notes, *notes)
    files: list[tuple[str, object]] = []
    if out_file is not None:
        files.append((out_file, horizon_profile_csv(profile)))
    if plot is not None:
        from skysill.assessment.pipeline import assess
        from skysill.plots.sky_view import write_sky_view

        seen = assess(
            replace(job, satellites=job.satellites if options.satellite else ()), mount, profile_step_deg=0.5
        )
        files.append((plot, lambda path: write_sky_view(path, seen)))
    if files:
        from skysill.io.output_files import write_together

        write_together(files)  # type: ignore[arg-type]  # text and a function, both are writings
    if out.json:
        out.document(_columns(profile))
    elif out_file is None:
        out.text(horizon_profile_csv(profile).rstrip("\n"))


def _azimuths_deg(from_deg: float, to_deg: float | None, step_deg: float) -> Floats:
    """Evenly spaced azimuths, clockwise from the first, through north if need be."""
    import numpy as np

    if to_deg is None:
        count = math.ceil(360.0 / step_deg - 1e-9)
    else:
        turn_deg = (to_deg - from_deg) % 360.0
        if turn_deg == 0.0 and to_deg != from_deg:
            turn_deg = 360.0 - step_deg
        count = math.floor(turn_deg / step_deg + 1e-9) + 1
    if count > _MOST_AZIMUTHS:
        raise InputError(f"{count} azimuths are too many.", where="--step", mend="Take a wider step.")
    return np.asarray(from_deg % 360.0 + step_deg * np.arange(count))


def _check_outputs(options: JobOptions, out_file: str | None, plot: str | None) -> None:
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs, check_pictures

    check_pictures({"--plot": plot})
    check_outputs({"--out": out_file, "--plot": plot}, inputs_of(options))


def _columns(profile: Profile) -> dict[str, object]:
    azimuths = [round(float(azimuth), 9) % 360.0 for azimuth in profile.azimuth_deg]
    return {
        "azimuth_deg": azimuths,
        "elevation_deg": profile.elevation_deg,
        "distance_m": profile.distance_m,
        "source": [source or None for source in profile.source],
    }
