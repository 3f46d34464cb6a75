"""A property found in data, written into a folder: site file, obstacles, local rasters, and what was written last.

`found.json` in the folder remembers what was written, so that a later run can tell what a person has edited since.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.errors import InputError
from skysill.extraction.found import FoundObstacle, FoundRoof
from skysill.extraction.property import FoundProperty, LocalRaster
from skysill.geodesy.positions import offset_position, plan_offset
from skysill.io.checksums import file_checksum
from skysill.io.edited_files import Feature, merge_features, merge_toml
from skysill.io.json_text import to_json_text
from skysill.io.output_files import Writing, write_together
from skysill.io.site_reference import toml_text
from skysill.model.default_errors import GROWTH_M_PER_YEAR

__all__ = ["FarTerrain", "PropertyWritten", "property_files", "site_text", "write_property"]

_MARK = "skysill property"
_VERSION = 1
_FILES = ("site.toml", "obstacles.geojson", "found.json")
_RASTERS = ("surface.tif", "bare.tif")
PICTURE = "property.png"
_SAME_WITHIN_M = 1.5
_GROWTH_SHARE = 0.3
"""Standard error of a growth rate as a share of it, as `skysill.assessment.sampling.Errors` has it."""


@dataclass(frozen=True, slots=True)
class FarTerrain:
    """A raster for the ground beyond the local ones, as [terrain] names it.

    path : absolute, or relative to the folder
    """

    path: str
    kind: str
    vertical_error_m: float | None = None


@dataclass(frozen=True, slots=True)
class PropertyWritten:
    """What was written.

    files : paths of the files written; kept : files that a person edited and that stay as they are
    differences : sentences on what the data say now and said before, or a person changed
    features : of the obstacle file as written
    """

    files: tuple[Path, ...]
    kept: tuple[Path, ...]
    differences: tuple[str, ...]
    features: Sequence[Feature] = ()


def property_files(folder: str | Path) -> tuple[Path, ...]:
    """Every file that a property's folder may get."""
    return tuple(Path(folder) / name for name in (*_FILES, *_RASTERS, PICTURE))


def write_property(
    folder: str | Path,
    found: FoundProperty,
    *,
    satellites: Sequence[tuple[str, str]] = (),
    far: Sequence[FarTerrain] = (),
    highest_ground_m: float | None = None,
    answers: Mapping[str, Any] | None = None,
    made_from: Mapping[str, Any] | None = None,
) -> PropertyWritten:
    """Write a property into its folder; edits made there since the last time stay.

    Parameters
    ----------
    answers : what a person said when asked: cable_entry, cable_limit_m, dish_diameter_m, deciduous, growth_m_per_year
    satellites : (name, longitude as text) of each satellite to be asked
    far : rasters for the ground around, after the local ones
    made_from : what was asked and of which files, for `unchanged_since`
    highest_ground_m : nothing around is higher; None: not stated

    Raises
    ------
    InputError : the folder holds files that this command did not write, or that cannot be read
    """
    place = Path(folder)
    last = _remembered(place)
    rasters, kept = _raster_writings(place, found.rasters, last)
    said = dict(answers or {})
    text = site_text(found, satellites=satellites, far=far, highest_ground_m=highest_ground_m, answers=said)
    told: list[str] = []
    site = place / "site.toml"
    if site.exists():
        try:
            merged, words = merge_toml(last.get("site", ""), site.read_text(encoding="utf-8"), text)
        except (ValueError, UnicodeDecodeError):
            raise InputError(
                "cannot be read, so what you changed in it cannot be kept.",
                where=str(site),
                mend="Correct it, or move it away; then the data are written anew.",
            ) from None
        told += [f"site.toml, {one}" for one in words]
    else:
        merged = text
    features = _features(found, said)
    path = place / "obstacles.geojson"
    if path.exists():
        written, remembered, words = merge_features(
            last.get("features", []), _standing(path), features, same=_same
        )
        told += [f"obstacles.geojson, {one}" for one in words]
    else:
        written, remembered, _ = merge_features([], [], features, same=_same)
    memory: dict[str, Any] = {
        _MARK: _VERSION,
        "position": [found.latitude_deg, found.longitude_deg],
        "site": text,
        "features": remembered,
        "sums": {**last.get("sums", {})},
        "made_from": dict(made_from or {}),
        "summary": {"missing": found.missing, "notes": found.notes},
    }
    place.mkdir(parents=True, exist_ok=True)
    writings: list[tuple[Path, Writing]] = [*rasters, (path, _collection(written)), (site, merged)]
    write_together(writings)
    for raster, _ in rasters:
        memory["sums"][raster.name] = file_checksum(raster, "").sha256
    write_together([(place / "found.json", to_json_text(memory) + "\n")])
    return PropertyWritten(tuple(p for p, _ in writings), tuple(kept), tuple(told), written)


