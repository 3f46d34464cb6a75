"""Lists as arrays of bytes: the records and cells of RFC 4180, numbers as `float` reads them and formats write them."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from skysill.io import delimited_bytes as delimited
from skysill.io.delimited_bytes import blocks, decimals, fixed, text_hashes


@pytest.fixture
def rng():
    return np.random.default_rng(8)


def spans(texts):
    data = b"".join(texts)
    end = np.cumsum([len(text) for text in texts])
    return data, np.append(0, end[:-1]), end


def records(path, delimiter=",", width=2):
    return [raw for block in blocks(path, delimiter, width) for raw in block.raw()]


def test_plain_decimal_numbers_are_the_numbers_that_float_reads(rng):
    """To the last bit: with no more than 15 digits by division, with more by `float` itself."""
    texts = []
    for _ in range(20_000):
        whole, places = rng.integers(0, 6), rng.integers(0, 13)
        digits = "".join(map(str, rng.integers(0, 10, whole + places + 1)))
        text = digits[: whole + 1] + ("." + digits[whole + 1 :] if places or rng.random() < 0.5 else "")
        texts.append((("", "-", "+")[rng.integers(3)] + text).center(rng.integers(1, 20)).encode())
    found = decimals(*spans(texts))
    assert found.good.all()
    assert found.value.tobytes() == np.array([float(text) for text in texts]).tobytes()


@pytest.mark.parametrize(
    "text", ["", " ", ".", "-", "1e1", "1_0", "nan", "inf", "0x1", "1.2.3", "1 2", "12,5", "--1", "9" * 19]
)
def test_what_is_no_plain_decimal_number_is_left_to_others(text):
    assert not decimals(*spans([text.encode()])).good.any()


@pytest.mark.parametrize("places", [0, 1, 3])
def test_numbers_are_written_as_formats_write_them(rng, places):
    number = np.append(rng.integers(-500_000, 500_000, 5_000), [0, 1, -1, 9, 10, 999, 1000, -1000])
    there = rng.random(number.size) < 0.8
    text = [bytes(row).replace(b"\0", b"").decode() for row in fixed(number, there, places)]
    wanted = [f"{n / 10**places:.{places}f}" if t else "" for n, t in zip(number, there, strict=True)]
    assert text == wanted


@pytest.mark.parametrize("size", [16, 100, 1 << 20])
def test_records_are_whole_lines_or_quoted_ones_over_several_whatever_the_block(tmp_path, monkeypatch, size):
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", size)
    rows = [
        ["1", "a, b"],
        ["2", "two\r\nlines, \nor three"],
        ["3", 'said "so"'],
        ["", ""],
        ["5", ""],
        ["6", '"'],
    ]
    path = tmp_path / "in.csv"
    with open(path, "w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([["id", "what"], *rows])
    whole = path.read_bytes()
    found = records(path)
    assert whole == b"\r\n".join([b"id,what", *found]) + b"\r\n"
    assert [next(csv.reader([raw.decode()])) for raw in found] == rows


@pytest.mark.parametrize("size", [16, 1 << 20])
def test_a_quote_inside_an_unquoted_cell_is_text(tmp_path, monkeypatch, size):
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", size)
    path = tmp_path / "in.csv"
    path.write_bytes(b'id,what\n1,5" pipe\n2,"a\nb"\n3,12"\n\n  \n4,last')
    assert records(path) == [b'1,5" pipe', b'2,"a\nb"', b'3,12"', b"4,last"]
    assert [n for block in blocks(path, ",", 2) for n in block.line.tolist()] == [2, 3, 5, 8]


def test_a_quote_that_is_never_closed_costs_its_own_line_only(tmp_path, monkeypatch):
    monkeypatch.setattr(delimited, "_BLOCK_BYTES", 1 << 12)
    monkeypatch.setattr(delimited, "_LONGEST_BYTES", 1 << 13)
    path = tmp_path / "in.csv"
    path.write_bytes(b'id,what\n0,"open\n' + b"".join(b"%d,x\n" % n for n in range(1, 9_000)))
    found = records(path)
    assert found[:2] == [b'0,"open', b"1,x"]
    assert len(found) == 9_000


def test_cells_lose_the_quotes_around_them_and_only_plain_ones_are_whole(tmp_path):
    path = tmp_path / "in.csv"
    path.write_bytes(b'id;what;why\n1;"a;b";2\n"";"x""y";"3"\n4;z\n')
    (block,) = blocks(path, ";", 3)
    cells = block.cells()
    assert cells.count.tolist() == [3, 3, 2]
    text = []
    for number in range(3):
        start, end, whole = cells.column(number)
        text.append([block.data[a:b] if ok else None for a, b, ok in zip(start, end, whole, strict=True)])
    assert text == [[b"1", b"", b"4"], [b"a;b", None, b"z"], [b"2", b"3", None]]


def test_fingerprints_tell_texts_apart(rng):
    texts = [str(n).encode() for n in range(50_000)] + [b"a" * n for n in range(300)]
    assert np.unique(text_hashes(texts)).size == len(texts)
    assert text_hashes([b"0012"])[0] == text_hashes([b"x", b"0012"])[1]
    assert text_hashes([]).size == 0


def test_the_fingerprint_is_the_published_one():
    """FNV-1a, 64 bits: draft-eastlake-fnv, test vectors for "" and "a" (from memory)."""
    assert [hex(int(n)) for n in text_hashes([b"", b"a"])] == ["0xcbf29ce484222325", "0xaf63dc4c8601ec8c"]
