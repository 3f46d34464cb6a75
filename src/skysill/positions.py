"""Any accepted way of writing a position -> WGS 84, and back; distances and offsets on the ellipsoid.

Every notation has one reader and one writer. What could be read in two ways is refused, with a hint.
Local plan coordinates are metres east and north in the plane tangent to WGS 84 at the site's origin: a
point's plan coordinates are those of its foot on the ellipsoid. Within 20 km they differ from distances along
the ground by 33 mm at most (s**3 / (6 R**2)), within 1 km by 4 micrometres.
"""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
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

_WAYS = 'Write it as "58.0312, -24.6541" or "58.0312 N 24.6541 W".'
_BANDS = "CDEFGHJKLMNPQRSTUVWX"  # 8 degrees each from 80 S; X has 12


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


# --- reading ------------------------------------------------------------------


def parse_position(text: str) -> Position:
    """The position a text names.

    Accepts decimal degrees, hemisphere letters before or after, degrees-minutes(-seconds) with quotes, primes
    or d m s, ISO 6709 strings (2008, annex H), geo: URIs (RFC 5870), UTM, MGRS (centre of the square) and
    full Plus Codes (centre of the cell). "27N" in UTM is zone 27, northern hemisphere; any other band letter
    is checked against the latitude.

    Raises
    ------
    InputError : the text is ambiguous, out of range or not a position; it says how to mend it

    >>> parse_position("58.0312 N 24.6541 W")
    Position(latitude_deg=58.0312, longitude_deg=-24.6541, height_m=None, notation='hemispheres', ...)
    >>> parse_position("-24.6541, 158.0312").longitude_deg
    158.0312
    """
    plain = _plain(text)
    if not plain:
        raise InputError("no position is given.", mend=_WAYS)
    if re.search(r"(?i)(?<![a-z])(nan|[-+]?inf(inity)?)(?![a-z])", plain):
        raise InputError(f'"{text}" is not a position: it has no finite number.', mend=_WAYS)
    if plain[:4].lower() == "geo:":
        return _read_geo(plain)
    if re.fullmatch(r"[+-]\d[\d.]*[+-]\d.*", plain):
        return _read_iso6709(plain)
    if re.match(r"[A-Za-z0-9]+\+", plain) or re.fullmatch(r"\+\d*[CFGHJMPQRVX][\dA-Z]*", plain.upper()):
        return _read_plus_code(plain)
    if _UTM.fullmatch(plain):
        return _read_utm(plain)
    if _MGRS.fullmatch(plain.upper()):
        return _read_mgrs(plain)
    if re.fullmatch(r"\d{1,2}\s*[C-HJ-NP-Xc-hj-np-x]", plain) and plain[-1].upper() not in "NSEW":
        raise InputError(f'"{text}" names a whole grid zone, not a place.', mend="Add easting and northing.")
    return _read_angles(plain)


def parse_longitude(text: str) -> float:
    """East longitude, degrees, of a satellite or a place.

    >>> parse_longitude("24.5W"), parse_longitude("-24.5"), parse_longitude("24°30'W")
    (-24.5, -24.5, -24.5)
    """
    plain = _plain(text)
    mend = 'Write "24.5W" or "-24.5".'
    if not plain:
        raise InputError("no longitude is given.", mend=mend)
    if "." not in plain:
        plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    angle = _angle(_tokens(plain, mend), text, mend)
    if angle.hemisphere in ("N", "S"):
        raise InputError(f'"{text}" is a latitude, and a longitude is wanted.', mend=mend)
    if angle.parts > 1 and not angle.hemisphere and not angle.signed:
        raise InputError(f'"{text}" does not say east or west: missing hemisphere?', mend=mend)
    _check_longitude(angle.degrees, text)
    return angle.degrees


_LOOKALIKES = str.maketrans(
    {"−": "-", "–": "-", "‐": "-", "‑": "-", "º": "°", "˚": "°"}
    | dict.fromkeys("′’‘ʹ´ʼ`", "'")
    | dict.fromkeys("″“”ʺ„", '"')
    | dict.fromkeys("\u00a0\u2009\u202f\u2007\t\n\r", " ")
)


