"""A job from its options, with or without a site file; the mount that a command is about.

Readers are imported where they are used, so that a look vector from a typed position loads none of them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

from skysill.errors import InputError
from skysill.io.job_options import JobOptions, errors_as_options, today
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site

__all__ = ["mount_notes", "mount_of", "read_job"]


def read_job(options: JobOptions, *, satellites: bool = True, without: Collection[str] = ()) -> Job:
    """The job of a site file, if there is one, with options in place of the file's values.

    Parameters
    ----------
    satellites : whether the command needs at least one
    without : sources that the command does not use: "terrain", "horizon", "obstacles"

    Raises
    ------
    InputError : naming the option, or file, table and key
    """
    with errors_as_options():
        if options.terrain_error_m and not options.terrain and "terrain" not in without:
            raise InputError("there is no --terrain it speaks of.", where="--terrain-error")
        if options.site_file is None:
            job = _without_site_file(options, without)
        else:
            from skysill.io.site_file import read_site_file

            job = read_site_file(options.site_file, options=options, without=without, default_date=today())
        date = options.date or job.sources.survey.date or today()
        job = replace(
            job,
            satellites=options.satellites(job.satellites),
            terminal=options.terminal(job.terminal),
            criteria=options.criteria(job.criteria),
            mounts=options.mounts(job.mounts),
            times_utc=options.times(),
            date=date,
            sources=_sources(options, job.sources, job.site, date),
        )
    _check(options, job, satellites)
    return job


def _without_site_file(options: JobOptions, without: Collection[str]) -> Job:
    site = options.site(None)
    rasters: Sequence[Any] = ()
    if options.terrain and "terrain" not in without:
        from skysill.io.sources import open_terrain, terrain_area, with_position_error

        around = terrain_area(site, options.satellites(()))
        rasters = open_terrain(options.terrain, options.terrain_error_m, around=around, hosts=options.hosts())
        rasters = with_position_error(rasters, site)
    job = Job(site=site, satellites=(), mounts=(), sources=Sources(rasters=tuple(rasters)))
    return replace(job, terminal=replace(job.terminal, assumed=("dish_diameter_m", "receive_ghz")))


def _sources(options: JobOptions, filed: Sources, site: Site, date: dt.date) -> Sources:
    """The sources of the site file with those of options in their place."""
    new: dict[str, Any] = {"survey": options.survey(filed.survey, date)}
    if options.highest_ground_m is not None:
        new["highest_ground_m"] = options.highest_ground_m
    if options.horizon is not None:
        from skysill.io.survey_tables import read_horizon_csv

        new["readings"] = read_horizon_csv(options.horizon)
    if options.obstacles is not None:
        from skysill.io.site_obstacles import read_scene

        new["scene"] = read_scene(
            options.obstacles, site, rasters=filed.rasters, complete=options.obstacles_complete
        )
    elif options.obstacles_complete:
        if filed.scene is None:
            where = "--obstacles-complete"
            raise InputError("no obstacles were given.", where=where, mend="Give --obstacles.")
        new["scene"] = replace(filed.scene, complete=True)
    return replace(filed, **new)


def _check(options: JobOptions, job: Job, satellites: bool) -> None:
    """Refuse options that the rasters contradict, and a job without satellites or times that it needs."""
    rasters = job.sources.rasters
    if options.ground_elevation_m is not None:
        from skysill.io.sources import refuse_implausible_elevations

        refuse_implausible_elevations(rasters, job.site, (), "")
    if options.highest_ground_m is not None:
        from skysill.io.sources import refuse_higher_ground

        refuse_higher_ground(rasters, job.site, job.satellites, options.highest_ground_m, "--highest-ground")
    if satellites and not job.satellites:
        raise InputError(
            "no satellite was named.",
            mend='Give --satellite "NAME=24.0W", or [[satellites]] in the site file.',
        )
    moving = next((satellite.name for satellite in job.satellites if satellite.orbit), None)
    if moving and not job.times_utc:
        raise InputError(f'"{moving}" moves.', where="--satellite", mend="Say when, with --time.")


def mount_of(options: JobOptions, job: Job) -> Mount:
    """The mount that a command is about: the one named by --mount, else the first.

    Raises
    ------
    InputError : no mount has that name
    """
    if options.mount_name is None:
        return job.mounts[0]
    for mount in job.mounts:
        if mount.name == options.mount_name:
            return mount
    names = ", ".join(f'"{mount.name}"' for mount in job.mounts)
    raise InputError(
        f'no mount is called "{options.mount_name}".', where="--mount", mend=f"There is {names}."
    )


def mount_notes(options: JobOptions, job: Job) -> tuple[str, ...]:
    """A note about the mount taken, where there are several and --mount does not name one."""
    if options.mount_name is not None or len(job.mounts) < 2:
        return ()
    others = ", ".join(f'"{mount.name}"' for mount in job.mounts[1:])
    return (f'The first mount, "{job.mounts[0].name}", was taken; --mount names another: {others}.',)
