"""What can hurt somebody, in sentences, and when each is said. Nowhere else.

Every sentence defers to local codes and licensed practice. Nothing here computes a load or declares a place safe.

Sources, from memory: 29 CFR 1910.333(c)(3) and 29 CFR 1926.1408 Table A (OSHA; 10 ft, 3.05 m, from overhead lines up
to 50 kV); 29 CFR 1926.1053(b)(5)(i) (a ladder's foot a quarter of its working length out). RF: FCC OET Bulletin 65
(ed. 97-01), aperture antennas, equations (11) to (18); limits of 47 CFR 1.1310 above 1.5 GHz.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from skysill.horizon.obstacles import Scene
from skysill.site import Mount, Roof, Terminal
from skysill.units import Floats, wavelength_m

__all__ = [
    "APPROACH_M",
    "PUBLIC_LIMIT_W_M2",
    "Caution",
    "Exposure",
    "cautions_for",
    "exposure",
    "general_cautions",
    "spot_cautions",
    "sun_caution",
]

APPROACH_M = 3.05
"""Minimum approach distance to an overhead line of up to 50 kV: 10 ft, 29 CFR 1926.1408 Table A (from memory)."""

PUBLIC_LIMIT_W_M2 = 10.0
"""Power density limit for the general population, 1.5 to 100 GHz, 30 minutes: 1.0 mW/cm2, 47 CFR 1.1310."""

WORKER_LIMIT_W_M2 = 50.0
"""The same for controlled (occupational) exposure, 6 minutes: 5.0 mW/cm2, 47 CFR 1.1310."""

EFFICIENCY = 0.65
"""Aperture efficiency where the data sheet's is not known: common practice for small dishes, no source."""

EDGE_M = 2.0
"""Nearer a roof's edge than this, a spot is called near it: common practice, no source."""

_SLOPE = 0.25
_CODES = {
    "falls": "Falls: work on a roof, mast or ladder only with fall protection and by people trained for it; local "
    "codes and the site's own rules decide.",
    "alone": "Do not work alone: somebody on the ground should be able to call for help.",
    "lightning": "Lightning: mast and cable screen need bonding and surge protection by local electrical codes; leave "
    "it to a licensed electrician. Come down when thunder is heard.",
    "wind": "Wind and fixing: whether wall, roof and mast hold a dish in a storm is a structural question; no load is "
    "computed here. Ask a qualified person, and follow local building codes.",
    "sun": "Never look at the sun, not through the dish's feed or a sight either: use the shadow.",
}


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a code for programs, a sentence for people."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Exposure:
    """Power densities in front of a dish, W/m2, and where the regions meet, m.

    surface : at the reflector, 4 P / A; near : the most in the tube before it, 16 eta P / (pi D**2)
    near_end_m : D**2 / (4 lambda); far_start_m : 0.6 D**2 / lambda
    """

    surface_w_m2: float
    near_w_m2: float
    near_end_m: float
    far_start_m: float


def exposure(
    power_w: float, *, dish_diameter_m: float, frequency_ghz: float, efficiency: float = EFFICIENCY
) -> Exposure:
    """Power density before a transmitting dish, FCC OET Bulletin 65 (ed. 97-01), eqs. (11), (13), (12), (16).

    >>> exposure(3.0, dish_diameter_m=1.2, frequency_ghz=29.5, efficiency=0.6).surface_w_m2  # doctest: +ELLIPSIS
    10.610...
    """
    square = dish_diameter_m**2
    wave_m = float(wavelength_m(frequency_ghz))
    return Exposure(
        surface_w_m2=4.0 * power_w / (np.pi * square / 4.0),
        near_w_m2=16.0 * efficiency * power_w / (np.pi * square),
        near_end_m=square / (4.0 * wave_m),
        far_start_m=0.6 * square / wave_m,
    )


def sun_caution() -> Caution:
    """Said wherever the sun is used as a mark."""
    return Caution("sun", _CODES["sun"])


def general_cautions(terminal: Terminal, *, raised: bool = True) -> tuple[Caution, ...]:
    """What is said of every mount: falls where it is raised, working alone, lightning, wind, and the beam."""
    codes = ("falls", "alone", "lightning", "wind") if raised else ("alone", "lightning", "wind")
    beam = _beam(terminal)
    return tuple(Caution(code, _CODES[code]) for code in codes) + ((beam,) if beam else ())


