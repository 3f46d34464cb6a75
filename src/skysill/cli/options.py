"""Options that several commands share, each declared once and passed to the command as one object.

    @click.command()
    @shared("where", "satellites", "mount", "sources", "terminal", "criteria", "date", "times")
    @output
    def check(options: JobOptions, out: Output) -> None:
        job = read_job(options)
        mount = mount_of(options, job)

Options win over the site file.
"""

from __future__ import annotations

import datetime as dt
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import update_wrapper
from typing import Any

import click

from skysill.errors import InputError
from skysill.io.job_options import JobOptions, parse_time

__all__ = ["NUMBER", "Moment", "Number", "Output", "WholeDay", "output", "shared"]


class Number(click.ParamType):  # type: ignore[type-arg]  # generic only since click 8.3
    """A finite number from `least` to `most`, both included. `nan` and `inf` are refused."""

    name = "number"

    def __init__(self, least: float = -math.inf, most: float = math.inf, unit: str = "") -> None:
        self.least, self.most, self.unit = least, most, unit

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        return self.unit or "NUMBER"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            self.fail(f'"{value}" is not a number. Write 12.5, for instance.', param, ctx)
        if not self.least <= number <= self.most:
            self.fail(f"{number:g} is out of range, from {self.least:g} to {self.most:g}.", param, ctx)
        return number


class WholeDay(click.ParamType):  # type: ignore[type-arg]  # generic only since click 8.3
    """A calendar date, ISO 8601."""

    name = "date"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        return "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.date:
        if isinstance(value, dt.date):
            return value
        try:
            return dt.date.fromisoformat(str(value).strip())
        except ValueError:
            self.fail(f'"{value}" is not a date. Write 2026-06-14, for instance.', param, ctx)


class Moment(click.ParamType):  # type: ignore[type-arg]  # generic only since click 8.3
    """A date with a time, ISO 8601; UTC where no zone is given."""

    name = "time"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        return "TIME"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.datetime:
        try:
            return parse_time(str(value))
        except InputError as fault:
            self.fail(str(fault), param, ctx)


NUMBER = Number()
_METRES = Number(0.0, 1e6, "METRES")
_HEIGHT = Number(unit="METRES")
_DEGREES = Number(-360.0, 360.0, "DEGREES")


_GROUPS: dict[str, list[Callable[[Any], Any]]] = {
    "where": [
        click.argument("site_file", metavar="[SITE.toml]", required=False),
        click.option("--at", metavar="POSITION", help='"58.0312 N 24.6541 W", UTM, MGRS, Plus Code, ...'),
        click.option(
            "--ground-elevation",
            "ground_elevation_m",
            type=Number(-500.0, 9000.0, "METRES"),
            help="Ground there, above the ellipsoid or the rasters' datum. Default: from terrain.",
        ),
    ],
    "satellites": [
        click.option(
            "--satellite",
            "satellite",
            metavar="SATELLITE",
            multiple=True,
            help="24.0W, -24.0, NAME=24.0W, or an orbit file (OMM or TLE). Repeatable.",
        ),
    ],
    "mount": [
        click.option("--mount", "mount_name", metavar="NAME", help="Which mount of the site file."),
        click.option(
            "--mount-height",
            "mount_height_m",
            type=_HEIGHT,
            help="Dish centre above what the mount stands on.",
        ),
    ],
    "hosts": [
        click.option(
            "--allow-host",
            "allow_host",
            metavar="HOST",
            multiple=True,
            help="Web host that elevations may be fetched from. Repeatable.",
        ),
    ],
    "terrain": [
        click.option(
            "--terrain",
            metavar="RASTER[:KIND]",
            multiple=True,
            help="Elevation raster, :surface (with trees and houses) or :bare (default): file, folder, web address, "
            "or tile names with {lat} and {lon}. Repeatable, finest first.",
        ),
        click.option(
            "--terrain-error",
            "terrain_error_m",
            type=Number(0.0, 1000.0, "METRES"),
            multiple=True,
            help="Vertical standard deviation of each --terrain.",
        ),
        click.option(
            "--highest-ground",
            "highest_ground_m",
            type=Number(-500.0, 9000.0, "METRES"),
            help="Nothing around is higher; decides how far a raster must reach. Default 8849.",
        ),
    ],
    "survey": [
        click.option(
            "--horizon",
            metavar="CSV",
            help="Readings taken on site; columns: docs/survey.md.",
        ),
        click.option(
            "--bearings",
            type=click.Choice(["true", "magnetic", "relative"]),
            help="What its azimuths count from. Default true.",
        ),
        click.option(
            "--reference-bearing",
            "reference_bearing_deg",
            type=_DEGREES,
            help="True bearing of the zero mark, for relative bearings.",
        ),
        click.option(
            "--instrument-height",
            "instrument_height_m",
            type=Number(0.0, 200.0, "METRES"),
            help="Instrument above ground. Default 1.6.",
        ),
    ],
    "obstacles": [
        click.option(
            "--obstacles", metavar="FILE", help="Buildings, trees, walls, wires: GeoJSON, or others."
        ),
        click.option(
            "--obstacles-complete",
            "obstacles_complete",
            is_flag=True,
            default=False,
            help="Nothing else stands near.",
        ),
    ],
    "terminal": [
        click.option(
            "--dish", "dish_diameter_m", type=Number(0.1, 20.0, "METRES"), help="Dish diameter. Default 1.2."
        ),
        click.option(
            "--frequency",
            "frequency_ghz",
            type=Number(0.3, 300.0, "GHZ"),
            multiple=True,
            help="Repeatable; the lowest sets the Fresnel zone. Default 19.7.",
        ),
        click.option(
            "--receive-only",
            "receive_only",
            is_flag=True,
            default=False,
            help="It does not transmit: no caution about its beam.",
        ),
    ],
    "criteria": [
        click.option(
            "--fresnel-fraction",
            "fresnel_fraction",
            type=Number(0.0, 5.0, "FRACTION"),
            help="Share of the first Fresnel zone to keep free. Default 0.6.",
        ),
        click.option(
            "--assumed-distance",
            "assumed_distance_m",
            type=Number(0.01, 1e5, "METRES"),
            help="How far a reading without a distance counts as being. Default 10.",
        ),
        click.option(
            "--years-ahead",
            "years_ahead",
            type=Number(0.0, 100.0, "YEARS"),
            help="Growth of trees to allow for. Default 5.",
        ),
        click.option(
            "--min-p-clear",
            "min_p_clear",
            type=Number(0.0, 1.0, "SHARE"),
            help="Least probability that counts as clear. Default 0.9.",
        ),
        click.option(
            "--refraction-factor",
            "refraction_factor",
            type=Number(0.5, 10.0, "FACTOR"),
            help="Effective Earth radius over the true one. Default 1.3333.",
        ),
    ],
    "date": [
        click.option(
            "--date",
            "date",
            type=WholeDay(),
            help="For magnetic bearings. Default: the survey's or today.",
        ),
    ],
    "times": [
        click.option(
            "--time",
            "time",
            type=Moment(),
            help="ISO 8601, for objects that move. Default zone: UTC.",
        ),
        click.option("--until", "until", type=Moment(), help="End of a time span that --time begins."),
        click.option(
            "--step",
            "step_minutes",
            type=Number(1.0 / 60.0, 1e6, "MINUTES"),
            help="Between the times of a span. Default 10.",
        ),
    ],
}
_GROUPS["terrain"] = [_GROUPS["terrain"][0], *_GROUPS["hosts"], *_GROUPS["terrain"][1:]]
_GROUPS["sources"] = [*_GROUPS["terrain"], *_GROUPS["survey"], *_GROUPS["obstacles"]]


