"""skysill look"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from skysill.cli.options import Output, output, shared
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    from skysill.model.site import Mount, Site
    from skysill.pointing.look_vector import LookVector

__all__ = ["look"]


@click.command()
@shared("where", "satellites", "mount", "terrain", "date", "times", mount_height_m=0.0)
@click.option(
    "--polarization", is_flag=True, default=False, help="Show the feed's tilt, for linear polarisation."
)
@output
def look(options: JobOptions, out: Output, polarization: bool) -> None:
    """Look vector from a place to each satellite.

    \b
    skysill look --at "58.0312 N 24.6541 W" --satellite "Demo South=24.0W"
    """
    from skysill.assessment.look_vectors import look_vectors
    from skysill.io.jobs import mount_notes, mount_of, read_job

    job = read_job(options, without={"horizon", "obstacles", "terrain"})
    if _asks_terrain(job.site, mount_of(options, job)):  # opening rasters takes longer than all the rest
        job = read_job(options, without={"horizon", "obstacles"})
    mount = mount_of(options, job)
    found = look_vectors(job, mount)
    out.say(*mount_notes(options, job), *found.notes)
    if out.json:
        out.document(found)
        return
    out.text(_heading(found.site, mount.name if len(job.mounts) > 1 else None, mount.height_m))
    _table(out, found.look, tilt=polarization or job.terminal.polarization == "linear")


def _asks_terrain(site: Site, mount: Mount) -> bool:
    """Whether the dish's elevation is not given and has to be looked up."""
    given = mount.surface_elevation_m is not None or mount.surface_height_m is not None
    return site.ground_elevation_m is None or not (given or mount.east_m == mount.north_m == 0.0)


def _heading(site: Site, mount: str | None, height_m: float) -> str:
    from skysill.geodesy.positions import format_position

    where = format_position(site.latitude_deg, site.longitude_deg, notation="hemispheres")
    ground = f"ground {site.ground_elevation_m:.1f} m ({site.ground_source})"
    dish = f"dish {height_m:g} m above its surface" + (f', "{mount}"' if mount else "")
    return f"{site.name}: {where}, {ground}, {dish}"


def _table(out: Output, looks: Sequence[LookVector], *, tilt: bool) -> None:
    timed = any(look.time_utc for look in looks)
    heads = ["satellite", "azimuth", "magnetic", "elevation", "apparent", "distance km"]
    heads = [*heads, *(["tilt"] if tilt else []), *(["time"] if timed else []), ""]
    rows = []
    for look in looks:
        row = [look.satellite, _two(look.azimuth_deg), _two(look.bearing_magnetic_deg)]
        row += [
            _two(look.elevation_deg),
            _two(look.elevation_apparent_deg),
            f"{look.slant_range_m / 1000.0:.1f}",
        ]
        row += [_two(look.polarization_tilt_deg)] if tilt else []
        row += [look.time_utc or ""] if timed else []
        rows.append([*row, "" if look.visible else "below the horizon"])
    out.table(heads, rows)


def _two(angle_deg: float | None) -> str:
    return "-" if angle_deg is None else f"{angle_deg:.2f}"
