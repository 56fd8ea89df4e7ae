"""How long belts run, by the tension they were left with at install."""

import math
from typing import Any, Final

import polars as pl

from fleetbelt.render.bands import LEFT, LOOKS, SHORT
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

_NONE: Final = "Too few belts have failed to tell how long they run."
_HOW: Final = (
    "Record removal_reason and the odometer in services.csv whenever a belt comes off."
)
_LOOKS: Final = {**LOOKS, "all": ("@main", "solid")}
_FEW: Final = 10
_STEPS: Final = 300


def survival(frames: Frames) -> Section:
    """Show the share of belts still running against miles, by install band."""
    question = "How long do belts run?"
    curves = frames.get("results.life_curve")
    if curves is None:
        return missing("life", question, _NONE, _HOW)
    whole = curves.filter(model="all")
    drawn = whole.filter(pl.col("band").is_in(list(LOOKS)))
    if drawn.is_empty():  # no band is known, so all belts together
        drawn = whole.filter(band="all")
    if drawn.is_empty():
        return missing("life", question, _NONE, _HOW)
    steps = _thinned(drawn.sort("band", "miles"))
    shape = "linear" if _is_smooth(drawn) else "hv"
    frame = pl.concat([_split(steps), _at_risk(drawn)], how="diagonal")
    return Section(
        key="life",
        question=question,
        answer=_answer(drawn),
        caveat=sentence(
            "Belts still running count as running, not as failed. A line goes thin "
            f"where fewer than {_FEW} belts are left at risk."
        ),
        caption=("Numbers under the curves: belts at risk at those miles.",),
        figure=_curves(drawn["band"].unique().to_list(), shape),
        table=Table(
            frame=frame,
            columns=(
                Column(name="band", label="Left at install", words=SHORT),
                Column(name="miles", label="Since fitting", kind="distance"),
                Column(name="at_risk", label="At risk", kind="count"),
                *interval_columns("survival", "survival_lo", "survival_hi",
                                  label="Still running", kind="share"),
                Column(name="part", is_shown=False),
                Column(name="row", kind="number", is_shown=False),
            ),
            note=("At most 300 steps a curve; tables/life_curve.csv has every step.",),
        ),
        method="method-life",
    )  # fmt: skip


def _is_smooth(curves: pl.DataFrame) -> bool:
    """Tell whether the curve has knots at round miles: no steps between failures."""
    return curves.filter(pl.col("miles") % 5_000 == 0).height > curves.height / 2


def _thinned(curves: pl.DataFrame) -> pl.DataFrame:
    """Keep at most `_STEPS` steps a band, evenly, and its last."""
    place = pl.int_range(pl.len()).over("band")
    length = pl.len().over("band")
    every = (length / _STEPS).ceil().cast(pl.Int64)
    return curves.filter((place % every == 0) | (place == length - 1))


def _split(steps: pl.DataFrame) -> pl.DataFrame:
    """Start with nothing failed; part the steps with enough at risk from the rest."""
    start = (
        steps.group_by("band", maintain_order=True)
        .first()
        .with_columns(
            pl.lit(0.0).alias("miles"),
            pl.lit(1.0).alias("survival"),
            pl.lit(1.0).alias("survival_lo"),
            pl.lit(1.0).alias("survival_hi"),
            is_drawn_only=pl.lit(value=True),
        )
    )
    steps = steps.with_columns(is_drawn_only=pl.lit(value=False))
    steps = pl.concat([start.select(steps.columns), steps]).sort(
        "band", "miles", "survival", descending=[False, False, True]
    )
    few = pl.col("at_risk") < _FEW
    joint = steps.filter(few & ~few.shift(1, fill_value=False).over("band"))
    return pl.concat(
        [
            steps.with_columns(
                part=pl.when(few).then(pl.lit("thin")).otherwise(pl.lit("firm"))
            ),
            joint.with_columns(part=pl.lit("firm"), is_drawn_only=pl.lit(value=True)),
        ]
    ).sort("band", "miles", "survival", descending=[False, False, True])


