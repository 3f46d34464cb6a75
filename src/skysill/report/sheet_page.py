"""The text of the field sheet, each sentence once: HTML and PDF are both made from it."""

from __future__ import annotations

from dataclasses import dataclass

from skysill.assessment.cautions import sun_caution
from skysill.model.site import Mount
from skysill.pointing.sun_guides import clock
from skysill.report.formatting import NOT_KNOWN, Facts, Head, Table, bearing, degrees, east_and_north, metres
from skysill.report.sheet import FieldSheet
from skysill.report.sheet_rows import SheetRow

__all__ = ["SheetPage", "sheet_page"]


BLANK_ROWS = 4
"""Number of rows without an azimuth, for edges between those asked for."""

BLANK_LANDMARKS = 2
"""Number of rows for landmarks that the site file does not have."""


@dataclass(frozen=True, slots=True)
class SheetPage:
    """The field sheet as text, in the order of the page.

    at_mount : a sentence where the mount takes fewer readings, else empty
    """

    title: str
    subtitle: str
    summary: str
    at_mount: str
    stand: str
    before: str
    readings: Table | None
    taken: Facts
    landmarks: Table
    sun: Table | None
    sun_caution: str
    cautions: tuple[str, ...]
    how: tuple[str, ...]
    equipment: str
    windows: Table
    why: tuple[str, ...]
    notes: tuple[str, ...]
    place: Facts
    geo_uri: str
    footer: str


def sheet_page(sheet: FieldSheet, *, csv_name: str = "") -> SheetPage:
    """The text of a field sheet. csv_name : name of its table"""
    date = "" if sheet.date is None else f", {sheet.date.isoformat()}"
    return SheetPage(
        title=f"{'Revisit' if sheet.taken is not None else 'Field sheet'}: {sheet.site.name}",
        subtitle=f"Horizon survey for the mount {sheet.mount.name}{date}",
        summary=_summary(sheet),
        at_mount=_at_mount_text(sheet),
        stand=f"Stand {sheet.instrument}.",
        before="Read the safety section on a later page before you raise or climb anything.",
        readings=_readings(sheet, csv_name),
        taken=(
            ("by", ""),
            ("from, to (local)", ""),
            ("eye above ground, m", ""),
            ("weather, leaf?", ""),
            ("compass, clinometer", ""),
            ("stood at", ""),
        ),
        landmarks=_landmarks(sheet),
        sun=_shadows(sheet),
        sun_caution=sun_caution().text,
        cautions=sheet.cautions,
        how=sheet.how,
        equipment=f"Take along: {'; '.join(sheet.equipment)}.",
        windows=_windows(sheet),
        why=tuple(dict.fromkeys(why for window in sheet.windows for why in window.why)),
        notes=sheet.notes,
        place=_place_facts(sheet),
        geo_uri=sheet.geo_uri,
        footer=f"Made by skysill. Type the readings into {csv_name or 'the CSV'} and feed it back with --horizon.",
    )


def _summary(sheet: FieldSheet) -> str:
    if sheet.taken is not None:
        return _revisit_summary(sheet)
    must = sum(row.need == "measure" for row in sheet.rows)
    checks = len(sheet.rows) - must
    if must:
        return f"{must} readings decide" + (f", {checks} more check what is known." if checks else ".")
    if checks:
        return f"What is known covers these satellites; {checks} readings check it."
    return "Nothing need be measured."


def _revisit_summary(sheet: FieldSheet) -> str:
    """What a revisit has to read and measure."""
    again = sum(row.read_deg is not None for row in sheet.rows)
    new = len(sheet.rows) - again
    parts = [f"{new} azimuths to read"] if new else []
    parts += [f"{again} distances to measure"] if again else []
    if not parts:
        return "Revisit: the readings lack nothing for these satellites."
    return f"Revisit, only what is missing: {' and '.join(parts)}."


def _at_mount_text(sheet: FieldSheet) -> str:
    """How many readings the mount takes, and what to write in the site file for it."""
    there = sheet.at_mount
    if there is None:
        return ""
    return (
        f"Stand at the mount: {there.readings} readings instead of {len(sheet.rows)}. Where it can be stood at safely, "
        f"write east_m = {there.east_m:.1f} and north_m = {there.north_m:.1f} under [survey], and make the sheet again."
    )


def _span(from_deg: float | None, to_deg: float | None) -> str:
    if from_deg is None or to_deg is None:
        return NOT_KNOWN
    return f"{from_deg:.0f}° to {to_deg:.0f}°"


def _windows(sheet: FieldSheet) -> Table:
    rows = []
    for window in sheet.windows:
        look = window.look
        if window.need == "enough":
            rows.append(
                (look.satellite, "-", "-", degrees(look.elevation_apparent_deg), "-", "nothing to measure")
            )
            continue
        whole = (window.from_deg, window.to_deg) == (0.0, 360.0)
        need = "measure" if window.need == "measure" else "check"
        rows.append(
            (
                look.satellite,
                "all round" if whole else _span(window.from_deg, window.to_deg),
                "all round" if whole else _span(window.from_magnetic_deg, window.to_magnetic_deg),
                degrees(look.elevation_apparent_deg),
                f"above {window.watch_deg:.0f}°",
                f"{need}, every {window.step_deg:g}°",
            )
        )
    heads = (
        Head("satellite"),
        Head("true", number=True),
        Head("magnetic", number=True),
        Head("stands at", number=True),
        Head("matters", number=True),
        Head("do"),
    )
    return Table("Azimuths that matter, for each satellite", heads, tuple(rows))


