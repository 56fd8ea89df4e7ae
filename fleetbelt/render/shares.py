"""Shares of installs left under: counted, given intervals, compared."""

from collections.abc import Callable
from datetime import date
from typing import Final

import polars as pl

from fleetbelt.models.proportions import newcombe, wilson
from fleetbelt.render.figures import (
    axis,
    figure,
    interval_band,
    interval_dots,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Recount,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
    share_of,
)

FEW: Final = 10
"""Below this many installs a share is not drawn."""

GROUPS: Final = ("depot", "model", "duty")
UNDER: Final = pl.col("band").is_in(["loose", "under"])
NONE: Final = "No install has both a tension and a published range."
HOW: Final = (
    "Record reading_left with its gauge and span on each install in services.csv, and "
    "the range of each drive in specs.csv; then run again."
)

COUNTS: Final = (
    Column(name="k", label="Left under", kind="count"),
    Column(name="n", label="Installs", kind="count"),
    *interval_columns("share", "lo", "hi", label="Share left under", kind="share"),
)


def held(frames: Frames) -> pl.DataFrame | None:
    """Return the installs that have a tension and a range to hold it to."""
    installs = frames.get("marts.install_tension")
    if installs is None:
        return None
    with_range = installs.filter(pl.col("relative").is_not_null())
    return None if with_range.is_empty() else with_range


