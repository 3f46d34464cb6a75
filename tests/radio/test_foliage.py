"""Foliage on the ray: figures beside the verdict, in leaf and bare; depth through crowns by closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import job
from skysill.assessment.pipeline import assess
from skysill.model.obstacle_builders import tree
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import Mount
from skysill.radio.foliage import bare_loss_db, crown_path_m, foliage_on, leaf_loss_db


@pytest.mark.parametrize(
    # worked out apart from this code from the formulas as remembered; ITU-R P.833 itself was not read again
    ("path_m", "elevation_deg", "f12", "f20", "f30"),
    [(10.0, 30.0, 20.54, 25.07, 29.37), (5.0, 30.0, 17.28, 21.08, 24.70), (10.0, 10.0, 19.45, 23.73, 27.80)],
)
def test_loss_in_leaf(path_m, elevation_deg, f12, f20, f30):
    found = leaf_loss_db(path_m, frequency_ghz=[12.0, 20.0, 30.0], elevation_deg=elevation_deg)
    assert found == approx([f12, f20, f30], abs=0.005)  # rounded to a hundredth


def test_loss_without_leaves():
    # the same sheet of figures: 10 m at 12, 20, 30 GHz
    assert bare_loss_db(10.0, frequency_ghz=[12.0, 20.0, 30.0]) == approx([7.81, 8.56, 9.21], abs=0.005)


def crown(**more):
    said = {"ground_elevation_m": 0.0, "height_m": 12.0, "crown_radius_m": 3.0, "crown_base_height_m": 4.0}
    return tree("walnut", (0.0, 20.0), **{**said, **more})


def test_depth_through_an_ellipsoid_along_its_axes():
    # through the middle, level: the diameter, 6 m, entered 3 m before it
    assert crown_path_m(crown(), (0.0, 0.0, 8.0), 0.0, 0.0) == approx((6.0, 17.0), abs=0.02)
    # level, 2 m over the middle of half-axes 3 and 4: 2 x 3 sqrt(1 - 1/4)
    assert crown_path_m(crown(), (0.0, 0.0, 10.0), 0.0, 0.0)[0] == approx(6.0 * np.sqrt(0.75), abs=0.02)
    # 1.5 m beside the middle: 2 x sqrt(9 - 2.25)
    assert crown_path_m(crown(), (1.5, 0.0, 8.0), 0.0, 0.0)[0] == approx(2.0 * np.sqrt(6.75), abs=0.02)


def test_depth_through_a_cone_a_dome_and_a_cut_crown():
    # a cone of radius 3 at 4 m to a point at 12 m is 1.5 wide at half its height
    assert crown_path_m(crown(crown="cone"), (0.0, 0.0, 8.0), 0.0, 0.0)[0] == approx(3.0, abs=0.02)
    # half an ellipsoid of radius 3 on its base at 4 m, 8 m tall: at half its height 2 x 3 sqrt(1 - 1/4)
    dome_m = crown_path_m(crown(crown="dome"), (0.0, 0.0, 8.0), 0.0, 0.0)[0]
    assert dome_m == approx(6.0 * np.sqrt(0.75), abs=0.02)
    cut = crown().lowered(9.0)
    assert crown_path_m(cut, (0.0, 0.0, 9.5), 0.0, 0.0) == (0.0, float("inf"))
    assert crown_path_m(cut, (0.0, 0.0, 8.0), 0.0, 0.0)[0] == approx(6.0, abs=0.02)


def test_a_ray_that_misses_or_looks_away_has_no_foliage():
    assert foliage_on([crown()], (0.0, 0.0, 8.0), 0.0, 40.0, frequency_ghz=20.0) is None
    assert foliage_on([crown()], (0.0, 0.0, 8.0), 180.0, 0.0, frequency_ghz=20.0) is None


def test_crowns_one_behind_the_other_add_their_depths():
    far = tree(
        "elm", (0.0, 40.0), ground_elevation_m=0.0, height_m=12.0, crown_radius_m=2.0, crown_base_height_m=4.0
    )
    found = foliage_on([far, crown()], (0.0, 0.0, 8.0), 0.0, 0.0, frequency_ghz=20.0)
    assert found.trees == ("walnut", "elm")
    assert found.path_m == approx(10.0, abs=0.04)
    assert found.in_leaf_loss_db == approx(
        float(leaf_loss_db(10.0, frequency_ghz=20.0, elevation_deg=0.1)), abs=0.05
    )


def walnut_in_the_line():
    # the satellite stands near 42 degrees, a little east of north: a crown round the line 15 m away
    azimuth = assess(job(), Mount()).results[0].look.azimuth_deg
    place = (15.0 * np.sin(np.deg2rad(azimuth)), 15.0 * np.cos(np.deg2rad(azimuth)))
    return tree("walnut", place, ground_elevation_m=100.0, height_m=19.0, crown_radius_m=4.0, deciduous=True)


def test_foliage_is_reported_and_stays_opaque_for_the_verdict():
    found = assess(job(scene=Scene((walnut_in_the_line(),))), Mount()).results[0]
    assert found.verdict == "blocked"
    assert found.foliage.trees == ("walnut",)
    assert 2.0 < found.foliage.path_m < 15.0
    assert found.foliage.bare_loss_db < found.foliage.in_leaf_loss_db
    assert found.foliage.frequency_ghz == 19.7


def test_a_tree_read_in_winter_is_opaque_and_the_verdict_says_so():
    azimuth = np.arange(0.0, 360.0, 4.0)
    count = azimuth.size
    read = Readings(azimuth, np.full(count, 20.0), np.full(count, 20.0), ("",) * count, "r.csv",
                    kind=("tree",) * count, leaf=("bare",) * count)  # fmt: skip
    bare = assess(job(readings=read), Mount(height_m=1.6)).results[0]
    leafy = assess(job(readings=replace(read, leaf=("in-leaf",) * count)), Mount(height_m=1.6)).results[0]
    assert bare.verdict == leafy.verdict
    assert bare.p_clear == leafy.p_clear
    assert any("counts as opaque up to the tips that were read" in reason for reason in bare.reasons)
    assert not any("opaque" in reason for reason in leafy.reasons)
