"""The age at which belts are best replaced, and what other ages cost."""

from typing import Final

import polars as pl

from fleetbelt.render.figures import (
    MOST_ROWS,
    Figure,
    Trace,
    axis,
    figure,
    first_drawn,
    interval_dots,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    said,
    sentence,
)

_ALL: Final = "all"
_WHOLE: Final = "every model"
_NO_LIFE: Final = "No life of belts is fitted, so no age is the best."
_NO_CURVE: Final = "No group has a life and prices to weigh, so no curve is drawn."
_HOW: Final = (
    "Record removal_reason and the odometer in services.csv whenever a belt comes off, "
    "and give prices as plan.costs in fleetbelt.toml."
)
_ADVICE: Final = {
    "replace": "replace at this age",
    "run_to_failure": "run to failure",
    "unknown": "not known",
}
_STEEPEST: Final = 2.0  # of running to failure: dearer ages are not drawn
_CAUTION: Final = (
    "An interval that the vehicle maker prescribes comes first where it is shorter."
)


def ages(frames: Frames) -> Section:
    """Show the age at which each model's belts are best replaced."""
    question = "At which age is a belt best replaced?"
    known = _of_models(frames)
    if known is None:
        return missing("replacement-age", question, _NO_LIFE, _HOW)
    currency = frames.fact("currency", "¤")
    models = known.filter(pl.col("model") != _ALL)
    whole = known.filter(pl.col("model") == _ALL)
    frame = models.sort("age_mi", "model", nulls_last=True).with_columns(
        name=pl.col("model"),
        words=pl.when(pl.col("age_mi").is_null()).then(
            pl.format(
                "\N{NO-BREAK SPACE}{}",
                pl.col("advice").replace_strict(_ADVICE, default=pl.col("advice")),
            )
        ),
        zero=pl.when(pl.col("age_mi").is_null()).then(0.0),
        whole=pl.lit(whole["age_mi"].first(), dtype=pl.Float64),
        drawn_to=pl.coalesce("age_to_mi", "age_mi"),
    )
    return Section(
        key="replacement-age",
        question=question,
        answer=_age_words(whole, models),
        caveat=sentence(
            "Bars: ages that cost at most 1 % more than the best one; within them the "
            "exact age does not matter. Dashed: every model together. {caution}",
            caution=_CAUTION,
        ),
        caption=(first_drawn(frame.height),) if frame.height > MOST_ROWS else (),
        figure=_age_figure(frame) if frame.height else None,
        table=Table(frame=frame, columns=_age_columns(currency)),
        method="method-replacement",
        acts=True,
    )


def _of_models(frames: Frames) -> pl.DataFrame | None:
    """Return the advice for models, whatever belts were left with at install."""
    known = frames.get("results.replacement_age")
    known = None if known is None else known.filter(pl.col("band") == _ALL)
    is_fitted = known is not None and (known["advice"] != "unknown").any()
    return known if is_fitted else None


def _age_columns(currency: str) -> tuple[Column, ...]:
    return (
        Column(name="name", label="Model"),
        Column(name="model", is_shown=False),
        Column(name="advice", label="Advice", words=_ADVICE),
        Column(name="age_mi", label="Best age", kind="distance"),
        Column(name="age_from_mi", label="As good from", kind="distance"),
        Column(name="age_to_mi", label="As good up to", kind="distance"),
        Column(name="failed_share", label="Fail before", kind="share"),
        Column(name="cost_per_1000mi", label="Cost there", kind="money_rate", digits=2,
               unit=currency),
        Column(name="cost_per_1000mi_to_failure", label="Run to failure",
               kind="money_rate", digits=2, unit=currency),
        *interval_columns("saving_share", "saving_lo", "saving_hi", label="Saving",
                          kind="share"),
        Column(name="reason", label="In words", kind="words"),
        Column(name="words", is_shown=False),
        Column(name="zero", kind="distance", is_shown=False),
        Column(name="drawn_to", kind="distance", is_shown=False),
        Column(name="whole", kind="distance", is_shown=False),
    )  # fmt: skip


def _age_figure(frame: pl.DataFrame) -> Figure:
    drawn = interval_dots(
        value="age_mi", lo="age_from_mi", hi="drawn_to", rows=frame.height,
        title="Distance since fitting ({distance})", rangemode="tozero",
    )  # fmt: skip
    none: Trace = {
        "type": "scatter",
        "mode": "text",
        "x": "$zero",
        "y": "$#",
        "text": "$words",
        "textposition": "middle right",
        "hoverinfo": "skip",
        "showlegend": False,
    }
    return {**drawn, "data": [*drawn["data"], none]}


def _age_words(whole: pl.DataFrame, models: pl.DataFrame) -> Sentence:
    """Say the age for the whole fleet, and which models differ in kind."""
    to_failure = models.filter(pl.col("advice") == "run_to_failure").height
    more = (
        sentence(
            " {n} of {all} models are best run to failure.",
            n=to_failure,
            all=models.height,
        )
        if to_failure
        else ()
    )
    if whole.is_empty():
        return more or ("Models differ: see the table.",)
    row = whole.row(0, named=True)
    if row["age_mi"] is None:
        return (f"{_WHOLE.capitalize()} together: {row['reason']}", *more)
    saving, interval = said(
        row["saving_share"], row["saving_lo"], row["saving_hi"], kind="share"
    )
    return (
        *sentence(
            "Every model together: at {age}, where {failed} have failed already. That "
            "saves {saving} ({interval}) of what running to failure costs.",
            age=Quantity(value=round(row["age_mi"], -2), kind="distance"),
            failed=Quantity(value=row["failed_share"], kind="share"),
            saving=saving,
            interval=interval,
        ),
        *more,
    )


