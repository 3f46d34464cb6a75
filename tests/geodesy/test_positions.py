"""Positions: every notation read and written, what is ambiguous refused, offsets and distances on the ellipsoid."""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from pyproj import Geod, Transformer

from skysill.errors import InputError
from skysill.geodesy.positions import (
    bearing_and_distance,
    format_position,
    offset_position,
    parse_longitude,
    parse_position,
    plan_offset,
)

PUBLISHED = Path(__file__).parents[1] / "published"


def published(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(newline="") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def metres_apart(lat: float, lon: float, to_lat: float, to_lon: float) -> float:
    return float(Geod(ellps="WGS84").inv(lon, lat, to_lon, to_lat)[2])


# --- one place, every way of writing it ---

CLINIC = [
    ("58.0312, -24.6541", "decimal"),
    ("58.0312 -24.6541", "decimal"),
    ("58.0312,-24.6541", "decimal"),
    ("58.0312;-24.6541", "decimal"),
    ("  +58.0312 ,\t\u221224.6541 ", "decimal"),
    ("58,0312; -24,6541", "decimal"),
    ("58,0312 -24,6541", "decimal"),
    ("58,0312, -24,6541", "decimal"),
    ("58.0312 N 24.6541 W", "hemispheres"),
    ("58.0312N24.6541W", "hemispheres"),
    ("58.0312n, 24.6541w", "hemispheres"),
    ("58.0312° N, 24.6541° W", "hemispheres"),
    ("N 58.0312 W 24.6541", "hemispheres"),
    ("N58.0312, W24.6541", "hemispheres"),
    ("24.6541 W 58.0312 N", "hemispheres"),
    ("W 24.6541, N 58.0312", "hemispheres"),
    ("58.0312 north 24.6541 west", "hemispheres"),
    ("58,0312 N 24,6541 W", "hemispheres"),
    ("58,0312 N, 24,6541 W", "hemispheres"),
    ("58°01.872'N 24°39.246'W", "dm"),
    ("58°01,872'N 24°39,246'W", "dm"),
    ("58 01.872 N 24 39.246 W", "dm"),
    ("58d01.872m N 24d39.246m W", "dm"),
    ("58°01'52.32\"N 24°39'14.76\"W", "dms"),
    ("58º01’52.32”N 24º39’14.76”W", "dms"),
    ("58°01′52.32″N 24°39′14.76″W", "dms"),
    ("58°01'52.32''N 24°39'14.76''W", "dms"),
    ("N58°01'52.32\" W24°39'14.76\"", "dms"),
    ("58 01 52.32 N 24 39 14.76 W", "dms"),
    ("58d01m52.32s N 24d39m14.76s W", "dms"),
    ("58d01m52.32sN, 24d39m14.76sW", "dms"),
    ("58 d 01 m 52.32 s N 24 d 39 m 14.76 s W", "dms"),
    ("58 deg 01 min 52.32 sec N, 24 deg 39 min 14.76 sec W", "dms"),
    ("58 01 52.32, -24 39 14.76", "dms"),
    ("58°01'52.32\" -24°39'14.76\"", "dms"),
    ("+58.0312-024.6541/", "iso6709"),
    ("+5801.872-02439.246/", "iso6709"),
    ("+580152.32-0243914.76/", "iso6709"),
    ("+58.0312-024.6541+41.5CRSWGS_84/", "iso6709"),
    ("geo:58.0312,-24.6541", "geo"),
    ("GEO:58.0312,-24.6541,41.5;crs=WGS84;u=5", "geo"),
]


@pytest.mark.parametrize(("text", "notation"), CLINIC)
def test_every_notation_names_the_same_place(text: str, notation: str) -> None:
    found = parse_position(text)
    assert (found.latitude_deg, found.longitude_deg) == pytest.approx((58.0312, -24.6541), abs=1e-12)
    assert found.notation == notation


@pytest.mark.parametrize(
    "text",
    [
        "34.5 S 18.5 E",
        "34.5s 18.5e",
        "18.5E 34.5S",
        "34d30mS 18d30mE",
        "34°30'00\"S 18°30'00\"E",
        "34d30m0sS 18d30m0sE",
        "34d30m0s S 18d30m0s E",
        "34 30 0 S 18 30 0 E",
        "34°30'0S 18°30'0E",
        "-34°30' 18°30'",
    ],
)
def test_seconds_and_south_are_told_apart(text: str) -> None:
    found = parse_position(text)
    assert (found.latitude_deg, found.longitude_deg) == (-34.5, 18.5)


# --- standards, as printed ---


@pytest.mark.parametrize(
    ("text", "latitude", "longitude", "height"),
    [
        ("+00-025/", 0.0, -25.0, None),
        ("+46+002/", 46.0, 2.0, None),
        ("+4852+00220/", 48.0 + 52.0 / 60.0, 2.0 + 20.0 / 60.0, None),
        ("+48.8577+002.295/", 48.8577, 2.295, None),
        ("+27.5916+086.5640+8850/", 27.5916, 86.564, 8850.0),
        ("-90+000+2800/", -90.0, 0.0, 2800.0),
        ("+90+000/", 90.0, 0.0, None),
        ("+40.75-074.00/", 40.75, -74.0, None),
        ("+27.5916+086.5640+8850CRSWGS_84/", 27.5916, 86.564, 8850.0),
    ],
)
def test_iso_6709_strings(text: str, latitude: float, longitude: float, height: float | None) -> None:
    """Encyclopedia page on ISO 6709 (annex H strings) and W3C list, copied, read 2026-11-25."""
    found = parse_position(text)
    assert (found.latitude_deg, found.longitude_deg) == pytest.approx((latitude, longitude), abs=1e-12)
    assert found.height_m == height


def test_geo_uris() -> None:
    """RFC 5870 (2010), sections 3.4.1, 3.4.4 and 6; the first copied, the others from memory."""
    assert parse_position("geo:13.4125,103.8667").latitude_deg == 13.4125
    assert parse_position("geo:48.2010,16.3695,183").height_m == 183.0
    assert parse_position("geo:66,30;u=6.500;FOo=this%2dthat").uncertainty_m == 6.5
    assert parse_position("geo:90,-22.43") == parse_position("geo:90,46")
    assert parse_position("geo:22.300,-118.44") == parse_position("geo:22.3,-118.4400")


@pytest.mark.parametrize("row", published("mgrs.csv"), ids=lambda row: row["mgrs"])
def test_mgrs_rows(row: dict[str, str]) -> None:
    latitude, longitude, digits = float(row["latitude_deg"]), float(row["longitude_deg"]), int(row["digits"])
    assert format_position(latitude, longitude, notation="mgrs", digits=digits) == row["mgrs"]
    found = parse_position(row["mgrs"])
    assert found.uncertainty_m is not None
    assert (
        metres_apart(latitude, longitude, found.latitude_deg, found.longitude_deg)
        < found.uncertainty_m * 1.001
    )


def test_mgrs_names_the_centre_of_its_square() -> None:
    """GeoConvert manual page: 38SMB4488 = 33.33424, 44.40363 (five decimals) = UTM 38N 444500 3688500."""
    for text in ("38SMB4488", "38S MB 44 88", "38s mb 4488", "38N 444500 3688500", "38 north 444500 3688500"):
        found = parse_position(text)
        assert found.latitude_deg == pytest.approx(33.33424, abs=6e-6)  # 5e-6 is the rounding in print
        assert found.longitude_deg == pytest.approx(44.40363, abs=6e-6)


def test_utm_south_of_the_equator() -> None:
    """GeoConvert manual page: latitude -1, longitude 3 = 31S 500000 9889470 (whole metres)."""
    found = parse_position("31S 500000 9889470")
    assert metres_apart(-1.0, 3.0, found.latitude_deg, found.longitude_deg) < 0.71
    assert format_position(-1.0, 3.0, notation="utm").startswith("31S 500000.00 98894")


def test_utm_agrees_with_the_registered_projection() -> None:
    """EPSG:32627, WGS 84 / UTM zone 27N, through PROJ."""
    lon, lat = Transformer.from_crs(32627, 4326, always_xy=True).transform(402345.0, 6433210.0)
    texts = (
        "27N 402345 6433210",
        "27 N 402345 6433210",
        "27V 402345 6433210",
        "UTM zone 27N 402345 m E 6433210 m N",
    )
    for text in (*texts, "27N 402345,6433210", "27N 402345E, 6433210N", "27N 402345,0 6433210,0"):
        found = parse_position(text)
        assert (found.latitude_deg, found.longitude_deg) == pytest.approx((lat, lon), abs=1e-11)


@pytest.mark.parametrize("row", published("plus_codes.csv"), ids=lambda row: row["kind"] + row["code"])
def test_plus_code_vectors(row: dict[str, str]) -> None:
    code = row["code"]
    if row["kind"] == "encode":
        latitude, longitude = (
            float(row["latitude_deg"]),
            (float(row["longitude_deg"]) + 180.0) % 360.0 - 180.0,
        )
        assert format_position(latitude, longitude, notation="pluscode", digits=int(row["length"])) == code
        found = parse_position(code.lower())
        assert found.uncertainty_m is not None
        if latitude < 90.0:
            apart_m = metres_apart(latitude, longitude, found.latitude_deg, found.longitude_deg)
            assert apart_m <= found.uncertainty_m * 1.01
    elif row["kind"] == "invalid":
        with pytest.raises(InputError, match=r"is not a Plus Code\."):
            parse_position(code)
    elif row["kind"] == "valid":
        assert parse_position(code).notation == "pluscode"
    else:
        near = float(row["latitude_deg"])  # a reference place in the same or the next cell of one degree
        assert parse_position(code).latitude_deg == pytest.approx(near, abs=0.5)
        with pytest.raises(InputError, match=r"is a short Plus Code, which needs a reference place\."):
            parse_position(row["short"])


# --- refusals, on the sentence ---

WAYS = 'Write it as "58.0312, -24.6541" or "58.0312 N 24.6541 W".'
COMMA = (
    "can be read in more than one way: is the comma a decimal comma? "
    'Write "58.0312, -24.6541" or "58,0312; -24,6541".'
)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", f"no position is given. {WAYS}"),
        ("58.0312", f'"58.0312" is one coordinate: both a latitude and a longitude are needed. {WAYS}'),
        ("58.0312 N", f'"58.0312 N" is one coordinate: both a latitude and a longitude are needed. {WAYS}'),
        ("58°01'N", f'"58°01\'N" is one coordinate: both a latitude and a longitude are needed. {WAYS}'),
        ("nan, 3", f'"nan, 3" is not a position: it has no finite number. {WAYS}'),
        ("58, -inf", f'"58, -inf" is not a position: it has no finite number. {WAYS}'),
        ("Skerrow", f'"Skerrow" is not understood at "Skerrow". {WAYS}'),
        (
            "100.5, 58.2",
            '"100.5, 58.2" is out of range: latitudes run from -90 to 90. Are latitude and longitude swapped?',
        ),
        ("-100.5, 200", '"-100.5, 200" is out of range: latitudes run from -90 to 90.'),
        ("91 N 20 W", '"91 N 20 W" is out of range: latitudes run from -90 to 90.'),
        ("58, 335.3", '"58, 335.3" is out of range: longitudes run from -180 to 180. Write -24.7.'),
        (
            "58.0312 N 24.6541",
            '"58.0312 N 24.6541" names one hemisphere only: missing hemisphere? Write "58.0312 N 24.6541 W".',
        ),
        (
            "58°01' 24°39'",
            "\"58°01' 24°39'\" does not say north or south, east or west: missing hemisphere? "
            "Write 58°01'52.3\"N 24°39'14.8\"W.",
        ),
        (
            "58.0312 N 24.6541 S",
            '"58.0312 N 24.6541 S" has two latitudes. Write one with N or S and the other with E or W.',
        ),
        (
            "-58.0312 N 24.6541 W",
            '"-58.0312 N 24.6541 W" has both a sign and a hemisphere letter. Keep one of the two.',
        ),
        ("58°61'N 24°00'W", "\"58°61'N 24°00'W\": 61 minutes is out of range. Minutes run from 0 to 59."),
        ("58°1'60\"N 24°0'W", '"58°1\'60"N 24°0\'W": 60 seconds is out of range. Seconds run from 0 to 59.'),
        (
            "58.5°30'N 24°W",
            '"58.5°30\'N 24°W": only the last of degrees, minutes and seconds may have a fraction.',
        ),
        ("58,24", f'"58,24" {COMMA}'),
        ("58,0312,-24,6541", f'"58,0312,-24,6541" {COMMA}'),
        ("12,5 24", f'"12,5 24" {COMMA}'),
        ("58.0 - 24.6", f'"58.0 - 24.6" can be read in more than one way: is the dash a minus sign? {WAYS}'),
        ("58.0-24.6", f'"58.0-24.6" can be read in more than one way: is the dash a minus sign? {WAYS}'),
        ("58 30 24 30", f'"58 30 24 30" does not show where the longitude begins. {WAYS}'),
        ("1, 2, 3", f'"1, 2, 3" is not two coordinates. {WAYS}'),
        (
            "+58.0312-24.6541/",
            '"+58.0312-24.6541/" has the wrong number of digits for an ISO 6709 position. '
            'Write "+58.0312-024.6541/" (two digits of latitude degrees, three of longitude).',
        ),
        (
            "+58.0312-024.6541+1CRSEPSG_4258/",
            '"+58.0312-024.6541+1CRSEPSG_4258/" is not in WGS 84. Give the position in WGS 84 (CRSWGS_84).',
        ),
        (
            "geo:1,2;crs=nad27",
            '"geo:1,2;crs=nad27" is not in WGS 84. Give the position in WGS 84 (crs=wgs84).',
        ),
        ("geo:1", '"geo:1" is not a geo URI. Write "geo:58.0312,-24.6541".'),
        ("27V", '"27V" names a whole grid zone, not a place. Add easting and northing.'),
        ("61N 444500 3688500", '"61N 444500 3688500": there is no UTM zone 61. Zones run from 1 to 60.'),
        (
            "27N 6433210 402345",
            '"27N 6433210 402345" is out of range: eastings run from 100000 to 900000. '
            "Are easting and northing swapped?",
        ),
        (
            "27W 402345 6433210",
            '"27W 402345 6433210" does not lie in band W: its latitude would be 58.03. '
            'Write "27N" or "27S" for the hemisphere, or mend the northing.',
        ),
        (
            "21S 440000 4270000",
            '"21S 440000 4270000" can be read in more than one way: is S the hemisphere or band S (32 to 40 N)? '
            'Write "21 south" or "21 north".',
        ),
        (
            "38SMB448",
            '"38SMB448" is not an MGRS position. Write "26VPK3852634590": as many digits for easting as for '
            "northing, five each at most.",
        ),
    ],
)
def test_refusals_say_what_and_how_to_mend(text: str, sentence: str) -> None:
    with pytest.raises(InputError) as fault:
        parse_position(text)
    assert str(fault.value) == sentence


