"""skysill cache"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from skysill.cli.options import Output, output

if TYPE_CHECKING:
    from skysill.io.elevation.block_cache import CachedSource

__all__ = ["cache"]


@click.command()
@click.option("--clear", is_flag=True, default=False, help="Remove everything that is kept.")
@output
def cache(out: Output, clear: bool) -> None:
    """Elevations read over the web and kept: what, how much, how old.

    \b
    skysill cache --json
    """
    from skysill.io.elevation.block_cache import (
        cache_folder,
        cache_limit_bytes,
        cached_sources,
        clear_cache,
    )

    folder, limit_bytes = cache_folder(), cache_limit_bytes()
    freed_bytes = clear_cache(folder) if clear else None
    sources, total_bytes = cached_sources(folder)
    if out.json:
        said = {
            "folder": folder,
            "kept_bytes": total_bytes,
            "limit_bytes": limit_bytes,
            "freed_bytes": freed_bytes,
            "sources": sources,
        }
        out.document(said)
        return
    if freed_bytes is not None:
        out.text(f"{_mb(freed_bytes)} MB removed.")
    if not sources and not total_bytes:
        out.text(f"Nothing is kept. Elevations read over the web will be, up to {_mb(limit_bytes)} MB.")
        return
    _words(out, sources)
    out.text(f"{_mb(total_bytes)} of at most {_mb(limit_bytes)} MB in {folder}")


def _words(out: Output, sources: list[CachedSource]) -> None:
    if not sources:
        out.text("No elevations; what is kept is the index of large folders.")
        return
    out.table(
        ["source", "kept MB", "of MB", "fetched", "used last"],
        [
            [
                one.address,
                _mb(one.kept_bytes),
                "not there" if one.file_bytes is None else _mb(one.file_bytes),
                one.fetched[:10],
                one.used[:10],
            ]
            for one in sources
        ],
    )


def _mb(count: int) -> str:
    return f"{count / 1e6:,.1f}" if count < 1e8 else f"{count / 1e6:,.0f}"
