"""Any accepted way of writing a position -> WGS 84, and back; distances and offsets on the ellipsoid.

Every notation has one reader and one writer. What could be read in two ways is refused, with a hint.
Local plan coordinates are metres east and north in the plane tangent to WGS 84 at the site's origin: a
point's plan coordinates are those of its foot on the ellipsoid. Within 20 km they differ from distances along
the ground by 33 mm at most (s**3 / (6 R**2)), within 1 km by 4 micrometres.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.geodesy.angles import NOTATION_HINT, plain_text, read_angle, read_pair, sexagesimal_deg
from skysill.geodesy.grids import (
    MGRS_TEXT,
    UTM_TEXT,
    read_mgrs,
    read_plus_code,
    read_utm,
    write_mgrs,
    write_plus_code,
    write_utm,
)
from skysill.units import WGS84_E2, WGS84_SEMI_MAJOR_M, Floats, wrap_360

__all__ = [
    "Notation",
    "Position",
    "bearing_and_distance",
    "format_position",
    "offset_position",
    "parse_longitude",
    "parse_position",
    "plan_offset",
]

Notation = Literal["decimal", "hemispheres", "dm", "dms", "iso6709", "geo", "utm", "mgrs", "pluscode"]


@dataclass(frozen=True, slots=True)
class Position:
    """A place on Earth as it was read.

    latitude_deg, longitude_deg : WGS 84, north and east positive
    height_m : as written in the text (metres above the ellipsoid in geo: and ISO 6709), else None
    notation : how it was written
    uncertainty_m : as written (geo: u), or half the diagonal of the square a grid code names, else None
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float | None = None
    notation: Notation = "decimal"
    uncertainty_m: float | None = None

    @property
    def error_m(self) -> float:
        """Standard deviation along each axis that the text leaves: 0 where it states nothing.

        Of a place anywhere in a square, half its diagonal over sqrt(6); a radius in geo: is taken as holding 95 %
        (over 2.448), which is the same within a hundredth.

        >>> round(parse_position("26VPK385346").error_m, 1)
        28.9
        """
        return 0.0 if self.uncertainty_m is None else self.uncertainty_m / math.sqrt(6.0)


# --- reading ------------------------------------------------------------------


def parse_position(text: str) -> Position:
    """The position that a text names.

    Parameters
    ----------
    text : decimal degrees, hemisphere letters before or after, degrees-minutes(-seconds) with quotes, primes or d m s,
        ISO 6709 strings (2008, annex H), geo: URIs (RFC 5870), UTM, MGRS (centre of the square) or full Plus Codes
        (centre of the cell). "27N" in UTM is zone 27, northern hemisphere; any other band letter is checked against
        the latitude.

    Returns
    -------
    Position, WGS 84 degrees, north and east positive

    Raises
    ------
    InputError : the text is ambiguous, out of range or not a position; the message says how to mend it

    >>> parse_position("58.0312 N 24.6541 W")
    Position(latitude_deg=58.0312, longitude_deg=-24.6541, height_m=None, notation='hemispheres', ...)
    >>> parse_position("-24.6541, 158.0312").longitude_deg
    158.0312
    """
    plain = plain_text(text)
    if not plain:
        raise InputError("no position is given.", mend=NOTATION_HINT)
    if re.search(r"(?i)(?<![a-z])(nan|[-+]?inf(inity)?)(?![a-z])", plain):
        raise InputError(f'"{text}" is not a position: it has no finite number.', mend=NOTATION_HINT)
    if plain[:4].lower() == "geo:":
        return _read_geo(plain)
    if re.fullmatch(r"[+-]\d[\d.]*[+-]\d.*", plain):
        return _read_iso6709(plain)
    if re.match(r"[A-Za-z0-9]+\+", plain) or re.fullmatch(r"\+\d*[CFGHJMPQRVX][\dA-Z]*", plain.upper()):
        latitude, longitude, uncertainty_m = read_plus_code(plain)
        return _placed(latitude, longitude, plain, "pluscode", uncertainty_m=uncertainty_m)
    if UTM_TEXT.fullmatch(plain):
        return _placed(*read_utm(plain), plain, "utm")
    if MGRS_TEXT.fullmatch(plain.upper()):
        latitude, longitude, uncertainty_m = read_mgrs(plain)
        return _placed(latitude, longitude, plain, "mgrs", uncertainty_m=uncertainty_m)
    if re.fullmatch(r"\d{1,2}\s*[C-HJ-NP-Xc-hj-np-x]", plain) and plain[-1].upper() not in "NSEW":
        raise InputError(f'"{text}" names a whole grid zone, not a place.', mend="Add easting and northing.")
    return _read_degrees(plain)


