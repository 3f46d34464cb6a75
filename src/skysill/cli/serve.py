"""skysill serve"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from skysill.cli.options import Output, output, shared
from skysill.errors import InputError
from skysill.io.job_options import JobOptions

if TYPE_CHECKING:
    from skysill.web.state import AppState

__all__ = ["serve"]

_PORT = 8417
_EXTRA = ("starlette", "uvicorn", "tomlkit", "jinja2")


@click.command()
@click.argument("folder", metavar="[FOLDER]", default=".")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=_PORT, show_default=True, help="0: any that is free."
)
@click.option("--bind", "host", metavar="ADDRESS", default="127.0.0.1", show_default=True,
              help="Address to listen on. Others than this machine's own loopback ask for a token.")  # fmt: skip
@click.option("--host-name", "names", metavar="NAME", multiple=True,
              help="Name by which other machines call this one. Repeatable.")  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@click.option("--property-from", "sources", metavar="SOURCE", multiple=True,
              help="Laser scan, raster, footprints or folder to find properties in. Repeatable.")  # fmt: skip
@shared("satellites", "terrain", "terminal", "criteria")
@output
def serve(
    options: JobOptions,
    out: Output,
    *,
    folder: str,
    port: int,
    host: str,
    names: tuple[str, ...],
    no_browser: bool,
    sources: tuple[str, ...],
) -> None:
    """The same for a browser, on this machine.

    FOLDER holds the site files; they are all that is stored. Satellites, rasters, dish and criteria given here are used
    for places that have no site file yet. Stop it with Ctrl-C.

    \b
    skysill serve demo_terrain --terrain demo_terrain/island.tif --highest-ground 420
    """
    _check_extra()
    from skysill.io.site_store import SiteStore
    from skysill.web.server import new_state, serve as serve_until_stopped, taken_socket, warm_up

    store = SiteStore(folder)
    if sources:
        from skysill.io.property_sources import sort_sources

        sort_sources(sources)
    with taken_socket(host, port) as listening:
        state = new_state(store, host=host, port=listening.getsockname()[1], options=options, names=names)
        state.property_sources = sources
        warm_up()
        serve_until_stopped(state, listening, started=lambda: _tell(out, state, host, not no_browser))
    out.say("stopped.")


def _check_extra() -> None:
    import importlib.util

    missing = [name for name in _EXTRA if importlib.util.find_spec(name) is None]
    if missing:
        raise InputError(
            f"the page needs {', '.join(missing)}.", mend='Install the extra with: pip install "skysill[web]"'
        )


def _tell(out: Output, state: AppState, host: str, browser: bool) -> None:
    from skysill.web.access import is_loopback
    from skysill.web.server import addresses_of, link_of

    if is_loopback(host):
        link = link_of(state, host)
        out.text(f"{state.store.folder}: {link} (Ctrl-C stops)")
    else:
        link = link_of(state, addresses_of(host)[0])
        out.text(f"{state.store.folder}: open this link once on each device, or scan the code (Ctrl-C stops)")
        out.text(link)
        _print_code(link)
    if browser:
        import threading
        import webbrowser

        threading.Thread(target=webbrowser.open, args=(link,), daemon=True).start()


def _print_code(link: str) -> None:
    import sys

    import segno

    if sys.stdout.isatty():
        segno.make(link, error="m").terminal(compact=True)
