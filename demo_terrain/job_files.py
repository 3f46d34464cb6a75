"""The text files of the demo: site files, the survey's two files, address lists, an orbit."""

from __future__ import annotations

import csv
import io
import json

import mgrs
import numpy as np
import pyproj
import survey
from ground import CELL_M, LAND_COLUMNS, LAND_ROWS, LAND_SOUTH_M, LAND_WEST_M, SEED
from village import CLINIC, SCHOOL_ROW

from skysill.geodesy.plus_codes import encode_plus_code

SATELLITES = """\
[[satellites]]
name = "Demo South"
longitude = "24.0 W"

[[satellites]]
name = "Demo West"
longitude = "52.5 W"

[[satellites]]
name = "Demo East"
longitude = "5.5 E"
"""
TERMINAL = """\
[terminal]
dish_diameter_m = 1.2
receive_ghz = 19.7
transmit_ghz = 29.5
transmit_power_w = 2.0
offset_angle_deg = 17.0
cable_limit_m = 40.0
"""
ISLAND_ONLY = """\
[terrain]
rasters = ["island.tif"]
kinds = ["bare"]
vertical_error_m = [3.0]
highest_ground_m = 420
"""
BOTH_RASTERS = """\
[terrain]
rasters = ["village_surface.tif", "island.tif"]   # finest first
kinds = ["surface", "bare"]
vertical_error_m = [0.3, 3.0]
highest_ground_m = 420                            # nothing on Hollinsay is higher
"""
SCHOOL_DOOR = (-208.0, 122.0)
FARMS = {  # lattice places, metres: outside the village only the island raster speaks
    "croft": (-1005.0, -1245.0),
    "byre": (-1365.0, -1065.0),
    "farm": (3010.0, -310.0),
    "shieling": (2150.0, -1150.0),
    "lighthouse": (-700.0, -34_090.0),
}


def written(latitude_deg, longitude_deg, digits=5):
    """58.0312 N 24.6541 W."""
    return f"{latitude_deg:.{digits}f} N {-longitude_deg:.{digits}f} W"


def clinic_toml(foot, degrees):
    ground = foot(0.0, 0.0)
    base = foot(CLINIC.east, CLINIC.north)
    ridge, eaves = round(base + CLINIC.ridge, 2), round(base + CLINIC.eaves, 2)
    chapel, light = degrees(360.0, 702.0), degrees(*survey.HARBOUR_LIGHT)
    true_bearing = np.degrees(np.arctan2(*survey.HARBOUR_LIGHT)) % 360.0
    shown = true_bearing - survey.declination_deg(*degrees(0.0, 0.0), ground) - survey.COMPASS_ERROR_DEG
    return f'''# Skerrow clinic, Hollinsay (invented). Origin: the foot of the south gable, where the surveyor stood.
name = "Skerrow clinic"
position = "58.0312 N 24.6541 W"
ground_elevation_m = {ground:.1f}

{TERMINAL}
{SATELLITES}
[[mounts]]
name = "gable pole"                    # on the wall of the south gable, beside the service wire's hook
east_m = 0.0
north_m = 0.9
surface_elevation_m = {ridge}
height_m = 4.4
max_height_m = 6.0

[[mounts]]
name = "behind the chimney"            # on the ridge, at its far end
east_m = 0.0
north_m = 14.0
surface_elevation_m = {ridge}
height_m = 1.0
max_height_m = 3.0

[[mounts]]
name = "east wall bracket"
east_m = 4.4
north_m = 4.0
surface_height_m = 2.2
height_m = 0.5
max_height_m = 3.0

{BOTH_RASTERS}
[survey]
horizon = "clinic_horizon.csv"
bearings = "magnetic"
date = 2026-06-14
instrument_height_m = 1.6
bearing_error_deg = 0.7
inclination_error_deg = 0.5
max_gap_deg = 5.0

[[landmarks]]
name = "chapel spire"
position = "{written(*chapel)}"

[[landmarks]]
name = "harbour light"
position = "{written(*light)}"
measured_bearing_deg = {round(2.0 * shown) / 2.0:.1f}             # as the same compass showed it, magnetic

[obstacles]
file = "clinic_obstacles.geojson"
complete = false

[roof]
outline = [[-4.0, 1.0], [4.0, 1.0], [4.0, 17.0], [-4.0, 17.0]]
surface = [                            # two planes that meet in the ridge
  [-4.0, 1.0, {eaves}], [0.0, 1.0, {ridge}], [4.0, 1.0, {eaves}],
  [-4.0, 17.0, {eaves}], [0.0, 17.0, {ridge}], [4.0, 17.0, {eaves}],
]
edge_setback_m = 1.0
cable_entry = [4.0, 3.0, {ground + 1.4:.1f}]

[criteria]
fresnel_fraction = 0.6
years_ahead = 5
min_p_clear = 0.9
'''


