"""The measured horizon and satellite texts, read and refused."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from skysill.errors import InputError
from skysill.io.survey_tables import read_horizon_csv, read_satellites


@pytest.fixture
def horizon(tmp_path):
    def write(text):
        path = tmp_path / "horizon.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def test_readings_come_in_order_of_azimuth_with_unmeasured_distances_nan(horizon):
    readings = read_horizon_csv(
        horizon("azimuth_deg,elevation_deg,distance_m,note\n200,5,,ridge\n10,17,6.2,gutter\n")
    )
    assert readings.azimuth_deg.tolist() == [10.0, 200.0]
    assert readings.elevation_deg.tolist() == [17.0, 5.0]
    assert readings.distance_m[0] == 6.2
    assert math.isnan(readings.distance_m[1])
    assert readings.note == ("gutter", "ridge")
    assert readings.source == "horizon.csv"


def test_the_same_readings_in_three_dialects(horizon):
    plain = read_horizon_csv(horizon("azimuth_deg,elevation_deg,distance_m\n10.5,3.25,1234\n20,4,12.5\n"))
    comma = read_horizon_csv(
        horizon("\ufeffazimuth_deg;elevation_deg;distance_m\n10,5;3,25;1234\n20;4;12,5\n")
    )
    tab = read_horizon_csv(
        horizon("# x\r\nelevation_deg\tdistance_m\tazimuth_deg\r\n3.25\t1234\t10.5\r\n4\t12.5\t20\r\n")
    )
    for other in (comma, tab):
        np.testing.assert_array_equal(plain.azimuth_deg, other.azimuth_deg)
        np.testing.assert_array_equal(plain.elevation_deg, other.elevation_deg)
        np.testing.assert_array_equal(plain.distance_m, other.distance_m)


def test_a_comma_before_three_digits_of_degrees_can_only_be_decimal(horizon):
    readings = read_horizon_csv(horizon("azimuth_deg;elevation_deg\n171,250;3,125\n"))
    assert (readings.azimuth_deg[0], readings.elevation_deg[0]) == (171.25, 3.125)


def test_rows_without_a_reading_were_not_measured(horizon):
    readings = read_horizon_csv(horizon("azimuth_deg,elevation_deg,distance_m,note\n10,,,hedge\n20,4,,\n"))
    assert readings.azimuth_deg.tolist() == [20.0]


def test_north_may_be_written_as_360_and_repeated_alike(horizon):
    readings = read_horizon_csv(horizon("azimuth_deg,elevation_deg\n360,4\n0,4\n90,1\n"))
    assert readings.azimuth_deg.tolist() == [0.0, 90.0]


def test_what_a_reading_is_may_be_said(horizon):
    readings = read_horizon_csv(
        horizon(WIDE + "10,3,5,Tree,in leaf,0.4,B,oak\n20,4,,hedge,bare,,,\n30,5,,,,,,\n40,6,,?,-,-,,\n")
    )
    assert readings.kind == ("tree", "hedge", "", "")
    assert readings.leaf == ("in-leaf", "bare", "", "")
    assert readings.growth_m_per_year[0] == 0.4
    assert np.isnan(readings.growth_m_per_year[1:]).all()
    assert readings.station == ("B", "", "", "")


def test_far_and_more_than_are_distances_of_which_only_the_least_is_known(horizon):
    readings = read_horizon_csv(horizon(HEAD + "10,3,far\n20,4,>500\n30,5,> 1200 m\n40,6,500\n50,7,\n"))
    assert readings.distance_m[:4].tolist() == [500.0, 500.0, 1200.0, 500.0]
    assert np.isnan(readings.distance_m[4])
    assert readings.at_least.tolist() == [True, True, True, False, False]


@pytest.mark.parametrize(
    ("text", "metres"),
    # NIST SP 811: the international foot is 0.3048 m exactly, the yard 3 of them
    [("20 ft", 6.096), ("20ft", 6.096), ("20'", 6.096), ("20 feet", 6.096), ("12,5 m", 12.5), ("100 yd", 91.44),
     (">2000 ft", 609.6), ("12.5 metres", 12.5)],
)  # fmt: skip
def test_a_distance_may_carry_its_unit(horizon, text, metres):
    readings = read_horizon_csv(horizon(HEAD.replace(",", ";") + f"10;3;{text}\n"))
    assert readings.distance_m[0] == pytest.approx(metres, abs=1e-12)


def test_two_edges_may_stand_on_one_azimuth_and_a_row_typed_twice_counts_once(horizon):
    readings = read_horizon_csv(horizon(HEAD + "10,20,900\n10,12,6\n10,20,900\n"))
    assert readings.azimuth_deg.tolist() == [10.0, 10.0]
    assert readings.elevation_deg.tolist() == [12.0, 20.0]


HEAD = "azimuth_deg,elevation_deg,distance_m\n"
WIDE = "azimuth_deg,elevation_deg,distance_m,kind,leaf,growth_m_per_year,station,note\n"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("azimuth_deg;elevation_deg\n10;12,5.3\n",
         'row 2, elevation_deg: "12,5.3" is not a number. Write 12.5 or 12,5.'),
        (HEAD + "10,nan,\n", 'row 2, elevation_deg: "nan" is not a number. Write 12.5 or 12,5.'),
        (HEAD + "inf,3,\n", 'row 2, azimuth_deg: "inf" is not a number. Write 12.5 or 12,5.'),
        (HEAD + "361,3,\n", "row 2, azimuth_deg: 361 is out of range. It runs from 0 to 360."),
        (HEAD + "-1,3,\n", "row 2, azimuth_deg: -1 is out of range. It runs from 0 to 360."),
        (HEAD + "10,90.5,\n", "row 2, elevation_deg: 90.5 is out of range. It runs from -90 to 90."),
        (HEAD + "10,-91,\n", "row 2, elevation_deg: -91 is out of range. It runs from -90 to 90."),
        (HEAD + "10,3,0\n", "row 2, distance_m: 0 is no distance. Give metres above 0, or leave it empty."),
        (HEAD + "10,3,-5\n", "row 2, distance_m: -5 is no distance. Give metres above 0, or leave it empty."),
        (HEAD + "10,,5\n", "row 2, elevation_deg: is empty. Give degrees, or take the row out."),
        (HEAD + ",3,5\n", "row 2, azimuth_deg: is empty. Give degrees, or take the row out."),
        (HEAD + "10,3,near\n", 'row 2, distance_m: "near" is no distance. '
         "Write metres (12.5), feet with their unit (41 ft), far, or >500."),
        (HEAD + "10,3,>\n", 'row 2, distance_m: "" is not a number. Write 12.5 or 12,5.'),
        (HEAD + "10,3,>-4\n", "row 2, distance_m: -4 is no distance. Give metres above 0, or leave it empty."),
        (WIDE + "10,3,5,shrub,,,,\n", 'row 2, kind: "shrub" is not known. '
         "Write one of tree, hedge, building, ground, other, or leave it empty."),
        (WIDE + "10,3,5,tree,green,,,\n", 'row 2, leaf: "green" is not known. '
         "Write one of in-leaf, bare, or leave it empty."),
        (WIDE + "10,3,5,building,,0.3,,\n",
         "row 2, growth_m_per_year: a building does not grow. Correct kind, or leave it empty."),
        (WIDE + "10,3,5,tree,,40,,\n", "row 2, growth_m_per_year: 40 is out of range. It runs from 0 to 10."),
        ("azimuth_deg;elevation_deg;distance_m\n10;3;1,234\n",
         'row 2, distance_m: "1,234" may be 1.234 or 1234. Write the one you mean.'),
        (b"azimuth_deg,elevation_deg,note\n1,2,\xe9\n", "row 2: is not UTF-8 text. Save it as UTF-8."),
    ],
)  # fmt: skip
def test_refusals_name_file_row_and_field(horizon, text, sentence):
    path = horizon(text)
    with pytest.raises(InputError) as caught:
        read_horizon_csv(path)
    assert str(caught.value) == f"{path}, {sentence}"


def test_a_file_with_no_reading_is_refused(horizon):
    with pytest.raises(InputError, match=r"holds no reading. Fill in azimuth_deg and elevation_deg."):
        read_horizon_csv(horizon(HEAD + "10,,\n"))


finite = st.floats(allow_nan=False, allow_infinity=False)
reading = st.tuples(
    st.floats(0, 359.999),
    st.floats(-90, 90),
    st.none() | st.floats(0.01, 1e5),
    st.text("ab ,;\"'é#", max_size=8),
)


@settings(max_examples=60, deadline=None)
@given(
    rows=st.lists(reading, min_size=1, max_size=8, unique_by=lambda row: row[0]), mark=st.sampled_from(",;\t")
)
def test_whatever_was_written_is_read_again(tmp_path_factory, rows, mark):
    import csv
    import io

    sheet = io.StringIO()
    writer = csv.writer(sheet, delimiter=mark, quoting=csv.QUOTE_ALL)
    writer.writerow(["azimuth_deg", "elevation_deg", "distance_m", "note"])
    writer.writerows([repr(a), repr(e), "" if d is None else repr(d), note] for a, e, d, note in rows)
    path = tmp_path_factory.mktemp("h") / "h.csv"
    path.write_text(sheet.getvalue(), encoding="utf-8")
    readings = read_horizon_csv(path)
    rows = sorted(rows)
    assert readings.azimuth_deg.tolist() == [row[0] for row in rows]
    assert readings.elevation_deg.tolist() == [row[1] for row in rows]
    assert [None if math.isnan(d) else d for d in readings.distance_m.tolist()] == [row[2] for row in rows]
    assert readings.note == tuple(row[3].strip() for row in rows)


@pytest.mark.parametrize(
    ("text", "name", "longitude_deg"),
    [
        ("24.5W", "24.5W", -24.5),
        ("-24.5", "24.5W", -24.5),
        ("5.5 E", "5.5E", 5.5),
        ("Demo South=24.0W", "Demo South", -24.0),
        ("a=b=5E", "a=b", 5.0),
        ("Demo East = 5.5", "Demo East", 5.5),
    ],
)
def test_satellite_texts(text, name, longitude_deg):
    [satellite] = read_satellites(text)
    assert (satellite.name, satellite.longitude_deg) == (name, longitude_deg)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", '"" names no satellite'),
        ("Demo=", '"Demo=" names no satellite'),
        ("=24W", "has no name before the = sign"),
        ("Demo South", '"Demo South" is neither a longitude nor a file that exists.'),
        ("orbits.json", '"orbits.json" is neither a longitude nor a file that exists.'),
        ("A=elements.tle", '"elements.tle" is neither a longitude nor a file that exists.'),
        ("200E", "200"),
        ("24N", "is a latitude"),
    ],
)
def test_refused_satellite_texts(text, sentence):
    with pytest.raises(InputError, match=sentence):
        read_satellites(text)


def test_an_orbit_file_gives_each_of_its_objects(tmp_path):
    demo = Path(__file__).parents[2] / "demo_terrain" / "orbit_demo.json"
    found = read_satellites(str(demo))
    assert found
    assert all(satellite.orbit is not None for satellite in found)
    named = read_satellites("Mine=orbit_demo.json", folder=demo.parent)
    assert named[0].name.startswith("Mine")
