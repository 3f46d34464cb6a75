"""What goes into a record: the numbers hang together, and what was built is held against the plan."""

from __future__ import annotations

import datetime as dt
import json
import re
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import skysill.radio.rain as rain
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import place
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.io.as_built import AsBuilt
from skysill.io.json_text import to_json_text
from skysill.io.photos import Photo
from skysill.model.site import Mount, Satellite, Terminal
from skysill.pointing.dish_pointing import beam_half_width_deg
from skysill.report.as_built import photo_record
from skysill.report.record_page import record_page


def test_the_tightest_obstruction_is_the_one_that_controls(record):
    for one in record.satellites:
        control = one.result.clearance.controlling
        assert one.obstructions[0].name == control.name
        assert one.obstructions[0].spare_deg == pytest.approx(one.result.clearance.spare_deg, abs=1e-6)
        assert one.obstructions[0].clearance_m == pytest.approx(one.result.clearance.clearance_m, rel=1e-6)


def test_each_row_is_the_tightest_of_its_thing_and_they_stand_in_order(record):
    for one in record.satellites:
        spare = [thing.spare_deg for thing in one.obstructions]
        assert spare == sorted(spare)
        assert len({(thing.source, thing.name) for thing in one.obstructions}) == len(spare)


def test_room_in_metres_is_the_room_in_degrees_at_that_distance(record):
    """d sin(margin), and the sign of the spare room says which of the two is larger (trigonometry)."""
    for one in record.satellites:
        for thing in one.obstructions:
            if thing.margin_deg > 0.0:
                margin_rad = np.deg2rad(thing.margin_deg)
                assert thing.clearance_m == pytest.approx(thing.distance_m * np.sin(margin_rad))
                needed_deg = np.rad2deg(np.arctan(thing.required_m / thing.distance_m))
                assert thing.spare_deg == pytest.approx(thing.margin_deg - needed_deg, abs=1e-6)


def test_required_room_by_hand(record):
    """0.6 m of dish and 0.6 of sqrt(lambda d), lambda = c / 19.7 GHz = 15.218 mm (ITU-R P.526-8, section 2)."""
    thing = record.satellites[0].obstructions[0]
    assert thing.required_m == pytest.approx(0.6 + 0.6 * (0.015218 * thing.distance_m) ** 0.5, rel=1e-4)


def test_what_was_measured_is_told_with_its_errors(record):
    """From demo_terrain/clinic.toml and clinic_horizon.csv, counted by eye."""
    survey = record.survey
    assert (survey.source, survey.bearings, survey.date) == (
        "clinic_horizon.csv",
        "magnetic",
        dt.date(2026, 6, 14),
    )
    assert (survey.bearing_error_deg, survey.inclination_error_deg) == (0.7, 0.5)
    assert survey.correction_source == "landmarks"
    assert survey.correction_deg == pytest.approx(
        -9.3, abs=0.2
    )  # declination -10.3, the compass 0.8 to 1 too low


def test_the_whole_record_is_one_json_document(record):
    made = json.loads(to_json_text(record))
    assert made["assessment"]["results"][0]["verdict"]
    assert "jpeg" not in made["photos"][0]["photo"]
    assert made["files"][0]["sha256"]


def test_the_sun_proves_the_path_only_when_it_stands_no_higher(record):
    for one in record.satellites:
        assert one.proof.sun_elevation_deg <= one.result.look.elevation_apparent_deg + 0.3


def test_without_a_time_the_sun_is_left_out(make_record):
    made = make_record()
    assert all(one.sun is None and one.aim.sun == () and one.proof is None for one in made.satellites)


def test_without_readings_nothing_measured_is_told(make_record, clinic_job):
    blind = replace(clinic_job, sources=replace(clinic_job.sources, readings=None))
    assert make_record(job=blind).survey is None


# what was built


def built(make_record, **done):
    done = {"satellite": "Demo South", "source": "built.toml", "bearings": "true", **done}
    return make_record(as_built=AsBuilt(**done)).built


def row(made, quantity):
    return next(one for one in made.rows if one.quantity == quantity)


