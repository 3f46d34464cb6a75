"""Verdicts and reasons from what the compiled loops find, by the rules of the assessment of one mount."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from skysill.assessment.clearance import Clearance, Controlling
from skysill.assessment.confidence import Confidence
from skysill.assessment.coverage import gap_sentence, near_doubt_sentence
from skysill.assessment.verdict import Findings, Verdict, decide
from skysill.bulk.compiled.kernel import DishFindings
from skysill.bulk.compiled.placed import PlacedDishes
from skysill.bulk.compiled.raster_stack import RasterStack
from skysill.bulk.prefilter import ScreeningQuery
from skysill.radio.required_room import room_m
from skysill.units import Floats, wrap_360

__all__ = ["clearances", "judged"]

_KINDS_OF_ERROR = ("dish position", "dish height", "elevation raster")
_CERTAIN, _HOPELESS = 0.995, 0.005
"""Probabilities beyond which no error is named, as in `assessment.confidence`."""


def judged(
    stack: RasterStack, dishes: PlacedDishes, found: DishFindings, query: ScreeningQuery
) -> Iterator[tuple[Verdict, tuple[str, ...]]]:
    """Verdict and reasons of each dish; none of them `untold`.

    Where nothing comes as near as was looked for, nothing is said to control.
    """
    columns = (found.near_slant_m, found.near_raster, found.near_seen, found.p_clear, found.alone_deg)
    gaps = zip(
        found.gap_from_deg.tolist(), found.gap_to_deg.tolist(), found.gap_reach_m.tolist(), strict=True
    )
    place = zip(
        dishes.azimuth_deg.tolist(), dishes.apparent_deg.tolist(), dishes.wanted_m.tolist(), strict=True
    )
    each = zip(
        clearances(stack, found, query), gaps, place, *(part.tolist() for part in columns), strict=True
    )
    asked = query.criteria.min_p_clear
    for now, (first, last, reach_m), (
        azimuth,
        apparent,
        wanted_m,
    ), near_m, near, seen, p_clear, alone in each:
        uncovered = None
        if np.isfinite(reach_m):
            where = (
                f"between azimuth {wrap_360(azimuth + first):.0f} and {wrap_360(azimuth + last):.0f} degrees"
            )
            uncovered = gap_sentence(where, reach_m, wanted_m, query.highest_ground_m)
        doubt = (
            None
            if near < 0 or not now.has_clearance
            else near_doubt_sentence(near_m, stack.sources[near].name)
        )
        yield decide(
            Findings(
                satellite=query.satellite.name,
                elevation_apparent_deg=apparent,
                now=now,
                later=now,
                years=query.criteria.years_ahead,
                uncovered=uncovered,
                near_seen=bool(seen),
                near_unreliable=doubt,
                confidence=None if np.isnan(p_clear) else _confidence(p_clear, alone, asked),
                min_p_clear=asked,
            )
        )


def _confidence(p_clear: float, alone_deg: list[float], asked: float) -> Confidence:
    """The probability, with the error that matters most where it is too low."""
    if p_clear >= asked or not _HOPELESS <= p_clear <= _CERTAIN:
        return Confidence(p_clear, 0.0)
    largest = int(np.argmax(alone_deg))
    return Confidence(p_clear, 0.0, _KINDS_OF_ERROR[largest], alone_deg[largest])


def clearances(stack: RasterStack, found: DishFindings, query: ScreeningQuery) -> Iterator[Clearance]:
    """The clearance of each dish, as far as the verdict needs it; nothing controls where nothing comes near."""
    clear = found.clearances
    required_m: Floats = room_m(clear.slant_m, query.link)
    room = clear.slant_m * np.sin(np.deg2rad(clear.margin_deg))
    columns = (clear.margin_deg, room, required_m, clear.spare_deg, clear.slant_m, clear.raster)
    for margin, metres, required, spare, slant, number in zip(
        *(part.tolist() for part in columns), strict=True
    ):
        if np.isnan(margin):
            yield Clearance()
            continue
        raster = stack.sources[number]
        kind = "surface" if raster.kind == "surface" else "ground"
        controlling = Controlling(raster.name, kind, "terrain", 0.0, 0.0, slant, False)
        yield Clearance(
            margin_deg=margin,
            clearance_m=metres,
            required_m=required,
            controlling=controlling,
            spare_deg=spare,
        )
