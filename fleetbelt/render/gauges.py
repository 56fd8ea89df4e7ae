"""The gauges page: what each gauge shows of a known load, and what that touched."""

from typing import Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.drives import drives
from fleetbelt.render.figures import Figure, Trace, axis, figure, label
from fleetbelt.render.frames import Frames
from fleetbelt.render.gauge_board import BOARD, board, cards
from fleetbelt.render.section import (
    Column,
    Page,
    Quantity,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)

_HOW: Final = (
    "Read known loads with each gauge on spans of several lengths, each load twice, "
    "and record them in calibrations.csv."
)
_OFF: Final = 0.05
_MOST: Final = 8
_LOOKS: Final = (
    ("@main", "circle", "solid"),
    ("@warn", "diamond", "dash"),
    ("@good", "square", "dot"),
    ("@third", "triangle-up", "dashdot"),
    ("@soft", "cross", "longdash"),
    ("@main", "circle-open", "dash"),
    ("@warn", "diamond-open", "dot"),
    ("@good", "square-open", "solid"),
)


def page(frames: Frames) -> Page:
    """Return the gauges page."""
    sections = (
        [board(frames), curves(frames)] if frames.has(BOARD) else [curves(frames)]
    )
    if frames.has("results.gauge_study"):
        sections.append(study(frames))
    if frames.has("results.gauge_recall"):
        sections.append(recall(frames))
    return Page(
        name="gauges",
        title="The gauges: what each one shows of a known load",
        lead=("A gauge that reads high leaves belts loose, and nobody sees it.",),
        sections=tuple(sections),
        context={"cards": cards(frames), "drives": drives(frames)},
    )


def furthest_off(frames: Frames) -> tuple[str, float, float] | None:
    """Return the gauge furthest off, the span in mm, and its ratio there."""
    table = frames.get("results.gauge_curves")
    if table is None:
        return None
    off = table.sort(pl.col("ratio").log().abs(), descending=True)
    return off["gauge_id"][0], off["span_mm"][0], off["ratio"][0]


def curves(frames: Frames) -> Section:
    """Show reading over known load against span, gauge by gauge."""
    question = "Which gauges read high or low?"
    table = frames.get("results.gauge_curves")
    if table is None:
        what = "No gauge was calibrated: every reading counts as shown, with the "
        return missing(
            "curves", question, f"{what}uncertainty from the settings.", _HOW
        )
    away = pl.col("ratio").log().abs().max().over("gauge_id")
    frame = table.with_columns(away=away).sort(
        ["away", "gauge_id", "span_mm"], descending=[True, False, False]
    )
    gauges = frame["gauge_id"].unique(maintain_order=True).to_list()
    off = frame.filter((pl.col("ratio") - 1).abs() > _OFF)["gauge_id"].n_unique()
    rest = f" The {_MOST} furthest off are drawn." if len(gauges) > _MOST else ""
    return Section(
        key="curves",
        question=question,
        answer=_off_words(frames, off, len(gauges)),
        caveat=sentence(
            "Bars are 95 % intervals. Between spans the correction is drawn through "
            "these points; outside them no reading gets a firm verdict.{rest}",
            rest=rest,
        ),
        figure=_lines(gauges[:_MOST]),
        table=Table(
            frame=frame,
            columns=(
                Column(name="gauge_id", label="Gauge"),
                Column(name="span_mm", label="Span", kind="span"),
                Column(name="n", label="Readings", kind="count"),
                *interval_columns("ratio", "ratio_lo", "ratio_hi",
                                  label="Reading / load", kind="number", digits=3),
                Column(name="correction", label="Multiply by", kind="number", digits=3),
                Column(name="repeatability", label="Repeatability", kind="share",
                       digits=1),
            ),
        ),
        method="method-correction",
    )  # fmt: skip


def _off_words(frames: Frames, off: int, n: int) -> Sentence:
    furthest = furthest_off(frames)
    if furthest is None:
        return ()
    gauge, span_mm, ratio = furthest
    return sentence(
        "{off} of {n} calibrated gauges are more than {limit} off at some span. The "
        "furthest is {gauge}, which reads {by} {way} at {span}.",
        off=off,
        n=n,
        limit=Quantity(value=_OFF, kind="share"),
        gauge=gauge,
        by=Quantity(value=abs(ratio - 1), kind="share"),
        way="high" if ratio > 1 else "low",
        span=Quantity(value=span_mm, kind="span"),
    )


