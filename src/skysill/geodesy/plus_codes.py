"""Plus Codes (Open Location Code), full codes only.

The published specification (Open Location Code specification, project open-location-code, Apache 2.0) divides the
globe into cells of 20 by 20 degrees. Each of five pairs of digits divides a cell into 20 by 20; each further digit
divides it into 4 columns and 5 rows. All arithmetic is on whole numbers of the smallest cell.
"""

from __future__ import annotations

import math

__all__ = ["decode_plus_code", "encode_plus_code", "is_full_plus_code", "is_short_plus_code"]

_DIGITS = "23456789CFGHJMPQRVWX"
_SEPARATOR_AT = 8
_PAIR_DIGITS = 10
_MOST_DIGITS = 15
_COLUMNS, _ROWS = 4, 5
_LATITUDE_CELLS = 20**3 * _ROWS**5  # smallest cells in a degree: the fifth pair is 1/8000 of a degree
_LONGITUDE_CELLS = 20**3 * _COLUMNS**5


def _is_valid(code: str) -> bool:
    """Whether a text is a code at all, full or short: one separator, padding only before it, two digits after it."""
    digits, separator, after = code.partition("+")
    padded = digits.rstrip("0")
    padding = len(digits) - len(padded)
    well_formed = (
        bool(separator)
        and len(digits) <= _SEPARATOR_AT
        and len(digits) % 2 == 0
        and len(after) != 1
        and set(padded + after) <= set(_DIGITS)
    )
    if padding:  # only whole pairs of a code of full length, and nothing follows
        return (
            well_formed and bool(padded) and padding % 2 == 0 and len(digits) == _SEPARATOR_AT and not after
        )
    return well_formed and bool(digits + after)


def is_short_plus_code(code: str) -> bool:
    """Whether a text is a code whose first digits were left out, so that it needs a reference place."""
    return _is_valid(code) and code.index("+") < _SEPARATOR_AT


def is_full_plus_code(code: str) -> bool:
    """Whether a text is a code that names one cell, within 90 degrees of latitude and 180 of longitude."""
    return (
        _is_valid(code)
        and code.index("+") == _SEPARATOR_AT
        and _DIGITS.index(code[0]) < 180 // 20
        and _DIGITS.index(code[1]) < 360 // 20
    )


def decode_plus_code(code: str) -> tuple[float, float, float, float]:
    """South, west, north and east edge of a full code's cell, degrees; digits after the 15th are ignored."""
    digits = code.replace("+", "").rstrip("0")[:_MOST_DIGITS]
    latitude = longitude = 0
    height, width = (
        400 * _LATITUDE_CELLS,
        400 * _LONGITUDE_CELLS,
    )  # the first pair names 20 of these 400 degrees
    pairs = digits[:_PAIR_DIGITS]
    for first, second in zip(pairs[::2], pairs[1::2], strict=True):
        height, width = height // 20, width // 20
        latitude += _DIGITS.index(first) * height
        longitude += _DIGITS.index(second) * width
    for digit in digits[_PAIR_DIGITS:]:
        height, width = height // _ROWS, width // _COLUMNS
        row, column = divmod(_DIGITS.index(digit), _COLUMNS)
        latitude += row * height
        longitude += column * width
    return (
        latitude / _LATITUDE_CELLS - 90.0,
        longitude / _LONGITUDE_CELLS - 180.0,
        (latitude + height) / _LATITUDE_CELLS - 90.0,
        (longitude + width) / _LONGITUDE_CELLS - 180.0,
    )


def encode_plus_code(latitude_deg: float, longitude_deg: float, digits: int) -> str:
    """The cell of so many digits (4, 6, 8, or 10 to 15) that holds a place.

    Latitude 90 lies in the northernmost cell; longitudes are wrapped into -180 to 180.
    """
    # rounded first to a millionth of the smallest cell, so that a decimal fraction on a cell's edge stays on it
    latitude = math.floor(round((latitude_deg + 90.0) * _LATITUDE_CELLS, 6))
    longitude = math.floor(round((longitude_deg + 180.0) * _LONGITUDE_CELLS, 6)) % (360 * _LONGITUDE_CELLS)
    latitude = min(max(latitude, 0), 180 * _LATITUDE_CELLS - 1)
    fine = ""
    for _ in range(_MOST_DIGITS - _PAIR_DIGITS):
        latitude, row = divmod(latitude, _ROWS)
        longitude, column = divmod(longitude, _COLUMNS)
        fine = _DIGITS[row * _COLUMNS + column] + fine
    pairs = ""
    for _ in range(_PAIR_DIGITS // 2):
        latitude, first = divmod(latitude, 20)
        longitude, second = divmod(longitude, 20)
        pairs = _DIGITS[first] + _DIGITS[second] + pairs
    if digits < _SEPARATOR_AT:
        return pairs[:digits].ljust(_SEPARATOR_AT, "0") + "+"
    return pairs[:_SEPARATOR_AT] + "+" + (pairs[_SEPARATOR_AT:] + fine)[: digits - _SEPARATOR_AT]