@pytest.mark.parametrize(
    "text",
    ["38TMB4488", "27VII1212", "61VWE1212", "58 N 24 W 13 E", "58'30 N 24'30 W", "+-58, 24", "58 24", "N, W"],
)
def test_never_an_error_of_another_kind(text: str) -> None:
    if text == "58 24":
        assert parse_position(text).longitude_deg == 24.0
    else:
        with pytest.raises(InputError):
            parse_position(text)


@settings(max_examples=400, deadline=None)
@given(st.text(alphabet="0123456789.,;+- NSEWdms°'\"/:geoVBAu", max_size=30))
def test_any_text_is_a_place_on_earth_or_refused(text: str) -> None:
    try:
        found = parse_position(text)
    except InputError:
        return
    assert abs(found.latitude_deg) <= 90.0
    assert abs(found.longitude_deg) <= 180.0


# --- satellites' longitudes ---


@pytest.mark.parametrize(
    "text",
    ["24.5W", "24.5 W", "-24.5", "24.5°W", "24°30'W", "24°30′00″W", "W24.5", "24,5W", "-24,5", "24.5 west"],
)
def test_longitudes(text: str) -> None:
    assert parse_longitude(text) == -24.5


def test_longitudes_east_and_refused() -> None:
    assert (parse_longitude("5.5E"), parse_longitude("5.5"), parse_longitude("180")) == (5.5, 5.5, 180.0)
    for text, sentence in {
        "24.5N": '"24.5N" is a latitude, and a longitude is wanted. Write "24.0W" or "-24.0".',
        "335.5E": '"335.5E" is out of range: longitudes run from -180 to 180. Write -24.5.',
        "-24.5W": '"-24.5W" has both a sign and a hemisphere letter. Keep one of the two.',
        "24°30'": '"24°30\'" does not say east or west: missing hemisphere? Write "24.0W" or "-24.0".',
        "": 'no longitude is given. Write "24.0W" or "-24.0".',
        "nan": '"nan" is not understood at "nan". Write "24.0W" or "-24.0".',
    }.items():
        with pytest.raises(InputError) as fault:
            parse_longitude(text)
        assert str(fault.value) == sentence


