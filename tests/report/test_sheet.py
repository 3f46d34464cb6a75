"""The field sheet: the azimuths it asks for are those that the verdict needs, and its table comes back unchanged."""

from __future__ import annotations

import datetime as dt
import io
import re
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pypdf import PdfReader

from skysill.assessment.pipeline import assess
from skysill.assessment.search_window import window_azimuths_deg
from skysill.errors import InputError
from skysill.io.site_file import read_site_file
from skysill.io.survey_tables import read_horizon_csv
from skysill.model.readings import Readings
from skysill.model.site import Mount, Satellite
from skysill.report.sheet import field_sheet, horizon_csv
from skysill.report.sheet_page import BLANK_LANDMARKS, BLANK_ROWS, sheet_page
from skysill.report.sheet_pdf import sheet_pdf
from skysill.units import wrap_180

DEMO = Path(__file__).parents[2] / "demo_terrain"
DAY = dt.date(2026, 6, 14)
MORNING = dt.datetime(2026, 6, 14, 6, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def farm():
    job = replace(read_site_file(DEMO / "farm.toml"), date=DAY)
    return job, field_sheet(job, job.mounts[0], sun_after_utc=MORNING)


SOUTHERN = """
name = "Vlakwater lodge"
position = "31.4172 S 21.0318 E"
ground_elevation_m = 1182.0
[terminal]
dish_diameter_m = 0.9
receive_ghz = 12.5
[[satellites]]
name = "North 28"
longitude = "28.0 E"
[[satellites]]
name = "West 1"
longitude = "1.0 W"
[[mounts]]
name = "stoep post"
east_m = 3.0
north_m = 5.0
height_m = 2.4
[survey]
bearings = "magnetic"
date = 2026-03-11
bearing_error_deg = 1.5
[[landmarks]]
name = "wind pump"
position = "31.4101 S 21.0350 E"
[[obstacle]]
kind = "building"
name = "lodge"
outline = [[-4,8],[9,8],[9,15],[-4,15]]
height_m = 4.2
"""
"""An invented place south of the equator, its satellites in the north, surveyed by the compass."""


@pytest.fixture(scope="module")
def northern(tmp_path_factory):
    path = tmp_path_factory.mktemp("southern") / "lodge.toml"
    path.write_text(SOUTHERN, encoding="utf-8")
    job = replace(read_site_file(path), date=dt.date(2026, 3, 11))
    start = dt.datetime(2026, 3, 10, 22, tzinfo=dt.UTC)
    return job, field_sheet(job, job.mounts[0], sun_after_utc=start, zone=ZoneInfo("Africa/Johannesburg"))


def with_survey(job, **changes):
    return replace(job, sources=replace(job.sources, survey=replace(job.sources.survey, **changes)))


def filled_in(text: str, elevation: str = "3.0", distance: str = "60") -> str:
    return (
        "\n".join(line.replace(",,,,,", f",{elevation},{distance},,,shed") for line in text.splitlines())
        + "\n"
    )


def test_every_azimuth_that_must_be_covered_lies_between_two_rows(farm):
    job, sheet = farm
    asked = np.array([row.azimuth_deg for row in sheet.rows])
    for window in sheet.windows:
        dense, _ = window_azimuths_deg(window.look, job.link)
        before = np.mod(dense[:, None] - asked, 360.0).min(axis=1)
        after = np.mod(asked - dense[:, None], 360.0).min(axis=1)
        assert (before + after <= 2.0).all()


def test_bearings_are_given_true_and_magnetic(farm):
    """Declination at the farm in mid 2026 is about 10.2 degrees west: the compass shows 10.2 more."""
    _, sheet = farm
    for row in sheet.rows:
        assert row.bearing_magnetic_deg - row.azimuth_deg == pytest.approx(-sheet.declination_deg, abs=1e-9)
    assert sheet.declination_deg == pytest.approx(-10.2, abs=0.3)


def test_bare_ground_says_enough_of_hills_and_nothing_of_what_stands_near(farm):
    _, sheet = farm
    assert {window.need for window in sheet.windows} == {"measure"}
    assert all(row.need == "measure" for row in sheet.rows)
    assert "The rasters say enough of hills" in " ".join(sheet.windows[0].why)


def test_the_row_at_the_satellite_names_it(farm):
    _, sheet = farm
    named = {name for row in sheet.rows for name in row.satellites}
    assert named == {"Demo South", "Demo West", "Demo East"}


def test_without_rasters_hills_count_too():
    job = replace(read_site_file(DEMO / "farm.toml", without={"terrain"}), date=DAY)
    sheet = field_sheet(job, job.mounts[0])
    assert "No elevation raster reaches far enough" in " ".join(sheet.windows[0].why)
    assert all(row.known_deg is None for row in sheet.rows)


def test_the_filled_in_table_turns_needs_survey_into_a_verdict(farm, tmp_path):
    """Round trip: written, filled in by a surveyor, fed back unchanged in form, and it covers what matters."""
    job, sheet = farm
    path = tmp_path / "farm_horizon.csv"
    path.write_text(filled_in(horizon_csv(sheet)), encoding="utf-8")
    readings = read_horizon_csv(path)
    assert readings.azimuth_deg.tolist() == [row.asked_deg for row in sheet.rows]
    before = assess(job, job.mounts[0], explain=False)
    after = assess(
        replace(job, sources=replace(job.sources, readings=readings)), job.mounts[0], explain=False
    )
    assert {result.verdict for result in before.results} == {"needs-survey"}
    assert {result.verdict for result in after.results} == {"clear"}


def test_the_blank_table_is_no_survey_and_rows_left_blank_stay_unmeasured(farm, tmp_path):
    job, sheet = farm
    path = tmp_path / "farm_horizon.csv"
    path.write_text(horizon_csv(sheet), encoding="utf-8")
    with pytest.raises(InputError, match="holds no reading"):
        read_horizon_csv(path)
    south = next(row.asked_deg for row in sheet.rows if "Demo South" in row.satellites)
    kept = [
        line if abs(float(line.split(",")[0]) - south) < 5 else line.replace(",3.0,60,,,shed", ",,,,,house?")
        for line in filled_in(horizon_csv(sheet)).splitlines()
        if line[0].isdigit()
    ]
    path.write_text(
        "azimuth_deg,elevation_deg,distance_m,kind,leaf,note\n" + "\n".join(kept), encoding="utf-8"
    )
    readings = read_horizon_csv(path)
    assert 0 < len(readings.azimuth_deg) < len(sheet.rows)
    judged = assess(
        replace(job, sources=replace(job.sources, readings=readings)), job.mounts[0], explain=False
    )
    verdicts = {result.satellite.name: result.verdict for result in judged.results}
    assert verdicts["Demo West"] == verdicts["Demo East"] == "needs-survey"


def test_magnetic_surveys_get_whole_degrees_of_the_compass(farm):
    job, _ = farm
    sheet = field_sheet(with_survey(job, bearings="magnetic"), job.mounts[0])
    assert 'bearings = "magnetic", date = 2026-06-14' in horizon_csv(sheet)
    for row in sheet.rows:
        assert row.asked_deg == pytest.approx(row.bearing_magnetic_deg, abs=1e-6)


def test_an_instrument_beside_the_mount_widens_the_windows(farm):
    """4 m aside, something 10 m away shifts by atan(4 / 10), 21.8 degrees; no more than 20 are added."""
    job, sheet = farm
    aside = field_sheet(with_survey(job, east_m=1.0), job.mounts[0])
    widths = [[float(np.mod(w.to_deg - w.from_deg, 360.0)) for w in made.windows] for made in (sheet, aside)]
    shift = float(np.degrees(np.arctan(1.0 / 10.0)))
    assert np.subtract(*widths[::-1]) == pytest.approx(2.0 * shift, abs=1e-6)


def test_why_a_window_is_wider_is_said_as_it_is(farm):
    """Twice the compass's error where the instrument stands at the mount; 3-4-5 triangle where it stands beside it."""
    job, sheet = farm
    [window] = [w for w in sheet.windows if w.look.satellite == "Demo South"]
    assert "It is 2 degrees wider on both sides for the error of the bearings." in window.why
    survey = job.sources.survey
    aside = replace(job.mounts[0], east_m=survey.east_m + 3.0, north_m=survey.north_m + 4.0)
    windows = field_sheet(job, aside).windows
    [window] = [w for w in windows if w.look.satellite == "Demo South"]
    assert any("because the instrument stands 5.0 m beside the mount and for" in text for text in window.why)


def test_a_window_across_north_is_written_without_a_break():
    job = read_site_file(DEMO / "farm.toml", without={"terrain"})
    south = replace(job.site, latitude_deg=-30.0, longitude_deg=-24.0)
    job = replace(job, site=south, satellites=(Satellite("up north", longitude_deg=-24.0),), date=DAY)
    sheet = field_sheet(job, Mount())
    assert {row.asked_deg for row in sheet.rows} >= {0.0}
    assert all(abs(wrap_180(row.asked_deg)) < 13.0 for row in sheet.rows)  # 2 of them for the compass
    [row] = [row for row in sheet.rows if row.satellites]
    assert row.asked_deg == 0.0


def test_overhead_the_whole_circle_counts():
    job = read_site_file(DEMO / "farm.toml", without={"terrain"})
    site = replace(job.site, latitude_deg=0.0, longitude_deg=-24.0)
    job = replace(job, site=site, satellites=(Satellite("overhead", longitude_deg=-24.0),), date=DAY)
    sheet = field_sheet(job, Mount())
    assert len(sheet.rows) == 180


def test_a_satellite_below_the_horizon_asks_for_nothing(farm):
    job, _ = farm
    low = replace(job, satellites=(Satellite("low", longitude_deg=-140.0),))
    sheet = field_sheet(low, job.mounts[0])
    assert sheet.windows[0].need == "enough"
    assert sheet.rows == ()


def test_dates_outside_the_magnetic_model_leave_true_bearings_only(farm):
    job, _ = farm
    late = replace(job, date=dt.date(2035, 1, 1))
    with pytest.raises(InputError, match="outside the magnetic model"):
        field_sheet(with_survey(late, bearings="magnetic", date=dt.date(2035, 1, 1)), job.mounts[0])


def test_relative_bearings_are_refused(farm):
    job, _ = farm
    with pytest.raises(InputError, match="a sheet cannot be made for relative bearings"):
        field_sheet(with_survey(job, bearings="relative", reference_bearing_deg=10.0), job.mounts[0])


def test_names_cannot_break_the_table(farm):
    job, _ = farm
    nasty = replace(job, site=replace(job.site, name="x\n1,2,3\n=cmd"))
    lines = horizon_csv(field_sheet(nasty, job.mounts[0])).splitlines()
    assert lines[0].startswith("# x 1,2,3 =cmd")
    assert lines[3] == "azimuth_deg,elevation_deg,distance_m,kind,leaf,note"


def test_what_is_known_is_seen_from_the_instrument(farm):
    """The island's ground south of the farm, 186 m away, some 7 degrees high; open data the demo made itself."""
    _, sheet = farm
    [row] = [row for row in sheet.rows if "Demo South" in row.satellites]
    assert row.known_as == "island.tif"
    assert 3.0 < row.known_deg < 12.0


def test_shadows_of_the_day_check_the_compass(farm):
    """Full hours of the day of the visit by the clocks of the zone, the sun 10 to 60 degrees high."""
    job, sheet = farm
    zone = ZoneInfo("Atlantic/Azores")
    assert 3 <= len(sheet.sun) <= 5
    start = dt.datetime(2026, 6, 14, tzinfo=zone).astimezone(dt.UTC)
    local = field_sheet(job, job.mounts[0], sun_after_utc=start, zone=zone)
    times = [guide.time.astimezone(zone) for guide in local.sun]
    assert {time.date() for time in times} == {DAY}
    assert all(time.minute == time.second == 0 for time in times)
    [caption, rows] = [sheet_page(local).sun.caption, sheet_page(local).sun.rows]
    assert "2026-06-14, clocks of UTC+00:00" in caption
    assert [row[0] for row in rows] == [f"{time:%H:%M}" for time in times]
    for guide in local.sun:
        pole = guide.length_per_height
        assert np.tan(np.deg2rad(10.0)) <= 1.0 / pole <= np.tan(np.deg2rad(60.0))


def test_where_the_day_has_no_shadow_the_next_ones_are_told():
    """At 58 degrees north the sun stands 90 - 58.03 - 23.4 = 8.5 degrees high at noon of the winter solstice."""
    job = replace(read_site_file(DEMO / "farm.toml"), date=dt.date(2026, 12, 21))
    sheet = field_sheet(job, job.mounts[0], sun_after_utc=dt.datetime(2026, 12, 21, tzinfo=dt.UTC))
    assert sheet.sun
    assert sheet.sun[0].time.date() > dt.date(2026, 12, 21)


def test_rows_run_in_one_sweep_across_north(northern):
    """Looking north, a compass runs from 321 over 359 to 67: the rows do too, without a jump back."""
    _, sheet = northern
    asked = np.array([row.asked_deg for row in sheet.rows])
    steps = np.mod(np.diff(asked), 360.0)
    assert asked[0] > asked[-1]
    assert (steps > 0.0).all()
    assert steps.max() <= 2.0
    lines = [line for line in horizon_csv(sheet).splitlines() if line[0].isdigit()]
    assert [float(line.split(",")[0]) for line in lines] == asked.tolist()
    page = sheet_page(sheet, csv_name="k.csv")
    assert page.readings.heads[0].text == "magnetic (CSV)"
    assert [row[0] for row in page.readings.rows if row[0]] == [f"{value:.1f}°" for value in asked]


def test_standing_at_the_mount_is_said_on_top_with_what_to_write(northern):
    """Tried: with the keys written, the sheet has as many rows as was said, and says no more of it."""
    job, sheet = northern
    page = sheet_page(sheet)
    there = sheet.at_mount
    assert there.readings < len(sheet.rows)
    assert page.at_mount.startswith(
        f"Stand at the mount: {there.readings} readings instead of {len(sheet.rows)}."
    )
    assert "east_m = 3.0 and north_m = 5.0 under [survey]" in page.at_mount
    moved = field_sheet(with_survey(job, east_m=3.0, north_m=5.0), job.mounts[0])
    assert len(moved.rows) == there.readings
    assert moved.at_mount is None
    assert "Stand 3 m east and 5 m north of the site's position" in sheet_page(moved).stand


def test_empty_rows_and_boxes_wait_for_edges_and_landmarks(northern):
    _, sheet = northern
    page = sheet_page(sheet)
    assert [head.text for head in page.readings.heads[3:]] == [
        "elevation °", "distance m", "kind", "leaf", "note",
    ]  # fmt: skip
    empty = [row for row in page.readings.rows if not any(row)]
    assert len(empty) == BLANK_ROWS
    assert page.readings.rows[-1] == empty[-1]
    named = [row[0] for row in page.landmarks.rows]
    assert named[0].startswith("wind pump, 8")
    assert named[-BLANK_LANDMARKS:] == [""] * BLANK_LANDMARKS


# a second visit


def survey_of(job, azimuths, *, elevation=6.0, distance=40.0, **changes):
    azimuths = np.array(sorted(azimuths), dtype=float)
    distances = np.full(azimuths.size, distance)
    readings = Readings(
        azimuths, np.full(azimuths.size, elevation), distances, ("veld, dry",) * azimuths.size, "a.csv"
    )
    return replace(job, sources=replace(job.sources, readings=replace(readings, **changes)))


def test_a_revisit_asks_only_for_what_is_missing_and_then_nothing_is(northern, tmp_path):
    """Applied: the table as written, filled in where it is empty, covers both satellites; the next revisit is empty."""
    job, fresh = northern
    asked = [row.asked_deg for row in fresh.rows]
    gone = {asked[10], asked[11], asked[12]}
    distances = np.where(np.arange(len(asked) - 3) % 17 == 0, np.nan, 40.0)
    taken = survey_of(job, set(asked) - gone, distance_m=distances)
    before = assess(taken, job.mounts[0], explain=False)
    assert {result.verdict for result in before.results} == {"unknown"}
    sheet = field_sheet(taken, job.mounts[0], revisit=True)
    new = {row.asked_deg for row in sheet.rows if row.read_deg is None}
    again = {row.asked_deg for row in sheet.rows if row.read_deg is not None}
    assert new <= gone
    lacking = set(taken.sources.readings.azimuth_deg[np.isnan(distances)])
    assert again
    assert again <= lacking  # those at the far ends of the windows decide nothing
    assert len(sheet.rows) < len(fresh.rows) / 4
    page = sheet_page(sheet)
    assert page.title == "Revisit: Vlakwater lodge"
    assert page.summary == (
        f"Revisit, only what is missing: {len(new)} azimuths to read and {len(again)} distances to measure."
    )
    lines = []
    for line in horizon_csv(sheet).splitlines():
        cells = line.split(",")
        if line[0].isdigit() and not cells[1]:
            line = f"{cells[0]},6,40,ground,,"
        elif line[0].isdigit() and not cells[2]:
            line = ",".join([*cells[:2], "40", *cells[3:]])
        lines.append(line)
    (tmp_path / "all.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    readings = read_horizon_csv(tmp_path / "all.csv")
    whole = replace(job, sources=replace(job.sources, readings=readings))
    after = assess(whole, job.mounts[0], explain=False)
    assert "unknown" not in {result.verdict for result in after.results}
    done = field_sheet(whole, job.mounts[0], revisit=True)
    assert done.rows == ()
    assert sheet_page(done).summary == "Revisit: the readings lack nothing for these satellites."


def test_what_was_taken_comes_back_unchanged(northern, tmp_path):
    """Kinds, leaves, growth, far distances and notes with commas and quotes: read back they are the same."""
    job, _ = northern
    asked = [10.0, 12.25, 14.0, 16.0]
    taken = survey_of(
        job,
        asked,
        distance_m=np.array([12.5, np.nan, 500.0, 33.3]),
        at_least=np.array([False, False, True, False]),
        kind=("tree", "", "ground", "building"),
        leaf=("bare", "", "", ""),
        growth_m_per_year=np.array([0.3, np.nan, np.nan, np.nan]),
        note=('oak, "old"', "", "ridge # 2", "barn"),
    )
    (tmp_path / "again.csv").write_text(
        horizon_csv(field_sheet(taken, job.mounts[0], revisit=True)), encoding="utf-8"
    )
    back, was = read_horizon_csv(tmp_path / "again.csv"), taken.sources.readings
    for label in ("azimuth_deg", "elevation_deg", "distance_m", "growth_m_per_year", "at_least"):
        np.testing.assert_array_equal(getattr(back, label), getattr(was, label))
    assert (back.kind, back.leaf, back.note) == (was.kind, was.leaf, was.note)


def test_where_the_dish_stands_at_the_instrument_distances_are_not_asked_for_again(northern):
    job, _ = northern
    here = with_survey(job, east_m=3.0, north_m=5.0)
    fresh = field_sheet(here, job.mounts[0])
    taken = survey_of(here, [row.asked_deg for row in fresh.rows], distance=np.nan)
    assert field_sheet(taken, job.mounts[0], revisit=True).rows == ()


def test_a_revisit_needs_readings(northern):
    job, _ = northern
    with pytest.raises(
        InputError, match="--revisit: a revisit completes a survey, and there are no readings yet"
    ):
        field_sheet(job, job.mounts[0], revisit=True)


def pages_of(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def test_three_pages_the_table_first(northern, farm):
    for (_, sheet), rows in ((northern, 55), (farm, 27)):
        pages = pages_of(sheet_pdf(sheet, csv_name="k.csv"))
        assert len(sheet.rows) == rows
        assert len(pages) <= 3
        assert "known already" in pages[0]
        for heading in ("Checking the compass", "Safety", "How", "Why these azimuths"):
            [on] = [page for page in pages if re.search(rf"^{heading}$", page, flags=re.MULTILINE)]
            assert not on.split("Made by skysill")[0].rstrip().endswith(heading), f"{heading} ends its page"


def test_nothing_on_the_sheet_is_smaller_than_eight_points_but_its_foot(northern):
    _, sheet = northern
    small = set()

    def visit(text, _matrix, _position, _font, size):
        if text.strip() and size < 8.0:
            small.add(text.strip())

    for page in PdfReader(io.BytesIO(sheet_pdf(sheet, csv_name="k.csv"))).pages:
        page.extract_text(visitor_text=visit)
    assert all("Made by skysill" in text or text.startswith("page") for text in small), small
