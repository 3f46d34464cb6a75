"""Delimited text as arrays of bytes: its records and cells, the numbers in them, and numbers written again.

A list of a million addresses is one long text; each operation is applied to all of its bytes at once.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.units import Bools, Floats, Ints

__all__ = [
    "Block",
    "Cells",
    "Decimals",
    "Hashes",
    "blocks",
    "decimals",
    "fixed",
    "span_hashes",
    "text_hashes",
    "trimmed",
]

Bytes = NDArray[np.uint8]
Hashes = NDArray[np.uint64]

_BLOCK_BYTES = 1 << 19
_LONGEST_BYTES = 1 << 20
"""A quoted cell longer than this was never closed."""

_MOST_LINES = 1000
"""Largest number of lines in a quoted cell."""

_NEWLINE, _RETURN, _SPACE, _QUOTE, _DOT = b'\n\r ".'
_MOST_DIGITS = 18
_EXACT = 2**53
_POWERS = 10.0 ** np.arange(_MOST_DIGITS + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Whole records of a delimited text.

    start, end : (record,) where each one's bytes begin and end in data, without the line's end
    line : (record,) line of the file it begins on
    irregular : (record,) its quotation is not as in RFC 4180, so it must be read by itself
    delimiters, quotes : positions of the delimiters outside quotes, and of the quotes; ascending
    """

    data: bytes
    start: Ints
    end: Ints
    line: Ints
    irregular: Bools
    delimiters: Ints
    quotes: Ints

    def __len__(self) -> int:
        return int(self.start.size)

    @property
    def codes(self) -> Bytes:
        return np.frombuffer(self.data, np.uint8)

    def raw(self) -> list[bytes]:
        """The bytes of each record."""
        data = self.data
        return [data[a:b] for a, b in zip(self.start.tolist(), self.end.tolist(), strict=True)]

    def cells(self) -> Cells:
        first = np.searchsorted(self.delimiters, self.start)
        return Cells(self, first, np.searchsorted(self.delimiters, self.end) - first + 1)

    def begun_with(self, characters: bytes) -> Bools:
        """(record,) whether it may have a cell that begins with one of these and is no plain decimal number."""
        found = self.irregular.copy()
        begin = np.sort(np.concatenate([self.start, self.delimiters + 1]))
        begin = begin[begin < len(self.data)]
        begin += self.codes[begin] == _QUOTE
        begin = begin[begin < len(self.data)]
        begin = begin[np.isin(self.codes[begin], np.frombuffer(characters, np.uint8))]
        record = np.searchsorted(self.start, begin, side="right") - 1
        begin, record = begin[record >= 0], record[record >= 0]
        delimiters = np.append(self.delimiters, len(self.data))
        end = np.minimum(delimiters[np.searchsorted(delimiters, begin)], self.end[record])
        end -= self.codes[np.maximum(end - 1, 0)] == _QUOTE
        found[record[~decimals(self.data, begin, end).good]] = True
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Positions of the cells of a block's records; count : (record,) number of cells."""

    block: Block
    first: Ints
    count: Ints

    def column(self, number: int) -> tuple[Ints, Ints, Bools]:
        """Start and end of one cell of each record without the quotes around it, and whether that is its whole text.

        False where the record has no such cell, and where there are quotes inside the cell.
        """
        block, codes = self.block, self.block.codes
        there = self.count > number
        delimiters = np.append(block.delimiters, 0)
        last = delimiters.size - 1
        before = delimiters[np.minimum(self.first + number - 1, last)] + 1 if number else block.start
        after = np.where(
            self.count > number + 1, delimiters[np.minimum(self.first + number, last)], block.end
        )
        start, end = np.where(there, before, 0), np.where(there, after, 0)
        quoted = np.flatnonzero((end - start > 1) & (codes[np.minimum(start, codes.size - 1)] == _QUOTE))
        if quoted.size:
            start[quoted] += 1
            end[quoted] -= 1
            inside = [np.searchsorted(block.quotes, span[quoted]) for span in (start, end)]
            there[quoted] &= inside[0] == inside[1]
        return start, end, there


