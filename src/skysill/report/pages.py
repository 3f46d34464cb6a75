"""The words of the record and of the sheet, each sentence once: HTML and PDF are both made from these pages."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from skysill.aiming import clock
from skysill.assess import SatelliteResult
from skysill.cautions import sun_caution
from skysill.report.built import Built, PhotoRecord
from skysill.report.record import Record, SatelliteRecord, SurveyRecord
from skysill.report.sheet import FieldSheet, SheetRow
from skysill.site import Mount, Terminal

__all__ = [
    "BuiltPage",
    "Head",
    "RecordPage",
    "SatellitePage",
    "SheetPage",
    "Table",
    "record_page",
    "sheet_page",
]

Facts = tuple[tuple[str, str], ...]

WORDS = {
    "clear": ("●", "CLEAR"),
    "marginal": ("▲", "MARGINAL"),
    "needs-survey": ("◆", "NEEDS SURVEY"),
    "unknown": ("■", "UNKNOWN"),
    "blocked": ("✖", "BLOCKED"),
}
"""A mark and a word for each verdict: nothing rests on colour."""

MOST_TIMES = 48
"""Of a track, on one page."""

_NONE = "not known"


@dataclass(frozen=True, slots=True)
class Head:
    """A column's head. number : set to the right; long : holds sentences; code : holds digits of a checksum"""

    text: str
    number: bool = False
    long: bool = False
    code: bool = False

    @property
    def style(self) -> str:
        """One word for how its cells are set."""
        return "number" if self.number else "code" if self.code else "long" if self.long else ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table of texts; the first column names the row. strong : rows that must catch the eye"""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    strong: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class SatellitePage:
    """One satellite: verdict, pointing card, aiming help, what stands beside the line."""

    name: str
    verdict: str
    glyph: str
    word: str
    anchor: str
    where: str
    basis: str
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]
    pointing: Facts
    face: str
    guides: tuple[str, ...]
    sun: tuple[str, ...]
    sunlight: tuple[str, ...]
    obstructions: Table | None
    track: Table | None
    loss: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BuiltPage:
    """As built against plan."""

    heading: str
    table: Table
    notes: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]


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


def _deg(value: float | None, digits: int = 1) -> str:
    return _NONE if value is None else f"{value:.{digits}f}°"


def _bearing(value: float | None) -> str:
    """Never 360.0: north is 0."""
    return _NONE if value is None else f"{round(value, 1) % 360.0:.1f}°"


def _m(value: float | None) -> str:
    if value is None:
        return _NONE
    if abs(value) >= 10_000.0:
        return f"{value / 1000.0:.1f} km"
    return (
        f"{value:.0f} m"
        if abs(value) >= 100.0
        else f"{value:.1f} m"
        if abs(value) >= 10.0
        else f"{value:.2f} m"
    )


def record_page(record: Record) -> RecordPage:
    """The record in words."""
    assessment, version = record.assessment, record.assessment.version
    satellites = tuple(_satellite_page(record, one, at + 1) for at, one in enumerate(record.satellites))
    built = None if record.built is None else _built_page(record.built)
    by = f", by {record.by}" if record.by else ""
    sections = [
        ("place", "Place"),
        *([("cautions", "Cautions")] if record.cautions else []),
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
            f"Made by skysill {version}. Angles in degrees, azimuths clockwise from true north unless they say "
            "magnetic, elevations above the level plane at the dish, WGS 84."
        ),
    )


def _satellite_page(record: Record, one: SatelliteRecord, number: int) -> SatellitePage:
    result, look = one.result, one.result.look
    glyph, word = WORDS[result.verdict]
    where = "below the horizon here"
    if look.visible:
        azimuth = "straight up" if look.azimuth_deg is None else f"azimuth {look.azimuth_deg:.1f}° true"
        where = f"{azimuth}, elevation {look.elevation_apparent_deg:.1f}°"
    moving = look.time_utc is not None
    return SatellitePage(
        name=result.satellite.name,
        verdict=result.verdict,
        glyph=glyph,
        word=word,
        anchor=f"satellite-{number}",
        where=f"{where}, at its worst moment {look.time_utc}" if moving else where,
        basis=_rests_on(result),
        reasons=result.reasons,
        remedies=tuple(remedy.text for remedy in result.remedies),
        pointing=tuple(_pointing(record, one)) if look.visible else (),
        face=one.aim.face.text if one.aim.face is not None and look.visible else "",
        guides=tuple(guide.text for guide in one.aim.guides) if look.visible else (),
        sun=tuple(guide.text for guide in one.aim.sun),
        sunlight=tuple(_sunlight(record, one)),
        obstructions=_obstruction_table(record, one),
        track=_track(one),
        loss=tuple(_loss(one)),
    )


def _rests_on(result: SatelliteResult) -> str:
    """Who spoke, and how sure it is."""
    words = {"measured": "measured horizon", "terrain": "terrain", "obstacle": "obstacles"}
    spoke = ", ".join(words.get(source, source) for source in result.basis)
    sure = (
        "" if result.p_clear is None else f" Probability that the room is there: {_percent(result.p_clear)}."
    )
    return f"Rests on: {spoke or 'nothing'}.{sure}"


def _percent(share: float) -> str:
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"


def _pointing(record: Record, one: SatelliteRecord) -> Iterator[tuple[str, str]]:
    look, aim, terminal = one.result.look, one.aim, record.assessment.terminal
    yield "azimuth, true", _bearing(look.azimuth_deg)
    if look.bearing_magnetic_deg is not None:
        turn = look.declination_deg or 0.0
        side = "east" if turn >= 0.0 else "west"
        yield "azimuth, magnetic", f"{look.bearing_magnetic_deg:.1f}° (declination {abs(turn):.1f}° {side})"
    else:
        yield "azimuth, magnetic", "not known: no date within the magnetic model"
    if aim.survey_bearing_deg is not None and aim.survey_bearing_source in ("landmarks", "sun"):
        by = aim.survey_bearing_source
        yield "on the survey's own compass", f"{aim.survey_bearing_deg:.1f}° (corrected by {by})"
    yield "elevation", f"{look.elevation_apparent_deg:.1f}°"
    if aim.face is not None:
        way = "back" if aim.face.tilt_deg >= 0.0 else "forward"
        yield "dish face from plumb", f"{abs(aim.face.tilt_deg):.1f}° {way}"
    if terminal.polarization == "linear":
        tilt = look.polarization_tilt_deg
        way = "" if tilt is None else ", clockwise" if tilt >= 0.0 else ", anticlockwise"
        seen = "" if tilt is None else f"{abs(tilt):.1f}°{way}, seen from behind the dish"
        yield "feed turned", seen or _NONE
    else:
        yield "feed turned", "not needed: circular polarisation"
    yield "half the beam", f"{aim.beam_half_width_deg:.2f}°: that far off, the signal has fallen by half"
    yield "distance", f"{look.slant_range_m / 1000.0:,.0f} km".replace(",", " ")


def _sunlight(record: Record, one: SatelliteRecord) -> Iterator[str]:
    if one.sun is None:
        return
    if one.proof is not None:
        yield f"From {clock(one.proof.time, record.zone)}, when the sun crosses this azimuth. {one.proof.lit_means}"
    for season in one.sun.alignments[:2]:
        yield (
            f"The sun stands behind the satellite around {clock(season.peak_time, record.zone)}, from "
            f"{season.season_start.date()} to {season.season_end.date()}: reception may fail for up to "
            f"{season.longest_outage_min:.0f} minutes a day."
        )


def _obstruction_table(record: Record, one: SatelliteRecord) -> Table | None:
    if not one.obstructions:
        return None
    rows = tuple(
        (
            f"{thing.name} ({thing.kind}, {thing.source})",
            _deg(thing.azimuth_deg, 0),
            _deg(thing.elevation_deg),
            _m(thing.distance_m) + (" assumed" if thing.distance_assumed else ""),
            f"{_m(thing.clearance_m)}, {thing.margin_deg:.1f}°",
            _m(thing.required_m),
            f"{thing.spare_deg:+.1f}°, {thing.word}" if thing.margin_deg > 0.0 else thing.word,
        )
        for thing in one.obstructions
    )
    more = f" {one.more} further things leave more room." if one.more else ""
    heads = (
        Head("thing"),
        Head("azimuth", number=True),
        Head("height", number=True),
        Head("distance", number=True),
        Head("room", number=True),
        Head("needed", number=True),
        Head("to spare", number=True),
    )
    tight = frozenset(at for at, thing in enumerate(one.obstructions) if thing.spare_deg < 0.0)
    return Table(f"The tightest first, from the dish centre.{more}", heads, rows, tight)


def _track(one: SatelliteRecord) -> Table | None:
    """The way of an object that moves, thinned to what a page holds; None for one that stands still."""
    track = one.result.track
    if track is None:
        return None
    step = -(-len(track.time_utc) // MOST_TIMES)
    rows = tuple(
        (
            time.replace("T", " ")[:16],
            _bearing(track.azimuth_deg[at]),
            _deg(track.elevation_deg[at]),
            _deg(track.margin_deg[at]),
            WORDS[track.verdict[at]][1],
        )
        for at, time in enumerate(track.time_utc)
        if at % step == 0
    )
    heads = (
        Head("time, UTC"),
        Head("azimuth", number=True),
        Head("elevation", number=True),
        Head("room beside the line", number=True),
        Head("verdict"),
    )
    told = f"Clear at {100.0 * track.share_clear:.0f} % of the {len(track.time_utc)} times asked."
    if step > 1:
        told += f" Every {step}th is shown."
    strong = frozenset(at for at, row in enumerate(rows) if row[-1] == WORDS["blocked"][1])
    return Table(told, heads, rows, strong)


def _loss(one: SatelliteRecord) -> Iterator[str]:
    clearance = one.result.clearance
    if clearance.loss_db is not None and clearance.loss_db >= 0.05 and clearance.blocked_fraction is not None:
        yield (
            f"What controls takes {clearance.loss_db:.1f} dB off the signal (knife edge, ITU-R P.526, averaged "
            f"over the dish) and hides {100.0 * clearance.blocked_fraction:.0f} % of the dish's aperture."
        )
    if one.rain is not None:
        yield f"{one.rain.text} Model: {one.rain.model}."
    if one.rain_note is not None:
        yield one.rain_note


def _place(record: Record) -> Facts:
    site, mount, terminal = record.assessment.site, record.assessment.mount, record.assessment.terminal
    ground = (
        _NONE
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
        ("dish elevation", _NONE if dish_m is None else f"{dish_m:.1f} m above the datum"),
        ("ground elevation", ground),
        *_terminal(terminal),
    )


def _terminal(terminal: Terminal) -> Iterator[tuple[str, str]]:
    yield "dish diameter", f"{terminal.dish_diameter_m:g} m"
    transmit = "" if terminal.transmit_ghz is None else f", transmits {terminal.transmit_ghz:g} GHz"
    power = "" if terminal.transmit_power_w is None else f" with {terminal.transmit_power_w:g} W"
    yield "radio", f"receives {terminal.receive_ghz:g} GHz{transmit}{power}"
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
        ("taken", _NONE if survey.date is None else survey.date.isoformat()),
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


def _built_page(made: Built) -> BuiltPage:
    done = made.as_built
    when = "" if done.date is None else f" on {done.date.isoformat()}"
    by = f" by {done.by}" if done.by else ""
    heads = (
        Head("what"),
        Head("planned", number=True),
        Head("as built", number=True),
        Head("difference", number=True),
    )
    rows = tuple(
        (row.quantity, row.planned, row.done, f"{row.difference} (!)" if row.matters else row.difference)
        for row in made.rows
    )
    notes = list(made.notes)
    if made.anew is not None:
        word = WORDS[made.anew.verdict][1]
        notes.insert(
            0,
            f"From where the dish really stands, {made.anew.satellite.name} is {word}. {' '.join(made.anew.reasons)}",
        )
    if done.note:
        notes.append(f"Installer's note: {done.note}")
    return BuiltPage(
        heading=f"Done{when}{by}" + (f", for {done.satellite}." if done.satellite else "."),
        table=Table(
            "Planned and as built; (!) marks what the plan does not cover.",
            heads,
            rows,
            frozenset(at for at, row in enumerate(made.rows) if row.matters),
        ),
        notes=tuple(notes),
        photos=made.photos,
    )


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
        return _NONE
    return f"{from_deg:.0f}° to {to_deg:.0f}°"


def _windows(sheet: FieldSheet) -> Table:
    rows = []
    for window in sheet.windows:
        look = window.look
        if window.need == "enough":
            rows.append(
                (look.satellite, "-", "-", _deg(look.elevation_apparent_deg), "-", "nothing to measure")
            )
            continue
        whole = (window.from_deg, window.to_deg) == (0.0, 360.0)
        need = "measure" if window.need == "measure" else "check"
        rows.append(
            (
                look.satellite,
                "all round" if whole else _span(window.from_deg, window.to_deg),
                "all round" if whole else _span(window.from_magnetic_deg, window.to_magnetic_deg),
                _deg(look.elevation_apparent_deg),
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
        ("declination", _NONE if turn is None else f"{abs(turn):.1f}° {side}: true = magnetic {turn:+.1f}°"),
        ("the CSV counts from", f"{sheet.bearings} north"),
    )


def _landmarks(sheet: FieldSheet) -> Table | None:
    if not sheet.landmarks:
        return None
    rows = tuple(
        (mark.name, _bearing(mark.azimuth_deg), _bearing(mark.bearing_magnetic_deg), _m(mark.distance_m), "")
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
                _bearing(guide.bearing_deg),
                _bearing(magnetic),
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
        away = "" if row.known_distance_m is None else f", {_m(row.known_distance_m)}"
        known = f"{row.known_deg:.1f}° {row.known_as}{away}"
    stands = f"{', '.join(row.satellites)} stands here. " if row.satellites else ""
    magnetic = "-" if row.bearing_magnetic_deg is None else _bearing(row.bearing_magnetic_deg)
    return _bearing(row.azimuth_deg), magnetic, f"{stands}{known}", "", "", ""
