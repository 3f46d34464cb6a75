"""As built against plan, in words."""

from __future__ import annotations

from dataclasses import dataclass

from skysill.report.built import Built, PhotoRecord
from skysill.report.words import WORDS, Head, Table

__all__ = ["BuiltPage", "built_page"]


@dataclass(frozen=True, slots=True)
class BuiltPage:
    """As built against plan."""

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
        word = WORDS[made.anew.verdict][1]
        notes.insert(
            0,
            f"From where the dish really stands, {made.anew.satellite.name} is {word}. {' '.join(made.anew.reasons)}",
        )
    if done.note:
        notes.append(f"Installer's note: {done.note}")
    return BuiltPage(
        heading=f"Done{when}{by}" + (f", for {done.satellite}." if done.satellite else "."),
        table=Table(
            "Planned and as built; (!) marks what the plan does not cover.",
            heads,
            rows,
            frozenset(at for at, row in enumerate(made.rows) if row.matters),
        ),
        notes=tuple(notes),
        photos=made.photos,
    )
