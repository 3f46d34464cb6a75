"""Text of orbit files to the keywords of orbit mean-elements messages, one mapping an object.

CCSDS 502.0-B ("OMM") as JSON, XML or keyword=value, and two-line element sets, which hold the same in columns.
Only the form is checked here; `orbits` checks the values.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

from skysill.errors import InputError

__all__ = ["orbit_messages"]


def orbit_messages(text: str, source: str) -> list[dict[str, str]]:
    """Every message of a file, in its order, whichever form it has; at least one.

    Raises InputError, naming the row where it can, for text in none of the forms, a wrong checksum, and XML with a
    document type declaration, which could define entities without end.

    >>> orbit_messages("INCLINATION = 5.0 [deg]", "demo.kvn")
    [{'INCLINATION': '5.0'}]
    """
    body = text.lstrip("\ufeff")  # the rest is unchanged, for the row numbers
    start = body.lstrip()[:1]
    if not start:
        raise InputError("the file is empty.", where=source, mend="Give an orbit file (CCSDS OMM or TLE).")
    if start in "[{":
        messages = _from_json(body, source)
    elif start == "<":
        messages = _from_xml(body.strip(), source)
    elif re.search(r"^\s*[A-Z_0-9]+\s*=", body, re.MULTILINE):
        messages = _from_kvn(body, source)
    else:
        messages = _from_lines(body, source)
    if not messages:
        raise InputError(
            "no orbit record was found.", where=source, mend="Give CCSDS OMM (JSON, XML, KVN) or TLE lines."
        )
    return messages


def _from_json(body: str, source: str) -> list[dict[str, str]]:
    try:
        return list(_messages(json.loads(body, parse_float=str, parse_int=str)))
    except json.JSONDecodeError as error:
        raise InputError(
            f"not readable as JSON ({error.msg}).", where=f"{source}, row {error.lineno}"
        ) from None
    except RecursionError:
        raise InputError("nested too deeply.", where=source, mend="Give a list of OMM records.") from None


def _messages(node: Any) -> Iterator[dict[str, str]]:
    if isinstance(node, list):
        for part in node:
            yield from _messages(part)
    elif isinstance(node, dict):
        flat = dict(_leaves(node))
        if "EPOCH" in flat or "MEAN_MOTION" in flat:
            yield flat
        else:
            for part in node.values():
                yield from _messages(part)


def _leaves(node: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for key, value in node.items():
        if isinstance(value, dict):
            yield from _leaves(value)
        elif value is not None and not isinstance(value, list):
            yield key.upper(), str(value).strip()


def _from_xml(body: str, source: str) -> list[dict[str, str]]:
    import xml.etree.ElementTree as ET

    if re.search(r"<!(DOCTYPE|ENTITY)", body, re.IGNORECASE):
        raise InputError(
            "holds a document type declaration, which could define entities without end.",
            where=source,
            mend="Remove the <!DOCTYPE ...> part; orbit messages need none.",
        )
    try:
        root = ET.fromstring(body)
    except ET.ParseError as error:
        raise InputError(f"not readable as XML ({error}).", where=source) from None
    return [
        {
            element.tag.rpartition("}")[2].upper(): (element.text or "").strip()
            for element in segment.iter()
            if len(element) == 0
        }
        for segment in root.iter()
        if segment.tag.rpartition("}")[2] == "segment"
    ]


def _from_kvn(body: str, source: str) -> list[dict[str, str]]:
    messages: list[dict[str, str]] = []
    for row, line in enumerate(body.splitlines(), start=1):
        line = line.strip()
        if not line or line.startswith(("COMMENT", "#")):
            continue
        keyword, equals, value = line.partition("=")
        if not equals:
            raise InputError(f'"{line}" is not KEYWORD = VALUE.', where=f"{source}, row {row}")
        keyword = keyword.strip().upper()
        if (
            not messages
            or keyword == "CCSDS_OMM_VERS"
            or (keyword in messages[-1] and keyword == "OBJECT_NAME")
        ):
            messages.append({})
        if keyword in messages[-1]:
            raise InputError("stands twice in one message.", where=f"{source}, row {row}, {keyword}")
        messages[-1][keyword] = re.sub(r"\s*\[[^\]]*\]$", "", value.strip())
    return messages


_FIRST_LINE = re.compile(
    r"1 ([ \dA-Z]{5})([A-Z ]) (.{8}) (\d\d)([ \d]{3}\.\d{8}) ([-+ ]\.\d{8}) ([-+ ][ \d]{5}[-+ ]\d) "
    r"([-+ ][ \d]{5}[-+ ]\d) ([\d ]) ([ \d]{4})(\d)"
)
_SECOND_LINE = re.compile(
    r"2 ([ \dA-Z]{5}) ([ \d]{3}\.[\d ]{4}) ([ \d]{3}\.[\d ]{4}) ([ \d]{7}) ([ \d]{3}\.[\d ]{4}) "
    r"([ \d]{3}\.[\d ]{4}) ([ \d]{2}\.\d{8})([ \d]{5})(\d)"
)


def _from_lines(body: str, source: str) -> list[dict[str, str]]:
    """Two-line element sets (columns: AIAA 2006-6753, appendix B) in the keywords of an orbit message."""
    lines = [
        (row, line.rstrip())
        for row, line in enumerate(body.splitlines(), start=1)
        if line.strip() and not line.startswith("#")
    ]
    messages, name, at = [], "", 0
    while at < len(lines):
        row, line = lines[at]
        if not line.startswith("1 "):
            if name or line.startswith("2 "):
                raise InputError(
                    f'"{line[:40]}" is not the first of two element lines.', where=f"{source}, row {row}"
                )
            name, at = re.sub(r"^0 ", "", line).strip(), at + 1
            continue
        if at + 1 == len(lines) or not lines[at + 1][1].startswith("2 "):
            raise InputError("the second element line is missing.", where=f"{source}, row {row}")
        first = _matched(_FIRST_LINE, line, f"{source}, row {row}")
        second = _matched(_SECOND_LINE, lines[at + 1][1], f"{source}, row {lines[at + 1][0]}")
        if first[1] != second[1]:
            raise InputError("the two lines belong to different objects.", where=f"{source}, row {row}")
        messages.append(_keywords_of_lines(name, first, second))
        name, at = "", at + 2
    if name:
        raise InputError(
            f'"{name[:40]}" is followed by no element lines.',
            where=f"{source}, row {lines[-1][0]}",
            mend="Give CCSDS OMM (JSON, XML, KVN) or TLE lines.",
        )
    return messages


def _matched(form: re.Pattern[str], line: str, where: str) -> re.Match[str]:
    found = form.fullmatch(line)
    if found is None:
        raise InputError(
            "the columns do not hold a two-line element set.",
            where=where,
            mend="Copy the line again, all 69 columns.",
        )
    total = sum(int(c) if c.isdigit() else c == "-" for c in line[:68]) % 10
    if total != int(line[68]):
        raise InputError(
            f"the checksum is {line[68]} and should be {total}.", where=where, mend="Copy the line again."
        )
    return found


def _keywords_of_lines(name: str, first: re.Match[str], second: re.Match[str]) -> dict[str, str]:
    year = int(first[4])
    century = (
        1900 if year >= 57 else 2000
    )  # AIAA 2006-6753: two-digit years from 57 on belong to the 20th century
    epoch = dt.datetime(century + year, 1, 1) + dt.timedelta(days=float(first[5]) - 1.0)
    return {
        "OBJECT_NAME": name,
        "NORAD_CAT_ID": first[1].strip().lstrip("0"),
        "EPOCH": epoch.isoformat(timespec="microseconds"),
        "MEAN_MOTION": second[7].strip(),
        "ECCENTRICITY": f"0.{second[4].replace(' ', '0')}",
        "INCLINATION": second[2].strip(),
        "RA_OF_ASC_NODE": second[3].strip(),
        "ARG_OF_PERICENTER": second[5].strip(),
        "MEAN_ANOMALY": second[6].strip(),
        "EPHEMERIS_TYPE": first[9].strip() or "0",
        "BSTAR": repr(_with_exponent(first[8])),
    }


def _with_exponent(text: str) -> float:
    """The assumed-point notation of two-line sets: " 28098-4" is 0.28098e-4."""
    digits = text[1:6].replace(" ", "0")
    return math.copysign(float(f"0.{digits}e{text[6].strip()}{text[7]}"), -1.0 if text[0] == "-" else 1.0)
