"""The pictures of a record, each with a description for those who cannot see it."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from skysill.assessment.results import SatelliteResult
from skysill.report.record import Record, SatelliteRecord

__all__ = ["Picture", "Pictures", "pictures", "qr_png", "qr_svg"]


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A rendered picture at the size it has on a page.

    kind : "svg" or "png"; width_in, height_in : as drawn; caption : what it shows, and how to read it
    """

    title: str
    caption: str
    alt: str
    kind: Literal["svg", "png"]
    data: bytes
    width_in: float
    height_in: float

    @property
    def data_uri(self) -> str:
        """The picture as a data URI (RFC 2397)."""
        mime = "image/svg+xml" if self.kind == "svg" else "image/png"
        return f"data:{mime};base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """The pictures of a record.

    sky, plan : of the whole record; beside : strip and path profile of each satellite; tilt : the dish from the side
    """

    sky: Picture
    plan: Picture | None
    beside: tuple[tuple[Picture, ...], ...]
    tilt: tuple[Picture | None, ...]


def pictures(record: Record, kind: Literal["svg", "png"]) -> Pictures:
    """Every picture of a record, drawn."""
    from skysill.plots.sky_view import sky_figure
    from skysill.plots.theme import PRINT_THEME

    assessment = record.assessment
    results = "; ".join(_description(result) for result in assessment.results)
    sky = _rendered(
        lambda: sky_figure(assessment, heading=False, theme=PRINT_THEME),
        kind,
        "Sky view",
        "As on a map: north up, east right; the middle is straight up.",
        f"The sky from {assessment.mount.name} as a disc, north up, with everything that stands around. {results}.",
    )
    return Pictures(
        sky,
        plan=_plan(record, kind),
        beside=tuple(tuple(_beside(record, one, kind)) for one in record.satellites),
        tilt=tuple(_tilt(one, kind) for one in record.satellites),
    )


def _beside(record: Record, one: SatelliteRecord, kind: Literal["svg", "png"]) -> Iterator[Picture]:
    from skysill.plots.path_profile import path_profile_figure
    from skysill.plots.strip import strip_figure
    from skysill.plots.theme import PRINT_THEME

    assessment, name = record.assessment, one.result.satellite.name
    if one.result.look.visible:
        words = _description(one.result)
        yield _rendered(
            lambda: strip_figure(assessment, name, heading=False, theme=PRINT_THEME),
            kind,
            f"Sky around {name}",
            "Angles from the cross are true in every direction; the circle is the room that is needed.",
            f"The sky around {name} enlarged, with the room that is needed drawn as a circle. {words}.",
        )
        if one.result.look.azimuth_deg is not None:
            yield _rendered(
                lambda: path_profile_figure(assessment, name, heading=False, theme=PRINT_THEME),
                kind,
                f"Path to {name}",
                _path_caption(record, one),
                f"The vertical plane from the dish towards {name}: ground, the ray and the room it needs. {words}.",
            )


def _plan(record: Record, kind: Literal["svg", "png"]) -> Picture | None:
    """The surroundings from above, with each satellite's line and the allowed heights along it."""
    found = record.surroundings
    if found is None:
        return None
    from skysill.plots.plan_surroundings import draw_plan
    from skysill.plots.theme import PRINT_THEME, new_figure

    def draw() -> Any:
        figure = new_figure(PRINT_THEME.width_in, 3.75)
        draw_plan(figure.add_axes((0.01, 0.005, 0.98, 0.99)), found, theme=PRINT_THEME)
        return figure

    lines = ", ".join(f"{look.satellite} towards {look.azimuth_deg:.0f} degrees" for look in found.looks)
    return _rendered(
        draw,
        kind,
        "Plan of the surroundings",
        "North up. Strips: the room each satellite needs. Boxes with ≤: how tall things may be above the ground there.",
        f"Plan of what stands around {record.assessment.mount.name}, north up, with the lines to {lines}.",
    )


def _path_caption(record: Record, one: SatelliteRecord) -> str:
    assessment = record.assessment
    at = [result.satellite.name for result in assessment.results].index(one.result.satellite.name)
    if at >= len(assessment.paths) or assessment.paths[at] is None:
        return "Seen from the side. The ground along the way is not known: it is drawn flat."
    factor = assessment.criteria.refraction_factor
    return f"Seen from the side. The ground is lowered for the Earth's curvature, refraction factor {factor:.2f}."


def _tilt(one: SatelliteRecord, kind: Literal["svg", "png"]) -> Picture | None:
    from skysill.plots.dish_tilt import dish_tilt_figure
    from skysill.plots.theme import PRINT_THEME

    face, look = one.aim.face, one.result.look
    if face is None or not look.visible:
        return None
    return _rendered(
        lambda: dish_tilt_figure(
            elevation_deg=look.elevation_apparent_deg, tilt_deg=face.tilt_deg, theme=PRINT_THEME
        ),
        kind,
        "The dish from the side",
        "",
        f"The dish from the side, satellite to the right. {face.text}",
    )


def _rendered(draw: Any, kind: Literal["svg", "png"], title: str, caption: str, alt: str) -> Picture:
    from skysill.plots.theme import fixed_settings, render

    with fixed_settings():
        figure = draw()
    width_in, height_in = figure.get_size_inches()
    return Picture(
        title,
        f"{title}. {caption}".strip(),
        alt,
        kind,
        render(figure, kind, title=title),
        float(width_in),
        float(height_in),
    )


def _description(result: SatelliteResult) -> str:
    look, control = result.look, result.clearance.controlling
    if not look.visible:
        return f"{result.satellite.name} is below the horizon"
    where = "straight up" if look.azimuth_deg is None else f"at azimuth {look.azimuth_deg:.1f} degrees"
    text = f"{result.satellite.name} {where}, elevation {look.elevation_apparent_deg:.1f} degrees: {result.verdict}"
    return text if control is None else f"{text}, controlled by {control.name}"


def qr_svg(text: str) -> str:
    """A QR code (ISO/IEC 18004) as an SVG element, dark on white with its quiet zone."""
    import segno

    return str(
        segno.make(text, error="m", micro=False).svg_inline(
            scale=4, border=4, dark="#000000", light="#ffffff", omitsize=True, svgclass="qr", lineclass=None
        )
    )


def qr_png(text: str) -> bytes:
    """The same as PNG."""
    import io

    import segno

    buffer = io.BytesIO()
    segno.make(text, error="m", micro=False).save(buffer, kind="png", scale=8, border=4)
    return buffer.getvalue()
