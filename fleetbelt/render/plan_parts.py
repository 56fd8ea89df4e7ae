"""The belts that will be needed, and the numbers that the plan reckons with."""

from typing import Final

import polars as pl

from fleetbelt.render.figures import Figure, axis, figure, hatched
from fleetbelt.render.frames import Frames
from fleetbelt.render.plan_depots import ALL, HOW, NOTHING
from fleetbelt.render.section import (
    Column,
    Section,
    Sentence,
    Table,
    missing,
    said,
    sentence,
)

MOST_ROWS: Final = 2_000
_NO_LIFE: Final = "No life of belts is fitted, so their need cannot be foretold."
_HOW_LIFE: Final = (
    "Record removal_reason and the odometer in services.csv whenever a belt comes off."
)
NO_CURRENCY: Final = "¤"
_SOURCES: Final = {
    "settings": "the settings",
    "records": "the records",
    "default": "nobody: a placeholder",
}
_NAMES: Final = {
    "cost_planned_replacement": "planned replacement",
    "cost_road_failure": "road failure",
    "cost_retension": "retension",
    "cost_complaint_visit": "complaint visit",
    "cost_failure": "failure on average",
    "road_share": "failures on the road",
    "under_cost_per_1000mi": "driving under the range",
    "retension_p": "chance at which a retension is due",
    "retension_minutes": "minutes of a retension",
    "replacement_minutes": "minutes of a replacement",
    "weeks": "weeks planned",
}


def parts(frames: Frames) -> Section:
    """Show how many belts will be needed by month, and of which part."""
    question = "Which belts will be needed, and when?"
    needs = frames.get("results.part_needs")
    whole = None if needs is None else _whole(needs)
    if needs is None or whole is None or whole.is_empty():
        return missing("parts", question, NOTHING, HOW)
    if not whole["expected"].sum():
        return missing("parts", question, _NO_LIFE, _HOW_LIFE)
    of_drives = needs.filter(pl.col("drive_id") != ALL).sort(
        "month", "expected", "drive_id", descending=[False, True, False]
    )
    frame = pl.concat([whole, of_drives]).with_columns(
        part=pl.when(pl.col("drive_id") == ALL)
        .then(pl.lit("all belts"))
        .otherwise(pl.col("part_number").fill_null("not recorded")),
        is_whole=pl.when(pl.col("drive_id") == ALL).then(pl.lit("yes")),
        drive=pl.when(pl.col("drive_id") == ALL)
        .then(pl.lit("every one"))
        .otherwise("drive_id"),
    )
    return Section(
        key="parts",
        question=question,
        answer=_need_words(whole),
        caveat=sentence(
            "Bars: the number expected, and the 95 % interval that chance alone gives; "
            "what the fitted lives are uncertain by comes on top. A belt whose age is "
            "not known counts for nothing here."
        ),
        figure=_need_figure(),
        table=Table(
            frame=frame.head(MOST_ROWS),
            columns=(
                Column(name="month", label="Month from", kind="date"),
                Column(name="part", label="Part number"),
                Column(name="drive", label="Drive"),
                Column(name="expected", label="Belts needed, 95 % interval",
                       kind="number", digits=1, beside="({lo} to {hi})"),
                Column(name="lo", label="Lower 95 % limit", kind="count"),
                Column(name="hi", label="Upper 95 % limit", kind="count"),
                Column(name="planned", label="Of them planned", kind="count"),
                Column(name="belts", label="Belts running", kind="count"),
                Column(name="is_whole", is_shown=False),
            ),
            note=_cut(frame.height),
        ),
        method="method-parts",
    )  # fmt: skip