def _plain(text: str) -> str:
    return re.sub(r"'\s?'", '"', text.translate(_LOOKALIKES)).strip()


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


# --- angles: decimal, hemispheres, degrees-minutes-seconds --------------------

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d*)?|\.\d+)"
    r"|(?P<word>degrees?|deg|minutes?|min|seconds?|sec|north|south|east|west|[dmsnew])(?![a-z])"
    r"|(?P<sign>[+-])|(?P<mark>[°'\"])|(?P<gap>[,;]))",
    re.IGNORECASE,
)
_MARKS = {"°": 0, "d": 0, "'": 1, "m": 1, '"': 2}


@dataclass(frozen=True, slots=True)
class _Token:
    kind: Literal["number", "mark", "hemisphere", "sign", "gap"]
    text: str


@dataclass(frozen=True, slots=True)
class _Angle:
    degrees: float
    hemisphere: str
    signed: bool
    parts: int


def _tokens(plain: str, mend: str) -> list[_Token]:
    """Numbers, marks, hemispheres, signs and gaps, in order; s after a third number is seconds."""
    found: list[_Token] = []
    at, since_break = 0, 0
    # letters touch the number after or before them: "58d01m52s", "N58"
    spaced = re.sub(r"(?<=[A-Za-z])(?=[\d.])", " ", plain)
    spaced = re.sub(r"(?i)(?<=[dms])(?=[nsew](?![a-z]))", " ", spaced)
    while at < len(spaced.rstrip()):
        match = _TOKEN.match(spaced, at)
        if match is None:
            raise InputError(f'"{plain}" is not understood at "{spaced[at:].strip()}".', mend=mend)
        at = match.end()
        kind, text = str(match.lastgroup), match.group().strip()
        if kind == "number":
            since_break += 1
        elif kind == "word":
            follows = re.match(r"(?i)\s*[ns](?![a-z])", spaced[at:])
            after_third = since_break == 3 and found[-1].kind == "number"
            seconds = text.lower().startswith("sec") or (after_third and (text == "s" or bool(follows)))
            kind, text = _word(text, seconds=seconds)
        if kind in ("hemisphere", "gap", "sign"):
            since_break = 0
        found.append(_Token(kind, text))  # type: ignore[arg-type]  # group names are the kinds
    return found


def _word(text: str, *, seconds: bool) -> tuple[str, str]:
    first = text[0].lower()
    if seconds and first == "s":
        return "mark", '"'
    return ("mark", first) if first in "dm" else ("hemisphere", first.upper())


def _angle(tokens: list[_Token], text: str, mend: str = _WAYS) -> _Angle:
    """One coordinate from its tokens: [hemisphere] [sign] D [mark] [M [mark]] [S [mark]] [hemisphere]."""
    hemispheres = [t.text for t in tokens if t.kind == "hemisphere"]
    inner = [t for t in tokens if t.kind != "hemisphere"]
    at_the_end = tokens and "hemisphere" in (tokens[0].kind, tokens[-1].kind)
    if len(hemispheres) > 1 or (hemispheres and not at_the_end):
        raise InputError(f'"{text}" has a hemisphere letter in the wrong place.', mend=mend)
    signs = [t.text for t in inner if t.kind == "sign"]
    if signs and hemispheres:
        raise InputError(f'"{text}" has both a sign and a hemisphere letter.', mend="Keep one of the two.")
    if len(signs) > 1 or (signs and inner[0].kind != "sign") or any(t.kind == "gap" for t in inner):
        raise InputError(f'"{text}" is not a position.', mend=mend)
    values: list[str] = []
    for before, token in zip([None, *inner], inner, strict=False):
        if token.kind == "number":
            values.append(token.text)
        elif token.kind == "mark" and not (
            before is not None and before.kind == "number" and _MARKS[token.text] == len(values) - 1
        ):
            raise InputError(f'"{text}": degrees, minutes and seconds are out of order.', mend=mend)
    if not 1 <= len(values) <= 3:
        raise InputError(f'"{text}" is not a position.', mend=mend)
    size = _sexagesimal(values, text)
    negative = "-" in signs or (bool(hemispheres) and hemispheres[0] in "SW")
    hemisphere = hemispheres[0] if hemispheres else ""
    return _Angle(-size if negative else size, hemisphere, bool(signs), len(values))


