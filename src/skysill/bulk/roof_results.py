"""Results of screening roofs: what is told of each building's best spot, by the names of the columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from skysill.assessment.cautions import EDGE_M, general_cautions
from skysill.assessment.results import SatelliteResult
from skysill.bulk.overhead_line_lists import OverheadLines
from skysill.bulk.prefilter import FLOOR_DEG, ScreeningQuery
from skysill.bulk.roof_spots import Roofs
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.model.site import MastKit, Mount, Roof
from skysill.units import Floats, Ints

__all__ = [
    "NOTHING_NEAR",
    "NUMBERS",
    "TEXTS",
    "RoofSearch",
    "caution_codes",
    "edge_distances_m",
    "empty_roof_results",
    "general_codes",
    "kit_of",
    "order_among_equals",
    "outline_of",
    "write_look",
    "write_spot",
]

NUMBERS = {
    "least_height_m": 2, "spot_latitude_deg": 7, "spot_longitude_deg": 7, "surface_elevation_m": 2, "mast_height_m": 2,
    "p_clear": 3, "controls_distance_m": 1,
}  # fmt: skip
"""Numbers that are told of a building, and their decimal places."""

TEXTS = ("kit", "controls", "cautions")

NOTHING_NEAR = "Nothing stands near the line to the satellite."
"""The reason of `clear` where nothing comes within ten degrees of the required room."""


@dataclass(frozen=True, slots=True)
class RoofSearch:
    """How roofs are searched.

    step_m : of the grid of spots; setback_m : kept from the edges
    max_height_m : tallest mast, dish centre above the roof; None: as in a search of one roof
    kits : masts that may be used; empty: any height
    lines : overhead lines that are known of; None: nobody named any
    """

    step_m: float = 1.0
    setback_m: float = 1.0
    max_height_m: float | None = None
    kits: tuple[MastKit, ...] = ()
    lines: OverheadLines | None = None

    @property
    def stated(self) -> dict[str, object]:
        """What a resumed run must have in common."""
        lines = None if self.lines is None else self.lines.path
        return asdict(replace(self, lines=None)) | {"lines": lines}

    def __post_init__(self) -> None:
        for kit in self.kits:
            if kit.stand_off_m is not None:
                raise InputError(
                    "is a bracket for a wall; roofs of a list are searched for masts that stand on them.",
                    where=f'mast kit "{kit.name}"',
                    mend="Leave it out, or search that roof by itself with mounts --grid.",
                )
        for value, least, most, name in (
            (self.step_m, 0.05, 100.0, "--grid"),
            (self.setback_m, 0.0, 100.0, "--edge-setback"),
        ):
            if not least <= value <= most:
                raise InputError(
                    f"{value:g} m is not from {least:g} to {most:g} m.", where=name, mend="Give metres."
                )


def empty_roof_results(count: int) -> ScreeningResults:
    """Results of so many buildings without any verdict yet."""

    def nothing() -> Floats:
        return np.full(count, np.nan)

    return ScreeningResults(
        azimuth_deg=nothing(),
        elevation_deg=nothing(),
        terrain_elevation_deg=nothing(),
        terrain_distance_m=nothing(),
        margin_deg=nothing(),
        margin_is_floor=np.zeros(count, dtype=bool),
        least_height_m=nothing(),
        verdict=np.full(count, "", dtype=object),
        reason=np.full(count, "", dtype=object),
        numbers={name: nothing() for name in NUMBERS if name != "least_height_m"},
        texts={name: np.full(count, "", dtype=object) for name in TEXTS},
    )


def outline_of(roofs: Roofs, at: int) -> Roof:
    """A building's largest part as the roof of one property."""
    import shapely

    parts = shapely.get_parts(roofs.plan[at])
    largest = parts[int(np.argmax(shapely.area(parts)))]
    corners = shapely.get_coordinates(shapely.get_exterior_ring(largest))[:-1]
    return Roof(tuple((float(x), float(y)) for x, y in corners))


def edge_distances_m(roofs: Roofs, building: Ints, east_m: Floats, north_m: Floats) -> Floats:
    """(spot,) distance of spots from the edge of their building's outline, holes included."""
    import shapely

    if not building.size:
        return np.zeros(0)
    parts, of = shapely.get_parts(roofs.plan, return_index=True)
    rings, of_part = shapely.get_rings(parts, return_index=True)
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    start, along = corners[:-1][same], (corners[1:] - corners[:-1])[same]
    owner = of[of_part[ring[:-1][same]]]
    sides = np.bincount(owner, minlength=len(roofs))[building]
    first = np.searchsorted(owner, building)
    cuts = np.cumsum(sides) - sides
    spot = np.repeat(np.arange(building.size), sides)
    side = np.arange(spot.size) - cuts[spot] + first[spot]
    gap = np.column_stack([east_m, north_m])[spot] - start[side]
    step = along[side]
    length2 = np.maximum((step * step).sum(axis=1), 1e-12)
    share = np.clip((gap * step).sum(axis=1) / length2, 0.0, 1.0)
    away = gap - share[:, None] * step
    return np.asarray(np.sqrt(np.minimum.reduceat((away * away).sum(axis=1), cuts)))