def unchanged_since(folder: str | Path, made_from: Mapping[str, Any]) -> bool:
    """Whether the folder was made from just this, and all its files are there."""
    place = Path(folder)
    if not (place / "found.json").is_file():
        return False
    last = _remembered(place)
    there = all((place / name).is_file() for name in (*_FILES, *_RASTERS, PICTURE))
    return there and last.get("made_from") == json.loads(to_json_text(dict(made_from)))


def _remembered(place: Path) -> dict[str, Any]:
    """What was written last; nothing where the folder is new. A folder with other people's files is refused."""
    memory = place / "found.json"
    if not memory.exists():
        for name in _FILES:
            if (place / name).exists():
                raise InputError(
                    "is there already, and nothing says that this command wrote it.",
                    where=str(place / name),
                    mend="Name another folder.",
                )
        return {}
    try:
        last = json.loads(memory.read_text(encoding="utf-8"))
        if last[_MARK] != _VERSION or not isinstance(last["site"], str):
            raise ValueError
        return dict(last)
    except (ValueError, KeyError, TypeError):
        raise InputError(
            "does not say what was written last.", where=str(memory), mend="Name another folder."
        ) from None


def _standing(path: Path) -> list[Feature]:
    """Features of the obstacle file as it stands."""
    try:
        features = json.loads(path.read_text(encoding="utf-8"))["features"]
        return [
            {**feature, "geometry": feature["geometry"], "properties": feature.get("properties") or {}}
            for feature in features
        ]
    except (ValueError, KeyError, TypeError):
        raise InputError(
            "cannot be read, so what you changed in it cannot be kept.",
            where=str(path),
            mend="Correct it, or move it away; then the data are written anew.",
        ) from None


def _raster_writings(
    place: Path, rasters: Sequence[LocalRaster], last: dict[str, Any]
) -> tuple[list[tuple[Path, Writing]], list[Path]]:
    """Rasters to write, and those that somebody changed since, which stay."""
    wanted: list[tuple[Path, Writing]] = []
    kept = []
    sums = last.get("sums", {})
    for raster in rasters:
        path = place / raster.file_name
        if path.exists() and sums.get(path.name) != file_checksum(path, "").sha256:
            kept.append(path)
            continue
        wanted.append((path, _tiff(raster)))
    return wanted, kept


def _tiff(raster: LocalRaster) -> Any:
    def fill(path: Path) -> None:
        from skysill.horizon.lattice import Grid
        from skysill.io.rasters import write_geotiff

        values: NDArray[np.float32] = raster.values
        write_geotiff(path, values, like=Grid(values, raster.transform, raster.crs), tags=dict(raster.tags))

    return fill


# --- obstacles -----------------------------------------------------------------------------------------------------


def _features(found: FoundProperty, answers: Mapping[str, Any]) -> list[Feature]:
    """Everything found, nearest first, as GeoJSON features with ids."""
    here = found.latitude_deg, found.longitude_deg
    things = sorted(found.obstacles(), key=_nearest_m)
    stems = [_stem(thing) for thing in things]
    counted: dict[str, int] = {}
    features = []
    for thing, stem in zip(things, stems, strict=True):
        counted[stem] = counted.get(stem, 0) + 1
        alone = stems.count(stem) == 1 and stem != thing.properties["kind"]
        feature = _feature(thing, stem if alone else f"{stem} {counted[stem]}", here)
        kind = feature["properties"]["kind"]
        if kind in GROWTH_M_PER_YEAR:
            growth_m = float(answers.get("growth_m_per_year", GROWTH_M_PER_YEAR[kind].usual_m))
            feature["properties"] = _grown(feature["properties"], growth_m, found.age_years)
        if kind == "tree" and "deciduous" in answers:
            feature["properties"]["deciduous"] = answers["deciduous"]
        features.append(feature)
    return features


