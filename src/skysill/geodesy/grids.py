"""Grid codes: UTM, MGRS and Plus Codes, read and written. Each library is loaded when it is needed."""

from __future__ import annotations

import math
import re
import warnings

from skysill.errors import InputError
from skysill.geodesy.angles import NOTATION_HINT
from skysill.geodesy.plus_codes import (
    decode_plus_code,
    encode_plus_code,
    is_full_plus_code,
    is_short_plus_code,
)
from skysill.units import WGS84_SEMI_MAJOR_M

__all__ = [
    "MGRS_TEXT",
    "UTM_TEXT",
    "read_mgrs",
    "read_plus_code",
    "read_utm",
    "write_mgrs",
    "write_plus_code",
    "write_utm",
]

_BANDS = "CDEFGHJKLMNPQRSTUVWX"  # 8 degrees each from 80 S; X has 12

UTM_TEXT = re.compile(
    r"(?:UTM\s+)?(?:zone\s+)?(?P<zone>\d{1,2})\s*(?P<letter>north|south|[A-Z])[\s,;]+"
    r"(?P<easting>\d{5,7}(?:[.,]\d+)?)\s*(?:m?\s*E)?(?:\s*[,;]\s*|\s+)(?P<northing>\d{1,8}(?:[.,]\d+)?)\s*(?:m?\s*N)?",
    re.IGNORECASE,
)


def read_utm(plain: str) -> tuple[float, float]:
    """Latitude and longitude of a text that UTM_TEXT matches (NGA.STND.0037, from memory).

    N and S are hemispheres, other letters latitude bands, which are checked.
    """
    match = UTM_TEXT.fullmatch(plain)
    assert match is not None  # asked by the caller
    zone, letter = int(match["zone"]), match["letter"].upper()
    easting, northing = (float(match[key].replace(",", ".")) for key in ("easting", "northing"))
    if not 1 <= zone <= 60:
        raise InputError(f'"{plain}": there is no UTM zone {zone}.', mend="Zones run from 1 to 60.")
    if len(letter) == 1 and letter not in _BANDS:
        raise InputError(
            f'"{plain}": "{letter}" is no UTM hemisphere or band.', mend='Write "27N 402345 6433210".'
        )
    if not 100_000.0 <= easting <= 900_000.0:
        swapped = 100_000.0 <= northing <= 900_000.0
        raise InputError(
            f'"{plain}" is out of range: eastings run from 100000 to 900000.',
            mend="Are easting and northing swapped?" if swapped else None,
        )
    if letter == "S" and _utm_in_band(zone, easting, northing, "S"):
        raise InputError(
            f'"{plain}" can be read in more than one way: is S the hemisphere or band S (32 to 40 N)?',
            mend=f'Write "{zone} south" or "{zone} north".',
        )
    south = letter in ("S", "SOUTH") or (letter != "NORTH" and letter < "N")
    latitude, longitude = _utm_to_degrees(zone, easting, northing, south=south)
    low, high = (-80.0, 0.0) if south else (0.0, 84.0)
    if not low - 1e-6 <= latitude <= high + 1e-6:  # written to the centimetre
        raise InputError(f'"{plain}" is out of range: there is no such northing.', mend=NOTATION_HINT)
    if len(letter) == 1 and letter not in "NS" and not _in_band(latitude, letter):
        raise InputError(
            f'"{plain}" does not lie in band {letter}: its latitude would be {latitude:.2f}.',
            mend=f'Write "{zone}N" or "{zone}S" for the hemisphere, or mend the northing.',
        )
    return latitude, longitude


def _band_edges(letter: str) -> tuple[float, float]:
    low = -80.0 + 8.0 * _BANDS.index(letter)
    return low, 84.0 if letter == "X" else low + 8.0


def _in_band(latitude_deg: float, letter: str, slack_deg: float = 1e-6) -> bool:
    low, high = _band_edges(letter)
    return low - slack_deg <= latitude_deg <= high + slack_deg


def _utm_in_band(zone: int, easting_m: float, northing_m: float, letter: str) -> bool:
    return _in_band(_utm_to_degrees(zone, easting_m, northing_m, south=False)[0], letter)


def _utm_to_degrees(zone: int, easting_m: float, northing_m: float, *, south: bool) -> tuple[float, float]:
    from pyproj import Proj  # costs 0.1 s: only where UTM is read or written

    projection = Proj(proj="utm", zone=zone, south=south, ellps="WGS84")
    longitude, latitude = projection(easting_m, northing_m, inverse=True)
    return float(latitude), (float(longitude) + 180.0) % 360.0 - 180.0


MGRS_TEXT = re.compile(
    r"(?P<zone>\d{1,2}\s*[C-HJ-NP-X]|[ABYZ](?=\s*[A-Z]{2}\s*\d))\s*(?P<square>[A-HJ-NP-Z]{2})(?P<digits>[\s\d]*)",
)