def school_toml(foot, degrees):
    ground = foot(*SCHOOL_DOOR)
    trees = "\n".join(
        f'''[[obstacle]]
kind = "tree"
name = "{tree.name.replace("school ", "")}"
bearing_deg = {np.degrees(np.arctan2(tree.east - SCHOOL_DOOR[0], tree.north - SCHOOL_DOOR[1])) % 360.0:.1f}
distance_m = {np.hypot(tree.east - SCHOOL_DOOR[0], tree.north - SCHOOL_DOOR[1]):.1f}
height_above_site_m = {foot(tree.east, tree.north) + tree.height - ground:.1f}
crown_radius_m = {tree.crown_radius}
crown_base_height_m = {0.3 * tree.height:.1f}
growth_m_per_year = {tree.growth}
max_height_m = 18.0
deciduous = true
'''
        for tree in SCHOOL_ROW
    )
    return f'''# Skerrow school, Hollinsay (invented). The sycamore row south of it leaves just enough room today.
name = "Skerrow school"
position = "{written(*degrees(*SCHOOL_DOOR), digits=6)}"
ground_elevation_m = {ground:.1f}

{TERMINAL}
{SATELLITES}
[[mounts]]
name = "eaves pole"
east_m = 0.0
north_m = 1.6
surface_height_m = 3.4
height_m = 2.2
max_height_m = 5.0

{BOTH_RASTERS}
[survey]
date = 2026-06-14

{trees}
[criteria]
years_ahead = 5
'''


def lone_toml(name, title, comment, position, mount, terrain=ISLAND_ONLY, more=""):
    return f'''# {title}, Hollinsay (invented). {comment}
name = "{title}"
position = "{written(*position)}"

{TERMINAL}
{SATELLITES}
[[mounts]]
name = "{mount}"
height_m = 2.5
max_height_m = 6.0

{terrain}
[survey]
date = 2026-06-14
{more}'''


BYRE_OBSTACLES = """
[obstacles]
complete = true                        # the surveyor walked round: only the barn stands near

[[obstacle]]
kind = "building"
name = "barn, its gutter"
outline = [[-7.0, -14.0], [7.0, -14.0], [7.0, -6.0], [-7.0, -6.0]]
height_above_site_m = 4.4
"""


def site_files(foot, degrees):
    """Name of each site file -> its text."""
    at = {name: degrees_of_lattice(*place) for name, place in FARMS.items()}
    return {
        "clinic.toml": clinic_toml(foot, degrees),
        "school.toml": school_toml(foot, degrees),
        "croft.toml": lone_toml(
            "croft", "Upper Croft", "Right under the ridge.", at["croft"], "chimney bracket"
        ),
        "byre.toml": lone_toml(
            "byre",
            "Byre Cottage",
            "A low gutter six metres off needs more room than the ridge behind it.",
            at["byre"],
            "yard post",
            more=BYRE_OBSTACLES,
        ),
        "farm.toml": lone_toml(
            "farm", "Eastside Farm", "Nobody has looked at what stands near.", at["farm"], "barn gable"
        ),
        "shieling.toml": lone_toml(
            "shieling",
            "Glen Shieling",
            "The survey flight saw nothing of the slope to the south.",
            at["shieling"],
            "yard post",
        ),
        "lighthouse.toml": lone_toml(
            "lighthouse",
            "Outer Sule light",
            "The raster ends before the open sea can be called open.",
            at["lighthouse"],
            "keeper's house",
        ),
    }