def blocks(source: str | os.PathLike[str] | bytes, delimiter: str, width: int) -> Iterator[Block]:
    """The records behind the header, half a megabyte at a time; empty lines are no records.

    source : a file, or its bytes
    width : cells of the header. A quoted cell over several lines counts only in a record of so many cells; else its
        quotation delimiter_byte was never closed, and the line is a record by itself
    """
    delimiter_byte = delimiter.encode()
    with io.BytesIO(source) if isinstance(source, bytes) else open(source, "rb") as stream:
        stream.readline()
        line, rest = 2, b""
        while True:
            more = stream.read(_BLOCK_BYTES)
            data = rest + more
            if not data:
                return
            whole = _plain_block(data, delimiter_byte, line, width, last=not more)
            block, used = (
                _quoted_block(data, delimiter_byte, line, width, last=not more) if whole is None else whole
            )
            yield block
            line += data.count(b"\n", 0, used)
            rest = data[used:]


def _plain_block(
    data: bytes, delimiter_byte: bytes, line: int, width: int, *, last: bool
) -> tuple[Block, int] | None:
    """The records of text that has quotes only around cells, and the number of bytes that they take."""
    codes = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(codes == _NEWLINE)
    quotes = np.flatnonzero(codes == _QUOTE) if b'"' in data else ends[:0]
    closed = ends[np.searchsorted(quotes, ends) % 2 == 0] if quotes.size else ends
    if last and not data.endswith(b"\n"):
        if quotes.size % 2:
            return None
        closed = np.append(closed, len(data))
    if not closed.size:
        return None
    used = min(int(closed[-1]) + 1, len(data))
    if last and used < len(data):
        return None
    quotes = quotes[: np.searchsorted(quotes, used)]
    if not _around_cells(codes, quotes, delimiter_byte):
        return None
    start = np.append(0, closed[:-1] + 1)
    delimiters = np.flatnonzero(codes[:used] == delimiter_byte[0])
    if quotes.size:
        delimiters = delimiters[np.searchsorted(quotes, delimiters) % 2 == 0]
    if quotes.size:
        wide = np.flatnonzero(np.searchsorted(ends, closed) > np.searchsorted(ends, start))
        count = np.searchsorted(delimiters, closed[wide]) - np.searchsorted(delimiters, start[wide]) + 1
        if (count != width).any():
            return None
    lines = np.searchsorted(ends, start) + line if quotes.size else np.arange(line, line + start.size)
    return _block(data, start, closed, lines, np.zeros(start.size, dtype=bool), delimiters, quotes), used


def _around_cells(codes: Bytes, quotes: Ints, delimiter_byte: bytes) -> bool:
    """Whether every quote opens a cell, closes a cell, or is one of two inside a cell (RFC 4180)."""
    if not quotes.size:
        return True
    before = np.where(quotes > 0, codes[quotes - 1], _NEWLINE)[0::2]
    after = np.where(quotes + 1 < codes.size, codes[np.minimum(quotes + 1, codes.size - 1)], _NEWLINE)[1::2]
    opening = np.isin(before, np.frombuffer(delimiter_byte + b"\n", np.uint8))
    opening[1:] |= quotes[2::2] == quotes[1:-1:2] + 1
    return bool(opening.all() and np.isin(after, np.frombuffer(delimiter_byte + b'\r\n"', np.uint8)).all())


def _quoted_block(
    data: bytes, delimiter_byte: bytes, line: int, width: int, *, last: bool
) -> tuple[Block, int]:
    """The same line by line for any quotation: quotes inside an unquoted cell are text."""
    starts: list[int] = []
    ends: list[int] = []
    lines: list[int] = []
    irregular: list[bool] = []
    at = 0
    while at < len(data):
        end, quoted = _line_end(data, at), False
        if b'"' in data[at:end]:
            closed, quoted = _record_end(data, at, delimiter_byte), True
            if closed is None and not last and len(data) - at < _LONGEST_BYTES:
                break
            if closed == 0 or (
                closed is not None and closed > end and _count(data[at:closed], delimiter_byte) != width
            ):
                closed = None
            end = end if closed is None else closed
        if end == len(data) and not last and not data.endswith(b"\n"):
            break
        starts.append(at)
        ends.append(end - 1 if data[end - 1] == _NEWLINE else end)
        lines.append(line)
        irregular.append(quoted)
        line += data.count(b"\n", at, end)
        at = end
    start, end_at = np.array(starts, dtype=np.int64), np.array(ends, dtype=np.int64)
    codes = np.frombuffer(data, np.uint8)[:at]
    delimiters, quotes = np.flatnonzero(codes == delimiter_byte[0]), np.flatnonzero(codes == _QUOTE)
    line_of, irregular_of = np.array(lines, dtype=np.int64), np.array(irregular, dtype=bool)
    return _block(data, start, end_at, line_of, irregular_of, delimiters, quotes), at


