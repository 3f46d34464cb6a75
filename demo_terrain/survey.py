"""A morning's work at the clinic: the horizon as a person would have read it, and the obstacles as taped."""

from __future__ import annotations

import datetime as dt

import numpy as np
from ground import SEED
from pygeomag import GeoMag
from village import (
    CLINIC,
    GATE_SYCAMORE,
    HALL,
    SERVICE_POLE,
    SYCAMORES,
    Village,
    crown_half_height_m,
    crown_height_m,
    roof_height_m,
)

SURVEY_DATE = dt.date(2026, 6, 14)
EYE_M = 1.6
COMPASS_ERROR_DEG = 0.8  # what this compass shows too little, everywhere; the landmark reveals it
HARBOUR_LIGHT = (-520.0, -142.0)
SWEEP_DEG = (102.0, 280.0)  # magnetic: the half of the sky in front of the gable
FINE_DEG = (146.0, 234.0)


def declination_deg(latitude_deg, longitude_deg, height_m):
    """World Magnetic Model 2025 on the day of the survey."""
    year = SURVEY_DATE.year + (SURVEY_DATE.timetuple().tm_yday - 1) / 365.0
    model = GeoMag(coefficients_file="wmm/WMM_2025.COF")
    return model.calculate(glat=latitude_deg, glon=longitude_deg, alt=height_m / 1000.0, time=year).d


def _near_top_m(east, north, foot, village: Village):
    """Top of the houses and trees within 110 m, and its number in the list of names, at plan points (n,)."""
    things = [h for h in village.houses if np.hypot(h.east, h.north) < 110] + [
        t for t in village.trees if np.hypot(t.east, t.north) < 110
    ]
    top, who = np.full(east.shape, -np.inf), np.full(east.shape, -1)
    for number, thing in enumerate(things):
        height = roof_height_m if hasattr(thing, "eaves") else crown_height_m
        here = foot(thing.east, thing.north) + height(east, north, thing)
        who = np.where(here > top, number, who)
        top = np.maximum(top, here)
    return top, who, [thing.name for thing in things]


def seen(azimuth_deg, eye_m, ground, foot, village: Village):
    """Highest elevation along one azimuth from the station: (degrees, slant metres, name)."""
    level_m = np.concatenate(
        [np.arange(2.0, 120.0, 0.05), np.arange(120.0, 600.0, 1.0), np.arange(600.0, 6000.0, 10.0)]
    )
    east, north = level_m * np.sin(np.radians(azimuth_deg)), level_m * np.cos(np.radians(azimuth_deg))
    top = ground(east, north)
    near = level_m < 120.0
    standing, who, names = _near_top_m(east[near], north[near], foot, village)
    name = np.full(level_m.shape, "ridge", dtype=object)
    name[level_m < 1000.0] = "field"
    built = standing > top[near]
    name[np.flatnonzero(near)[built]] = np.array(names, dtype=object)[who[built]]
    top[near] = np.maximum(top[near], standing)
    elevation = np.degrees(np.arctan2(top - eye_m - level_m**2 / (2 * 8.5e6), level_m))
    best = int(elevation.argmax())
    return float(elevation[best]), float(level_m[best] / np.cos(np.radians(elevation[best]))), str(name[best])


def horizon_lines(ground, foot, village: Village, declination: float):
    """The rows of clinic_horizon.csv: bearings by the compass, elevations by the clinometer to half a degree."""
    rng = np.random.default_rng([SEED, 400])
    bearings = np.unique(
        np.concatenate(
            [
                np.arange(SWEEP_DEG[0], FINE_DEG[0], 4.0),
                np.arange(*FINE_DEG, 2.0),
                np.arange(FINE_DEG[1], SWEEP_DEG[1] + 1, 4.0),
            ]
        )
    )
    eye_m = foot(0.0, 0.0) + EYE_M
    rows = []
    for bearing in bearings:
        pointed = bearing + declination + COMPASS_ERROR_DEG + 0.4 * (rng.random() * 2 - 1)
        elevation, slant, name = seen(pointed, eye_m, ground, foot, village)
        read = round(2.0 * (elevation + 0.35 * (rng.random() + rng.random() - 1.0))) / 2.0
        if slant < 150.0:  # tape and rangefinder
            distance = f"{slant * (1.0 + 0.015 * (rng.random() * 2 - 1)):.1f}"
        else:  # taken from the map, where it matters
            distance = f"{round(slant / 50.0) * 50}" if FINE_DEG[0] <= bearing <= FINE_DEG[1] else ""
        rows.append(f"{bearing:.0f},{read:.1f},{distance},{','.join(_what_it_is(name, village))},{name}")
    return rows