def parse_longitude(text: str) -> float:
    """East longitude, degrees, of a satellite or a place.

    >>> parse_longitude("24.5W"), parse_longitude("-24.5"), parse_longitude("24°30'W")
    (-24.5, -24.5, -24.5)
    """
    plain = plain_text(text)
    mend = 'Write "24.0W" or "-24.0".'
    if not plain:
        raise InputError("no longitude is given.", mend=mend)
    angle = read_angle(plain, mend)
    if angle.hemisphere in ("N", "S"):
        raise InputError(f'"{text}" is a latitude, and a longitude is wanted.', mend=mend)
    if angle.parts > 1 and not angle.hemisphere and not angle.signed:
        raise InputError(f'"{text}" does not say east or west: missing hemisphere?', mend=mend)
    _check_longitude(angle.degrees, text)
    return angle.degrees


def _check_longitude(degrees: float, text: str) -> None:
    if abs(degrees) > 180.0:
        turned = (degrees + 180.0) % 360.0 - 180.0
        raise InputError(
            f'"{text}" is out of range: longitudes run from -180 to 180.',
            mend=f"Write {turned:.10g}." if abs(degrees) <= 360.0 else None,
        )


def _placed(
    latitude_deg: float,
    longitude_deg: float,
    text: str,
    notation: Notation,
    *,
    height_m: float | None = None,
    uncertainty_m: float | None = None,
) -> Position:
    if abs(latitude_deg) > 90.0:
        swapped = abs(latitude_deg) <= 180.0 and abs(longitude_deg) <= 90.0 and notation != "hemispheres"
        raise InputError(
            f'"{text}" is out of range: latitudes run from -90 to 90.',
            mend="Are latitude and longitude swapped?" if swapped else None,
        )
    _check_longitude(longitude_deg, text)
    return Position(latitude_deg + 0.0, longitude_deg + 0.0, height_m, notation, uncertainty_m)


def _read_degrees(plain: str) -> Position:
    first, second = read_pair(plain)
    notations: tuple[Notation, ...] = ("hemispheres" if first.hemisphere else "decimal", "dm", "dms")
    return _placed(first.degrees, second.degrees, plain, notations[max(first.parts, second.parts) - 1])


def _read_iso6709(plain: str) -> Position:
    """ISO 6709:2008, annex H: +DD.D, +DDMM.M or +DDMMSS.S, longitude a digit more, height, CRS, solidus."""
    match = re.fullmatch(
        r"([+-])(\d+)(\.\d+)?([+-])(\d+)(\.\d+)?([+-]\d+(?:\.\d+)?)?(?:CRS([^/]*))?/?", plain, re.IGNORECASE
    )
    mend = 'Write "+58.0312-024.6541/" (two digits of latitude degrees, three of longitude).'
    if match is None:
        raise InputError(f'"{plain}" is not an ISO 6709 position.', mend=mend)
    sign_a, digits_a, tail_a, sign_b, digits_b, tail_b, height, crs = match.groups()
    if len(digits_a) not in (2, 4, 6) or len(digits_b) not in (3, 5, 7):
        raise InputError(f'"{plain}" has the wrong number of digits for an ISO 6709 position.', mend=mend)
    if crs is not None and crs.upper() != "WGS_84":
        raise InputError(f'"{plain}" is not in WGS 84.', mend="Give the position in WGS 84 (CRSWGS_84).")
    sizes = []
    for digits, tail, width in ((digits_a, tail_a, 2), (digits_b, tail_b, 3)):
        values = [digits[:width], *(digits[i : i + 2] for i in range(width, len(digits), 2))]
        sizes.append(sexagesimal_deg([*values[:-1], values[-1] + (tail or "")], plain))
    latitude, longitude = (-s if sign == "-" else s for s, sign in zip(sizes, (sign_a, sign_b), strict=True))
    return _placed(latitude, longitude, plain, "iso6709", height_m=None if height is None else float(height))


