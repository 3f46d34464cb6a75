"""Raster files looked at before a library opens them: known formats only, nothing from elsewhere, nothing cut short.

A virtual raster (VRT) is taken as a mosaic of files that lie in its own folder; whatever else such a description can do
(programs, addresses of other machines, raw bytes of any file) is refused.
"""

from __future__ import annotations

import mmap
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.geopackage import GEOPACKAGE_MARK, check_coverage, split_table
from skysill.io.text import check_file, quoted, read_bytes, refuse_remote

__all__ = ["DRIVERS", "TIFF_MARKS", "Mosaic", "RasterFile", "Source", "check_raster_file"]

DRIVERS = {
    "GTiff": "GeoTIFF",
    "VRT": "VRT",
    "SRTMHGT": "SRTM .hgt",
    "HFA": "Erdas .img",
    "AAIGrid": "Arc/Info text grid .asc",
    "EHdr": "raw .bil or .flt with .hdr",
    "DTED": "DTED",
    "JP2OpenJPEG": "JPEG 2000",
    "GPKG": "GeoPackage with gridded coverages",
}
"""GDAL's drivers that may open a raster, and how people call what they read."""

TIFF_MARKS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""First bytes of a TIFF (TIFF 6.0, section 2) and of a BigTIFF, of either byte order."""

MOST_SOURCES = 20_000
"""Files of one virtual raster."""

_DEEPEST = 3
_MOST_TEXT_BYTES = 1_000_000_000
_MOST_VRT_BYTES = 50_000_000
_HEAD_BYTES = 4096
_STRIP_BYTES = 1 << 24
_MEND = f"Give one of: {', '.join(DRIVERS.values())}."

_VRT_PARTS = {
    "VRTDataset", "SRS", "GeoTransform", "Metadata", "MDI", "VRTRasterBand", "NoDataValue", "ColorInterp",
    "Description", "UnitType", "Offset", "Scale", "Histograms", "HistItem", "HistMin", "HistMax", "BucketCount",
    "IncludeOutOfRange", "Approximate", "HistCounts", "SimpleSource", "ComplexSource", "SourceFilename", "SourceBand",
    "SourceProperties", "SrcRect", "DstRect", "NODATA", "ScaleOffset", "ScaleRatio", "OverviewList", "BlockXSize",
    "BlockYSize", "MaskBand",
}  # fmt: skip
"""What a mosaic may be described with."""


@dataclass(frozen=True, slots=True)
class Source:
    """One file of a mosaic. nodata : values of it that the mosaic leaves out; rectangle : its cells in the mosaic."""

    path: str
    nodata: float | None
    rectangle: tuple[float, float, float, float] | None


@dataclass(frozen=True, slots=True)
class Mosaic:
    """What a virtual raster lays together in its first band. masked : a mask of its own says where nothing is."""

    sources: tuple[Source, ...]
    nodata: float | None
    masked: bool


@dataclass(frozen=True, slots=True)
class RasterFile:
    """A raster file that may be opened.

    path : absolute
    driver : the only one that may open it
    files : it, and everything it is read from, absolute
    mosaic : of a virtual raster
    table, zoom : of a GeoPackage: which one, and its finest level
    """

    path: str
    driver: str
    files: tuple[str, ...]
    mosaic: Mosaic | None = None
    table: str = ""
    zoom: int = 0


def check_raster_file(path: str | os.PathLike[str], *, depth: int = 0) -> RasterFile:
    """Look at a raster file and everything it names.

    path : FILE, or FILE:TABLE of a GeoPackage

    Raises
    ------
    InputError : missing, a device, a format that is not known here; a virtual raster that reaches out of its folder or
        is more than a mosaic; a text grid that is cut short or holds what is no number
    """
    named, wanted = split_table(path)
    place = check_file(named)
    shown = os.fspath(path)
    real = os.path.abspath(place)
    try:
        with place.open("rb") as opened:
            head = opened.read(_HEAD_BYTES)
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=shown) from fault
    driver = _driver(head, place, shown)
    if driver == "AAIGrid":
        _check_text_grid(place, shown)
    elif driver == "HFA":
        _check_hfa(place, shown)
    beside = _sidecars(place)
    if wanted is not None and driver != "GPKG":
        raise InputError(f"{quoted(wanted)} names no part of it.", where=shown, mend="Give the file alone.")
    if driver == "GPKG":
        table, zoom = check_coverage(place, wanted, os.fspath(named))
        return RasterFile(real, driver, (real, *beside), table=table, zoom=zoom)
    if driver != "VRT":
        return RasterFile(real, driver, (real, *beside))
    if depth >= _DEEPEST:
        raise InputError("virtual rasters are nested too deeply.", where=shown)
    mosaic = _mosaic(place, shown)
    files = [real, *beside]
    for name in dict.fromkeys(source.path for source in mosaic.sources):
        inner = check_raster_file(name, depth=depth + 1)
        if inner.driver in ("EHdr", "GPKG"):
            raise InputError(f"{DRIVERS[inner.driver]} may not stand in a virtual raster.", where=name,
                             mend="Save it as GeoTIFF.")  # fmt: skip
        files.extend(inner.files)
    return RasterFile(real, "VRT", tuple(dict.fromkeys(files)), mosaic)


def _driver(head: bytes, place: Path, shown: str) -> str:
    """The driver a file is for, by its first bytes, where its format has any of its own."""
    suffix = place.suffix.lower()
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if head[:4] in TIFF_MARKS:
        return "GTiff"
    if head.startswith(GEOPACKAGE_MARK):
        return "GPKG"
    if text.startswith(b"<VRTDataset"):
        return "VRT"
    if head.startswith(b"EHFA_HEADER_TAG"):
        return "HFA"
    if head.startswith((b"\0\0\0\x0cjP  \r\n\x87\n", b"\xff\x4f\xff\x51\xff\x52")):
        return "JP2OpenJPEG"
    if head.startswith((b"UHL1", b"VOL1", b"HDR1")):
        return "DTED"
    if re.match(rb"(?i)(ncols|nrows|xll(corner|center)|yll(corner|center)|dx|dy|cellsize)\s", text):
        return "AAIGrid"
    if not head:
        raise InputError("is empty.", where=shown, mend="Copy or download it again.")
    # raw cells: what no text and no other format begins with
    if suffix == ".hgt" and not 0x24 <= head[0] < 0x80:
        return "SRTMHGT"
    header = _beside(place, ".hdr")
    if suffix in (".bil", ".flt") and header is not None:
        return "EHdr"
    raise InputError(
        "is not a raster that can be read: its format is not known here.", where=shown, mend=_MEND
    )


def _beside(place: Path, suffix: str) -> Path | None:
    """The file of the same name with another suffix, as GDAL looks for it."""
    found = (place.with_suffix(one) for one in (suffix, suffix.upper()))
    return next((one for one in found if one.is_file()), None)


def _sidecars(place: Path) -> list[str]:
    """Files beside a raster that GDAL reads with it; refused where they could lead elsewhere."""
    found = []
    for end in (".aux.xml", ".msk", ".MSK", ".ovr", ".OVR"):
        side = place.with_name(place.name + end)
        if not side.exists():
            continue
        check_file(side)
        if end == ".aux.xml":
            text = read_bytes(side, most_bytes=_MOST_VRT_BYTES)
            if re.search(rb"OVERVIEW_FILE|/vsi|<!DOCTYPE|<!ENTITY|://[^<]*</MDI>", text):
                raise InputError("names other files.", where=str(side), mend="Take it away, or mend it.")
            try:
                ET.fromstring(text)
            except (ET.ParseError, ValueError, LookupError):  # the library would pass it over without a word
                raise InputError(
                    "is damaged.", where=str(side), mend="Take it away, or copy it again."
                ) from None
        else:
            with side.open("rb") as opened:
                if opened.read(4) not in TIFF_MARKS:
                    raise InputError("is no TIFF, as masks and overviews are.", where=str(side))
        found.append(os.path.abspath(side))
    for suffix in (".hdr", ".prj", ".tfw", ".wld", ".blw", ".stx", ".clr"):
        beside = _beside(place, suffix)
        if beside is not None:
            found.append(os.path.abspath(beside))
    return found


# --- virtual rasters ------------------------------------------------------------------------------------------------


def _mosaic(place: Path, shown: str) -> Mosaic:
    raw = read_bytes(place, most_bytes=_MOST_VRT_BYTES)
    if re.search(rb"<!(DOCTYPE|ENTITY)", raw, re.IGNORECASE):
        raise InputError("holds a document type declaration.", where=shown, mend="Remove it.")
    try:
        root = ET.fromstring(raw)
    except (ET.ParseError, ValueError, LookupError) as fault:
        raise InputError(f"is not a whole VRT ({fault}).", where=shown, mend="Copy it again.") from None
    for part in root.iter():
        kind = part.get("subClass")
        if part.tag not in _VRT_PARTS or kind not in (None, "VRTSourcedRasterBand"):
            raise InputError(
                f"is more than a mosaic: {quoted(kind or part.tag)} is not read here.",
                where=shown,
                mend="Write it out as a GeoTIFF.",
            )
    for name in ("SRS", "GeoTransform"):
        if len(root.findall(name)) > 1:
            raise InputError(f"has {name} twice.", where=shown, mend="Make it again.")
    bands = root.findall("VRTRasterBand")
    if not bands:
        raise InputError("holds no band.", where=shown)
    band = next((one for one in bands if one.get("band") == "1"), bands[0])
    others = [one for one in root.iter("VRTRasterBand") if one is not band]
    sources = tuple(_sources(band, place, shown))
    for other in others:
        list(_sources(other, place, shown))
    masked = root.find("MaskBand") is not None or band.find("MaskBand") is not None
    return Mosaic(sources, _number(band.findtext("NoDataValue"), shown, "NoDataValue"), masked)


def _sources(band: ET.Element, place: Path, shown: str) -> Iterator[Source]:
    folder = os.path.realpath(place.parent)
    found = [part for part in band if part.tag in ("SimpleSource", "ComplexSource")]
    if len(found) > MOST_SOURCES:
        raise InputError(f"lays together more than {MOST_SOURCES:,} files.", where=shown)
    for part in found:
        tags = [child.tag for child in part]
        twice = next((tag for tag in tags if tags.count(tag) > 1), None)
        if twice is not None or ("SrcRect" in tags) != ("DstRect" in tags):
            raise InputError(f"has a source with {twice or 'SrcRect or DstRect'} {'twice' if twice else 'alone'}.",
                             where=shown, mend="Make it again.")  # fmt: skip
        named = part.find("SourceFilename")
        name = "" if named is None else (named.text or "").strip()
        refuse_remote(name)
        within = named is not None and named.get("relativeToVRT") == "1"
        path = os.path.realpath(os.path.join(folder, name) if within else name)
        if not name or os.path.commonpath([path, folder]) != folder:
            raise InputError(
                f"names a file outside its own folder: {quoted(name)}.",
                where=shown,
                mend="Put the files of a virtual raster beside it, or give them by themselves.",
            )
        target = part.find("DstRect")
        rectangle = None
        if target is not None:
            numbers = [
                _number(target.get(key), shown, "DstRect") for key in ("xOff", "yOff", "xSize", "ySize")
            ]
            if None in numbers:
                raise InputError("has a DstRect that lacks a number.", where=shown)
            x, y, wide, high = (float(number) for number in numbers if number is not None)
            rectangle = (x, y, x + wide, y + high)
        nodata = _number(part.findtext("NODATA"), shown, "NODATA") if part.tag == "ComplexSource" else None
        yield Source(path, nodata, rectangle)


def _number(text: str | None, shown: str, where: str) -> float | None:
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{quoted(text)} is not a number.", where=f"{shown}, {where}") from None


# --- formats that a library reads too trustingly --------------------------------------------------------------------


def _check_hfa(place: Path, shown: str) -> None:
    """Cells kept in another file, whose name it gives, are refused: that name may be any file's."""
    with place.open("rb") as opened, mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ) as whole:
        if whole.find(b"ExternalRasterDMS") >= 0:
            raise InputError("keeps its cells in another file.", where=shown, mend="Save it as GeoTIFF.")


