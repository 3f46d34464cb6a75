"""Scenes that are blocked, by one file each; without what blocks them they are clear. Damage must not make them so."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from damage import LOSSES
from readers import PLACE, Reader

_SITE = """name = "scene"
position = "58.0312 N 24.6541 W"
ground_elevation_m = 41.0
[[satellites]]
name = "Demo South"
longitude = "24.0 W"
[[mounts]]
name = "post"
height_m = 2.0
{more}
"""


def verdict(folder: Path) -> str:
    from skysill.assessment.pipeline import assess
    from skysill.io.site_file import read_site_file

    job = read_site_file(folder / "site.toml")
    results = assess(job, job.mounts[0], explain=False).results
    return results[0].verdict if results else "nobody asked"


def never_clear(folder: Path) -> str:
    found = verdict(folder)
    assert found != "clear", "a blocked scene is clear"
    return found


def _site(folder: Path, more: str) -> None:
    (folder / "site.toml").write_text(_SITE.format(more=more))


def readings(folder: Path, elevation_deg: float = 32.0) -> None:
    _site(folder, '[survey]\nhorizon = "h.csv"\ninstrument_height_m = 2.0\nbearing_error_deg = 0.2\n')
    rows = "".join(f"{azimuth / 10},{elevation_deg},20,tree\n" for azimuth in range(1300, 2300, 25))
    (folder / "h.csv").write_text("azimuth_deg,elevation_deg,distance_m,note\n" + rows)


def obstacles(folder: Path, height_m: float = 30.0) -> None:
    ground(folder, wall_m=0.5)
    with open(folder / "site.toml", "a") as site:
        site.write('[obstacles]\nfile = "o.geojson"\n')
    lat, lon = PLACE
    features = []
    for south in (4e-4, 6e-4):
        ring = [
            [lon - 4e-4, lat - south - 1e-4],
            [lon + 4e-4, lat - south - 1e-4],
            [lon + 4e-4, lat - south],
            [lon - 4e-4, lat - south],
            [lon - 4e-4, lat - south - 1e-4],
        ]
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "Polygon", "coordinates": [ring]},
                "properties": {"kind": "building", "height_m": height_m},
            }
        )
    (folder / "o.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": features}, indent=1)
    )


def inline(folder: Path, height_m: float = 30.0) -> None:
    """What would make the scene clear, the ground around, stands last: a file cut short never has it."""
    ground(folder, wall_m=0.5)
    terrain = (folder / "site.toml").read_text().partition("[terrain]")[2]
    things = "".join(
        f'[[obstacle]]\nkind = "building"\noutline = [[-20,{-a}],[20,{-a}],[20,{-a - 8}],[-20,{-a - 8}]]\n'
        f"height_m = {height_m}\n"
        for a in (30, 50)
    )
    _site(folder, f"{things}[terrain]{terrain}")


def ground(
    folder: Path, name: str = "g.tif", driver: str = "GTiff", wall_m: float = 60.0, **more: object
) -> None:
    import numpy as np
    import rasterio
    from pyproj import Transformer
    from rasterio.shutil import copy

    x, y = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True).transform(PLACE[1], PLACE[0])
    values = np.full((400, 400), 41.0, "float32")
    values[235:245, 100:300] += wall_m
    _site(
        folder, f'[terrain]\nrasters = ["{name}"]\nkinds = ["surface"]\nhighest_ground_m = {41.0 + wall_m}\n'
    )
    made = folder / (name if driver == "GTiff" else "made.tif")
    options = {
        "driver": "GTiff",
        "height": 400,
        "width": 400,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32627",
        "transform": rasterio.Affine(1, 0, x - 200, 0, -1, y + 200),
        **more,
    }
    with rasterio.open(made, "w", **options) as target:
        target.write(values, 1)
    if driver != "GTiff":
        copy(made, folder / name, driver=driver)
        made.unlink()


def tiled(folder: Path) -> None:
    ground(folder, tiled=True, blockxsize=64, blockysize=64, compress="lzw")


def mosaic(folder: Path, wall_m: float = 60.0) -> None:
    """Northern half and southern half, which holds the wall."""
    import rasterio

    ground(folder, "g.tif", wall_m=wall_m)
    with rasterio.open(folder / "g.tif") as whole:
        values, profile = whole.read(1), whole.profile
    (folder / "g.tif").unlink()
    a = profile["transform"]
    for name, top in (("north.tif", 0), ("south.tif", 200)):
        profile |= {
            "height": 200,
            "transform": a @ rasterio.Affine.translation(0, top)
            if hasattr(a, "__matmul__")
            else a * rasterio.Affine.translation(0, top),
        }
        with rasterio.open(folder / name, "w", **profile) as target:
            target.write(values[top : top + 200], 1)
    sources = "\n".join(
        f'<SimpleSource>\n<SourceFilename relativeToVRT="1">{name}</SourceFilename>\n<SourceBand>1</SourceBand>\n'
        f'<SrcRect xOff="0" yOff="0" xSize="400" ySize="200"/>\n'
        f'<DstRect xOff="0" yOff="{top}" xSize="400" ySize="200"/>\n'
        "</SimpleSource>"
        for name, top in (("north.tif", 0), ("south.tif", 200))
    )
    (folder / "m.vrt").write_text(
        f'<VRTDataset rasterXSize="400" rasterYSize="400">\n<SRS>EPSG:32627</SRS>\n'
        f"<GeoTransform>{a.c},1,0,{a.f},0,-1</GeoTransform>\n"
        f'<VRTRasterBand dataType="Float32" band="1">\n{sources}\n</VRTRasterBand>\n</VRTDataset>\n'
    )
    text = (folder / "site.toml").read_text()
    (folder / "site.toml").write_text(text.replace("g.tif", "m.vrt"))


def _scene(name: str, seed: Callable[[Path], None], *files: str, kinds: tuple[str, ...] = LOSSES) -> Reader:
    return Reader(f"blocked by {name}", seed, never_clear, files, (), kinds)


ENDS = ("cut", "empty")
"""In binary files, and where a site file says what stands there, only the loss of the end can be told."""

SCENES = {
    one.name: one
    for one in (
        _scene("readings", readings, "h.csv"),
        _scene("a list of obstacles", obstacles, "o.geojson"),
        _scene("typed obstacles", inline, "site.toml", kinds=ENDS),
        _scene("a GeoTIFF", ground, "g.tif", kinds=ENDS),
        _scene("a tiled GeoTIFF", tiled, "g.tif", kinds=ENDS),
        _scene("a text grid", lambda folder: ground(folder, "g.asc", "AAIGrid"), "g.asc", "g.prj"),
        _scene("raw cells", lambda folder: ground(folder, "g.bil", "EHdr"), "g.bil", "g.hdr", kinds=ENDS),
        _scene("a GeoPackage", lambda folder: ground(folder, "g.gpkg", "GPKG"), "g.gpkg", kinds=ENDS),
        _scene("a mosaic", mosaic, "m.vrt", "south.tif", kinds=("cut", "empty", "drop line", "repeat line")),
    )
}
