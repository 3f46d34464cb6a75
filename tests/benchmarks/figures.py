"""The figures of docs/accuracy.md, measured again: the largest difference from each outside answer.

    python tests/benchmarks/figures.py

Prints a line a promise. It never passes or fails: the tests named in docs/accuracy.md do.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import importlib.util
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
Lines = Iterator[tuple[str, str]]


def of_tests(path: str) -> ModuleType:
    """A test module, for the outside answers that it works out (brute force, ray casting)."""
    spec = importlib.util.spec_from_file_location(Path(path).stem, TESTS / path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def table(name: str) -> list[dict[str, str]]:
    lines = (TESTS / "published" / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def column(rows: list[dict[str, str]], field: str) -> np.ndarray:
    return np.array([float(row[field]) for row in rows])


def look_angles_and_tilt() -> Lines:
    from skysill.pointing.look_vector import look_angles, polarization_tilt_deg
    from skysill.units import wrap_180

    rows = table("look_angles_four_programs.csv")
    place = [column(rows, f) for f in ("site_lat_deg", "site_lon_deg", "site_ellipsoidal_height_m")]
    over = {"satellite_longitude_deg": column(rows, "sat_lon_deg"), "radius_m": 42_164_000.0}
    got = look_angles(*place, **over)
    azimuth = np.abs(wrap_180(got.azimuth_deg - column(rows, "true_az_deg"))).max()
    elevation = np.abs(got.elevation_deg - column(rows, "geometric_el_deg")).max()
    away = np.abs(got.slant_range_m - column(rows, "slant_range_m")).max()
    yield (
        "look vector, four programs",
        f"{azimuth:.0e} deg azimuth, {elevation:.0e} deg elevation, {away * 1e3:.2f} mm",
    )
    other = look_angles(*place, **{**over, "radius_m": 42_164_170.0}).elevation_deg
    yield (
        "look vector, radius 42 164.17 km for 42 164",
        f"{np.abs(other - got.elevation_deg).max():.0e} deg elevation",
    )
    tilt = polarization_tilt_deg(*place, **over) + column(rows, "pol_tilt_ccw_facing_sat_deg")
    off = np.abs(np.mod(tilt + 90.0, 180.0) - 90.0).max()
    short = column([r for r in rows if r["pol_tilt_textbook_deg"] != "nan"], "pol_tilt_textbook_deg")
    exact = column([r for r in rows if r["pol_tilt_textbook_deg"] != "nan"], "pol_tilt_ccw_facing_sat_deg")
    yield (
        "polarization tilt, four programs",
        f"{off:.0e} deg; the short form is {np.abs(short - exact).max():.2f} deg off",
    )
    rows = table("soler_eisemann_1994.csv")
    got = look_angles(column(rows, "site_lat_deg"), column(rows, "site_lon_deg"), 0.0,
                      satellite_longitude_deg=column(rows, "sat_lon_deg"),
                      radius_m=column(rows, "sat_radius_km") * 1e3, flattening=1.0 / 298.257222101)  # fmt: skip
    azimuth = np.abs(got.azimuth_deg - column(rows, "printed_az_deg")).max()
    elevation = np.abs(got.elevation_deg - column(rows, "printed_el_deg")).max()
    yield "look vector, Soler & Eisemann", f"{azimuth:.0e} deg azimuth, {elevation:.0e} deg elevation"


def bending() -> Lines:
    from skysill.pointing.refraction import refraction_deg

    integral = of_tests("test_look.py").bending_by_quadrature_deg
    for low, high in ((0.7, 10.0), (10.0, 90.0)):
        apparent = np.array(
            [a for a in (0.7, 1, 2, 3, 4, 6, 8, 10, 11, 12, 14, 20, 45, 80) if low <= a <= high]
        )
        off = 0.0
        for height_km in (0.0, 1.0, 3.0):
            bent = np.array([integral(a, height_km) for a in apparent])
            off = max(off, float(np.abs(refraction_deg(apparent - bent, height_km * 1e3) - bent).max()))
        yield f"ray bending, integral, {low:g} to {high:g} deg", f"{off:.4f} deg"


def declination_of_the_field() -> Lines:
    from skysill.pointing.compass import declination

    rows = table("magnetic_declination.csv")
    where = [column(rows, f) for f in ("lat_deg", "lon_deg", "height_km", "decimal_year")]
    got = [
        declination(a, b, 1e3 * h, y).declination_deg
        for a, b, h, y in zip(*map(np.ndarray.tolist, where), strict=True)
    ]
    off = np.abs(np.array(got) - column(rows, "declination_deg_from_XY")).max()
    yield f"declination, {len(rows)} rows", f"{off:.0e} deg"


def sun() -> Lines:
    from skysill.pointing.ephemeris import closest_approaches, optical_refraction_deg, sun_direction
    from skysill.pointing.look_vector import look_angles
    from skysill.pointing.orbits import julian_date
    from skysill.units import wrap_180

    fields = ("site_lat_deg", "site_lon_deg", "site_ellipsoidal_height_m")
    rows = table("sun_positions_four_programs.csv")
    off = {}
    for name, azimuth, elevation in (
        ("skyfield with DE421", "sun_true_az_deg_skyfield_de421", "sun_geometric_el_deg_skyfield_de421"),
        ("astropy", "az_astropy", "el_astropy"), ("NREL algorithm", "az_spa", "el_spa"),
    ):  # fmt: skip
        worst = 0.0
        for row in rows:
            got = sun_direction([dt.datetime.fromisoformat(row["utc"])], *(float(row[f]) for f in fields))
            level = np.cos(np.deg2rad(got.elevation_deg[0]))
            aside = float(wrap_180(got.azimuth_deg[0] - float(row[azimuth]))) * level
            worst = max(worst, abs(aside), abs(got.elevation_deg[0] - float(row[elevation])))
        off[name] = worst
    yield (
        f"sun, {len(rows)} places and times",
        ", ".join(f"{name} {value:.0e} deg" for name, value in off.items()),
    )
    when = dt.datetime.fromisoformat("2003-10-17T12:30:30-07:00")
    azimuth, elevation, _ = sun_direction([when], 39.742476, -105.1786, 1830.14)
    print_off = max(abs(azimuth[0] - 194.34024), abs(elevation[0] - 39.872046))
    yield "sun, printed example", f"{print_off:.0e} deg"
    arcmin = [(0.0, 34.5), (1.0, 24.3), (2.0, 18.3), (5.0, 9.9), (10.0, 5.3)]
    worst = max(abs(float(optical_refraction_deg(a - m / 60.0)) * 60.0 - m) for a, m in arcmin)
    yield "bending of light, table", f"{worst:.1f} arc minutes"
    rows = table("sun_transits_2027.csv")
    seconds = degrees = 0.0
    for row in rows:
        place = tuple(float(row[f]) for f in fields)
        look = look_angles(*place, satellite_longitude_deg=float(row["sat_lon_deg"]))
        midnight, _ = julian_date([dt.datetime.fromisoformat(row["date_utc"])])
        got = closest_approaches(place, azimuth_deg=float(look.azimuth_deg), elevation_deg=float(look.elevation_deg),
                                 midnight=midnight)  # fmt: skip
        hour, minute, second = (int(part) for part in row["time_of_closest_approach_utc"].split(":"))
        seconds = max(
            seconds, abs((got.julian_utc[0] - midnight[0]) * 86_400.0 - (hour * 60 + minute) * 60 - second)
        )
        degrees = max(degrees, abs(got.separation_deg[0] - float(row["min_separation_deg"])))
    yield f"sun on a satellite, {len(rows)} days", f"{seconds:.2f} s, {degrees:.0e} deg"


def knife_edge() -> Lines:
    from skysill.radio.fresnel import knife_edge_loss_db

    rows = table("knife_edge_nu.csv")
    off = np.abs(knife_edge_loss_db(column(rows, "nu")) - column(rows, "J_exact_dB")).max()
    yield f"knife edge, {len(rows)} values", f"{off:.0e} dB"


def ground() -> Lines:
    from skysill.horizon.terrain import HeldGrid, ground_at

    tests = of_tests("horizon/test_terrain.py")
    grid = tests.jacksboro()
    raster = HeldGrid(grid, cell_size_m=92.6)
    azimuth = np.arange(360.0)
    for latitude, longitude, mast_m in ((36.3301, -84.1838, 2.0), (36.2503, -84.2747, 10.0)):
        antenna_m = float(ground_at([raster], latitude, longitude)[0]) + mast_m
        seen = tests.look([raster], azimuth, antenna_m, latitude_deg=latitude, longitude_deg=longitude)
        ours = tests.tops(seen.kept(seen.reliable), azimuth)
        brute = tests.brute_force_tops(grid, latitude, longitude, antenna_m, azimuth, k=4 / 3, step_m=74.6 / 20,
                                       beyond_m=2 * 92.6)  # fmt: skip
        off = ours - brute
        rms, most, mean = np.sqrt(np.mean(off**2)), np.abs(off).max(), off.mean()
        yield (f"terrain, {latitude} {longitude}, mast {mast_m:g} m",
               f"{rms:.4f} deg rms, {most:.3f} deg at most, {mean:+.4f} deg on average")  # fmt: skip


def heights() -> Lines:
    tests = of_tests("test_heights.py")
    for case, (lattice, satellite) in tests.CASES.items():
        land = tests.rough_ground(*lattice.shape)
        swept = tests.heights(land, lattice, satellite=satellite)
        rng = np.random.default_rng(11)
        row, col = rng.integers(5, 415, 220), rng.integers(5, 395, 220)
        known = ~np.isnan(swept[row, col])
        row, col = row[known], col[known]
        out_to_m = 4500.0 if satellite == -75.0 else 2400.0
        wanted = tests.marched(land, lattice, row, col, satellite=satellite, out_to_m=out_to_m, step_m=6.0)
        error = swept[row, col] - wanted
        rms, most, mean = np.sqrt((error**2).mean()), np.abs(error).max(), error.mean()
        yield (
            f"heights, {case}",
            f"{rms:.2f} m rms, {most:.2f} m at most, {mean:+.3f} m on average, {row.size} cells",
        )


def obstacles() -> Lines:
    from skysill.horizon.scene_clearance import clearances
    from skysill.model.scene import Scene
    from skysill.units import direction_enu

    tests = of_tests("horizon/test_obstacles.py")
    rng = np.random.default_rng(20261125)
    rays = differ = 0
    worst_deg, aside_m = 0.0, []
    for _ in range(200):
        thing, triangles = tests.random_thing(rng)
        dish = np.array([*rng.uniform(-3, 3, 2), rng.uniform(0.5, 8.0)])
        toward = np.array([*thing.centre_m, thing.top_elevation_m]) - dish
        azimuth = np.rad2deg(np.arctan2(toward[0], toward[1])) + rng.normal(0, 12, 50)
        elevation = np.rad2deg(np.arctan2(toward[2], np.hypot(*toward[:2]))) + rng.normal(0, 10, 50)
        elevation = np.clip(elevation, 1, 88)
        scene = Scene((thing,))
        if scene.holding(dish).any():
            continue
        found = clearances(scene, dish, azimuth, elevation, **tests.GIVEN, exact_within_deg=89.0)
        first = tests.cast(triangles, dish, direction_enu(azimuth, elevation))
        hit = found.hit[0, :, 0]
        odd = np.flatnonzero(hit != np.isfinite(first))
        for at in odd:
            full = clearances(scene, dish, azimuth[[at]], elevation[[at]], **tests.GIVEN)
            worst_deg = max(worst_deg, abs(full.margin_deg.item()))
        both = hit & np.isfinite(first)
        aside_m.extend(np.abs(found.distance_m[0, both, 0] - first[both]))
        rays, differ = rays + hit.size, differ + odd.size
    yield (f"obstacles, {rays} rays against triangles",
           f"{differ} answered otherwise, none with a margin over {worst_deg:.4f} deg; distance to what is met "
           f"{np.median(aside_m):.4f} m off in the middle, {np.quantile(aside_m, 0.9):.4f} m at 90 %")  # fmt: skip


GROUPS: dict[str, Callable[[], Lines]] = {
    "look": look_angles_and_tilt, "bending": bending, "declination": declination_of_the_field, "sun": sun,
    "edge": knife_edge, "terrain": ground, "heights": heights, "obstacles": obstacles,
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("groups", nargs="*", choices=[*GROUPS, []], help="only these")
    for name in parser.parse_args().groups or GROUPS:
        for what, figure in GROUPS[name]():
            print(f"{what}: {figure}")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
