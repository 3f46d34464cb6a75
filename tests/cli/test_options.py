"""What is options on the command line, laid over a site file."""

import datetime as dt

import click
import pytest
from click.testing import CliRunner

from skysill.cli.options import Moment, Number, Output, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions, parse_time, today
from skysill.io.jobs import mount_notes, mount_of, read_job

PLACE = "58.0312 N 24.6541 W"
FILE = """
name = "clinic"
position = "58.0312 N 24.6541 W"
ground_elevation_m = 41.0
[terminal]
dish_diameter_m = 0.98
receive_ghz = 18.0
transmit_ghz = 28.0
[[satellites]]
name = "Demo South"
longitude = "24.0 W"
[[satellites]]
name = "Demo West"
longitude = "52.5 W"
[[mounts]]
name = "gable"
height_m = 1.5
[[mounts]]
name = "yard"
east_m = 9.0
height_m = 3.0
[survey]
date = 2026-06-14
instrument_height_m = 1.7
[obstacles]
complete = true
[criteria]
years_ahead = 8
"""


@pytest.fixture
def site(tmp_path):
    (tmp_path / "clinic.toml").write_text(FILE)
    return str(tmp_path / "clinic.toml")


def test_a_file_alone_says_everything(site):
    job = read_job(JobOptions(site_file=site))
    assert [satellite.name for satellite in job.satellites] == ["Demo South", "Demo West"]
    assert (job.terminal.dish_diameter_m, job.terminal.lowest_ghz, job.terminal.assumed) == (0.98, 18.0, ())
    assert job.date == dt.date(2026, 6, 14)
    assert job.criteria.years_ahead == 8.0
    assert job.site.ground_source == "given"


def test_options_win_over_the_file(site):
    job = read_job(JobOptions(
        site_file=site, ground_elevation_m=50.0, satellite=("X=5E",), mount_height_m=4.0, dish_diameter_m=1.8,
        frequency_ghz=(12.0, 14.0), years_ahead=2.0, date=dt.date(2027, 1, 2), instrument_height_m=1.5,
        highest_ground_m=900.0,
    ))  # fmt: skip
    assert job.site.ground_elevation_m == 50.0
    assert [(s.name, s.longitude_deg) for s in job.satellites] == [("X", 5.0)]
    assert [mount.height_m for mount in job.mounts] == [4.0, 4.0]
    assert (job.terminal.dish_diameter_m, job.terminal.receive_ghz, job.terminal.transmit_ghz) == (
        1.8,
        12.0,
        14.0,
    )
    assert (job.criteria.years_ahead, job.date) == (2.0, dt.date(2027, 1, 2))
    assert (job.sources.survey.date, job.sources.survey.instrument_height_m) == (dt.date(2027, 1, 2), 1.5)
    assert job.sources.highest_ground_m == 900.0


def test_one_frequency_replaces_both_of_the_file(site):
    terminal = read_job(JobOptions(site_file=site, frequency_ghz=(30.0,))).terminal
    assert (terminal.receive_ghz, terminal.transmit_ghz) == (30.0, None)


def test_a_new_position_forgets_the_ground_of_the_old_one(site):
    site_asked = read_job(JobOptions(site_file=site, at="58.0, -24.6")).site
    assert (site_asked.name, site_asked.latitude_deg, site_asked.ground_elevation_m) == ("clinic", 58.0, None)


def test_a_satellite_of_the_file_may_be_picked_by_its_name(site):
    [satellite] = read_job(JobOptions(site_file=site, satellite=("Demo West",))).satellites
    assert satellite.longitude_deg == -52.5


def test_what_nobody_named_is_assumed_and_marked():
    job = read_job(JobOptions(at=PLACE, satellite=("24W",)))
    assert job.terminal.assumed == ("dish_diameter_m", "receive_ghz")
    assert read_job(JobOptions(at=PLACE, satellite=("24W",), dish_diameter_m=1.0)).terminal.assumed == (
        "receive_ghz",
    )
    assert job.mounts[0].height_m == 2.0
    assert job.date == today()


