"""From list to list: bytes passed through, nothing lost, parts that survive, refusals that say what to do."""

from __future__ import annotations

import csv
import json
import os
import random
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.horizon.lattice import Grid, Lattice
from skysill.io import checkpoints as parts_room, screening as screening_room
from skysill.io.address_csv import neutralized
from skysill.io.address_lists import open_addresses, read_addresses
from skysill.io.checkpoints import Checkpoints
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.io.screening import COLUMNS, ScreeningRequest, screen_file
from skysill.model.site import Satellite

SOUTH = Satellite("Demo South", -24.0)


@pytest.fixture(scope="module")
def raster(tmp_path_factory):
    """Invented hills, 300 by 300 cells of 30 m, UTM 27 north."""
    rng = np.random.default_rng(2)
    row, column = np.mgrid[0:300, 0:300]
    hills = sum(
        h * np.exp(-((row - r) ** 2 + (column - c) ** 2) / (2 * s**2))
        for h, r, c, s in zip(rng.uniform(50, 400, 25), rng.uniform(0, 300, 25), rng.uniform(0, 300, 25),
                              rng.uniform(6, 25, 25), strict=True)
    )  # fmt: skip
    path = tmp_path_factory.mktemp("ground") / "hills.tif"
    transform = (30.0, 0.0, 280_000.0, 0.0, -30.0, 6_440_000.0)
    grid = Grid(hills.astype(np.float32), transform, "EPSG:32627")
    write_geotiff(path, grid.values, like=grid)
    return path


def asked(raster, **over):
    said = {
        "rasters": open_rasters([RasterSpec(raster)]),
        "satellites": (SOUTH,),
        "highest_ground_m": 1200.0,
    } | over
    return ScreeningRequest(**said)


def places(count, seed=5):
    rng = np.random.default_rng(seed)
    return rng.uniform(57.98, 58.03, count), rng.uniform(-24.72, -24.60, count)


