"""What can hurt somebody, in sentences, and when each is said. Nowhere else.

Every sentence defers to local codes and licensed practice. Nothing here computes a load or declares a place safe.
docs/sources.md lists the source of each by its code.

Sources, from memory: 29 CFR 1910.333(c)(3) and 29 CFR 1926.1408 Table A (OSHA; 10 ft, 3.05 m, from overhead lines up
to 50 kV); 29 CFR 1926.1053(b) (ladders); 29 CFR 1910.269(r) (trees at lines). Exposure: see `exposure`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from skysill.assessment.overhead_lines import (
    APPROACH_M,
    LINE_RANK,
    LineDistances,
    ladders_m,
    line_distances,
    lines_listed,
    trees_at_lines,
)
from skysill.model.scene import Scene
from skysill.model.site import Mount, Roof, Terminal
from skysill.model.survey import Survey
from skysill.pointing.look_vector import LookVector
from skysill.pointing.sun import SunNear, sun_near
from skysill.radio.exposure import beam_limit_m, exposure, public_limit

__all__ = [
    "EDGE_M",
    "SENTENCES",
    "Caution",
    "Offered",
    "beam_caution",
    "cautions_for",
    "general_cautions",
    "line_cautions",
    "lines_listed",
    "spot_cautions",
    "sun_caller_caution",
    "sun_caution",
    "sun_cautions",
    "sun_near_caution",
]

EDGE_M = 2.0
"""Nearer a roof's edge than this is near it; lower than this, nobody falls far: common practice, no source."""