def test_mounts_by_name(site):
    options = JobOptions(site_file=site, mount_name="yard")
    assert mount_of(options, read_job(options)).east_m == 9.0
    first = JobOptions(site_file=site)
    assert mount_of(first, read_job(first)).name == "gable"
    assert mount_notes(first, read_job(first)) == (
        'The first mount, "gable", was taken; --mount names another: "yard".',
    )
    wrong = JobOptions(site_file=site, mount_name="roof")
    with pytest.raises(InputError, match=r'--mount: no mount is called "roof". There is "gable", "yard".'):
        mount_of(wrong, read_job(wrong))


def test_times_of_a_span():
    options = JobOptions(
        at=PLACE,
        satellite=("24W",),
        time=parse_time("2026-06-14T00:00"),
        until=parse_time("2026-06-14T01:00"),
    )
    assert len(read_job(options).times_utc) == 7


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({}, 'no place was named. Give --at "58.0312 N 24.6541 W", or a site file.'),
        ({"at": PLACE}, 'no satellite was named. Give --satellite "NAME=24.0W", or'),
        ({"at": "91, 0", "satellite": ("5E",)}, "--at: "),
        ({"at": PLACE, "satellite": ("Demo",)}, '--satellite: "Demo" is neither a longitude nor a file'),
        ({"at": PLACE, "satellite": ("5E",), "mount_height_m": -2.0}, "--mount-height: -2 m is no mount height."),
        ({"at": PLACE, "satellite": ("5E",), "ground_elevation_m": 1e5}, "--ground-elevation: 100000 m is no ground"),
        ({"at": PLACE, "satellite": ("5E",), "bearings": "relative"}, "--bearings: relative bearings need"),
        ({"at": PLACE, "satellite": ("5E",), "terrain_error_m": (3.0,)}, "--terrain-error: there is no --terrain"),
        ({"at": PLACE, "satellite": ("5E",), "obstacles_complete": True}, "--obstacles-complete: no"),
        ({"at": PLACE, "satellite": ("5E",), "horizon": "no.csv"}, "no.csv: there is no such file."),
        ({"at": PLACE, "satellite": ("5E",), "until": parse_time("2026-01-01")}, "--until: a time span"),
        ({"site_file": "no.toml"}, "no.toml: there is no such file."),
    ],
)  # fmt: skip
def test_refusals_name_the_option(options, sentence):
    with pytest.raises(InputError) as caught:
        read_job(JobOptions(**options))
    assert str(caught.value).startswith(sentence)


def test_obstacles_of_the_file_may_be_declared_complete_by_option(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(FILE.replace("complete = true", "") + '[[obstacle]]\nkind="pole"\neast_m=9\nheight_m=3\n')
    assert not read_job(JobOptions(site_file=str(path))).sources.scene.complete
    assert read_job(JobOptions(site_file=str(path), obstacles_complete=True)).sources.scene.complete


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "abc", "1,5", ""])
def test_numbers_that_are_none(text):
    with pytest.raises(click.BadParameter, match=r"is not a number. Write 12.5, for instance."):
        Number().convert(text, None, None)


def test_numbers_out_of_range():
    with pytest.raises(click.BadParameter, match=r"25 is out of range, from 0.1 to 20."):
        Number(0.1, 20.0).convert("25", None, None)


def test_times_are_utc_unless_a_zone_is_said():
    assert (
        parse_time("2026-06-14T12:00")
        == parse_time("2026-06-14T12:00Z")
        == parse_time("2026-06-14T13:00+01:00")
    )
    with pytest.raises(click.BadParameter, match="is not a time"):
        Moment().convert("noon", None, None)


def test_a_command_may_have_an_option_of_a_shared_name_for_itself():
    @click.command()
    @shared("where")
    @click.option("--time", "time")
    @output
    def tell(options: JobOptions, out: Output, time: str) -> None:
        out.text(f"{options.at} {options.time} {time} {out.json}")

    result = CliRunner().invoke(tell, ["--at", "-33.8, 151.2", "--time", "noon", "--json"])
    assert result.stdout == "-33.8, 151.2 None noon True\n"


def test_tables_put_numbers_to_the_right_and_quiet_says_nothing(capsys):
    out = Output(quiet=True)
    out.table(["name", "m"], [["a", "1.5"], ["bcdef", "-10.0"]])
    out.say("not now")
    seen = capsys.readouterr()
    assert seen.out == "name       m\na        1.5\nbcdef  -10.0\n"
    assert seen.err == ""
    Output().say("this")
    assert capsys.readouterr().err == "skysill: this\n"
