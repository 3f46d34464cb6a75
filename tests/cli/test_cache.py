"""skysill cache"""

import json

from click.testing import CliRunner

from skysill.cli.group import main
from skysill.io.elevation.block_cache import BlockCache


def run(*words, **environment):
    done = CliRunner().invoke(main, ["cache", *words], env=environment)
    assert done.exit_code == 0, done.output
    return done.output


def filled(folder):
    one = BlockCache(folder, "https://data.example.org/dem.tif?key=secret", limit_bytes=10**9)
    one.put_about({"size_bytes": 1_000_000_000})
    one.put(0, b"v" * 16, bytes(60_000))


def test_it_lists_sources_size_and_age_and_clears(tmp_path):
    filled(tmp_path)
    (tmp_path / "mine.txt").write_text("mine")
    text = run(SKYSILL_CACHE=str(tmp_path))
    assert text.splitlines()[0].split() == ["source", "kept", "MB", "of", "MB", "fetched", "used", "last"]
    assert text.splitlines()[1].split()[:3] == ["https://data.example.org/dem.tif", "0.1", "1,000"]
    assert text.splitlines()[2] == f"0.1 of at most 2,000 MB in {tmp_path}"
    assert "secret" not in text
    said = json.loads(run("--json", SKYSILL_CACHE=str(tmp_path), SKYSILL_CACHE_MB="50"))
    assert said["limit_bytes"] == 50_000_000
    assert said["kept_bytes"] == said["sources"][0]["kept_bytes"] > 60_000
    assert run("--clear", SKYSILL_CACHE=str(tmp_path)).splitlines() == [
        "0.1 MB removed.",
        "Nothing is kept. Elevations read over the web will be, up to 2,000 MB.",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_limit_that_is_no_number_is_one_line(tmp_path):
    done = CliRunner().invoke(
        main, ["cache"], env={"SKYSILL_CACHE": str(tmp_path), "SKYSILL_CACHE_MB": "much"}
    )
    assert done.exit_code == 2
    assert done.output.startswith('skysill: SKYSILL_CACHE_MB: "much" is not a number.')
