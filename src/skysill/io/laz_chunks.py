"""Compressed point files checked before lazrs reads them: it takes the sizes that a file states as they are.

A LAZ file holds chunks of points and a table of their sizes. A damaged size makes the decompressor ask for any amount
of memory, which ends the process; so the table, and in layered formats the sizes of the layers, are held to the size of
the file first. Layout: the LAZ specification of the laszip project (from memory), checked on files that lazrs writes.
"""

from __future__ import annotations

import struct
from typing import Any, BinaryIO

__all__ = ["chunks_fit"]

_RECORD_BYTES, _LASZIP_ID = 54, 22_204
_VARIABLE = 0xFFFF_FFFF
_LAYERS = {10: 9, 11: 1, 12: 2, 13: 1}
"""Layers by type of item; of type 14, extra bytes, one a byte."""

_MOST_CHUNKS = 10_000_000
_MOST_CHUNK_POINTS = 20_000_000


def chunks_fit(opened: BinaryIO, size: int, count: int) -> bool:
    """Whether the chunks of a LAZ file, as its tables state them, lie within it and hold `count` points.

    Parameters
    ----------
    opened : the file, anywhere; size : its bytes; count : points, as its header says
    """
    import lazrs

    opened.seek(94)
    header_bytes, first_point, records = struct.unpack("<HII", opened.read(10))
    found = _laszip_record(opened, header_bytes, records)
    if found is None or len(found) < 36:
        return False
    (chunk_points,) = struct.unpack_from("<I", found, 12)
    items = _items(found)
    point_bytes = sum(item_size for _, item_size in items)
    if not items or not point_bytes or (chunk_points != _VARIABLE and chunk_points > _MOST_CHUNK_POINTS):
        return False
    opened.seek(first_point)
    table_at = _signed(opened)
    if table_at == -1:
        opened.seek(size - 8)
        table_at = _signed(opened)
    start = first_point + 8
    if not start <= table_at <= size - 8:
        return False
    opened.seek(table_at + 4)
    (chunks,) = struct.unpack("<I", opened.read(4))
    most = _MOST_CHUNKS if chunk_points == _VARIABLE else -(-count // max(chunk_points, 1)) + 1
    if chunks > min(most, (table_at - start) // point_bytes + 1, _MOST_CHUNKS):
        return False
    opened.seek(first_point)
    table = lazrs.read_chunk_table(opened, lazrs.LazVlr(found))
    return _lies_within(opened, table, start, table_at, point_bytes, _layer_count(items))


def _lies_within(
    opened: BinaryIO, table: list[tuple[int, int]], start: int, end: int, point_bytes: int, layers: int
) -> bool:
    """Whether chunks follow one another up to the table, and their layers lie within them."""
    at = start
    for points, chunk_bytes in table:
        if chunk_bytes < point_bytes or at + chunk_bytes > end or points > _MOST_CHUNK_POINTS:
            return False
        if layers:
            head_bytes = point_bytes + 4 + 4 * layers
            if chunk_bytes < head_bytes:
                return False
            opened.seek(at + point_bytes + 4)
            sizes = struct.unpack(f"<{layers}I", opened.read(4 * layers))
            if head_bytes + sum(sizes) > chunk_bytes:
                return False
        at += chunk_bytes
    return at == end


def _laszip_record(opened: BinaryIO, header_bytes: int, records: int) -> bytes | None:
    opened.seek(header_bytes)
    for _ in range(records):
        head = opened.read(_RECORD_BYTES)
        if len(head) < _RECORD_BYTES:
            return None
        number, length = struct.unpack_from("<HH", head, 18)
        data = opened.read(length)
        if number == _LASZIP_ID and head[2:18].rstrip(b"\0") == b"laszip encoded":
            return data
    return None


def _items(record: bytes) -> list[tuple[int, int]]:
    """(type, bytes) of each item that a point is made of."""
    (many,) = struct.unpack_from("<H", record, 32)
    if len(record) < 34 + 6 * many:
        return []
    return [struct.unpack_from("<HH", record, 34 + 6 * one) for one in range(many)]


def _layer_count(items: list[tuple[int, int]]) -> int:
    """Layers of a chunk; 0 where the format is not layered."""
    if not any(kind in _LAYERS for kind, _ in items):
        return 0
    return sum(item_size if kind == 14 else _LAYERS.get(kind, 0) for kind, item_size in items)


def _signed(opened: BinaryIO) -> int:
    raw: Any = opened.read(8)
    return int.from_bytes(raw, "little", signed=True) if len(raw) == 8 else -2