def _grown(said: Mapping[str, Any], growth_m_per_year: float, age_years: float | None) -> dict[str, Any]:
    """A plant as it stands today: its height with the growth since the survey, and the error of that growth."""
    made = {**said, "growth_m_per_year": said.get("growth_m_per_year", growth_m_per_year)}
    gain_m = made["growth_m_per_year"] * (age_years or 0.0)
    if gain_m and "height_m" in made:
        made["height_m"] = round(made["height_m"] + gain_m, 2)
        error_m = math.hypot(made.get("height_error_m", 0.0), _GROWTH_SHARE * gain_m)
        made["height_error_m"] = round(error_m, 2)
    return made


def _stem(thing: FoundObstacle) -> str:
    """The name of a thing without a number; its kind where it has no name of its own."""
    kind, name = str(thing.properties["kind"]), str(thing.properties["name"])
    return kind if name.startswith(f"{kind},") else re.sub(r" \d+$", "", name)


def _nearest_m(thing: FoundObstacle) -> float:
    return min(math.hypot(point[0], point[1]) for point in thing.points_m)


def _feature(thing: FoundObstacle, name: str, here: tuple[float, float]) -> Feature:
    def degrees(point: tuple[float, ...]) -> list[float]:
        latitude_deg, longitude_deg = offset_position(*here, point[0], point[1])
        return [
            round(float(longitude_deg), 8),
            round(float(latitude_deg), 8),
            *(round(one, 2) for one in point[2:]),
        ]

    line = [degrees(point) for point in thing.points_m]
    match thing.shape:
        case "point":
            geometry: dict[str, Any] = {"type": "Point", "coordinates": line[0]}
        case "line":
            geometry = {"type": "LineString", "coordinates": line}
        case "area":
            holes = [[degrees(point) for point in ring] for ring in thing.holes_m]
            rings = [ring + ring[:1] for ring in (line, *holes)]
            geometry = {"type": "Polygon", "coordinates": rings}
    return {
        "type": "Feature",
        "id": name,
        "properties": {**thing.properties, "name": name},
        "geometry": geometry,
    }


def _corners(feature: Feature) -> NDArray[np.float64]:
    coordinates = feature["geometry"]["coordinates"]
    while not isinstance(coordinates[0], int | float) and not isinstance(coordinates[0][0], int | float):
        coordinates = coordinates[0]
    points = [coordinates] if isinstance(coordinates[0], int | float) else coordinates
    return np.array([point[:2] for point in points], dtype=np.float64)


def _same(last: Feature, new: Feature) -> bool:
    """Whether two features are one thing: the same kind, and their middles within a metre and a half or their size."""
    if last["properties"].get("kind") != new["properties"].get("kind"):
        return False
    if last["geometry"]["type"] != new["geometry"]["type"]:
        return False
    a, b = _corners(last), _corners(new)
    old_m, new_m = (np.column_stack(plan_offset(a[0, 1], a[0, 0], one[:, 1], one[:, 0])) for one in (a, b))
    size_m = float(np.hypot(*np.ptp(old_m, axis=0)))
    radius_m = float(last["properties"].get("crown_radius_m", 0.0))
    away_m = float(np.hypot(*(old_m.mean(axis=0) - new_m.mean(axis=0))))
    return away_m <= max(_SAME_WITHIN_M, 0.2 * size_m, 0.5 * radius_m)


def _collection(features: Sequence[Feature]) -> str:
    rows = ",\n".join(json.dumps(feature, ensure_ascii=False) for feature in features)
    return f'{{"type": "FeatureCollection", "features": [\n{rows}\n]}}\n'


# --- the site file -------------------------------------------------------------------------------------------------


