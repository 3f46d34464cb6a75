"""Address lists in CSV: opened, read record by record, and their records written again byte by byte."""

from __future__ import annotations

import codecs
import csv
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from skysill.errors import InputError
from skysill.io.address_files import AddressFile, Record
from skysill.io.text import read_bytes

__all__ = ["csv_record", "csv_records", "neutralized", "open_csv", "raw_records", "row_text"]


def open_csv(path: Path) -> AddressFile:
    """Encoding, delimiter, header and line end of a CSV list."""
    shown = os.fspath(path)
    with open(path, "rb") as stream:
        sample = stream.read(1 << 16)
    if not sample.strip():
        raise InputError("the file is empty.", where=shown, mend="Give a list with a header line.")
    data: bytes | None = None
    notes: tuple[str, ...] = ()
    wide = sample[:2] in (b"\xff\xfe", b"\xfe\xff")
    if wide or (b"\r" in sample and b"\n" not in sample):
        data = _rewritten(path, wide=wide)
        notes = ("The list is written out as UTF-8 with a newline behind each line.",)
        sample = data[: 1 << 16]
    if b"\x00" in sample:
        raise InputError("this is not UTF-8 text.", where=shown, mend="Save it as CSV in UTF-8.")
    encoding, plain = ("utf-8", b'"' not in data) if data is not None else _encoding(path)
    head = sample[: sample.index(b"\n") + 1] if b"\n" in sample else sample
    line_end = b"\r\n" if head.endswith(b"\r\n") else b"\n"
    header = head.rstrip(b"\r\n")
    text = header.removeprefix(b"\xef\xbb\xbf").decode(encoding, "replace")
    delimiter = max(",;\t", key=text.count)
    try:
        names = tuple(next(csv.reader([text], delimiter=delimiter, strict=True), []))
    except csv.Error:
        raise InputError(
            "a quotation mark is not closed.", where=f"{shown}, row 1", mend="Mend the header."
        ) from None
    return AddressFile(path, "csv", names, delimiter, encoding, header, line_end, plain, data, notes=notes)


def _rewritten(path: Path, *, wide: bool) -> bytes:
    """Text in UTF-16, or with lines that end in a carriage return alone, as UTF-8 with newlines."""
    raw = read_bytes(path)
    if wide:
        try:
            raw = raw.decode("utf-16").encode("utf-8")
        except UnicodeError:
            raise InputError("begins as UTF-16 text and is none.", where=os.fspath(path),
                             mend="Save it as CSV in UTF-8.") from None  # fmt: skip
    return raw if b"\n" in raw else raw.replace(b"\r", b"\n")


def _encoding(path: Path) -> tuple[str, bool]:
    """Encoding of a CSV, and whether it has no quotation mark.

    UTF-8 where the whole file is valid, else the Western European code page; bytes pass through unchanged either way.
    """
    decoder, encoding, plain = codecs.getincrementaldecoder("utf-8")(), "utf-8", True
    with open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            plain = plain and b'"' not in block
            if encoding == "utf-8":
                try:
                    decoder.decode(block)
                except UnicodeDecodeError:
                    encoding = "cp1252"
        try:
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            encoding = "cp1252"
    return encoding, plain


def csv_records(file: AddressFile) -> Iterator[Record]:
    """The records of a CSV, one by one."""
    for block in file.blocks():
        raw, lines = block.raw(), block.line.tolist()
        cells = None if block.irregular.any() else _cells_together(raw, file.delimiter, file.encoding)
        if cells is None:
            for line, own in zip(lines, raw, strict=True):
                yield csv_record(own, line, file.delimiter, file.encoding)
        else:
            yield from map(Record, lines, cells, raw)


def _cells_together(raw: Sequence[bytes], delimiter: str, encoding: str) -> list[list[str]] | None:
    """The cells of records with valid quotation; None where one of them must be read by itself."""
    texts = [own.decode(encoding, "replace") for own in raw]
    try:
        return list(csv.reader(texts, delimiter=delimiter))
    except csv.Error:
        return None


def csv_record(raw: bytes, line: int, delimiter: str, encoding: str) -> Record:
    """One record from its bytes without the line's end."""
    text = raw.decode(encoding, "replace")
    if b"\0" in raw:
        return Record(line, text.split(delimiter), raw, "it holds bytes that are no text")
    if '"' not in text:
        return Record(line, text.split(delimiter), raw)
    try:
        return Record(line, next(csv.reader([text], delimiter=delimiter, strict=True), []), raw)
    except csv.Error:
        fault = "a quotation mark is not closed, or a cell goes on behind one"
        return Record(line, text.split(delimiter), raw, fault)


def raw_records(
    file: AddressFile, *, neutralize: bool = False
) -> Iterator[tuple[list[bytes], Mapping[int, int]]]:
    """The bytes of CSV records without the line's end, some thousands at a time.

    neutralize : see `neutralized`; the second item counts the changed cells by record
    """
    for block in file.blocks():
        raw, changed = block.raw(), {}
        suspects = np.flatnonzero(block.begun_with(_DANGEROUS_CODES)).tolist() if neutralize else []
        for k in suspects:
            record = csv_record(raw[k], 0, file.delimiter, file.encoding)
            cells, count = neutralized(record.cells[: len(file.names)])
            if count:
                raw[k] = row_text(cells, file.delimiter).encode(file.encoding, "replace")
                changed[k] = count
        yield raw, changed


def row_text(cells: Sequence[str], delimiter: str) -> str:
    """Cells as one line, quoted where they must be (RFC 4180)."""
    return delimiter.join(
        '"' + cell.replace('"', '""') + '"'
        if delimiter in cell or '"' in cell or "\n" in cell or "\r" in cell
        else cell
        for cell in cells
    )


_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")
_DANGEROUS_CODES = "".join(_DANGEROUS).encode("ascii")


def neutralized(cells: Iterable[str]) -> tuple[list[str], int]:
    """Cells with an apostrophe before those that a spreadsheet would run as formulas, and the number of those.

    >>> neutralized(["=1+1", "-24.5", "0012", "@home"])
    (["'=1+1", '-24.5', '0012', "'@home"], 2)
    """
    safe, count = [], 0
    for cell in cells:
        if cell.startswith(_DANGEROUS) and not _is_number(cell):
            cell, count = "'" + cell, count + 1
        safe.append(cell)
    return safe, count


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