def _with_options(adds: Sequence[Callable[[Any], Any]], command: Callable[..., Any]) -> Callable[..., Any]:
    for add in reversed(adds):
        command = add(command)
    return command


def shared(*groups: str, mount_height_m: float = 2.0) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add groups of shared options to a command; they reach it as its keyword argument `options`.

    groups : of where, satellites, mount, hosts, sources (terrain, survey, obstacles together), terminal, criteria,
        date, times
    mount_height_m : default height of the dish
    """

    adds = [add for group in groups for add in _GROUPS[group]]

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        def with_object(**given: Any) -> Any:
            values = {label: given.pop(label) for label in labels}
            return command(options=JobOptions(**values, default_mount_height_m=mount_height_m), **given)

        update_wrapper(with_object, command)
        # only what these groups bring: a command may have an option of its own called --time
        labels = [part.name for part in _with_options(adds, lambda: None).__click_params__]  # type: ignore[attr-defined]
        return _with_options(adds, with_object)

    return decorate


@dataclass(frozen=True, slots=True)
class Output:
    """Output of a command: data on standard output, notes on standard error."""

    json: bool = False
    quiet: bool = False

    def document(self, thing: Any) -> None:
        """Print one JSON document."""
        from skysill.io.json_text import to_json_text

        click.echo(to_json_text(thing))

    def text(self, text: str = "") -> None:
        """Print lines of text."""
        click.echo(_shown(text))

    def table(self, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
        """Print columns under their headings, numbers aligned to the right."""
        body = [[str(cell) for cell in row] for row in rows]
        wide = [max(len(line[at]) for line in [list(heads), *body]) for at in range(len(heads))]
        right = [bool(body) and all(_numeric(line[at]) for line in body) for at in range(len(heads))]
        for line in [list(heads), *body]:
            cells = [
                cell.rjust(width) if is_right else cell.ljust(width)
                for cell, width, is_right in zip(line, wide, right, strict=True)
            ]
            click.echo(_shown("  ".join(cells).rstrip()))

    def say(self, *notes: str) -> None:
        """Print notes and warnings on standard error; nothing with --quiet."""
        if not self.quiet:
            for note in notes:
                click.echo(_shown(f"skysill: {note}"), err=True)

    @contextmanager
    def progress(self, length: int, label: str) -> Iterator[Callable[[int], None]]:
        """Progress bar on standard error when it is a terminal; yields a function to call with each advance."""
        if self.quiet or not sys.stderr.isatty():
            yield lambda _: None
            return
        with click.progressbar(length=length, label=label, file=sys.stderr, show_pos=True) as bar:
            yield bar.update


def _shown(text: str) -> str:
    """Text without characters that control a terminal, other than line ends."""
    from skysill.io.text import printable

    return "\n".join(printable(line) for line in text.split("\n"))


def _numeric(cell: str) -> bool:
    return cell.strip() in {"", "-"} or cell.strip().lstrip("+-").replace(".", "", 1).isdigit()


def output(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --json and --quiet; they reach the command as its keyword argument `out`."""

    def with_object(**given: Any) -> Any:
        return command(out=Output(json=given.pop("as_json"), quiet=given.pop("quiet")), **given)

    update_wrapper(with_object, command)
    quiet = click.option("--quiet", "-q", is_flag=True, default=False, help="No notes, no progress.")
    as_json = click.option("--json", "as_json", is_flag=True, default=False, help="One JSON document.")
    made: Callable[..., Any] = as_json(quiet(with_object))
    return made