def test_built_as_planned_raises_nothing(make_record, record):
    look = record.satellites[0].result.look
    made = built(
        make_record,
        east_m=0.0,
        north_m=0.9,
        height_m=4.4,
        azimuth_deg=look.azimuth_deg,
        elevation_deg=look.elevation_apparent_deg,
        signal=13.2,
        signal_unit="dB",
    )
    assert not any(one.matters for one in made.rows)
    assert made.anew is None
    assert row(made, "signal").done == "13.2 dB"
    assert row(made, "azimuth, true").difference.startswith("+0.0° of ±")


def test_a_lower_dish_is_assessed_again(make_record):
    made = built(make_record, height_m=2.0)
    assert row(made, "height of the dish centre").difference == "-2.40 m"
    assert row(made, "height of the dish centre").matters
    assert made.anew.satellite.name == "Demo South"
    assert made.anew.verdict in ("blocked", "marginal")  # the sycamores rise over the ray 2.4 m lower


def test_a_dish_beside_its_beam_is_told(make_record, record, clinic_job):
    look, half_deg = record.satellites[0].result.look, beam_half_width_deg(clinic_job.terminal)
    near = built(
        make_record, azimuth_deg=look.azimuth_deg, elevation_deg=look.elevation_apparent_deg + 0.9 * half_deg
    )
    far = built(
        make_record, azimuth_deg=look.azimuth_deg, elevation_deg=look.elevation_apparent_deg + 2.0 * half_deg
    )
    assert not row(near, "elevation").matters
    assert row(far, "elevation").matters
    assert "beside Demo South" in far.notes[0]


def test_each_frame_is_held_against_the_plan_in_that_frame(make_record, record):
    """The same direction written down true, magnetic, and as the survey's compass shows it: no difference."""
    one = record.satellites[0]
    look, own_deg = one.result.look, one.aim.survey_bearing_deg
    assert abs(own_deg - look.bearing_magnetic_deg) > 0.5  # iron nearby: the compass is not the model
    for bearings, words, azimuth_deg in (
        ("true", "true", look.azimuth_deg),
        ("magnetic", "magnetic", look.bearing_magnetic_deg),
        ("survey", "on the survey's compass", own_deg),
    ):
        made = built(make_record, date=dt.date(2026, 6, 14), azimuth_deg=azimuth_deg, bearings=bearings)
        found = row(made, f"azimuth, {words}")
        assert found.planned == found.done == f"{azimuth_deg:.1f}°"
        assert found.difference.removeprefix("-").removeprefix("+").startswith("0.0°")
        assert not found.matters


def test_an_azimuth_that_does_not_say_its_frame_is_refused_after_a_compass_survey(make_record, clinic_job):
    with pytest.raises(InputError, match=r'built.toml, bearings: .* Write bearings = "survey"'):
        built(make_record, azimuth_deg=189.0, bearings="")
    assert row(built(make_record, bearings=""), "azimuth, true").done == "-"
    plain = replace(clinic_job.sources.survey, bearings="true")
    true_job = replace(clinic_job, sources=replace(clinic_job.sources, survey=plain))
    made = make_record(
        job=true_job, as_built=AsBuilt(satellite="Demo South", azimuth_deg=179.2, source="b.toml")
    )
    assert row(made.built, "azimuth, true").done == "179.2°"


def test_the_beamwidth_is_the_tolerance_also_in_azimuth(make_record, record, clinic_job):
    """35 lambda / D is 0.30 degrees at 29.5 GHz and 1.2 m; a turn swings the beam by cos(elevation) of itself."""
    look = record.satellites[0].result.look
    half_deg = 35.0 * 0.299792458 / 29.5 / 1.2
    assert beam_half_width_deg(clinic_job.terminal) == pytest.approx(half_deg, rel=1e-6)
    allowed_deg = half_deg / np.cos(np.deg2rad(look.elevation_apparent_deg))
    for share, matters in ((0.97, False), (1.03, True)):
        made = built(make_record, azimuth_deg=look.azimuth_deg + share * allowed_deg)
        assert row(made, "azimuth, true").matters is matters
        assert f"of ±{allowed_deg:.1f}°" in row(made, "azimuth, true").difference