def _read_geo(plain: str) -> Position:
    """RFC 5870 (2010), section 3.3: geo:lat,lon[,alt][;crs=wgs84][;u=metres]; at a pole longitude is 0."""
    place, *parameters = plain[4:].split(";")
    numbers = place.split(",")
    mend = 'Write "geo:58.0312,-24.6541".'
    if len(numbers) not in (2, 3) or not all(re.fullmatch(r"-?\d+(\.\d+)?", n) for n in numbers):
        raise InputError(f'"{plain}" is not a geo URI.', mend=mend)
    named = dict(p.lower().partition("=")[::2] for p in parameters)
    if named.get("crs", "wgs84") != "wgs84":
        raise InputError(f'"{plain}" is not in WGS 84.', mend="Give the position in WGS 84 (crs=wgs84).")
    if "u" in named and not re.fullmatch(r"\d+(\.\d+)?", named["u"]):
        raise InputError(f'"{plain}": the uncertainty u is not a number of metres.', mend=mend)
    latitude, longitude, *height = map(float, numbers)
    if abs(latitude) == 90.0 and abs(longitude) <= 180.0:
        longitude = 0.0
    return _placed(
        latitude,
        longitude,
        plain,
        "geo",
        height_m=height[0] if height else None,
        uncertainty_m=float(named["u"]) if "u" in named else None,
    )


# --- writing ------------------------------------------------------------------


def format_position(
    latitude_deg: float,
    longitude_deg: float,
    *,
    notation: Notation = "decimal",
    height_m: float | None = None,
    digits: int | None = None,
) -> str:
    r"""A position written in a notation, fine enough to come back within 5 cm (grid codes: within the square).

    Parameters
    ----------
    latitude_deg, longitude_deg : WGS 84, north and east positive
    notation : "decimal", "hemispheres", "dm" (degrees and minutes), "dms", "iso6709", "geo", "utm", "mgrs" or
        "pluscode"
    height_m : written where the notation has a place for it: geo: and ISO 6709 (with its CRS, as annex H asks)
    digits : for grid codes only: of an MGRS easting (0 to 5, default 5), or of a Plus Code (4, 6, 8 or 10 to 15,
        default 11)

    Returns
    -------
    text that `parse_position` reads

    Raises
    ------
    InputError : a place that the notation cannot name, a number of digits that it does not have

    >>> format_position(58.0312, -24.6541, notation="dms")
    '58°01\'52.320"N 24°39\'14.760"W'
    >>> format_position(58.0312, -24.6541, notation="iso6709")
    '+58.0312000-024.6541000/'
    """
    if notation not in get_args(Notation):
        raise InputError(
            f'"{notation}" is not a notation.', mend=f"Choose from {', '.join(get_args(Notation))}."
        )
    if not (math.isfinite(latitude_deg) and math.isfinite(longitude_deg)):
        raise InputError("a position that is not a number cannot be written.")
    _placed(latitude_deg, longitude_deg, f"{latitude_deg}, {longitude_deg}", "decimal")
    lat, lon = round(latitude_deg, 7) + 0.0, round(longitude_deg, 7) + 0.0
    match notation:
        case "decimal":
            return f"{lat:.7f}, {lon:.7f}"
        case "hemispheres":
            return f"{abs(lat):.7f} {'S' if lat < 0 else 'N'} {abs(lon):.7f} {'W' if lon < 0 else 'E'}"
        case "dm" | "dms":
            return f"{_sixties(latitude_deg, 'NS', notation)} {_sixties(longitude_deg, 'EW', notation)}"
        case "iso6709":
            height = "" if height_m is None else f"{height_m:+.2f}CRSWGS_84"
            return f"{lat:+011.7f}{lon:+012.7f}{height}/"
        case "geo":
            return f"geo:{lat:.7f},{lon:.7f}" + ("" if height_m is None else f",{height_m:.2f}")
        case "utm":
            return write_utm(latitude_deg, longitude_deg)
        case "mgrs":
            return write_mgrs(latitude_deg, longitude_deg, 5 if digits is None else digits)
        case "pluscode":
            return write_plus_code(latitude_deg, longitude_deg, 11 if digits is None else digits)


def _sixties(degrees: float, letters: str, notation: Literal["dm", "dms"]) -> str:
    width = 2 if letters == "NS" else 3 if abs(degrees) >= 100 else 2
    letter = letters[1] if degrees < 0 else letters[0]
    if notation == "dm":
        whole, minutes = divmod(round(abs(degrees) * 60.0 * 1e5), 60 * 10**5)
        return f"{whole:0{width}d}°{minutes / 1e5:08.5f}'{letter}"
    minutes, seconds = divmod(round(abs(degrees) * 3600.0 * 1e3), 60 * 10**3)
    return f"{minutes // 60:0{width}d}°{minutes % 60:02d}'{seconds / 1e3:06.3f}\"{letter}"


# --- distances and offsets ----------------------------------------------------