def _at_risk(curves: pl.DataFrame) -> pl.DataFrame:
    """Return how many belts of each band are at risk at a few round miles."""
    furthest = float(curves.select(pl.col("miles").max()).item())
    step = next(
        (s for s in (5_000, 10_000, 20_000, 50_000) if furthest / s <= 7), 100_000
    )
    grid = pl.DataFrame({"grid": [float(x) for x in range(0, int(furthest) + 1, step)]})
    shown = [band for band in _LOOKS if band in curves["band"]]
    rows = {band: float(row) for row, band in enumerate(shown)}
    ahead = grid.join(curves, how="cross").filter(pl.col("miles") >= pl.col("grid"))
    return (
        ahead.sort("band", "grid", "miles")
        .group_by("band", "grid", maintain_order=True)
        .agg(pl.col("at_risk").first())
        .select(
            "band",
            "at_risk",
            miles="grid",
            part=pl.lit("risk"),
            row=pl.col("band").replace_strict(rows),
            is_drawn_only=pl.lit(value=True),
        )
    )


def _curves(bands: list[str], shape: str) -> Figure:
    shown = [band for band in _LOOKS if band in bands]
    traces: list[Trace] = []
    for band in shown:
        traces += _interval(band, shape) if band in {"under", "in_spec", "all"} else []
        traces += [_line(band, part, shape) for part in ("firm", "thin")]
    traces.append(_risk_numbers())
    second = {
        "domain": [0, 0.2],
        "range": [len(shown) - 0.5, -0.5],
        "tickvals": list(range(len(shown))),
        "ticktext": [SHORT[band] for band in shown],
        "ticklabelstandoff": 18,
        "showgrid": False,
        "zeroline": False,
    }
    return figure(
        traces,
        x=axis("Distance since fitting ({distance})", rangemode="tozero", anchor="y2"),
        y=axis(
            "Belts still running (%)",
            tickformat=".0%",
            domain=[0.27, 1],
            range=[-0.02, 1.05],
        ),
        yaxis2=second,
        height=520,
    )


def _line(band: str, part: str, shape: str) -> Trace:
    colour, dash = _LOOKS[band]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": "$miles",
        "y": "$survival",
        "line": {
            "color": colour,
            "dash": dash,
            "width": 2.5 if part == "firm" else 0.8,
            "shape": shape,
        },
        "name": SHORT[band],
        "legendgroup": band,
        "showlegend": part == "firm",
        "meta": {"where": {"band": band, "part": part}},
    }


def _interval(band: str, shape: str) -> list[Trace]:
    colour, _ = _LOOKS[band]
    edge: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "x": "$miles",
        "line": {"width": 0, "shape": shape, "color": colour},
        "hoverinfo": "skip",
        "showlegend": False,
        "meta": {"where": {"band": band, "part": "firm"}},
    }
    filled = {"fill": "tonexty", "fillcolor": f"{colour}-band"}
    return [
        {**edge, "y": "$survival_lo"},
        {**edge, "y": "$survival_hi", **filled},
    ]


def _risk_numbers() -> Trace:
    return {
        "type": "scatter",
        "mode": "text",
        "x": "$miles",
        "y": "$row",
        "text": "$at_risk",
        "yaxis": "y2",
        "hoverinfo": "skip",
        "showlegend": False,
        "cliponaxis": False,
        "meta": {"where": {"part": "risk"}},
    }


def _answer(curves: pl.DataFrame) -> Sentence:
    """Say which share of each band still runs at a mile that most bands reach."""
    sure = curves.filter(pl.col("at_risk") >= _FEW)
    reach = sure.group_by("band").agg(pl.col("miles").max())
    if reach.is_empty():
        return (f"No band has {_FEW} belts; the curves show what was seen.",)
    mark = _round_mile(sorted(reach["miles"])[(reach.height - 1) // 2])
    parts: Sentence = sentence(
        "Still running at {mark}.", mark=Quantity(value=mark, kind="distance")
    )
    for band in _LOOKS:
        if not reach.filter(pl.col("miles") >= mark, band=band).height:
            continue
        before = sure.filter(pl.col("miles") <= mark, band=band).sort("miles")
        if before.is_empty():
            parts += (f" {LEFT[band].capitalize()}: all.",)
            continue
        row = before.row(-1, named=True)
        lo, hi = row["survival_lo"], row["survival_hi"]
        value, interval = said(row["survival"], lo, hi, kind="share")
        parts += sentence(
            " {band}: {value} ({interval}).",
            band=LEFT[band].capitalize(), value=value, interval=interval,
        )  # fmt: skip
    return parts


def _round_mile(miles: float) -> float:
    """Return the largest round number of one digit, 1 to 9 and noughts, up to miles."""
    if miles < 1:
        return miles
    unit = 10.0 ** math.floor(math.log10(miles))
    return math.floor(miles / unit) * unit
