"""How far out ground is known on the ray fans of places: against a walk along every ray of the fan."""

from __future__ import annotations

import numpy as np
import pytest
from pytest import approx

from skysill.bulk.raster_gaps import known_out_to_m, may_have_gap
from small_ground import (
    ELLIPSOID,
    asked_of,
    bilinear,
    fan_offsets_deg,
    ground_of,
    hills,
    on_lattice,
    places_at,
)

LOW = asked_of(-60.0, highest_ground_m=600.0)
"""A satellite 14 degrees up in the south-west of the raster: ground of 600 m reaches its ray from over a kilometre."""


def dense_offsets_deg(places, at, query):
    offsets = fan_offsets_deg(places.apparent_deg[at], query)
    return offsets[np.abs(offsets) <= _dense_deg(places.apparent_deg[at], query) + 1e-9]


def _dense_deg(apparent_deg, query):
    """Out to what 10 m away could take the room, in tenths of a degree."""
    room = np.arctan(
        (query.terminal.dish_diameter_m / 2.0 + query.criteria.fresnel_fraction
         * np.sqrt(299_792_458.0 / (query.terminal.lowest_ghz * 1e9) * query.criteria.assumed_distance_m))
        / query.criteria.assumed_distance_m
    )  # fmt: skip
    half = np.degrees(np.arcsin(np.sin(room) / np.cos(np.radians(apparent_deg))))
    return np.ceil(half / 0.1) * 0.1


def walked_m(ground, places, at, query):
    """The least distance at which a ray of the fan has no ground; inf where that is beyond what matters."""
    s = np.arange(0.0, places.needed_m[at] * 1.02, ground.cell_size_m / 12.0)
    found = []
    for offset in dense_offsets_deg(places, at, query):
        start = np.full(s.shape, places.longitude_deg[at]), np.full(s.shape, places.latitude_deg[at])
        azimuth = np.full(s.shape, places.azimuth_deg[at] + offset)
        east, north, _ = ELLIPSOID.fwd(*start, azimuth, s)
        lost = np.isnan(bilinear(ground.grid.values, *on_lattice(ground.grid, north, east)))
        found.append(s[lost.argmax()] if lost.any() else np.inf)
    least = min(found)
    return least if least < places.needed_m[at] else np.inf


@pytest.mark.parametrize("turn", [(0.0, 0.0), (9.0, 9.0)])
def test_where_the_raster_ends_the_fan_is_known_to_its_edge(turn):
    ground = ground_of(hills(110, seed=5), turn=turn)
    column = np.array([5.3, 20.0, 55.0, 100.0, 60.2, 108.6, 90.0])
    row = np.array([50.0, 100.2, 106.5, 60.0, 40.0, 107.9, 8.0])
    places = places_at(ground, LOW, column, row)
    want = np.array([walked_m(ground, places, at, LOW) for at in range(column.size)])
    found = known_out_to_m(ground, places, LOW)
    assert np.isinf(want).any()
    assert np.isfinite(want).sum() >= 3
    assert np.isinf(found).tolist() == np.isinf(want).tolist()
    near = np.isfinite(want)
    assert found[near] == approx(want[near], abs=3.0)  # a step of the walk
    maybe = may_have_gap(ground, places, LOW)
    assert maybe[near].all()
    assert not maybe.all()  # in the middle nothing is missing, and that is certain


def test_a_void_ends_what_is_known_and_one_beside_the_fan_does_not():
    values = hills(280, seed=6)
    values[70:74, 30:34] = np.nan
    ground = ground_of(values)
    column = np.array([45.0, 95.0, 34.5, 20.0, 250.0])
    row = np.array([60.0, 40.0, 71.0, 20.0, 30.0])
    places = places_at(ground, LOW, column, row)
    want = np.array([walked_m(ground, places, at, LOW) for at in range(column.size)])
    found = known_out_to_m(ground, places, LOW)
    assert np.isinf(want).any()
    assert np.isfinite(want).sum() >= 2
    assert np.isinf(found).tolist() == np.isinf(want).tolist()
    near = np.isfinite(want)
    assert found[near] == approx(want[near], abs=35.0)  # to the crossing before the cell that has it
    assert (found[near] <= want[near] + 1.0).all()
    maybe = may_have_gap(ground, places, LOW)
    assert maybe[near].all()
    assert not maybe.all()


@pytest.mark.parametrize("longitude_deg", [-60.0, 20.0])
def test_where_no_gap_is_promised_none_is_found(longitude_deg):
    """Four hundred places; satellites to the south-west and to the south-east."""
    query = asked_of(longitude_deg, highest_ground_m=600.0)
    ground = ground_of(hills(110, seed=7))
    column, row = np.random.default_rng(9).uniform(1.0, 108.0, (2, 400))
    places = places_at(ground, query, column, row)
    known_m, maybe = known_out_to_m(ground, places, query), may_have_gap(ground, places, query)
    assert np.isfinite(known_m).any()
    assert maybe[np.isfinite(known_m)].all()
    assert (~maybe).sum() > 20


def test_a_lone_void_between_two_whole_degrees_of_the_fan_is_found():
    """Cells of 5 m; the void lies 800 m out and half a degree aside, 5 m to either side of it unknown."""
    plain = np.full((260, 260), 300.0, np.float32)
    ground = ground_of(plain, cell_m=5.0)
    places = places_at(ground, LOW, np.array([200.0]), np.array([60.0]))
    east, north, _ = ELLIPSOID.fwd(
        places.longitude_deg[0], places.latitude_deg[0], places.azimuth_deg[0] + 0.5, 800.0
    )
    column, row = on_lattice(ground.grid, np.array([north]), np.array([east]))
    plain[int(np.round(row[0])), int(np.round(column[0]))] = np.nan
    holed = ground_of(plain, cell_m=5.0)
    assert walked_m(holed, places, 0, LOW) == approx(800.0, abs=12.0)
    assert known_out_to_m(holed, places, LOW)[0] == approx(800.0, abs=12.0)
