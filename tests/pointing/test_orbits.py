"""Orbit records against the published verification cases, a worked frame example, and orbit geometry."""

import csv
import datetime as dt
import json
from pathlib import Path

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.model.site import Satellite
from skysill.pointing.look_vector import look_track, look_vector
from skysill.pointing.orbits import as_utc, julian_date, orbit_notes, positions_ecef, read_orbits

approx = pytest.approx
PUBLISHED = Path(__file__).parents[1] / "published"
EPOCH = dt.datetime(2026, 11, 20, tzinfo=dt.UTC)

INCLINED = {
    "CCSDS_OMM_VERS": "3.0",
    "OBJECT_NAME": "DEMO INCLINED",
    "OBJECT_ID": "2026-001A",
    "CENTER_NAME": "EARTH",
    "REF_FRAME": "TEME",
    "TIME_SYSTEM": "UTC",
    "MEAN_ELEMENT_THEORY": "SGP4",
    "EPOCH": "2026-11-20T00:00:00.000000",
    "MEAN_MOTION": "1.00272",
    "ECCENTRICITY": "0.0002",
    "INCLINATION": "5.0",
    "RA_OF_ASC_NODE": "80.0",
    "ARG_OF_PERICENTER": "0.0",
    "MEAN_ANOMALY": "314.0",
    "EPHEMERIS_TYPE": "0",
    "NORAD_CAT_ID": "99999",
    "BSTAR": "0.0",
}
"""An invented object in an inclined geosynchronous orbit."""


def kvn(keywords):
    return "\n".join(f"{keyword} = {value}" for keyword, value in keywords.items())


def xml(keywords, head=""):
    parts = {"metadata": [], "meanElements": [], "tleParameters": []}
    mean = list(keywords)[7:14]
    for keyword, value in keywords.items():
        part = "meanElements" if keyword in mean else "tleParameters"
        part = "metadata" if keyword in list(keywords)[1:7] else part
        parts[part].append(f"<{keyword}>{value}</{keyword}>")
    joined = {part: "".join(lines) for part, lines in parts.items()}
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<ndm><omm id="CCSDS_OMM_VERS" version="3.0"><header/>'
        "<body>"
        f"<segment><metadata>{joined['metadata']}</metadata><data><meanElements>{joined['meanElements']}"
        f"</meanElements><tleParameters>{joined['tleParameters']}</tleParameters></data></segment></body>"
        "</omm></ndm>"
    )


def read_one(keywords):
    [(_, record)] = read_orbits(json.dumps([keywords]), "demo.json")
    return record


def hours(count, step=1.0):
    return [EPOCH + dt.timedelta(hours=step * at) for at in range(count)]


def rows(name):
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_positions_agree_with_the_published_verification_cases():
    """AIAA 2006-6753: 29 objects of all orbit classes; epochs are kept to a microsecond, so 1 cm."""
    from erfa import gmst82

    records = dict(
        read_orbits((PUBLISHED / "sgp4_verification.tle").read_text("utf-8"), "sgp4_verification.tle")
    )
    table = rows("sgp4_verification_positions.csv")
    assert (len(records), len(table)) == (29, 170)
    for name, record in records.items():
        mine = [row for row in table if f"object {row['object']}" == name]
        epoch = dt.datetime.fromisoformat(record.keywords["EPOCH"])
        times = [epoch + dt.timedelta(minutes=float(row["minutes_since_epoch"])) for row in mine]
        want_m = np.array([[float(row[axis]) * 1e3 for axis in ("x_km", "y_km", "z_km")] for row in mine])
        got_m = positions_ecef(record, times)
        turn_rad = gmst82(*julian_date(times))  # back from the Earth-fixed frame
        got_m = np.stack(
            [
                np.cos(turn_rad) * got_m[:, 0] - np.sin(turn_rad) * got_m[:, 1],
                np.sin(turn_rad) * got_m[:, 0] + np.cos(turn_rad) * got_m[:, 1],
                got_m[:, 2],
            ],
            axis=-1,
        )
        assert got_m == approx(want_m, abs=0.01), name


def test_the_turn_into_the_earth_fixed_frame_is_that_of_a_worked_example():
    """Vallado, Fundamentals of Astrodynamics and Applications, example of 6 April 2004, from memory.

    r_TEME -> r_PEF in km at 07:51:28.386009 UTC, UT1 - UTC = -0.4399619 s; printed to 0.01 m.
    """
    from skysill.pointing.orbits import _teme_to_earth_fixed

    ut1 = dt.datetime(2004, 4, 6, 7, 51, 28, 386009) - dt.timedelta(seconds=0.4399619)
    midnight, fraction = julian_date([ut1])
    teme_m = np.array([[5094.18016210, 6127.64465950, 6380.34453270]]) * 1e3
    pef_m = np.array([[-1033.47503130, 7901.30558560, 6380.34453270]]) * 1e3
    assert _teme_to_earth_fixed(teme_m, midnight, fraction) == approx(pef_m, abs=0.05)  # 1 us is 0.5 mm