def degrees_of_lattice(x_m, y_m):
    """Latitude and longitude of a place on the land lattice."""
    from make_demo import MAP_GRID, MAP_ORIGIN_M

    to_degrees = pyproj.Transformer.from_crs(MAP_GRID, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(MAP_ORIGIN_M[0] + x_m, MAP_ORIGIN_M[1] + y_m)
    return float(latitude), float(longitude)


NOTES = (
    "",
    "",
    "",
    "ring twice",
    'says "any morning"',
    "key at the store, back door",
    "=new roof 2025",
    "+ ladder on site",
    "gate; mind the dog",
    "Wednesday, Thursday",
    "zażółć gęślą jaźń",  # every letter must come through
)


def _address_places(lattice, village, degrees):
    """(latitude, longitude, line of address) of every house in the village and of farms all over the island."""
    for house in village.houses[5:]:
        yield (*degrees(house.east, house.north), f"{house.name}, Skerrow")
    rng = np.random.default_rng([SEED, 500])
    words = ("Brae", "Ness", "Wick", "Tarn", "Holm", "Garth", "Skaill", "Burn", "Moss", "Linn")
    firsts = ("Upper", "Nether", "Old", "Far", "Mid", "Little", "West", "East", "Lang", "Mill of")
    farms = 0
    while farms < 400 - len(village.houses[5:]):
        x = LAND_WEST_M + rng.random() * LAND_COLUMNS * CELL_M
        y = LAND_SOUTH_M + rng.random() * LAND_ROWS * CELL_M
        row, column = int((LAND_SOUTH_M + LAND_ROWS * CELL_M - y) / CELL_M), int((x - LAND_WEST_M) / CELL_M)
        part = lattice[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        if part.min() < 2.0 or part.max() > 230.0 or np.ptp(part) > 22.0:
            continue
        farms += 1
        yield (
            *degrees_of_lattice(x, y),
            f'"{firsts[int(rng.integers(10))]} {words[int(rng.integers(10))]}", Hollinsay',
        )


def addresses_csv(lattice, village, degrees):
    """400 invented addresses: identifiers with leading zeros, quotes, commas and cells that look like formulas."""
    rng = np.random.default_rng([SEED, 501])
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(["id", "address", "latitude", "longitude", "storeys", "remark"])
    rows = list(_address_places(lattice, village, degrees))
    for number, (latitude, longitude, line) in enumerate(rows, start=1):
        out.writerow(
            [
                f"{number:05d}",
                line,
                f"{latitude:.6f}",
                f"{longitude:.6f}",
                f"{int(rng.integers(1, 3)):02d}",
                NOTES[int(rng.integers(len(NOTES)))],
            ]
        )
    return text.getvalue(), rows


def _dms(value, positive, negative):
    seconds = round(abs(value) * 36_000) / 10
    side = positive if value >= 0 else negative
    return f"{int(seconds // 3600)}°{int(seconds % 3600 // 60):02d}'{seconds % 60:04.1f}\"{side}"


ANSWERS = """id,thing,height_m,distance_m,remark
M12,nothing,,,fields down to the sea
M13,tree,5,40,a row of thorns
M15,building,7,12,the neighbour's barn
M15,tree,9,25,
M16,tree,22,12,sycamores along the lane
M17,,,,nobody at home
"""
"""What callers of the mixed list answered on the telephone."""


def mixed_csv(rows):
    """24 of them in eight notations of a position, and six rows that screening rejects or cannot answer."""
    to_map = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True)
    notations = (
        lambda a, o: f"{a:.6f}, {o:.6f}",
        written,
        lambda a, o: f"{_dms(a, 'N', 'S')} {_dms(o, 'E', 'W')}",
        lambda a, o: f"{a:+010.6f}{o:+011.6f}/",
        lambda a, o: f"geo:{a:.6f},{o:.6f}",
        lambda a, o: "27N {:.0f} {:.0f}".format(*to_map.transform(o, a)),
        lambda a, o: mgrs.MGRS().toMGRS(a, o),
        lambda a, o: encode_plus_code(a, o, 11),
    )
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(["id", "position", "mount_height_m", "remark"])
    for number, (latitude, longitude, line) in enumerate(rows[3:380:16], start=1):
        height = ("", "2.0", "3.5", "6")[number % 4]
        out.writerow(
            [f"M{number:02d}", notations[number % len(notations)](latitude, longitude), height, line]
        )
    for name, position, remark in (
        ("X1", "-24.6541, 58.0312", "latitude and longitude the wrong way round: a place in another ocean"),
        ("X2", "58.0312, 24.6541", "hemisphere forgotten"),
        ("X3", "58.9, -24.65", "north of the raster"),
        ("X4", "by the old pier", "no position"),
        ("X5", "", "empty"),
        ("X6", "158.03 N 24.65 W", "no such latitude"),
    ):
        out.writerow([name, position, "", remark])
    return text.getvalue()


def orbit_json():
    """An inclined geosynchronous object near 24 W, as a CCSDS Orbit Mean-Elements Message (502.0-B) in JSON."""
    greenwich_deg = 262.2435  # mean sidereal angle at the epoch
    node_deg = 110.0
    message = {
        "CCSDS_OMM_VERS": "3.0",
        "COMMENT": "Invented object; elements made up for the demo.",
        "CREATION_DATE": "2026-06-14T00:00:00",
        "ORIGINATOR": "HOLLINSAY DEMO",
        "OBJECT_NAME": "Demo Inclined",
        "OBJECT_ID": "2020-999A",
        "CENTER_NAME": "EARTH",
        "REF_FRAME": "TEME",
        "TIME_SYSTEM": "UTC",
        "MEAN_ELEMENT_THEORY": "SGP4",
        "EPOCH": "2026-06-14T00:00:00.000000",
        "MEAN_MOTION": 1.00271,
        "ECCENTRICITY": 0.0003,
        "INCLINATION": 3.0,
        "RA_OF_ASC_NODE": node_deg,
        "ARG_OF_PERICENTER": 40.0,
        "MEAN_ANOMALY": round((greenwich_deg - 24.0 - node_deg - 40.0) % 360.0, 4),
        "EPHEMERIS_TYPE": 0,
        "CLASSIFICATION_TYPE": "U",
        "NORAD_CAT_ID": 99924,
        "ELEMENT_SET_NO": 1,
        "REV_AT_EPOCH": 2100,
        "BSTAR": 0.0,
        "MEAN_MOTION_DOT": 0.0,
        "MEAN_MOTION_DDOT": 0.0,
    }
    return json.dumps(message, indent=1) + "\n"


def write_all(folder, lattice, village, *, foot, place, degrees):
    """Write every text file of the demo into `folder`."""
    from ground import ground_m

    def ground(east, north):
        return ground_m(lattice, *place(east, north))

    def degrees_pair(east, north):
        latitude, longitude = degrees(float(east), float(north))
        return [round(longitude, 8), round(latitude, 8)]

    declination = survey.declination_deg(*degrees(0.0, 0.0), foot(0.0, 0.0))
    texts = site_files(foot, degrees)
    texts["clinic_horizon.csv"] = survey.horizon_csv(survey.horizon_lines(ground, foot, village, declination))
    features = list(survey.obstacle_features(foot, degrees_pair, village))
    lines = ",\n".join(json.dumps(feature, ensure_ascii=False) for feature in features)
    texts["clinic_obstacles.geojson"] = f'{{"type": "FeatureCollection", "features": [\n{lines}\n]}}\n'
    texts["addresses.csv"], rows = addresses_csv(lattice, village, degrees)
    texts["addresses_mixed.csv"] = mixed_csv(rows)
    texts["answers.csv"] = ANSWERS
    texts["orbit_demo.json"] = orbit_json()
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