def cost_curve(frames: Frames) -> Section:
    """Show what each age of replacement costs, the best one marked."""
    question = "What does another age cost?"
    curve, known = frames.get("results.replacement_curve"), _of_models(frames)
    drawn = None if curve is None else curve.filter(pl.col("band") == _ALL)
    if drawn is None or drawn.is_empty() or known is None:
        return missing("cost-curve", question, _NO_CURVE, _HOW)
    currency = frames.fact("currency", "¤")
    frame = _curves(drawn, known, frames)
    return Section(
        key="cost-curve",
        question=question,
        answer=_flat_words(known),
        caveat=sentence(
            "Thick: every model together; thin: each model, alone where the filter "
            "above names one. Diamonds: the best ages. A curve that only falls has "
            "none: those belts are best run to failure."
        ),
        figure=_curve_figure(currency),
        table=Table(
            frame=frame,
            columns=(
                Column(name="name", label="Model"),
                Column(name="model", is_shown=False),
                Column(name="age_mi", label="Replaced at", kind="distance"),
                Column(name="cost_per_1000mi", label="Cost", kind="money_rate",
                       digits=2, unit=currency),
                Column(name="failed_share", label="Fail before", kind="share"),
                Column(name="part", is_shown=False),
            ),
            note=("tables/replacement_curve.csv has it by tension at install too.",),
        ),
        method="method-replacement",
    )  # fmt: skip


def _curves(curve: pl.DataFrame, known: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Return the curves as one line with gaps, and the best ages."""
    is_whole = pl.col("model") == _ALL
    shown = ["model", "age_mi", "cost_per_1000mi", "failed_share"]
    dearest = known.select(
        "model", most=_STEEPEST * pl.col("cost_per_1000mi_to_failure")
    )
    lines = (
        curve.join(dearest, on="model", how="left", maintain_order="left")
        .filter(pl.col("cost_per_1000mi") <= pl.col("most").fill_null(float("inf")))
        .filter(is_whole | pl.col("model").is_in(_commonest(curve, frames)))
        .select(*shown)
    )
    gaps = lines.select(
        pl.col("model").unique(maintain_order=True),
        **{name: pl.lit(None, dtype=pl.Float64) for name in shown[1:]},
    )
    best = known.filter(pl.col("model").is_in(lines["model"].unique().to_list()))
    drawn_only = pl.lit(value=True).alias("is_drawn_only")
    rows = [
        lines.with_columns(part=pl.lit("line"), is_drawn_only=pl.lit(value=False)),
        gaps.with_columns(drawn_only, part=pl.lit("line")),
        best.drop_nulls("age_mi")
        .select(*shown)
        .with_columns(drawn_only, part=pl.lit("best")),
    ]
    return (
        pl.concat(rows, how="diagonal")
        .sort("model", "part", "age_mi", nulls_last=True)
        .with_columns(
            name=pl.when(is_whole).then(pl.lit(_WHOLE)).otherwise("model"),
            part=pl.when(is_whole & (pl.col("part") == "line"))
            .then(pl.lit("whole"))
            .otherwise("part"),
            model=pl.when(~is_whole).then("model"),
        )
    )


def _commonest(curve: pl.DataFrame, frames: Frames) -> list[str]:
    """Return the models drawn: those with most belts now, or the first by name."""
    vehicles = frames.get("marts.vehicles_now")
    models = curve.select(pl.col("model").unique())
    if vehicles is not None:
        sums = vehicles.group_by("model").agg(pl.col("n_belts").sum())
        models = models.join(sums, on="model", how="left").sort(
            "n_belts", "model", descending=[True, False], nulls_last=True
        )
    else:
        models = models.sort("model")
    return models["model"].head(MOST_ROWS).to_list()


def _flat_words(known: pl.DataFrame) -> Sentence:
    """Say how little the age matters near the best, for the whole fleet."""
    best = known.filter(pl.col("model") == _ALL).drop_nulls(["age_mi", "age_from_mi"])
    if best.is_empty():
        return ("Each model has its own curve; the table has the numbers.",)
    row = best.row(0, named=True)
    low, high = (
        None if row[name] is None else
        Quantity(value=round(row[name], -2), kind="distance")
        for name in ("age_from_mi", "age_to_mi")
    )  # fmt: skip
    return sentence(
        "Every model together: from {low}{high} the cost is within 1 % of the least.",
        low=low or "",
        high=sentence(" to {high}", high=high) if high else (" on",),
    )


def _curve_figure(currency: str) -> Figure:
    line: Trace = {
        "type": "scatter",
        "mode": "lines",
        "x": "$age_mi",
        "y": "$cost_per_1000mi",
        "customdata": "$name",
        "hovertemplate": "%{customdata}: %{y:.2f} at %{x:,.0f}<extra></extra>",
        "connectgaps": False,
    }
    best: Trace = {
        **line,
        "mode": "markers",
        "name": "best age",
        "marker": {"symbol": "diamond", "size": 11, "color": "@warn",
                   "line": {"color": "@card", "width": 1.5}},
        "meta": {"where": {"part": "best"}},
    }  # fmt: skip
    return figure(
        [
            {**line, "name": "a model", "line": {"color": "@main", "width": 1.5},
             "meta": {"where": {"part": "line"}}},
            {**line, "name": _WHOLE, "line": {"color": "@ink", "width": 3.5},
             "meta": {"where": {"part": "whole"}}},
            best,
        ],
        x=axis("Replaced at, distance since fitting ({distance})", rangemode="tozero"),
        y=axis(f"Cost ({currency} per 1,000 {{distance}})", rangemode="tozero"),
        height=420,
    )  # fmt: skip
