"""Mast kits for many roofs, from a site file or a file of its own."""

# ruff: noqa: RUF009  # the calls in the table make dataclass fields, each instance gets its own

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.obstacle_keys import MastKitTable
from skysill.io.site_values import TableList, key, read_table
from skysill.io.text import placed_at, quoted, read_text
from skysill.model.site import MastKit

__all__ = ["read_mast_kits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kits:
    """The tables that are read."""

    mast_kits: list[MastKitTable] = key(
        TableList(MastKitTable, MastKit), "Masts and brackets.", None, default=[], commands=("screen",)
    )


def read_mast_kits(path: str | Path) -> tuple[MastKit, ...]:
    """The [[mast_kits]] of a TOML file; whatever else a site file holds is not read.

    Raises
    ------
    InputError : not TOML, no such table, a key that is not known, a height that is none
    """
    shown = str(path)
    try:
        whole = tomllib.loads(read_text(path))
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as fault:
        raise InputError(
            "is not TOML that can be read.",
            where=shown,
            mend="Write [[mast_kits]] tables, as in a site file.",
        ) from fault
    if "mast_kits" not in whole:
        raise InputError(
            "has no mast kits.", where=shown, mend="Write [[mast_kits]] with name and heights_m."
        )
    kits = []
    for number, table in enumerate(read_table(_Kits, {"mast_kits": whole["mast_kits"]}, shown).mast_kits, 1):
        with placed_at(f"{shown}, [[mast_kits]] number {number} ({quoted(table.name)})"):
            kits.append(MastKit(table.name, tuple(sorted(set(table.heights_m))), table.stand_off_m))
    return tuple(kits)
