"""What noise and bearings make of tension, from too loose to too tight."""

from typing import Any, Final

import polars as pl

from fleetbelt.render.bands import times
from fleetbelt.render.figures import PLACES, Figure, Trace, axis, figure
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)

_QUESTION: Final = "What is lost on either side of the range?"
_NONE: Final = (
    "Too few complaints or repairs of belts whose tension at install is known, or no "
    "belt left about the middle of the range to compare to."
)
_HOW: Final = (
    "Put complaints into complaints.csv and accessory repairs into repairs.csv, and "
    "record what each install and recheck left."
)
_KINDS: Final = {
    "squeal": ("squeal complaints", "@warn", "dot"),
    "whine": ("whine complaints", "@main", "solid"),
    "bearing": ("bearing repairs", "@third", "dash"),
}
_NAMES: Final = {kind: name for kind, (name, _, _) in _KINDS.items()}
_FAR_LOW, _FAR_HIGH = -0.5, 1.5  # half the range's width beyond it


def two_sided(frames: Frames) -> Section:
    """Show squeal on the loose side, whine and bearing repairs on the tight one."""
    noises, repairs = (
        frames.get("results.noise_dose"),
        frames.get("results.repair_dose"),
    )
    parts = [] if noises is None else [noises.rename({"noise": "kind"})]
    if repairs is not None:
        parts.append(repairs.with_columns(kind=pl.lit("bearing")))
    if not parts:
        return missing("dose", _QUESTION, _NONE, _HOW)
    frame = pl.concat(parts, how="diagonal").sort("kind", "relative")
    return Section(
        key="dose",
        question=_QUESTION,
        answer=_answer(frame),
        caveat=sentence(
            "Model, duty and alternator pulley are allowed for as far as there are "
            "events enough. Records show what goes together, not what causes "
            "what. Tension is measured, so the true curves are steeper."
        ),
        caption=sentence(
            "Shaded: the range, from its minimum to its maximum; beyond it the scale "
            "is in shares of its width. Bands: 95 %.{gone}",
            gone=_not_drawn(frame),
        ),
        figure=_figure(frame["kind"].unique().to_list()),
        table=Table(
            frame=frame,
            columns=(
                Column(name="kind", label="What", words=_NAMES),
                Column(name="relative", label="Place in the range (0 minimum, "
                       "1 maximum)", kind="number", digits=2),
                *interval_columns("rate_ratio", "ratio_lo", "ratio_hi",
                                  label="Times the rate in the middle", kind="number",
                                  digits=2),
            ),
        ),
        method="method-effects",
    )  # fmt: skip


def _not_drawn(frame: pl.DataFrame) -> str:
    gone = [name for kind, name in _NAMES.items() if kind not in frame["kind"]]
    return f" Too few for a curve: {' and '.join(gone)}." if gone else ""


def _answer(frame: pl.DataFrame) -> Sentence:
    """Say what each kind is at half the range's width beyond the side that it minds."""
    parts: Sentence = ()
    for kind, name in _NAMES.items():
        far = _FAR_LOW if kind == "squeal" else _FAR_HIGH
        of_kind = frame.filter(pl.col("kind") == kind)
        if of_kind.is_empty():
            continue
        off = (pl.col("relative") - far).abs()
        row = of_kind.sort(off, "relative").row(0, named=True)
        if 0 <= row["relative"] <= 1:  # no belts beyond that side
            continue
        parts += sentence(
            " {name}: {times} {beyond}.",
            name=name.capitalize(),
            times=times(row["rate_ratio"], row["ratio_lo"], row["ratio_hi"]),
            beyond=_beyond(row["relative"]),
        )
    if not parts:
        return ("No belt was left far outside the range; the curves show inside it.",)
    return ("Against belts left in the middle of the range.", *parts)


def _beyond(relative: float) -> Sentence:
    share = -relative if relative < 0 else relative - 1
    side = "below its minimum" if relative < 0 else "above its maximum"
    return sentence(
        "at {share} of the range's width {side}",
        share=Quantity(value=share, kind="share"),
        side=side,
    )


def _figure(kinds: list[str]) -> Figure:
    traces: list[Trace] = []
    for kind, (name, colour, dash) in _KINDS.items():
        if kind in kinds:
            traces += curve(kind, name=name, colour=colour, dash=dash, y="rate_ratio")
    return figure(
        traces,
        x=axis("Tension at install, place in the range", **PLACES),
        y=axis("Times the rate at mid-range", type="log", tickvals=_TICKS),
        height=420,
        shapes=[range_shape()],
    )


_TICKS: Final = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50]


def curve(kind: str, *, name: str, colour: str, dash: str, y: str) -> list[Trace]:
    """Return a line over places in the range with its band, of rows of one kind."""
    where = {"where": {"kind": kind}}
    edge: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "x": "$relative",
        "line": {"width": 0, "color": colour},
        "hoverinfo": "skip",
        "showlegend": False,
        "meta": where,
    }
    line = {"color": colour, "dash": dash, "width": 2.5}
    return [
        {**edge, "y": "$ratio_lo"},
        {**edge, "y": "$ratio_hi", "fill": "tonexty", "fillcolor": f"{colour}-band"},
        {
            "type": "scatter",
            "mode": "lines",
            "x": "$relative",
            "y": f"${y}",
            "line": line,
            "name": name,
            "meta": where,
        },
    ]


def range_shape() -> dict[str, Any]:
    """Return the shaded range, from its minimum to its maximum."""
    return {
        "type": "rect",
        "layer": "below",
        "x0": 0,
        "x1": 1,
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"width": 0},
        "fillcolor": "@good-band",
    }