# --- round trips ---

LATITUDES = st.floats(-90.0, 90.0, allow_nan=False)
LONGITUDES = st.floats(-180.0, 180.0, allow_nan=False)


@settings(max_examples=150, deadline=None)
@given(LATITUDES, LONGITUDES, st.sampled_from(["decimal", "hemispheres", "dm", "dms", "iso6709", "geo"]))
def test_degrees_come_back_within_5_cm(latitude: float, longitude: float, notation: str) -> None:
    found = parse_position(format_position(latitude, longitude, notation=notation))  # type: ignore[arg-type]
    assert found.latitude_deg == pytest.approx(latitude, abs=2e-7)
    if not (notation == "geo" and abs(found.latitude_deg) == 90.0):
        assert found.longitude_deg == pytest.approx(longitude, abs=2e-7)
    assert found.notation == notation


@settings(max_examples=150, deadline=None)
@given(st.floats(-80.0, 84.0), LONGITUDES)
def test_utm_comes_back_within_2_cm(latitude: float, longitude: float) -> None:
    found = parse_position(format_position(latitude, longitude, notation="utm"))
    assert metres_apart(latitude, longitude, found.latitude_deg, found.longitude_deg) < 0.02


@settings(max_examples=200, deadline=None)
@given(LATITUDES, LONGITUDES, st.sampled_from([("mgrs", 5), ("mgrs", 3), ("pluscode", 10), ("pluscode", 11)]))
def test_grid_codes_come_back_within_their_square(
    latitude: float, longitude: float, kind: tuple[str, int]
) -> None:
    text = format_position(latitude, longitude, notation=kind[0], digits=kind[1])  # type: ignore[arg-type]
    found = parse_position(text)
    assert found.uncertainty_m is not None
    slack_m = (
        0.1 + 0.01 * found.uncertainty_m
    )  # UTM and polar scale; a cell's parallels are not of one length
    apart_m = metres_apart(latitude, longitude, found.latitude_deg, found.longitude_deg)
    assert apart_m <= found.uncertainty_m + slack_m


