"""What is done in which week, and the list of jobs."""

from typing import Final

import polars as pl

from fleetbelt.render.figures import Trace, axis, figure, hatched
from fleetbelt.render.frames import Frames
from fleetbelt.render.plan_depots import (
    HOW,
    NONE_DUE,
    NOTHING,
    hours,
    money,
    together,
)
from fleetbelt.render.section import (
    Column,
    Quantity,
    Recount,
    Section,
    Sentence,
    Table,
    missing,
    sentence,
)
from fleetbelt.render.story import place

MOST_JOBS: Final = 2_000
_JOBS: Final = (("retension", "@main", ""), ("replace", "@warn", "/"))
_ROOM: Final = "room"
_BAR_MS: Final = 6 * 24 * 3600 * 1000
"""Width of a week's bar, ms of the axis: else as wide as the weeks lie apart."""


def by_week(frames: Frames) -> Section:
    """Show the planned minutes by week and job against what there is room for."""
    question = "What is done in which week?"
    weeks, work = frames.get("results.plan_capacity"), frames.get("results.work_plan")
    if weeks is None or together(frames) is None:
        return missing("by-week", question, NOTHING, HOW)
    fits = None if work is None else work.drop_nulls("week")
    if fits is None or fits.is_empty():
        none = NONE_DUE if work is None else "No job finds room in the weeks ahead."
        return Section(key="by-week", question=question, answer=(none,))
    return Section(
        key="by-week",
        question=question,
        answer=_week_words(weeks, fits),
        caveat=_gap_words(frames),
        caption=("Line: the minutes there are.",),
        figure=figure(
            [*(_bars(*job) for job in _JOBS), _room_line()],
            x=axis("Week from", type="date"),
            y=axis("Work (minutes)", rangemode="tozero"),
            barmode="stack",
        ),
        table=_week_table(weeks, frames.of_vehicles(fits, "model", "duty")),
        method="method-plan",
    )


def _week_table(weeks: pl.DataFrame, fits: pl.DataFrame) -> Table:
    """Count jobs and minutes by week; the room there is counts along as a job."""
    by, groups = ["week", "job"], ["depot", "model", "duty", "week", "job"]
    sums = [pl.len().alias("n"), pl.col("minutes").sum().alias("k")]
    room = weeks.select(
        "depot",
        *(pl.lit(None, dtype=pl.String).alias(name) for name in ("model", "duty")),
        "week",
        job=pl.lit(_ROOM),
        n=pl.lit(1, dtype=pl.UInt32),
        k=pl.col("minutes_capacity").round(),
    )
    cells = pl.concat([fits.group_by(groups).agg(sums), room], how="vertical_relaxed")
    frame = (
        cells.group_by(by)
        .agg(pl.col("n", "k").sum())
        .with_columns(is_drawn_only=pl.col("job") == _ROOM)
        .sort(by)
    )
    return Table(
        frame=frame,
        columns=(
            Column(name="week", label="Week from", kind="date"),
            Column(name="job", label="Job"),
            Column(name="n", label="Jobs", kind="count"),
            Column(name="k", label="Minutes", kind="count"),
        ),
        recount=Recount(
            cells=cells.with_columns(pl.col("week").cast(pl.String)).sort(groups),
            by=("week", "job"),
            is_sum=True,
        ),
        note=("tables/plan_capacity.csv has the minutes of each depot.",),
    )


def _bars(job: str, colour: str, hatch: str) -> Trace:
    return {
        "type": "bar",
        "x": "$week",
        "y": "$k",
        "name": job,
        "width": _BAR_MS,
        "marker": hatched(colour, hatch),
        "meta": {"where": {"job": job}},
    }


def _room_line() -> Trace:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": "$week",
        "y": "$k",
        "name": _ROOM,
        "line": {"color": "@ink", "width": 2, "dash": "dash", "shape": "hvh"},
        "meta": {"where": {"job": _ROOM}},
    }


def _week_words(weeks: pl.DataFrame, fits: pl.DataFrame) -> Sentence:
    sums = (
        weeks.group_by("week")
        .agg(pl.col("minutes_planned", "minutes_capacity").sum())
        .sort("minutes_planned", "week", descending=[True, False])
    )
    first = sums.row(0, named=True)
    return sentence(
        "{jobs} jobs are planned in {weeks} weeks: {work} of the {room} hours there "
        "are. The fullest week, from {day}, takes {most} of {has} hours.",
        jobs=fits.height,
        weeks=sums.height,
        work=hours(float(sums["minutes_planned"].sum())),
        room=hours(float(sums["minutes_capacity"].sum())),
        day=first["week"].isoformat(),
        most=hours(first["minutes_planned"]),
        has=hours(first["minutes_capacity"]),
    )


