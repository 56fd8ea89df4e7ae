"""What each depot has to do: what is due against its hours, and what finds no room."""

from typing import Any, Final

import polars as pl

from fleetbelt.render.figures import (
    MOST_ROWS,
    Figure,
    Trace,
    axis,
    figure,
    first_drawn,
    row_axis,
    row_bars,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Quantity,
    Section,
    Sentence,
    Table,
    missing,
    sentence,
)

QUARTER_WEEKS: Final = 13
ALL: Final = "all"
NOTHING: Final = "Nothing can be planned yet: no running belt has a date."
HOW: Final = (
    "Record readings of running belts more than once, removals with their reason, and "
    "odometers; then run again."
)
NONE_DUE: Final = "No job falls due within 26 weeks."
_DUE: Final = (
    ("now", "due now", "@warn", "x"),
    ("soon", "within 30 days", "@main", ""),
    ("later", "within 91 days", "@good", "/"),
)
_FROM: Final = {
    "settings": "the settings",
    "records": "its own last year",
    "fleet": "the fleet's minutes a vehicle",
    "none": "nowhere: none are known",
    "several": "several",
}


def together(frames: Frames) -> dict[str, Any] | None:
    """Return the sums over all depots; None where nothing could be planned."""
    depots = frames.get("results.plan_depots")
    whole = None if depots is None else depots.filter(pl.col("depot") == ALL)
    if whole is None or whole.is_empty():
        return None
    row = whole.row(0, named=True)
    return row if row["jobs"] or not _is_blind(frames) else None


def _is_blind(frames: Frames) -> bool:
    """Tell whether neither a loss of tension nor a life tells when a belt is due."""
    days, needs = frames.get("pages.due_days"), frames.get("results.part_needs")
    return (
        days is not None
        and days["due_date"].null_count() == days.height
        and (needs is None or not needs["expected"].sum())
    )


def hours(minutes: float) -> str:
    """Return minutes as hours, to a tenth where there are few."""
    return f"{minutes / 60:,.{0 if minutes >= 600 else 1}f}"


def money(value: float, currency: str) -> Quantity:
    """Return money, to a hundredth where it is little."""
    digits = 0 if abs(value) >= 10 or value == 0 else 2
    return Quantity(value=value, kind="money", digits=digits, unit=currency)


def due(frames: Frames) -> Section:
    """Hold what is due now, this month and this quarter against the depots' hours."""
    question = "What is due, and is there room for it?"
    depots, whole = frames.get("results.plan_depots"), together(frames)
    if depots is None or whole is None:
        return missing("due", question, NOTHING, HOW)
    if not whole["jobs"]:
        return Section(key="due", question=question, answer=(NONE_DUE,))
    frame = _by_load(depots.filter(pl.col("depot") != ALL))
    return Section(
        key="due",
        question=question,
        answer=_due_words(frame, whole),
        caveat=_room_words(frame),
        caption=sentence(
            "Diamonds: the hours a depot has in {weeks} weeks. {first}",
            weeks=QUARTER_WEEKS,
            first=first_drawn(frame.height),
        ),
        figure=_due_figure(min(frame.height, MOST_ROWS)),
        table=Table(frame=frame, columns=_DUE_COLUMNS),
        method="method-plan",
    )


_DUE_COLUMNS: Final = (
    Column(name="depot", label="Depot"),
    Column(name="jobs_now", label="Jobs due now", kind="count"),
    Column(name="jobs_30d", label="Within 30 days", kind="count"),
    Column(name="jobs_91d", label="Within 91 days", kind="count"),
    Column(name="now", label="Work due now", kind="number", digits=1, unit="h"),
    Column(name="soon", label="More within 30 days", kind="number", digits=1, unit="h"),
    Column(name="later", label="More within 91 days", kind="number", digits=1,
           unit="h"),
    Column(name="room", label="Room in 13 weeks", kind="number", digits=1, unit="h"),
    Column(name="load", label="Work due in 91 days, of that room", kind="share"),
    Column(name="weekly_minutes_from", label="Room taken from", words=_FROM),
)  # fmt: skip


def _by_load(depots: pl.DataFrame) -> pl.DataFrame:
    """Return the depots in hours, the fullest first; those without room before all."""
    room = QUARTER_WEEKS * pl.col("weekly_minutes")
    return depots.with_columns(
        now=pl.col("minutes_now") / 60,
        soon=(pl.col("minutes_30d") - pl.col("minutes_now")) / 60,
        later=(pl.col("minutes_91d") - pl.col("minutes_30d")) / 60,
        room=room / 60,
        load=pl.when(room > 0).then(pl.col("minutes_91d") / room),
    ).sort(
        pl.when(room > 0)
        .then(pl.col("load"))
        .otherwise(pl.col("minutes_91d").sign() * float("inf"))
        .fill_nan(0.0),
        "minutes_91d",
        "depot",
        descending=[True, True, False],
    )


