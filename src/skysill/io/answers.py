"""Answers of callers: a table of what each one sees towards the satellite, matched to the list by id."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from skysill.bulk.replies import THINGS, Reply
from skysill.errors import InputError
from skysill.io.address_files import AddressFile
from skysill.io.address_lists import Addresses, records
from skysill.io.table_reader import Column, Row, split_table
from skysill.io.text import nearest, quoted, read_number, read_text

__all__ = ["Answers", "RepliesByAddress", "matched_answers", "read_answers"]

_COLUMNS = (
    Column("id", needed=True), Column("satellite"), Column("thing", needed=True), Column("height_m", needed=True),
    Column("distance_m", needed=True),
)  # fmt: skip
_MOST_M = {"height_m": 200.0, "distance_m": 2000.0}
_LEAST_M = {"height_m": 0.1, "distance_m": 0.5}
_SHOWN_IDS = 3

RepliesByAddress = Mapping[int, Sequence[Reply]]
"""Replies by the number of the address among those that are screened."""


@dataclass(frozen=True, slots=True)
class Answers:
    """The answers of a file.

    path : of the file
    replies : by id, every thing that was named, in the file's order
    where : by id, the first row that has it, for messages
    unanswered : rows without any answer
    checksum : of the file's text
    """

    path: str
    replies: Mapping[str, tuple[Reply, ...]]
    where: Mapping[str, str]
    unanswered: int = 0
    checksum: str = ""


def read_answers(path: str | os.PathLike[str]) -> Answers:
    """Read what callers answered.

    Parameters
    ----------
    path : a table with columns id, thing, height_m, distance_m, and satellite where several were asked about. thing:
        tree, hedge, building, other or nothing; height_m: of its top above the ground at the house; distance_m: from
        the dish. Several rows with one id are several things. A row with an id alone has not been answered. Other
        columns are not read

    Returns
    -------
    Answers

    Raises
    ------
    InputError : naming row and column; also where the last line has no end, since its last number may be cut short

    >>> import tempfile
    >>> from pathlib import Path
    >>> path = Path(tempfile.mkdtemp()) / "answers.csv"
    >>> _ = path.write_text("id,thing,height_m,distance_m\\n0007,tree,12,15\\n")
    >>> read_answers(path).replies["0007"][0].text
    'tree 12 m high, 15 m away'
    """
    shown = os.fspath(path)
    text = read_text(shown)
    if text and not text.endswith("\n"):
        raise InputError(
            "the last line has no end: was the file cut short?",
            where=shown,
            mend="Check its last number, and end the line.",
        )
    table = split_table(text, shown, _COLUMNS)
    found: dict[str, list[Reply]] = {}
    where: dict[str, str] = {}
    unanswered = 0
    for row in table.rows:
        identity = row.cells["id"]
        if not identity:
            raise row.fault("id", "there is no id.", "Copy it from the screened list.")
        reply = _reply(row, comma=table.delimiter != ",")
        if reply is None:
            unanswered += 1
            continue
        where.setdefault(identity, row.where)
        found.setdefault(identity, []).append(reply)
    return Answers(shown, {one: tuple(those) for one, those in found.items()}, where, unanswered,
                   hashlib.sha256(text.encode("utf-8", "replace")).hexdigest())  # fmt: skip


def _reply(row: Row, *, comma: bool) -> Reply | None:
    """The thing that a row names; None where it has no answer."""
    thing, satellite = row.cells["thing"].lower(), row.cells.get("satellite", "")
    numbers = {name: row.cells[name] for name in _MOST_M}
    if not thing and not any(numbers.values()):
        return None
    if thing not in THINGS:
        near = nearest(thing, THINGS)
        known = ", ".join(THINGS)
        what = f"{quoted(row.cells['thing'])} is not known." if thing else "there is nothing."
        raise row.fault("thing", what, f"Did you mean {near}?" if near else f"Write one of {known}.")
    kind = next(one for one in THINGS if one == thing)
    if kind == "nothing":
        stated = next((name for name, text in numbers.items() if text), None)
        if stated is not None:
            raise row.fault(stated, '"nothing" has no size.', "Name the thing, or leave the number out.")
        return Reply(kind, satellite=satellite)
    height_m, distance_m = (_number(row, name, comma=comma) for name in ("height_m", "distance_m"))
    return Reply(kind, height_m, distance_m, satellite)


def _number(row: Row, name: str, *, comma: bool) -> float:
    text = row.cells[name]
    if not text:
        raise row.fault(name, "there is nothing.", "Ask again, or leave the whole answer empty.")
    try:
        value = read_number(text, comma=comma)
    except ValueError as fault:
        raise row.fault(name, str(fault)) from None
    if not _LEAST_M[name] <= value <= _MOST_M[name]:
        raise row.fault(name, f"{value:g} is not between {_LEAST_M[name]:g} and {_MOST_M[name]:g} m.")
    return value


def matched_answers(
    answers: Answers, file: AddressFile, places: Addresses, *, several: bool
) -> tuple[dict[int, tuple[Reply, ...]], tuple[str, ...]]:
    """Answers by the number of the address, and notes in whole sentences.

    several : whether every address is screened for several satellites

    Raises
    ------
    InputError : the list has no ids; an answer does not say which of several satellites it is about, or names one that
        its address is not screened for
    """
    column = file.column("id")
    if column is None:
        raise InputError(
            'has no column "id", by which answers are matched.', where=os.fspath(file.path), mend="Add one."
        )
    address_of = np.full(places.count, -1, dtype=np.int64)
    address_of[places.record] = np.arange(places.record.size)
    found: dict[int, tuple[Reply, ...]] = {}
    met: set[str] = set()
    for number, record in enumerate(records(file)):
        identity = str(record.cells[column]).strip() if column < len(record.cells) else ""
        if identity not in answers.replies:
            continue
        met.add(identity)
        address = int(address_of[number])
        if address >= 0:
            own = int(places.satellite[address])
            names = [one.name for one in places.satellites]
            _check_satellites(answers, identity, [names[own]] if own >= 0 else names, several and own < 0)
            found[address] = answers.replies[identity]
    notes = [f"{answers.path}: answers for {len(found)} of the addresses."]
    lost = [identity for identity in answers.replies if identity not in met]
    if lost:
        some = ", ".join(quoted(one) for one in lost[:_SHOWN_IDS]) + (
            ", ..." if len(lost) > _SHOWN_IDS else ""
        )
        notes.append(f"{answers.path}: ids that are not in the list, {len(lost)}, count for nothing: {some}.")
    if answers.unanswered:
        notes.append(f"{answers.path}: rows without an answer: {answers.unanswered}.")
    return found, tuple(notes)


def _check_satellites(answers: Answers, identity: str, names: Sequence[str], several: bool) -> None:
    for reply in answers.replies[identity]:
        where = f"{answers.where[identity]}, satellite"
        if not reply.satellite and several:
            raise InputError(
                f"{quoted(identity)} was screened for several satellites.",
                where=where,
                mend="Write which one the caller was asked about.",
            )
        if reply.satellite and reply.satellite not in names:
            raise InputError(
                f"{quoted(identity)} is not screened for {quoted(reply.satellite)}.",
                where=where,
                mend=f"Write one of {', '.join(names)}.",
            )
