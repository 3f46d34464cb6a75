"""A property found in data, from above: shaded surface, roofs with their planes, obstacles with their names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon
from numpy.typing import NDArray

from skysill.extraction.property import FoundProperty, LocalRaster
from skysill.plots.theme import PALETTE, new_figure, save

__all__ = ["PropertyArtists", "draw_property", "write_property_map"]

_AROUND_M = 45.0
_SUN_AZIMUTH_RAD, _SUN_ELEVATION_RAD = np.deg2rad(315.0), np.deg2rad(45.0)


@dataclass(frozen=True, slots=True, eq=False)
class PropertyArtists:
    """What was drawn: the shaded surface (None without one), roof planes, and obstacles by their ids."""

    surface: Any | None
    planes: tuple[Polygon, ...]
    obstacles: dict[str, Artist]


def draw_property(
    ax: Axes, found: FoundProperty, features: Sequence[Mapping[str, Any]], *, around_m: float = _AROUND_M
) -> PropertyArtists:
    """Draw a property on Axes, north up, metres east and north of the site.

    Parameters
    ----------
    features : GeoJSON features as they are written, for their ids and, where a person edited them, their values
    around_m : half the side of the piece shown
    """
    surface = next((raster for raster in found.rasters if raster.kind == "surface"), None)
    shaded = _shaded(ax, surface, around_m) if surface is not None else None
    planes: list[Polygon] = []
    if found.roof is not None:
        for plane in found.roof.planes:
            ring = np.array(plane.ring_m)[:, :2]
            patch = Polygon(
                ring, facecolor=(*_rgb("sky blue"), 0.35), edgecolor=PALETTE["blue"], linewidth=1.2
            )
            ax.add_patch(patch)
            planes.append(patch)
        for part in found.roof.unknown_m:
            ax.add_patch(
                Polygon(np.array(part), facecolor="none", edgecolor="0.2", hatch="////", linewidth=0.6)
            )
    drawn = {
        str(feature["id"]): artist
        for feature in features
        if (artist := _obstacle(ax, feature, found, around_m)) is not None
    }
    ax.plot(0.0, 0.0, marker="+", markersize=12, markeredgewidth=2.0, color="black", zorder=6)
    ax.annotate("site", (0.0, 0.0), xytext=(6, -10), textcoords="offset points", fontsize=8, zorder=6)
    ax.set(
        xlim=(-around_m, around_m),
        ylim=(-around_m, around_m),
        aspect="equal",
        xlabel="metres east of the site",
        ylabel="metres north of the site",
        title=f"{found.name}: found in the data",
    )
    return PropertyArtists(shaded, tuple(planes), drawn)


def _rgb(name: str) -> tuple[float, float, float]:
    from matplotlib.colors import to_rgb

    return to_rgb(PALETTE[name])


def _shaded(ax: Axes, raster: LocalRaster, around_m: float) -> Any:
    """Hillshade of the surface; cells without data are hatched."""
    a, _, c, _, e, f = raster.transform
    values: NDArray[np.float64] = np.asarray(raster.values, dtype=np.float64)
    rise_row, rise_column = np.gradient(values)
    east, north = rise_column / a, rise_row / e
    slope = np.arctan(np.hypot(east, north))
    aspect = np.arctan2(-east, -north)
    light = np.sin(_SUN_ELEVATION_RAD) * np.cos(slope) + np.cos(_SUN_ELEVATION_RAD) * np.sin(slope) * np.cos(
        _SUN_AZIMUTH_RAD - aspect
    )
    west, south = c - a / 2, f + e * (values.shape[0] - 0.5)
    extent = (west, west + a * values.shape[1], south, f - e / 2)
    image = ax.imshow(
        np.clip(light, 0.0, 1.0), cmap="gray", vmin=0.0, vmax=1.15, extent=extent, alpha=0.6, zorder=0
    )
    void = ~np.isfinite(values)
    if void.any():
        columns, rows = c + a * np.arange(values.shape[1]), f + e * np.arange(values.shape[0])
        ax.contourf(
            columns, rows, void.astype(float), levels=[0.5, 1.5], colors="none", hatches=["xxx"], zorder=1
        )
    return image


_STYLE: dict[str, tuple[str, str]] = {
    "tree": ("bluish green", "-"),
    "hedge": ("bluish green", "--"),
    "wire": ("vermillion", "-."),
    "wall": ("black", "-"),
    "building": ("black", "-"),
}


def _obstacle(ax: Axes, feature: Mapping[str, Any], found: FoundProperty, around_m: float) -> Artist | None:
    from skysill.geodesy.positions import plan_offset

    coordinates = feature["geometry"]["coordinates"]
    kind, said = feature["geometry"]["type"], feature["properties"]
    line = np.array(
        [coordinates] if kind == "Point" else coordinates[0] if kind == "Polygon" else coordinates,
        dtype=object,
    )
    degrees = np.array([[float(point[0]), float(point[1])] for point in line])
    plan = np.column_stack(plan_offset(found.latitude_deg, found.longitude_deg, degrees[:, 1], degrees[:, 0]))
    if (np.abs(plan).min(axis=0) > around_m).any():
        return None
    colour, stroke = _STYLE.get(str(said.get("kind")), ("black", "-"))
    style: dict[str, Any] = {"color": PALETTE.get(colour, colour), "linestyle": stroke, "linewidth": 1.3}
    artist: Artist
    if kind == "Point":
        radius_m = float(said.get("crown_radius_m", 0.3))
        artist = ax.add_patch(Circle(tuple(plan[0]), radius_m, fill=False, **style))
    elif kind == "Polygon":
        artist = ax.add_patch(Polygon(plan, fill=False, **style))
    else:
        artist = ax.plot(*plan.T, **style)[0]
    middle = plan.mean(axis=0)
    if np.abs(middle).max() < around_m:
        ax.annotate(
            _label(feature["id"], said), middle, ha="center", va="center", fontsize=7, zorder=5,
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )  # fmt: skip
    return artist


def _label(name: Any, said: Mapping[str, Any]) -> str:
    height = said.get("height_m")
    return f"{name}\n{height:.1f} m" if isinstance(height, int | float) else str(name)


def write_property_map(
    path: str | PathLike[str], found: FoundProperty, features: Sequence[Mapping[str, Any]]
) -> None:
    """The picture of a property as PNG, SVG or PDF, by the suffix of `path`."""
    figure = new_figure(8.0, 8.0)
    draw_property(figure.add_subplot(), found, features)
    save(path, figure)
