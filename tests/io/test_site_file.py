"""Site files: every key understood, every mistake told in one line."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.io.job_options import JobOptions
from skysill.io.site_file import read_site_file
from skysill.model.site import Criteria, Terminal
from skysill.model.survey import Survey

DEMO = Path(__file__).parents[2] / "demo_terrain"
PLACE = 'position = "58.0312 N 24.6541 W"\n'


@pytest.fixture
def site(tmp_path):
    def write(text, name="clinic.toml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def refusal(path):
    with pytest.raises(InputError) as caught:
        read_site_file(path)
    return str(caught.value).replace(f"{path.parent}/", "")


def test_a_position_is_enough(site):
    job = read_site_file(site(PLACE))
    assert (job.site.name, job.site.latitude_deg, job.site.longitude_deg) == ("clinic", 58.0312, -24.6541)
    assert (job.site.ground_elevation_m, job.site.ground_source) == (None, "unknown")
    assert [mount.height_m for mount in job.mounts] == [2.0]
    assert job.terminal.assumed == ("dish_diameter_m", "receive_ghz")
    assert (job.criteria, job.sources.survey) == (Criteria(), Survey())
    assert (job.sources.rasters, job.sources.readings, job.sources.scene) == ((), None, None)


def test_every_key_of_a_full_file(site, tmp_path):
    (tmp_path / "horizon.csv").write_text("azimuth_deg,elevation_deg\n170,12\n")
    job = read_site_file(site(FULL))
    assert (job.site.name, job.site.ground_elevation_m, job.site.ground_source) == (
        "Skerrow clinic",
        41.0,
        "given",
    )
    assert job.terminal == Terminal(1.2, 19.7, 29.5, 2.0, 17.0, 40.0, "linear")
    assert [(s.name, s.longitude_deg) for s in job.satellites] == [
        ("Demo South", -24.0),
        ("Demo West", -52.5),
    ]
    pole, *bar = job.mounts
    assert (pole.name, pole.east_m, pole.north_m, pole.surface_elevation_m) == ("gable pole", 4.0, -2.5, 46.2)
    assert (pole.height_m, pole.max_height_m) == (1.5, 6.0)
    assert [(m.name, m.height_m, m.surface_height_m) for m in bar] == [
        ("bar at 1 m", 1.0, 5.0), ("bar at 2 m", 2.0, 5.0)
    ]  # fmt: skip
    assert bar[0].east_m == pytest.approx(10.0, abs=1e-12)
    assert bar[0].north_m == pytest.approx(0.0, abs=1e-12)
    survey = job.sources.survey
    assert survey == Survey(
        "magnetic", 12.5, dt.date(2026, 6, 14), 1.0, 2.0, 1.7, 1.5, 0.6, 0.04, 0.3, 0.2, 6.0
    )
    assert job.sources.readings.elevation_deg.tolist() == [12.0]
    assert job.sources.highest_ground_m == 720.0
    [spire] = job.sources.landmarks
    assert (spire.name, spire.latitude_deg, spire.measured_bearing_deg) == ("chapel spire", 58.0375, 37.0)
    assert job.criteria == Criteria(0.7, 12.0, 4.0, 0.95, 1.25, 25.0)
    assert job.roof.outline == ((0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0))
    assert (job.roof.edge_setback_m, job.roof.cable_entry) == (0.5, (6.0, 0.0, 42.5))
    assert job.roof.surface[0] == (0.0, 4.0, 49.0)
    assert job.roof.yards == (((20.0, 0.0), (30.0, 0.0), (30.0, 9.0)),)


FULL = """
name = "Skerrow clinic"
position = "58.0312 N 24.6541 W"
ground_elevation_m = 41
[terminal]
dish_diameter_m = 1.2
receive_ghz = 19.7
transmit_ghz = 29.5
transmit_power_w = 2.0
offset_angle_deg = 17.0
cable_limit_m = 40.0
polarization = "linear"
[[satellites]]
name = "Demo South"
longitude = "24.0 W"
[[satellites]]
name = "Demo West"
longitude = -52.5
[[mounts]]
name = "gable pole"
east_m = 4.0
north_m = -2.5
surface_elevation_m = 46.2
height_m = 1.5
max_height_m = 6.0
[[mounts]]
name = "bar"
bearing_deg = 90
distance_m = 10
surface_height_m = 5
heights_m = [1.0, 2.0]
[terrain]
highest_ground_m = 720
[survey]
horizon = "horizon.csv"
bearings = "magnetic"
reference_bearing_deg = 12.5
date = 2026-06-14
east_m = 1
north_m = 2
instrument_height_m = 1.7
bearing_error_deg = 1.5
inclination_error_deg = 0.6
distance_error_fraction = 0.04
position_error_m = 0.3
height_error_m = 0.2
max_gap_deg = 6.0
[[landmarks]]
name = "chapel spire"
position = "58.0375 N 24.6480 W"
measured_bearing_deg = 37.0
[roof]
outline = [[0,0],[12,0],[12,8],[0,8]]
surface = [[0,4,49.0],[12,4,49.0]]
edge_setback_m = 0.5
cable_entry = [6.0, 0.0, 42.5]
yards = [[[20,0],[30,0],[30,9]]]
[criteria]
fresnel_fraction = 0.7
assumed_distance_m = 12.0
years_ahead = 4
min_p_clear = 0.95
refraction_factor = 1.25
hidden_tall_m = 25.0
"""


def test_every_field_of_the_nouns_can_be_written_in_a_site_file():
    from dataclasses import fields

    from skysill.io.site_keys import CriteriaTable, SurveyTable, TerminalTable

    for noun, table, others in (
        (Terminal, TerminalTable, {"assumed"}),
        (Survey, SurveyTable, set()),
        (Criteria, CriteriaTable, set()),
    ):
        assert {part.name for part in fields(noun)} - others <= {part.name for part in fields(table)}


@pytest.mark.parametrize(
    "path", sorted(set(DEMO.glob("*.toml")) - {DEMO / "clinic_as_built.toml"}), ids=lambda path: path.stem
)
def test_the_demo_sites_are_read(path):
    job = read_site_file(path)
    assert job.satellites
    assert job.mounts


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (PLACE + "[terminal]\ndish_diametre_m = 1.2\n",
         'clinic.toml, [terminal]: "dish_diametre_m" is not known. Did you mean dish_diameter_m?'),
        ('postion = "58 N 24 W"\n', 'clinic.toml: "postion" is not known. Did you mean position?'),
        (PLACE + "[[mounts]]\nheight_m = 1\n[[mounts]]\nhieght_m = 2\n",
         'clinic.toml, [[mounts]] number 2: "hieght_m" is not known. Did you mean height_m?'),
        ('name = "x"\n', 'clinic.toml: "position" is missing.'),
        (PLACE + "[[landmarks]]\nname = 'x'\n", 'clinic.toml, [[landmarks]] number 1: "position" is missing.'),
        (PLACE + "[terminal]\ndish_diameter_m = '1.2'\n",
         'clinic.toml, [terminal], dish_diameter_m: "1.2" is not a number. Write metres as a number, without quotes.'),
        (PLACE + "[terminal]\nreceive_ghz = true\n",
         "clinic.toml, [terminal], receive_ghz: true is not a number. Write gigahertz as a number, without quotes."),
        (PLACE + "[terminal]\ndish_diameter_m = nan\n",
         "clinic.toml, [terminal], dish_diameter_m: nan is not a finite number."),
        (PLACE + "[terminal]\ndish_diameter_m = 120\n",
         "clinic.toml, [terminal], dish_diameter_m: 120 m is no dish diameter. Give metres, from 0.1 to 20."),
        (PLACE + "[survey]\nmax_gap_deg = 0\n",
         "clinic.toml, [survey], max_gap_deg: 0 is out of range: it must be above 0, and 360 or less."),
        (PLACE + "[survey]\nbearings = 'compass'\n",
         'clinic.toml, [survey], bearings: "compass" is not one of true, magnetic, relative.'),
        (PLACE + "[survey]\ndate = '2026-06-14'\n",
         'clinic.toml, [survey], date: "2026-06-14" is not a date. Write 2026-06-14, without quotes.'),
        (PLACE + "[obstacles]\ncomplete = 'yes'\n",
         'clinic.toml, [obstacles], complete: "yes" is neither true nor false. Write true or false, without quotes.'),
        (PLACE + "[roof]\noutline = [[0,0],[1,0]]\n",
         "clinic.toml, [roof], outline: holds 2 where at least 3 belong."),
        (PLACE + "[roof]\noutline = [[0,0],[1,0],[1,'a']]\n",
         'clinic.toml, [roof], outline number 3 number 2: "a" is not a number. Write as a number, without quotes.'),
        (PLACE + "terminal = 3\n",
         "clinic.toml, terminal: 3 is not a table. Write [terminal] on a line of its own."),
        (PLACE + "[mounts]\nheight_m = 1\n",
         "clinic.toml, mounts: a table is not a list of tables. Write [[mounts]] on a line of its own."),
        ('position = "158.0312, 24.6541"\n', "clinic.toml, position: "),
        (PLACE + "ground_elevation_m = 20000\n",
         "clinic.toml, ground_elevation_m: 20000 m is no ground on Earth. "
         "Give metres above sea level or the ellipsoid, from -500 to 9000."),
        (PLACE + "[[mounts]]\nheight_m = -1\n",
         "clinic.toml, [[mounts]] number 1, height_m: -1 m is no mount height. "
         "It is the dish centre above what the mount stands on, from 0 to 200 m."),
        (PLACE + "[[mounts]]\neast_m = 1\nbearing_deg = 3\ndistance_m = 2\n",
         "clinic.toml, [[mounts]] number 1: east_m, north_m and bearing_deg, distance_m are both given. "
         "Keep one pair."),
        (PLACE + "[[mounts]]\nname='a'\n[[mounts]]\nname='a'\n",
         'clinic.toml, [[mounts]]: two are called "a". Rename one.'),
        (PLACE + "[[mounts]]\nheight_m=3\nmax_height_m=2\n",
         "clinic.toml, [[mounts]] number 1, height_m: 3 m is above max_height_m, 2 m."),
        (PLACE + "[[satellites]]\nname = 'A'\n",
         "clinic.toml, [[satellites]] number 1: needs a longitude or an orbit file, and not both."),
        (PLACE + "[terrain]\nrasters = ['a.tif']\nkinds = ['bare', 'surface']\n",
         "clinic.toml, [terrain], kinds: holds 2 for 1 rasters. Give one each."),
        (PLACE + "[survey]\nhorizon = 'none.csv'\n", "none.csv: there is no such file. Is the path right?"),
        ("name = Skerrow\n",
         'clinic.toml, row 1: is not TOML (invalid value). '
         'A line reads name = "chapel", or height_m = 1.5, or [terminal].'),
        (b"name = '\xe9'\n", "clinic.toml, row 1: is not UTF-8 text. Save it as UTF-8."),
    ],
)  # fmt: skip
def test_mistakes_are_told_in_one_line(site, text, sentence):
    told = refusal(site(text))
    assert told.startswith(sentence) if sentence.endswith(" ") else told == sentence
    assert "\n" not in told


def test_relative_paths_begin_at_the_site_file(site, tmp_path, monkeypatch):
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "h.csv").write_text("azimuth_deg,elevation_deg\n1,2\n")
    (tmp_path / "deep" / "s.toml").write_text(PLACE + "[survey]\nhorizon = 'h.csv'\n")
    monkeypatch.chdir(tmp_path)
    assert read_site_file("deep/s.toml").sources.readings.source == "h.csv"


def test_sources_left_out_are_not_even_opened(site):
    text = (
        PLACE + "[survey]\nhorizon='no.csv'\n[terrain]\nrasters=['no.tif']\n[obstacles]\nfile='no.geojson'\n"
    )
    job = read_site_file(site(text), without={"terrain", "horizon", "obstacles"})
    assert (job.sources.rasters, job.sources.readings, job.sources.scene) == ((), None, None)


# --- inline obstacles ----------------------------------------------------------------------------------------

GROUND = PLACE + "ground_elevation_m = 41.0\n"


def obstacles(site, text, head=GROUND):
    return read_site_file(site(head + text)).sources.scene


def test_a_tree_by_bearing_and_distance(site):
    scene = obstacles(site, """
        [[obstacle]]
        kind = "tree"
        name = "sycamore"
        bearing_deg = 171.0
        distance_m = 22.0
        height_m = 9.0
        crown_radius_m = 3.0
        growth_m_per_year = 0.4
        """)  # fmt: skip
    [tree] = scene.obstacles
    assert (tree.kind, tree.name, tree.top_elevation_m, tree.crown_radius_m) == (
        "tree",
        "sycamore",
        50.0,
        3.0,
    )
    np.testing.assert_allclose(tree.centre_m, (22 * np.sin(np.deg2rad(171)), 22 * np.cos(np.deg2rad(171))))
    assert not scene.complete


def test_a_building_a_facet_and_a_wire(site):
    scene = obstacles(site, """
        [obstacles]
        complete = true
        [[obstacle]]
        kind = "building"
        outline = [[-6,14],[6,14],[6,20],[-6,20]]
        top_elevation_m = 52.0
        [[obstacle]]
        kind = "roof"
        outline = [[-6,14,47],[6,14,47],[6,17,50],[-6,17,50]]
        [[obstacle]]
        kind = "wire"
        line = [[-20,9,48.0],[25,9,48.5]]
        sag_m = 0.6
        """)  # fmt: skip
    block, slope, wire = scene.obstacles
    assert (block.shape, block.top_elevation_m, block.ground_elevation_m) == ("prism", 52.0, 41.0)
    assert (slope.shape, slope.stands, slope.top_elevation_m) == ("facet", False, 50.0)
    assert (wire.shape, wire.sag_m) == ("line", 0.6)
    assert scene.complete


def test_a_height_by_clinometer_accounts_for_the_eye(site):
    """Eye height + distance times the tangent of the angle: at 45 degrees the distance itself. Plane trigonometry."""
    [pole] = obstacles(site, """
        [[obstacle]]
        kind = "pole"
        bearing_deg = 90
        distance_m = 20
        inclination_deg = 45
        """).obstacles  # fmt: skip
    assert pole.height_m == pytest.approx(20.0 + 1.6)


def test_a_place_by_two_bearings(site):
    """Two sights from the ends of a 100 m base at 45 degrees to it meet 50 m off its middle. Plane trigonometry."""
    [pole] = obstacles(site, """
        [[obstacle]]
        kind = "pole"
        sightings = [[0, 0, 45], [100, 0, 315]]
        height_m = 8
        """).obstacles  # fmt: skip
    np.testing.assert_allclose(pole.centre_m, (50.0, 50.0), atol=1e-9)


def test_a_declared_empty_scene_is_complete_and_empty(site):
    scene = obstacles(site, "[obstacles]\ncomplete = true\n")
    assert scene.complete
    assert len(scene) == 0


def test_heights_without_a_known_ground_count_from_the_ground(site):
    [pole] = obstacles(site, "[[obstacle]]\nkind='pole'\neast_m=5\nheight_m=8\n", head=PLACE).obstacles
    assert (pole.ground_elevation_m, pole.top_elevation_m) == (0.0, 8.0)


def test_obstacles_of_one_name_are_numbered(site):
    text = "[[obstacle]]\nkind='pole'\neast_m=5\nheight_m=8\n" * 2
    assert [one.name for one in obstacles(site, text).obstacles] == ["pole", "pole 2"]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("kind='pole'\nheight_m=8\n", "is placed in no way, or in several. Give one of: east_m and north_m; "
         "bearing_deg and distance_m; sightings; outline; line."),
        ("kind='pole'\neast_m=5\n", '"pole" has no height. Give height_m above the ground, or top_elevation_m.'),
        ("kind='tower'\neast_m=5\nheight_m=3\n", 'kind: "tower" is no kind of obstacle. '
         "For a point write one of chimney, flue, mast, pole, tank, tree."),
        ("kind='wire'\nline=[[-20,9,8.0],[25,9,8.5]]\n", 'line: the wire "wire" runs at 8.0 m, not above the ground '
         "there (41.0 m). A wire's third number is an elevation, as the ground's is; height_m counts from the ground."),
        ("kind='wire'\nname='feed'\nline=[[-20,9],[25,9]]\nheight_m=5\nsag_m=5.5\n", 'sag_m: the wire "feed" runs at '
         "40.5 m, not above the ground there (41.0 m). It hangs sag_m below the middle of each span: is that right?"),
        ("kind='wire'\nline=[[-20,9],[25,9]]\nheight_m=0\n", "not above the ground there (41.0 m)."),
        ("kind='wire'\nline=[[-200,9,8],[-300,9,8]]\nground_elevation_m=9\n", "not above the ground there (9.0 m)."),
        ("kind='wire'\nline=[[-20,9,48],[25,9,48]]\nvoltage_kv=132000\n", "132000 kV is no voltage of an overhead "
         "line. Give kilovolts, up to 1000; above that ask the line's owner."),
        ("kind='wire'\neast_m=5\nheight_m=3\n", "kind: a wire is not given by a point. "
         "A point is one of chimney, flue, mast, pole, tank, tree."),
        ("kind='pole'\nsightings=[[0,0,10],[5,0,11]]\nheight_m=3\n", "sightings: the two bearings cross at under 5 "
         "degrees. Sight from places farther apart."),
        ("kind='pole'\nsightings=[[0,0,225],[100,0,135]]\nheight_m=3\n", "sightings: the two bearings meet behind an "
         "observer. Check both bearings."),
        ("kind='pole'\neast_m=50000\nheight_m=3\n", 'geometry: "pole" lies 50 km from the site.'),
        ("kind='tree'\neast_m=5\nheight_m=3\ntop_elevation_m=50\n",
         "height_m and top_elevation_m are both given. Keep one of the two."),
    ],
)  # fmt: skip
def test_mistakes_in_obstacles_name_the_obstacle(site, text, sentence):
    told = refusal(site(GROUND + "[[obstacle]]\n" + text))
    assert told.startswith("clinic.toml, [[obstacle]] number 1")
    assert sentence in told


def test_a_wire_down_the_hill_may_run_below_the_sites_own_ground(site):
    """At 100 m the ground may lie 35 m lower; with nothing said of it, a wire at 20 m below is no slip."""
    scene = obstacles(site, "[[obstacle]]\nkind='wire'\nline=[[100,0,21],[120,0,21]]\nvoltage_kv=11\n")
    assert scene.obstacles[0].voltage_kv == 11.0


def test_a_terminal_may_say_that_it_only_receives(site):
    assert read_site_file(site(PLACE + "[terminal]\nreceive_only = true\n")).terminal.receive_only
    told = refusal(site(PLACE + "[terminal]\nreceive_only = true\ntransmit_ghz = 29.5\n"))
    assert told == (
        "clinic.toml, [terminal], receive_only: says receive_only and a transmitter too. "
        "Take transmit_ghz and transmit_power_w out, or receive_only."
    )


def test_elevations_need_a_known_ground(site):
    told = refusal(site(PLACE + "[[obstacle]]\nkind='wall'\nline=[[0,9,48],[5,9,48]]\n"))
    assert "is given by elevation, but the site's ground_elevation_m is unknown." in told


def hill(path, *, height_m=903.0, ground_m=40.0):
    """A flat raster with one hill 3 km south of the clinic's place, in a sea of voids nowhere."""
    import numpy as np
    import rasterio
    from pyproj import Transformer

    x, y = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True).transform(-24.6541, 58.0312)
    values = np.full((400, 400), ground_m, "float32")
    values[300:310, 190:210] = height_m
    with rasterio.open(path, "w", driver="GTiff", height=400, width=400, count=1, dtype="float32", crs="EPSG:32627",
                       transform=rasterio.Affine(30, 0, x - 6000, 0, -30, y + 6000)) as target:  # fmt: skip
        target.write(values, 1)
    return path