def _place_facts(sheet: FieldSheet) -> Facts:
    turn = sheet.declination_deg
    side = "" if turn is None else "east" if turn >= 0.0 else "west"
    mount: Mount = sheet.mount
    return (
        ("site", sheet.position),
        ("mount", f"{east_and_north(mount.east_m, mount.north_m)} of the site's position"),
        ("dish centre", f"{mount.height_m:g} m above what the mount stands on"),
        (
            "declination" if sheet.taken is None else "compass of the survey",
            NOT_KNOWN if turn is None else f"{abs(turn):.1f}° {side}: true = magnetic {turn:+.1f}°",
        ),
        ("the CSV counts from", f"{sheet.bearings} north"),
    )


def _landmarks(sheet: FieldSheet) -> Table:
    """Landmarks of the site file, and empty rows for others."""
    rows = [
        (
            f"{mark.name}, {metres(mark.distance_m)}",
            bearing(mark.azimuth_deg),
            bearing(mark.bearing_magnetic_deg),
            "",
        )
        for mark in sheet.landmarks
    ]
    rows += [("", "", "", "")] * BLANK_LANDMARKS
    heads = (
        Head("landmark"),
        Head("true", number=True),
        Head("magnetic", number=True),
        Head("compass showed"),
    )
    caption = "Landmarks, from the instrument. Take the bearing of each; two check each other."
    if not sheet.landmarks:
        caption = (
            "The site file names no landmark. Take far things that are on the map; two check each other."
        )
    return Table(caption, heads, tuple(rows))


def _shadows(sheet: FieldSheet) -> Table | None:
    if not sheet.sun:
        return None
    rows, zone = [], sheet.zone
    days = {guide.time.astimezone(zone).date() for guide in sheet.sun}
    for guide in sheet.sun:
        turn = sheet.declination_deg
        magnetic = None if turn is None else (guide.bearing_deg - turn) % 360.0
        local = guide.time.astimezone(zone)
        when = f"{local:%H:%M}" if len(days) == 1 else f"{local:%-d %b %H:%M}"
        rows.append((when, bearing(guide.bearing_deg), bearing(magnetic), ""))
    heads = (
        Head("time"),
        Head("shadow, true", number=True),
        Head("magnetic", number=True),
        Head("compass showed"),
    )
    clocks = clock(sheet.sun[0].time, zone)
    day = f"{clocks[:10]}, " if len(days) == 1 else ""
    fastest = max(abs(guide.drift_deg_per_min) for guide in sheet.sun)
    caption = (
        f"A plumb pole's shadow, {day}clocks of {clocks[17:]}. Sight along it with the sun behind you. "
        f"It turns up to {fastest:.1f}° a minute."
    )
    return Table(caption, heads, tuple(rows))


def _readings(sheet: FieldSheet, csv_name: str) -> Table | None:
    if not sheet.rows:
        return None
    magnetic_first = sheet.bearings == "magnetic"
    rows = [_reading(row, magnetic_first) for row in sheet.rows]
    rows += [("",) * len(rows[0])] * BLANK_ROWS
    frames = ("magnetic", "true") if magnetic_first else ("true", "magnetic")
    heads = (
        Head(f"{frames[0]} (CSV)", number=True),
        Head(frames[1], number=True),
        Head("known already", long=True),
        Head("elevation °"),
        Head("distance m"),
        Head("kind"),
        Head("leaf"),
        Head("note"),
    )
    named = f" They go into {csv_name}, in {sheet.bearings} bearings." if csv_name else ""
    strong = frozenset(at for at, row in enumerate(sheet.rows) if row.need == "measure")
    checks = "" if len(strong) == len(sheet.rows) else " Bold rows decide; the others check what is known."
    caption = f"In the order of a sweep, clockwise; empty rows for edges between.{checks}{named}"
    return Table(caption, heads, tuple(rows), strong)


def _reading(row: SheetRow, magnetic_first: bool) -> tuple[str, ...]:
    known = ""
    if row.known_deg is not None:
        away = "" if row.known_distance_m is None else f", {_rounded_distance(row.known_distance_m)}"
        known = f"{row.known_deg:.1f}° {row.known_as}{away}"
    here = f"{', '.join(row.satellites)} here. " if row.satellites else ""
    magnetic = "-" if row.bearing_magnetic_deg is None else bearing(row.bearing_magnetic_deg)
    frames = bearing(row.azimuth_deg), magnetic
    if row.read_deg is not None:
        note = f"read as {row.read_deg:.1f}°{', ' + row.read_note if row.read_note else ''}"
        place = frames[::-1] if magnetic_first else frames
        return (*place, f"{note}: measure its distance", f"{row.read_deg:.1f}", "", "", "", "")
    return (*(frames[::-1] if magnetic_first else frames), f"{here}{known}", "", "", "", "", "")


def _rounded_distance(distance_m: float) -> str:
    return metres(distance_m) if distance_m < 10.0 else f"{distance_m:.0f} m"