@pytest.mark.parametrize(
    "text",
    [
        json.dumps([INCLINED]),
        json.dumps(INCLINED),
        json.dumps({"omm": {"header": {}, "body": {"segment": {"metadata": INCLINED}}}}),
        json.dumps([{**INCLINED, "MEAN_MOTION": 1.00272, "INCLINATION": 5}]),
        kvn(INCLINED),
        "COMMENT made up\n" + kvn(INCLINED).replace("5.0\n", "5.0 [deg]\n").replace("\n", "\r\n"),
        xml(INCLINED),
        "\ufeff" + xml(INCLINED).replace("<ndm>", '<ndm xmlns="urn:ccsds:schema:ndmxml">'),
    ],
    ids=[
        "json list",
        "json object",
        "json nested",
        "json numbers",
        "kvn",
        "kvn units",
        "xml",
        "xml namespace",
    ],
)
def test_every_form_of_the_message_gives_the_same_positions(text):
    [(name, record)] = read_orbits(text, "demo")
    assert name == "DEMO INCLINED"
    assert positions_ecef(record, hours(3)) == approx(positions_ecef(read_one(INCLINED), hours(3)), abs=1e-6)


def test_several_messages_in_one_file_keep_their_order():
    other = {**INCLINED, "OBJECT_NAME": "DEMO OTHER"}
    for text in (json.dumps([INCLINED, other]), kvn(INCLINED) + "\n\n" + kvn(other)):
        assert [name for name, _ in read_orbits(text, "two")] == ["DEMO INCLINED", "DEMO OTHER"]


def test_element_lines_keep_their_name_line():
    lines = (PUBLISHED / "sgp4_verification.tle").read_text("utf-8").splitlines()[3:5]
    for name_line in ("0 OLD ONE", "OLD ONE   "):
        assert read_orbits("\n".join([name_line, *lines]), "x")[0][0] == "OLD ONE"


def test_ordinal_epochs_are_read():
    """20 November is day 324 of 2026."""
    ordinal = read_one({**INCLINED, "EPOCH": "2026-324T00:00:00.000"})
    assert positions_ecef(ordinal, hours(2)) == approx(positions_ecef(read_one(INCLINED), hours(2)))


def test_an_inclined_geosynchronous_object_draws_its_figure_of_eight():
    """Latitude swings by the inclination, the size is that of the geostationary orbit, and it is back after a
    sidereal day (23 h 56 min 4.1 s); longitude swings by tan(i/2)**2 = 0.11 degrees to each side."""
    record = read_one(INCLINED)
    place_m = positions_ecef(record, hours(24 * 4, step=0.25))
    radius_m = np.linalg.norm(place_m, axis=-1)
    latitude_deg = np.rad2deg(np.arcsin(place_m[:, 2] / radius_m))
    longitude_deg = np.rad2deg(np.unwrap(np.arctan2(place_m[:, 1], place_m[:, 0])))
    assert radius_m == approx(42_165e3, abs=25e3)  # eccentricity 2e-4 is 8 km; the rest sun, moon and J2
    assert latitude_deg.max() == approx(5.0, abs=0.05)
    assert latitude_deg.min() == approx(-5.0, abs=0.05)
    assert np.ptp(longitude_deg) < 0.4
    day = EPOCH + dt.timedelta(hours=23, minutes=56, seconds=4.1)
    first, back = positions_ecef(record, [EPOCH, day])
    assert np.degrees(np.linalg.norm(back - first) / 42_165e3) < 0.05


def test_a_track_of_look_vectors_follows_the_object():
    record = read_one(INCLINED)
    satellite = Satellite("Demo", orbit=record)
    track = look_track(0.0, 0.0, 0.0, satellite, times_utc=hours(4))
    place_m = positions_ecef(record, hours(4))
    assert [look.time_utc for look in track][:2] == ["2026-11-20T00:00:00Z", "2026-11-20T01:00:00Z"]
    for look, at_m in zip(track, place_m, strict=True):
        up_m, east_m, north_m = at_m - [6_378_137.0, 0.0, 0.0]  # on the equator the axes are the local frame
        assert look.slant_range_m == approx(np.linalg.norm([east_m, north_m, up_m]), abs=1e-3)
        assert look.azimuth_deg == approx(np.degrees(np.arctan2(east_m, north_m)) % 360.0, abs=1e-9)
        assert look.elevation_deg == approx(np.degrees(np.arctan2(up_m, np.hypot(east_m, north_m))), abs=1e-9)
        assert look.satellite_longitude_deg == approx(np.degrees(np.arctan2(at_m[1], at_m[0])))
        assert look.polarization_tilt_deg is None
    assert look_vector(0.0, 0.0, 0.0, satellite, time_utc=EPOCH) == track[0]


def test_a_moving_satellite_needs_a_time():
    with pytest.raises(InputError, match='"Demo" moves, so its direction needs a time'):
        look_vector(0.0, 0.0, 0.0, Satellite("Demo", orbit=read_one(INCLINED)))