def read_mgrs(plain: str) -> tuple[float, float, float]:
    """Centre of the square named, and half its diagonal in metres (NGA.STND.0037, from memory)."""
    from mgrs import MGRS
    from mgrs.core import MGRSError

    match = MGRS_TEXT.fullmatch(plain.upper())
    assert match is not None  # asked by the caller
    groups = match["digits"].split()
    digits = "".join(groups)
    mend = 'Write "26VPK3852634590": as many digits for easting as for northing, five each at most.'
    if len(groups) > 2 or len(digits) > 10 or len(digits) % 2 or len({len(g) for g in groups}) > 1:
        raise InputError(f'"{plain}" is not an MGRS position.', mend=mend)
    zone = re.sub(r"\s", "", match["zone"])
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a square that reaches over its band; checked below
            latitude, longitude = MGRS().toLatLon(zone + match["square"] + digits)
    except MGRSError as fault:
        raise InputError(f'"{plain}" names no square of MGRS.', mend=mend) from fault
    side_m = 10.0 ** (5 - len(digits) // 2)
    slack_deg = side_m / 110_000.0
    if zone[-1] in _BANDS and not _in_band(latitude, zone[-1], slack_deg):
        raise InputError(f'"{plain}" names no square of MGRS: it does not lie in band {zone[-1]}.', mend=mend)
    return latitude, longitude, side_m / math.sqrt(2.0)


def read_plus_code(plain: str) -> tuple[float, float, float]:
    """Centre of the cell that a full Plus Code (Open Location Code) names, and half its diagonal in metres."""
    code = plain.split()[0].upper()
    if is_short_plus_code(code):
        raise InputError(
            f'"{plain}" is a short Plus Code, which needs a reference place.',
            mend='Write the full code, such as "99CQ28JW+F9".',
        )
    if not is_full_plus_code(code) or code != plain.upper():
        raise InputError(f'"{plain}" is not a Plus Code.', mend='Write the full code, such as "99CQ28JW+F9".')
    south, west, north, east = decode_plus_code(code)
    latitude, longitude = (south + north) / 2.0, (west + east) / 2.0
    half_north_deg = (north - south) / 2.0
    half_east_deg = (east - west) / 2.0 * math.cos(math.radians(latitude))
    uncertainty_m = math.radians(math.hypot(half_north_deg, half_east_deg)) * WGS84_SEMI_MAJOR_M
    return latitude, longitude, uncertainty_m


def _utm_zone(latitude_deg: float, longitude_deg: float) -> int:
    """Zone, with the widened ones of south-west Norway and Svalbard (NGA.STND.0037, from memory)."""
    if 56.0 <= latitude_deg < 64.0 and 3.0 <= longitude_deg < 12.0:
        return 32
    if latitude_deg >= 72.0 and 0.0 <= longitude_deg < 42.0:
        return 31 + 2 * int((longitude_deg + 3.0) // 12.0)
    return int((longitude_deg + 180.0) // 6.0) % 60 + 1


def write_utm(latitude_deg: float, longitude_deg: float) -> str:
    """Zone, hemisphere, easting and northing to the centimetre."""
    from pyproj import Proj

    if not -80.0 <= latitude_deg <= 84.0:
        raise InputError("UTM ends at 80 S and 84 N.", mend="Write the position in degrees.")
    zone, south = _utm_zone(latitude_deg, longitude_deg), latitude_deg < 0.0
    easting, northing = Proj(proj="utm", zone=zone, south=south, ellps="WGS84")(longitude_deg, latitude_deg)
    hemisphere = "S" if south else "N"
    if south and _utm_in_band(zone, easting, northing, "S"):
        hemisphere = " south"  # "21S" could be taken for band S
    return f"{zone}{hemisphere} {easting:.2f} {northing:.2f}"


def write_mgrs(latitude_deg: float, longitude_deg: float, digits: int) -> str:
    """The square that holds a place; digits of its easting."""
    from mgrs import MGRS

    if not 0 <= digits <= 5:
        raise InputError(f"an MGRS easting of {digits} digits does not exist.", mend="Choose from 0 to 5.")
    if -4e-6 < latitude_deg < 0.0:  # the library rounds this half metre up, into a square that is not there
        latitude_deg = -4e-6
    return str(MGRS().toMGRS(latitude_deg, longitude_deg, MGRSPrecision=digits))


def write_plus_code(latitude_deg: float, longitude_deg: float, digits: int) -> str:
    """The cell that holds a place; digits of its code."""
    if digits not in (4, 6, 8, *range(10, 16)):
        raise InputError(f"a Plus Code of {digits} digits does not exist.", mend="Choose from 10 to 15.")
    return encode_plus_code(latitude_deg, longitude_deg, digits)
