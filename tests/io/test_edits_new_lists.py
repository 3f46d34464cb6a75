"""One value put into a list of a site file that is not there yet."""

import tomllib

import pytest

from skysill.io.site_edits import with_edits


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (["satellites", 0, "name"], "Demo South"),
        (["obstacle", 0], {"kind": "tree", "bearing_deg": 171.0, "distance_m": 22.0, "height_m": 9.0}),
    ],
)
def test_the_list_and_its_first_table_are_made(path, value):
    text = 'position = "58 N 24 W"\n'
    edits = [{"path": path, "value": value}]
    if path[0] == "satellites":
        edits.append({"path": ["satellites", 0, "orbit"], "value": "24.0W"})
    values = tomllib.loads(with_edits(text, edits, "croft.toml"))
    assert isinstance(values[path[0]], list)
    assert (values[path[0]][0] if len(path) == 2 else values[path[0]][0][path[2]]) == value
