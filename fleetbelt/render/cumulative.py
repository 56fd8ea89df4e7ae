"""Complaints of a belt by the miles it has run: mean cumulative curves by band."""

from typing import Any, Final

import polars as pl

from fleetbelt.render.bands import LEFT, LOOKS, SHORT, in_order
from fleetbelt.render.figures import Figure, Trace, axis, figure
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

_QUESTION: Final = "How does noise add up over a belt's life?"
_NONE: Final = "No complaint is of a belt whose fitting and install tension are known."
_HOW: Final = (
    "Put complaints into complaints.csv, and record each fitting in services.csv."
)
_STEPS: Final = 200
_FEW: Final = 10
_MARKS_MI: Final = (30_000.0, 20_000.0, 10_000.0, 5_000.0)


def curves(frames: Frames) -> Section:
    """Show mean complaints of squeal, or of any noise, by miles and install band."""
    table = frames.get("results.noise_curve")
    chosen = None if table is None else _chosen(table)
    if chosen is None:
        return missing("noise-curve", _QUESTION, _NONE, _HOW)
    noise, drawn = chosen
    heard = "squeal" if noise == "squeal" else "any noise"
    return Section(
        key="noise-curve",
        question=_QUESTION,
        answer=_answer(drawn, heard),
        caveat=sentence(
            "The mean of all belts of a band, those never heard included. The interval "
            "allows for complaints that cluster by belt."
        ),
        caption=sentence(
            "Complaints of {heard}. Bands: 95 %. A line ends where fewer than {few} "
            "belts are left at risk.",
            heard=heard,
            few=_FEW,
        ),
        figure=_figure(drawn["band"].unique().to_list()),
        table=Table(
            frame=drawn,
            columns=(
                Column(name="band", label="Left at install", words=SHORT),
                Column(name="miles", label="Since fitting", kind="distance"),
                Column(name="at_risk", label="At risk", kind="count"),
                *interval_columns("mean_complaints", "mean_lo", "mean_hi",
                                  label="Complaints a belt", kind="number", digits=3),
            ),
            note=(
                (f"At most {_STEPS} steps a curve; tables/noise_curve.csv has every "
                "step."),
            ),
        ),
        method="method-noise",
    )  # fmt: skip


def _chosen(table: pl.DataFrame) -> tuple[str, pl.DataFrame] | None:
    """Return the steps of the curves of squeal, else of any noise; None without."""
    for noise in ("squeal", "all"):
        steps = table.filter(
            pl.col("band").is_in(list(LOOKS)),
            pl.col("at_risk") >= _FEW,
            model="all",
            noise=noise,
        )
        if steps.height and float(steps.select(pl.col("mean_complaints").max()).item()):
            return noise, _thinned(steps.sort(in_order(), "miles"))
    return None


def _thinned(steps: pl.DataFrame) -> pl.DataFrame:
    """Keep at most `_STEPS` steps a band, evenly, and its last."""
    place, length = pl.int_range(pl.len()).over("band"), pl.len().over("band")
    every = (length / _STEPS).ceil().cast(pl.Int64)
    return steps.filter((place % every == 0) | (place == length - 1))


def _answer(steps: pl.DataFrame, heard: str) -> Sentence:
    """Say how often a belt has been heard by a mile that two bands have reached."""
    ends = steps.group_by("band").agg(pl.col("miles").max())
    for mark in _MARKS_MI:
        reached = ends.filter(pl.col("miles") >= mark)["band"].to_list()
        if len(reached) > 1:
            break
    else:
        return ("The belts of a second band have not run far enough to compare.",)
    parts = sentence(
        "By {mark} a belt has been complained of for {heard} so often, on average.",
        mark=Quantity(value=mark, kind="distance"),
        heard=heard,
    )
    said_of = 0
    for band in (band for band in LOOKS if band in reached):
        at = steps.filter(pl.col("miles") <= mark, band=band)
        if at.is_empty():
            continue
        said_of += 1
        row = at.row(-1, named=True)
        parts += sentence(
            " {band}: {mean}.", band=LEFT[band].capitalize(), mean=_mean(row)
        )
    return parts if said_of else ("Too few belts were under observation so early.",)


def _mean(row: dict[str, Any]) -> Sentence:
    mean, lo, hi = (row[x] for x in ("mean_complaints", "mean_lo", "mean_hi"))
    if lo is None or hi is None:
        return (Quantity(value=mean, kind="number", digits=2),)
    value, interval = said(mean, lo, hi, kind="number", digits=2)
    return sentence("{value} ({interval})", value=value, interval=interval)


def _figure(bands: list[str]) -> Figure:
    traces: list[Trace] = []
    for band, (colour, dash) in LOOKS.items():
        if band not in bands:
            continue
        if band in {"under", "in_spec"}:
            traces += _interval(band, colour)
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": "$miles",
                "y": "$mean_complaints",
                "line": {"color": colour, "dash": dash, "width": 2.5, "shape": "hv"},
                "name": SHORT[band],
                "meta": {"where": {"band": band}},
            }
        )
    return figure(
        traces,
        x=axis("Distance since fitting ({distance})", rangemode="tozero"),
        y=axis("Complaints a belt, mean so far", rangemode="tozero"),
        height=380,
    )


def _interval(band: str, colour: str) -> list[Trace]:
    edge: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "x": "$miles",
        "line": {"width": 0, "shape": "hv", "color": colour},
        "hoverinfo": "skip",
        "showlegend": False,
        "meta": {"where": {"band": band}},
    }
    filled = {"fill": "tonexty", "fillcolor": f"{colour}-band"}
    return [{**edge, "y": "$mean_lo"}, {**edge, "y": "$mean_hi", **filled}]
