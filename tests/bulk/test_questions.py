"""Questions for callers: each height is tried as an obstacle of a scene that `assess` judges."""

import datetime as dt
import re

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.bulk.questions import ALLOWED_AT_M, CallDay, questions_for
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.obstacle_builders import wall
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.pointing.look_vector import look_vector
from skysill.units import wrap_180

DAY = CallDay(dt.datetime(2026, 12, 1, tzinfo=dt.UTC))
GROUND_M = 41.0


def cases(count, seed):
    """Places, satellites, dishes and mounts of all sizes, the satellite at 3 degrees or more."""
    rng = np.random.default_rng(seed)
    while count:
        latitude, longitude = rng.uniform(-65.0, 65.0), rng.uniform(-180.0, 180.0)
        satellite = Satellite("S", longitude_deg=float(wrap_180(longitude + rng.uniform(-60.0, 60.0))))
        look = look_vector(latitude, longitude, GROUND_M, satellite)
        if not 3.0 < look.elevation_deg < 80.0:
            continue
        terminal = Terminal(
            dish_diameter_m=float(rng.choice([0.6, 1.2, 2.4])), receive_ghz=float(rng.choice([11.7, 19.7]))
        )
        yield (
            Site("s", float(latitude), float(longitude), GROUND_M),
            satellite,
            terminal,
            float(rng.uniform(1.0, 12.0)),
        )
        count -= 1


def asked(site, satellite, terminal, height_m, day=DAY):
    look = look_vector(site.latitude_deg, site.longitude_deg, GROUND_M + height_m, satellite)
    found = questions_for(
        np.array([site.latitude_deg]),
        np.array([site.longitude_deg]),
        azimuth_deg=np.array([look.azimuth_deg]),
        elevation_deg=np.array([look.elevation_deg]),
        mount_height_m=np.array([height_m]),
        link=Link(terminal, Criteria()),
        day=day,
    )
    return found, look


def has_room(site, satellite, terminal, height_m, azimuth_deg, away_m, tall_m):
    """Whether a wall across the azimuth, so tall at such a distance, leaves the required room: by `assess`."""
    along = np.deg2rad(azimuth_deg)
    middle, side = np.array([np.sin(along), np.cos(along)]), np.array([np.cos(along), -np.sin(along)])
    line = [middle * away_m + side * away_m * part for part in (-0.5, 0.0, 0.5)]
    scene = Scene(
        (wall("thing", line, ground_elevation_m=0.0, top_elevation_m=GROUND_M + tall_m),), complete=True
    )
    job = Job(site, (satellite,), terminal=terminal, sources=Sources(scene=scene))
    found = assess(job, Mount(height_m=height_m), explain=False).results[0].clearance
    return found.clearance_m >= found.required_m


def test_a_thing_of_the_allowed_height_leaves_the_room_and_one_a_decimetre_taller_does_not():
    """The other route: the thing as an obstacle of a scene. 1 cm for the bending at another altitude."""
    for site, satellite, terminal, height_m in cases(8, seed=3):
        found, look = asked(site, satellite, terminal, height_m)
        for away_m, tall_m in zip(ALLOWED_AT_M, found.allowed_m[0], strict=True):
            around = (site, satellite, terminal, height_m, look.azimuth_deg, away_m)
            assert has_room(*around, tall_m - 0.01)
            assert not has_room(*around, tall_m + 0.11)


def test_whatever_a_truthful_no_allows_leaves_the_room():
    """Things at any distance from 2 to 200 m, as tall as the question asks for in their zone, judged by `assess`."""
    rng = np.random.default_rng(5)
    for site, satellite, terminal, height_m in cases(25, seed=4):
        found, look = asked(site, satellite, terminal, height_m)
        text = found.sentences[0]
        zones = [(float(m[1]), float(m[2])) for m in re.finditer(r"([\d.]+) m within ([\d.]+) m", text)]
        away_m = float(rng.choice([rng.uniform(2.0, 10.0), rng.uniform(10.0, 20.0), rng.uniform(20.0, 50.0)]))
        tall_m = next((tall for tall, end in zones if away_m <= end), None)
        if tall_m is not None:
            assert has_room(site, satellite, terminal, height_m, look.azimuth_deg, away_m, tall_m), text
        beyond = re.search(r"or ([\d.]+) m farther away", text)
        if beyond:
            far_m = float(rng.uniform(50.0, 200.0))
            assert has_room(site, satellite, terminal, height_m, look.azimuth_deg, far_m, float(beyond[1])), (
                text
            )