def _sexagesimal(values: list[str], text: str) -> float:
    """Degrees from degrees, minutes, seconds; only the last may have a fraction."""
    for name, value in zip(("minutes", "seconds"), values[1:], strict=False):
        if float(value) >= 60.0:
            raise InputError(
                f'"{text}": {value} {name} is out of range.', mend=f"{name.title()} run from 0 to 59."
            )
    if any("." in value for value in values[:-1]):
        raise InputError(f'"{text}": only the last of degrees, minutes and seconds may have a fraction.')
    return sum(float(value) / 60.0**power for power, value in enumerate(values))


def _read_angles(plain: str) -> Position:
    tokens = _tokens(_decimal_points(plain), _WAYS)
    halves = _halves(tokens, plain)
    first, second = (_angle(half, plain) for half in halves)
    letters = first.hemisphere + second.hemisphere
    if len(letters) == 1:
        raise InputError(
            f'"{plain}" names one hemisphere only: missing hemisphere?', mend='Write "58.0312 N 24.6541 W".'
        )
    if not letters and max(first.parts, second.parts) > 1 and not (first.signed or second.signed):
        raise InputError(
            f'"{plain}" does not say north or south, east or west: missing hemisphere?',
            mend="Write 58°01'52.3\"N 24°39'14.8\"W.",
        )
    if letters and (letters[0] in "NS") == (letters[1] in "NS"):
        both = "latitudes" if letters[0] in "NS" else "longitudes"
        raise InputError(
            f'"{plain}" has two {both}.', mend="Write one with N or S and the other with E or W."
        )
    if letters and letters[0] in "EW":
        first, second = second, first
    notations: tuple[Notation, ...] = ("hemispheres" if letters else "decimal", "dm", "dms")
    return _placed(first.degrees, second.degrees, plain, notations[max(first.parts, second.parts) - 1])


def _decimal_points(plain: str) -> str:
    """Decimal commas turned into points, where they can be nothing else."""
    between = re.findall(r"(?<=\d),(?=\d)", plain)
    if not between or "." in plain:
        return plain
    told = ";" in plain or re.search(r"(?i)[nsew°]", plain) is not None
    two_numbers = re.fullmatch(r"[+-]?\d+,\d+(?:\s+|\s*,\s+)[+-]?\d+,\d+", plain) is not None
    if re.search(r"\d,\d+,\d", plain) or not (told or two_numbers):
        raise InputError(
            f'"{plain}" can be read in more than one way: is the comma a decimal comma?',
            mend='Write "58.0312, -24.6541" or "58,0312; -24,6541".',
        )
    return re.sub(r"(?<=\d),(?=\d)", ".", plain)


def _halves(tokens: list[_Token], text: str) -> tuple[list[_Token], list[_Token]]:
    """Tokens of the first and of the second coordinate."""
    gaps = [i for i, t in enumerate(tokens) if t.kind == "gap"]
    numbers = [i for i, t in enumerate(tokens) if t.kind == "number"]
    letters = [i for i, t in enumerate(tokens) if t.kind == "hemisphere"]
    degree_marks = sum(t.kind == "mark" and _MARKS[t.text] == 0 for t in tokens)
    if len(numbers) < 2 or (len(letters) <= 1 and degree_marks == 1 and not gaps):
        raise InputError(
            f'"{text}" is one coordinate: both a latitude and a longitude are needed.', mend=_WAYS
        )
    if gaps:
        if len(gaps) > 1 or gaps[0] in (0, len(tokens) - 1):
            raise InputError(f'"{text}" is not two coordinates.', mend=_WAYS)
        return tokens[: gaps[0]], tokens[gaps[0] + 1 :]
    cut = _cut(tokens, numbers, letters)
    if cut is None or not 0 < cut < len(tokens):
        raise InputError(f'"{text}" does not show where the longitude begins.', mend=_WAYS)
    return tokens[:cut], tokens[cut:]