def _line_end(data: bytes, at: int) -> int:
    end = data.find(b"\n", at)
    return len(data) if end < 0 else end + 1


def _record_end(data: bytes, at: int, delimiter_byte: bytes) -> int | None:
    """End of the record that starts at a position; None if one of its quotes is still open at the end of the data.

    0 where it is still open after more lines than a cell may have.
    """
    opened, quotes, count = False, 0, 0
    while at < len(data):
        count += 1
        if count > _MOST_LINES:
            return 0
        end = _line_end(data, at)
        line = data[at:end]
        quotes += line.count(b'"')
        opened = _ends_inside_quotes(line, delimiter_byte, opened)
        if not opened or quotes % 2 == 0:
            return end
        at = end
    return None


def _count(record: bytes, delimiter_byte: bytes) -> int:
    """Number of cells of a record over several lines; 0 where its quotation is not as in RFC 4180."""
    text = record.decode("latin-1").rstrip("\r\n")
    try:
        rows = list(csv.reader([text], delimiter=delimiter_byte.decode(), strict=True))
    except csv.Error:
        return 0
    return len(rows[0]) if len(rows) == 1 else 0


def _ends_inside_quotes(line: bytes, delimiter_byte: bytes, opened: bool) -> bool:
    """Whether a quoted cell is open at the end of a line (RFC 4180: quotes count only where a cell begins with one)."""
    at = 0
    while at < len(line):
        if opened:
            end = line.find(b'"', at)
            if end < 0:
                return True
            if line[end + 1 : end + 2] == b'"':
                at = end + 2
                continue
            opened, at = False, end + 1
            continue
        if line[at : at + 1] == b'"':
            opened, at = True, at + 1
            continue
        following = line.find(delimiter_byte, at)
        at = len(line) if following < 0 else following + 1
    return opened


def _block(
    data: bytes, start: Ints, end: Ints, line: Ints, irregular: Bools, delimiters: Ints, quotes: Ints
) -> Block:
    """A block without line ends and without empty lines."""
    codes = np.frombuffer(data, np.uint8)
    end = end.copy()
    at = np.flatnonzero(end > start)
    while (at := at[codes[end[at] - 1] == _RETURN]).size:
        end[at] -= 1
        at = at[end[at] > start[at]]
    if start.size:
        first = codes[np.minimum(start, codes.size - 1)]
        bare = [k for k in np.flatnonzero((start == end) | (first <= _SPACE)).tolist()
                if not data[start[k] : end[k]].strip()]  # fmt: skip
        if bare:
            kept = np.ones(start.size, dtype=bool)
            kept[bare] = False
            start, end, line, irregular = start[kept], end[kept], line[kept], irregular[kept]
    return Block(data, start, end, line, irregular, delimiters, quotes)


# --- numbers --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Decimals:
    """Cells as numbers.

    value : nan where the cell is no plain decimal number
    whole, places : digits before and behind the point
    pointed : whether there is a point
    """

    value: Floats
    whole: Ints
    places: Ints
    pointed: Bools

    @property
    def good(self) -> Bools:
        return ~np.isnan(self.value)


