"""Buildings, roof, trees and ground of a typed place, found in the sources that the server was started with."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from skysill.errors import InputError
from skysill.geodesy.positions import parse_position
from skysill.io.job_options import JobOptions, today
from skysill.io.jobs import read_job
from skysill.io.property_folder import PICTURE, write_property
from skysill.io.property_sources import (
    lowest_elevation_deg,
    made_from,
    property_from,
    reach_for,
    sort_sources,
)
from skysill.io.sources import open_terrain, terrain_area
from skysill.model.site import Site
from skysill.web.answers import field_of
from skysill.web.new_places import place_text
from skysill.web.state import AppState
from skysill.web.tasks import Progress

__all__ = ["find_property"]

_STEPS = 4


def find_property(state: AppState, given: dict[str, Any]) -> Callable[[Progress], Any]:
    """The work of `skysill property` for a typed place; its result names the new site.

    Parameters
    ----------
    given : as for `place_text`, with "name"

    Raises
    ------
    InputError : the server has no sources; a wrong position or satellite; no name
    """
    title = field_of(given, "name", str, "").strip()
    if not title:
        raise InputError("is missing.", where="name", mend="Give the site a name.")
    if not state.property_sources:
        raise InputError("this server has no sources.", mend="Start it with --property-from SOURCE.")
    text = place_text(state, {**given, "height_m": None})
    job = read_job(
        JobOptions(site_file=str(state.store.folder / "new-place.toml"), site_text=text),
        without=("terrain", "horizon", "obstacles"),
    )
    here = parse_position(field_of(given, "position", str, ""))
    named = sort_sources(state.property_sources)
    satellites = job.satellites

    def work(progress: Progress) -> Any:
        from skysill.plots.property_map import write_property_map

        folder = state.store.folder / state.store.name_for(title)
        lowest_deg = lowest_elevation_deg(here.latitude_deg, here.longitude_deg, satellites)
        reach_m = reach_for(lowest_deg)
        asked = made_from(named, here.latitude_deg, here.longitude_deg, satellites, title, reach_m)
        progress(1, _STEPS)
        around = terrain_area(Site(title, here.latitude_deg, here.longitude_deg), satellites)
        terrain = open_terrain(named.rasters, around=around, hosts=state.options.hosts())
        progress(2, _STEPS)
        found = property_from(
            named,
            latitude_deg=here.latitude_deg,
            longitude_deg=here.longitude_deg,
            least_elevation_deg=lowest_deg,
            name=title,
            reach_m=reach_m,
            terrain=terrain,
            today=today(),
        )
        progress(3, _STEPS)
        written = write_property(
            folder,
            found,
            satellites=[
                (one.name, f"{one.longitude_deg:.10g}") for one in satellites if one.longitude_deg is not None
            ],
            far=named.far_terrain(folder, terrain),
            highest_ground_m=_highest_ground_m(state, job.sources.highest_ground_m),
            made_from=asked,
        )
        write_property_map(folder / PICTURE, found, written.features)
        return {"name": f"{folder.name}~site", "missing": list(found.missing), "notes": list(found.notes)}

    return work


def _highest_ground_m(state: AppState, known_m: float) -> float | None:
    from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M

    return None if known_m >= HIGHEST_GROUND_ON_EARTH_M else known_m
