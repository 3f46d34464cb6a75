"""Assessments put together by hand, with numbers known beforehand: the pictures must show just these."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from skysill.assessment.clearance import Clearance, Controlling
from skysill.assessment.placement import PlacedMount
from skysill.assessment.results import Assessment, HorizonBelow, SatelliteResult
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.horizon.terrain import PathProfile
from skysill.model.site import Satellite, Site, Terminal
from skysill.pointing.look_vector import look_vector
from skysill.radio.fresnel import first_fresnel_radius_m, required_room_m

LATITUDE_DEG, LONGITUDE_DEG = 58.0312, -24.6541
GUTTER = ("gutter", "reading", "measured", 6.0)


def silhouette(
    source: str,
    azimuth_deg: Any,
    elevation_deg: Any,
    distance_m: Any,
    *,
    name: str = "",
    floor_deg: Any = -90.0,
    spans: Any = None,
) -> Silhouette:
    azimuth_deg = np.atleast_1d(np.asarray(azimuth_deg, dtype=float))
    return Silhouette(
        source=source,
        azimuth_deg=azimuth_deg,
        elevation_deg=np.broadcast_to(elevation_deg, azimuth_deg.shape),
        distance_m=np.broadcast_to(distance_m, azimuth_deg.shape),
        features=(Feature(name or source, "thing", source),),
        feature=np.zeros(azimuth_deg.size, int),
        floor_deg=floor_deg,
        covered_deg=spans,
        reach_m=50e3,
    )


def result(
    name: str = "Demo South",
    longitude_deg: float = -24.0,
    verdict: str = "marginal",
    *,
    control: tuple[str, str, str, float] | None = GUTTER,
    margin_deg: float = 7.1,
    reasons: tuple[str, ...] = ("The gutter leaves 0.74 m where 0.78 m are required.",),
) -> SatelliteResult:
    """A result whose controlling thing stands straight below the satellite, margin_deg away from the ray."""
    satellite = Satellite(name, longitude_deg)
    look = look_vector(LATITUDE_DEG, LONGITUDE_DEG, 47.7, satellite, date=dt.date(2026, 6, 14))
    clearance = Clearance()
    if control is not None and look.visible:
        distance_m = control[3]
        zone_m = float(first_fresnel_radius_m(distance_m, frequency_ghz=19.7))
        clearance = Clearance(
            margin_deg=margin_deg,
            clearance_m=distance_m * math.sin(math.radians(margin_deg)),
            required_m=float(required_room_m(distance_m, dish_diameter_m=1.2, frequency_ghz=19.7)),
            fresnel_radius_m=zone_m,
            controlling=Controlling(
                *control[:3], look.azimuth_deg, look.elevation_apparent_deg - margin_deg, distance_m, False
            ),
        )
    return SatelliteResult(
        satellite, look, HorizonBelow(17.0, 6.0, "measured"), clearance, 0.5, verdict, ("measured",), reasons
    )


def assessment(results: Any, silhouettes: Any = (), **more: Any) -> Assessment:
    mount = PlacedMount("gable pole", 4.0, -2.5, 1.5, 46.2, "given", 47.7, None)
    site = Site("Skerrow clinic", LATITUDE_DEG, LONGITUDE_DEG, 41.0, "given")
    made = Assessment(1, "0", site, mount, Terminal(), tuple(results), silhouettes=tuple(silhouettes))
    return replace(made, **more)


def ground_path(*, hole_m: tuple[float, float] | None = None) -> PathProfile:
    """Level ground at 41 m with a hill of 300 m, 2.3 km out; unknown within hole_m."""
    distance_m = np.concatenate([np.arange(0.0, 300.0, 2.0), np.arange(300.0, 6000.0, 25.0)])
    height_m = 41.0 + 300.0 * np.exp(-(((distance_m - 2300.0) / 500.0) ** 2))
    if hole_m is not None:
        height_m[(distance_m > hole_m[0]) & (distance_m < hole_m[1])] = np.nan
    radius_m = 6.37e6 * 4.0 / 3.0
    turn = distance_m / radius_m
    return PathProfile(
        azimuth_deg=179.2,
        antenna_elevation_m=47.7,
        radius_m=radius_m,
        distance_m=distance_m,
        elevation_m=height_m,
        level_m=(radius_m + height_m) * np.sin(turn),
        rise_m=height_m - 47.7 - 2.0 * (radius_m + height_m) * np.sin(turn / 2.0) ** 2,
        raster=np.where(np.isnan(height_m), -1, 0),
        names=("island",),
        kinds=("bare",),
    )


@pytest.fixture
def make_silhouette() -> Callable[..., Silhouette]:
    return silhouette


@pytest.fixture
def make_result() -> Callable[..., SatelliteResult]:
    return result


@pytest.fixture
def make_assessment() -> Callable[..., Assessment]:
    return assessment


@pytest.fixture
def make_path() -> Callable[..., PathProfile]:
    return ground_path


@pytest.fixture(scope="session")
def clinic() -> Assessment:
    """Three sources, a gap nobody looked at from 300 to 30, a wire overhead, four satellites, one below the horizon."""
    around = np.arange(30.0, 300.0, 1.0)
    terrain = silhouette("terrain", around, 8.0, 2000.0, spans=[[30.0, 300.0]])
    seen = np.arange(120.0, 255.0, 0.5)
    measured = silhouette("measured", seen, 17.0, 6.0, name="gutter", spans=[[120.0, 255.0]])
    tree_deg = np.arange(215.0, 240.0, 0.5)
    tree = silhouette("obstacle", tree_deg, 28.0, 22.0, name="sycamore")
    wire_deg = np.arange(150.0, 210.0, 0.5)
    wire = silhouette("obstacle", wire_deg, 38.4, 15.0, name="wire", floor_deg=37.6)
    results = [
        result("Demo East", 5.5, "blocked", control=("hill", "ground", "terrain", 2000.0), margin_deg=-2.0),
        result(),
        result("Demo West", -52.5, "unknown", control=None, reasons=("Nobody looked west.",)),
        result("Demo Far", 90.0, "blocked", control=None, reasons=("It is below the horizon.",)),
    ]
    made = assessment(results, [terrain, measured, tree, wire])
    return replace(made, paths=(ground_path(), ground_path(), ground_path(hole_m=(900.0, 1500.0)), None))