def _whole(needs: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of every drive and part together."""
    of_all = (pl.col("drive_id") == ALL) & (pl.col("part_number") == ALL)
    return needs.filter(of_all).sort("month")


def _need_words(whole: pl.DataFrame) -> Sentence:
    """Say what the next whole month needs, and all months together."""
    month, last = whole.row(min(1, whole.height - 1), named=True), whole["month"][-1]
    value, interval = said(month["expected"], month["lo"], month["hi"], kind="number")
    return sentence(
        "{month} needs {value} belts ({interval}), {planned} of them planned. Until "
        "the end of {last} it is {all} in all.",
        month=f"{month['month']:%B %Y}",
        value=value,
        interval=interval,
        planned=round(month["planned"]),
        last=f"{last:%B %Y}",
        all=round(float(whole["expected"].sum())),
    )


def _need_figure() -> Figure:
    bars = {
        "type": "bar",
        "x": "$month",
        "y": "$expected",
        "marker": hatched("@main", ""),
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": "$hi-expected",
            "arrayminus": "$expected-lo",
            "color": "@ink",
            "thickness": 2,
            "width": 6,
        },
        "name": "",
        "showlegend": False,
        "hovertemplate": "%{x|%B %Y}: %{y:.1f}<extra></extra>",
        "meta": {"where": {"is_whole": "yes"}},
    }
    return figure(
        [bars],
        x=axis("Month", type="date", tickformat="%b\n%Y", dtick="M1"),
        y=axis("Belts needed", rangemode="tozero"),
    )


def _cut(height: int) -> Sentence:
    if height <= MOST_ROWS:
        return ("tables/part_needs.csv has part numbers that several drives share.",)
    return sentence(
        "The first {shown} of {all} rows; tables/part_needs.csv has all.",
        shown=MOST_ROWS,
        all=height,
    )


def unpriced(frames: Frames) -> Sentence:
    """Say which prices nobody gave; nothing where the settings give them all."""
    missed = [
        _NAMES.get(key, key)
        for key in frames.fact("plan_defaults").split()
        if key.startswith("cost_")
    ]
    if not missed:
        return ()
    return sentence(
        "Money here rests on placeholders for {what}: give this fleet's own prices as "
        "plan.costs in fleetbelt.toml.{currency}",
        what=", ".join(missed),
        currency=no_currency(frames),
    )


def no_currency(frames: Frames) -> str:
    """Say what the sign for money is where the settings name no currency."""
    if frames.fact("currency", NO_CURRENCY) != NO_CURRENCY:
        return ""
    return f" {NO_CURRENCY} is money of no named currency (plan.currency)."


def assumptions(frames: Frames) -> Section:
    """List the numbers that the plan reckons with, and where each is from."""
    question = "What does the plan reckon with?"
    known = frames.get("results.plan_assumptions")
    if known is None:
        return missing("assumptions", question, NOTHING, HOW)
    defaults = frames.fact("plan_defaults").split()
    currency = frames.fact("currency", NO_CURRENCY)
    is_default = pl.col("key").is_in(defaults)
    frame = known.with_columns(
        name=pl.col("key").replace_strict(_NAMES, default=pl.col("key")),
        source=pl.when(is_default).then(pl.lit("default")).otherwise("source"),
        shown=pl.struct("value", "unit").map_elements(
            lambda one: _shown(one["value"], one["unit"], currency),
            return_dtype=pl.String,
        ),
    ).sort("source", "key")
    n_default = frame.filter(pl.col("source") == "default").height
    return Section(
        key="assumptions",
        question=question,
        answer=_source_words(frame.height, n_default),
        caveat=unpriced(frames),
        table=Table(
            frame=frame,
            columns=(
                Column(name="name", label="Number"),
                Column(name="shown", label="Value", kind="words"),
                Column(name="source", label="From", words=_SOURCES),
                Column(name="meaning", label="Meaning"),
            ),
            is_open=True,
            is_cards=True,
        ),
        method="method-plan",
    )


def _shown(value: float | None, unit: str, currency: str) -> str | None:
    """Return a number with its unit: money to two places, a share in per cent."""
    if value is None:
        return None
    if unit == "share":
        return f"{100 * value:.3g} %"
    if unit.startswith("currency"):
        return f"{value:,.2f} {unit.replace('currency', currency)}"
    return f"{value:,g} {unit}"


def _source_words(n: int, n_default: int) -> Sentence:
    if not n_default:
        return sentence("{n} numbers, from the settings and the records.", n=n)
    return sentence(
        "{n} numbers, {missed} of them placeholders that the settings do not give.",
        n=n,
        missed=n_default,
    )
