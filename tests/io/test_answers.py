"""Answers of callers from a table: what is read, what is refused, and that damage never helps."""

import csv

import numpy as np
import pytest

from skysill.assessment.verdict import RANK
from skysill.bulk.replies import Reply
from skysill.errors import InputError
from skysill.horizon.lattice import Grid
from skysill.io import screening
from skysill.io.answers import read_answers
from skysill.io.caller_columns import CallerColumns
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.io.screening import ScreeningRequest, screen_file
from skysill.model.site import Satellite

SOUTH = Satellite("South", -24.0)
HEADER = "id,thing,height_m,distance_m\n"


def answers(folder, text):
    path = folder / "answers.csv"
    path.write_bytes(text.encode("utf-8"))
    return read_answers(path)


def test_rows_of_one_id_are_several_things_and_empty_rows_are_no_answer(tmp_path):
    found = answers(tmp_path, HEADER + 'a,Tree,12,15\nb,nothing,,\na,building,"7,5",30\nc,,,\n')
    assert found.replies == {
        "a": (Reply("tree", 12.0, 15.0), Reply("building", 7.5, 30.0)),
        "b": (Reply("nothing"),),
    }
    assert found.unanswered == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEADER + "a,trea,12,15\n", r'row 2, thing: "trea" is not known\. Did you mean tree\?'),
        (HEADER + "a,,12,15\n", r"row 2, thing: there is nothing\. Write one of tree, hedge, building, other,"),
        (HEADER + "a,tree,12,\n", r"row 2, distance_m: there is nothing\. Ask again"),
        (HEADER + "a,tree,tall,15\n", r'row 2, height_m: "tall" is not a number'),
        (HEADER + "a,tree,12,0\n", r"row 2, distance_m: 0 is not between 0\.5 and 2000 m"),
        (HEADER + "a,tree,-12,10\n", r"row 2, height_m: -12 is not between 0\.1 and 200 m"),
        (HEADER + "a,nothing,12,\n", r'row 2, height_m: "nothing" has no size\. Name the thing'),
        (HEADER + ",tree,12,15\n", r"row 2, id: there is no id\. Copy it from the screened list\."),
        (HEADER + "a,tree,12,15", r"the last line has no end: was the file cut short\?"),
        (HEADER + "a,tree,12\n", r"row 2: has 3 cells under 4 heads"),
        ("id,thing,height_m\na,tree,12\n", r"the column distance_m is missing"),
    ],
)  # fmt: skip
def test_refusals_name_row_column_and_mend(tmp_path, text, said):
    with pytest.raises(InputError, match=said):
        answers(tmp_path, text)


@pytest.fixture(scope="module")
def level(tmp_path_factory):
    """Level ground of 30 m cells around the demo village."""
    path = tmp_path_factory.mktemp("ground") / "level.tif"
    grid = Grid(
        np.full((300, 300), 41.0, np.float32), (30.0, 0.0, 280_000.0, 0.0, -30.0, 6_442_000.0), "EPSG:32627"
    )
    write_geotiff(path, grid.values, like=grid)
    return path


def screened(level, folder, text, *, satellites=(SOUTH,), place="58.0312 N 24.6541 W"):
    source = folder / "list.csv"
    source.write_text(
        "id,position\n" + "".join(f'{one},"{place}"\n' for one in ("a", "b", "c")), encoding="utf-8"
    )
    told = None if text is None else answers(folder, text)
    request = ScreeningRequest(
        open_rasters([RasterSpec(level)]), satellites, 60.0, callers=CallerColumns(answers=told)
    )
    made = screen_file(request, source, folder / "out.csv")
    with open(folder / "out.csv", encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream)), made


