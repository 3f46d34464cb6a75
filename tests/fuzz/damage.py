"""Damage to the bytes of a file, by steps that can be written down and done again."""

from __future__ import annotations

import random

Step = tuple[str, float, int]
"""What is done, where in the file (0 to 1), and a number that each kind of step uses its own way."""

KINDS = (
    "flip",
    "cut",
    "drop",
    "repeat",
    "token",
    "drop line",
    "repeat line",
    "swap lines",
    "number",
    "zeros",
    "empty",
    "head flip",
    "cell",
)
LOSSES = ("cut", "drop line", "repeat line", "swap lines", "empty")
"""Steps that lose or repeat whole records; what is left is still what somebody wrote."""

NUMBERS = (
    b"0",
    b"-1",
    b"1e308",
    b"-0.0",
    b"65536",
    b"4294967295",
    b"99999999999",
    b"0.0000001",
    b"1,5",
    b"12.5.3",
    b"90",
)


def damaged(data: bytes, steps: list[Step], tokens: tuple[bytes, ...]) -> bytes:
    for kind, where, number in steps:
        data = _damaged(data, kind, int(where * max(len(data), 1)), number, tokens)
    return data


def _damaged(data: bytes, kind: str, at: int, number: int, tokens: tuple[bytes, ...]) -> bytes:
    if kind == "flip":
        return data[:at] + bytes([(data[at] if at < len(data) else 0) ^ (1 << number % 8)]) + data[at + 1 :]
    if kind == "head flip":  # where formats keep what they say of themselves
        near = at % min(max(len(data), 1), 400)
        return data[:near] + bytes([number % 256]) + data[near + 1 :]
    if kind == "cut":
        return data[:at]
    if kind == "drop":
        return data[:at] + data[at + 1 + number % 40 :]
    if kind == "repeat":
        return data[:at] + data[at : at + 1 + number % 200] * (2 + number % 3) + data[at:]
    if kind == "token":
        token = tokens[number % len(tokens)] if tokens else b""
        return data[:at] + token + data[at + number % 3 :]
    if kind == "zeros":
        size = 1 + number % 64
        return data[:at] + bytes(len(data[at : at + size])) + data[at + size :]
    if kind == "empty":
        return b""
    if kind == "number":
        return _with_number(data, at, NUMBERS[number % len(NUMBERS)])
    if kind == "cell":
        end = min(
            (p for p in (data.find(mark, at) for mark in (b",", b"\n", b":", b"<")) if p >= 0),
            default=len(data),
        )
        return data[:at] + data[end:]
    lines = data.split(b"\n")
    line, other = data.count(b"\n", 0, at), number % len(lines)
    if kind == "drop line":
        del lines[line]
    elif kind == "repeat line":
        lines.insert(line, lines[line])
    else:
        lines[line], lines[other] = lines[other], lines[line]
    return b"\n".join(lines)


def _with_number(data: bytes, at: int, new: bytes) -> bytes:
    """With the next number of a text replaced."""
    begin = at
    while begin < len(data) and not 48 <= data[begin] <= 57:
        begin += 1
    end = begin
    while end < len(data) and (48 <= data[end] <= 57 or data[end] in b".eE"):
        end += 1
    return data[:begin] + new + data[end:]


def steps_of(seed: int, kinds: tuple[str, ...] = KINDS) -> list[Step]:
    """One to four steps, the same for the same seed."""
    chance = random.Random(seed)
    return [
        (chance.choice(kinds), chance.random(), chance.getrandbits(16))
        for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 4)))
    ]
