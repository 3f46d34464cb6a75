"""What a screening adds for the people who answer the telephone: questions, and what callers answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.assessment.verdict import RANK
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.questions import QUESTION_NUMBERS, QUESTION_TEXTS, CallDay, add_questions
from skysill.bulk.replies import REPLY_NUMBERS, REPLY_TEXTS, Reply, add_replies
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.bulk.survey_order import ORDER_NUMBERS, SAMPLE_NUMBERS, clear_shares, survey_order
from skysill.io.answers import Answers
from skysill.io.screening_results import ResultTable
from skysill.units import Floats, Ints

__all__ = ["CallerColumns", "PlacesAsked", "put_in_order", "replies_of"]


@dataclass(frozen=True, slots=True)
class PlacesAsked:
    """Addresses of a part: (n,) degrees, dish centre over the ground in metres."""

    latitude_deg: Floats
    longitude_deg: Floats
    mount_height_m: Floats

    def take(self, at: Ints) -> PlacesAsked:
        """Only some, by number."""
        return PlacesAsked(self.latitude_deg[at], self.longitude_deg[at], self.mount_height_m[at])


@dataclass(frozen=True, slots=True)
class CallerColumns:
    """What is added for callers and for the surveyor; nothing by default.

    questions : the day on which callers are asked; None: no questions
    answers : what callers have answered
    survey_order : whether to add in which order to send the surveyor out

    >>> import datetime as dt
    >>> import tempfile
    >>> from pathlib import Path
    >>> import skysill
    >>> callers = skysill.CallerColumns(skysill.CallDay(dt.datetime(2026, 6, 14, tzinfo=dt.UTC), name="on 2026-06-14"))
    >>> request = skysill.ScreeningRequest(skysill.open_rasters([skysill.RasterSpec("demo_terrain/island.tif")]),
    ...     skysill.read_satellites("Demo South=24.0W"), highest_ground_m=720.0, callers=callers)
    >>> out = Path(tempfile.mkdtemp()) / "screened.csv"
    >>> made = skysill.screen_file(request, "demo_terrain/addresses.csv", out)
    >>> print(out.read_text(encoding="utf-8").splitlines()[1][-80:])
    If so: how high, how far away, tree or building? Do not look at the sun itself."
    """

    questions: CallDay | None = None
    answers: Answers | None = None
    survey_order: bool = False

    @property
    def numbers(self) -> dict[str, int]:
        """Numbers that are added, with their decimal places."""
        replies, questions = (
            (REPLY_NUMBERS if self.answers else {}),
            (QUESTION_NUMBERS if self.questions else {}),
        )
        return replies | questions | (ORDER_NUMBERS if self.survey_order else {})

    @property
    def kept(self) -> dict[str, int]:
        """Numbers that are stored until all parts are done, with their decimal places."""
        return SAMPLE_NUMBERS if self.survey_order else {}

    @property
    def texts(self) -> tuple[str, ...]:
        """Texts that are added."""
        return (REPLY_TEXTS if self.answers else ()) + (QUESTION_TEXTS if self.questions else ())

    @property
    def stated(self) -> dict[str, Any]:
        """What tells one run from another."""
        return {
            "questions": None if self.questions is None else self.questions.stated,
            "answers": None if self.answers is None else self.answers.checksum,
            "survey order": self.survey_order,
        }

    def add(
        self,
        results: ScreeningResults,
        places: PlacesAsked,
        query: ScreeningQuery,
        replies: Mapping[int, Sequence[Reply]],
        rasters: Sequence[Any],
    ) -> None:
        """Add the columns to the results of one satellite; replies come first, since they change verdicts.

        replies : by the number of the address in places; rasters : those of the screening
        """
        where = (places.latitude_deg, places.longitude_deg, places.mount_height_m)
        if self.answers is not None:
            name = query.satellite.name
            own = {
                at: [reply for reply in those if reply.satellite in ("", name)]
                for at, those in replies.items()
            }
            told = {at: those for at, those in own.items() if those}
            add_replies(results, *where, query, told, rasters=rasters)
        if self.questions is not None:
            add_questions(results, *where, link=query.link, day=self.questions)


def put_in_order(table: ResultTable) -> str:
    """Fill the columns of the survey order of all addresses; returns what to tell about it."""
    classes, allowed_m = table.numbers("survey_class"), table.numbers("survey_allowed_m")
    shares = clear_shares(
        np.where(np.isnan(classes), -1, classes).astype(np.int64), table.numbers("survey_sample")
    )
    wanted = table.verdict == RANK["needs-survey"]
    heard = np.zeros(wanted.shape, dtype=bool)
    if "answer" in table.columns.texts:
        heard = np.array([text is not None for text in table.values(0, wanted.size, "answer")], dtype=bool)
    order = survey_order(wanted, shares, allowed_m, heard)
    table.replace_numbers("survey_order", order)
    told = wanted & np.isfinite(shares.share)
    for name, values in (
        ("clear_share", shares.share),
        ("clear_share_low", shares.low),
        ("clear_share_high", shares.high),
        ("clear_share_of", shares.sample.astype(np.float64)),
    ):
        table.replace_numbers(name, np.where(told, values, np.nan))
    sample = int(np.isfinite(table.numbers("survey_sample")).sum())
    return (
        f"Survey order: {int(told.sum()):,} of {int(wanted.sum()):,} addresses that need a survey are like enough to "
        f"the {sample:,} that a fine surface raster covers. Their clear_share is that of addresses alike, no verdict."
    )


def replies_of(replies: Mapping[int, Sequence[Reply]], addresses: Ints) -> dict[int, Sequence[Reply]]:
    """Replies by number within a part; replies : by the number of the address; addresses : (n,) those of the part."""
    if not replies:
        return {}
    among = np.flatnonzero(np.isin(addresses, np.fromiter(replies, dtype=np.int64, count=len(replies))))
    return {int(at): replies[int(addresses[at])] for at in among}
