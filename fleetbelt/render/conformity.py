"""How belts were left at install, against the range that applied."""

from typing import Any, Final

import numpy as np
import polars as pl

from fleetbelt.models.proportions import wilson
from fleetbelt.render.figures import (
    PLACES,
    Figure,
    axis,
    figure,
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
from fleetbelt.render.shares import HOW, NONE, UNDER, cells, held

_SIDES: Final = (
    ("under", "below the range", "@warn", "/"),
    ("in", "in the range", "@main", ""),
    ("over", "above the range", "@third", "."),
)


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
    None where no gauge is calibrated: then nothing tells what looked right and was not.
    """
    installs = frames.get("marts.install_tension")
    if installs is None or frames.get("results.gauge_curves") is None:
        return None
    under = installs.filter(UNDER)
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
    installs = held(frames)
    if installs is None:
        return missing("install-tension", question, NONE, HOW)
    binned = _binned(installs)
    counted = cells(binned, "row", "bin")
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
            recount=Recount(cells=counted, by=("row", "bin"), within="row"),
        ),
        method="method-band",
    )


_MOST_BINS: Final = 60  # on either side of the minimum; the last holds what is beyond
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
    low, high = max(min(low, -1), -_MOST_BINS), min(max(high, 1 / width), _MOST_BINS)
    bins = (pl.col("relative") / width).floor().clip(low, high)
    return installs.with_columns(
        bins.cast(pl.Int64).alias("bin"),
        pl.lit(width).alias("width"),
        pl.when(pl.col("model").is_in(kept.to_list()))
        .then("model")
        .otherwise(pl.lit("other models"))
        .alias("row"),
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
    low, high = min(width * first, -0.1), max(width * (last + 1), 1.1)
    layout: dict[str, Any] = {"barmode": "overlay", "annotations": []}
    traces = []
    for place, name in enumerate(names):
        number = "" if place == 0 else str(place + 1)
        top = 1 - place * step
        layout[f"yaxis{number}"] = {
            "domain": [top - step * 0.96, top - step * 0.26],
            **({"matches": "y"} if place else {}),
            "tickformat": ".0%",
            "nticks": 3,
            "rangemode": "tozero",
            "zeroline": False,
        }
        layout["annotations"].append(_row_name(name, top - step * 0.24))
        traces += [
            _bars(name, f"y{number}", side, width=width * 0.94, is_first=place == 0)
            for side in _SIDES
        ]
    layout["shapes"] = [reference_line(x, layer="above") for x in (0.0, 1.0)]
    in_words = high - low <= 4
    x = axis(
        "Place in the range" if in_words else "Place in the range (0 = min, 1 = max)",
        anchor=f"y{len(names)}" if len(names) > 1 else "y",
        range=[low, high],
        **(PLACES if in_words else {"zeroline": False}),
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
        "yanchor": "bottom",
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
