"""No output is written over an input or another output, under whatever name."""

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main
from skysill.errors import InputError
from skysill.io.output_checks import check_outputs


def test_links_hard_links_case_and_composed_letters_lead_to_one_file(tmp_path):
    source = tmp_path / "höhe.csv"
    source.write_text("a")
    (tmp_path / "soft.csv").symlink_to(source)
    os.link(source, tmp_path / "hard.csv")
    (tmp_path / "sub").mkdir()
    (tmp_path / "folder").symlink_to(tmp_path)
    for name in (
        "höhe.csv", "soft.csv", "hard.csv", "HÖHE.CSV", "ho\u0308he.csv", "sub/../höhe.csv", "folder/höhe.csv"
    ):  # fmt: skip
        with pytest.raises(InputError, match=r"--out .*would be written over .*höhe.csv, which is read"):
            check_outputs({"--out": tmp_path / name}, [source])
    check_outputs({"--out": tmp_path / "other.csv"}, [source, tmp_path / "missing.csv"])


def test_two_outputs_are_two_files(tmp_path):
    with pytest.raises(InputError, match=r"--map .*A.png: is the same file as --out .*a.png"):
        check_outputs({"--out": tmp_path / "a.png", "--map": tmp_path / "A.png"})
    (tmp_path / "b").symlink_to(tmp_path / "c")
    with pytest.raises(InputError, match="is the same file"):
        check_outputs({"--out": tmp_path / "b", "--map": tmp_path / "c"})
    check_outputs({"--out": tmp_path / "a", "--map": None, "--plot": None})
    check_outputs({"--out": os.devnull, "--map": os.devnull})


def test_nothing_is_written_into_a_folder_that_is_read(tmp_path):
    (tmp_path / "tiles" / "north").mkdir(parents=True)
    with pytest.raises(InputError, match="all of which is read"):
        check_outputs({"--out": tmp_path / "tiles" / "north" / "new.tif"}, [tmp_path / "tiles"])


DEMO = Path(__file__).parents[2] / "demo_terrain"


def commands(folder):
    """Every command that writes, with the option that would write over what it reads."""
    site = str(folder / "clinic.toml")
    horizon, raster = str(folder / "clinic_horizon.csv"), str(folder / "island.tif")
    obstacles = str(folder / "clinic_obstacles.geojson")
    names = str(folder / "addresses.csv")
    screen = ["screen", names, "--terrain", raster, "--satellite", "24W"]
    yield ["check", site, "--sky-view", f"{site}.png"], f"{site}.png", site
    yield ["horizon", site, "--out", horizon], None, None
    yield ["horizon", site, "--out", site], None, None
    yield ["horizon", site, "--out", raster], None, None
    yield ["mounts", site, "--geojson", obstacles], None, None
    yield ["sun", site, "--plot", f"{site}.png"], f"{site}.png", site
    yield ["sheet", site, "--out", str(folder / "s.html"), "--csv", raster], None, None
    yield ["report", site, "--out", f"{site}.html"], f"{site}.html", site
    yield ["heights", "--terrain", raster, "--satellite", "24W", "--out", raster], None, None
    yield [*screen, "--out", names], None, None
    yield [*screen, "--out", str(folder / "o.csv"), "--map", f"{raster}.png"], f"{raster}.png", raster
    yield [*screen, "--out", str(folder / "a.csv")], str(folder / "a.csv.rejected.csv"), names


@pytest.mark.parametrize("number", range(12))
def test_no_command_eats_what_it_reads(tmp_path, number):
    for name in ("clinic.toml", "clinic_horizon.csv", "clinic_obstacles.geojson", "island.tif",
                 "village_surface.tif", "addresses.csv", "orbit_demo.json"):  # fmt: skip
        (tmp_path / name).write_bytes((DEMO / name).read_bytes())
    command, link, target = list(commands(tmp_path))[number]
    if link is not None:
        os.link(target, link)
    before = {one: one.read_bytes() for one in tmp_path.iterdir()}
    done = CliRunner().invoke(main, command, prog_name="skysill")
    assert done.exit_code == 2, done.output
    assert "would be written over" in done.output
    assert done.output.count("\n") == 1
    assert {one: one.read_bytes() for one in tmp_path.iterdir()} == before