def test_heights_travel_where_the_notation_has_a_place() -> None:
    for notation in ("geo", "iso6709"):
        assert parse_position(format_position(1.0, 2.0, notation=notation, height_m=-3.25)).height_m == -3.25  # type: ignore[arg-type]


def test_writing_refuses_what_is_no_place() -> None:
    for arguments, sentence in (
        ((91.0, 0.0, "decimal"), '"91.0, 0.0" is out of range: latitudes run from -90 to 90. '
                                 "Are latitude and longitude swapped?"),
        ((math.nan, 0.0, "decimal"), "a position that is not a number cannot be written."),
        ((85.0, 0.0, "utm"), "UTM ends at 80 S and 84 N. Write the position in degrees."),
    ):  # fmt: skip
        with pytest.raises(InputError) as fault:
            format_position(*arguments[:2], notation=arguments[2])  # type: ignore[arg-type]
        assert str(fault.value) == sentence


# --- offsets and distances ---


def test_offsets_and_plan_coordinates_are_inverse() -> None:
    rng = np.random.default_rng(7)
    latitude, longitude = rng.uniform(-89.9, 89.9, 5000), rng.uniform(-180.0, 180.0, 5000)
    east, north = rng.uniform(-20_000.0, 20_000.0, (2, 5000))
    back_east, back_north = plan_offset(
        latitude, longitude, *offset_position(latitude, longitude, east, north)
    )
    assert np.abs(back_east - east).max() < 1e-7
    assert np.abs(back_north - north).max() < 1e-7