def trimmed(codes: Bytes, start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """Spans without the spaces at their ends."""
    start, end = start.copy(), end.copy()
    at = np.flatnonzero(end > start)
    while (at := at[codes[start[at]] == _SPACE]).size:
        start[at] += 1
        at = at[end[at] > start[at]]
    at = np.flatnonzero(end > start)
    while (at := at[codes[end[at] - 1] == _SPACE]).size:
        end[at] -= 1
        at = at[end[at] > start[at]]
    return start, end


def decimals(data: bytes, start: Ints, end: Ints) -> Decimals:
    """Numbers written as digits, with or without a sign and a point; the nearest floating-point number to each.

    Notes
    -----
    Digits that make an integer under 2**53, over a power of ten under 10**22, are both held exactly, and so their
    quotient is the nearest number (IEEE 754-2008, 4.3 and 5.4.1). Those with more digits are left to `float`.
    """
    codes = np.frombuffer(data or b"\0", np.uint8)
    start, end = trimmed(codes, start, end)
    first = codes[np.minimum(start, codes.size - 1)]
    signed = (end > start) & ((first == ord("-")) | (first == ord("+")))
    begin = start + signed
    length = end - begin
    good = (length > 0) & (length <= _MOST_DIGITS + 1)
    number = np.zeros(start.size, dtype=np.int64)
    digits, places = np.zeros(start.size, dtype=np.int64), np.zeros(start.size, dtype=np.int64)
    pointed = np.zeros(start.size, dtype=bool)
    for k in range(int(length[good].max(initial=0))):
        code = codes[np.minimum(begin + k, codes.size - 1)]
        digit = code - np.uint8(ord("0"))
        live = length > k
        is_digit = live & (digit < 10)
        is_point = live & (code == _DOT) & ~pointed
        good &= is_digit | is_point | ~live
        number = np.where(is_digit, number * 10 + digit, number)
        digits += is_digit
        places += is_digit & pointed
        pointed |= is_point
    good &= (digits > 0) & (digits <= _MOST_DIGITS)
    value = np.where(good, number / _POWERS[np.minimum(places, _MOST_DIGITS)], np.nan)
    np.negative(value, out=value, where=first == ord("-"))
    for k in np.flatnonzero(good & (number >= _EXACT)).tolist():
        value[k] = float(data[start[k] : end[k]])
    return Decimals(value, digits - places, places, pointed)


def span_hashes(data: bytes, start: Ints, end: Ints) -> Hashes:
    """64-bit FNV-1a hash of each span of bytes."""
    codes = np.frombuffer(data, np.uint8)
    length = end - start
    found = np.full(start.size, 0xCBF29CE484222325, dtype=np.uint64)
    prime = np.uint64(0x100000001B3)
    shortest = int(length.min(initial=1 << 60)) if length.size else 0
    for k in range(shortest):
        found = (found ^ codes[start + k]) * prime
    live = np.flatnonzero(length > shortest)
    k = shortest
    while live.size:
        found[live] = (found[live] ^ codes[start[live] + k]) * prime
        k += 1
        live = live[length[live] > k]
    return found


def text_hashes(texts: list[bytes]) -> Hashes:
    """64-bit FNV-1a hash of each text."""
    end = np.cumsum([len(text) for text in texts], dtype=np.int64)
    start = np.append(0, end[:-1]) if end.size else end
    return span_hashes(b"".join(texts), start, end)


def fixed(number: NDArray[Any], there: Bools, places: int) -> Bytes:
    """(n, width) codes of whole numbers of tenths, hundredths, ...; zero codes where there is nothing to write.

    number : (n,) in units of the last place
    there : (n,) False leaves its row empty

    >>> bytes(fixed(np.array([-1205]), np.array([True]), 3)).replace(bytes(1), b"")
    b'-1.205'
    """
    rest = np.abs(np.where(there, number, 0)).astype(np.uint32)
    width = max(len(str(int(rest.max(initial=0)))), places + 1)
    text = np.zeros((width + 2, rest.size), dtype=np.uint8)
    column = width + 1
    for k in range(width):
        if k == places and places:
            text[column] = _DOT
            column -= 1
        tens = rest // np.uint32(10)
        digit = (rest - tens * np.uint32(10)).astype(np.uint8) + np.uint8(ord("0"))
        text[column] = digit if k <= places else np.where(rest > 0, digit, 0)
        rest = tens
        column -= 1
    text[0] = np.where(number < 0, np.uint8(ord("-")), 0)
    text[:, ~there] = 0
    return text.T
