"""By which mileage one belt in ten has failed, by band of tension and by model."""

from typing import Any, Final

import polars as pl

from fleetbelt.models.life import PROFILE_BELOW_FAILURES
from fleetbelt.render.bands import LEFT, OUTSIDE, in_order, p_value
from fleetbelt.render.figures import interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    said,
    sentence,
)

_QUESTION: Final = "By which mileage has one belt in ten failed?"
_NONE: Final = (
    "Too few belts have failed to fit how long they run: under 3 in any group."
)
_HOW: Final = (
    "Record removal_reason and the odometer in services.csv whenever a belt comes off."
)


def table(frames: Frames) -> Section:
    """Show B10 of the bands and of the models, with what it rests on."""
    groups = frames.get("results.life_by_group")
    fitted = None if groups is None else _fitted(groups)
    if groups is None or fitted is None or fitted.is_empty():
        return missing("b10", _QUESTION, _NONE, _HOW)
    whole = fitted.filter(model="all", band="all")
    bands = fitted.filter(pl.col("band") != "all", model="all").sort(in_order())
    models = fitted.filter(pl.col("model") != "all", band="all")
    models = models.sort("b10_mi", "model")
    listed = pl.concat(
        [
            bands.with_columns(name=pl.col("band").replace_strict(LEFT)),
            models.with_columns(name=pl.col("model")),
            whole.with_columns(name=pl.lit("all belts")),
        ]
    )
    compared = whole["b10_mi"][0] if whole.height else None
    return Section(
        key="b10",
        question=_QUESTION,
        answer=_answer(whole, bands, models, frames),
        caveat=_caveat(groups),
        figure=interval_dots(
            value="b10_mi", lo="b10_lo", hi="b10_hi", rows=listed.height,
            title="Distance by which one in ten has failed ({distance})",
            rangemode="tozero",
        ),
        table=Table(
            frame=listed.with_columns(whole=pl.lit(compared, dtype=pl.Float64)),
            columns=(
                Column(name="name", label="Belts"),
                *interval_columns("b10_mi", "b10_lo", "b10_hi",
                                  label="One in ten has failed by", kind="distance"),
                *interval_columns("median_mi", "median_lo", "median_hi",
                                  label="Half have failed by", kind="distance"),
                *interval_columns("shape", "shape_lo", "shape_hi", label="Shape",
                                  kind="number", digits=2),
                Column(name="failures", label="Failures", kind="count"),
                Column(name="n", label="Belts", kind="count"),
                Column(name="whole", kind="distance", is_shown=False),
            ),
        ),
        method="method-life",
    )  # fmt: skip


def _fitted(groups: pl.DataFrame) -> pl.DataFrame:
    """Keep groups with a fit; with few failures show the profile's limits."""
    few = pl.col("failures") < PROFILE_BELOW_FAILURES
    return groups.drop_nulls("b10_mi").with_columns(
        pl.when(few)
        .then(pl.coalesce(f"{name}_profile_{side}", f"{name}_{side}"))
        .otherwise(f"{name}_{side}")
        .alias(f"{name}_{side}")
        for name in ("shape", "b10", "median")
        for side in ("lo", "hi")
    )


def _answer(
    whole: pl.DataFrame, bands: pl.DataFrame, models: pl.DataFrame, frames: Frames
) -> Sentence:
    parts: Sentence = ()
    if whole.height:
        parts += sentence(
            "One belt in ten has failed by {b10}.", b10=_b10(whole.row(0, named=True))
        )
    for row in bands.filter(pl.col("band").is_in(["in_spec", *OUTSIDE])).iter_rows(
        named=True
    ):
        parts += sentence(
            " {band}: {b10}.",
            band=LEFT[row["band"]].capitalize(),
            b10=_b10(row, has_counts=False),
        )
    if models.height > 1:
        first, last = models.row(0, named=True), models.row(-1, named=True)
        parts += sentence(
            " By model from {first} ({first_b10}) to {last} ({last_b10}){test}.",
            first=first["model"], first_b10=_short(first),
            last=last["model"], last_b10=_short(last), test=_test(frames),
        )  # fmt: skip
    return parts


def _test(frames: Frames) -> Sentence:
    tests = frames.get("results.life_tests")
    if tests is None:
        return ()
    p = dict(tests.select("term", "p_value").iter_rows()).get("model")
    if p is None:
        return ()
    words = "models differ" if p < 0.05 else "that models differ is not shown"
    return sentence("; {words}, {p}", words=words, p=p_value(p))


def _b10(row: dict[str, Any], *, has_counts: bool = True) -> Sentence:
    value, interval = said(
        *(float(f"{row[name]:.3g}") for name in ("b10_mi", "b10_lo", "b10_hi")),
        kind="distance",
    )
    counts = sentence(
        "; {failures} of {n} failed", failures=row["failures"], n=row["n"]
    )
    return sentence(
        "{value} ({interval}{counts})",
        value=value, interval=interval, counts=counts if has_counts else (),
    )  # fmt: skip


def _short(row: dict[str, Any]) -> Sentence:
    b10 = float(f"{row['b10_mi']:.3g}")
    return (said(b10, b10, b10, kind="distance")[0],)


def _caveat(groups: pl.DataFrame) -> Sentence:
    few = groups.filter(
        pl.col("b10_mi").is_null(),
        (pl.col("model") == "all") != (pl.col("band") == "all"),
        pl.col("n") > 0,
    ).height
    words = sentence(
        "Dashed: all belts. From a Weibull fit to each group, so a distance beyond "
        "what belts have run is an extrapolation; with fewer than {few} failures the "
        "limits are those of the profile likelihood.",
        few=PROFILE_BELOW_FAILURES,
    )
    if few:
        words += sentence(
            " {few} more {groups} too few failures for a fit.",
            few=few,
            groups="group has" if few == 1 else "groups have",
        )
    return words