HILLY = """
position = "58.0312 N 24.6541 W"
{site}
[[satellites]]
longitude = "24.0 W"
[[mounts]]
height_m = 2.0
{mount}
[terrain]
rasters = ["hill.tif"]
{terrain}
"""


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ({"terrain": "highest_ground_m = 300"},
         "[terrain], highest_ground_m: 300 m is lower than ground of 903 m in hill.tif."),
        ({"site": "ground_elevation_m = 410"},
         "ground_elevation_m: 410 m is out of all proportion to the rasters' 40 m there."),
        ({"mount": "surface_elevation_m = 460"},
         '[[mounts]] "mount", surface_elevation_m: 460 m is out of all proportion'),
        ({"site": "ground_elevation_m = 41000"}, "ground_elevation_m: 41000 m is no ground on Earth"),
        ({"terrain": '[[obstacle]]\nkind = "tree"\neast_m = 9\nnorth_m = 3\nheight_m = 200'},
         "height_m: stands 200 m above the ground there, more than any tree does"),
        ({"terrain": '[[obstacle]]\nkind = "pole"\neast_m = 9\nnorth_m = 3\nground_elevation_m = 400\nheight_m = 9'},
         "ground_elevation_m: 400 m is 360 m off the ground that the rasters have there."),
    ],
)  # fmt: skip
def test_heights_that_the_raster_contradicts_are_refused_with_their_key(tmp_path, keys, sentence):
    hill(tmp_path / "hill.tif")
    path = tmp_path / "site.toml"
    path.write_text(HILLY.format(**{"site": "", "mount": "", "terrain": "", **keys}))
    with pytest.raises(InputError) as caught:
        read_site_file(path)
    assert sentence in str(caught.value)


