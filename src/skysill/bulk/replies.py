"""What callers say stands towards the satellite, and what that does to the verdict of their address.

A reply is a guess by eye. It never makes a verdict better, and no verdict becomes `clear` by it: nobody has measured
the rest of the surroundings. It can make `needs-survey` to `marginal`, and to `blocked` where the guess, with its wide
errors, leaves as little doubt as `clear` asks for on the other side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from skysill.assessment.confidence import confidence
from skysill.assessment.growth import sources_after_growth
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import place
from skysill.assessment.verdict import RANK, Verdict
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.errors import InputError
from skysill.model.default_errors import (
    DISTANCE,
    GROWTH_M_PER_YEAR,
    GUESSED_HEIGHT,
    MOUNT_HEIGHT_ERROR_M,
    ObstacleError,
)
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import wall
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import Mount, Site
from skysill.units import Floats

__all__ = [
    "REPLY_NUMBERS",
    "REPLY_TEXTS",
    "THINGS",
    "Reply",
    "Thing",
    "add_replies",
    "guess_errors",
    "judged_reply",
]

Thing = Literal["tree", "hedge", "building", "other", "nothing"]

THINGS: tuple[Thing, ...] = ("tree", "hedge", "building", "other", "nothing")
"""What a caller may name. `nothing`: nothing as high as was asked."""

REPLY_NUMBERS = {"answer_p_room": 2}
REPLY_TEXTS = ("answer",)
"""Columns that `add_replies` fills: numbers with their decimal places, and texts."""

_HALF_SECTOR_DEG = 11.25
_SAMPLES, _SEED = 4000, 20261126


@dataclass(frozen=True, slots=True)
class Reply:
    """One thing that a caller named.

    thing : what it is
    height_m : of its top above the ground at the house; distance_m : level distance from the dish; 0 for `nothing`
    satellite : name of the satellite whose direction was asked about; "": the only one
    """

    thing: Thing
    height_m: float = 0.0
    distance_m: float = 0.0
    satellite: str = ""

    @property
    def text(self) -> str:
        """As it is written in the output."""
        if self.thing == "nothing":
            return "nothing"
        return f"{self.thing} {self.height_m:g} m high, {self.distance_m:g} m away"


@dataclass(frozen=True, slots=True)
class JudgedReply:
    """What the replies about one address and satellite come to.

    verdict : `needs-survey`, `marginal` or `blocked`
    p_room : probability that what was named, with the terrain, leaves the required room; None where nothing was named
    p_met : probability that it stands in the centre ray today; None likewise
    """

    verdict: Verdict
    p_room: float | None
    p_met: float | None


def guess_errors(reply: Reply) -> ObstacleError:
    """Standard errors of a thing that was guessed by eye.

    Across the line there is none: the thing is taken to fill the whole compass point it was asked for in.

    >>> errors = guess_errors(Reply("tree", 10.0, 20.0))
    >>> round(errors.height_m, 2), errors.along_m, errors.across_m
    (3.04, 6.0, 0.0)
    """
    far = DISTANCE["estimate"]
    return ObstacleError(
        float(np.hypot(GUESSED_HEIGHT.sigma_m, GUESSED_HEIGHT.fraction * reply.height_m)),
        float(np.hypot(far.sigma_m, far.fraction * reply.distance_m)),
        0.0,
        "a guess by eye",
    )


def judged_reply(job: Job, mount: Mount, replies: Sequence[Reply]) -> JudgedReply | None:
    """The replies of one caller judged by the pipeline: each thing is an obstacle with the errors of a guess.

    Parameters
    ----------
    job : the site, the one satellite that was asked about, and the rasters
    mount : where the dish is to sit
    replies : at least one; "nothing" beside a named thing does not count

    Returns
    -------
    JudgedReply; None where the ground at the site is not known

    Notes
    -----
    A thing stands right across the satellite's azimuth and fills the compass point to both sides (11.25 degrees), since
    callers say in which direction, not where in it. Trees and hedges grow at the usual rate for the years ahead.
    p_room is the probability of `assessment.confidence`, which moves things to first order: with errors as wide as
    these it is up to 0.05 too high where it is over 0.9. p_met counts samples in which a top is above the straight line
    to the satellite. `blocked`: the guess itself is met, and p_met is at least min_p_clear. `marginal`: p_room is less
    than min_p_clear.

    Raises
    ------
    InputError : ground at the site that cannot be true

    >>> from skysill import Criteria, Job, Mount, Satellite, Site
    >>> site = Site("croft", 58.0312, -24.6541, ground_elevation_m=41.0)
    >>> job = Job(site, satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> judged_reply(job, Mount(height_m=2.0), [Reply("building", 30.0, 15.0)]).verdict
    'blocked'
    >>> judged_reply(job, Mount(height_m=2.0), [Reply("nothing")]).verdict
    'needs-survey'
    """
    named = [reply for reply in replies if reply.thing != "nothing"]
    if not named:
        return JudgedReply("needs-survey", None, None)
    ground_m = place(job, mount).site.ground_elevation_m
    if ground_m is None:
        return None
    look = assess(job, mount, explain=False, losses=False).results[0].look
    azimuth_deg = look.azimuth_deg or 0.0
    things = tuple(
        _obstacle(reply, azimuth_deg, ground_m, f"{reply.thing} {number}")
        for number, reply in enumerate(named, start=1)
    )
    with_things = replace(job, sources=replace(job.sources, scene=Scene(things)))
    assessment = assess(with_things, mount, explain=False, losses=False)
    found, evidence = assessment.results[0], assessment.evidence
    assert evidence is not None
    then = sources_after_growth(with_things, evidence, look)
    uncertain = then.evidence.uncertain_silhouettes(then.evidence.obstacles, then.growth_m)
    p_room = confidence(uncertain, look.ray, link=job.link, errors=evidence.errors, explain=False).p_clear
    antenna_m = evidence.place.antenna_elevation_m - ground_m
    p_met = _met_share(named, antenna_m, look.elevation_apparent_deg)
    wanted = job.criteria.min_p_clear
    verdict: Verdict = "needs-survey"
    if found.clearance.obstructed and p_met >= wanted:
        verdict = "blocked"
    elif p_room < wanted or found.verdict in ("blocked", "marginal"):
        verdict = "marginal"
    return JudgedReply(verdict, p_room, p_met)


def _met_share(named: Sequence[Reply], antenna_height_m: float, elevation_deg: float) -> float:
    """Share of samples of the guesses in which one of the tops stands in the centre ray; level ground."""
    rng = np.random.default_rng(_SEED)
    dish_m = antenna_height_m + MOUNT_HEIGHT_ERROR_M * rng.standard_normal(_SAMPLES)
    met = np.zeros(_SAMPLES, dtype=bool)
    for reply in sorted(named, key=lambda one: (one.distance_m, one.height_m)):
        errors = guess_errors(reply)
        top_m = reply.height_m + errors.height_m * rng.standard_normal(_SAMPLES)
        away_m = np.maximum(reply.distance_m + errors.along_m * rng.standard_normal(_SAMPLES), 0.0)
        met |= top_m > dish_m + away_m * np.tan(np.deg2rad(elevation_deg))
    return float(met.mean())


def _obstacle(reply: Reply, azimuth_deg: float, ground_m: float, name: str) -> Obstacle:
    """A thing as a wall across the azimuth; its top counts from the ground at the house."""
    along = np.deg2rad(azimuth_deg)
    ahead, aside = np.array([np.sin(along), np.cos(along)]), np.array([np.cos(along), -np.sin(along)])
    half_m = reply.distance_m * np.tan(np.deg2rad(_HALF_SECTOR_DEG))
    line = [ahead * reply.distance_m + aside * half_m * side for side in (-1.0, 0.0, 1.0)]
    grows = GROWTH_M_PER_YEAR[reply.thing].usual_m if reply.thing in GROWTH_M_PER_YEAR else 0.0
    made = wall(name, line, ground_elevation_m=ground_m, height_m=reply.height_m)
    return replace(made, errors=guess_errors(reply), growth_m_per_year=grows)


def add_replies(
    results: ScreeningResults,
    latitude_deg: Floats,
    longitude_deg: Floats,
    mount_height_m: Floats,
    query: ScreeningQuery,
    replies: Mapping[int, Sequence[Reply]],
    *,
    rasters: Sequence[Any],
) -> None:
    """Fill the columns of the replies, and make verdicts worse where what was named takes the room.

    Parameters
    ----------
    results : of the addresses for the query's satellite, without position error or with
    replies : by the number of the address, those about this satellite
    rasters : finest first, those of the screening

    Notes
    -----
    The worse of both verdicts stands, with two exceptions. Where the verdict is `clear` by near evidence, a guess
    makes it `marginal` at most. Where the ground is not known, only `blocked` counts.
    """
    count = results.verdict.size
    for name in REPLY_NUMBERS:
        results.numbers[name] = np.full(count, np.nan)
    for name in REPLY_TEXTS:
        results.texts[name] = np.full(count, "", dtype=object)
    for at, those in replies.items():
        told = list(dict.fromkeys(those))
        results.texts["answer"][at] = "; ".join(reply.text for reply in told)
        if results.verdict[at] == "blocked":
            continue
        job = Job(
            site=Site("address", float(latitude_deg[at]), float(longitude_deg[at])),
            satellites=(query.satellite,),
            terminal=query.terminal,
            criteria=query.criteria,
            sources=Sources(rasters=tuple(rasters), highest_ground_m=query.highest_ground_m),
        )
        try:
            judged = judged_reply(job, Mount(height_m=float(mount_height_m[at])), told)
        except InputError:  # ground at the address that cannot be true: it is `unknown` already
            continue
        if judged is not None:
            _apply(results, at, judged, told)


def _apply(results: ScreeningResults, at: int, judged: JudgedReply, told: Sequence[Reply]) -> None:
    before = str(results.verdict[at])
    after: str = judged.verdict
    if before == "clear":
        after = "clear" if after == "needs-survey" else "marginal"
    elif RANK[after] < RANK[before]:
        after = before
    if judged.p_room is not None:
        results.numbers["answer_p_room"][at] = judged.p_room
    results.verdict[at] = after
    if before in ("needs-survey", "clear") or after != before:
        results.reason[at] = f"{_reason(judged, told, after)} {results.reason[at]}"


def _reason(judged: JudgedReply, told: Sequence[Reply], after: str) -> str:
    if judged.p_room is None or judged.p_met is None:
        return "The caller sees nothing as high as was asked; only a survey can confirm it."
    named = " and ".join(
        f"{'something' if reply.thing == 'other' else f'a {reply.thing}'} {reply.height_m:g} m high "
        f"{reply.distance_m:g} m away"
        for reply in told
        if reply.thing != "nothing"
    )
    if after == "blocked":
        return (
            f"The caller names {named}: by that guess it stands in the line, {_percent(judged.p_met)} sure."
        )
    return (
        f"The caller names {named}: with the errors of a guess by eye the room is there with a probability of "
        f"{_percent(judged.p_room)}; only a survey can confirm it."
    )


def _percent(share: float) -> str:
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"