_KEEP = (
    f"keep {APPROACH_M:g} m (10 ft) from lines of up to 50 kV, more above that (29 CFR 1926.1408 Table A), ask the "
    "line's owner, and follow local codes."
)
SENTENCES = {
    "no-line": f"No overhead line is listed: look for overhead lines before raising anything; {_KEEP}",
    "lines": "Overhead lines: only the listed ones are checked; look for others before raising anything, mast, ladder "
    f"or pole; {_KEEP}",
    "falls": "Falls: work on a roof, mast or ladder only with fall protection and by people trained for it; local "
    "codes and the site's own rules decide.",
    "ladder": "Ladder: on firm level ground, its foot a quarter of its height out, 0.9 m (3 ft) above the landing, "
    "tied at the top (29 CFR 1926.1053), and never of metal near a line; local codes decide.",
    "fragile": "Fragile roofs: take rooflights, old sheets and slates as unable to carry a person until somebody who "
    "knows the roof says otherwise; follow local codes.",
    "solar": "Solar panels: their wiring is live in daylight even when switched off; do not step on, drill near or "
    "undo it, and leave it to a licensed electrician.",
    "below": "People below: close off the ground under the work and tie tools on; a pavement or other public way needs "
    "barriers and, by local rules, often a permit.",
    "tree": "Tree work: cutting at height is for a qualified tree worker, with the tree's owner and, where it is "
    "protected, the local authority asked first.",
    "tree-line": "Trees at an overhead line ({names}): nobody but the line's owner, or people he sends, cuts there "
    "(29 CFR 1910.269(r)); ask the line's owner.",
    "alone": "Do not work alone: somebody on the ground should be able to call for help.",
    "lightning": "Lightning: mast and cable screen need bonding and surge protection by local electrical codes; leave "
    "it to a licensed electrician. Come down when thunder is heard.",
    "wind": "Wind and fixing: whether wall, roof and mast hold a dish in a storm is a structural question; no load is "
    "computed here. Ask a qualified person, and follow local building codes.",
    "entry": "Cable entry: look for wires and pipes in the wall before drilling, let the cable hang in a loop below "
    "the hole, and seal it against water and, by local codes, fire.",
    "sun": "Never look at the sun, not through a sight or the dish's feed either: turn your back to it and lay a "
    "straightedge along the shadow.",
    "sun-caller": "Do not look at the sun itself.",
}
"""What is said, by code; `line_cautions`, `beam_caution` and `sun_near_caution` put figures into theirs."""


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    code : for programs; text : a sentence for people
    """

    code: str
    text: str


class Offered(Protocol):
    """What a remedy says that matters here."""

    @property
    def action(self) -> str: ...
    @property
    def to_height_m(self) -> float | None: ...
    @property
    def to_east_m(self) -> float | None: ...
    @property
    def to_north_m(self) -> float | None: ...
    @property
    def to_surface_elevation_m(self) -> float | None: ...


def sun_caution() -> Caution:
    """Said wherever the sun is used as a mark."""
    return _caution("sun")


def sun_caller_caution() -> Caution:
    """Said to people on the telephone who are told the direction by the sun."""
    return _caution("sun-caller")


def _caution(code: str) -> Caution:
    return Caution(code, SENTENCES[code])


def sun_near_caution(found: Sequence[SunNear], zone: dt.tzinfo) -> Caution | None:
    """The minutes when the sun stands near each satellite: on the day asked, else on the worst day of the next season.

    found : one a satellite, of one day; None where the sun comes near none of them
    """

    def span(start: dt.datetime, stop: dt.datetime) -> str:
        return f"{start.astimezone(zone):%H:%M} to {stop.astimezone(zone):%H:%M}"

    def advice(near: SunNear) -> str:
        if near.spans:
            day = f"{near.first_utc.astimezone(zone):%Y-%m-%d}"
            return f"{near.satellite} on {day} from {' and '.join(span(*one) for one in near.spans)}"
        season = near.season
        assert season is not None
        half = dt.timedelta(minutes=season.longest_outage_min / 2.0)
        first, last, peak = (
            moment.astimezone(zone) for moment in (season.season_start, season.season_end, season.peak_time)
        )
        most = f"on {peak:%Y-%m-%d} from {span(peak - half, peak + half)}"
        return f"{near.satellite} from {first:%Y-%m-%d} to {last:%Y-%m-%d}, {most}"

    named = [advice(near) for near in found if near.spans or near.season is not None]
    if not named:
        return None
    letters = found[0].first_utc.astimezone(zone).tzname() or ""
    if not letters.isalpha():
        letters = f"UTC{found[0].first_utc.astimezone(zone).isoformat()[-6:]}"
    return Caution(
        "sun-near",
        "Sun: do not look towards a satellite, nor through an instrument, while the sun stands within "
        f"{found[0].within_deg:g} degrees of it: {'; '.join(named)} ({letters}).",
    )


def sun_cautions(
    place: tuple[float, float, float],
    looks: Sequence[LookVector],
    first_utc: dt.datetime | None,
    zone: dt.tzinfo,
) -> tuple[Caution, ...]:
    """Said where people sight at the sky on a day: the sun itself, and when it stands near each satellite.

    Parameters
    ----------
    place : latitude and longitude, degrees, height, m
    looks : to satellites that stand still
    first_utc : when the day begins; None: no day is known, and no minutes are named
    """
    if first_utc is None:
        return (sun_caution(),)
    near = [
        sun_near(
            place,
            look.satellite,
            azimuth_deg=look.azimuth_deg,
            elevation_deg=look.elevation_apparent_deg,
            first_utc=first_utc,
        )
        for look in looks
        if look.visible
    ]
    minutes = sun_near_caution(near, zone)
    return (sun_caution(),) if minutes is None else (sun_caution(), minutes)


def general_cautions(
    terminal: Terminal,
    *,
    scene: Scene | None = None,
    roof: Roof | None = None,
    raised: bool = True,
    on_roof: bool = True,
    tree_work: bool = False,
) -> tuple[Caution, ...]:
    """What is said of every mount of a kind, the most pressing first.

    Parameters
    ----------
    scene : to say whether any overhead line is listed, and which trees stand at one
    raised : whether somebody works over 2 m up: falls, ladder, people below
    on_roof : whether the spot is on a roof, or may be: fragile parts, solar panels where they are known of
    tree_work : whether a tree is to be cut
    """
    codes = ["lines" if lines_listed(scene) else "no-line"]
    codes += ["falls", "ladder"] if raised else []
    codes += ["fragile"] if raised and on_roof else []
    codes += ["solar"] if on_roof and _panels(scene, roof) else []
    codes += ["below"] if raised else []
    codes += ["tree"] if tree_work else []
    found = [_caution(code) for code in codes]
    if tree_work and (names := trees_at_lines(scene)):
        found.append(Caution("tree-line", SENTENCES["tree-line"].format(names=", ".join(names))))
    found += [_caution(code) for code in ("alone", "lightning", "wind")]
    if roof is not None and roof.cable_entry is not None:
        found.append(_caution("entry"))
    beam = beam_caution(terminal)
    return (*found, *((beam,) if beam else ()))


def _panels(scene: Scene | None, roof: Roof | None) -> bool:
    """Whether solar panels are known of: areas kept out of the roof may be some; else by name."""
    named = () if scene is None else (o.name.lower() for o in scene.obstacles)
    return bool(roof is not None and roof.keep_out) or any(
        re.search(r"solar|panel|photovoltaic|\bpv\b", name) for name in named
    )


def beam_caution(terminal: Terminal) -> Caution | None:
    """Exposure to the beam; None for a terminal of which the user says that it only receives."""
    if terminal.receive_only:
        return None
    advice = (
        "switch the transmitter off before reaching in front of the dish, and follow its data sheet and "
        "local limits"
    )
    if terminal.transmit_power_w is None or terminal.transmit_ghz is None:
        lacks = {"its power": terminal.transmit_power_w, "its frequency": terminal.transmit_ghz}
        missing = [name for name, value in lacks.items() if value is None]
        return Caution(
            "rf",
            f"Transmitter: {' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} not given, so no figure is. "
            f"Stay out of the beam; {advice}. If the terminal only receives, say receive_only = true.",
        )
    asked = {"dish_diameter_m": terminal.dish_diameter_m, "frequency_ghz": terminal.transmit_ghz}
    limit = public_limit(terminal.transmit_ghz)
    found = exposure(terminal.transmit_power_w, **asked)
    away_m = beam_limit_m(terminal.transmit_power_w, **asked, limit_w_m2=limit.density_w_m2)
    within = (
        f"the {limit.density_w_m2:.3g} W/m² for the public at {terminal.transmit_ghz:g} GHz ({limit.source})"
    )
    if away_m > 0.0:
        how = f"above {within} and down to it {away_m:.0f} m in front of the dish"
    elif found.surface_w_m2 > limit.density_w_m2:
        how = f"above {within} at the reflector itself and below it in the tube"
    else:
        how = f"within {within}"
    return Caution(
        "rf",
        f"Transmitter: up to {found.surface_w_m2:.1f} W/m² at the reflector and {found.near_w_m2:.1f} W/m² in the tube "
        f"in front of it out to {found.near_end_m:.0f} m (OET 65, ed. 97-01), {how}; near the feed it is more. Stay "
        f"out of the beam; {advice}.",
    )


def cautions_for(
    mount: Mount,
    *,
    scene: Scene | None,
    terminal: Terminal,
    roof: Roof | None = None,
    ground_elevation_m: float | None = None,
    survey: Survey | None = None,
    remedies: Sequence[Offered] = (),
) -> tuple[Caution, ...]:
    """What is said of one mount: `spot_cautions`, then `general_cautions`; parameters as there.

    remedies : that are offered for it: their heights and places count as the mount's own, and cutting trees is said
    """
    heights = [r.to_height_m for r in remedies if r.action == "raise" and r.to_height_m is not None]
    tall_m = max(mount.height_m, mount.max_height_m or 0.0, *heights)
    found = spot_cautions(
        mount,
        scene=scene,
        terminal=terminal,
        roof=roof,
        ground_elevation_m=ground_elevation_m,
        survey=survey,
        tallest_m=tall_m,
    )
    places = [(mount.east_m, mount.north_m, mount.surface_elevation_m)]
    places += [
        (r.to_east_m, r.to_north_m, r.to_surface_elevation_m)
        for r in remedies
        if r.to_east_m is not None and r.to_north_m is not None
    ]
    on_roof = roof is not None and any(
        _inside(roof.outline, east_m, north_m) for east_m, north_m, _ in places
    )
    surfaces = [surface_m for *_, surface_m in places if surface_m is not None]
    known = len(surfaces) == len(places) and ground_elevation_m is not None
    stands_m = max(surfaces, default=0.0) - (ground_elevation_m or 0.0)
    low = known and not on_roof and stands_m + max([mount.height_m, *heights]) <= EDGE_M
    return (
        *found,
        *general_cautions(
            terminal,
            scene=scene,
            roof=roof,
            raised=not low,
            on_roof=on_roof or not known or stands_m > EDGE_M,
            tree_work=any(r.action == "trim" for r in remedies),
        ),
    )


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
            advice = (
                f"The spot is {edge_m:.1f} m from the roof's edge: no work there without fall protection."
            )
            found.append(Caution("edge", advice))
    return tuple(found)


def line_cautions(near: LineDistances, at: int) -> tuple[Caution, ...]:
    """What is said of one spot's overhead lines, one caution a line, the most pressing first; empty if none is near.

    near : distances of many spots; at : which of them

    >>> from skysill.model.obstacle_builders import wire
    >>> from skysill.model.scene import Scene
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
    advice = [f"{away_m:.1f} m {what}" for away_m, what in stands if away_m < kept_m]
    tips = [
        f"{what} {'can touch it' if away_m <= 0.0 else f'can come within {away_m:.1f} m of it'} while it is raised"
        for away_m, standing_m, what in swings
        if away_m < kept_m <= standing_m
    ]
    parts = ([f"it passes {_joined(advice)}"] if advice else []) + ([_joined(tips)] if tips else [])
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