def write_list(path, count=300):
    latitude, longitude = places(count)
    lines = ["id,latitude,longitude,name"]
    lines += [
        f"{i:05d},{a:.6f},{b:.6f},house {i}" for i, (a, b) in enumerate(zip(latitude, longitude, strict=True))
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_every_byte_of_a_record_passes_through_and_the_order_is_kept(raster, tmp_path):
    """Leading zeros, quotes, commas and a line break inside a cell, a code page, and Windows line ends."""
    rows = [
        b'007,"58.0101, -24.6800","Mill ""The Old"" House","=SUM(A1)"',
        b'008,"58.0202, -24.6500","two\r\nlines",\xe9t\xe9',
        b"  9,58.015 N 24.66 W,plain,  spaced  ",
    ]
    source = tmp_path / "in.csv"
    source.write_bytes(b"\r\n".join([b"id,position,name,remark", *rows]) + b"\r\n")
    made = screen_file(asked(raster), source, tmp_path / "out.csv")
    out = (tmp_path / "out.csv").read_bytes()
    assert made.screened == 3
    assert out.startswith(b"id,position,name,remark," + ",".join(COLUMNS).encode() + b"\r\n")
    at = [out.index(row + b",Demo South,") for row in rows]
    assert at == sorted(at)
    assert out.endswith(b"\r\n")
    assert not (tmp_path / "out.csv.rejected.csv").exists()


def test_rows_out_and_rows_rejected_are_the_rows_in(raster, tmp_path):
    source = tmp_path / "in.csv"
    source.write_text(
        "id;position;mount_height_m;satellite\n"
        "a;58.0101, -24.68;;\n"
        "b;by the old pier;;\n"
        'c;"58°00\'54.5""N 24°39\'39.8""W";3.5;\n'
        "d;;;\n"
        "e;58.01 N 24.66 W;tall;\n"
        "f;58.01 N 24.66 W;900;\n"
        "g;58.01 N 24.66 W;2;5.5E\n"
        "h;58.01 N 24.66 W;2;somewhere\n"
        "a;58.0101, -24.68;;\n"
        "short;58.0\n"
        "X2;58.9, -24.65;2;\n",
        encoding="utf-8",
    )
    made = screen_file(asked(raster), source, tmp_path / "out.csv")
    with open(tmp_path / "out.csv", encoding="utf-8", newline="") as stream:
        out = list(csv.reader(stream, delimiter=";"))
    with open(tmp_path / "out.csv.rejected.csv", encoding="utf-8", newline="") as stream:
        rejected = list(csv.DictReader(stream))
    assert [row[0] for row in out[1:]] == ["a", "c", "g", "a", "X2"]
    assert [(row["line"], row["id"]) for row in rejected] == [
        ("3", "b"), ("5", "d"), ("6", "e"), ("7", "f"), ("9", "h"), ("11", "short")]  # fmt: skip
    assert rejected[2]["reason"] == 'mount_height_m: "tall" is not a number'
    assert rejected[5]["reason"] == "it has 2 cells where the header has 4"
    assert made.screened + made.rejected == made.addresses == 11
    assert out[3][out[0].index("satellite", 4)] == "5.5E"
    assert out[5][-2:] == ["unknown", "hills.tif has no data at the address."]
    assert any("1 ids occur more than once" in note for note in made.notes)


def test_the_best_of_several_satellites_is_named_and_all_are_listed(raster, tmp_path):
    several = asked(raster, satellites=(Satellite("never", 120.0), SOUTH))
    made = screen_file(several, write_list(tmp_path / "in.csv", 20), tmp_path / "out.csv")
    with open(tmp_path / "out.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["satellite"] for row in rows} == {"Demo South"}
    assert rows[0]["all_satellites"].startswith("never: blocked; Demo South: ")
    assert made.best == {"Demo South": 20}


def test_geojson_and_parquet_come_in_and_go_out(raster, tmp_path):
    pytest.importorskip("pyarrow")
    source = write_list(tmp_path / "in.csv", 12)
    screen_file(asked(raster), source, tmp_path / "a.geojson")
    features = json.loads((tmp_path / "a.geojson").read_text(encoding="utf-8"))["features"]
    assert len(features) == 12
    assert features[0]["properties"]["id"] == "00000"
    assert (
        features[0]["properties"]["terrain_elevation_deg"] is None
        or features[0]["properties"]["margin_deg"] <= 10
    )
    screen_file(asked(raster), tmp_path / "a.geojson", tmp_path / "b.parquet")
    import pyarrow.parquet

    table = pyarrow.parquet.read_table(tmp_path / "b.parquet").to_pylist()
    assert [row["id"] for row in table] == [f"{i:05d}" for i in range(12)]
    assert table[3]["verdict"] == features[3]["properties"]["verdict"]
    assert (
        table[3]["verdict_asked"] == features[3]["properties"]["verdict"]
    )  # the list's own column of that name
    screen_file(asked(raster), source, tmp_path / "c.csv")
    with open(tmp_path / "c.csv", encoding="utf-8", newline="") as stream:
        assert [row["verdict"] for row in csv.DictReader(stream)] == [row["verdict"] for row in table]


def test_cells_that_a_spreadsheet_would_run_are_changed_only_on_request(raster, tmp_path):
    source = tmp_path / "in.csv"
    source.write_text('id,position,remark\n1,"58.01, -24.66",=1+1\n', encoding="utf-8")
    screen_file(asked(raster), source, tmp_path / "plain.csv")
    made = screen_file(asked(raster, neutralize=True), source, tmp_path / "safe.csv")
    assert ",=1+1," in (tmp_path / "plain.csv").read_text(encoding="utf-8")
    assert ",'=1+1," in (tmp_path / "safe.csv").read_text(encoding="utf-8")
    assert "1 cells that a spreadsheet would run as formulas got an apostrophe." in made.notes
    assert neutralized(["-5.2", "+44 20"]) == (["-5.2", "'+44 20"], 1)


def test_cells_are_neutralized_wherever_they_stand_and_every_other_byte_passes_through(raster, tmp_path):
    rows = {
        'a,58.01,-24.66,"=1+1",x': "a,58.01,-24.66,'=1+1,x",
        '"@b",58.01,-24.66,"two\nlines",-5': '\'@b,58.01,-24.66,"two\nlines",-5',
        'c,58.01,-24.66,"-5.5","+44 20"': "c,58.01,-24.66,-5.5,'+44 20",
        'd,58.01,-24.66,"-5.5",5" - 7"': 'd,58.01,-24.66,"-5.5",5" - 7"',
        "e,58.01,-24.66,-,-1e5": "e,58.01,-24.66,'-,-1e5",
        "f,58.01,-24.66,\tx,=2": "f,58.01,-24.66,'\tx,'=2",
        "-,north,-24.66,=,=": None,
        "g,58.01,-24.66,,": "g,58.01,-24.66,,",
    }
    source = tmp_path / "in.csv"
    source.write_bytes(("id,latitude,longitude,remark,more\n" + "\n".join(rows)).encode())
    made = screen_file(asked(raster, neutralize=True), source, tmp_path / "out.csv")
    out = (tmp_path / "out.csv").read_text(encoding="utf-8")
    for wanted in filter(None, rows.values()):
        assert f"\n{wanted},Demo South," in out
    assert made.rejected == 1
    assert "7 cells that a spreadsheet would run as formulas got an apostrophe." in made.notes


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"", "the file is empty."),
        (b"id,place\n1,x\n", 'there is no column "position"'),
        (b"\xff\xfei\x00d\x00", 'there is no column "position"'),
        (b"\xff\xfei\x00d", "begins as UTF-16 text and is none."),
        (b"id,position\0\n", "this is not UTF-8 text."),
    ],
)
def test_lists_that_cannot_be_read_are_refused_in_one_line(raster, tmp_path, text, said):
    source = tmp_path / "in.csv"
    source.write_bytes(text)
    with pytest.raises(InputError, match=said.replace("(", r"\(")):
        screen_file(asked(raster), source, tmp_path / "out.csv")
    assert not (tmp_path / "out.csv").exists()