def test_cable_and_tapes_are_planned_and_held_against_what_was_taken(make_record, record):
    """The pole stands at (0, 0.9); the corners' places are those of the site file's roof and buildings."""
    assert record.cable_run_m > 5.0
    assert len(record.tapes) == 2
    taken = tuple((one.corner.removeprefix("the "), one.distance_m + 0.5) for one in record.tapes)
    made = built(make_record, tape_m=taken, cable_run_m=45.0)
    for one in record.tapes:
        assert row(made, f"tape from {one.corner}").difference == "+0.50 m"
        assert row(made, f"tape from {one.corner}").matters
    assert row(made, "cable run").matters  # the terminal's limit is 40 m
    assert row(built(make_record, cable_run_m=20.0), "cable run").difference.endswith(" m")


def test_the_planned_cable_of_a_mount_on_the_rasters_ground_is_known(make_record, clinic_job):
    yard = Mount(name="yard post", east_m=12.0, north_m=3.0, height_m=2.0)
    job = replace(clinic_job, mounts=(yard,), satellites=clinic_job.satellites[:1])
    done = AsBuilt(satellite="Demo South", source="built.toml", bearings="true", cable_run_m=20.0)
    made = make_record(job, assess(job, yard, explain=False), as_built=done)
    assert made.cable_run_m > 12.0 - 4.0  # to the entry on the wall 4 m east of the position
    assert row(made.built, "cable run").planned == f"{made.cable_run_m:.1f} m"


def test_what_is_written_down_after_alignment(make_record, record):
    """Signal before and after tightening and after a push, bonding, seal, photograph: common practice, no source."""
    made = make_record(
        as_built=AsBuilt(
            satellite="Demo South",
            source="b.toml",
            signal_unit="dB",
            signal_before_tightening=13.6,
            signal_after_tightening=13.4,
            signal_after_release=13.1,
            bonding="by the electrician",
            cable_entry_seal="silicone",
        )
    )
    found = [cells[1] for cells in record_page(made).commissioning.rows]
    assert found == [
        "13.6 dB",
        "13.4 dB",
        "13.1 dB (-0.3 after tightening)",
        "by the electrician",
        "silicone",
        "",
    ]
    blank = record_page(replace(record, built=None)).commissioning
    assert [cells[1] for cells in blank.rows] == [""] * 6


def test_raw_readings_and_sightings_are_on_the_record(record, clinic_job):
    page, readings = record_page(record), clinic_job.sources.readings
    assert len(page.readings.rows) == len(readings.azimuth_deg)
    heads = [head.text for head in page.readings.heads]
    at = heads.index("as read"), heads.index("true"), heads.index("elevation"), heads.index("note")
    turn_deg = record.survey.correction_deg
    for k in (0, 20, 40):
        cells = [page.readings.rows[k][column] for column in at]
        typed = float(readings.azimuth_deg[k])
        assert cells[0] == f"{typed:.1f}°"
        assert float(cells[1].rstrip("°")) == pytest.approx((typed + turn_deg) % 360.0, abs=0.051)
        assert cells[2] == f"{float(readings.elevation_deg[k]):.1f}°"
        assert cells[3] == readings.note[k]
    [sighting] = page.sightings.rows
    assert sighting[0] == "harbour light"
    assert sighting[2] == "264.0°"  # as the site file has it
    true_deg = float(sighting[1].rstrip("°"))
    assert true_deg - 264.0 == pytest.approx(turn_deg + float(sighting[3].rstrip("°")), abs=0.11)


def test_a_customer_reads_no_option_no_key_and_no_datum(make_record, clinic_assessment):
    warnings = (
        "The first mount was taken; --mount names another.",
        "The ground is level here. Give ground_elevation_m.",
        "Write date under [survey].",
        "Nothing was measured to the west.",
    )
    page = record_page(make_record(assessment=replace(clinic_assessment, warnings=warnings)))
    assert page.notes == ("The ground is level here.", "Nothing was measured to the west.")
    texts = [*page.notes, *page.cautions, *page.basis, *(part for fact in page.place for part in fact)]
    texts += [*(part for fact in page.survey for part in fact)]
    for one in page.satellites:
        texts += [*one.reasons, *one.remedies, one.basis, *one.guides, *one.sunlight, *one.loss]
    for text in texts:
        assert "--" not in text
        assert "datum" not in text
        assert not re.search(r"\b[a-z]+_(m|deg|ghz|db)\b", text), text
    [height] = [value for name, value in page.place if name == "height of the ground"]
    assert height == "41.0 m, counted as the ground's height was given"


