"""Sections on how belts were left at install, against the range that applied."""

from collections.abc import Callable
from datetime import date
from typing import Any, Final

import numpy as np
import polars as pl

from fleetbelt.models.proportions import wilson
from fleetbelt.render.figures import (
    Figure,
    axis,
    figure,
    interval_band,
    interval_dots,
    label,
    reference_line,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Recount,
    Section,
    Sentence,
    Table,
    missing,
    sentence,
    share_of,
)

FEW: Final = 10
"""Below this many installs a share is not drawn."""

GROUPS: Final = ("depot", "model", "duty")
_INSTALLS: Final = "marts.install_tension"
_NONE: Final = "No install has both a tension and a published range."
_HOW: Final = (
    "Record reading_left with its gauge and span on each install in services.csv, and "
    "the range of each drive in specs.csv; then run again."
)
_UNDER: Final = pl.col("band").is_in(["loose", "under"])
_SIDES: Final = (
    ("under", "below the range", "@warn", "/"),
    ("in", "in the range", "@main", ""),
    ("over", "above the range", "@third", "."),
)


def _held(frames: Frames) -> pl.DataFrame | None:
    """Return the installs that have a tension and a range to hold it to."""
    installs = frames.get(_INSTALLS)
    if installs is None:
        return None
    held = installs.filter(pl.col("relative").is_not_null())
    return None if held.is_empty() else held


def left_under(frames: Frames) -> tuple[int, int] | None:
    """Return how many installs were left under, and of how many."""
    table = frames.get("results.install_conformity")
    if table is None:
        return None
    whole = table.filter(pl.col("by") == "all")
    return int(whole["under"].sum()), int(whole["n"].sum())


def looked_in_range(frames: Frames) -> tuple[int, int] | None:
    """Return how many installs left under read at least the minimum, and of how many.

    The gauge's own figure is the tension over its correction: what the technician saw.
    """
    story, installs = frames.get("marts.belt_story"), frames.get(_INSTALLS)
    if story is None or installs is None:
        return None
    seen = story.filter(pl.col("tension_n").is_not_null()).unique(
        ["belt_id", "service_id", "tension_n"], maintain_order=True
    )
    under = installs.filter(_UNDER).join(
        seen.select("belt_id", "service_id", "tension_n", "correction"),
        on=["belt_id", "service_id", "tension_n"],
    )
    shown_n = pl.col("tension_n") / pl.col("correction")
    return under.filter(shown_n >= pl.col("spec_min_n")).height, under.height


def installs_share(frames: Frames) -> Sentence:
    """Say the share of installs left under, with counts and interval."""
    k, n = left_under(frames) or (0, 0)
    lo, hi = (float(limit) for limit in wilson(k, n))
    return share_of(k, n, lo, hi) if n else ("no installs with a tension and a range",)


def distribution(frames: Frames) -> Section:
    """Show tension at install against the range, model by model."""
    question = "Where in their range were new belts left?"
    installs = _held(frames)
    if installs is None:
        return missing("install-tension", question, _NONE, _HOW)
    binned = _binned(installs)
    cells = _cells(binned, "row", "bin")
    frame = _bins_by_model(binned)
    names = frame["row"].unique(maintain_order=True).to_list()
    middle = float(installs["relative"].median())  # type: ignore[arg-type]
    return Section(
        key="install-tension",
        question=question,
        answer=sentence(
            "Half of the {n} installs were left below {middle} of the way from the "
            "minimum to the maximum; the middle of the range would be {half}.",
            n=installs.height,
            middle=Quantity(value=middle, kind="share"),
            half=Quantity(value=0.5, kind="share"),
        ),
        caveat=sentence(
            "Tension is what the gauge read times that gauge's correction; each bar "
            "also holds the spread of a reading, so the true spread is narrower."
        ),
        figure=_ridges(names, binned),
        caption=sentence(
            "Bars: share of each model's installs. Dashed lines: the published minimum "
            "and maximum that applied."
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="row", label="Model"),
                Column(name="bin", is_shown=False, kind="count"),
                Column(name="middle", is_shown=False, kind="number", digits=3),
                Column(
                    name="from", label="From (0 = minimum)", kind="number", digits=2
                ),
                Column(name="to", label="To (1 = maximum)", kind="number", digits=2),
                Column(name="side", label="Against the range", words=dict(_WORDS)),
                Column(name="n", label="Installs", kind="count"),
                Column(
                    name="share", label="Share of the model's installs", kind="share"
                ),
            ),
            recount=Recount(cells=cells, by=("row", "bin"), within="row"),
        ),
        method="method-band",
    )


