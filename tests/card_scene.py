"""The hall scene with all that a roof card shows: a wire, a landmark, a named mount, a cable entry, a nasty name."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from hall_scene import EAST, FLAT, HIDDEN, hall_job
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job
from skysill.model.obstacle_builders import wire
from skysill.model.site import Mount, Terminal
from skysill.model.survey import Landmark

NASTY = "<script>alert('x')</script> & \"Low hall\" {{ 7*7 }} 診"
MADE = dt.date(2026, 6, 15)


def card_job() -> Job:
    """East stands due east, `Far west` below the horizon; the wire runs from west to east, 2.5 m over the roof."""
    latitude, longitude = offset_position(0.0, 0.0, 0.0, 300.0)
    spire = Landmark("spire <b>", latitude_deg=float(latitude), longitude_deg=float(longitude))
    job = hall_job(
        wire("service wire", [[-20, 5.0, 7.5], [20, 5.0, 7.5]]),
        name=NASTY,
        satellites=(EAST, HIDDEN),
        terminal=Terminal(dish_diameter_m=0.8, receive_ghz=12.0, offset_angle_deg=20.0, cable_limit_m=15.0),
        roof=replace(FLAT, cable_entry=(6.0, 0.0, 2.0)),
        mounts=(Mount("pole", 5.0, 0.0, 0.6, 5.0, 3.0),),
        mounts_named=True,
        date=MADE,
    )
    return replace(job, sources=replace(job.sources, landmarks=(spire,)))