_GRID_HEAD = re.compile(
    rb"(?i)\s*(ncols|nrows|xllcorner|xllcenter|yllcorner|yllcenter|cellsize|dx|dy|nodata_value|nodata)\s+(\S+)[^\S\n]*\r?\n"
)
_NOT_IN_NUMBERS = bytes(set(range(256)) - set(b"0123456789+-.eE \t\r\n"))
_NO_NUMBER = re.compile(rb"[0-9.][+-]|[+-][+\-eE\s]|\.[0-9]*\.|[eE][0-9]*[.eE]|[eE]\s|\s[eE]|[^0-9]\.[^0-9]")


def _check_text_grid(place: Path, shown: str) -> None:
    """A text grid has as many numbers as its head says, and nothing else."""
    check_file(place, most_bytes=_MOST_TEXT_BYTES)
    with place.open("rb") as opened:
        head, at = opened.read(_HEAD_BYTES), 0
        said: dict[bytes, bytes] = {}
        while (line := _GRID_HEAD.match(head, at)) is not None:
            said[line[1].lower()] = line[2]
            at = line.end()
        try:
            wanted = int(said[b"ncols"]) * int(said[b"nrows"])
        except (KeyError, ValueError):
            raise InputError("its head does not say ncols and nrows.", where=shown) from None
        opened.seek(at)
        count, rest = 0, b" "
        while True:
            strip = opened.read(_STRIP_BYTES)
            text = rest + strip
            if len(text) > len(text.translate(None, _NOT_IN_NUMBERS)):
                bad = re.search(rb"[^0-9+\-.eE \t\r\n]+", text)
                raise InputError(f"holds {quoted((bad or [b''])[0].decode('latin-1'))} among its cells.", where=shown,
                                 mend="Copy or download it again.")  # fmt: skip
            cut = len(text) if not strip else max(text.rfind(b" "), text.rfind(b"\n"), text.rfind(b"\t"), 0)
            whole, rest = text[:cut] + b" ", text[cut:]
            bad = _NO_NUMBER.search(whole)
            if bad is not None:
                around = whole[max(bad.start() - 6, 0) : bad.end() + 6].decode("latin-1")
                raise InputError(f"holds what is no number: {quoted(around)}.", where=shown,
                                 mend="Copy or download it again.")  # fmt: skip
            count += len(whole.split())
            if not strip:
                break
            if len(rest) > _HEAD_BYTES:
                raise InputError("holds what is no number.", where=shown, mend="Copy or download it again.")
    if count != wanted:
        raise InputError(f"holds {count:,} cells where its head says {wanted:,}.", where=shown,
                         mend="Copy or download it again.")  # fmt: skip
