"""What can hurt somebody, in sentences, and when each is said. Nowhere else.

Every sentence defers to local codes and licensed practice. Nothing here computes a load or declares a place safe.

Sources, from memory: 29 CFR 1910.333(c)(3) and 29 CFR 1926.1408 Table A (OSHA; 10 ft, 3.05 m, from overhead lines up
to 50 kV); 29 CFR 1926.1053(b)(5)(i) (a ladder's foot a quarter of its working length out). RF: FCC OET Bulletin 65
(ed. 97-01), aperture antennas, equations (11) to (18); limits of 47 CFR 1.1310 above 1.5 GHz.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skysill.horizon.obstacles import Scene
from skysill.overhead import APPROACH_M, LINE_RANK, LineDistances, ladders_m, line_distances
from skysill.site import Mount, Roof, Survey, Terminal
from skysill.units import wavelength_m

__all__ = [
    "APPROACH_M",
    "PUBLIC_LIMIT_W_M2",
    "Caution",
    "Exposure",
    "cautions_for",
    "exposure",
    "general_cautions",
    "line_cautions",
    "lines_listed",
    "spot_cautions",
    "sun_caution",
]

PUBLIC_LIMIT_W_M2 = 10.0
"""Power density limit for the general population, 1.5 to 100 GHz, 30 minutes: 1.0 mW/cm2, 47 CFR 1.1310."""

WORKER_LIMIT_W_M2 = 50.0
"""The same for controlled (occupational) exposure, 6 minutes: 5.0 mW/cm2, 47 CFR 1.1310."""

EFFICIENCY = 0.65
"""Aperture efficiency where the data sheet's is not known: common practice for small dishes, no source."""

EDGE_M = 2.0
"""Nearer a roof's edge than this, a spot is called near it: common practice, no source."""

_KEEP = (
    f"keep {APPROACH_M:g} m (10 ft) from lines of up to 50 kV, more above that (29 CFR 1926.1408 Table A), ask the "
    "line's owner, and follow local codes."
)
_CODES = {
    "no-line": f"No overhead line is listed: look for overhead lines before raising anything; {_KEEP}",
    "lines": "Overhead lines: only the listed ones are checked; look for others before raising anything, mast, ladder "
    f"or pole; {_KEEP}",
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


def lines_listed(scene: Scene | None) -> bool:
    """Whether any overhead line is among the obstacles."""
    return scene is not None and any(o.kind == "wire" for o in scene.obstacles)


def general_cautions(
    terminal: Terminal, *, scene: Scene | None = None, raised: bool = True
) -> tuple[Caution, ...]:
    """What is said of every mount: overhead lines, falls where it is raised, working alone, lightning, wind, the beam.

    scene : to say whether any overhead line is listed
    """
    overhead = Caution("overhead", _CODES["lines" if lines_listed(scene) else "no-line"])
    codes = ("falls", "alone", "lightning", "wind") if raised else ("alone", "lightning", "wind")
    beam = _beam(terminal)
    return (overhead, *(Caution(code, _CODES[code]) for code in codes), *((beam,) if beam else ()))


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
    return (*found, *general_cautions(terminal, scene=scene, raised=on_roof or not low))


def spot_cautions(
    mount: Mount,
    *,
    scene: Scene | None,
    terminal: Terminal,
    roof: Roof | None = None,
    ground_elevation_m: float | None = None,
    survey: Survey | None = None,
    tallest_m: float | None = None,
) -> tuple[Caution, ...]:
    """What is said of this spot and of no other: lines nearby, and the roof's edge.

    Parameters
    ----------
    mount : with its surface_elevation_m
    scene : for its wires; None: nobody said whether there are any
    ground_elevation_m : for the ladder's foot
    survey : with the stated errors of the mount's place; default those of `Survey`
    tallest_m : tallest height of the dish centre that is offered there; default the taller of height_m, max_height_m

    Returns
    -------
    Cautions, the most pressing first
    """
    foot = [[mount.east_m, mount.north_m, np.nan if (z := mount.surface_elevation_m) is None else z]]
    tall_m = max(mount.height_m, mount.max_height_m or 0.0) if tallest_m is None else tallest_m
    near = line_distances(
        scene,
        foot,
        tall_m,
        dish_diameter_m=terminal.dish_diameter_m,
        ladders=ladders_m(roof, foot, ground_elevation_m),
        survey=survey,
    )
    found = list(line_cautions(near, 0))
    if roof is not None and _inside(roof.outline, mount.east_m, mount.north_m):
        edge_m = _edge_distance_m(roof.outline, mount.east_m, mount.north_m)
        if edge_m < EDGE_M:
            told = f"The spot is {edge_m:.1f} m from the roof's edge: no work there without fall protection."
            found.append(Caution("edge", told))
    return tuple(found)


def line_cautions(near: LineDistances, at: int) -> tuple[Caution, ...]:
    """What is said of one spot's overhead lines, one caution a line, the most pressing first; empty if none is near.

    near : distances of many spots; at : which of them

    >>> from skysill.horizon.obstacles import Scene, wire
    >>> scene = Scene((wire("service wire", [[-9, 1, 46.0], [9, 1, 46.0]]),))
    >>> line_cautions(line_distances(scene, [[0, 0, 42.0]], 3.0, dish_diameter_m=1.2), 0)[0].code
    'overhead-line'
    """
    pressing = np.lexsort((near.mast_m[at], ~near.too_near[at]))
    return tuple(
        _line_caution(near, at, int(k)) for k in pressing if near.too_near[at, k] or near.in_reach[at, k]
    )


def _line_caution(near: LineDistances, at: int, k: int) -> Caution:
    kept_m, tall_m = float(near.kept_m[k]), float(near.reach_m[at])
    mast_m, ladder_m = near.mast_m[at, k], near.ladder_m[at, k]
    stands = (
        (mast_m, f"from the mast with its dish ({tall_m:.1f} m high)"),
        (near.person_m[at, k], "from somebody who stands there and reaches out"),
        (ladder_m, "from somebody on the ladder"),
    )
    swings = (  # what stands too near already does so while it is raised
        (near.raising_m[at, k], mast_m, f"the mast ({tall_m:.1f} m long)"),
        (near.ladder_raising_m[at, k], ladder_m, "the ladder"),
    )
    told = [f"{away_m:.1f} m {what}" for away_m, what in stands if away_m < kept_m]
    tips = [
        f"{what} {'can touch it' if away_m <= 0.0 else f'can come within {away_m:.1f} m of it'} while it is raised"
        for away_m, standing_m, what in swings
        if away_m < kept_m <= standing_m
    ]
    parts = ([f"it passes {_joined(told)}"] if told else []) + ([_joined(tips)] if tips else [])
    flat = " (in plan: no elevation is known here)" if near.in_plan[at] else ""
    return Caution(
        LINE_RANK[2 if near.too_near[at, k] else 1],
        f'Overhead line "{near.names[k]}"{flat}: {"; ".join(parts)}. Keep {near.approach_m[k]:g} m and '
        f"{near.allowance_m[k]:.1f} m for the stated errors, or do not work there; ask the line's owner first.",
    )


def _joined(parts: Sequence[str]) -> str:
    return ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + parts[-1]


def _edge_distance_m(outline: tuple[tuple[float, float], ...], east_m: float, north_m: float) -> float:
    import shapely

    return float(shapely.Polygon(outline).exterior.distance(shapely.Point(east_m, north_m)))


def _inside(outline: tuple[tuple[float, float], ...], east_m: float, north_m: float) -> bool:
    import shapely

    return bool(shapely.Polygon(outline).covers(shapely.Point(east_m, north_m)))
