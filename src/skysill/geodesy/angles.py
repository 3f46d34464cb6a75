"""Written angles to degrees: decimal, hemisphere letters, degrees-minutes-seconds; one coordinate or a pair."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from skysill.errors import InputError

__all__ = ["NOTATION_HINT", "Angle", "plain_text", "read_angle", "read_pair", "sexagesimal_deg"]

NOTATION_HINT = 'Write it as "58.0312, -24.6541" or "58.0312 N 24.6541 W".'
"""How to write a position; the advice in most refusals."""

_LOOKALIKES = str.maketrans(
    {"−": "-", "–": "-", "‐": "-", "‑": "-", "º": "°", "˚": "°"}
    | dict.fromkeys("′’‘ʹ´ʼ`", "'")
    | dict.fromkeys("″“”ʺ„", '"')
    | dict.fromkeys("\u00a0\u2009\u202f\u2007\t\n\r", " ")
)


def plain_text(text: str) -> str:
    """Text with typographic minus signs, primes, quotes and blanks turned into the ordinary ones."""
    return re.sub(r"'\s?'", '"', text.translate(_LOOKALIKES)).strip()


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
class Angle:
    """One coordinate as it was written.

    degrees : north and east positive
    hemisphere : "N", "S", "E", "W", or "" where none was written
    signed : whether a sign was written
    parts : 1 degrees, 2 degrees and minutes, 3 with seconds
    """

    degrees: float
    hemisphere: str
    signed: bool
    parts: int


def _tokens(plain: str, mend: str) -> list[_Token]:
    """Numbers, marks, hemispheres, signs and gaps, in order; s after a third number is seconds."""
    found: list[_Token] = []
    at, since_break = 0, 0
    # letters stand directly before or after a number: "58d01m52s", "N58"
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


def _angle(tokens: list[_Token], text: str, mend: str = NOTATION_HINT) -> Angle:
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
    size = sexagesimal_deg(values, text)
    negative = "-" in signs or (bool(hemispheres) and hemispheres[0] in "SW")
    hemisphere = hemispheres[0] if hemispheres else ""
    return Angle(-size if negative else size, hemisphere, bool(signs), len(values))


def read_angle(text: str, mend: str) -> Angle:
    """One coordinate, standing alone; a comma in it is a decimal comma."""
    plain = text if "." in text else re.sub(r"(?<=\d),(?=\d)", ".", text)
    return _angle(_tokens(plain, mend), text, mend)


def sexagesimal_deg(values: list[str], text: str) -> float:
    """Degrees from degrees, minutes, seconds; only the last may have a fraction."""
    for name, value in zip(("minutes", "seconds"), values[1:], strict=False):
        if float(value) >= 60.0:
            raise InputError(
                f'"{text}": {value} {name} is out of range.', mend=f"{name.title()} run from 0 to 59."
            )
    if any("." in value for value in values[:-1]):
        raise InputError(f'"{text}": only the last of degrees, minutes and seconds may have a fraction.')
    return sum(float(value) / 60.0**power for power, value in enumerate(values))


def read_pair(plain: str) -> tuple[Angle, Angle]:
    """Latitude and longitude of a text, by hemisphere letters or in that order.

    >>> [angle.degrees for angle in read_pair("24.5 W 58.25 N")]
    [58.25, -24.5]
    """
    tokens = _tokens(_decimal_points(plain), NOTATION_HINT)
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
    return first, second


def _decimal_points(plain: str) -> str:
    """Decimal commas turned into points, where they are unambiguous."""
    between = re.findall(r"(?<=\d),(?=\d)", plain)
    if not between or "." in plain:
        return plain
    marked = ";" in plain or re.search(r"(?i)[nsew°]", plain) is not None
    two_numbers = re.fullmatch(r"[+-]?\d+,\d+(?:\s+|\s*,\s+)[+-]?\d+,\d+", plain) is not None
    if re.search(r"\d,\d+,\d", plain) or not (marked or two_numbers):
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
            f'"{text}" is one coordinate: both a latitude and a longitude are needed.', mend=NOTATION_HINT
        )
    if gaps:
        if len(gaps) > 1 or gaps[0] in (0, len(tokens) - 1):
            raise InputError(f'"{text}" is not two coordinates.', mend=NOTATION_HINT)
        return tokens[: gaps[0]], tokens[gaps[0] + 1 :]
    if not letters and re.search(r"[\d°'\"][+-]|[+-]\s", text.lstrip("+-")):
        raise InputError(
            f'"{text}" can be read in more than one way: is the dash a minus sign?', mend=NOTATION_HINT
        )
    start = _second_start(tokens, numbers, letters)
    if start is None or not 0 < start < len(tokens):
        raise InputError(f'"{text}" does not show where the longitude begins.', mend=NOTATION_HINT)
    return tokens[:start], tokens[start:]


def _second_start(tokens: list[_Token], numbers: list[int], letters: list[int]) -> int | None:
    """Number of the token that begins the second coordinate where no comma does; None: not clear."""
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
