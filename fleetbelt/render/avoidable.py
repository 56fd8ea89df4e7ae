"""The share of squeal that goes with installs outside the range."""

from typing import Final

from fleetbelt.render.bands import p_value
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Section,
    Sentence,
    digits_for,
    missing,
    said,
    sentence,
)

_QUESTION: Final = "How much of the squeal could have been avoided?"
_NONE: Final = "No complaint of squeal is of a belt whose tension at install is known."
_HOW: Final = (
    "Put complaints into complaints.csv, and record what each install and recheck left."
)


def squeal(frames: Frames) -> Section:
    """Say which share of squeal complaints would not be, had every belt been in range.

    A number with its interval and no figure: there is one number.
    """
    table = frames.get("results.noise_avoidable")
    if table is None:
        return missing("avoidable", _QUESTION, _NONE, _HOW)
    row = table.row(0, named=True)
    if not row["complaints"]:
        return missing("avoidable", _QUESTION, _NONE, _HOW)
    if row["share"] is None:
        return missing("avoidable", _QUESTION, row["reason"] or _NONE, _HOW)
    return Section(
        key="avoidable",
        question=_QUESTION,
        answer=_answer(
            row["complaints"], row["share"], row["share_lo"], row["share_hi"]
        ),
        caveat=_caveat(row["p_clustering"]),
        method="method-effects",
    )


def _answer(complaints: int, share: float, lo: float, hi: float) -> Sentence:
    value, interval = said(
        share, lo, hi, kind="share", digits=min(1, digits_for(lo * 100, hi * 100))
    )
    if lo <= 0:
        return sentence(
            "That installs in range would have spared complaints is not shown: {value} "
            "of {n} squeal complaints ({interval}).",
            value=value, n=complaints, interval=interval,
        )  # fmt: skip
    return sentence(
        "{value} of {n} squeal complaints ({interval}) would not have been made, had "
        "every belt been left in range and squealed as belts in range do.",
        value=value, n=complaints, interval=interval,
    )  # fmt: skip


def _caveat(p: float | None) -> Sentence:
    """Caution that this is association; say whether complaints cluster by belt."""
    words: Sentence = (
        (
            "Records show what goes together, not what causes what: a belt may be left "
            "loose by the same hurry that leaves other things undone. Model, duty and "
            "alternator pulley are allowed for as far as there are complaints enough; "
            "complaints of belts whose tension is "
            "not known are left out."
        ),
    )
    if p is None:
        return words
    said_so = (
        " Complaints cluster by belt ({p}); the interval allows for it."
        if p < 0.05
        else " That complaints cluster by belt is not shown ({p})."
    )
    return words + sentence(said_so, p=p_value(p))
