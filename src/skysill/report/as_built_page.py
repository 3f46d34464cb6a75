"""The comparison of as-built values with the plan, as text."""

from __future__ import annotations

from dataclasses import dataclass

from skysill.report.as_built import Built, PhotoRecord
from skysill.report.formatting import WORDS, Head, Table, for_readers

__all__ = ["BuiltPage", "built_page", "commissioning"]


@dataclass(frozen=True, slots=True)
class BuiltPage:
    """The as-built section as text."""

    heading: str
    table: Table
    notes: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]


def built_page(made: Built) -> BuiltPage:
    done = made.as_built
    when = "" if done.date is None else f" on {done.date.isoformat()}"
    by = f" by {done.by}" if done.by else ""
    heads = (
        Head("what"),
        Head("planned", number=True),
        Head("as built", number=True),
        Head("difference", number=True),
    )
    rows = tuple(
        (row.quantity, row.planned, row.done, f"{row.difference} (!)" if row.matters else row.difference)
        for row in made.rows
    )
    notes = list(made.notes)
    if made.anew is not None:
        word, why = WORDS[made.anew.verdict][1], " ".join(for_readers(made.anew.reasons))
        notes.insert(
            0,
            f"From where the dish really stands, {made.anew.satellite.name} is {word}. {why}",
        )
    if done.note:
        notes.append(f"Installer's note: {done.note}")
    return BuiltPage(
        heading=f"Done{when}{by}" + (f", for {done.satellite}." if done.satellite else "."),
        table=Table(
            "Planned and as built. (!) marks what the plan does not cover: a pointing by half the beamwidth.",
            heads,
            rows,
            frozenset(at for at, row in enumerate(made.rows) if row.matters),
        ),
        notes=tuple(notes),
        photos=made.photos,
    )


def commissioning(made: Built | None) -> Table:
    """The table to fill in after alignment, with the as-built values known so far. Common practice, no source."""
    done = None if made is None else made.as_built

    def signal(value: float | None) -> str:
        return "" if value is None or done is None else f"{value:g} {done.signal_unit}".strip()

    held = ""
    if (
        done is not None
        and done.signal_after_release is not None
        and done.signal_after_tightening is not None
    ):
        change = done.signal_after_release - done.signal_after_tightening
        held = f" ({change:+.1f} after tightening)"
    photos = () if made is None else made.photos
    rows = (
        ("signal, best while turning by hand", "" if done is None else signal(done.signal_before_tightening)),
        ("signal, all bolts tight", "" if done is None else signal(done.signal_after_tightening)),
        (
            "signal, rim pushed by hand and let go",
            "" if done is None else f"{signal(done.signal_after_release)}{held}",
        ),
        ("mast and cable screen bonded (by whom, how)", "" if done is None else done.bonding),
        ("cable entry sealed, drip loop", "" if done is None else done.cable_entry_seal),
        ("photograph of dish, bolts and entry", ", ".join(shown.photo.name for shown in photos)),
    )
    heads = (Head("after alignment"), Head("found", long=True))
    return Table("To be written down when the dish is aligned: common practice, no source.", heads, rows)
