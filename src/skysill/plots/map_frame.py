"""The frame of a map in longitude and latitude: its edges, metres in it, shaded ground, north arrow, scale bar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.image import AxesImage

from skysill.io.backdrops import Backdrop
from skysill.plots.hillshade import hillshade
from skysill.plots.labels import add_text
from skysill.plots.theme import Theme
from skysill.units import Bools, Floats, Ints

__all__ = ["MapFrame", "add_backdrop", "add_north_arrow", "add_scale_bar", "frame_around"]

_DEGREE_M = 111_320.0
_LEAST_M = 200.0
_UNDER = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}


@dataclass(frozen=True, slots=True)
class MapFrame:
    """Edges of a map in degrees, and the size at which it is drawn."""

    west: float
    east: float
    south: float
    north: float
    width_in: float

    @property
    def per_east_m(self) -> float:
        """Degrees of longitude a metre, at the middle."""
        cosine = max(float(np.cos(np.deg2rad((self.south + self.north) / 2.0))), 0.02)
        return 1.0 / (_DEGREE_M * cosine)

    @property
    def width_m(self) -> float:
        return (self.east - self.west) / self.per_east_m

    @property
    def height_m(self) -> float:
        return (self.north - self.south) * _DEGREE_M

    def holds(self, latitude: Floats, longitude: Floats) -> Bools:
        """(n,) whether places are inside."""
        inside = (latitude >= self.south) & (latitude <= self.north)
        return np.asarray(inside & (longitude >= self.west) & (longitude <= self.east))

    def metres(self, latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
        """(n,), (n,) metres north and east of the south-west corner."""
        return (latitude - self.south) * _DEGREE_M, (longitude - self.west) / self.per_east_m

    def cell_of(self, latitude: Floats, longitude: Floats, cells: int) -> tuple[Ints, Ints]:
        """(n,), (n,) numbers of the square cells, `cells` across the width, that hold places."""
        side_m = self.width_m / cells
        north_m, east_m = self.metres(latitude, longitude)
        across = np.clip(np.floor(east_m / side_m), 0, cells - 1).astype(np.int64)
        return across, np.maximum(np.floor(north_m / side_m), 0).astype(np.int64)

    def around(self, north_m: float, east_m: float, half_m: float, width_in: float) -> MapFrame:
        """A square part of the frame."""
        latitude, longitude = self.south + north_m / _DEGREE_M, self.west + east_m * self.per_east_m
        high, wide = half_m / _DEGREE_M, half_m * self.per_east_m
        return MapFrame(longitude - wide, longitude + wide, latitude - high, latitude + high, width_in)

    def set_on(self, ax: Axes) -> None:
        ax.set_xlim(self.west, self.east)
        ax.set_ylim(self.south, self.north)
        ax.set_aspect(self.per_east_m * _DEGREE_M, adjustable="box")


def frame_around(latitude: Floats, longitude: Floats, width_in: float, height_in: float) -> MapFrame:
    """The frame of places with some room around them, widened to the shape of its Axes; height_in 0: not widened."""
    if not latitude.size:
        latitude, longitude = np.zeros(1), np.zeros(1)
    low, high = np.array([latitude.min(), longitude.min()]), np.array([latitude.max(), longitude.max()])
    middle = (low + high) / 2.0
    per_east_m = 1.0 / (_DEGREE_M * max(float(np.cos(np.deg2rad(middle[0]))), 0.02))
    high_m, wide_m = np.maximum((high - low) / [1.0 / _DEGREE_M, per_east_m] * 1.1, _LEAST_M)
    if height_in:
        ratio = height_in / width_in
        wide_m, high_m = max(wide_m, high_m / ratio), max(high_m, wide_m * ratio)
    half_north, half_east = high_m / 2.0 / _DEGREE_M, wide_m / 2.0 * per_east_m
    return MapFrame(
        float(middle[1] - half_east), float(middle[1] + half_east), float(middle[0] - half_north),
        float(middle[0] + half_north), width_in,
    )  # fmt: skip


def add_backdrop(ax: Axes, backdrop: Backdrop) -> AxesImage:
    """Draw shaded ground in light greys, lit from the north-west; what no raster knows stays white and is hatched."""
    values = backdrop.elevation_m
    rows, columns = values.shape
    middle_rad = np.deg2rad((backdrop.south + backdrop.north) / 2.0)
    east_m = (backdrop.east - backdrop.west) / columns * _DEGREE_M * max(float(np.cos(middle_rad)), 0.02)
    rise = np.hypot(*np.gradient(values, east_m))  # cells are about square
    steep = float(np.nanpercentile(rise, 95)) if np.isfinite(rise).any() else 0.0
    factor = float(np.clip(0.7 / steep, 1.0, 8.0)) if steep > 0.0 else 1.0  # gentle ground would show nothing
    light = hillshade(factor * values, east_m)
    edges = (backdrop.west, backdrop.east, backdrop.south, backdrop.north)
    kept = ax.get_xlim(), ax.get_ylim(), ax.get_aspect()
    image = ax.imshow(
        np.clip(light, 0.0, 1.0),
        cmap="gray",
        vmin=-1.2,
        vmax=0.95,
        extent=edges,
        zorder=0,
        interpolation="bilinear",
    )
    unknown = ~np.isfinite(values)
    if unknown.any():
        longitude = np.linspace(backdrop.west, backdrop.east, columns)
        latitude = np.linspace(backdrop.north, backdrop.south, rows)
        ax.contourf(longitude, latitude, unknown.astype(float), levels=[0.5, 1.5], colors="none", hatches=["...."],
                    zorder=1)  # fmt: skip
    ax.set_xlim(kept[0])
    ax.set_ylim(kept[1])
    ax.set_aspect(kept[2])
    return image


def add_north_arrow(ax: Axes, theme: Theme) -> None:
    """A north arrow at the top right."""
    ax.annotate("", (0.95, 0.97), (0.95, 0.85), xycoords="axes fraction", zorder=30,
                arrowprops={"arrowstyle": "-|>", "color": theme.text, "lw": 1.4})  # fmt: skip
    add_text(ax, 0.95, 0.835, "N", size=theme.body_pt, weight="bold", ha="center", va="top", zorder=30,
             transform=ax.transAxes, bbox=_UNDER)  # fmt: skip


def add_scale_bar(ax: Axes, frame: MapFrame, theme: Theme) -> None:
    """A bar of a round length, up to a quarter of the width, at the bottom left."""
    most_m = frame.width_m / 4.0
    unit_m = 10.0 ** np.floor(np.log10(most_m))
    length_m = float(unit_m * max(n for n in (1, 2, 5) if n * unit_m <= most_m * 1.0001))
    share, left, low = length_m / frame.width_m, 0.04, 0.045
    ax.plot([left, left + share], [low, low], transform=ax.transAxes, color="white", linewidth=5.5, zorder=29,
            solid_capstyle="butt")  # fmt: skip
    ax.plot([left, left + share], [low, low], transform=ax.transAxes, color=theme.text, linewidth=2.5, zorder=30,
            solid_capstyle="butt")  # fmt: skip
    text = f"{length_m / 1000.0:g} km" if length_m >= 1000.0 else f"{length_m:g} m"
    add_text(ax, left + share / 2.0, low + 0.02, text, size=theme.small_pt, ha="center", va="bottom", zorder=28,
             transform=ax.transAxes, bbox=_UNDER)  # fmt: skip