def test_plan_coordinates_are_those_of_the_topocentric_frame() -> None:
    """PROJ's topocentric operation (EPSG method 9837), an outside route."""
    pipeline = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        "+step +proj=topocentric +ellps=WGS84 +lon_0=-24.6541 +lat_0=58.0312 +h_0=0"
    )
    lat, lon = offset_position(58.0312, -24.6541, [3.0, -4000.0, 19_000.0], [4.0, 7000.0, -1000.0])
    east, north, _ = pipeline.transform(lon, lat, np.zeros(3))
    assert east == pytest.approx([3.0, -4000.0, 19_000.0], abs=1e-6)
    assert north == pytest.approx([4.0, 7000.0, -1000.0], abs=1e-6)


def test_plan_distances_are_ground_distances_but_for_the_bend_of_the_earth() -> None:
    """Chord against arc, s**3 / (6 R**2); the geodesic by PROJ. 0.1 mm is for R not being one number."""
    for reach in (10.0, 1000.0, 20_000.0):
        lat, lon = offset_position(58.0312, -24.6541, reach * 0.6, -reach * 0.8)
        bearing, distance = bearing_and_distance(58.0312, -24.6541, lat, lon)
        assert float(distance) - reach == pytest.approx(reach**3 / (6.0 * 6.37e6**2), abs=2e-4)
        assert float(bearing) == pytest.approx(180.0 - math.degrees(math.atan2(0.6, 0.8)), abs=1e-3)


