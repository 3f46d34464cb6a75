"""Address lists in GeoJSON and Parquet, record by record."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.address_files import AddressFile, Record
from skysill.io.geojson import epsg_of, feature_fault, features_of, parse_json
from skysill.io.text import read_bytes

__all__ = ["feature_records", "parquet_names", "parquet_records", "read_geojson"]

_MOST_GEOJSON_BYTES = 1_000_000_000
_MOST_ROWS = 100_000_000
_TOGETHER = 10_000


def read_geojson(path: Path) -> list[Any]:
    """The features of a GeoJSON list."""
    shown = os.fspath(path)
    try:
        text = read_bytes(path, most_bytes=_MOST_GEOJSON_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text.", where=shown, mend="Save it as UTF-8.") from None
    document = parse_json(text, shown)
    features = features_of(document, shown)
    if epsg_of(document, shown) is not None:
        raise InputError(
            "is not in WGS 84 degrees.", where=f"{shown}, crs", mend="Save it so, longitude first."
        )
    return features


def feature_records(file: AddressFile) -> Iterator[Record]:
    """The records of a GeoJSON list; the geometry is the last cell."""
    for number, feature in enumerate(file.features, 1):
        fault = feature_fault(feature)
        if fault is not None:
            yield Record(number, [None] * (len(file.names) + 1), fault=fault.rstrip("."))
            continue
        properties = feature.get("properties") or {}
        yield Record(number, [*(properties.get(name) for name in file.names), feature.get("geometry")])


def parquet_names(path: Path) -> tuple[str, ...]:
    """The columns of a Parquet list."""
    file = _parquet(path)
    if file.metadata.num_rows > _MOST_ROWS:
        raise InputError(f"holds more than {_MOST_ROWS:,} rows.", where=os.fspath(path))
    names = tuple(str(name) for name in file.schema_arrow.names)
    if len(set(names)) < len(names):
        raise InputError("has two columns of one name.", where=os.fspath(path), mend="Rename one.")
    return names


_DAMAGED_PARQUET = "this is not a Parquet file that can be read, or it is damaged."


def _parquet(path: Path) -> Any:
    import pyarrow
    import pyarrow.parquet

    try:
        return pyarrow.parquet.ParquetFile(os.path.abspath(path))
    except (OSError, ValueError, pyarrow.ArrowException) as fault:
        raise InputError(_DAMAGED_PARQUET, where=os.fspath(path), mend="Copy it again.") from fault


def parquet_records(file: AddressFile) -> Iterator[Record]:
    """The records of a Parquet list."""
    import pyarrow

    number, opened = 0, _parquet(file.path)
    try:
        for batch in opened.iter_batches(batch_size=_TOGETHER):
            columns = [column.to_pylist() for column in batch.columns]
            for cells in zip(*columns, strict=True):
                number += 1
                yield Record(number, cells)
    except (OSError, ValueError, OverflowError, pyarrow.ArrowException) as fault:
        raise InputError(_DAMAGED_PARQUET, where=os.fspath(file.path), mend="Copy it again.") from fault
    if number != opened.metadata.num_rows:
        raise InputError(_DAMAGED_PARQUET, where=os.fspath(file.path), mend="Copy it again.")
