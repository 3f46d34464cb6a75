"""What one raster file says about itself: place, how cells become metres, what is void, the vertical datum."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skysill.errors import InputError
from skysill.io.raster_checks import check_raster_file
from skysill.io.raster_open import Rectangle, check_mosaic, covered, has_gaps, opened, opened_remote
from skysill.io.text import printable

if TYPE_CHECKING:
    from skysill.io.elevation.remote_source import RemoteSource
    from skysill.io.elevation.vertical_datums import VerticalDatum

__all__ = [
    "RasterHead",
    "TerrainSource",
    "datum_of",
    "head_from_plain",
    "plain_head",
    "read_head",
    "read_remote_head",
]

_FOOT_M, _US_FOOT_M = 0.3048, 1200.0 / 3937.0
_UNIT_M = {
    **dict.fromkeys(("", "none", "unknown", "m", "meter", "metre", "meters", "metres"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "international foot"), _FOOT_M),
    **dict.fromkeys(
        ("us-ft", "ftus", "us survey foot", "foot_us", "us survey feet", "us_survey_foot"), _US_FOOT_M
    ),
    **dict.fromkeys(("dm", "decimetre", "decimeter"), 0.1),
    **dict.fromkeys(("cm", "centimetre", "centimeter"), 0.01),
    **dict.fromkeys(("mm", "millimetre", "millimeter"), 0.001),
}
"""Vertical units in metres; the international foot is 0.3048 m and the US survey foot 1200/3937 m by definition."""

_LEAST_SCALE, _MOST_SCALE, _MOST_OFFSET = (
    1e-4,
    10.0,
    33_000.0,
)  # feet or millimetres in 16 bits, from any zero


@dataclass(frozen=True, slots=True)
class RasterHead:
    """What one file says about itself.

    transform : of cell centres, as in `skysill.horizon.lattice.Grid`
    unit_m, scale, offset : metres = (cell * scale + offset) * unit_m
    masked : a mask says where nothing is; gaps : blocks may never have been written, and no value for voids is declared
    files : the file, and everything it is read from; none for a file on the web
    covered : of a mosaic that declares no value for gaps: the cells of its files
    attribution : what its copyright tag says
    remote : of a file on the web, how it is read
    table : of a GeoPackage
    """

    path: str
    crs: str
    transform: tuple[float, float, float, float, float, float]
    rows: int
    cols: int
    unit_m: float
    scale: float
    offset: float
    nodata: float | None
    masked: bool
    driver: str
    files: tuple[str, ...]
    gaps: bool
    covered: tuple[Rectangle, ...] | None
    notes: tuple[str, ...]
    attribution: str = ""
    remote: RemoteSource | None = None
    table: str = ""


@dataclass(frozen=True, slots=True)
class TerrainSource:
    """The files of one source, and what there is to say about all of them."""

    name: str
    heads: tuple[RasterHead, ...]
    notes: tuple[str, ...] = ()


def datum_of(crs: str, where: str) -> VerticalDatum | None:
    """The vertical datum that a raster's CRS names, None where it names none; most do not, and load nothing for it.

    Raises
    ------
    InputError : the vertical axis counts downwards
    """
    if not re.search(r"VERT|ellipsoidal height|,up[,\]]", crs, re.IGNORECASE):
        return None
    from skysill.io.elevation.vertical_datums import vertical_datum

    return vertical_datum(crs, where)


def plain_head(head: RasterHead) -> dict[str, Any]:
    """A head of a file of this machine, JSON-ready."""
    return {field.name: getattr(head, field.name) for field in fields(head) if field.name != "remote"}


def head_from_plain(plain: Mapping[str, Any]) -> RasterHead:
    """The head that `plain_head` gave, from JSON."""
    said = dict(plain)
    for key in ("transform", "files", "notes"):
        said[key] = tuple(said[key])
    if said["covered"] is not None:
        said["covered"] = tuple(tuple(one) for one in said["covered"])
    return RasterHead(**said)


def read_head(path: Path) -> RasterHead:
    """The head of a file of this machine.

    Raises
    ------
    InputError : missing, no raster that is read here, no CRS or place, no unit of length that is known, damaged
    """
    where = str(path)
    file = check_raster_file(path)
    if file.mosaic is not None:
        check_mosaic(file.mosaic, where)
    if file.table:
        where = where.removesuffix(f":{file.table}")
    with opened(where, file.driver, file.table) as source:
        if file.table and source.tags().get("ZOOM_LEVEL") != str(file.zoom):
            raise InputError("is damaged: its finest tiles are not described.", where=where,
                             mend="Save it as GeoTIFF.")  # fmt: skip
        return _head(
            source, where, Path(where).name, table=file.table,
            driver=file.driver, files=file.files, gaps=has_gaps(source, file.driver),
            covered=covered(file.mosaic, source.width, source.height),
        )  # fmt: skip


def read_remote_head(remote: RemoteSource) -> RasterHead:
    """The head of a GeoTIFF on the web; later reads are of the version found now.

    Raises
    ------
    MissingError : the server has no such file
    InputError : as `read_head`; the host is not allowed, the server's answer is wrong
    """
    where = remote.address.shown
    with opened_remote(remote) as (source, file):
        return _head(
            source, where, remote.address.name, driver="GTiff", files=(), gaps=source.nodata is None,
            covered=None, remote=replace(remote, version=file.version, fetched=file.fetched),
        )  # fmt: skip


def _head(source: Any, where: str, name: str, **more: Any) -> RasterHead:
    _check_place(source, where)
    notes = []
    if source.count > 1:
        notes.append(f"{name} has {source.count} bands; the first is taken as elevation.")
    unit_m, unit_notes = _vertical_unit_m(source, name, where)
    scale, offset = _scale_and_offset(source, where)
    at = source.transform
    transform = (at.a, at.b, at.c + (at.a + at.b) / 2, at.d, at.e, at.f + (at.d + at.e) / 2)
    crs = source.crs.to_wkt()
    datum_of(crs, where)  # refuses depths
    return RasterHead(
        path=where, crs=crs, transform=transform, rows=source.height, cols=source.width, unit_m=unit_m, scale=scale,
        offset=offset, nodata=None if source.nodata is None else float(source.nodata),
        masked="per_dataset" in {flag.name for flag in source.mask_flag_enums[0]},
        notes=(*notes, *unit_notes), attribution=_copyright(source),
        **more,
    )  # fmt: skip


def _check_place(source: Any, where: str) -> None:
    if "OVERVIEW_FILE" in source.tags(ns="OVERVIEWS"):
        raise InputError("keeps its overviews in another file, whose name it gives.", where=where,
                         mend="Write it out as a GeoTIFF of its own.")  # fmt: skip
    if source.subdatasets:
        raise InputError(f"the file holds {len(source.subdatasets)} rasters.", where=where,
                         mend="Save the one with the elevations by itself.")  # fmt: skip
    if source.count == 0 or np.dtype(source.dtypes[0]).kind not in "iuf":
        raise InputError(
            "it holds no band of elevations.",
            where=where,
            mend="Name the raster inside it, or another file.",
        )
    if source.crs is None:
        raise InputError("the raster has no coordinate reference system.", where=where,
                         mend='Assign one, for example with "gdal_edit.py -a_srs EPSG:32627 FILE".')  # fmt: skip
    if not (source.crs.is_geographic or source.crs.is_projected):
        raise InputError("its coordinate reference system does not lie on the Earth.", where=where,
                         mend="Assign the projection the data are in.")  # fmt: skip
    if source.transform.is_identity:
        raise InputError(
            "the raster does not say where it lies.",
            where=where,
            mend="Give it a geotransform or a world file.",
        )
    a, b, _, d, e, _ = tuple(source.transform)[:6]
    if not np.isfinite(tuple(source.transform)[:6]).all() or a * e - b * d == 0.0:
        raise InputError("its cells have no size.", where=where, mend="Correct its geotransform.")


def _scale_and_offset(source: Any, where: str) -> tuple[float, float]:
    """Metres or feet of one unit of the cells, and what is added: within what heights on Earth are written with."""
    scale, offset = float(source.scales[0]), float(source.offsets[0])
    if not _LEAST_SCALE <= scale <= _MOST_SCALE:
        raise InputError(f"its heights have the scale {scale:g}, which no raster of heights has.",
                         where=f"{where}, scale", mend="Correct the band's scale.")  # fmt: skip
    if not abs(offset) <= _MOST_OFFSET:
        raise InputError(f"its heights have the offset {offset:g}, which no raster of heights has.",
                         where=f"{where}, offset", mend="Correct the band's offset.")  # fmt: skip
    return scale, offset


def _vertical_unit_m(source: Any, name: str, where: str) -> tuple[float, list[str]]:
    """Metres in one unit of height: from the band's unit, else from the vertical part of the CRS, else 1."""
    from pyproj import CRS

    said = (source.units[0] or "").strip()
    if said.lower() not in _UNIT_M:
        raise InputError(f'its heights are in "{said}", which is no unit of length known here.', where=where,
                         mend="Convert it to metres, or correct the band's unit.")  # fmt: skip
    if said.lower() not in ("", "none", "unknown"):
        return _UNIT_M[said.lower()], _unit_note(name, _UNIT_M[said.lower()], said)
    crs = CRS.from_wkt(source.crs.to_wkt())
    vertical = [part for part in (crs.sub_crs_list if crs.is_compound else [crs]) if part.is_vertical]
    axes = vertical[-1].axis_info if vertical else [] if crs.is_compound else crs.axis_info[2:]
    if axes:
        unit_m = float(axes[0].unit_conversion_factor)
        return unit_m, _unit_note(name, unit_m, axes[0].unit_name)
    if crs.is_projected and abs(crs.axis_info[0].unit_conversion_factor - 1.0) > 0.01:
        return 1.0, [f"{name} is laid out in {crs.axis_info[0].unit_name} but names no unit for its heights; "
                     "they are taken as metres."]  # fmt: skip
    return 1.0, []


def _unit_note(name: str, unit_m: float, said: str) -> list[str]:
    return [] if unit_m == 1.0 else [f'{name}: heights are in "{printable(said)}", read as {unit_m:.6g} m.']


def _copyright(source: Any) -> str:
    """The copyright tag of a TIFF (TIFF 6.0, tag 33432), where it holds more than a word or two of padding."""
    said = re.sub(r"\s+", " ", printable(str(source.tags().get("TIFFTAG_COPYRIGHT", "")))).strip()
    return said[:500]
