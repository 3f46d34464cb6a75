"""Pages from templates; every text in them is escaped."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from starlette.responses import HTMLResponse, Response

__all__ = ["STATIC", "page"]

STATIC = Path(__file__).parent / "static"
_TEMPLATES = Path(__file__).parent / "templates"


def page(template: str, status: int = 200, **given: Any) -> Response:
    """A page from its template.

    Parameters
    ----------
    template : file name in web/templates
    given : what the template uses; `site` (name in the store) and `tab` ("desk", "survey", "roof", "record") draw the
        navigation of a site
    """
    from skysill import __version__

    values = {"site": None, "title": "skysill", "tab": None, "version": __version__, **given}
    return HTMLResponse(_environment().get_template(template).render(**values), status)


@cache
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
