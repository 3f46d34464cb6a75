"""docs/survey.md says what the code takes: default errors, instruments, columns of the readings."""

from pathlib import Path

import pytest

from skysill.io.survey_tables import HORIZON_COLUMNS, LEAF_STATES, READING_KINDS
from skysill.model.default_errors import BEARING, DISTANCE, GROWTH_M_PER_YEAR, INCLINATION, OBSTACLE, POSITION

PAGE = Path(__file__).parents[1] / "docs" / "survey.md"


def rows():
    """Each row of the page's tables of errors, as the code has it."""
    for name, angle in BEARING.items():
        yield f'| `bearing_instrument = "{name}"` | {angle.sigma_deg:g}° | {angle.source} |'
    for name, angle in INCLINATION.items():
        yield f'| `inclination_instrument = "{name}"` | {angle.sigma_deg:g}° | {angle.source} |'
    for name, by in DISTANCE.items():
        key = "no `distance_method`" if name == "unsaid" else f'`distance_method = "{name}"`'
        yield f"| {key} | {by.sigma_m:g} m and {100.0 * by.fraction:g} % | {by.source} |"
    for name, place in POSITION.items():
        yield f'| `position_method = "{name}"` | {place.sigma_m:g} m | {place.source} |'
    for name, o in OBSTACLE.items():
        yield f"| obstacle, {name} | {o.height_m:g}, {o.along_m:g}, {o.across_m:g} m | {o.source} |"
    for name, rate in GROWTH_M_PER_YEAR.items():
        yield f"| {name} | {rate.usual_m:g} m a year | {rate.source} |"


@pytest.mark.parametrize("row", list(rows()))
def test_every_default_error_stands_on_the_page_with_its_source(row):
    assert row in PAGE.read_text(encoding="utf-8").splitlines()


def test_every_column_and_word_of_the_readings_stands_on_the_page():
    text = PAGE.read_text(encoding="utf-8")
    for word in (*(column.name for column in HORIZON_COLUMNS), *READING_KINDS, *LEAF_STATES, "far", ">500"):
        assert f"`{word}`" in text, word


if __name__ == "__main__":
    print("\n".join(rows()))