def test_a_header_alone_gives_a_header_alone(raster, tmp_path):
    source = tmp_path / "in.csv"
    source.write_bytes(b"id,latitude,longitude\n")
    made = screen_file(asked(raster), source, tmp_path / "out.csv")
    assert made.addresses == 0
    assert (tmp_path / "out.csv").read_bytes().count(b"\n") == 1


def test_output_over_input_and_unknown_endings_are_refused(raster, tmp_path):
    source = write_list(tmp_path / "in.csv", 3)
    with pytest.raises(InputError, match="would be written over"):
        screen_file(asked(raster), source, source)
    with pytest.raises(InputError, match=r'"\.xlsx" is no kind of list'):
        screen_file(asked(raster), source, tmp_path / "out.xlsx")


def test_many_rejects_lose_nothing(raster, tmp_path):
    source = tmp_path / "in.csv"
    source.write_text(
        "id,latitude,longitude\n" + "".join(f"{i},north,west\n" for i in range(5_000)), encoding="utf-8"
    )
    made = screen_file(asked(raster), source, tmp_path / "out.csv")
    assert (made.screened, made.rejected) == (0, 5_000)
    assert (tmp_path / "out.csv.rejected.csv").read_text(encoding="utf-8").count("\n") == 5_001


# --- killed and resumed ---------------------------------------------------------------------------------------------

RUN = """
import sys
import skysill.io.screening as room
room._PART_ROWS = 10
from skysill.io.rasters import RasterSpec, open_rasters
from skysill.model.site import Satellite
raster, source, out = sys.argv[1:4]
asked = room.ScreeningRequest(open_rasters([RasterSpec(raster)]), (Satellite("Demo South", -24.0),), 1200.0)
print("ready", flush=True)
room.screen_file(asked, source, out, resume=True)
"""


@pytest.mark.slow
def test_killed_at_random_moments_and_resumed_the_bytes_are_those_of_an_undisturbed_run(raster, tmp_path):
    source = write_list(tmp_path / "in.csv", 300)
    random.seed(4)

    def run(out, wait_s=None):
        worker = subprocess.Popen(
            [sys.executable, "-c", RUN, str(raster), str(source), str(out)], stdout=subprocess.PIPE
        )
        assert worker.stdout is not None
        worker.stdout.readline()
        if wait_s is not None:
            time.sleep(wait_s)
            worker.send_signal(signal.SIGKILL)
        worker.wait()
        worker.stdout.close()
        return worker.returncode

    assert run(tmp_path / "calm.csv") == 0
    calm = (tmp_path / "calm.csv").read_bytes()
    for _ in range(int(os.environ.get("SKYSILL_KILLS", "2"))):
        run(tmp_path / "killed.csv", random.uniform(0.0, 1.0))
        if (tmp_path / "killed.csv").exists():
            assert (tmp_path / "killed.csv").read_bytes() == calm
            (tmp_path / "killed.csv").unlink()
    assert run(tmp_path / "killed.csv") == 0
    assert (tmp_path / "killed.csv").read_bytes() == calm
    assert not (tmp_path / "killed.csv.parts").exists()