def _beam(terminal: Terminal) -> Caution | None:
    """RF exposure; None for a terminal that only receives."""
    if terminal.transmit_ghz is None and terminal.transmit_power_w is None:
        return None
    told = "switch the transmitter off before reaching before the dish, and follow its data sheet and local limits"
    if terminal.transmit_power_w is None or terminal.transmit_ghz is None:
        return Caution(
            "rf", f"Transmitter: stay out of the beam and {told}; its power was not given, so no figure is."
        )
    found = exposure(
        terminal.transmit_power_w,
        dish_diameter_m=terminal.dish_diameter_m,
        frequency_ghz=terminal.transmit_ghz,
    )
    most = max(found.surface_w_m2, found.near_w_m2)
    how = "above" if most > PUBLIC_LIMIT_W_M2 else "within"
    return Caution(
        "rf",
        f"Transmitter: up to {found.surface_w_m2:.1f} W/m² at the reflector and {found.near_w_m2:.1f} W/m² in the tube "
        f"before it out to {found.near_end_m:.0f} m (OET 65, ed. 97-01), {how} the {PUBLIC_LIMIT_W_M2:g} W/m² for the "
        f"public (47 CFR 1.1310); near the feed it is more. Stay out of the beam; {told}.",
    )


def cautions_for(
    mount: Mount,
    *,
    scene: Scene | None,
    terminal: Terminal,
    roof: Roof | None = None,
    ground_elevation_m: float | None = None,
) -> tuple[Caution, ...]:
    """What is said of one mount: `spot_cautions`, then `general_cautions`; parameters as there."""
    found = spot_cautions(
        mount, scene=scene, terminal=terminal, roof=roof, ground_elevation_m=ground_elevation_m
    )
    surface_m = mount.surface_elevation_m
    low = surface_m is not None and ground_elevation_m is not None
    low = low and mount.height_m + (surface_m or 0.0) - (ground_elevation_m or 0.0) <= EDGE_M
    on_roof = roof is not None and _inside(roof.outline, mount.east_m, mount.north_m)
    return (*found, *general_cautions(terminal, raised=on_roof or not low))


def spot_cautions(
    mount: Mount,
    *,
    scene: Scene | None,
    terminal: Terminal,
    roof: Roof | None = None,
    ground_elevation_m: float | None = None,
) -> tuple[Caution, ...]:
    """What is said of this spot and of no other: lines nearby, and the roof's edge.

    Parameters
    ----------
    mount : with its surface_elevation_m; its mast is taken at the taller of height_m and max_height_m
    scene : for its wires; None: nobody said whether there are any
    ground_elevation_m : for the ladder's foot

    Returns
    -------
    Cautions, the most pressing first
    """
    found = list(_lines(mount, scene, terminal, roof, ground_elevation_m))
    if roof is not None and _inside(roof.outline, mount.east_m, mount.north_m):
        edge_m = _edge_distance_m(roof.outline, mount.east_m, mount.north_m)[0]
        if edge_m < EDGE_M:
            told = f"The spot is {edge_m:.1f} m from the roof's edge: no work there without fall protection."
            found.append(Caution("edge", told))
    return tuple(found)


