"""skysill mounts"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from skysill.cli.options import Number, Output, output, shared
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    from skysill.siting.mounts import MountRow, MountsFound

__all__ = ["mounts"]


@click.command()
@shared("where", "satellites", "sources", "terminal", "criteria", "date", "times")
@click.option(
    "--grid",
    "grid_step_m",
    type=Number(0.05, 100.0, "METRES"),
    help="Search the roof and yards at this step.",
)
@click.option(
    "--max-height", "max_height_m", type=Number(0.1, 200.0, "METRES"), help="Tallest mast of the search."
)
@click.option(
    "--keep", type=click.IntRange(1, 50), default=6, show_default=True, help="Spots of the search to assess."
)
@click.option("--plan", metavar="FILE", help="Picture from above: PNG, SVG or PDF.")
@click.option("--geojson", metavar="FILE", help="Mounts, spots and cable runs as GeoJSON.")
@output
def mounts(options: JobOptions, out: Output, **given: Any) -> None:
    """Compare mounts, or search a roof for one.

    \b
    skysill mounts demo_terrain/clinic.toml --satellite "Demo South" --grid 2 --plan plan.svg
    """
    _check_outputs(options, given["plan"], given["geojson"])
    from skysill.io.jobs import read_job
    from skysill.siting.mounts import compare_mounts

    found = compare_mounts(
        read_job(options),
        grid_step_m=given["grid_step_m"],
        max_height_m=given["max_height_m"],
        keep=given["keep"],
    )
    _write(found, given["plan"], given["geojson"])
    if out.json:
        out.document(found)
    else:
        _print_mounts(out, found)


def _check_outputs(options: JobOptions, plan: str | None, geojson: str | None) -> None:
    """Refuse outputs that cannot be written, before anything is computed."""
    from skysill.io.checksums import inputs_of
    from skysill.io.output_checks import check_outputs, check_pictures

    check_pictures({"--plan": plan})
    check_outputs({"--plan": plan, "--geojson": geojson}, inputs_of(options))


def _write(found: MountsFound, plan: str | None, geojson: str | None) -> None:
    if plan is not None:
        from skysill.plots.plan import write_plan

        write_plan(plan, found)
    if geojson is not None:
        from skysill.io.json_text import to_json_text
        from skysill.io.output_files import write_whole
        from skysill.siting.mounts import mounts_geojson

        write_whole(geojson, to_json_text(mounts_geojson(found)))


def _print_mounts(out: Output, found: MountsFound) -> None:
    out.text(f"For {found.satellite}:")
    _table(out, found.mounts)
    for one in found.per_satellite:
        out.text(f"\nFor {one.satellite} alone:")
        _table(out, one.mounts)
    rows = (*found.mounts, *(row for one in found.per_satellite for row in one.mounts))
    told = dict.fromkeys(f"{row.name}: {caution.text}" for row in rows for caution in row.cautions)
    out.text("\nSafety:")
    for text in (*told, *(caution.text for caution in found.cautions)):
        out.text(f"  - {text}")
    if found.warnings:
        out.text("\nMind:")
    for text in found.warnings:
        out.text(f"  - {text}")


def _table(out: Output, rows: tuple[MountRow, ...]) -> None:
    heads = [
        "rank",
        "mount",
        "mast m",
        "least m",
        "verdict",
        "margin deg",
        "room m",
        "needs m",
        "p",
        "cable m",
        "safety",
    ]
    out.table(
        heads,
        [
            [
                str(row.rank),
                row.name,
                f"{row.height_m:.2f}",
                _number(row.least_height_m, 2),
                row.verdict,
                _number(row.margin_deg, 2),
                _number(row.clearance_m, 2),
                _number(row.required_m, 2),
                _number(row.p_clear, 2),
                _number(row.cable_run_m, 1) + (" too long" if row.cable_ok is False else ""),
                ", ".join(caution.code for caution in row.cautions),
            ]
            for row in rows
        ],
    )


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"
