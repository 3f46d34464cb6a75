"""Several stations in one survey: each reading is carried from where it was taken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import job
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.io.site_file import read_site_file
from skysill.model.readings import Readings
from skysill.model.site import Mount
from skysill.model.survey import Station, Survey

YARD = Station("yard", east_m=30.0, north_m=-10.0, instrument_height_m=2.0)


def readings(azimuth, elevation, distance, station):
    azimuth = np.asarray(azimuth, dtype=float)
    count = azimuth.size
    return Readings(azimuth, np.full(count, float(elevation)), np.full(count, float(distance)), ("",) * count, "r.csv",
                    station=(station,) * count, kind=("building",) * count)  # fmt: skip


def joined(*parts):
    order = np.argsort(np.concatenate([p.azimuth_deg for p in parts]), kind="stable")
    labels = ("azimuth_deg", "elevation_deg", "distance_m")
    whole = Readings(
        *(np.concatenate([getattr(p, label) for p in parts]) for label in labels),
        note=sum((p.note for p in parts), ()), source="r.csv",
        station=sum((p.station for p in parts), ()), kind=sum((p.kind for p in parts), ()),
    )  # fmt: skip
    return whole.taken(order)


NORTH = np.arange(-60.0, 61.0, 3.0) % 360.0


def result(asked, mount):
    return assess(asked, mount).results[0]


def test_readings_at_the_mount_need_no_distances_and_equal_a_survey_taken_there():
    mount = Mount(east_m=30.0, north_m=-10.0, height_m=2.0)
    own = result(job(readings=readings(NORTH, 20.0, np.nan, "yard"), stations=(YARD,)), mount)
    there = Survey(east_m=30.0, north_m=-10.0, instrument_height_m=2.0)
    same = result(job(readings=readings(NORTH, 20.0, np.nan, ""), survey=there), mount)
    assert own.verdict == same.verdict == "clear"
    assert own.clearance.margin_deg == approx(same.clearance.margin_deg, abs=1e-9)


def test_each_station_carries_its_own_readings_by_its_own_step():
    """An edge 20 m north of the yard's instrument is 20 m north of (30, -10); from the site's position it is not."""
    mount = Mount(height_m=2.0)
    both = joined(readings(NORTH, 15.0, 40.0, ""), readings(NORTH, 15.0, 20.0, "yard"))
    found = assess(job(readings=both, stations=(YARD,)), mount).evidence
    own, yard = found.stations
    assert (own.name, yard.name) == ("", "yard")
    assert own.step_m == approx(np.array([0.0, 0.0, 0.4]))
    assert yard.step_m == approx(np.array([-30.0, 10.0, 0.0]))
    point_m = np.array([30.0, -10.0 + 20.0 * np.cos(np.deg2rad(15.0))])
    seen = yard.silhouette
    away = np.hypot(*point_m)
    k = np.abs((seen.azimuth_deg - np.rad2deg(np.arctan2(*point_m)) + 180.0) % 360.0 - 180.0).argmin()
    assert seen.elevation_deg[k] == approx(
        np.rad2deg(np.arctan2(20.0 * np.sin(np.deg2rad(15.0)), away)), abs=0.1
    )


def test_readings_of_a_station_far_away_do_not_stand_for_the_mounts_own_view():
    # the yard's readings have no distance: for a dish at the site's position they are set aside, and say so first
    found = result(job(readings=readings(NORTH, 5.0, np.nan, "yard"), stations=(YARD,)), Mount())
    assert found.verdict == "unknown"
    assert found.reasons[0].startswith("41 of 41 readings were set aside")


def test_what_one_station_could_not_see_another_at_the_mount_answers_for():
    low = Station("low", instrument_height_m=1.6)
    mount = Mount(height_m=6.0)
    hedge = readings(NORTH, 50.0, 8.0, "low")
    alone = result(job(readings=hedge, stations=(low,)), mount)
    assert alone.verdict == "needs-survey"
    assert "above the ground at low" in " ".join(alone.reasons)
    top = Station("mast top", instrument_height_m=6.0)
    both = joined(hedge, readings(NORTH, 10.0, np.nan, "mast top"))
    assert result(job(readings=both, stations=(low, top)), mount).verdict == "clear"


def test_relative_bearings_turn_by_each_stations_own_zero_mark():
    turned = replace(YARD, reference_bearing_deg=90.0)
    survey = Survey(bearings="relative", reference_bearing_deg=0.0)
    asked = job(
        readings=readings(np.arange(200.0, 300.0, 4.0), 10.0, 50.0, "yard"), survey=survey, stations=(turned,)
    )
    true = assess(asked, Mount()).evidence.stations[0].readings
    assert true.azimuth_deg.min() == approx(2.0)  # 272 turned by 90
    assert true.azimuth_deg.max() == approx(358.0)  # 268 turned by 90
    with pytest.raises(InputError, match=r"the station's own zero mark\. Give reference_bearing_deg"):
        assess(job(readings=asked.sources.readings, survey=survey, stations=(YARD,)), Mount())


def test_a_station_nobody_placed_is_refused_with_the_table_to_add():
    with pytest.raises(InputError) as caught:
        assess(job(readings=readings(NORTH, 5.0, 20.0, "roof")), Mount())
    assert (
        'r.csv, station: "roof" is not known. Add [[stations]] with name = "roof", east_m and north_m'
        in str(caught.value)
    )


def test_stations_of_a_site_file(tmp_path):
    (tmp_path / "r.csv").write_text(
        "azimuth_deg,elevation_deg,distance_m,station\n0,10,20,yard\n4,11,20,yard\n"
    )
    path = tmp_path / "mill.toml"
    path.write_text(
        'position = "41.31 S 147.22 E"\n[survey]\nhorizon = "r.csv"\n'
        '[[stations]]\nname = "yard"\nbearing_deg = 90\ndistance_m = 30\ninstrument_height_m = 2\n'
    )
    job = read_site_file(path)
    assert job.sources.readings.station == ("yard", "yard")
    [yard] = job.sources.stations
    assert (yard.east_m, yard.north_m) == approx((30.0, 0.0), abs=1e-9)
    path.write_text('position = "41.31 S 147.22 E"\n[[stations]]\nname = "yard"\n')
    with pytest.raises(InputError, match=r"\[\[stations\]\] number 1: has no place"):
        read_site_file(path)