def _lines(
    mount: Mount, scene: Scene | None, terminal: Terminal, roof: Roof | None, ground_m: float | None
) -> Iterable[Caution]:
    """Wires near the mast at its full height, or near the ladder to the roof."""
    wires = [] if scene is None else [o for o in scene.obstacles if o.kind == "wire"]
    if not wires or mount.surface_elevation_m is None:
        return
    tall_m = max(mount.height_m, mount.max_height_m or 0.0) + terminal.dish_diameter_m / 2.0
    foot = np.array([mount.east_m, mount.north_m, mount.surface_elevation_m])
    mast = np.stack([foot, foot + np.array([0.0, 0.0, tall_m])])
    ladder = _ladder(mount, roof, ground_m)
    rule = (
        f"Keep {APPROACH_M:g} m (10 ft) from lines of up to 50 kV, more above that (29 CFR 1926.1408 Table A)"
    )
    ask = "ask the line's owner first, and follow local codes."
    for wire in wires:
        near_m = _apart_m(mast, wire.line_m)
        if near_m < APPROACH_M:
            text = f'"{wire.name}" passes {near_m:.1f} m from the mast at {tall_m:.1f} m. {rule}; {ask}'
            yield Caution("overhead-line", text)
        elif near_m < APPROACH_M + tall_m:
            text = f'"{wire.name}" passes {near_m:.1f} m from the mast: one of {tall_m:.1f} m that tips could come too '
            yield Caution("overhead-line-reach", f"{text}near while it is raised. {rule}; {ask}")
        if ladder is not None and (close_m := _apart_m(ladder, wire.line_m)) < APPROACH_M:
            text = (
                f'"{wire.name}" passes {close_m:.1f} m from where the ladder would stand: put it elsewhere.'
            )
            yield Caution("overhead-line-ladder", f"{text} {rule}; {ask}")


def _ladder(mount: Mount, roof: Roof | None, ground_m: float | None) -> Floats | None:
    """A ladder (2, 3) from its foot to the eaves nearest the mount, a quarter of its height out; None off a roof."""
    if roof is None or ground_m is None or not _inside(roof.outline, mount.east_m, mount.north_m):
        return None
    _, (east_m, north_m), outward = _edge_distance_m(roof.outline, mount.east_m, mount.north_m)
    eaves_m = min((z for *_, z in roof.surface), default=mount.surface_elevation_m or ground_m)
    out = np.asarray(outward) * max(eaves_m - ground_m, 0.0) * _SLOPE
    return np.array([[east_m + out[0], north_m + out[1], ground_m], [east_m, north_m, eaves_m]])


def _edge_distance_m(
    outline: tuple[tuple[float, float], ...], east_m: float, north_m: float
) -> tuple[float, tuple[float, float], tuple[float, float]]:
    """Distance to the nearest edge, the point on it, and the unit vector out of the roof there."""
    import shapely

    ring = shapely.Polygon(outline).exterior
    spot = shapely.Point(east_m, north_m)
    on = ring.interpolate(ring.project(spot))
    gap = np.array([on.x - east_m, on.y - north_m])
    away = float(np.linalg.norm(gap))
    outward = gap / away if away > 1e-9 else np.zeros(2)
    return away, (float(on.x), float(on.y)), (float(outward[0]), float(outward[1]))


def _inside(outline: tuple[tuple[float, float], ...], east_m: float, north_m: float) -> bool:
    import shapely

    return bool(shapely.Polygon(outline).covers(shapely.Point(east_m, north_m)))


def _apart_m(segment: Floats, line: Floats) -> float:
    """Least distance between a segment (2, 3) and a polyline (vertex, 3).

    Between two segments it is at an end of one of them unless both inner parameters of the common normal are inside.
    """
    p, u = segment[0], segment[1] - segment[0]
    q, v = line[:-1], np.diff(line, axis=0)
    least = [_from_points(line, p, u), *(_from_points(end[None], q, v) for end in segment)]
    w = p - q
    uu, uv, vv = u @ u, v @ u, np.einsum("ij,ij->i", v, v)
    wu, wv = w @ u, np.einsum("ij,ij->i", w, v)
    det = uu * vv - uv**2
    good = det > 1e-12
    safe = np.where(good, det, 1.0)
    s, t = (uv * wv - vv * wu) / safe, (uu * wv - uv * wu) / safe
    good &= (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1)
    gap = w + s[:, None] * u - t[:, None] * v
    least.append(float(np.linalg.norm(gap[good], axis=1).min()) if good.any() else np.inf)
    return min(least)


def _from_points(points: Floats, start: Floats, along: Floats) -> float:
    """Least distance of points (n, 3) from segments that start at (..., 3) and run along (..., 3)."""
    start, along = np.atleast_2d(start), np.atleast_2d(along)
    gap = points[:, None, :] - start
    share = np.einsum("nsi,si->ns", gap, along) / np.maximum(np.einsum("si,si->s", along, along), 1e-24)
    gap = gap - np.clip(share, 0.0, 1.0)[..., None] * along
    return float(np.sqrt(np.einsum("nsi,nsi->ns", gap, gap)).min())
