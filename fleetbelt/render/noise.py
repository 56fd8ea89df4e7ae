"""Noise complaints by the tension belts were left with at install."""

from typing import Final

import polars as pl

from fleetbelt.render.bands import (
    LOOKS,
    SHORT,
    in_order,
    listed,
    rates_drawn,
    rates_listed,
    times,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Sentence,
    missing,
    sentence,
)

_NONE: Final = "There are no complaints in the records."
_HOW: Final = (
    "Put noise complaints into complaints.csv, with date, vehicle and odometer."
)


def slipping(frames: Frames) -> Section:
    """Show squeal and chirp by band: what a loose belt does."""
    return _section(
        frames,
        key="squeal",
        question="Do belts left under squeal more?",
        noises=("squeal", "chirp"),
        held=("under", "loose"),
    )


def bearing(frames: Frames) -> Section:
    """Show rumble and whine by band: what a tight belt does to bearings."""
    return _section(
        frames,
        key="bearings",
        question="Do belts left over cost bearings?",
        noises=("rumble", "whine"),
        held=("over", "tight"),
    )


def _section(
    frames: Frames,
    *,
    key: str,
    question: str,
    noises: tuple[str, str],
    held: tuple[str, str],
) -> Section:
    rates = frames.get("results.noise_rates")
    if rates is None:
        return missing(key, question, _NONE, _HOW)
    chosen = rates.filter(
        pl.col("model") == "all",
        pl.col("noise").is_in(noises),
        pl.col("band").is_in(list(LOOKS)),
    ).sort("noise", in_order(), descending=[True, False])
    if chosen.is_empty() or not chosen["complaints"].sum():
        return missing(key, question, "No such noise was complained of.", _HOW)
    frame = chosen.with_columns(
        name=pl.format("{}, {}", "noise", pl.col("band").replace_strict(SHORT)),
        whole=pl.lit(None, dtype=pl.Float64),
    )
    return Section(
        key=key,
        question=question,
        answer=_answer(chosen, noises, held),
        caveat=(
            ("A band is a measured tension, so some belts sit in a wrong one: the true "
            "contrast is larger than the one shown."),
            *_clustering(rates, noises),
        ),
        figure=rates_drawn(frame, "Complaints"),
        table=rates_listed(
            frame,
            Column(name="name", label="Noise, left at install"),
            Column(name="complaints", label="Complaints", kind="count"),
            digits=1,
        ),
        method="method-noise",
    )  # fmt: skip


def _answer(
    chosen: pl.DataFrame, noises: tuple[str, str], held: tuple[str, str]
) -> Sentence:
    """Compare the first of the noises that was heard often enough."""
    for noise in noises:
        if parts := _ratios(chosen, noise, held):
            return (
                f"Complaints of {noise} a mile, against belts left in range.",
                *parts,
            )
    return (f"Too few complaints of {listed(list(noises))} to compare.",)


def _ratios(chosen: pl.DataFrame, noise: str, held: tuple[str, str]) -> Sentence:
    """Say how many times the rate of belts in range the others have."""
    rows = chosen.filter(pl.col("noise") == noise, pl.col("band").is_in(held))
    parts: Sentence = ()
    for row in rows.drop_nulls(["rate_ratio", "ratio_lo", "ratio_hi"]).iter_rows(
        named=True
    ):
        parts += sentence(
            " {band}: {times}; complaints: {k} in {mi}.",
            band=SHORT[row["band"]].capitalize(),
            times=times(row["rate_ratio"], row["ratio_lo"], row["ratio_hi"]),
            k=int(row["complaints"]),
            mi=Quantity(value=round(row["miles"], -3), kind="distance"),
        )
    return parts


def _clustering(rates: pl.DataFrame, noises: tuple[str, str]) -> Sentence:
    """Say whether complaints of these kinds cluster by belt, of belts in range."""
    if "widening" not in rates.columns:
        return ()
    parts: Sentence = ()
    for noise in noises:
        like = rates.filter(model="all", band="in_spec", noise=noise)
        if like.is_empty() or not like["complaints"].sum():
            continue
        if (widening := float(like["widening"][0])) > 1:
            parts += sentence(
                " Complaints of {noise} cluster by belt (variance {times} times that "
                "of chance): the intervals allow for it.",
                noise=noise,
                times=Quantity(value=widening, kind="number", digits=2),
            )
        else:
            parts += (f" That {noise} clusters by belt is not shown.",)
    return parts