def test_resuming_computes_only_what_is_missing(raster, tmp_path, monkeypatch):
    import skysill.io.screening as room

    monkeypatch.setattr(room, "_PART_ROWS", 50)
    source, done = write_list(tmp_path / "in.csv", 200), []

    def stop_after_two(count, total):
        done.append(count)
        if count >= 100:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        screen_file(asked(raster), source, tmp_path / "out.csv", progress=stop_after_two)
    assert len(list((tmp_path / "out.csv.parts").glob("*.part"))) == 2
    again = []
    made = screen_file(asked(raster), source, tmp_path / "out.csv", resume=True,
                       progress=lambda count, total: again.append(count))  # fmt: skip
    assert again == [100, 150, 200]
    assert "Going on with 2 finished parts." in made.notes


def test_a_changed_input_or_option_is_noticed_before_anything_is_resumed(raster, tmp_path):
    source = write_list(tmp_path / "in.csv", 30)

    def stop(count, total):
        raise KeyboardInterrupt

    def begin():
        with pytest.raises(KeyboardInterrupt):
            screen_file(asked(raster), source, tmp_path / "out.csv", progress=stop)

    begin()
    with pytest.raises(InputError, match='"mount height" is not what it was'):
        screen_file(asked(raster, mount_height_m=3.0), source, tmp_path / "out.csv", resume=True)
    os.utime(source, ns=(1, 1))
    with pytest.raises(InputError, match=r'in\.csv" has changed since the run'):
        screen_file(asked(raster), source, tmp_path / "out.csv", resume=True)
    made = screen_file(asked(raster), source, tmp_path / "out.csv")
    assert "Parts of an earlier run were thrown away; --resume would have used them." in made.notes


def test_an_input_that_changes_during_the_run_stops_it_and_writes_nothing(raster, tmp_path):
    source = write_list(tmp_path / "in.csv", 30)

    def meddle(count, total):
        os.utime(source, ns=(2, 2))

    with pytest.raises(InputError, match="changed while the run was going; nothing was written"):
        screen_file(asked(raster), source, tmp_path / "out.csv", progress=meddle)
    assert not (tmp_path / "out.csv").exists()


def test_a_full_disk_leaves_the_parts_and_says_how_to_go_on(raster, tmp_path, monkeypatch):
    source = write_list(tmp_path / "in.csv", 30)

    def full(path, writing):
        if path.suffix == ".part":
            raise OSError(28, "No space left on device")
        return parts_write(path, writing)

    parts_write = parts_room.write_whole
    monkeypatch.setattr(parts_room, "write_whole", full)
    with pytest.raises(InputError, match=r"No space left on device.*--resume"):
        screen_file(asked(raster), source, tmp_path / "out.csv")
    assert not (tmp_path / "out.csv").exists()


def test_a_damaged_part_is_done_again(tmp_path):
    store = Checkpoints(tmp_path / "out.csv", {"files": {}})
    store.begin(resume=False)
    store.put(0, b"good")
    store.put(1, b"better")
    damaged = store.folder / "000001.part"
    damaged.write_bytes(damaged.read_bytes()[:-2])
    assert store.missing(3) == [1, 2]
    assert store.get(0) == b"good"
    store.close()


def test_two_runs_on_one_output_are_refused(tmp_path):
    first, second = (Checkpoints(tmp_path / "out.csv", {"files": {}}) for _ in range(2))
    first.begin(resume=False)
    with pytest.raises(InputError, match="another run is at work"):
        second.begin(resume=True)
    first.close()


def test_several_processes_give_the_same_bytes(raster, tmp_path, monkeypatch):
    source = write_list(tmp_path / "in.csv", 60)
    monkeypatch.setattr("skysill.io.screening._PART_ROWS", 20)
    screen_file(asked(raster), source, tmp_path / "one.csv")
    screen_file(asked(raster), source, tmp_path / "two.csv", jobs=2)
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()


