"""How belts lose tension: with the miles, and over the run-in."""

from dataclasses import dataclass, replace
from typing import Final

import polars as pl

from fleetbelt.render.drift_checks import clock_words
from fleetbelt.render.figures import interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Kind,
    Quantity,
    Section,
    Sentence,
    Table,
    digits_for,
    interval_columns,
    missing,
    said,
    sentence,
)
from fleetbelt.render.words import NO_DRIFT, NO_DRIFT_HOW

MOST_NAMED: Final = 6
_FEW: Final = 20  # belts; a model with fewer leans on the fleet


@dataclass(frozen=True, slots=True, kw_only=True)
class _Loss:
    """One of the two losses, and the words about it."""

    key: str
    question: str
    columns: tuple[str, str, str]
    kind: Kind
    title: str
    words: str
    caveat: str


_DRIFT: Final = _Loss(
    key="drift",
    question="How fast do belts lose tension?",
    columns=("drift_pct_per_1000mi", "drift_lo", "drift_hi"),
    kind="percent_rate",
    title="Loss of tension ({percent_rate})",
    words="A belt loses {value} ({interval}){ends}.",
    caveat="Dashed: all models. Belts of one model differ too, by {spread} (standard "
    "deviation between belts{range}). {clock}{few}",
)
_RUN_IN: Final = _Loss(
    key="run-in",
    question="How much is lost in the first minutes?",
    columns=("run_in_loss_pct", "run_in_loss_lo", "run_in_loss_hi"),
    kind="percent",
    title="Loss over the run-in (%)",
    words="A new belt loses {value} of its tension over the run-in ({interval})"
    "{ends}. Without a recheck it stays lost.",
    caveat="Dashed: all models. It is measured from this fleet's own rechecks; no "
    "published figure was found to hold it against. {few}",
)


def by_model(frames: Frames) -> Section:
    """Show the loss of tension with the miles, by model."""
    return _section(frames, _DRIFT)


def run_in(frames: Frames) -> Section:
    """Show the loss over the run-in, by model."""
    return _section(frames, _RUN_IN)


def _section(frames: Frames, loss: _Loss) -> Section:
    table = frames.get("results.drift_by_model")
    fitted = None if table is None else table.drop_nulls(list(loss.columns))
    if fitted is None or fitted.is_empty():
        return missing(loss.key, loss.question, NO_DRIFT, NO_DRIFT_HOW)
    value, lo, hi = loss.columns
    models = fitted.filter(pl.col("model") != "all")
    models = models.sort([value, "model"], descending=[True, False])
    whole = fitted.filter(pl.col("model") == "all")
    one = (whole if whole.height else models).row(0, named=True)
    digits = digits_for(one[lo], one[hi])
    return Section(
        key=loss.key,
        question=loss.question,
        answer=_answer(loss, models, one, digits),
        caveat=_caveat(loss, one, _leaning(models), clock_words(frames)),
        figure=interval_dots(
            value=value, lo=lo, hi=hi, title=loss.title, rows=models.height,
            rangemode="tozero",
        ),
        table=Table(
            frame=pl.concat([models, whole]).with_columns(
                name=pl.col("model"),
                whole=pl.lit(one[value]),
                leans=pl.when(pl.col("is_shrunk").fill_null(value=False))
                .then(pl.lit("yes"))
                .otherwise(pl.lit("no")),
            ),
            columns=(
                Column(name="model", label="Model"),
                Column(name="name", is_shown=False),
                *interval_columns(
                    value, lo, hi, label="Loss", kind=loss.kind, digits=digits
                ),
                Column(name="n_belts", label="Belts", kind="count"),
                Column(name="n_intervals", label="Intervals read", kind="count"),
                Column(name="leans", label="Leans on the fleet"),
                Column(name="whole", kind=loss.kind, digits=3, is_shown=False),
            ),
        ),
        method="method-drift",
    )  # fmt: skip


def _answer(
    loss: _Loss, models: pl.DataFrame, one: dict[str, float], digits: int
) -> Sentence:
    ends = models if models.height else pl.DataFrame([one])
    column = loss.columns[0]
    value, interval = said(
        *(one[name] for name in loss.columns), kind=loss.kind, digits=digits
    )
    least, most = (
        replace(value, value=ends[column][end], is_bare=True) for end in (-1, 0)
    )
    between = sentence(
        ": from {least} in {low} to {most} in {high}",
        least=least,
        low=ends["model"][-1],
        most=most,
        high=ends["model"][0],
    )
    if least.text == most.text:
        between = ("; models differ by less than these figures show",)
    return sentence(
        loss.words,
        value=value,
        interval=interval,
        ends=() if models.height < 2 else between,
    )


def _caveat(
    loss: _Loss, one: dict[str, float], leaning: list[str], clock: Sentence
) -> Sentence:
    spread = one["between_belt_sd_pct"]
    shown: Quantity | Sentence = ("less than can be told",)
    if spread:
        shown = Quantity(value=spread, kind="percent_rate", digits=2)
    few: Sentence = ()
    if leaning:
        few = sentence(
            " {names} {have} fewer than {least} belts that tell, and {lean} on the "
            "fleet: {their} figures are drawn towards those of all.",
            names=_named(leaning),
            least=_FEW,
            have="has" if len(leaning) == 1 else "have",
            lean="leans" if len(leaning) == 1 else "lean",
            their="its" if len(leaning) == 1 else "their",
        )
    return sentence(
        loss.caveat, spread=shown, range=_spread_interval(one), clock=clock, few=few
    )


def _spread_interval(one: dict[str, float]) -> Sentence:
    lo, hi = one.get("between_belt_lo"), one.get("between_belt_hi")
    if lo is None or hi is None:
        return ()
    low, high = (
        Quantity(value=limit, kind="percent_rate", digits=2, is_bare=True)
        for limit in (lo, hi)
    )
    return sentence("; 95 % interval {lo} to {hi}", lo=low, hi=high)


def _leaning(models: pl.DataFrame) -> list[str]:
    """Name the models that lean on the fleet."""
    return models.filter("is_shrunk")["model"].sort().to_list()


def _named(models: list[str]) -> str:
    if len(models) > MOST_NAMED:
        return f"{len(models)} models (marked in the table)"
    return (
        models[0] if len(models) == 1 else f"{', '.join(models[:-1])} and {models[-1]}"
    )
