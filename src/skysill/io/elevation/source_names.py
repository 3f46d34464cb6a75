"""What kind of source a text names: a path, an address on the web, a template of tile names. Loads nothing else."""

from __future__ import annotations

import re

__all__ = ["ALLOWED_HOSTS_VARIABLE", "is_template", "is_web_address"]

ALLOWED_HOSTS_VARIABLE = "SKYSILL_ALLOWED_HOSTS"
"""Environment variable with hosts allowed on every run, separated by spaces or commas."""


def is_web_address(text: str) -> bool:
    """Whether a text means a file on a web server.

    >>> is_web_address("https://data.example.org/a.tif"), is_web_address("/vsicurl/https://data.example.org/a.tif")
    (True, False)
    """
    return text[:8].lower().startswith(("http://", "https://"))


def is_template(text: str) -> bool:
    """Whether a source is a template of tile names.

    >>> is_template("{lat_letter}{lat:02d}.tif"), is_template("island.tif")
    (True, False)
    """
    return "{" in text and re.search(r"\{[^{}]*\}", text) is not None
