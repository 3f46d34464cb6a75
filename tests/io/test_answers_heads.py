"""A table of callers' answers has to have every head that an answer needs."""

import pytest

from skysill.errors import InputError
from skysill.io.answers import read_answers


@pytest.mark.parametrize("missing", ["id", "thing", "height_m", "distance_m"])
def test_every_needed_head_is_asked_for(tmp_path, missing):
    cells = {"id": "a", "thing": "tree", "height_m": "12", "distance_m": "15"}
    del cells[missing]
    path = tmp_path / "answers.csv"
    path.write_text("".join(f"{','.join(row)}\n" for row in (cells.keys(), cells.values())))
    with pytest.raises(InputError, match=f"{missing}"):
        read_answers(path)
    # without any cell that says something it is refused as well, and not taken for a list of no answers
    path.write_text(f"{','.join(cells)}\n{','.join('' if name != 'id' else 'a' for name in cells)}\n")
    with pytest.raises(InputError, match=f"{missing}"):
        read_answers(path)