def _cut(tokens: list[_Token], numbers: list[int], letters: list[int]) -> int | None:
    """Where the second coordinate begins when no comma says so."""
    inner_signs = [i for i, t in enumerate(tokens) if t.kind == "sign" and i > numbers[0]]
    degree_marks = [i for i, t in enumerate(tokens) if t.kind == "mark" and _MARKS[t.text] == 0]
    if len(letters) == 2 and letters[0] == 0:
        return letters[1]
    if letters and letters[0] > numbers[0] and letters[0] < len(tokens) - 1:
        return letters[0] + 1
    if inner_signs:
        return inner_signs[0]
    if len(numbers) == 2:
        return numbers[1]
    return degree_marks[1] - 1 if len(degree_marks) == 2 else None


# --- standards and grids ------------------------------------------------------


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
        sizes.append(_sexagesimal([*values[:-1], values[-1] + (tail or "")], plain))
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


_UTM = re.compile(
    r"(?:UTM\s+)?(?:zone\s+)?(?P<zone>\d{1,2})\s*(?P<letter>north|south|[A-Z])[\s,;]+"
    r"(?P<easting>\d{5,7}(?:[.,]\d+)?)\s*(?:m?\s*E)?(?:\s*[,;]\s*|\s+)(?P<northing>\d{1,8}(?:[.,]\d+)?)\s*(?:m?\s*N)?",
    re.IGNORECASE,
)


def _read_utm(plain: str) -> Position:
    """UTM (NGA.STND.0037, from memory): N and S are hemispheres, other letters bands that are checked."""
    match = _UTM.fullmatch(plain)
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
        raise InputError(f'"{plain}" is out of range: there is no such northing.', mend=_WAYS)
    if len(letter) == 1 and letter not in "NS" and not _in_band(latitude, letter):
        raise InputError(
            f'"{plain}" does not lie in band {letter}: its latitude would be {latitude:.2f}.',
            mend=f'Write "{zone}N" or "{zone}S" for the hemisphere, or mend the northing.',
        )
    return _placed(latitude, longitude, plain, "utm")


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


_MGRS = re.compile(
    r"(?P<zone>\d{1,2}\s*[C-HJ-NP-X]|[ABYZ](?=\s*[A-Z]{2}\s*\d))\s*(?P<square>[A-HJ-NP-Z]{2})(?P<digits>[\s\d]*)",
)


def _read_mgrs(plain: str) -> Position:
    """MGRS, the centre of the square named (NGA.STND.0037, from memory)."""
    from mgrs import MGRS
    from mgrs.core import MGRSError

    match = _MGRS.fullmatch(plain.upper())
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
    return _placed(latitude, longitude, plain, "mgrs", uncertainty_m=side_m / math.sqrt(2.0))


def _read_plus_code(plain: str) -> Position:
    """Full Plus Code (Open Location Code), the centre of the cell it names."""
    from openlocationcode import openlocationcode

    code = plain.split()[0].upper()
    if openlocationcode.isShort(code):
        raise InputError(
            f'"{plain}" is a short Plus Code, which needs a reference place.',
            mend='Write the full code, such as "99CQ28JW+F9".',
        )
    if not openlocationcode.isFull(code) or code != plain.upper():
        raise InputError(f'"{plain}" is not a Plus Code.', mend='Write the full code, such as "99CQ28JW+F9".')
    area = openlocationcode.decode(code)
    latitude, longitude = float(area.latitudeCenter), float(area.longitudeCenter)
    half_north_deg = (area.latitudeHi - area.latitudeLo) / 2.0
    half_east_deg = (area.longitudeHi - area.longitudeLo) / 2.0 * math.cos(math.radians(latitude))
    uncertainty_m = math.radians(math.hypot(half_north_deg, half_east_deg)) * WGS84_SEMI_MAJOR_M
    return _placed(latitude, longitude, plain, "pluscode", uncertainty_m=uncertainty_m)


# --- writing ------------------------------------------------------------------