@pytest.mark.parametrize("name", [r"roof\u001b[2J", r"roof\u202e", r"roof\nroof"])
def test_names_hold_no_characters_that_control_a_terminal(tmp_path, name):
    path = tmp_path / "site.toml"
    path.write_text(f'name = "{name}"\nposition = "58.0312 N 24.6541 W"\n')
    with pytest.raises(InputError, match=r"site\.toml, name: holds a character that controls a terminal"):
        read_site_file(path)


def test_a_highest_ground_that_is_true_is_taken(tmp_path):
    hill(tmp_path / "hill.tif")
    path = tmp_path / "site.toml"
    path.write_text(HILLY.format(site="", mount="", terrain="highest_ground_m = 903"))
    assert read_site_file(path).sources.highest_ground_m == 903.0


@pytest.mark.parametrize(
    ("text", "error_m", "coarse"),
    [
        ("26VPK3852634590", 0.29, False),  # 1 m / sqrt(12)
        ("26VPK38523459", 2.9, False),  # 10 m / sqrt(12)
        ("26VPK385345", 28.9, True),  # 100 m / sqrt(12)
        ("geo:58.0312,-24.6541;u=24.48", 10.0, True),  # 95 % of a round normal distribution within 2.448
    ],
)
def test_a_position_written_as_a_square_or_circle_makes_rasters_uncertain(site, text, error_m, coarse):
    """Standard deviation of a place anywhere in a square of side s: s / sqrt(12) along each axis."""
    terrain = f"""[terrain]
rasters = ["{DEMO}/village_surface.tif", "{DEMO}/island.tif"]
kinds = ["surface", "bare"]
horizontal_error_m = [0.3, 5.0]
highest_ground_m = 420
[[satellites]]
longitude = "24.0 W"
[[mounts]]
height_m = 30.0
"""
    job = read_site_file(site(f'position = "{text}"\n{terrain}'))
    assert job.site.position_error_m == pytest.approx(error_m, rel=0.01)
    fine, wide = job.sources.rasters
    added_m = 0.0 if error_m < 1.0 else error_m
    assert fine.facts.horizontal_error_m == pytest.approx(np.hypot(0.3, added_m), rel=0.01)
    assert wide.facts.horizontal_error_m == pytest.approx(np.hypot(5.0, added_m), rel=0.01)
    found = assess(job, job.mounts[0])
    assert (found.results[0].verdict == "needs-survey") == coarse  # 30 m up all is free that is known
    assert any("known to" in text for text in found.warnings) == (error_m > 2.0)


def test_a_landmark_written_as_a_square_of_100_m_is_refused(site):
    text = f'{PLACE}[[landmarks]]\nname = "spire"\nposition = "26VPK388351"\nmeasured_bearing_deg = 37.0\n'
    assert refusal(site(text)) == (
        'clinic.toml, [[landmarks]] number 1, position: "26VPK388351" is known to 29 m only, too little for a bearing. '
        "Write it with more digits."
    )


def test_two_satellites_of_one_name_are_refused(site):
    text = PLACE + "".join(
        f'[[satellites]]\nname = "A"\nlongitude = "{longitude}"\n' for longitude in ("24 W", "5 E")
    )
    assert refusal(site(text)) == 'clinic.toml, [[satellites]]: two satellites are called "A". Rename one.'
    with pytest.raises(InputError, match=r'--satellite: two satellites are called "A"\. Rename one\.'):
        JobOptions(satellite=("A=24W", "A=5E")).satellites(())
    assert len(JobOptions(satellite=("A=24W", "A=24.0W")).satellites(())) == 2