def test_shapes_of_offsets() -> None:
    lat, lon = offset_position(58.0312, -24.6541, 0.0, 0.0)
    assert (lat.shape, lon.shape) == ((), ())
    assert (float(lat), float(lon)) == pytest.approx((58.0312, -24.6541), abs=1e-13)
    assert offset_position(58.0, -24.0, np.zeros((2, 1)), np.zeros(3))[0].shape == (2, 3)
    assert offset_position(58.0, -24.0, [], [])[0].shape == (0,)
    assert plan_offset([58.0, 59.0], -24.0, 58.0, -24.0)[0].shape == (2,)
    bearing, distance = bearing_and_distance(58.0, -24.0, [58.0, 58.001], -24.0)
    assert np.isnan(bearing[0])
    assert distance[0] == 0.0
    assert bearing[1] == 0.0


def test_across_the_date_line_and_at_the_pole() -> None:
    lat, lon = offset_position(-18.0, 179.9999, 100.0, 0.0)
    assert float(lon) == pytest.approx(-179.9992, abs=1e-3)
    assert float(plan_offset(-18.0, 179.9999, lat, lon)[0]) == pytest.approx(100.0, abs=1e-6)
    lat, lon = offset_position(
        90.0, 0.0, 0.0, -1000.0
    )  # every way is south; "north" runs along longitude 180
    assert float(lon) == pytest.approx(0.0, abs=1e-9)
    assert float(lat) < 90.0


