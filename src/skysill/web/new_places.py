"""A place without a site file: judged as the site file would be that it can become."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.geodesy.positions import parse_longitude, parse_position
from skysill.io.elevation.source_names import is_template, is_web_address
from skysill.io.job_options import JobOptions
from skysill.io.site_edits import new_site_text, site_values
from skysill.io.site_store import NEW_FILE, StoredSite
from skysill.io.sources import split_kind
from skysill.io.survey_tables import read_satellites
from skysill.web.answers import field_of
from skysill.web.state import AppState

__all__ = ["as_started", "new_site", "options_of_place", "place_text"]

_SHARED = ("terminal", "satellites", "terrain", "criteria", "mast_kits")
_DRAFT_NAME = "new-place"
_COMMENT = "Made in the browser. Nothing near was surveyed yet: a verdict can be clear only once it was."


def as_started(state: AppState) -> dict[str, Any]:
    """What the command line said, as values of a site file in the store's folder."""
    options = state.options
    values: dict[str, Any] = {}
    if options.satellite:
        values["satellites"] = [
            {"name": one.name, "longitude": one.longitude_deg}
            for text in options.satellite
            for one in read_satellites(text)
            if one.longitude_deg is not None
        ]
    terminal: dict[str, Any] = {"dish_diameter_m": options.dish_diameter_m}
    if options.frequency_ghz:
        low, high = min(options.frequency_ghz), max(options.frequency_ghz)
        terminal |= {"receive_ghz": low, "transmit_ghz": high if high > low else None}
    if options.receive_only:
        terminal["receive_only"] = True
    values["terminal"] = {key: value for key, value in terminal.items() if value is not None}
    if options.terrain:
        split = [split_kind(text) for text in options.terrain]
        values["terrain"] = {
            "rasters": [_from_folder(path, state.store.folder) for path, _ in split],
            "kinds": [kind for _, kind in split],
        }
        if options.terrain_error_m:
            errors_m = list(options.terrain_error_m)
            values["terrain"]["vertical_error_m"] = errors_m[0] if len(errors_m) == 1 else errors_m
        if options.highest_ground_m is not None:
            values["terrain"]["highest_ground_m"] = options.highest_ground_m
    names = ("fresnel_fraction", "assumed_distance_m", "years_ahead", "min_p_clear", "refraction_factor")
    criteria = {name: getattr(options, name) for name in names if getattr(options, name) is not None}
    values["criteria"] = criteria
    return {key: value for key, value in values.items() if value}


def _from_folder(path: str, folder: Path) -> str:
    """A path as a site file in the folder names it."""
    if is_web_address(path) or is_template(path):
        return path
    absolute = os.path.abspath(path)
    return os.path.relpath(absolute, folder) if Path(absolute).is_relative_to(folder) else absolute


def _like(state: AppState, name: str) -> dict[str, Any]:
    """Terminal, satellites, rasters and criteria of a site, as values of a site file in the store's own folder."""
    stored = state.store.read(name)
    whole = site_values(stored.text, stored.path.name)
    values = {key: whole[key] for key in _SHARED if key in whole}
    if stored.path.parent != state.store.folder:
        below = stored.path.parent.name
        rasters = values.get("terrain", {}).get("rasters", [])
        moved = [
            path if is_web_address(path) or is_template(path) or os.path.isabs(path) else f"{below}/{path}"
            for path in rasters
        ]
        if rasters:
            values["terrain"] = {**values["terrain"], "rasters": moved}
    values["satellites"] = [one for one in values.get("satellites", []) if "orbit" not in one]
    return values


def place_text(state: AppState, given: Mapping[str, Any]) -> str:
    """The text of the site file that a typed place would have.

    Parameters
    ----------
    given : of a request: "position" in any notation; "name"; "like" (a site whose rasters, dish and satellites are
        taken, null: as the command was started); "satellites" (texts "24.0 W" or NAME=24.0W); "height_m",
        "max_height_m", "dish_diameter_m", "receive_ghz"

    Raises
    ------
    InputError : naming the field in `where`
    """
    position = field_of(given, "position", str, "").strip()
    try:
        parse_position(position)
    except InputError as fault:
        raise InputError(fault.what, where="position", mend=fault.mend) from fault
    like = field_of(given, "like", str)
    values = as_started(state) if not like else _like(state, like)
    satellites = field_of(given, "satellites", list)
    if satellites is not None:
        values["satellites"] = [_satellite(one) for one in satellites]
    if not values.get("satellites"):
        raise InputError("no satellite was named.", where="satellites", mend='Write "24.0 W" or NAME=24.0W.')
    terminal = dict(values.get("terminal", {}))
    for key in ("dish_diameter_m", "receive_ghz"):
        value = field_of(given, key, float)
        if value is not None:
            terminal[key] = value
    mount = {"name": "dish", "height_m": field_of(given, "height_m", float, 2.0)}
    most_m = field_of(given, "max_height_m", float)
    if most_m is not None:
        mount["max_height_m"] = most_m
    name = field_of(given, "name", str)
    ordered = {
        "name": (name or "").strip() or None,
        "position": position,
        "terminal": terminal or None,
        "satellites": values["satellites"],
        "mounts": [mount],
        "terrain": values.get("terrain"),
        "criteria": values.get("criteria"),
        "mast_kits": values.get("mast_kits"),
    }
    return new_site_text(ordered, f"{_DRAFT_NAME}.toml", _COMMENT)


def _satellite(text: Any) -> dict[str, Any]:
    if not isinstance(text, str) or not text.strip():
        raise InputError("is not a satellite.", where="satellites", mend='Write "24.0 W" or NAME=24.0W.')
    name, equals, longitude = text.rpartition("=")
    try:
        longitude_deg = parse_longitude(longitude)
    except InputError as fault:
        raise InputError(fault.what, where="satellites", mend=fault.mend) from fault
    return {
        "name": name.strip() if equals and name.strip() else longitude.strip(),
        "longitude": longitude_deg,
    }


def options_of_place(state: AppState, given: Mapping[str, Any]) -> JobOptions:
    """Options of a check on a typed place; its height is left out, so that a slider asks about one job.

    Raises
    ------
    InputError : as `place_text`
    """
    text = place_text(state, {**given, "height_m": None})
    return JobOptions(
        site_file=str(state.store.folder / f"{_DRAFT_NAME}.toml"),
        site_text=text,
        allow_host=state.options.allow_host,
    )


def new_site(state: AppState, given: Mapping[str, Any]) -> StoredSite:
    """Write the site file of a typed place. Raises InputError as `place_text`, and where it cannot be written."""
    title = field_of(given, "name", str, "").strip()
    if not title:
        raise InputError("is missing.", where="name", mend="Give the site a name.")
    text = place_text(state, given)
    return state.store.write(state.store.name_for(title), text, revision=NEW_FILE)
