"""The words of the survey record, each sentence once: HTML and PDF are both made from these pages."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from skysill.cautions import sun_caution
from skysill.report.built import PhotoRecord
from skysill.report.built_page import BuiltPage, built_page
from skysill.report.record import Record, SurveyRecord
from skysill.report.satellite_page import SatellitePage, satellite_page
from skysill.report.words import NOT_KNOWN, Facts, Head, Table
from skysill.site import Terminal

__all__ = ["RecordPage", "record_page"]


@dataclass(frozen=True, slots=True)
class RecordPage:
    """The record, in words."""

    title: str
    subtitle: str
    satellites: tuple[SatellitePage, ...]
    notes: tuple[str, ...]
    sections: tuple[tuple[str, str], ...]
    place: Facts
    geo_uri: str
    cautions: tuple[str, ...]
    survey: Facts
    files: Table | None
    basis: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]
    built: BuiltPage | None
    sun_caution: str
    footer: str


def record_page(record: Record) -> RecordPage:
    """The record in words."""
    assessment, version = record.assessment, record.assessment.version
    satellites = tuple(satellite_page(record, one, at + 1) for at, one in enumerate(record.satellites))
    built = None if record.built is None else built_page(record.built)
    by = f", by {record.by}" if record.by else ""
    sections = [
        ("safety", "Safety"),
        *([("notes", "To bear in mind")] if record.notes else []),
        ("place", "Place"),
        ("sky", "Sky view"),
    ]
    sections += [(one.anchor, one.name) for one in satellites]
    sections += [("built", "As built")] if built else []
    sections += [("measured", "What was measured")]
    sections += [("photos", "Photographs")] if record.photos else []
    sections += [("data", "What this rests on")]
    return RecordPage(
        title=record.title,
        subtitle=f"Mount: {assessment.mount.name}. Record of {record.made.isoformat()}{by}.",
        satellites=satellites,
        notes=record.notes,
        sections=tuple(sections),
        place=_place(record),
        geo_uri=record.geo_uri,
        cautions=record.cautions,
        survey=_survey(record.survey),
        files=_files(record),
        basis=_basis(record),
        photos=record.photos,
        built=built,
        sun_caution=sun_caution().text,
        footer=(
            f"Made by skysill {version}. Azimuths clockwise from true north unless called magnetic; elevations above "
            "the level plane at the dish; WGS 84."
        ),
    )


def _place(record: Record) -> Facts:
    site, mount, terminal = record.assessment.site, record.assessment.mount, record.assessment.terminal
    ground = (
        NOT_KNOWN
        if site.ground_elevation_m is None
        else f"{site.ground_elevation_m:.1f} m ({site.ground_source})"
    )
    dish_m = mount.antenna_elevation_m
    return (
        ("dish", record.position),
        ("site", record.site_position),
        ("mount", mount.name),
        ("from the site", f"{mount.east_m:.1f} m east, {mount.north_m:.1f} m north"),
        ("dish centre", f"{mount.height_m:.2f} m above what the mount stands on"),
        ("dish elevation", NOT_KNOWN if dish_m is None else f"{dish_m:.1f} m above the datum"),
        ("ground elevation", ground),
        *_terminal(terminal),
    )


def _terminal(terminal: Terminal) -> Iterator[tuple[str, str]]:
    yield "dish diameter", f"{terminal.dish_diameter_m:g} m"
    transmit = "" if terminal.transmit_ghz is None else f", transmits {terminal.transmit_ghz:g} GHz"
    power = "" if terminal.transmit_power_w is None else f" with {terminal.transmit_power_w:g} W"
    alone = " only" if terminal.receive_only else ""
    yield "radio", f"receives {terminal.receive_ghz:g} GHz{alone}{transmit}{power}"
    if terminal.offset_angle_deg is not None:
        yield "offset angle", f"{terminal.offset_angle_deg:g}°"
    if terminal.cable_limit_m is not None:
        yield "longest cable", f"{terminal.cable_limit_m:g} m"


def _survey(survey: SurveyRecord | None) -> Facts:
    if survey is None:
        return ()
    sources = {
        "true": "none needed",
        "declination": "magnetic model of the date",
        "reference": "bearing of the zero mark",
        "landmarks": "sightings with the same compass",
        "sun": "the sun's shadow",
    }
    turned = f"{survey.correction_deg or 0.0:+.1f}°, from {sources[survey.correction_source or 'true']}"
    if survey.correction_source == "true":
        turned = sources["true"]
    elif survey.correction_sigma_deg:
        turned += f", good to {survey.correction_sigma_deg:.1f}°"
    return (
        ("file", survey.source),
        ("taken", NOT_KNOWN if survey.date is None else survey.date.isoformat()),
        ("readings", f"{survey.count}, of which {survey.with_distance} with a distance"),
        ("bearings", survey.bearings),
        ("instrument", survey.instrument),
        ("stated error of a bearing", f"{survey.bearing_error_deg:g}°"),
        ("stated error of an inclination", f"{survey.inclination_error_deg:g}°"),
        ("stated error of a distance", f"{100.0 * survey.distance_error_fraction:g} %"),
        ("correction to true north", turned),
    )


def _files(record: Record) -> Table | None:
    if not record.files:
        return None
    rows = tuple(
        (
            one.name,
            f"{one.role}: {one.detail}" if one.detail else one.role,
            f"{one.size_bytes:,}".replace(",", " "),
            one.sha256,
        )
        for one in record.files
    )
    heads = (
        Head("file"),
        Head("what it is", long=True),
        Head("bytes", number=True),
        Head("SHA-256", code=True),
    )
    return Table("Files that were read. The SHA-256 tells whether a file is still the same.", heads, rows)


def _basis(record: Record) -> tuple[str, ...]:
    criteria = record.assessment.criteria
    return (
        f"Room needed at a distance: half the dish and {criteria.fresnel_fraction:g} of the first Fresnel radius.",
        f"Clear means: that room is there now and after {criteria.years_ahead:g} years of growth, with a probability "
        f"of at least {100.0 * criteria.min_p_clear:g} %.",
        f"A reading without a distance counts as {criteria.assumed_distance_m:g} m away.",
        f"Refraction over the ground: an Earth {criteria.refraction_factor:.3g} times as large.",
        "Where nobody looked, nothing is taken to be free.",
    )