def _due_words(frame: pl.DataFrame, whole: dict[str, Any]) -> Sentence:
    full = frame.filter(
        pl.col("minutes_91d") > QUARTER_WEEKS * pl.col("weekly_minutes")
    ).height
    more = (
        sentence(
            "In {full} of {n} depots more is due in 91 days than there is time for.",
            full=full,
            n=frame.height,
        )
        if full
        else ("Every depot has time for what is due in 91 days.",)
    )
    return sentence(
        "{now} jobs are due now, {month} within 30 days and {quarter} within 91: "
        "{work} hours of work, where the depots have {room} hours in {weeks} weeks. "
        "{more}",
        now=whole["jobs_now"],
        month=whole["jobs_30d"],
        quarter=whole["jobs_91d"],
        work=hours(whole["minutes_91d"]),
        room=hours(QUARTER_WEEKS * whole["weekly_minutes"]),
        weeks=QUARTER_WEEKS,
        more=more,
    )


def _room_words(frame: pl.DataFrame) -> Sentence:
    """Say where the depots' hours come from, and which have none."""
    guessed = frame.filter(pl.col("weekly_minutes_from") != "settings").height
    none = frame.filter(pl.col("weekly_minutes") <= 0).height
    parts = ["Minutes a job are settings, not measurements."]
    if guessed:
        parts.append(
            f"In {guessed:,} depots the hours are those of the belt work in their "
            "records: plan.weekly_minutes in fleetbelt.toml says better."
        )
    if none:
        parts.append(f"{none:,} depots have no hours at all, so nothing fits there.")
    return (" ".join(parts),)


def _due_figure(shown: int) -> Figure:
    bars = [
        row_bars(value, of="depot", name=name, colour=colour, hatch=hatch)
        for value, name, colour, hatch in _DUE
    ]
    room: Trace = {
        "type": "scatter",
        "mode": "markers",
        "x": "$room",
        "y": "$#",
        "name": f"room in {QUARTER_WEEKS} weeks",
        "marker": {
            "symbol": "diamond",
            "size": 12,
            "color": "@ink",
            "line": {"color": "@card", "width": 2},
        },
        "customdata": "$depot",
        "hovertemplate": "%{customdata}: %{x}",
    }
    return figure(
        [*bars, room],
        x=axis("Work (hours)", rangemode="tozero"),
        y=row_axis("depot", shown),
        barmode="stack",
        height=130 + 30 * shown,
    )


def without_room(frames: Frames) -> Section:
    """Show what finds no room by depot, what that costs, and how good the plan is."""
    question = "What finds no room, and what does that cost?"
    depots, whole = frames.get("results.plan_depots"), together(frames)
    if depots is None or whole is None:
        return missing("without-room", question, NOTHING, HOW)
    currency = frames.fact("currency", "¤")
    known = depots.with_columns(gap_pct=100 * pl.col("gap"))
    frame = known.filter(pl.col("depot") != ALL, pl.col("jobs") > 0).sort(
        "overflow_cost", "overflow_jobs", "depot", descending=[True, True, False]
    )
    left = frame.filter(pl.col("overflow_jobs") > 0).height
    return Section(
        key="without-room",
        question=question,
        answer=_left_words(whole, left, currency),
        caveat=sentence(
            "They stand in the list without a week. More minutes for their depot, or "
            "work sent to another, make room."
        )
        if left
        else (),
        caption=(first_drawn(left),) if left > MOST_ROWS else (),
        figure=_left_figure(min(left, MOST_ROWS), currency) if left else None,
        table=Table(frame=frame, columns=_left_columns(currency))
        if frame.height
        else None,
        method="method-plan",
    )


def _left_words(whole: dict[str, Any], n_depots: int, currency: str) -> Sentence:
    if not whole["overflow_jobs"]:
        return ("Everything that falls due within 26 weeks fits.",)
    return sentence(
        "{jobs} jobs on {visits} vehicles, {hours} hours of work in {n} depots, find "
        "no room in 26 weeks. Leaving them undone until then costs {cost}.",
        jobs=whole["overflow_jobs"],
        visits=whole["overflow_visits"],
        hours=hours(whole["overflow_minutes"]),
        n=n_depots,
        cost=money(whole["overflow_cost"], currency),
    )


def _left_figure(shown: int, currency: str) -> Figure:
    bars = row_bars("overflow_cost", of="depot", name="", colour="@warn", hatch="x")
    return figure(
        [{**bars, "showlegend": False}],
        x=axis(f"Cost of leaving jobs undone ({currency})", rangemode="tozero"),
        y=row_axis("depot", shown),
        height=90 + 30 * shown,
    )


def _left_columns(currency: str) -> tuple[Column, ...]:
    return (
        Column(name="depot", label="Depot"),
        Column(name="jobs", label="Jobs due", kind="count"),
        Column(name="overflow_jobs", label="Without room", kind="count"),
        Column(name="overflow_visits", label="Vehicles without room", kind="count"),
        Column(name="overflow_minutes", label="Minutes without room", kind="count"),
        Column(name="overflow_cost", label="Cost of leaving them", kind="money",
               unit=currency),
        Column(name="weekly_minutes", label="Minutes a week", kind="count"),
        Column(name="weekly_minutes_from", label="Minutes taken from", words=_FROM),
        Column(name="cost", label="Cost of late and early, in all", kind="money",
               unit=currency),
        Column(name="gap_pct", label="A better plan could save", kind="percent",
               digits=3),
    )  # fmt: skip