def one(elevation_deg, *, azimuth_deg=179.2, height_m=2.0, day=DAY):
    return questions_for(
        np.array([58.0312]), np.array([-24.6541]), azimuth_deg=np.array([azimuth_deg]),
        elevation_deg=np.array([elevation_deg]), mount_height_m=np.array([height_m]), link=Link(Terminal(), Criteria()),
        day=day,
    )  # fmt: skip


def test_the_sun_is_named_only_where_it_stands_there_that_day_and_then_with_its_caution():
    south, north = one(24.07), one(24.07, azimuth_deg=0.5)
    assert "south, where the sun stands at 13:24 UTC today" in south.sentences[0]
    assert south.sentences[0].endswith("Do not look at the sun itself.")
    assert "north: is anything" in north.sentences[0]
    assert "sun" not in north.sentences[0]
    assert north.sun_minute[0] == -1


def test_times_are_told_in_the_zone_asked_for():
    """Tokyo is nine hours ahead of UTC all year; its 1 December begins at 15:00 UTC."""
    from zoneinfo import ZoneInfo

    day = CallDay(
        dt.datetime(2026, 11, 30, 15, tzinfo=dt.UTC), ZoneInfo("Asia/Tokyo"), "(Asia/Tokyo time)", "today"
    )
    found = one(24.07, day=day)
    assert "at 22:24 (Asia/Tokyo time) today" in found.sentences[0]
    assert day.stamp(int(found.sun_minute[0])) == "2026-12-01T22:24+09:00"


@pytest.mark.parametrize(
    ("elevation_deg", "height_m", "said"),
    [
        (89.0, 2.0, "almost straight up: does anything overhang"),
        (8.0, 0.0, "is anything at all within 20 m of the dish, or anything higher than"),
        (0.2, 0.3, "does anything at all stand in the way? The satellite is low."),
    ],
)
def test_questions_where_heights_say_little(elevation_deg, height_m, said):
    assert said in one(elevation_deg, height_m=height_m).sentences[0]


def test_many_addresses_get_the_sentences_of_each_alone():
    rng = np.random.default_rng(2)
    n = 40
    latitude, longitude = rng.uniform(57.0, 59.0, n), rng.uniform(-26.0, -23.0, n)
    azimuth, elevation = rng.uniform(90.0, 270.0, n), rng.uniform(5.0, 60.0, n)
    height = rng.uniform(0.0, 8.0, n)
    link = Link(Terminal(), Criteria())
    whole = questions_for(latitude, longitude, azimuth_deg=azimuth, elevation_deg=elevation, mount_height_m=height,
                          link=link, day=DAY)  # fmt: skip
    for k in range(n):
        at = slice(k, k + 1)
        alone = questions_for(latitude[at], longitude[at], azimuth_deg=azimuth[at], elevation_deg=elevation[at],
                              mount_height_m=height[at], link=link, day=DAY)  # fmt: skip
        assert whole.sentences[whole.sentence[k]] == alone.sentences[0]
        assert whole.allowed_m[k].tolist() == alone.allowed_m[0].tolist()


def test_directions_are_the_nearest_of_sixteen_points():
    """By the angle to each point, 22.5 degrees apart from north; by hand: 11.2 is north still, 11.3 no longer."""
    named = {0.0: "north", 11.2: "north", 11.3: "north-north-east", 90.0: "east", 123.0: "east-south-east",
             157.5: "south-south-east", 236.3: "west-south-west", 348.7: "north-north-west",
             348.8: "north"}  # fmt: skip
    for azimuth_deg, point in named.items():
        text = one(24.07, azimuth_deg=azimuth_deg).sentences[0]
        assert text.startswith(("Looking " + point + ",", "Looking " + point + ":")), (azimuth_deg, text)


def test_heights_that_nothing_reaches_are_not_asked_for():
    """At 70 degrees 135 m are allowed at 50 m, over the 100 m that anything near a house is taken to reach."""
    text = one(70.0).sentences[0]
    assert text.startswith(
        "Looking south, where the sun stands at 13:24 UTC today: is anything higher than 5 m within"
    )
    assert "26 m within 20 m, or 53 m within 50 m? Heights count" in text
    assert "farther" not in text


def test_heights_are_asked_in_half_metres_below_four_and_in_whole_metres_above():
    """A dish 3.4 m up, the satellite at 24.1: by trigonometry 3.4 + 2 tan(24.1 - atan(0.72 / 2.01)) = 3.6 m at 2 m."""
    text = one(24.07, height_m=3.4).sentences[0]
    assert "higher than 3 m within 10 m" in text  # 3.6 less 0.13 is 3.47
    assert "6 m within 20 m" in text  # 6.9 less 0.13
    assert "higher than 3.5 m within 10 m" in one(24.07, height_m=3.5).sentences[0]
