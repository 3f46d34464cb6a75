"""skysill site"""

from __future__ import annotations

import click

from skysill.cli.options import Output, output
from skysill.io.site_skeletons import INVENTED, KINDS, site_skeleton

__all__ = ["site"]


@click.group()
def site() -> None:
    """Skeleton of a site file, and its schema for editors.

    \b
    skysill site new croft.toml --kind house --at "58.0195 N 24.6699 W"
    """


@site.command()
@click.argument("file", metavar="FILE")
@click.option("--kind", type=click.Choice(KINDS), default="house", help="What stands there. Default house.")
@click.option(
    "--at", metavar="POSITION", help='In place of the invented one: "58.0312 N 24.6541 W", UTM, ...'
)
@output
def new(out: Output, *, file: str, kind: str, at: str | None) -> None:
    """Write a commented site file with every key; filled-in values are invented and marked so.

    A file that exists is never overwritten.

    \b
    skysill site new croft.toml --kind house --at "58.0195 N 24.6699 W"
    """
    from skysill.errors import InputError
    from skysill.io.output_files import write_new

    if at is not None:
        from skysill.geodesy.positions import parse_position

        try:
            parse_position(at)
        except InputError as fault:
            raise InputError(fault.what, where="--at", mend=fault.mend) from fault
    text = site_skeleton(kind, position=at)
    write_new(file, text)
    invented = sum(line.endswith(f"# {INVENTED}") for line in text.splitlines())
    if out.json:
        out.document({"file": file, "kind": kind, "invented": invented})
    else:
        out.text(f"{file}: site file of a {kind}; {invented} invented values to replace, marked {INVENTED}.")


@site.command()
def schema() -> None:
    """Print the JSON schema (draft 2020-12) of the site file, for editors.

    \b
    skysill site schema > site-file.schema.json
    """
    from skysill.io.json_text import to_json_text
    from skysill.io.site_reference import json_schema

    click.echo(to_json_text(json_schema()))