def _lines(gauges: list[str]) -> Figure:
    traces: list[Trace] = []
    for gauge, (colour, symbol, dash) in zip(gauges, _LOOKS, strict=False):
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "x": "$span_mm",
                "y": "$ratio",
                "error_y": {
                    "type": "data",
                    "symmetric": False,
                    "array": "$ratio_hi-ratio",
                    "arrayminus": "$ratio-ratio_lo",
                    "color": colour,
                    "thickness": 1.5,
                    "width": 3,
                },
                "marker": {"symbol": symbol, "size": 9, "color": colour},
                "line": {"color": colour, "dash": dash, "width": 1.5},
                "name": label(gauge),
                "meta": {"where": {"gauge_id": gauge}},
            }
        )
    true_reading = {
        "type": "line",
        "xref": "x domain",
        "x0": 0,
        "x1": 1,
        "y0": 1,
        "y1": 1,
        "line": {"color": "@soft", "dash": "dash", "width": 1.5},
    }
    return figure(
        traces,
        x=axis("Span ({span})"),
        y=axis("Reading / known load"),
        height=460,
        shapes=[true_reading],
    )


def study(frames: Frames) -> Section:
    """Show where the spread of readings comes from."""
    question = "Where does the spread of readings come from?"
    table = frames.get("results.gauge_study")
    parts = ("gauge", "technician", "interaction", "repeatability")
    told = pl.col("source").is_in(parts) & pl.col("share").is_not_null()
    if table is None or table.filter(told).is_empty():
        what = "No gauge has been read again on the same known load."
        return missing("study", question, what, _HOW)
    frame = table.filter(told).sort(["share", "source"], descending=[True, False])
    total = table.filter(pl.col("source") == "total")
    most = frame.row(0, named=True)
    return Section(
        key="study",
        question=question,
        answer=sentence(
            "Most of it, {share}, is {source}. All together, a reading of a known "
            "load spreads by {sd}.",
            share=Quantity(value=most["share"], kind="share"),
            source=_SOURCES[most["source"]],
            sd=Quantity(
                value=total["sd_pct"][0] if total.height else most["sd_pct"],
                kind="percent",
                digits=1,
            ),
        ),
        caveat=sentence(
            "From calibrations: known loads at rest. Readings in the field spread more."
        ),
        figure=_shares(frame.height),
        table=Table(
            frame=frame,
            columns=(
                Column(name="source", label="Source", words=_SOURCES),
                Column(name="share", label="Share of the variance", kind="share"),
                Column(name="sd_pct", label="Standard deviation", kind="percent",
                       digits=2),
                Column(name="sd_n", label="The same at the mean load", kind="tension",
                       digits=1),
            ),
        ),
        method="method-study",
    )  # fmt: skip


def _shares(rows: int) -> Figure:
    bars = {
        "type": "bar",
        "orientation": "h",
        "x": "$share",
        "y": "$#",
        "marker": {"color": "@main"},
        "customdata": "$source",
        "hovertemplate": "%{customdata}: %{x}<extra></extra>",
    }
    return figure(
        [bars],
        x=axis("Share of the variance (%)", tickformat=".0%", rangemode="tozero"),
        y={
            "tickvals": "$#",
            "ticktext": "$source",
            "autorange": "reversed",
            "zeroline": False,
        },
        height=110 + 36 * rows,
    )


_SOURCES: Final = {
    "gauge": "one gauge against another",
    "technician": "one person against another",
    "interaction": "some people with some gauges",
    "repeatability": "the same reading again",
}


def recall(frames: Frames) -> Section:
    """List the records that a gauge found off has made doubtful."""
    question = "Which records were read with a gauge since found off?"
    table = frames.get("results.gauge_recall")
    if table is None:
        return Section(
            key="recall",
            question=question,
            answer=("None: no gauge was found to have changed between calibrations.",),
            method="method-recall",
        )
    changed = table.filter(pl.col("verdict_before") != pl.col("verdict_after")).height
    return Section(
        key="recall",
        question=question,
        answer=sentence(
            "Readings: {n}. Gauges: {gauges}. Readings whose verdict changes: "
            "{changed}.",
            n=table.height,
            gauges=table["gauge_id"].n_unique(),
            changed=changed,
        ),
        caveat=sentence(
            "When the gauge went off is not known; the doubt runs back to the "
            "calibration before."
        ),
        table=Table(
            frame=table.head(2_000),
            columns=(
                Column(name="gauge_id", label="Gauge"),
                Column(name="service_id", label="Service record"),
                Column(name="phase", label="Phase", words=words.PHASES),
                Column(name="tension_before_n", label="Tension then", kind="tension"),
                Column(name="tension_after_n", label="Tension now", kind="tension"),
                Column(name="verdict_before", label="Verdict then",
                       words=words.VERDICTS),
                Column(name="verdict_after", label="Verdict now", words=words.VERDICTS),
            ),
            selects=("gauge_id",),
            is_open=True,
        ),
        method="method-recall",
        acts=True,
    )  # fmt: skip
