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
from skysill.geodesy.positions import plan_offset
from skysill.plots.labels import Label, place_labels
from skysill.plots.plan_symbols import add_north_and_scale
from skysill.plots.theme import PALETTE, THEME, new_figure, save

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
    drawn: dict[str, Artist] = {}
    labels = [Label("site", 0.0, 0.0, toward_deg=-45.0, size_pt=THEME.small_pt)]
    for feature in features:
        plan = _plan(feature, found)
        if (np.abs(plan).min(axis=0) > around_m).any():
            continue
        drawn[str(feature["id"])] = _obstacle(ax, feature, plan)
        east_m, north_m = plan.mean(axis=0)
        if max(abs(east_m), abs(north_m)) < around_m:
            said = feature["properties"]
            labels.append(Label(_label(feature["id"], said), east_m, north_m, size_pt=THEME.small_pt))
    ax.plot(0.0, 0.0, marker="+", markersize=12, markeredgewidth=2.0, color="black", zorder=6)
    ax.set(
        xlim=(-around_m, around_m),
        ylim=(-around_m, around_m),
        aspect="equal",
        xlabel="metres east of the site",
        ylabel="metres north of the site",
        title=f"{found.name}: found in the data",
    )
    place_labels(ax, labels, keep_clear=add_north_and_scale(ax, 10.0, THEME))
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


def _plan(feature: Mapping[str, Any], found: FoundProperty) -> NDArray[np.float64]:
    """(n, 2) metres east and north of the site of a feature's corners, of a polygon those of its outline."""
    kind, coordinates = feature["geometry"]["type"], feature["geometry"]["coordinates"]
    line = [coordinates] if kind == "Point" else coordinates[0] if kind == "Polygon" else coordinates
    degrees = np.array([point[:2] for point in line], dtype=np.float64)
    return np.column_stack(plan_offset(found.latitude_deg, found.longitude_deg, degrees[:, 1], degrees[:, 0]))


def _obstacle(ax: Axes, feature: Mapping[str, Any], plan: NDArray[np.float64]) -> Artist:
    kind, said = feature["geometry"]["type"], feature["properties"]
    colour, stroke = _STYLE.get(str(said.get("kind")), ("black", "-"))
    style: dict[str, Any] = {"color": PALETTE.get(colour, colour), "linestyle": stroke, "linewidth": 1.3}
    if kind == "Point":
        return ax.add_patch(
            Circle(tuple(plan[0]), float(said.get("crown_radius_m", 0.3)), fill=False, **style)
        )
    if kind == "Polygon":
        return ax.add_patch(Polygon(plan, fill=False, **style))
    return ax.plot(*plan.T, **style)[0]


def _label(name: Any, said: Mapping[str, Any]) -> str:
    height = said.get("height_m")
    return f"{name} {height:.1f} m" if isinstance(height, int | float) else str(name)


def write_property_map(
    path: str | PathLike[str], found: FoundProperty, features: Sequence[Mapping[str, Any]]
) -> None:
    """The picture of a property as PNG, SVG or PDF, by the suffix of `path`."""
    figure = new_figure(8.0, 8.0)
    draw_property(figure.add_subplot(), found, features)
    save(path, figure)
