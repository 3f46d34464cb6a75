"""What is offered keeps its distance from overhead lines: held to points along wires and masts, in scenes of our own.

The distances here are worked out again from the houses' plain lists, by points every few centimetres; nothing of the
package under test takes part in them. 10 ft: 29 CFR 1926.1408 Table A, up to 50 kV, from memory.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from houses import HOUSES, Line, ground_m, roof_m, vector_site, write_raster
from skysill.io.site_file import read_site_file
from skysill.remedies.search import check
from skysill.siting.mount_rows import mounts_geojson, spot_lines
from skysill.siting.mounts import compare_mounts

KEEP_M = 10 * 0.3048
ACROSS = {  # a service line over each roof or garden, from pole to house, by the houses' own coordinates
    "Lyngholt": ((-14.0, 6.0, 50.5), (9.0, 5.0, 46.6)),
    "Strandgata 7": ((2.0, -14.0, 42.0), (0.5, 4.5, 41.0)),
    "Netloft": ((-8.0, -4.0, 51.2), (18.0, 0.0, 51.0)),
}


def wired(house):
    return replace(house, lines=(*house.lines, Line("feeder", "wire", ACROSS[house.name])))


def points_along(ends, step_m=0.02):
    ends = np.asarray(ends, float)
    return np.concatenate(
        [
            a + np.linspace(0, 1, max(2, int(np.linalg.norm(b - a) / step_m)))[:, None] * (b - a)
            for a, b in pairwise(ends)
        ]
    )


def wires_of(house):
    return np.concatenate([points_along(line.vertices) for line in house.lines if line.kind == "wire"])


def distances_m(house, foot, centre_m):
    """Least distance of any wire from the mast and its dish turned any way; from somebody who reaches 1 m from a
    shoulder up to 1.5 m high; and from the foot less the length of mast and dish, which swings about it."""
    foot = np.asarray(foot, float)
    wires = wires_of(house)
    wires = wires[np.linalg.norm(wires - foot, axis=1).argsort()]
    up = np.array([0.0, 0.0, 1.0])
    mast = foot + np.linspace(0, centre_m, 150)[:, None] * up
    person = foot + np.linspace(0, 1.5, 50)[:, None] * up
    half_m = house.dish_diameter_m / 2.0

    def apart(points):
        return float(np.linalg.norm(points[:, None] - wires[None, ::3], axis=2).min())

    rim = float(np.linalg.norm(wires - mast[-1], axis=1).min()) - half_m
    swings = float(np.linalg.norm(wires[0] - foot)) - centre_m - half_m
    return min(apart(mast), rim), apart(person) - 1.0, swings


def stands_on(house, east_m, north_m):
    on_roof = float(roof_m(house, east_m, north_m))
    return float(ground_m(house, east_m, north_m)) if np.isnan(on_roof) else on_roof


def job_of(tmp_path, house):
    """Low mounts on the roof, from which something hides a satellite; the ground around as a bare raster."""
    middle = np.mean(np.asarray(house.outline), axis=0)
    places = [middle + step for step in ((0.4, -0.6), (-1.2, 0.8))]
    mounts = "".join(
        f'[[mounts]]\nname = "m{at}"\neast_m = {e:.3f}\nnorth_m = {n:.3f}\n'
        f"surface_elevation_m = {stands_on(house, e, n):.4f}\nheight_m = 0.7\nmax_height_m = 5.0\n\n"
        for at, (e, n) in enumerate(places)
    )
    if not (tmp_path / "bare.tif").exists():
        write_raster(tmp_path / "bare.tif", house, 2.0, bare=True)
    given = {"rasters": ("bare.tif",), "kinds": ("bare",), "satellites": (("Demo South", "24.0 W"),)}
    return read_site_file(vector_site(tmp_path, house, mounts=mounts, **given))


def offered(job, house):
    """(remedy, distances) of each raise and move, where it would really stand."""
    for mount in job.mounts:
        for remedy in check(job, mount).results[0].remedies:
            if remedy.action not in ("raise", "move"):
                continue
            east_m = mount.east_m if remedy.to_east_m is None else remedy.to_east_m
            north_m = mount.north_m if remedy.to_north_m is None else remedy.to_north_m
            high_m = mount.height_m if remedy.to_height_m is None else remedy.to_height_m
            yield remedy, distances_m(house, (east_m, north_m, stands_on(house, east_m, north_m)), high_m)


@pytest.mark.parametrize("house", HOUSES, ids=lambda one: one.name)
def test_no_raise_or_move_leads_a_mast_or_a_person_to_an_overhead_line(tmp_path, house):
    """Without the line most of what is offered would come too near it, so the scenes ask something."""
    line = wired(house)
    unknown = [min(away[:2]) for _, away in offered(job_of(tmp_path, house), line)]
    assert min(unknown) < KEEP_M
    for remedy, (mast_m, person_m, swings_m) in offered(job_of(tmp_path, line), line):
        assert mast_m > KEEP_M, remedy.text
        assert person_m > KEEP_M, remedy.text
        if swings_m < KEEP_M:
            assert "verhead line" in remedy.text, remedy.text


@pytest.mark.parametrize("house", HOUSES[:2], ids=lambda one: one.name)
def test_spots_that_a_line_comes_near_are_told_and_rank_behind_those_it_does_not(tmp_path, house):
    """Of the spots of a search, those with the same verdict: first where a mast can be raised without coming near the
    line, then where it could tip near it, last where it or somebody beside it stands too near."""
    line = wired(house)
    found = compare_mounts(job_of(tmp_path, line), grid_step_m=1.5, keep=8)
    ranks: dict[str, list[int]] = {}
    for row in found.mounts:
        if not row.name.startswith("spot"):
            continue
        foot = (row.east_m, row.north_m, row.surface_elevation_m)
        mast_m, person_m, swings_m = distances_m(line, foot, row.height_m)
        codes = {caution.code for caution in row.cautions}
        if min(mast_m, person_m) < KEEP_M:
            assert "overhead-line" in codes, row.name
        elif swings_m < KEEP_M:
            assert {"overhead-line", "overhead-line-reach"} & codes, row.name
        level = 2 if "overhead-line" in codes else 1 if "overhead-line-reach" in codes else 0
        ranks.setdefault(row.verdict, []).append(level)
    assert sum(len(levels) for levels in ranks.values()) >= 3
    for levels in ranks.values():
        assert levels == sorted(levels)
    features = [f["properties"] for f in mounts_geojson(found)["features"]]
    spots = [said for said in features if said["is"] == "spot"]
    told = [bool(said["cautions"]) for said in spots]
    assert any(told)
    assert sum(told) == int(spot_lines(found).flagged.sum())
