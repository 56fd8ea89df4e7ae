"""How long belts run, by the tension they were left with at install."""

from typing import Any, Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.figures import Figure, Trace, axis, figure, interval_dots
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

_NONE: Final = "Too few belts have failed to tell how long they run."
_HOW: Final = (
    "Record removal_reason and the odometer in services.csv whenever a belt comes off."
)
_BANDS: Final = {
    "loose": ("@warn", "dot"),
    "under": ("@third", "dash"),
    "in_spec": ("@main", "solid"),
    "over": ("@good", "dashdot"),
    "tight": ("@soft", "longdash"),
}
_FEW: Final = 10
_STEPS: Final = 300
_SHORT: Final = {band: name.split(" (")[0] for band, name in words.BANDS.items()}


def survival(frames: Frames) -> Section:
    """Show the share of belts still running against miles, by install band."""
    question = "How long do belts run?"
    curves, groups = (
        frames.get("results.life_curve"),
        frames.get("results.life_by_group"),
    )
    if curves is None or groups is None:
        return missing("life", question, _NONE, _HOW)
    drawn = curves.filter(pl.col("model") == "all", pl.col("band").is_in(list(_BANDS)))
    if drawn.is_empty():
        return missing("life", question, _NONE, _HOW)
    steps = _thinned(drawn.sort("band", "miles"))
    shape = "linear" if _is_smooth(drawn) else "hv"
    frame = pl.concat([_split(steps), _at_risk(drawn)], how="diagonal")
    return Section(
        key="life",
        question=question,
        answer=_b10_words(groups),
        caveat=sentence(
            "Belts still running count as running, not as failed. A line goes thin "
            f"where fewer than {_FEW} belts are left at risk."
        ),
        caption=("Numbers under the curves: belts at risk at those miles.",),
        figure=_curves(drawn["band"].unique().to_list(), shape),
        table=Table(
            frame=frame,
            columns=(
                Column(name="band", label="Left at install", words=_SHORT),
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
    rows = {band: float(row) for row, band in enumerate(_BANDS)}
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
    shown = [band for band in _BANDS if band in bands]
    traces: list[Trace] = []
    for band in shown:
        traces += _interval(band, shape) if band in {"under", "in_spec"} else []
        traces += [_line(band, part, shape) for part in ("firm", "thin")]
    traces.append(_risk_numbers())
    second = {
        "domain": [0, 0.2],
        "range": [len(_BANDS) - 0.5, -0.5],
        "tickvals": [place for place, band in enumerate(_BANDS) if band in shown],
        "ticktext": [_SHORT[band] for band in shown],
        "ticklabelstandoff": 18,
        "showgrid": False,
        "zeroline": False,
    }
    return figure(
        traces,
        x=axis("Distance since fitting ({distance})", rangemode="tozero", anchor="y2"),
        y=axis("Belts still running (%)", tickformat=".0%", domain=[0.27, 1]),
        yaxis2=second,
        height=520,
    )


def _line(band: str, part: str, shape: str) -> Trace:
    colour, dash = _BANDS[band]
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
        "name": _SHORT[band],
        "legendgroup": band,
        "showlegend": part == "firm",
        "meta": {"where": {"band": band, "part": part}},
    }


def _interval(band: str, shape: str) -> list[Trace]:
    colour, _ = _BANDS[band]
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


def _b10_words(groups: pl.DataFrame) -> Sentence:
    """Say by which miles one belt in ten has failed, in range and under."""
    whole = groups.filter(pl.col("model") == "all").drop_nulls("b10_mi")
    found = {row["band"]: row for row in whole.iter_rows(named=True)}
    parts_said = [
        sentence("{words}: {b10}", words=name, b10=_b10(found[band]))
        for band, name in (("in_spec", "left in range"), ("under", "left under"),
                           ("loose", "left loose"), ("all", "all belts"))
        if band in found
    ]  # fmt: skip
    if not parts_said:
        return ("Too few failures for a fit; the curves show what was seen.",)
    parts: Sentence = parts_said[0]
    for more in parts_said[1:]:
        parts = (*parts, "; ", *more)
    return ("One belt in ten has failed by these miles: ", *parts, ".")


def _b10(row: dict[str, float]) -> Sentence:
    value, interval = said(
        *(round(row[name], -2) for name in ("b10_mi", "b10_lo", "b10_hi")),
        kind="distance",
    )
    return sentence(
        "{value} ({interval}; {failures} of {n} failed)",
        value=value, interval=interval, failures=int(row["failures"]), n=int(row["n"]),
    )  # fmt: skip


def b10_by_model(frames: Frames) -> Section:
    """Show by which miles one belt in ten has failed, by model."""
    question = "Which models wear their belts out sooner?"
    groups = frames.get("results.life_by_group")
    if groups is None:
        return missing("life-by-model", question, _NONE, _HOW)
    fitted = groups.filter(pl.col("band") == "all").drop_nulls("b10_mi")
    models = fitted.filter(pl.col("model") != "all").sort("b10_mi", "model")
    whole = fitted.filter(pl.col("model") == "all")
    if models.is_empty():
        return missing("life-by-model", question, _NONE, _HOW)
    first = models.row(0, named=True)
    compared = whole["b10_mi"][0] if whole.height else None
    return Section(
        key="life-by-model",
        question=question,
        answer=sentence(
            "{model} is the soonest: one belt in ten has failed by {b10}.",
            model=first["model"],
            b10=_b10(first),
        ),
        caveat=sentence(
            "Dashed: all models. Models differ in duty and in how they were set; "
            "tension is one cause among several."
        ),
        figure=interval_dots(
            value="b10_mi", lo="b10_lo", hi="b10_hi", rows=models.height,
            title="Distance by which one in ten has failed ({distance})",
            rangemode="tozero",
        ),
        table=Table(
            frame=models.with_columns(
                name=pl.col("model"), whole=pl.lit(compared, dtype=pl.Float64)
            ),
            columns=(
                Column(name="name", label="Model"),
                *interval_columns("b10_mi", "b10_lo", "b10_hi",
                                  label="One in ten has failed by", kind="distance"),
                Column(name="failures", label="Failures", kind="count"),
                Column(name="n", label="Belts", kind="count"),
                Column(name="shape", label="Shape", kind="number", digits=2),
                Column(name="whole", kind="distance", is_shown=False),
            ),
        ),
        method="method-life",
    )  # fmt: skip