def test_what_was_looked_for_in_vain_is_on_the_record(make_record, clinic_assessment):
    vain = "none found: no mast of up to 9 m, spot within 12 m or trimming clears it"
    first, *others = clinic_assessment.results
    found = replace(clinic_assessment, results=(replace(first, remedies=(), searched=vain), *others))
    page = record_page(make_record(assessment=found))
    assert page.satellites[0].remedies == (f"N{vain[1:]}.",)
    assert not any("ne found" in text for one in page.satellites[1:] for text in one.remedies)


def test_a_dish_that_stands_elsewhere_is_told_without_keys_too(make_record):
    record = make_record(
        as_built=AsBuilt(satellite="Demo South", source="b.toml", height_m=2.0, note="see mast_m")
    )
    reason = "A barn stands in the line. Measure its distance (type distance_m)."
    record = replace(record, built=replace(record.built, anew=replace(record.built.anew, reasons=(reason,))))
    first, *_, last = record_page(record).built.notes
    assert first.endswith("A barn stands in the line. Measure its distance.")
    assert last == "Installer's note: see mast_m"


def test_the_probability_is_said_once_for_each_satellite(record):
    for one in record_page(record).satellites:
        said = " ".join((*one.reasons, one.basis))
        assert len(re.findall("probability", said, flags=re.IGNORECASE)) == 1


def test_a_position_far_away_is_doubted_and_not_assessed(make_record):
    made = built(make_record, latitude_deg=58.1, longitude_deg=-24.6541)
    assert made.anew is None
    assert "7.7 km from the plan" in made.notes[0]  # 0.0688 degrees of latitude at 111.4 km each


def test_inside_a_wall_is_told(make_record):
    made = built(make_record, east_m=0.0, north_m=9.0, height_m=0.0)
    assert made.anew is None or made.anew.verdict != "clear"


@pytest.mark.parametrize(
    ("done", "sentence"),
    [
        (
            {"satellite": "Demo North"},
            'built.toml, satellite: "Demo North" was not asked. Write one of: Demo South',
        ),
        ({"satellite": None}, "built.toml, satellite: does not say which satellite"),
        ({"mount": "chimney"}, 'built.toml, mount: the work was done at "chimney"'),
    ],
)
def test_built_for_something_else_is_refused(make_record, done, sentence):
    with pytest.raises(InputError) as fault:
        built(make_record, **done)
    assert sentence in str(fault.value)


# photographs


@pytest.fixture
def camera(clinic_job, clinic_assessment):
    def shown(keep_location=False, **claims):
        at = place(clinic_job, clinic_job.mounts[0])
        photo = Photo("a.jpg", b"", 4, 3, **claims)
        return photo_record(photo, at, clinic_assessment, keep_location=keep_location)

    return shown


def test_distance_and_way_from_the_site(camera, clinic_job):
    site = clinic_job.site
    latitude, longitude = offset_position(site.latitude_deg, site.longitude_deg, 30.0, -40.0)
    seen = camera(latitude_deg=float(latitude), longitude_deg=float(longitude))
    assert "Taken 50 m from the site to the south-east." in seen.facts  # 3, 4, 5
    assert not any(f"{float(latitude):.4f}" in fact for fact in seen.facts)
    assert any("Camera position 58.03" in fact for fact in camera(
        keep_location=True, latitude_deg=float(latitude), longitude_deg=float(longitude)
    ).facts)  # fmt: skip


def test_a_camera_elsewhere_is_doubted(camera):
    seen = camera(latitude_deg=48.0, longitude_deg=11.0)
    assert any("taken elsewhere, or its position is wrong" in doubt for doubt in seen.doubts)


def test_a_magnetic_direction_is_turned_and_tells_where_the_satellite_is(camera):
    seen = camera(direction_deg=189.0, direction_from="magnetic")
    assert "Looking south, 179 degrees true." in seen.facts
    assert any(fact.startswith("Demo South lies 0 degrees") for fact in seen.facts)
    assert seen.alt == "Photograph a.jpg, looking south"


def test_a_photo_that_says_nothing_claims_nothing(camera):
    seen = camera()
    assert (seen.facts, seen.doubts, seen.alt) == ((), (), "Photograph a.jpg")


# rain