def _gap_words(frames: Frames) -> Sentence:
    """Say how far the plan may be from the cheapest one."""
    depots, whole = frames.get("results.plan_depots"), together(frames)
    if depots is None or whole is None:
        return ()
    return sentence(
        "Weeks are chosen so that being late and being early cost least. No plan in "
        "these hours could save more than {gap} of that cost ({cost}); in the worst "
        "depot {worst}.",
        gap=_percent(whole["gap"]),
        cost=money(whole["cost"], frames.fact("currency", "¤")),
        worst=_percent(depots["gap"].max()),
    )


def _percent(share: object) -> Quantity:
    value = float(share) if isinstance(share, int | float) else 0.0
    return Quantity(value=100 * value, kind="percent", digits=2)


def jobs(frames: Frames) -> Section:
    """List the jobs due soonest, in the order of their weeks."""
    question = "Which jobs are they?"
    work = frames.get("results.work_plan")
    if work is None:
        if together(frames) is None:
            return missing("jobs", question, NOTHING, HOW)
        return Section(key="jobs", question=question, answer=(NONE_DUE,))
    currency = frames.fact("currency", "¤")
    worst = ["due_date", "expected_cost", "belt_id"]
    soonest = work.sort(worst, descending=[False, True, False]).head(MOST_JOBS)
    listed = soonest.sort(
        ["week", "expected_cost", "belt_id"],
        descending=[False, True, False],
        nulls_last=True,
    ).join(_last_records(frames), on="belt_id", how="left", maintain_order="left")
    return Section(
        key="jobs",
        question=question,
        answer=_soonest(work),
        caveat=sentence(
            "Expected cost: of doing the job in that week and not when it is due; "
            "without a week, of leaving it undone until the plan ends. A date is an "
            "estimate: read the belt first. Record: of the belt's last visit."
        ),
        table=Table(
            frame=frames.of_vehicles(listed, "model", "duty"),
            columns=_job_columns(currency),
            selects=("job",),
            is_open=True,
            is_cards=True,
            note=_cut(work.height),
        ),
        method="method-plan",
        acts=True,
    )


def _last_records(frames: Frames) -> pl.DataFrame:
    """Return file and line of the last record of each belt with a job listed."""
    records = frames.get("pages.job_records")
    if records is None:
        return pl.DataFrame(schema={"belt_id": pl.String, "place": pl.String})
    return records.select("belt_id", place=place())


def _job_columns(currency: str) -> tuple[Column, ...]:
    return (
        Column(name="week", label="Week from", kind="date"),
        Column(name="vehicle_id", label="Vehicle"),
        Column(name="depot", label="Depot"),
        Column(name="job", label="Job"),
        Column(name="due_date", label="Due", kind="date"),
        Column(name="due_odometer_mi", label="At odometer", kind="distance"),
        Column(name="minutes", label="Min", kind="count"),
        Column(name="p_failure_90d", label="Fails in 90 days",
               kind="chance"),
        Column(name="expected_cost", label="Cost, expected", kind="money", digits=2,
               unit=currency),
        Column(name="reason", label="Reason", kind="words"),
        Column(name="belt_id", label="Belt"),
        Column(name="place", label="Record"),
        Column(name="model", label="Model", is_shown=False),
        Column(name="duty", label="Duty", is_shown=False),
    )  # fmt: skip


def _soonest(work: pl.DataFrame) -> Sentence:
    fits = work.drop_nulls("week")
    if fits.is_empty():
        return sentence(
            "{n} jobs fall due and none finds room in the weeks ahead.", n=work.height
        )
    first = fits["week"].min()
    soon = fits.filter(pl.col("week") == first)
    return sentence(
        "{n} jobs on {vehicles} vehicles stand in the week from {day}; {all} in all.",
        n=soon.height,
        vehicles=soon["vehicle_id"].n_unique(),
        day=str(first),
        all=work.height,
    )


def _cut(height: int) -> Sentence:
    if height <= MOST_JOBS:
        return ()
    return sentence(
        "The {shown} jobs due soonest, of {all}; tables/work_plan.csv has all.",
        shown=MOST_JOBS,
        all=height,
    )
