"""Repairs of accessories by tension at install: the price of too tight."""

from typing import Final

import polars as pl

from fleetbelt.render.bands import (
    LOOKS,
    SHORT,
    in_order,
    rates_drawn,
    rates_listed,
    times,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Section,
    Sentence,
    missing,
    sentence,
)

_QUESTION: Final = "What is the price of too tight?"
_NONE: Final = "There are no accessory repairs in the records."
_HOW: Final = (
    "Put them into repairs.csv: repair_id, date, vehicle_id, odometer_mi, accessory "
    "and fault (bearing, pulley, seal, electrical, other)."
)
_FAULTS: Final = {"bearing": "bearing", "other": "other fault"}


def price_of_too_tight(frames: Frames) -> Section:
    """Show bearing repairs by band, and other repairs beside them as a control."""
    rates = frames.get("results.repair_rates")
    whole = None if rates is None else rates.filter(model="all")
    if whole is None or whole.is_empty():
        return missing("repairs", _QUESTION, _NONE, _HOW)
    frame = (
        whole.filter(pl.col("band").is_in(list(LOOKS)), pl.col("miles") > 0)
        .sort("fault", in_order())
        .with_columns(
            name=pl.format(
                "{}, {}",
                pl.col("fault").replace_strict(_FAULTS),
                pl.col("band").replace_strict(SHORT),
            ),
            whole=pl.lit(None, dtype=pl.Float64),
        )
    )
    if frame.is_empty():
        what = "No belt of known tension at install has run any miles."
        return missing("repairs", _QUESTION, what, "Record reading_left at installs.")
    return Section(
        key="repairs",
        question=_QUESTION,
        answer=_answer(frame),
        caveat=_caveat(frame),
        figure=rates_drawn(frame, "Repairs"),
        table=rates_listed(
            frame,
            Column(name="name", label="Fault, belt left at install"),
            Column(name="repairs", label="Repairs", kind="count"),
            digits=2,
        ),
        method="method-effects",
    )  # fmt: skip


def _answer(frame: pl.DataFrame) -> Sentence:
    parts = _ratios(frame, "bearing")
    if not parts:
        return ("Too few bearing repairs to compare belts left over or tight.",)
    return ("Bearing repairs a mile, against belts left in range.", *parts)


def _ratios(frame: pl.DataFrame, fault: str) -> Sentence:
    parts: Sentence = ()
    held = frame.filter(pl.col("band").is_in(["over", "tight"]), fault=fault)
    for row in held.drop_nulls(["rate_ratio", "ratio_hi"]).iter_rows(named=True):
        parts += sentence(
            " {band}: {times}; repairs: {k}.",
            band=SHORT[row["band"]].capitalize(),
            times=times(row["rate_ratio"], row["ratio_lo"], row["ratio_hi"]),
            k=row["repairs"],
        )
    return parts


def _caveat(frame: pl.DataFrame) -> Sentence:
    """Hold bearings against faults that no tension should cause."""
    words: Sentence = (
        (
            "Each repair counts for the belt that was on. Records show what goes "
            "together, not what causes what."
        ),
    )
    control = _ratios(frame, "other")
    if not control:
        return words
    return (*words, " Other faults, which tension should not move, beside them.",
            *control)  # fmt: skip