def order_among_equals(edge_m: Floats, surface_m: Floats) -> tuple[Floats, Floats, Floats]:
    """What decides, one after the other, between spots of one roof with the same verdict, mast and margin: lower first.

    Spots that are not near the roof's edge, then the highest, since more comes into view from there, then those farther
    from the edge.

    edge_m : (spot,) distance from the roof's edge; surface_m : elevation of the roof
    """
    return (edge_m < EDGE_M).astype(np.float64), -np.round(surface_m, 2), -np.round(edge_m, 3)


def kit_of(kits: tuple[MastKit, ...], height_m: float) -> str:
    """The first mast kit that has a height; "" where none has."""
    return next((kit.name for kit in kits if any(abs(height_m - h) < 1e-6 for h in kit.heights_m)), "")


def write_spot(
    results: ScreeningResults,
    at: int,
    roofs: Roofs,
    mount: Mount,
    found: SatelliteResult,
    query: ScreeningQuery,
    search: RoofSearch,
    *,
    content: bool,
    lines: Sequence[str] = (),
) -> None:
    """Write a building's best spot.

    mount : with its surface and height; found : its assessment
    content : whether that height serves; else it is only the tallest
    lines : caution codes of overhead lines near the spot
    """
    write_look(results, at, found, query)
    clear, numbers, texts = found.clearance, results.numbers, results.texts
    latitude, longitude = offset_position(
        roofs.latitude_deg[at], roofs.longitude_deg[at], mount.east_m, mount.north_m
    )
    numbers["spot_latitude_deg"][at], numbers["spot_longitude_deg"][at] = latitude, longitude
    numbers["surface_elevation_m"][at] = mount.surface_elevation_m
    numbers["mast_height_m"][at] = mount.height_m
    if content:
        results.least_height_m[at] = mount.height_m
    if found.p_clear is not None and clear.has_clearance:
        numbers["p_clear"][at] = found.p_clear
    if clear.controlling is not None and (clear.margin_deg or 0.0) <= FLOOR_DEG:
        texts["controls"][at] = clear.controlling.name
        if clear.controlling.distance_m is not None:
            numbers["controls_distance_m"][at] = clear.controlling.distance_m
    texts["kit"][at] = kit_of(search.kits, mount.height_m)
    edge_m = edge_distances_m(roofs, np.array([at]), np.array([mount.east_m]), np.array([mount.north_m]))
    texts["cautions"][at] = " ".join([*lines, *caution_codes(query, search, edge_m)])


def write_look(results: ScreeningResults, at: int, found: SatelliteResult, query: ScreeningQuery) -> None:
    """Write what is told of every place: look, ground straight below, margin, verdict, reason."""
    clear, look = found.clearance, found.look
    results.elevation_deg[at] = look.elevation_deg
    results.azimuth_deg[at] = np.nan if look.azimuth_deg is None else look.azimuth_deg
    results.verdict[at], results.reason[at] = found.verdict, found.reasons[0]
    if found.verdict == "clear" and (clear.spare_deg is None or clear.spare_deg > FLOOR_DEG):
        results.reason[at] = NOTHING_NEAR
    if (clear.margin_deg is None or clear.margin_deg > FLOOR_DEG) and not query.full:
        results.margin_deg[at], results.margin_is_floor[at] = FLOOR_DEG, True
        return
    results.margin_deg[at] = np.nan if clear.margin_deg is None else clear.margin_deg
    if found.horizon.elevation_deg is not None:
        results.terrain_elevation_deg[at] = found.horizon.elevation_deg
        results.terrain_distance_m[at] = found.horizon.distance_m


def caution_codes(query: ScreeningQuery, search: RoofSearch, edge_m: Floats) -> list[str]:
    """(spot,) codes of the cautions of spots so far from the edge, those that do not belong to every spot first."""
    every = " ".join(general_codes(query, search))
    return [f"edge {every}" if near else every for near in (edge_m < EDGE_M).tolist()]


def general_codes(query: ScreeningQuery, search: RoofSearch) -> list[str]:
    """Codes of the cautions of every roof."""
    scene = None if search.lines is None else search.lines.any_of_them
    return [caution.code for caution in general_cautions(query.terminal, scene=scene)]