def test_a_decimal_position_costs_no_projection_library() -> None:
    code = (
        "import sys; from skysill.geodesy.positions import parse_position, offset_position; "
        "parse_position('58.0312, -24.6541'); offset_position(58.0, -24.0, 1.0, 0.0); "
        "print([m for m in ('pyproj', 'mgrs') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_plan_offsets_come_back_from_a_hundred_kilometres_to_a_micrometre() -> None:
    """By definition: offset_position puts the point on the ellipsoid, plan_offset takes it back to the plane."""
    latitude_deg, longitude_deg = offset_position(58.0312, -24.6541, 100_000.0, -80_000.0)
    east_m, north_m = plan_offset(58.0312, -24.6541, latitude_deg, longitude_deg)
    assert (float(east_m), float(north_m)) == pytest.approx((100_000.0, -80_000.0), abs=1e-6)


# --- sizes of cells, and cells at the edge of a band ---


@pytest.mark.parametrize(("digits", "side_m"), [(0, 100_000.0), (1, 10_000.0), (3, 100.0), (5, 1.0)])
def test_an_mgrs_square_is_known_to_half_its_diagonal(digits: int, side_m: float) -> None:
    """NGA.STND.0037, from memory: each pair of digits divides the side of a square of 100 km by ten."""
    code = format_position(58.0312, -24.6541, notation="mgrs", digits=digits)
    assert parse_position(code).uncertainty_m == pytest.approx(side_m / math.sqrt(2.0), rel=1e-9)


def test_a_plus_code_is_known_to_half_the_diagonal_of_its_cell() -> None:
    """Open Location Code specification: ten digits name a cell of 1/8000 degree; 111.3 km a degree of the equator."""
    cell = parse_position("99CQ28JW+F9")
    north_m = 111_319.5 / 8000.0
    east_m = north_m * math.cos(math.radians(cell.latitude_deg))
    assert cell.uncertainty_m == pytest.approx(math.hypot(north_m, east_m) / 2.0, rel=1e-4)


def test_a_square_that_reaches_into_its_band_by_a_corner_can_be_read() -> None:
    """33XTV: 72.001 N, 9.05 E lies in it, and its centre south of band X, which begins at 72 N."""
    code = format_position(72.001, 9.05, notation="mgrs", digits=0)
    found = parse_position(code)
    assert found.latitude_deg < 71.55
    apart_m = metres_apart(72.001, 9.05, found.latitude_deg, found.longitude_deg)
    assert apart_m <= 100_000.0 / math.sqrt(2.0)


def test_a_letter_after_a_single_number_ends_the_first_coordinate() -> None:
    found = parse_position("58 N 24 39 W")
    assert (found.latitude_deg, found.longitude_deg) == pytest.approx((58.0, -24.65))


@pytest.mark.parametrize("latitude", [0.5, 0.000001, -0.5])
def test_beside_the_equator_an_mgrs_square_holds_its_place(latitude: float) -> None:
    found = parse_position(format_position(latitude, 10.0, notation="mgrs", digits=5))
    assert metres_apart(latitude, 10.0, found.latitude_deg, found.longitude_deg) < 1.5


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [(60.0, 5.0, 32), (60.0, 2.9, 31), (55.9, 5.0, 31), (78.0, 8.9, 31), (78.0, 9.1, 33), (78.0, 20.9, 33),
     (78.0, 21.1, 35), (78.0, 33.1, 37), (78.0, 41.9, 37), (78.0, 42.1, 38), (71.9, 8.0, 32), (-60.0, 5.0, 31)],
)  # fmt: skip
def test_the_zones_of_south_west_norway_and_svalbard_are_widened(
    latitude: float, longitude: float, zone: int
) -> None:
    """NGA.STND.0037, from memory: 32V from 3 E; 31X to 9, 33X to 21, 35X to 33, 37X to 42 E."""
    assert format_position(latitude, longitude, notation="utm").startswith(str(zone))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("27I 500000 6000000", "is no UTM hemisphere or band"),
        ("27N 500000 9500000", "there is no such northing"),
        ("+58.0312-024.6541x/", "is not an ISO 6709 position"),
        ("geo:58.0,-24.0;u=near", "the uncertainty u is not a number of metres"),
    ],
)
def test_what_no_grid_and_no_notation_has_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        parse_position(text)


@pytest.mark.parametrize(
    ("notation", "digits", "sentence"),
    [
        ("mgrs", 6, "6 digits does not exist"),
        ("pluscode", 9, "9 digits does not exist"),
        ("dots", None, "is not a notation"),
    ],
)
def test_digits_and_notations_that_do_not_exist_are_refused(
    notation: str, digits: int | None, sentence: str
) -> None:
    more = {} if digits is None else {"digits": digits}
    with pytest.raises(InputError, match=sentence):
        format_position(58.0, -24.0, notation=notation, **more)  # type: ignore[arg-type]