def test_old_elements_get_a_note_and_very_old_ones_are_refused():
    record = read_one(INCLINED)
    assert orbit_notes(record, hours(24)) == ()
    [note] = orbit_notes(record, [EPOCH + dt.timedelta(days=45)])
    assert "2026-11-20, up to 45 days" in note
    with pytest.raises(InputError, match=r"elements are of 2026-11-20, over a year from 2028-01-01"):
        positions_ecef(record, [dt.datetime(2028, 1, 1, tzinfo=dt.UTC)])


def test_an_object_that_has_come_down_is_refused():
    """A circular orbit at 150 km with heavy drag does not last a month."""
    low = {**INCLINED, "MEAN_MOTION": "16.4", "BSTAR": "0.01"}
    with pytest.raises(InputError, match="cannot be propagated to 2026-12-20 00:00 UTC"):
        positions_ecef(read_one(low), [EPOCH + dt.timedelta(days=30)])


def test_times_without_a_zone_are_read_as_utc_and_others_turned():
    zoned = dt.datetime(2026, 6, 14, 14, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    assert as_utc(zoned) == as_utc(dt.datetime(2026, 6, 14, 12))


def test_julian_date_of_a_printed_example():
    """NREL/TP-560-34302, appendix A.5: 17 October 2003, 12:30:30 at UTC-7 is 2452930.312847."""
    midnight, fraction = julian_date([dt.datetime.fromisoformat("2003-10-17T12:30:30-07:00")])
    assert (midnight + fraction)[0] == approx(2452930.312847, abs=5e-7)


FIRST = "1 00005U 58002B   00179.78495062  .00000023  00000-0  28098-4 0  4753"
SECOND = "2 00005  34.2682 348.7242 1859667 331.7664  19.3264 10.82419157413667"


def without(keyword):
    return json.dumps({key: value for key, value in INCLINED.items() if key != keyword})


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "bad: the file is empty."),
        ("hello\n", 'bad, row 1: "hello" is followed by no element lines.'),
        ("hello\nworld\n", 'bad, row 2: "world" is not the first of two element lines.'),
        (FIRST, "bad, row 1: the second element line is missing."),
        ("\n\n" + FIRST, "bad, row 3: the second element line is missing."),
        (SECOND, 'is not the first of two element lines.'),
        (FIRST[:-1] + "4\n" + SECOND, "bad, row 1: the checksum is 4 and should be 3."),
        (FIRST + "\n" + SECOND[:60], "bad, row 2: the columns do not hold a two-line element set."),
        (FIRST + "\n" + SECOND.replace("2 00005", "2 00006")[:-1] + "8", "belong to different objects"),
        ("[1, 2", "bad, row 1: not readable as JSON"),
        ("[]", "bad: no orbit record was found."),
        ("[" * 100_000, "bad"),
        ("[" * 980 + "]" * 980, "bad"),
        (json.dumps([1, "x", None]), "no orbit record was found."),
        (without("BSTAR"), "bad, BSTAR: is missing."),
        (without("EPOCH"), "bad, EPOCH: is missing."),
        (json.dumps({**INCLINED, "EPOCH": "yesterday"}), 'bad, EPOCH: "yesterday" is not a date and time.'),
        (json.dumps({**INCLINED, "ECCENTRICITY": "1.2"}), "bad, ECCENTRICITY: 1.2 is out of range."),
        (json.dumps({**INCLINED, "INCLINATION": "NaN"}), "bad, INCLINATION: NaN is out of range."),
        (json.dumps({**INCLINED, "MEAN_MOTION": "one"}), 'bad, MEAN_MOTION: "one" is not a number.'),
        (json.dumps({**INCLINED, "MEAN_ELEMENT_THEORY": "DSST"}), '"DSST" is not supported.'),
        (json.dumps({**INCLINED, "REF_FRAME": "GCRF"}), 'bad, REF_FRAME: "GCRF" is not supported.'),
        (json.dumps({**INCLINED, "EPHEMERIS_TYPE": 4}), 'bad, EPHEMERIS_TYPE: "4" is not supported.'),
        (json.dumps([INCLINED, {**INCLINED, "BSTAR": ""}]), 'record 2 ("DEMO INCLINED"), BSTAR: is missing.'),
        (kvn(INCLINED) + "\nBSTAR = 0", "bad, row 18, BSTAR: stands twice in one message."),
        (kvn(INCLINED) + "\nnonsense", 'bad, row 18: "nonsense" is not KEYWORD = VALUE.'),
        ("<ndm><omm>", "bad: not readable as XML"),
        ("<ndm/>", "no orbit record was found."),
        (xml(INCLINED, '<!DOCTYPE ndm [<!ENTITY a "aaaa">]>'), "bad: holds a document type declaration"),
    ],
)  # fmt: skip
def test_bad_files_are_refused_in_one_sentence(text, sentence):
    with pytest.raises(InputError) as caught:
        read_orbits(text, "bad")
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)