def pretend_itur(monkeypatch):
    """A stand-in for the itur library, for its shape only: attenuation 3 dB at 0.1 %, halving with each decade."""

    def rain_attenuation(_lat, _lon, _f, _el, *, hs, p, tau):
        assert tau == 45.0
        assert hs >= 0.0
        return SimpleNamespace(value=np.array(3.0 * 0.5 ** np.log10(p / 0.1)))

    itu618 = SimpleNamespace(rain_attenuation=rain_attenuation)
    models = SimpleNamespace(itu618=itu618)
    monkeypatch.setitem(sys.modules, "itur", SimpleNamespace(models=models))
    monkeypatch.setitem(sys.modules, "itur.models", models)
    monkeypatch.setattr(rain.importlib.util, "find_spec", lambda name: object())


def cost(loss_db, height_m=47.0, **given):
    given = {"availability_percent": 99.9, **given}
    return rain.rain_cost(
        58.0, -24.6, height_m, elevation_deg=24.0, terminal=Terminal(), loss_db=loss_db, **given
    )


def test_half_the_margin_lost_is_ten_times_the_outage(monkeypatch):
    """By the stand-in's own law, 3 dB at 0.1 % and 1.5 dB at 1 %: 8.766 and 87.66 hours of 8766 a year."""
    pretend_itur(monkeypatch)
    found, note = cost(1.5)
    assert note is None
    assert found.margin_db == pytest.approx(3.0, rel=1e-3)
    assert found.free_hours == pytest.approx(8.766)
    assert found.obstructed_hours == pytest.approx(87.66, rel=0.01)  # straight between 25 shares
    assert not found.obstructed_is_floor
    assert "instead of 9." in found.text


@pytest.mark.parametrize(("height_m", "height_km"), [(1500.0, 1.5), (0.0, 0.0), (-30.0, 0.0)])
def test_the_rain_model_is_given_the_height_above_the_sea_in_kilometres(monkeypatch, height_m, height_km):
    """ITU-R P.618, section 2.2.1.1: h_s, height of the station above mean sea level, km."""
    pretend_itur(monkeypatch)
    itu618, asked = sys.modules["itur.models"].itu618, set()
    plain = itu618.rain_attenuation
    itu618.rain_attenuation = lambda *a, hs, **more: asked.add(hs) or plain(*a, hs=hs, **more)
    cost(1.5, height_m=height_m)
    assert asked == {height_km}


def test_more_loss_than_margin_is_said_as_at_least(monkeypatch):
    pretend_itur(monkeypatch)
    found, _ = cost(30.0)
    assert found.obstructed_is_floor
    assert "at least 438 hours" in found.text  # 5 % of 8766, where the model ends


def test_no_loss_costs_nothing(monkeypatch):
    pretend_itur(monkeypatch)
    found, _ = cost(0.0)
    assert found.obstructed_hours == pytest.approx(found.free_hours, rel=1e-6)


def test_the_cost_only_grows_with_the_loss(monkeypatch):
    pretend_itur(monkeypatch)
    hours = [cost(loss)[0].obstructed_hours for loss in np.linspace(0.0, 3.0, 31)]
    assert (np.diff(hours) >= 0.0).all()


def test_without_the_library_one_line_says_how_to_get_it(monkeypatch):
    monkeypatch.setattr(rain.importlib.util, "find_spec", lambda name: None)
    assert cost(1.0) == (None, rain.HOW_TO_GET)
    assert "\n" not in rain.HOW_TO_GET
    assert 'install "skysill[rain]"' in rain.HOW_TO_GET


def test_satellites_too_low_for_the_model_are_left_out(monkeypatch):
    pretend_itur(monkeypatch)
    found, note = rain.rain_cost(58.0, 0.0, 0.0, elevation_deg=3.0, terminal=Terminal(), loss_db=1.0)
    assert found is None
    assert "under 5 degrees" in note


def test_below_the_horizon_there_is_nothing_to_point_at(make_record, clinic_job):
    from skysill.assessment.pipeline import assess

    low = replace(clinic_job, satellites=(Satellite("low", longitude_deg=-140.0),))
    made = make_record(job=low, assessment=assess(low, low.mounts[0], explain=False))
    [one] = made.satellites
    assert one.result.verdict == "blocked"
    assert one.obstructions == ()
    assert one.aim.sun == ()