def test_an_answer_reaches_its_address_only_and_adds_its_columns(level, tmp_path):
    rows, made = screened(level, tmp_path, HEADER + "b,tree,25,15\nzz,tree,3,3\nc,,,\n")
    assert [row["verdict"] for row in rows] == ["needs-survey", "blocked", "needs-survey"]
    assert [row["answer"] for row in rows] == ["", "tree 25 m high, 15 m away", ""]
    assert [row["answer_p_room"] for row in rows] == ["", "0.00", ""]
    notes = " ".join(made.notes)
    assert "answers for 1 of the addresses." in notes
    assert 'ids that are not in the list, 1, count for nothing: "zz".' in notes
    assert "rows without an answer: 1." in notes


def test_whatever_is_lost_of_the_file_no_verdict_gets_better_than_the_screening_alone(level, tmp_path):
    """The file cut after every one of its bytes: it is refused, or nothing is better than without it."""
    text = HEADER + "a,tree,22,15\nb,nothing,,\nc,hedge,2,30\n"
    without = [RANK[row["verdict"]] for row in screened(level, tmp_path, None)[0]]
    read = 0
    for end in range(len(text) + 1):
        try:
            rows, _ = screened(level, tmp_path, text[:end])
        except InputError:
            continue
        read += 1
        ranks = [RANK[row["verdict"]] for row in rows]
        assert all(now >= before for now, before in zip(ranks, without, strict=True))
        assert "clear" not in {row["verdict"] for row in rows}
    assert read == 4  # after each whole line


def test_doubled_and_reordered_answers_change_nothing(level, tmp_path):
    once = screened(level, tmp_path, HEADER + "a,tree,9,15\na,building,6,25\n")[0]
    twice = screened(level, tmp_path, HEADER + "a,building,6,25\na,tree,9,15\na,tree,9,15\n")[0]
    assert [row["answer_p_room"] for row in once] == [row["answer_p_room"] for row in twice]
    assert [row["verdict"] for row in once] == [row["verdict"] for row in twice]


def test_of_several_satellites_the_answer_is_about_one(level, tmp_path):
    """The tree stands to the south; the other satellite stays as it was and is then the best."""
    both = (SOUTH, Satellite("West", -52.5))
    header = "id,satellite,thing,height_m,distance_m\n"
    rows, _ = screened(level, tmp_path, header + "a,South,tree,25,15\n", satellites=both)
    assert [row["satellite"] for row in rows] == ["West", "South", "South"]
    assert rows[0]["all_satellites"] == "South: blocked; West: needs-survey"
    with pytest.raises(
        InputError, match=r'row 2, satellite: "a" was screened for several satellites\. Write which one'
    ):
        screened(level, tmp_path, header + "a,,tree,25,15\n", satellites=both)
    with pytest.raises(InputError, match=r'"a" is not screened for "East"\. Write one of South, West\.'):
        screened(level, tmp_path, header + "a,East,tree,25,15\n", satellites=both)
    assert not (tmp_path / "out.csv.parts").exists()


def test_a_stopped_run_goes_on_to_the_same_bytes_and_not_with_other_answers(level, tmp_path, monkeypatch):
    monkeypatch.setattr(screening, "_PART_ROWS", 1)
    source = tmp_path / "list.csv"
    source.write_text(
        "id,position\n" + "".join(f'{one},"58.0312 N 24.6541 W"\n' for one in "abc"), encoding="utf-8"
    )
    told, others = (answers(tmp_path, HEADER + f"{one},tree,9,15\n") for one in "ab")

    def run(out, told, *, resume=False, stop_at=None):
        def progress(done, _):
            if done == stop_at:
                raise KeyboardInterrupt

        callers = CallerColumns(answers=told)
        request = ScreeningRequest(open_rasters([RasterSpec(level)]), (SOUTH,), 60.0, callers=callers)
        screen_file(request, source, tmp_path / out, resume=resume, progress=progress)
        return (tmp_path / out).read_bytes()

    whole = run("whole.csv", told)
    with pytest.raises(KeyboardInterrupt):
        run("out.csv", told, stop_at=2)
    with pytest.raises(InputError, match='"callers" is not what it was'):
        run("out.csv", others, resume=True)
    assert run("out.csv", told, resume=True) == whole
