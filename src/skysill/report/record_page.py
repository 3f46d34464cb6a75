"""The text of the survey record, each sentence once: HTML and PDF are both made from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from skysill.assessment.cautions import sun_caution
from skysill.model.site import Terminal
from skysill.remedies.tape_distances import tape_words
from skysill.report.as_built import PhotoRecord
from skysill.report.as_built_page import BuiltPage, built_page, commissioning
from skysill.report.formatting import (
    NOT_KNOWN,
    Facts,
    Head,
    Table,
    bearing,
    degrees,
    east_and_north,
    for_readers,
    metres,
)
from skysill.report.record import Record
from skysill.report.satellite_page import SatellitePage, satellite_page
from skysill.report.survey_readings import ReadingRow, SurveyRecord

__all__ = ["RecordPage", "record_page"]


@dataclass(frozen=True, slots=True)
class RecordPage:
    """The record as text."""

    title: str
    subtitle: str
    satellites: tuple[SatellitePage, ...]
    notes: tuple[str, ...]
    changes: tuple[str, ...] | None
    changes_heading: str
    sections: tuple[tuple[str, str], ...]
    place: Facts
    geo_uri: str
    cautions: tuple[str, ...]
    survey: Facts
    readings: Table | None
    sightings: Table | None
    commissioning: Table
    files: Table | None
    basis: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]
    built: BuiltPage | None
    sun_caution: str
    footer: str


def record_page(record: Record) -> RecordPage:
    """The text of a record."""
    assessment, version = record.assessment, record.assessment.version
    satellites = tuple(satellite_page(record, one, at + 1) for at, one in enumerate(record.satellites))
    built = None if record.built is None else built_page(record.built)
    by = f", by {record.by}" if record.by else ""
    notes = for_readers(record.notes)
    sections = [
        ("verdict", "Verdict"),
        ("safety", "Safety"),
        *([("notes", "To bear in mind")] if notes else []),
        *([("changes", "What changed")] if record.changes is not None else []),
        ("place", "Place"),
        ("sky", "Sky view"),
    ]
    sections += [(one.anchor, one.name) for one in satellites]
    sections += [("built", "As built" if built else "After alignment")]
    sections += [("measured", "What was measured")]
    sections += [("photos", "Photographs")] if record.photos else []
    sections += [("data", "What this rests on")]
    return RecordPage(
        title=record.title,
        subtitle=f"Mount: {assessment.mount.name}. Record of {record.made.isoformat()}{by}.",
        satellites=satellites,
        notes=notes,
        changes=_changes(record),
        changes_heading=_changes_heading(record),
        sections=tuple(sections),
        place=_place(record),
        geo_uri=record.geo_uri,
        cautions=record.cautions,
        survey=_survey(record.survey),
        readings=_readings(record.survey),
        sightings=_sightings(record.survey),
        commissioning=commissioning(record.built),
        files=_files(record),
        basis=_basis(record),
        photos=record.photos,
        built=built,
        sun_caution=sun_caution().text,
        footer=(
            f"Made by skysill {version}. Azimuths clockwise from true north unless called magnetic; elevations above "
            "the level plane."
        ),
    )


def _changes_heading(record: Record) -> str:
    found = record.changes
    if found is None:
        return ""
    by = f", by {found.by}" if found.by else ""
    return f"What changed since the record of {found.since or 'an unknown day'}{by}"


def _changes(record: Record) -> tuple[str, ...] | None:
    """Changes since the last record; a sentence where there is none, None where there was no last record."""
    if record.changes is None:
        return None
    return record.changes.changes or ("Nothing: verdicts, readings, files, photographs are the same.",)


def _place(record: Record) -> Facts:
    site, mount, terminal = record.assessment.site, record.assessment.mount, record.assessment.terminal
    zero = (
        "counted as the ground's height was given"
        if site.ground_source == "given"
        else f"above the zero level of {site.ground_source}"
    )
    ground_m, dish_m = site.ground_elevation_m, mount.antenna_elevation_m
    return (
        ("dish", record.position),
        ("site", record.site_position),
        ("mount", mount.name),
        ("from the site", east_and_north(mount.east_m, mount.north_m)),
        *((("by tape", tape_words(record.tapes)),) if record.tapes else ()),
        ("dish centre", f"{mount.height_m:.2f} m above what the mount stands on"),
        ("height of the ground", NOT_KNOWN if ground_m is None else f"{ground_m:.1f} m, {zero}"),
        ("height of the dish", NOT_KNOWN if dish_m is None else f"{dish_m:.1f} m, counted alike"),
        *_cable(record),
        *_terminal(terminal),
    )


def _cable(record: Record) -> Iterator[tuple[str, str]]:
    limit_m = record.assessment.terminal.cable_limit_m
    if record.cable_run_m is not None:
        over = limit_m is not None and record.cable_run_m > limit_m
        yield "cable run", f"{record.cable_run_m:.1f} m, slack included" + (": too long" if over else "")
    if limit_m is not None:
        yield "longest cable", f"{limit_m:g} m"


def _terminal(terminal: Terminal) -> Iterator[tuple[str, str]]:
    yield "dish diameter", f"{terminal.dish_diameter_m:g} m"
    transmit = "" if terminal.transmit_ghz is None else f", transmits {terminal.transmit_ghz:g} GHz"
    power = "" if terminal.transmit_power_w is None else f" with {terminal.transmit_power_w:g} W"
    alone = " only" if terminal.receive_only else ""
    yield "radio", f"receives {terminal.receive_ghz:g} GHz{alone}{transmit}{power}"
    if terminal.offset_angle_deg is not None:
        yield "offset angle", f"{terminal.offset_angle_deg:g}°"


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
        ("stated error of a distance", _distance_error(survey)),
        ("correction to true north", turned),
    )


def _distance_error(survey: SurveyRecord) -> str:
    share = f"{100.0 * survey.distance_error_fraction:g} %"
    return f"{survey.distance_error_m:g} m and {share}" if survey.distance_error_m else share


def _readings(survey: SurveyRecord | None) -> Table | None:
    """Every reading as it was taken; empty columns are left out."""
    if survey is None or not survey.readings:
        return None
    typed = survey.bearings != "true" or survey.correction_source != "true"
    columns: list[tuple[Head, list[str]]] = [
        (Head("true", number=True), [bearing(row.azimuth_deg) for row in survey.readings]),
        (Head("elevation", number=True), [degrees(row.elevation_deg) for row in survey.readings]),
        (Head("distance", number=True), [_distance_text(row) for row in survey.readings]),
        (Head("kind"), [row.kind for row in survey.readings]),
        (Head("leaf"), [row.leaf for row in survey.readings]),
        (Head("station"), [row.station for row in survey.readings]),
        (Head("note", long=True), [row.note for row in survey.readings]),
    ]
    if typed:
        read = [bearing(row.bearing_deg) for row in survey.readings]
        columns.insert(0, (Head("as read", number=True), read))
    kept = [(head, cells) for head, cells in columns if any(cells)]
    rows = tuple(zip(*(cells for _, cells in kept), strict=True))
    return Table("Readings as they were taken", tuple(head for head, _ in kept), rows)


def _distance_text(row: ReadingRow) -> str:
    if row.distance_m is None:
        return "-"
    return f"over {metres(row.distance_m)}" if row.at_least else metres(row.distance_m)


def _sightings(survey: SurveyRecord | None) -> Table | None:
    if survey is None or not survey.sightings:
        return None
    rows = tuple(
        (one.name, bearing(one.azimuth_deg), bearing(one.bearing_deg), f"{one.left_deg:+.1f}°")
        for one in survey.sightings
    )
    heads = (
        Head("sighting"),
        Head("true", number=True),
        Head("compass showed", number=True),
        Head("left over", number=True),
    )
    return Table("What the compass showed, and what its correction leaves over", heads, rows)


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