def _what_it_is(name, village: Village):
    """Columns kind, leaf and growth_m_per_year of a reading, as text."""
    if name in ("field", "ridge"):
        return "ground", "", ""
    tree = next((t for t in village.trees if t.name == name), None)
    return (
        ("building", "", "") if tree is None or not tree.growth else ("tree", "in-leaf", f"{tree.growth:g}")
    )


def horizon_csv(rows):
    """The text of clinic_horizon.csv, with the surveyor's comments at the top."""
    return "\n".join(
        [
            "# Skerrow clinic, Hollinsay (invented). Horizon from the foot of the south gable.",
            "# Taken 2026-06-14, 10:20 to 11:45 UTC, dry, wind south-west 4. Trees in full leaf.",
            "# Mirror compass, read to a degree; optical clinometer, read to half a degree; eye 1.6 m over the ground.",
            "# Distances: tape and laser rangefinder to 150 m, farther ones off the map. All along the line of sight.",
            "# The north half was not taken: the gable stands there.",
            "azimuth_deg,elevation_deg,distance_m,kind,leaf,growth_m_per_year,note",
            *rows,
            "",
        ]
    )


def _ring(points):
    return [[*map(float, p)] for p in [*points, points[0]]]


TAPED_ERRORS = {"height_error_m": 0.3, "along_error_m": 0.3, "across_error_m": 0.3}
"""Standard deviations of what the surveyor taped, metres."""


def _feature(geometry, coordinates, **properties):
    return {
        "type": "Feature",
        "properties": properties | TAPED_ERRORS,
        "geometry": {"type": geometry, "coordinates": coordinates},
    }


def house_features(house, base_m, place, *, kind="building"):
    """Walls to the eaves, two planes of roof, the chimneys; elevations above the datum of the rasters."""
    corners = house.corners()
    ends = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    eaves_m, ridge_m = round(base_m + house.eaves, 2), round(base_m + house.ridge, 2)
    flat = [place(*p) for p in corners]
    yield _feature("Polygon", [_ring(flat)], name=f"{house.name} walls", kind=kind, top_elevation_m=eaves_m)
    for side, (a, b, from_end, to_end) in {"near": (0, 1, 1, 0), "far": (2, 3, 0, 1)}.items():
        plane = [
            [*place(*corners[a]), eaves_m],
            [*place(*corners[b]), eaves_m],
            [*place(*ends[from_end]), ridge_m],
            [*place(*ends[to_end]), ridge_m],
        ]
        side_name = {"near": "one side", "far": "other side"}[side]
        yield _feature("Polygon", [_ring(plane)], name=f"{house.name} roof, {side_name}", kind="roof")
    along = (ends[1] - ends[0]) / house.length
    across = np.array([-along[1], along[0]])
    for number, (spot, height) in enumerate(house.chimneys, start=1):
        middle = (ends[0] + ends[1]) / 2 + along * spot
        stack = [middle + 0.45 * (a * along + b * across) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        yield _feature(
            "Polygon",
            [_ring([place(*p) for p in stack])],
            name=f"{house.name} chimney {number}" if len(house.chimneys) > 1 else f"{house.name} chimney",
            kind="building",
            top_elevation_m=round(ridge_m + height, 2),
        )


def obstacle_features(foot, place, village: Village):
    """GeoJSON features of everything the surveyor measured with a tape at the clinic."""
    near = [CLINIC, HALL] + [h for h in village.houses if h.street and np.hypot(h.east, h.north) < 75.0]
    for house in near:
        yield from house_features(house, round(foot(house.east, house.north), 2), place)
    for tree in (*SYCAMORES, GATE_SYCAMORE):
        yield _feature(
            "Point",
            place(tree.east, tree.north),
            name=tree.name,
            kind="tree",
            crown="ellipsoid",
            height_m=tree.height,
            ground_elevation_m=round(foot(tree.east, tree.north), 2),
            crown_radius_m=tree.crown_radius,
            crown_base_height_m=round(tree.height - 2 * crown_half_height_m(tree), 2),
            growth_m_per_year=tree.growth,
            max_height_m=tree.max_height,
            deciduous=True,
        )
    wall = next(w for w in village.walls if w.name == "garden wall")
    yield _feature(
        "LineString", [place(*p) for p in wall.line], name=wall.name, kind="wall", height_m=wall.height
    )
    yield _feature(
        "Point",
        place(SERVICE_POLE.east, SERVICE_POLE.north),
        name=SERVICE_POLE.name,
        kind="pole",
        height_m=SERVICE_POLE.height,
    )
    hook_m = round(foot(CLINIC.east, CLINIC.north) + 3.3, 2)
    pole_m = round(foot(SERVICE_POLE.east, SERVICE_POLE.north) + SERVICE_POLE.height - 0.3, 2)
    yield _feature(
        "LineString",
        [[*place(SERVICE_POLE.east, SERVICE_POLE.north), pole_m], [*place(2.6, 0.95), hook_m]],
        name="service wire",
        kind="wire",
        sag_m=0.4,
    )