def cells(installs: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Count installs, and those left under, by depot, model, duty and more."""
    return (
        installs.group_by(*GROUPS, *(name for name in by if name not in GROUPS))
        .agg(pl.len().alias("n"), UNDER.sum().alias("k"))
        .sort(pl.all())
    )


def with_shares(counts: pl.DataFrame) -> pl.DataFrame:
    """Add the share ``k / n`` and its Wilson interval, null below `FEW`."""
    lo, hi = wilson(counts["k"].to_numpy(), counts["n"].to_numpy())
    shares = counts.with_columns(
        share=pl.col("k") / pl.col("n"), lo=pl.Series(lo), hi=pl.Series(hi)
    )
    enough = pl.col("n") >= FEW
    return shares.with_columns(pl.when(enough).then(pl.col("share", "lo", "hi")))


def by_month(frames: Frames) -> Section:
    """Show the share of installs left under as time went on."""
    question = "Is it getting better?"
    table, installs = frames.get("results.install_conformity"), held(frames)
    if table is None or installs is None:
        return missing("by-month", question, NONE, HOW)
    whole = table.filter(pl.col("by") == "all")
    every = _period(whole)
    start = _starts(every)
    counts = with_shares(
        whole.group_by(start("month").alias("period")).agg(
            pl.col("n").sum(), pl.col("under").sum().alias("k")
        )
    ).sort("period")
    by_period = cells(
        installs.with_columns(start("install_date").cast(pl.String).alias("period")),
        "period",
    )
    return Section(
        key="by-month",
        question=question,
        answer=_last_year(whole, frames.fact("as_of")),
        caveat=sentence(
            f"One dot a {_PERIODS[every]}; fewer than {FEW} installs are in the table "
            "and not in the figure. The band is the chance of the draw (Wilson, 95 %)."
        ),
        figure=None
        if not counts["share"].count()
        else figure(
            interval_band(
                x="period", value="share", lo="lo", hi="hi", name="left under"
            ),
            x=axis("Day of the install", type="date"),
            y=axis("Installs left under (%)", tickformat=".0%", rangemode="tozero"),
        ),
        table=Table(
            frame=counts,
            columns=(
                Column(name="period", label=f"{_PERIODS[every]} from", kind="date"),
                *COUNTS,
            ),
            recount=Recount(cells=by_period, by=("period",)),
        ),
        method="method-share",
    )


_PERIODS: Final = {"1mo": "month", "1q": "quarter", "1y": "year"}


def _starts(every: str) -> Callable[[str], pl.Expr]:
    return lambda column: pl.col(column).cast(pl.Date).dt.truncate(every)


def _period(whole: pl.DataFrame) -> str:
    """Return the shortest period in which installs are mostly not too few."""
    for every in ("1mo", "1q"):
        sums = whole.group_by(_starts(every)("month")).agg(pl.col("n").sum())
        if sums.filter(pl.col("n") >= FEW).height >= 0.8 * sums.height:
            return every
    return "1y"


def _last_year(whole: pl.DataFrame, as_of: str) -> Sentence:
    """Compare the last twelve whole months with the twelve before."""
    last_month = date.fromisoformat(as_of) if as_of else whole["month"].max()
    age = (pl.lit(last_month).dt.year() - pl.col("month").dt.year()) * 12 + (
        pl.lit(last_month).dt.month() - pl.col("month").dt.month()
    )
    years = with_shares(
        whole.with_columns(year=age // 12)
        .filter(pl.col("year").is_in([0, 1]))
        .group_by("year")
        .agg(pl.col("n").sum(), pl.col("under").sum().alias("k"))
        .sort("year")
    )
    if years.height < 2 or years["share"].null_count():
        return (
            f"Too few installs to say: the last two years had fewer than {FEW} each.",
        )
    now, before = years.rows(named=True)
    return sentence(
        "Left under in the last 12 months: {now}; in the 12 months before: {before}. "
        "{verdict}",
        now=share_of(now["k"], now["n"], now["lo"], now["hi"]),
        before=share_of(before["k"], before["n"], before["lo"], before["hi"]),
        verdict=_change(now, before),
    )


def _change(now: dict[str, int], before: dict[str, int]) -> str:
    low, high = newcombe((now["k"], now["n"]), (before["k"], before["n"]))
    if high < 0:
        return "Fewer than before, by more than chance explains."
    if low > 0:
        return "More than before, by more than chance explains."
    return "No clear change."


def by_group(frames: Frames, group: str) -> Section:
    """Show the share of installs left under by depot, model or shop."""
    question = f"Are more belts left under in some {group}s?"
    installs = held(frames)
    if installs is None:
        return missing(f"by-{group}", question, NONE, HOW)
    named = installs.with_columns(pl.col(group).fill_null("not given").alias("name"))
    overall = with_shares(cells(named).select(pl.col("n", "k").sum()))["share"][0]
    counts = with_shares(
        named.group_by("name").agg(pl.len().alias("n"), UNDER.sum().alias("k"))
    ).sort(["share", "name"], descending=[True, False], nulls_last=True)
    plot = interval_dots(
        value="share", lo="lo", hi="hi", title="Installs left under (%)",
        rows=counts.height, tickformat=".0%", rangemode="tozero",
    )  # fmt: skip
    return Section(
        key=f"by-{group}",
        question=question,
        answer=_spread(counts, overall, group),
        caveat=sentence(
            "Dashed: the whole fleet. Groups differ in gauges, models and people; a "
            "difference here is a place to look, not a cause."
        ),
        figure=None if overall is None or not counts["share"].count() else plot,
        table=Table(
            frame=counts.with_columns(whole=pl.lit(overall, dtype=pl.Float64)),
            columns=(
                Column(name="name", label=group.capitalize()),
                *COUNTS,
                Column(name="whole", kind="share", is_shown=False),
            ),
            recount=Recount(cells=cells(named, "name"), by=("name",)),
        ),
        method="method-share",
    )


def _spread(counts: pl.DataFrame, overall: float | None, group: str) -> Sentence:
    drawn = counts.drop_nulls("share")
    if overall is None or drawn.is_empty():
        return (f"No {group} has {FEW} installs or more, so no share is drawn.",)
    more = drawn.filter(pl.col("lo") > overall)["name"].to_list()
    fewer = drawn.filter(pl.col("hi") < overall)["name"].to_list()
    if not more and not fewer:
        return sentence(
            "No {group} clearly differs from the {overall} of the whole fleet.",
            group=group,
            overall=Quantity(value=overall, kind="share"),
        )
    return sentence(
        "Against {overall} of the whole fleet, clearly more were left under in {more}, "
        "clearly fewer in {fewer}.",
        overall=Quantity(value=overall, kind="share"),
        more=listed(more, f"no {group}"),
        fewer=listed(fewer, f"no {group}"),
    )


def listed(names: list[str], none: str, most: int = 4) -> str:
    """Return names as text: the first few, and how many more."""
    most += len(names) == most + 1  # one more is as short as its name
    shown = ", ".join(name[:40] for name in names[:most]) or none
    rest = len(names) - most
    return f"{shown} and {rest} more" if rest > 0 else shown