def site_text(
    found: FoundProperty,
    *,
    satellites: Sequence[tuple[str, str]] = (),
    far: Sequence[FarTerrain] = (),
    highest_ground_m: float | None = None,
    answers: Mapping[str, Any] | None = None,
) -> str:
    """The site file of a property: complete, with a comment on the origin of every number."""
    rows = [
        f"# {found.name}. Made from data by `skysill property`; what you change here stays when it runs again.",
        *(f"# {note}" for note in found.notes),
        f"name = {toml_text(found.name)}",
        f'position = "{found.latitude_deg:.7f} {found.longitude_deg:.7f}"',
    ]
    if found.ground_elevation_m is not None:
        rows.append(f"ground_elevation_m = {found.ground_elevation_m:.2f}    # {found.ground_origin}")
    said = dict(answers or {})
    rows += [
        "",
        "[terminal]                           # from its data sheet; what stands behind # is not said",
    ]
    rows += [
        _row("dish_diameter_m", said, "# dish_diameter_m = 1.2            # taken where nothing is said"),
        "# receive_ghz = 19.7               # taken where nothing is said",
        _row("cable_limit_m", said, "# cable_limit_m = 40.0             # no default"),
    ]
    for name, longitude in satellites:
        rows += [
            "",
            "[[satellites]]",
            f"name = {toml_text(name)}",
            f"longitude = {toml_text(longitude)}",
        ]
    rows += _terrain_rows(found, far, highest_ground_m)
    rows += [
        "",
        "[obstacles]",
        'file = "obstacles.geojson"',
        "complete = false                     # true only if you have looked, and nothing else stands near",
    ]
    if found.roof is not None:
        rows += _roof_rows(found.roof, said)
    return "\n".join(rows) + "\n"


def _terrain_rows(
    found: FoundProperty, far: Sequence[FarTerrain], highest_ground_m: float | None
) -> list[str]:
    named: list[tuple[str, str, float | None]] = [
        (raster.file_name, raster.kind, raster.vertical_error_m) for raster in found.rasters
    ]
    named += [(one.path, one.kind, one.vertical_error_m) for one in far]
    if not named:
        return []
    rows = ["", "[terrain]", f"rasters = {toml_text([name for name, _, _ in named])}   # finest first"]
    rows.append(f"kinds = {toml_text([kind for _, kind, _ in named])}")
    if all(error is not None for _, _, error in named):
        errors = toml_text([float(error) for _, _, error in named if error is not None])
        rows.append(f"vertical_error_m = {errors}    # standard deviations")
    if found.survey_date is not None and all(one.kind == "bare" for one in far):
        rows.append(
            f"date = {found.survey_date.isoformat()}    # of the local survey; only its surface grows"
        )
    if highest_ground_m is not None:
        rows.append(f"highest_ground_m = {highest_ground_m:.0f}")
    return rows


def _row(key: str, said: Mapping[str, Any], unsaid: str) -> str:
    return f"{key} = {toml_text(said[key])}" if key in said else unsaid


def _roof_rows(roof: FoundRoof, said: Mapping[str, Any]) -> list[str]:
    table = roof.as_site_table()
    table.pop(
        "keep_out", None
    )  # what stands off the roof is listed as obstacles; where it may not be trodden is asked
    rows = ["", "[roof]", f"# {roof.origin}", *(f"# {note}" for note in roof.notes)]
    for plane in roof.planes:
        rows.append(
            f"# plane of {plane.samples} samples, {plane.residual_rms_m:.2f} m rms about it,"
            f" {math.degrees(math.atan(math.hypot(plane.slope_east, plane.slope_north))):.0f} degrees steep"
        )
    for key, value in table.items():
        if key in ("facets", "keep_out"):
            inner = ",\n".join(f"  {toml_text(ring)}" for ring in value)
            rows.append(f"{key} = [\n{inner},\n]")
        else:
            rows.append(f"{key} = {toml_text(value)}")
    rows += [
        "edge_setback_m = 1.0",
        _row(
            "cable_entry",
            said,
            "# cable_entry = [0.0, 0.0, 0.0]    # east, north, elevation: where the cable goes in",
        ),
    ]
    return rows