@pytest.mark.slow
def test_processes_begun_before_the_list_is_read_give_the_same_bytes_though_one_is_killed(
    raster, tmp_path, monkeypatch
):
    import multiprocessing

    source = write_list(tmp_path / "in.csv", 200)
    monkeypatch.setattr("skysill.io.screening._PART_ROWS", 10)
    screen_file(asked(raster), source, tmp_path / "one.csv")
    monkeypatch.setattr("skysill.io.screening._LONG_LIST_BYTES", 0)
    killed = []

    def kill(done, count):
        if done >= 20 and not killed:
            killed.extend(multiprocessing.active_children())
            os.kill(killed[0].pid, signal.SIGKILL)

    screen_file(asked(raster), source, tmp_path / "two.csv", jobs=2, progress=kill)
    assert len(killed) == 2
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()
    for process in multiprocessing.active_children():
        process.join(10.0)
    assert not multiprocessing.active_children()


def test_without_numba_the_verdicts_are_the_same_and_one_line_says_how_to_get_it(
    raster, tmp_path, monkeypatch
):
    pytest.importorskip("numba")
    twice = asked(raster, rasters=open_rasters([RasterSpec(raster, kind="surface"), RasterSpec(raster)]))
    write_list(tmp_path / "in.csv", 8)
    fast = screen_file(twice, tmp_path / "in.csv", tmp_path / "fast.csv")
    monkeypatch.setattr("skysill.io.screening.available", lambda: False)
    slow = screen_file(twice, tmp_path / "in.csv", tmp_path / "slow.csv")
    assert fast.verdict.tolist() == slow.verdict.tolist()
    assert [note for note in slow.notes if 'pip install "skysill[fast]"' in note]
    assert not [note for note in fast.notes if "pip install" in note]


def test_addresses_that_are_screened_one_by_one_go_in_small_parts(raster, tmp_path, monkeypatch):
    monkeypatch.setattr("skysill.io.screening._PART_ROWS_EACH", 4)
    monkeypatch.setattr("skysill.io.screening.available", lambda: False)
    twice = asked(raster, rasters=open_rasters([RasterSpec(raster), RasterSpec(raster)]))
    seen = []
    screen_file(twice, write_list(tmp_path / "in.csv", 10), tmp_path / "out.csv",
                progress=lambda done, count: seen.append(done))  # fmt: skip
    assert seen == [0, 4, 8, 10]


def test_a_process_reads_the_ground_once_for_all_its_parts(raster, tmp_path, monkeypatch):
    """Also where parts come from another process and voids are nan, which is not equal to itself."""
    import pickle

    import skysill.io.screening as room

    reads = []
    held = room.Ground.of

    def counted(grid, **said):
        reads.append(said["name"])
        return held(grid, **said)

    monkeypatch.setattr(room.Ground, "of", counted)
    monkeypatch.setattr(room, "_PART_ROWS", 20)
    work = room._PartWork.__call__
    monkeypatch.setattr(
        room._PartWork, "__call__", lambda self, task: work(self, pickle.loads(pickle.dumps(task)))
    )
    screen_file(asked(raster), write_list(tmp_path / "in.csv", 60), tmp_path / "out.csv")
    assert np.isnan(asked(raster).rasters[0].tiles[0].nodata)
    # loading the compiled loops asks once about ground of its own
    assert reads.count(asked(raster).rasters[0].name) == 1
    screen_file(asked(raster), write_list(tmp_path / "in.csv", 60), tmp_path / "again.csv")
    assert reads.count(asked(raster).rasters[0].name) == 2  # nothing is kept beyond the job


def test_numbers_are_rounded_as_text_of_so_many_places_is(raster, tmp_path):
    """Halves among them: 0.0005 is held as a little more than it says, 1.0005 as a little less."""
    from skysill.io.screening_results import _NOTHING, _in_last_places

    rng = np.random.default_rng(3)
    value = np.concatenate([rng.integers(-4000, 4000, 2000) / 2000.0, rng.uniform(-90.0, 360.0, 2000)])
    number = _in_last_places(np.append(value, np.nan), 3)
    assert number[-1] == _NOTHING
    assert [n / 1000.0 for n in number[:-1]] == [float(f"{v:.3f}") for v in value]


