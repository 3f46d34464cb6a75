"""A ray to a satellite, and the radio link whose room around the ray is asked for."""

from __future__ import annotations

from dataclasses import dataclass

from skysill.model.site import Criteria, Terminal

__all__ = ["Link", "Ray"]


@dataclass(frozen=True, slots=True)
class Ray:
    """The centre ray from a dish centre to a satellite, by the direction in which it arrives.

    azimuth_deg : true azimuth; 0 for a satellite straight overhead, where it has no meaning
    elevation_deg : apparent elevation, with the bending of radio waves

    >>> Ray(179.2, 24.1).elevation_deg
    24.1
    """

    azimuth_deg: float
    elevation_deg: float


@dataclass(frozen=True, slots=True)
class Link:
    """A terminal and the criteria by which its link counts as clear: they decide together how much room a ray needs.

    terminal : dish and frequencies
    criteria : among them the Fresnel fraction

    >>> from skysill import Criteria, Link, Terminal
    >>> Link(Terminal(dish_diameter_m=1.2, receive_ghz=19.7), Criteria()).frequency_ghz
    19.7
    """

    terminal: Terminal
    criteria: Criteria

    @property
    def dish_diameter_m(self) -> float:
        """Diameter of the dish, metres."""
        return self.terminal.dish_diameter_m

    @property
    def frequency_ghz(self) -> float:
        """Lowest frequency of the terminal, GHz: it has the widest Fresnel zone."""
        return self.terminal.lowest_ghz

    @property
    def fresnel_fraction(self) -> float:
        """Share of the first Fresnel radius that has to be free."""
        return self.criteria.fresnel_fraction

    @property
    def assumed_distance_m(self) -> float:
        """Distance taken where a reading has none, metres."""
        return self.criteria.assumed_distance_m