def format_position(
    latitude_deg: float,
    longitude_deg: float,
    *,
    notation: Notation = "decimal",
    height_m: float | None = None,
    digits: int | None = None,
) -> str:
    """A position written in a notation, fine enough to come back within 5 cm (grid codes: within the square).

    height_m is written where the notation has a place for it: geo: and ISO 6709 (with its CRS, as annex H
    asks). digits is for grid codes: of an MGRS easting (0 to 5, default 5), or of a Plus Code (4, 6, 8 or 10 to
    15, default 11).

    >>> format_position(58.0312, -24.6541, notation="dms")
    '58°01\\'52.320"N 24°39\\'14.760"W'
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
            return _write_utm(latitude_deg, longitude_deg)
        case "mgrs":
            return _write_mgrs(latitude_deg, longitude_deg, 5 if digits is None else digits)
        case "pluscode":
            return _write_plus_code(latitude_deg, longitude_deg, 11 if digits is None else digits)


def _sixties(degrees: float, letters: str, notation: Literal["dm", "dms"]) -> str:
    width = 2 if letters == "NS" else 3 if abs(degrees) >= 100 else 2
    letter = letters[1] if degrees < 0 else letters[0]
    if notation == "dm":
        whole, minutes = divmod(round(abs(degrees) * 60.0 * 1e5), 60 * 10**5)
        return f"{whole:0{width}d}°{minutes / 1e5:08.5f}'{letter}"
    minutes, seconds = divmod(round(abs(degrees) * 3600.0 * 1e3), 60 * 10**3)
    return f"{minutes // 60:0{width}d}°{minutes % 60:02d}'{seconds / 1e3:06.3f}\"{letter}"


def _utm_zone(latitude_deg: float, longitude_deg: float) -> int:
    """Zone, with the widened ones of south-west Norway and Svalbard (NGA.STND.0037, from memory)."""
    if 56.0 <= latitude_deg < 64.0 and 3.0 <= longitude_deg < 12.0:
        return 32
    if latitude_deg >= 72.0 and 0.0 <= longitude_deg < 42.0:
        return 31 + 2 * int((longitude_deg + 3.0) // 12.0)
    return int((longitude_deg + 180.0) // 6.0) % 60 + 1


def _write_utm(latitude_deg: float, longitude_deg: float) -> str:
    from pyproj import Proj

    if not -80.0 <= latitude_deg <= 84.0:
        raise InputError("UTM ends at 80 S and 84 N.", mend="Write the position in degrees.")
    zone, south = _utm_zone(latitude_deg, longitude_deg), latitude_deg < 0.0
    easting, northing = Proj(proj="utm", zone=zone, south=south, ellps="WGS84")(longitude_deg, latitude_deg)
    hemisphere = "S" if south else "N"
    if south and _utm_in_band(zone, easting, northing, "S"):
        hemisphere = " south"  # "21S" could be taken for band S
    return f"{zone}{hemisphere} {easting:.2f} {northing:.2f}"


def _write_mgrs(latitude_deg: float, longitude_deg: float, digits: int) -> str:
    from mgrs import MGRS

    if not 0 <= digits <= 5:
        raise InputError(f"an MGRS easting of {digits} digits does not exist.", mend="Choose from 0 to 5.")
    if -4e-6 < latitude_deg < 0.0:  # the library rounds this half metre up, into a square that is not there
        latitude_deg = -4e-6
    return str(MGRS().toMGRS(latitude_deg, longitude_deg, MGRSPrecision=digits))


def _write_plus_code(latitude_deg: float, longitude_deg: float, digits: int) -> str:
    from openlocationcode import openlocationcode

    if digits not in (4, 6, 8, *range(10, 16)):
        raise InputError(f"a Plus Code of {digits} digits does not exist.", mend="Choose from 10 to 15.")
    return str(openlocationcode.encode(latitude_deg, longitude_deg, digits))


# --- distances and offsets ----------------------------------------------------


def _frame(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Foot on the ellipsoid (..., 3) and axes (..., 3, 3; rows east, north, up), Earth-fixed metres."""
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

    The point of the tangent plane at the origin is carried along the origin's vertical to the ellipsoid (the
    nearer root of a quadratic), where latitude is atan2(z, (1 - e2) p). Exact inverse of plan_offset.

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
