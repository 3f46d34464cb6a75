"""What a verdict says first is what causes it, and each message names the key to type."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from pathlib import Path

import numpy as np

import skysill
from brackendale import ground, job
from skysill.assessment.pipeline import assess
from skysill.model.readings import Readings
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Mount


def undistanced(count=42):
    azimuth = np.linspace(0.0, 360.0, count, endpoint=False)
    return Readings(azimuth, np.full(count, 5.0), np.full(count, np.nan), ("",) * count, "r.csv")


def flat(half_m):
    return ground(
        lambda x, y: 100.0 + 0.0 * x, cell_m=30.0, kind="bare", name="coarse.tif", error_m=3.0, half_m=half_m
    )


def result(asked, mount):
    return assess(asked, mount).results[0]


def test_readings_that_were_set_aside_are_the_first_reason():
    asked = job(flat(900.0), readings=undistanced())
    found = result(asked, Mount(east_m=4.0, height_m=2.0))
    assert found.verdict == "needs-survey"
    assert found.reasons[0].startswith(
        "42 of 42 readings were set aside: they carry no distance, and the dish stands 4.0 m aside of where they were "
        "read."
    )
    assert "type distance_m" in found.reasons[0]
    assert sum("set aside" in reason for reason in found.reasons) == 1


def test_they_are_the_first_reason_of_an_unknown_too():
    found = result(job(readings=undistanced()), Mount(east_m=4.0, height_m=2.0))
    assert found.verdict == "unknown"
    assert found.reasons[0].startswith("42 of 42 readings were set aside")


def test_readings_that_were_used_are_not_spoken_of_so():
    found = result(job(flat(900.0), readings=undistanced(180)), Mount(height_m=2.0))
    assert not any("set aside" in reason for reason in found.reasons)


def test_ground_as_high_as_the_highest_mountain_names_the_key_that_says_otherwise():
    asked = job(flat(900.0))
    everest = replace(asked, sources=replace(asked.sources, highest_ground_m=HIGHEST_GROUND_ON_EARTH_M))
    found = result(everest, Mount(height_m=2.0))
    assert found.verdict == "unknown"
    assert "8849 m" in found.reasons[0]
    assert "(type highest_ground_m under [terrain], or --highest-ground)" in found.reasons[0]
    stated = replace(asked, sources=replace(asked.sources, highest_ground_m=2500.0))
    found = result(stated, Mount(height_m=2.0))
    assert found.verdict == "unknown"
    assert "highest_ground_m" not in found.reasons[0]


def test_where_nothing_near_is_known_each_way_to_know_it_is_named():
    found = result(job(flat(900.0)), Mount(height_m=2.0))
    assert found.verdict == "needs-survey"
    for key in ("--horizon FILE", "--terrain FILE:surface", "complete = true under [obstacles]"):
        assert key in found.reasons[0]  # the cause comes first, what is known after it


KEY = re.compile(r"\b[a-z]+(?:_[a-z]+)*_(?:m|deg|ghz|w|kv|year|ahead|site)\b|--[a-z]|\[\[?[a-z_]+\]")
REMEDY = re.compile(r"(?:Give|Correct|Take|Write|Say|Add|Where the ground rises) ")


def spoken(path):
    """Sentences of strings with spaces in a module, but for docstrings and refusals; what is filled in reads X."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    expressions = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    refusals = {id(x) for node in ast.walk(tree) if isinstance(node, ast.Raise) for x in ast.walk(node)}
    inner = {id(value) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for value in node.values}
    for node in ast.walk(tree):
        if id(node) in expressions | refusals | inner:
            continue
        text = ""
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        elif isinstance(node, ast.JoinedStr):
            text = "".join(str(v.value) if isinstance(v, ast.Constant) else "X" for v in node.values)
        if " " in text:
            yield from re.split(r"(?<=[.!?])\s+", re.sub(r"\s*\(type [^()]*\)", "", text))


def test_no_cause_shares_its_sentence_with_a_key():
    """A customer's record leaves out sentences with keys: what is wrong must stand in one without, its remedy aside."""
    root = Path(skysill.__file__).parent
    for name in (
        "assessment/verdict",
        "assessment/unseen",
        "assessment/evidence",
        "assessment/coverage",
        "pointing/survey_compass",
        "assessment/growth",
        "assessment/placement",
        "pointing/compass",
        "pointing/survey_compass",
        "horizon/measured",
        "horizon/terrain",
    ):
        for sentence in spoken(root / f"{name}.py"):
            if KEY.search(sentence):
                assert REMEDY.match(sentence.strip()), f"{name}: {sentence}"