def test_ids_that_occur_more_than_once_are_counted_however_they_are_quoted(tmp_path):
    source = tmp_path / "in.csv"
    source.write_text(
        'id,latitude,longitude\n7,58.0,-24.6\n"7",58.0,-24.6\n7,58.0,north\n8,58.0,-24.6\n'
        '"a ""b""",58.0,-24.6\n"a ""b""",58.0,-24.6\n,58.0,-24.6\n,58.0,-24.6\n',
        encoding="utf-8",
    )
    assert read_addresses(open_addresses(source), default_height_m=2.0).repeated == 2


def test_positions_in_one_column_are_read_alike_with_quotes_and_without(tmp_path):
    pairs = ["58.0101, -24.68", "58.0101,-24.68", " 58.0101 , -24.68 ", "58.0101 N 24.68 W"]
    found = []
    for name, form in (("quoted", '"{}"'), ("bare", "{}")):
        source = tmp_path / f"{name}.csv"
        source.write_text("id;position\n" + "".join(f"{i};{form.format(p)}\n" for i, p in enumerate(pairs)),
                          encoding="utf-8")  # fmt: skip
        places = read_addresses(open_addresses(source), default_height_m=2.0)
        found.append((places.latitude_deg.tolist(), places.longitude_deg.tolist()))
    assert found[0] == found[1] == ([58.0101] * 4, [-24.68] * 4)


def test_positions_are_read_in_every_notation_and_refused_with_a_hint(tmp_path):
    source = tmp_path / "in.csv"
    source.write_text(
        "id,latitude,longitude\n1,-124.5,58.0\n2,58.0,-24.5\n3,nan,1\n4,58.0,\n", encoding="utf-8"
    )
    found = read_addresses(open_addresses(source), default_height_m=2.0)
    assert found.record.tolist() == [1]
    assert [r.reason for r in found.rejects] == [
        "latitude: -124.5 is not between -90 and 90; are latitude and longitude swapped?",
        'latitude: "nan" is not a number',
        "longitude: there is nothing",
    ]


@pytest.mark.parametrize(("end", "bad"), [("\n", 3), ("\r\n", 3), ("\n", 0), ("\r\n", 0)])
def test_a_list_without_quotes_is_read_and_answered_as_one_with_quotes(raster, tmp_path, end, bad):
    latitude, longitude = places(40)
    rows = [
        f"{i:03d},{a:.6f},{b:.6f},{'' if i % 3 else 4.5},Straße {i}"
        for i, (a, b) in enumerate(zip(latitude, longitude, strict=True))
    ]
    if bad:
        rows[7:7] = ["", "900,58.0,north,,x", "901,58.0", "000,91.0,-24.6,2,y"]
    outs = []
    for name, first in (("plain", "id"), ("quoted", '"id"')):
        text = end.join([f"{first},latitude,longitude,mount_height_m,street", *rows, ""])
        (tmp_path / f"{name}.csv").write_bytes(text.encode())
        file = open_addresses(tmp_path / f"{name}.csv")
        assert file.plain is (name == "plain")
        made = screen_file(asked(raster), file.path, tmp_path / f"{name}_out.csv")
        rejected = tmp_path / f"{name}_out.csv.rejected.csv"
        rejects = rejected.read_bytes() if bad else rejected.exists()
        outs.append(
            ((tmp_path / f"{name}_out.csv").read_bytes().replace(b'"id"', b"id"), rejects, made.notes)
        )
        assert (made.addresses, made.screened, made.rejected) == (40 + bad, 40, bad)
    assert outs[0] == outs[1]


