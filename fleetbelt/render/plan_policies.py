"""What other ways of working would bring a year."""

import math
from typing import Any, Final

import polars as pl

from fleetbelt.models.policy import ASSUMPTION
from fleetbelt.render.figures import (
    MOST_ROWS,
    Figure,
    Trace,
    axis,
    figure,
    hatched,
    row_axis,
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

_HOW: Final = (
    "The comparison needs belts that failed, and belts left in range and not, in the "
    "records of a year or more."
)
_POLICIES: Final = {
    "as_today": "as today",
    "all_in_range": "every install in range",
    "recheck_always": "always recheck after run-in",
    "retension_at_threshold": "retension at the threshold",
    "replace_at_age": "replace at the best age",
    "all_together": "all of these together",
}


def what_if(frames: Frames) -> Section:
    """Show the cost a year of other ways of working."""
    question = "What would another way of working bring?"
    table = frames.get("results.what_if")
    if table is None:
        return missing(
            "what-if", question, "Ways of working could not be compared.", _HOW
        )
    currency = frames.fact("currency", "¤")
    order = {policy: place for place, policy in enumerate(_POLICIES)}
    frame = table.sort(
        pl.col("policy").replace_strict(order, default=len(order)), "policy"
    ).with_columns(
        name=pl.col("policy").replace_strict(_POLICIES, default=pl.col("policy")),
        means=pl.col("assumption").str.strip_suffix(ASSUMPTION).str.strip_chars(),
        whole=table.filter(pl.col("policy") == "as_today")["cost_per_year"].first(),
    )
    return Section(
        key="what-if",
        question=question,
        answer=_cheapest(frame, currency),
        caveat=(ASSUMPTION,),
        caption=("Dashed: as today. Lines on the bars: 95 % intervals.",),
        figure=_what_if_figure(min(frame.height, MOST_ROWS), currency),
        table=Table(frame=frame, columns=_what_if_columns(currency)),
        method="method-what-if",
    )


def _what_if_figure(shown: int, currency: str) -> Figure:
    bars: dict[str, Any] = {
        "type": "bar",
        "orientation": "h",
        "x": "$cost_per_year",
        "y": "$#",
        "marker": hatched("@main", ""),
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": "$cost_hi-cost_per_year",
            "arrayminus": "$cost_per_year-cost_lo",
            "color": "@ink",
            "thickness": 2,
            "width": 6,
        },
        "customdata": "$name",
        "hovertemplate": "%{customdata}: %{x:,.0f}<extra></extra>",
        "showlegend": False,
        "name": "",
    }
    today: Trace = {
        "type": "scatter",
        "mode": "lines",
        "x": "$whole",
        "y": "$#",
        "line": {"color": "@ink", "width": 1.5, "dash": "dash"},
        "hoverinfo": "skip",
        "showlegend": False,
    }
    return figure(
        [bars, today],
        x=axis(f"Cost a year ({currency})", rangemode="tozero"),
        y=row_axis("name", shown),
        height=100 + 38 * shown,
    )


def _what_if_columns(currency: str) -> tuple[Column, ...]:
    return (
        Column(name="name", label="Way of working"),
        *interval_columns("cost_per_year", "cost_lo", "cost_hi",
                          label=f"Cost a year ({currency})", kind="number"),
        *interval_columns("saving_per_year", "saving_lo", "saving_hi",
                          label=f"Saving against today ({currency})", kind="number"),
        *interval_columns("road_failures_per_year", "road_failures_lo",
                          "road_failures_hi", label="Road failures a year",
                          kind="number", digits=1),
        *interval_columns("complaints_per_year", "complaints_lo", "complaints_hi",
                          label="Complaints a year", kind="number"),
        Column(name="means", label="What it means"),
        Column(name="whole", kind="number", is_shown=False),
    )  # fmt: skip


def _cheapest(frame: pl.DataFrame, currency: str) -> Sentence:
    others = frame.filter(pl.col("policy") != "as_today").sort(
        "cost_per_year", "policy"
    )
    if others.is_empty() or others.height == frame.height:
        return ("There is nothing to compare with.",)
    least = others.row(0, named=True)
    if least["saving_per_year"] <= 0:
        return ("No other way of working costs less than today's.",)
    step = _step(least["saving_lo"], least["saving_hi"])
    saved, interval = said(
        *(
            step * round(least[name] / step)
            for name in ("saving_per_year", "saving_lo", "saving_hi")
        ),
        kind="money",
        unit=currency,
    )
    cost = step * round(least["cost_per_year"] / step)
    doubt = (
        " The interval reaches below nothing: it may save nothing at all."
        if least["saving_lo"] <= 0
        else ""
    )
    return sentence(
        "'{policy}' costs the least: {cost} a year, {saved} ({interval}) less than "
        "today.{doubt}",
        policy=least["name"],
        cost=Quantity(value=cost, kind="money", unit=currency),
        saved=saved,
        interval=interval,
        doubt=doubt,
    )


def _step(lo: float, hi: float) -> float:
    """Return what money is rounded to: its interval keeps two digits, whole at most."""
    width = hi - lo
    return float(10 ** max(0, math.floor(math.log10(width)) - 1)) if width > 0 else 1.0
