"""The list of commands and its text, which is printed without importing any command or library."""

from __future__ import annotations

import os

__all__ = ["COMMANDS", "listing", "present"]

COMMANDS = {
    "look": "Look vector from a place to each satellite.",
    "horizon": "Merged horizon profile from all sources.",
    "check": "Verdict per satellite for one mount.",
    "mounts": "Compare mounts, or search a roof for one.",
    "screen": "Many addresses at once, or roofs.",
    "heights": "Raster of the least antenna height that sees the satellite.",
    "sun": "When the sun stands at, or on, the satellite.",
    "sheet": "Blank field sheet for the azimuths that need measuring, and the table to fill in.",
    "report": "One self-contained survey record: verdict, pictures, pointing card, obstructions, sources, photos.",
    "card": "Roof card for a phone without a network: every spot's answers, pointing, the sun's times.",
    "site": "Skeleton of a site file, and its schema for editors.",
    "property": "A position and open data to a site file, obstacles and local rasters.",
    "serve": "The same for a browser, on this machine.",
    "cache": "Elevations read over the web and kept: what, how much, how old.",
}

_TOP = """Usage: skysill COMMAND [OPTIONS] [FILE]

  Will a small satellite dish see its satellite from this spot?

  skysill look --at "58.0312 N 24.6541 W" --satellite "Demo South=24.0W"

Options:
  --version   Show the version and exit.
  -h, --help  Show this text, or with a command its options.

Commands:
"""


def present() -> list[str]:
    """Names of the commands whose modules exist in this package."""
    here = os.path.dirname(__file__)
    return [name for name in COMMANDS if os.path.exists(os.path.join(here, f"{name}.py"))]


def listing() -> str:
    """The text of `skysill --help`."""
    return _TOP + "\n".join(f"  {name:<9}{COMMANDS[name]}" for name in present())