def _frame(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Point on the ellipsoid (..., 3) and axes (..., 3, 3; rows east, north, up), Earth-fixed metres."""
    lat_rad, lon_rad = np.broadcast_arrays(np.deg2rad(latitude_deg), np.deg2rad(longitude_deg))
    sin_lat, cos_lat, sin_lon, cos_lon = np.sin(lat_rad), np.cos(lat_rad), np.sin(lon_rad), np.cos(lon_rad)
    zero = np.zeros_like(sin_lat)
    east = np.stack([-sin_lon, cos_lon, zero], axis=-1)
    north = np.stack([-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat], axis=-1)
    up = np.stack([cos_lat * cos_lon, cos_lat * sin_lon, sin_lat], axis=-1)
    prime_vertical_m = WGS84_SEMI_MAJOR_M / np.sqrt(1.0 - WGS84_E2 * sin_lat**2)
    foot = prime_vertical_m[..., None] * up * np.array([1.0, 1.0, 1.0 - WGS84_E2])
    return foot, np.stack([east, north, up], axis=-2)


def offset_position(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, east_m: ArrayLike, north_m: ArrayLike
) -> tuple[Floats, Floats]:
    """Latitude and longitude, degrees, of plan offsets from an origin; all broadcast.

    The point of the tangent plane at the origin is projected along the origin's vertical to the ellipsoid (the
    nearer root of a quadratic), where latitude is atan2(z, (1 - e2) p). Exact inverse of plan_offset; nan beyond the
    Earth's limb.

    >>> lat, lon = offset_position(58.0312, -24.6541, 0.0, 1000.0)
    >>> round(float(lat), 6), round(float(lon), 6)
    (58.040178, -24.6541)
    """
    foot, axes = _frame(latitude_deg, longitude_deg)
    east, north = (np.asarray(v, dtype=np.float64)[..., None] for v in (east_m, north_m))
    start = foot + east * axes[..., 0, :] + north * axes[..., 1, :]
    up = axes[..., 2, :]
    squash = np.array([1.0, 1.0, 1.0 / (1.0 - WGS84_E2)])
    a = np.sum(up * up * squash, axis=-1)
    b = np.sum(start * up * squash, axis=-1)
    c = np.sum(start * start * squash, axis=-1) - WGS84_SEMI_MAJOR_M**2
    with np.errstate(invalid="ignore"):  # beyond the Earth's limb there is no such point: nan
        drop_m = -c / (b + np.sqrt(b * b - a * c))
    x, y, z = np.moveaxis(start + drop_m[..., None] * up, -1, 0)
    latitude = np.rad2deg(np.arctan2(z, (1.0 - WGS84_E2) * np.hypot(x, y)))
    return np.asarray(latitude), np.asarray(np.rad2deg(np.arctan2(y, x)))


def plan_offset(
    origin_latitude_deg: ArrayLike,
    origin_longitude_deg: ArrayLike,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
) -> tuple[Floats, Floats]:
    """Plan coordinates east, north in metres of places seen from an origin; all broadcast.

    >>> east, north = plan_offset(58.0312, -24.6541, 58.0402, -24.6541)
    >>> round(float(north), 2)
    1002.4
    """
    foot, axes = _frame(origin_latitude_deg, origin_longitude_deg)
    there, _ = _frame(latitude_deg, longitude_deg)
    local = np.einsum("...ij,...j->...i", axes[..., :2, :], there - foot)
    return local[..., 0], local[..., 1]


def bearing_and_distance(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, to_latitude_deg: ArrayLike, to_longitude_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """True bearing, degrees, and distance, metres, along the geodesic of WGS 84; all broadcast.

    C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013), as in pyproj. The bearing is nan where
    both places are the same.

    >>> bearing, distance = bearing_and_distance(58.0312, -24.6541, 58.0375, -24.6480)
    >>> round(float(bearing), 2), round(float(distance), 1)
    (27.18, 788.8)
    """
    from pyproj import Geod

    columns = (longitude_deg, latitude_deg, to_longitude_deg, to_latitude_deg)
    lon, lat, to_lon, to_lat = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in columns))
    forward, _, distance = Geod(ellps="WGS84").inv(lon.ravel(), lat.ravel(), to_lon.ravel(), to_lat.ravel())
    shape = lon.shape
    distance_m = np.asarray(distance, dtype=np.float64).reshape(shape)
    bearing_deg = wrap_360(np.asarray(forward, dtype=np.float64).reshape(shape))
    return np.where(distance_m > 0.0, bearing_deg, np.nan), distance_m