@pytest.mark.slow
def test_addresses_out_of_reach_of_a_fine_raster_say_the_same_without_it(raster, tmp_path, monkeypatch):
    """A fine surface on one corner of the hills: far or looking past it, the hills alone answer, as the chain does."""
    hills = open_rasters([RasterSpec(raster)])[0]
    rng = np.random.default_rng(6)
    fine = Grid(rng.uniform(100.0, 120.0, (300, 300)).astype(np.float32),
                (2.0, 0.0, 283_000.0, 0.0, -2.0, 6_437_000.0), "EPSG:32627")  # fmt: skip
    write_geotiff(tmp_path / "fine.tif", fine.values, like=fine)
    both = open_rasters([RasterSpec(tmp_path / "fine.tif", "surface"), RasterSpec(raster)])
    row, column = np.meshgrid(np.linspace(20.0, 250.0, 12), np.linspace(30.0, 270.0, 12))
    latitude, longitude = Lattice((hills.rows, hills.cols), hills.transform, hills.crs).place(
        row.ravel(), column.ravel()
    )
    source = tmp_path / "list.csv"
    source.write_text(
        "id,latitude,longitude\n"
        + "".join(f"{i},{a:.6f},{b:.6f}\n" for i, (a, b) in enumerate(zip(latitude, longitude, strict=True))),
        encoding="utf-8",
    )
    monkeypatch.setattr(screening_room, "_is_compiled", lambda request: False)
    wanted = asked(raster, rasters=both, highest_ground_m=500.0)
    counted = []
    each = screening_room.screen_one_by_one
    monkeypatch.setattr(screening_room, "screen_one_by_one",
                        lambda rasters, a, *more: (counted.append(len(a)), each(rasters, a, *more))[1])  # fmt: skip
    screen_file(wanted, source, tmp_path / "some.csv")
    some = sum(counted)
    monkeypatch.setattr(screening_room, "out_of_reach", lambda g, r, a, *more: np.zeros(len(a), dtype=bool))
    screen_file(wanted, source, tmp_path / "all.csv")
    assert 0 < some < sum(counted) - some == 144
    some, all_ = (
        list(csv.DictReader((tmp_path / f"{n}.csv").read_text(encoding="utf-8").splitlines()))
        for n in ("some", "all")
    )
    for one, other in zip(some, all_, strict=True):
        if one["margin_is_floor"] == "true":  # then the reason tells no more than that
            one["reason"] = other["reason"]
        if not other["least_height_m"]:  # nobody works it out one by one
            one["least_height_m"] = ""
        assert float(one.pop("margin_deg")) == pytest.approx(float(other.pop("margin_deg")), abs=0.0015)
        assert one == other


def test_every_cell_that_is_written_is_neutralized(raster, tmp_path):
    source = tmp_path / "in.csv"
    source.write_text(
        "id,latitude,longitude,satellite,=head()\na,58.01,-24.66,=cmd()=24W,1\n=b,99,-24.66,,2\n"
    )
    screen_file(asked(raster, neutralize=True), source, tmp_path / "out.csv")
    header, row = (tmp_path / "out.csv").read_text().splitlines()
    assert header.startswith("id,latitude,longitude,satellite,'=head(),satellite,")
    assert row.startswith("a,58.01,-24.66,'=cmd()=24W,1,'=cmd(),")
    assert (tmp_path / "out.csv.rejected.csv").read_text().splitlines()[1].startswith("3,'=b,")


def test_a_file_of_somebodys_that_is_called_as_rejects_are_is_left(raster, tmp_path):
    source = tmp_path / "in.csv"
    source.write_text("id,latitude,longitude\na,58.01,-24.66\n")
    other = tmp_path / "out.csv.rejected.csv"
    other.write_text("my own notes\n")
    screen_file(asked(raster), source, tmp_path / "out.csv")
    assert other.read_text() == "my own notes\n"
    other.write_text("line,id,reason\n2,a,b\n")
    screen_file(asked(raster), source, tmp_path / "out.csv")
    assert not other.exists()


@pytest.mark.parametrize("suffix", ["csv", "geojson", "parquet"])
def test_values_of_every_kind_pass_into_every_kind_of_list(raster, tmp_path, suffix):
    source = tmp_path / "in.geojson"
    source.write_text(
        '{"type": "FeatureCollection", "features": ['
        + ", ".join(
            '{"type": "Feature", "geometry": {"type": "Point", "coordinates": [-24.66, 58.01]}, "properties": '
            f'{{"id": {value}, "h\\udc80": {value}}}}}'
            for value in ('"a"', "1", "2.5", "null", '{"b": [1, "c"]}', '"\\ud800"', "9" * 30)
        )
        + "]}",
        encoding="utf-8",
    )
    made = screen_file(asked(raster), source, tmp_path / f"out.{suffix}")
    assert (made.screened, made.rejected) == (7, 0)
    (tmp_path / f"out.{suffix}").read_bytes()
