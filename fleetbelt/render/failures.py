"""Why belts fail: the share of each reason."""

from typing import Final

import polars as pl

from fleetbelt.models.proportions import wilson
from fleetbelt.render.figures import interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Section,
    Table,
    interval_columns,
    missing,
    sentence,
    share_of,
)

_QUESTION: Final = "Why do belts fail?"
_NONE: Final = "No belt is known to have failed."
_HOW: Final = "Record removal_reason in services.csv whenever a belt comes off."
_REASONS: Final = {
    "broken": "broke on the road",
    "worn": "found worn",
    "cracked": "found cracked",
    "noise": "taken off for noise",
}


def by_reason(frames: Frames) -> Section:
    """Show the share of failures of each reason."""
    ends = frames.get("pages.belt_ends")
    if ends is None:
        return missing("failures", _QUESTION, _NONE, _HOW)
    counts = dict(
        ends.filter(pl.col("end_kind") == "failed")
        .group_by("removal_reason")
        .agg(pl.col("n").sum())
        .iter_rows()
    )
    k = [counts.get(reason, 0) for reason in _REASONS]
    n = sum(k)
    if not n:
        return missing("failures", _QUESTION, _NONE, _HOW)
    lo, hi = wilson(k, [n] * len(k))
    frame = pl.DataFrame(
        {"name": list(_REASONS.values()), "n": k, "lo": lo, "hi": hi}
    ).with_columns(share=pl.col("n") / n, whole=pl.lit(None, dtype=pl.Float64))
    frame = frame.sort("n", "name", descending=[True, False])
    first = frame.row(0, named=True)
    return Section(
        key="failures",
        question=_QUESTION,
        answer=sentence(
            "Most often {reason}: {share}.",
            reason=first["name"],
            share=share_of(first["n"], n, first["lo"], first["hi"], "failures"),
        ),
        caveat=sentence(
            "Reasons compete: a belt replaced for wear cannot break any more. Belts "
            "taken off for other reasons, and belts still running, are not failures."
        ),
        figure=interval_dots(
            value="share", lo="lo", hi="hi", rows=frame.height,
            title="Share of failures (%)", rangemode="tozero", tickformat=".0%",
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="name", label="Reason"),
                Column(name="n", label="Failures", kind="count"),
                *interval_columns("share", "lo", "hi", label="Share", kind="share",
                                  digits=1),
                Column(name="whole", kind="share", is_shown=False),
            ),
        ),
        method="method-life",
    )  # fmt: skip
