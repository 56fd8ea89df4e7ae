"""What the tension at install does to how long a belt lasts."""

from typing import Any, Final

import polars as pl

from fleetbelt.render.bands import (
    LEFT,
    OUTSIDE,
    SHORT,
    TERMS,
    allowed_for,
    in_order,
    p_value,
    times,
)
from fleetbelt.render.dose import curve, range_shape
from fleetbelt.render.figures import PLACES, Figure, axis, figure, interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)

_QUESTION: Final = "Does a belt left loose or tight last less long?"
_NONE: Final = "Too few belts of known install tension have failed to compare lives."
_NONE_IN_RANGE: Final = "No belt was left in range, so none can be compared to."
_HOW: Final = (
    "Record reading_left at installs and rechecks in services.csv, and removal_reason "
    "with the odometer when a belt comes off."
)


def life(frames: Frames) -> Section:
    """Show life against tension at install, as times that of a belt left in range."""
    effects = frames.get("results.life_effects")
    bands = None if effects is None else effects.filter(term="band")
    if effects is None or bands is None or bands["time_ratio"].count() < 2:
        return missing("life-tension", _QUESTION, _NONE, _HOW)
    if bands.filter(level="in_spec").is_empty():
        return missing("life-tension", _QUESTION, _NONE_IN_RANGE, _HOW)
    bands = bands.sort(in_order("level"))
    dose = frames.get("results.life_dose")
    tests = _tests(frames)
    return Section(
        key="life-tension",
        question=_QUESTION,
        answer=_answer(bands, tests.get("band")),
        caveat=_caveat(tests, allowed_for(frames)),
        caption=_caption(has_curve=dose is not None),
        figure=_figure(bands, has_curve=dose is not None),
        table=Table(
            frame=_rows(effects, bands, dose),
            columns=(
                Column(name="name", label="Left at install"),
                *interval_columns("time_ratio", "ratio_lo", "ratio_hi",
                                  label="Lasts times as long", kind="number", digits=2),
                Column(name="belts", label="Belts", kind="count"),
                Column(name="failures", label="Failed", kind="count"),
                Column(name="relative", label="Place in the range", kind="number",
                       digits=2, is_shown=False),
                Column(name="kind", is_shown=False),
                Column(name="whole", kind="number", is_shown=False),
            ),
            note=(
                ("Bands against belts left in range; places in the range (0 minimum, "
                "1 maximum) against its middle."),
            ),
        ),
        method="method-effects",
    )  # fmt: skip


def _tests(frames: Frames) -> dict[str, float | None]:
    tests = frames.get("results.life_tests")
    return {} if tests is None else dict(tests.select("term", "p_value").iter_rows())


def _answer(bands: pl.DataFrame, p: float | None) -> Sentence:
    parts: Sentence = ()
    if p is not None:
        said = (
            "How a belt was left goes with how long it lasts ({p})."
            if p < 0.05
            else "That bands differ in life is not shown ({p})."
        )
        parts = sentence(said, p=p_value(p))
    known = bands.filter(pl.col("level").is_in(OUTSIDE)).drop_nulls("ratio_hi")
    for row in known.iter_rows(named=True):
        parts += sentence(
            " A belt left {band} lasts {times} as long as one left in range; {k} of "
            "{n} failed.",
            band=SHORT[row["level"]],
            times=times(row["time_ratio"], row["ratio_lo"], row["ratio_hi"]),
            k=row["failures"],
            n=row["belts"],
        )
    return parts


def _caveat(tests: dict[str, float | None], allowed: str) -> Sentence:
    """Say what was allowed for, and whether one ratio stands for every model."""
    words: Sentence = (
        (
            f"One regression of all lives; allowed for: {allowed}. Records show what "
            "goes together, not what causes what; a band is measured, so the true "
            "contrast is larger."
        ),
    )
    p = tests.get("band_by_model")
    if p is not None:
        said = (
            " The ratios differ by model ({p}): these are means over them."
            if p < 0.05
            else " That they differ by model is not shown ({p})."
        )
        words += sentence(said, p=p_value(p))
    shape = tests.get("shape_by_model")
    if shape is not None and shape < 0.05:
        words += sentence(" Each model has a shape of its own ({p}).", p=p_value(shape))
    return words


def _caption(*, has_curve: bool) -> Sentence:
    if not has_curve:
        return ("Dashed: a belt left in range.",)
    return (
        "Shaded: the range; beyond it the scale is in shares of its width. Band: 95 %.",
    )


def _rows(
    effects: pl.DataFrame, bands: pl.DataFrame, dose: pl.DataFrame | None
) -> pl.DataFrame:
    """List bands first, then the other terms, then places in the range."""
    others = effects.filter(pl.col("term") != "band").sort("term", "level")
    listed = pl.concat([bands, others], how="diagonal").select(
        "time_ratio", "ratio_lo", "ratio_hi", "belts", "failures",
        name=pl.when(pl.col("term") == "band")
        .then(pl.col("level").replace_strict(LEFT, default=pl.col("level")))
        .otherwise(
            pl.format("{}: {}", pl.col("term").replace(TERMS), pl.col("level"))
        ),
        kind=pl.col("term"), whole=pl.lit(1.0),
    )  # fmt: skip
    if dose is None:
        return listed.with_columns(relative=pl.lit(None, dtype=pl.Float64))
    place = pl.col("relative").round(2).cast(pl.String)
    drawn = dose.sort("relative").with_columns(
        name=pl.format("at {} of the range", place), kind=pl.lit("dose")
    )
    return pl.concat([listed, drawn], how="diagonal")


def _figure(bands: pl.DataFrame, *, has_curve: bool) -> Figure:
    if not has_curve:
        return interval_dots(
            value="time_ratio", lo="ratio_lo", hi="ratio_hi", rows=bands.height,
            title="Lasts times as long as one left in range", rangemode="tozero",
        )  # fmt: skip
    one: dict[str, Any] = {
        "type": "line", "layer": "below", "xref": "paper", "x0": 0, "x1": 1,
        "y0": 1, "y1": 1, "line": {"color": "@soft", "width": 1.5, "dash": "dash"},
    }  # fmt: skip
    return figure(
        curve("dose", name="life", colour="@main", dash="solid", y="time_ratio"),
        x=axis("Tension at install, place in the range", **PLACES),
        y=axis("Lasts times as long as at mid-range"),
        height=380,
        showlegend=False,
        shapes=[range_shape(), one],
    )
