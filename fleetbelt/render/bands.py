"""The bands of tension at install on a page: their order, short names and looks."""

from typing import Final

import polars as pl

from fleetbelt.render import words
from fleetbelt.render.figures import Figure, interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Sentence,
    Table,
    interval_columns,
    said,
    sentence,
)

LOOKS: Final = {
    "loose": ("@warn", "dot"),
    "under": ("@third", "dash"),
    "in_spec": ("@main", "solid"),
    "over": ("@good", "dashdot"),
    "tight": ("@soft", "longdash"),
}
"""Colour and dash of a band's line, from loose to tight."""
SHORT: Final = {band: name.split(" (")[0] for band, name in words.BANDS.items()}
LEFT: Final = {band: f"left {name}" for band, name in SHORT.items()} | {
    "all": "all belts",
    "unknown": "left at a tension not known",
}
OUTSIDE: Final = ("loose", "under", "over", "tight")


def in_order(column: str = "band") -> pl.Expr:
    """Return what to sort by, so that bands come from loose to tight."""
    order = {band: place for place, band in enumerate((*LOOKS, "unknown", "all"))}
    return pl.col(column).replace_strict(order, default=len(order))


def times(value: float, lo: float, hi: float) -> Sentence:
    """Say a ratio with its interval: '0.62 times (95 % interval 0.55 to 0.70)'."""
    digits = 2 if hi < 3 else 1
    whole, interval = said(value, lo, hi, kind="number", digits=digits)
    shown = "; no difference shown" if lo <= 1 <= hi else ""
    return sentence(
        "{value} times ({interval}{shown})",
        value=whole, interval=interval, shown=shown,
    )  # fmt: skip


def allowed_for(frames: Frames) -> str:
    """Name what the comparison of lives allows for beside the bands."""
    effects = frames.get("results.life_effects")
    if effects is None:
        return "nothing else"
    terms = effects.drop_nulls("time_ratio")["term"].unique().to_list()
    return listed([name for term, name in TERMS.items() if term in terms])


def listed(names: list[str]) -> str:
    """Join names: 'model, duty and alternator pulley'; 'nothing else' without."""
    if len(names) < 2:
        return names[0] if names else "nothing else"
    return f"{', '.join(names[:-1])} and {names[-1]}"


TERMS: Final = {
    "model": "model",
    "duty": "duty",
    "alternator_pulley": "alternator pulley",
}


def p_value(p: float) -> Sentence:
    """Say a p-value: 'p = 0.18', 'p < 0.001'."""
    if p < 0.001:
        return ("p < 0.001",)
    digits = 3 if p < 0.1 else 2
    return sentence("p = {p}", p=Quantity(value=p, kind="number", digits=digits))


def rates_drawn(frame: pl.DataFrame, what: str) -> Figure:
    """Draw the rate of each row, events per 100,000 mi, with its interval."""
    return interval_dots(
        value="per_100k_mi", lo="rate_lo", hi="rate_hi", rows=frame.height,
        title=f"{what} {{per_100k}}", rangemode="tozero",
    )  # fmt: skip


def rates_listed(
    frame: pl.DataFrame, name: Column, counted: Column, *, digits: int
) -> Table:
    """List events, miles, rates and their ratios to belts left in range."""
    return Table(
        frame=frame,
        columns=(
            name,
            counted,
            Column(name="miles", label="Distance run", kind="distance"),
            *interval_columns("per_100k_mi", "rate_lo", "rate_hi", label="Rate",
                              kind="per_100k", digits=digits),
            *interval_columns("rate_ratio", "ratio_lo", "ratio_hi",
                              label="Times the rate in range", kind="number",
                              digits=1),
            Column(name="whole", kind="per_100k", is_shown=False),
        ),
    )  # fmt: skip