_WORDS: Final = {side: words for side, words, _, _ in _SIDES}


def _binned(installs: pl.DataFrame, most: int = 8) -> pl.DataFrame:
    """Give each install its bin, with edges at 0 and 1, and its row of the figure."""
    relative = installs["relative"]
    spread = float(np.subtract(*np.quantile(relative.to_numpy(), [0.98, 0.02])))
    width = next((w for w in (0.25, 0.5, 1.0, 2.0) if spread / w <= 24), 4.0)
    low, high = np.floor(np.quantile(relative.to_numpy(), [0.01, 0.99]) / width)
    largest = (
        installs["model"]
        .value_counts(sort=True)
        .sort(["count", "model"], descending=[True, False])["model"]
    )
    kept = largest if largest.len() <= most else largest.head(most - 1)
    bins = (pl.col("relative") / width).floor().clip(min(low, -1), max(high, 1 / width))
    return installs.with_columns(
        bins.cast(pl.Int64).alias("bin"),
        pl.lit(width).alias("width"),
        pl.when(pl.col("model").is_in(kept.to_list()))
        .then("model")
        .otherwise(pl.lit("other models"))
        .alias("row"),
    )


def _cells(installs: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Count installs, and those left under, by depot, model, duty and more."""
    return (
        installs.group_by(*GROUPS, *(name for name in by if name not in GROUPS))
        .agg(pl.len().alias("n"), _UNDER.sum().alias("k"))
        .sort(pl.all())
    )


def _bins_by_model(binned: pl.DataFrame) -> pl.DataFrame:
    """Return every bin of every row of the figure, empty ones too."""
    counts = binned.group_by("row", "bin").agg(pl.len().alias("n"))
    rows = counts.group_by("row").agg(pl.col("n").sum().alias("total"))
    rows = rows.sort(["total", "row"], descending=[True, False])
    low, high = binned.select(lo=pl.col("bin").min(), hi=pl.col("bin").max()).row(0)
    bins = pl.DataFrame({"bin": pl.int_range(low, high + 1, eager=True)})
    width = binned["width"][0]
    first = pl.col("bin") * width
    return (
        rows.join(bins, how="cross")
        .join(counts, on=["row", "bin"], how="left", maintain_order="left")
        .with_columns(pl.col("n").fill_null(0))
        .with_columns(
            first.alias("from"),
            (first + width).alias("to"),
            (first + width / 2).alias("middle"),
            (pl.col("n") / pl.col("total")).alias("share"),
            pl.when(first < 0)
            .then(pl.lit("under"))
            .when(first >= 1)
            .then(pl.lit("over"))
            .otherwise(pl.lit("in"))
            .alias("side"),
        )
    )


def _ridges(names: list[str], binned: pl.DataFrame) -> Figure:
    """Return a small histogram a model, one above the other, on one axis."""
    step = 1 / len(names)
    width = float(binned["width"][0])
    first, last = binned.select(lo=pl.col("bin").min(), hi=pl.col("bin").max()).row(0)
    low, high = width * first, width * (last + 1)
    layout: dict[str, Any] = {"barmode": "overlay", "annotations": []}
    traces = []
    for place, name in enumerate(names):
        number = "" if place == 0 else str(place + 1)
        top = 1 - place * step
        layout[f"yaxis{number}"] = {
            "domain": [top - step * 0.72, top - step * 0.02],
            "tickformat": ".0%",
            "nticks": 3,
            "rangemode": "tozero",
            "zeroline": False,
        }
        layout["annotations"].append(_row_name(name, top - step * 0.02))
        traces += [
            _bars(name, f"y{number}", side, width=width * 0.94, is_first=place == 0)
            for side in _SIDES
        ]
    layout["shapes"] = [_edge(0.0), _edge(1.0)]
    title = "Place in the range (0 = min, 1 = max)"
    x = axis(
        title,
        anchor=f"y{len(names)}" if len(names) > 1 else "y",
        zeroline=False,
        range=[low, high],
    )
    y = layout.pop("yaxis")
    return figure(traces, x=x, y=y, height=120 + 92 * len(names), **layout)


def _row_name(name: str, y: float) -> dict[str, Any]:
    return {
        "text": label(name),
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": y,
        "xanchor": "left",
        "yanchor": "top",
        "showarrow": False,
        "font": {"color": "@ink"},
    }


def _bars(
    row: str, yaxis: str, side: tuple[str, str, str, str], *,
    width: float, is_first: bool,
) -> dict[str, Any]:  # fmt: skip
    code, words, colour, hatch = side
    return {
        "type": "bar",
        "x": "$middle",
        "y": "$share",
        "width": width,
        "yaxis": yaxis,
        "name": words,
        "legendgroup": code,
        "showlegend": is_first,
        "marker": {
            "color": colour,
            "pattern": {
                "shape": hatch,
                "fillmode": "overlay",
                "fgcolor": "@card",
                "solidity": 0.3,
                "size": 7,
            },
        },
        "customdata": "$n",
        "hovertemplate": "%{y:.0%} of the row, %{customdata} installs<extra></extra>",
        "meta": {"where": {"row": row, "side": code}},
    }


def _edge(x: float) -> dict[str, Any]:
    return reference_line(x) | {"layer": "above"}


def by_month(frames: Frames) -> Section:
    """Show the share of installs left under as time went on."""
    question = "Is it getting better?"
    table, installs = frames.get("results.install_conformity"), _held(frames)
    if table is None or installs is None:
        return missing("by-month", question, _NONE, _HOW)
    whole = table.filter(pl.col("by") == "all")
    period = _period(whole)
    counts = _shares(
        whole.group_by(period("month").alias("period")).agg(
            pl.col("n").sum(), pl.col("under").sum().alias("k")
        )
    ).sort("period")
    cells = _cells(
        installs.with_columns(period("install_date").cast(pl.String).alias("period")),
        "period",
    )
    return Section(
        key="by-month",
        question=question,
        answer=_first_and_last(counts),
        caveat=sentence(
            f"A period with fewer than {FEW} installs is in the table and not in the "
            "figure. The band is the chance of the draw (Wilson, 95 %), not a limit."
        ),
        figure=figure(
            interval_band(
                x="period", value="share", lo="lo", hi="hi", name="left under"
            ),
            x=axis("Period of the install", type="date"),
            y=axis("Installs left under (%)", tickformat=".0%", rangemode="tozero"),
        ),
        table=Table(
            frame=counts,
            columns=(Column(name="period", label="Period from", kind="date"), *_COUNTS),
            recount=Recount(cells=cells, by=("period",)),
        ),
        method="method-share",
    )


_COUNTS: Final = (
    Column(name="k", label="Left under", kind="count"),
    Column(name="n", label="Installs", kind="count"),
    Column(
        name="share",
        label="Share left under, 95 % interval",
        kind="share",
        beside="({lo} to {hi})",
    ),
    Column(name="lo", label="Lower 95 % limit", kind="share"),
    Column(name="hi", label="Upper 95 % limit", kind="share"),
)


def _period(whole: pl.DataFrame) -> Callable[[str], pl.Expr]:
    """Return the shortest of month, quarter, year that is mostly not too few."""

    def start(every: str) -> Callable[[str], pl.Expr]:
        return lambda column: pl.col(column).cast(pl.Date).dt.truncate(every)

    for every in ("1mo", "1q"):
        sums = whole.group_by(start(every)("month")).agg(pl.col("n").sum())
        if (sums["n"] >= FEW).mean() >= 0.8:  # type: ignore[operator]
            return start(every)
    return start("1y")


def _shares(counts: pl.DataFrame) -> pl.DataFrame:
    """Add the share and its Wilson interval, null below `FEW`."""
    lo, hi = wilson(counts["k"].to_numpy(), counts["n"].to_numpy())
    enough = pl.col("n") >= FEW
    shares = counts.with_columns(
        share=pl.col("k") / pl.col("n"), lo=pl.Series(lo), hi=pl.Series(hi)
    )
    return shares.with_columns(pl.when(enough).then(pl.col("share", "lo", "hi")))


def _first_and_last(counts: pl.DataFrame) -> Sentence:
    drawn = counts.drop_nulls("share")
    if drawn.height < 2:
        return (f"Too few installs to say: no two periods have {FEW} or more.",)
    first, last = drawn.row(0, named=True), drawn.row(-1, named=True)
    return sentence(
        "{last_share} in the period from {last}, against {first_share} from "
        "{first}{word}",
        last_share=share_of(last["k"], last["n"], last["lo"], last["hi"]),
        last=_iso(last["period"]),
        first_share=share_of(first["k"], first["n"], first["lo"], first["hi"]),
        first=_iso(first["period"]),
        word=_apart(first, last),
    )


def _apart(first: dict[str, Any], last: dict[str, Any]) -> str:
    if last["hi"] < first["lo"]:
        return ": fewer than before, by more than chance explains."
    if last["lo"] > first["hi"]:
        return ": more than before, by more than chance explains."
    return ". The intervals overlap: no clear change between these two."


def _iso(day: date) -> str:
    return day.isoformat()


def by_group(frames: Frames, group: str) -> Section:
    """Show the share of installs left under by depot or by model."""
    question = f"Does it differ by {group}?"
    installs = _held(frames)
    if installs is None:
        return missing(f"by-{group}", question, _NONE, _HOW)
    whole = _shares(_cells(installs).select(pl.col("n", "k").sum()))
    counts = _shares(
        installs.group_by(pl.col(group).alias("name")).agg(
            pl.len().alias("n"), _UNDER.sum().alias("k")
        )
    ).sort(["share", "name"], descending=[True, False], nulls_last=True)
    plot = interval_dots(
        value="share", lo="lo", hi="hi", title="Installs left under (%)",
        rows=counts.height, tickformat=".0%", rangemode="tozero",
    )  # fmt: skip
    overall = whole["share"][0]
    if overall is not None:
        plot["layout"]["shapes"] = [reference_line(overall)]
    cells = _cells(installs.with_columns(pl.col(group).alias("name")), "name")
    return Section(
        key=f"by-{group}",
        question=question,
        answer=_spread_words(counts, overall, group),
        caveat=sentence(
            "Dashed: the whole fleet. Groups differ in gauges, models and people; a "
            "difference here is a place to look, not a cause."
        ),
        figure=plot,
        table=Table(
            frame=counts,
            columns=(Column(name="name", label=group.capitalize()), *_COUNTS),
            recount=Recount(cells=cells, by=("name",)),
        ),
        method="method-share",
    )


def _spread_words(counts: pl.DataFrame, overall: float | None, group: str) -> Sentence:
    drawn = counts.drop_nulls("share")
    if overall is None or drawn.is_empty():
        return (f"No {group} has {FEW} installs or more, so no share is drawn.",)
    more = drawn.filter(pl.col("lo") > overall)["name"].to_list()
    fewer = drawn.filter(pl.col("hi") < overall)["name"].to_list()
    return sentence(
        "Against {overall} of the whole fleet, clearly more were left under in {more}, "
        "clearly fewer in {fewer}.",
        overall=Quantity(value=overall, kind="share"),
        more=_listed(more),
        fewer=_listed(fewer),
    )


def _listed(names: list[str], most: int = 4) -> str:
    shown = ", ".join(name[:40] for name in names[:most]) or "none"
    rest = len(names) - most
    return f"{shown} and {rest} more" if rest > 0 else shown
