"""The words of the field sheet, each sentence once: HTML and PDF are both made from this page."""

from __future__ import annotations

from dataclasses import dataclass

from skysill.aiming import clock
from skysill.cautions import sun_caution
from skysill.report.sheet import FieldSheet
from skysill.report.sheet_rows import SheetRow
from skysill.report.words import NOT_KNOWN, Facts, Head, Table, bearing, degrees, metres
from skysill.site import Mount

__all__ = ["SheetPage", "sheet_page"]


@dataclass(frozen=True, slots=True)
class SheetPage:
    """The field sheet, in words."""

    title: str
    subtitle: str
    summary: str
    windows: Table
    why: tuple[str, ...]
    notes: tuple[str, ...]
    place: Facts
    geo_uri: str
    cautions: tuple[str, ...]
    how: tuple[str, ...]
    equipment: tuple[str, ...]
    landmarks: Table | None
    sun: Table | None
    taken: Facts
    readings: Table | None
    sun_caution: str
    footer: str


def sheet_page(sheet: FieldSheet, *, csv_name: str = "") -> SheetPage:
    """The field sheet in words. csv_name : of the table that goes with it"""
    must = [row for row in sheet.rows if row.need == "measure"]
    checks = len(sheet.rows) - len(must)
    if must:
        summary = f"{len(must)} readings decide" + (
            f", {checks} more check what is known." if checks else "."
        )
    elif checks:
        summary = f"What is known covers these satellites; {checks} readings check it."
    else:
        summary = "Nothing need be measured."
    mount = sheet.mount
    date = "" if sheet.date is None else f" Magnetic bearings for {sheet.date.isoformat()}."
    return SheetPage(
        title=f"Field sheet: {sheet.site.name}",
        subtitle=f"Horizon survey for the mount {mount.name}.{date}",
        summary=summary,
        windows=_windows(sheet),
        why=tuple(dict.fromkeys(why for window in sheet.windows for why in window.why)),
        notes=sheet.notes,
        place=_standing(sheet),
        geo_uri=sheet.geo_uri,
        cautions=sheet.cautions,
        how=sheet.how,
        equipment=sheet.equipment,
        landmarks=_landmarks(sheet),
        sun=_shadows(sheet),
        taken=(
            ("by", ""),
            ("date, from and to, UTC", ""),
            ("weather, trees in leaf?", ""),
            ("compass, clinometer", ""),
            ("instrument above ground, m", ""),
            ("instrument stood", ""),
        ),
        readings=_readings(sheet, csv_name),
        sun_caution=sun_caution().text,
        footer=(
            "Made by skysill. Azimuths clockwise from north. Type the readings into "
            f"{csv_name or 'the CSV'} and feed it back; rows left empty count as not measured."
        ),
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


def _standing(sheet: FieldSheet) -> Facts:
    turn = sheet.declination_deg
    side = "" if turn is None else "east" if turn >= 0.0 else "west"
    mount: Mount = sheet.mount
    return (
        ("site", sheet.position),
        ("instrument", sheet.instrument),
        ("mount", f"{mount.east_m:.1f} m east, {mount.north_m:.1f} m north of the site's position"),
        ("dish centre", f"{mount.height_m:g} m above what the mount stands on"),
        (
            "declination",
            NOT_KNOWN if turn is None else f"{abs(turn):.1f}° {side}: true = magnetic {turn:+.1f}°",
        ),
        ("the CSV counts from", f"{sheet.bearings} north"),
    )


def _landmarks(sheet: FieldSheet) -> Table | None:
    if not sheet.landmarks:
        return None
    rows = tuple(
        (
            mark.name,
            bearing(mark.azimuth_deg),
            bearing(mark.bearing_magnetic_deg),
            metres(mark.distance_m),
            "",
        )
        for mark in sheet.landmarks
    )
    heads = (
        Head("landmark"),
        Head("true", number=True),
        Head("magnetic", number=True),
        Head("distance", number=True),
        Head("compass showed"),
    )
    return Table("Landmarks, seen from the instrument. Take the bearing of each.", heads, rows)


def _shadows(sheet: FieldSheet) -> Table | None:
    if not sheet.sun:
        return None
    rows = []
    for guide in sheet.sun:
        turn = sheet.declination_deg
        magnetic = None if turn is None else (guide.bearing_deg - turn) % 360.0
        rows.append(
            (
                clock(guide.time, sheet.zone, seconds=guide.on_line is not None),
                bearing(guide.bearing_deg),
                bearing(magnetic),
                f"{guide.length_per_height:.1f} times the pole",
                f"{abs(guide.drift_deg_per_min):.1f}° a minute",
                "",
            )
        )
    heads = (
        Head("time"),
        Head("shadow, true", number=True),
        Head("magnetic", number=True),
        Head("length"),
        Head("turns"),
        Head("compass showed"),
    )
    caption = "The shadow of a plumb pole on level ground. Sight along it, the way it points."
    return Table(caption, heads, tuple(rows))


def _readings(sheet: FieldSheet, csv_name: str) -> Table | None:
    if not sheet.rows:
        return None
    rows = tuple(_reading(row) for row in sheet.rows)
    heads = (
        Head("true (CSV)" if sheet.bearings == "true" else "true"),
        Head("magnetic (CSV)" if sheet.bearings == "magnetic" else "magnetic", number=True),
        Head("known already", long=True),
        Head("elevation, °"),
        Head("distance, m"),
        Head("note"),
    )
    named = f" They go into {csv_name}, in {sheet.bearings} bearings." if csv_name else ""
    strong = frozenset(at for at, row in enumerate(sheet.rows) if row.need == "measure")
    caption = f"Bold rows decide; the others check what is known.{named}"
    return Table(caption, heads, rows, strong)


def _reading(row: SheetRow) -> tuple[str, ...]:
    known = ""
    if row.known_deg is not None:
        away = "" if row.known_distance_m is None else f", {metres(row.known_distance_m)}"
        known = f"{row.known_deg:.1f}° {row.known_as}{away}"
    stands = f"{', '.join(row.satellites)} stands here. " if row.satellites else ""
    magnetic = "-" if row.bearing_magnetic_deg is None else bearing(row.bearing_magnetic_deg)
    return bearing(row.azimuth_deg), magnetic, f"{stands}{known}", "", "", ""
