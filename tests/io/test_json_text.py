"""Results as plain values and JSON text."""

import datetime as dt
import json
from dataclasses import dataclass, field

import numpy as np
import pytest

from skysill.io.json_text import plain_values, to_json_text


@dataclass(frozen=True)
class Inner:
    margin_deg: float
    name: str


@dataclass(frozen=True)
class Outer:
    zeta: Inner
    alpha: tuple[Inner, ...]
    picture: object = field(default=None, metadata={"json": False})
    time_utc: str | None = field(default=None, metadata={"json": "given"})


def test_dataclasses_become_dictionaries_in_the_order_of_their_fields():
    made = plain_values(Outer(Inner(1.5, "a"), (Inner(2.5, "b"),), picture=object()))
    assert list(made) == ["zeta", "alpha"]
    assert made == {"zeta": {"margin_deg": 1.5, "name": "a"}, "alpha": [{"margin_deg": 2.5, "name": "b"}]}


@pytest.mark.parametrize(
    "absent", [float("nan"), float("inf"), -float("inf"), np.float32("nan"), np.float64("inf")]
)
def test_what_is_no_number_is_null(absent):
    assert plain_values(absent) is None
    assert json.loads(to_json_text([absent, {"x": absent}])) == [None, {"x": None}]


def test_array_scalars_and_arrays_become_python_numbers():
    made = plain_values(
        {"f": np.float32(0.5), "i": np.int64(3), "b": np.bool_(True), "a": np.array([[1.0, np.nan]])}
    )
    assert made == {"f": 0.5, "i": 3, "b": True, "a": [[1.0, None]]}
    assert [type(made[key]) for key in "fib"] == [float, int, bool]


def test_dates_and_times_are_iso_8601():
    """ISO 8601-1:2019, calendar date and date-time in extended format."""
    moment = dt.datetime(2026, 6, 14, 12, 30, tzinfo=dt.UTC)
    assert plain_values([dt.date(2026, 6, 14), moment]) == ["2026-06-14", "2026-06-14T12:30:00+00:00"]


def test_numbers_keep_every_digit_and_text_its_letters():
    text = to_json_text({"x": 0.1 + 0.2, "name": "Skerrow Öst"})
    assert json.loads(text)["x"] == 0.1 + 0.2
    assert "Öst" in text


def test_a_value_without_a_plain_form_raises():
    with pytest.raises(TypeError, match="object has no plain form"):
        plain_values(object())
