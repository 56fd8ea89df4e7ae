"""The plan page: the work ahead by week, and what other policies would bring."""

from typing import Final

import polars as pl

from fleetbelt.render.figures import Trace, axis, figure, interval_dots
from fleetbelt.render.frames import Frames
from fleetbelt.render.section import (
    Column,
    Page,
    Quantity,
    Recount,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)

_HOW: Final = (
    "The plan needs belts that run and were read more than once; record readings and "
    "odometers, then run again."
)
_JOBS: Final = (("retension", "@main", ""), ("replace", "@warn", "/"))
_POLICIES: Final = {
    "as_today": "as today",
    "all_in_range": "every install left in range",
    "recheck_always": "every install rechecked after run-in",
    "retension_at_threshold": "retension when the chance of being under says so",
    "replace_at_age": "replace at the best age",
    "all_together": "all of these",
}
_MOST: Final = 2_000


def page(frames: Frames) -> Page:
    """Return the plan page."""
    sections: list[Section] = []
    if frames.has("results.work_plan"):
        sections += [by_week(frames), jobs(frames)]
    if frames.has("results.what_if"):
        sections += [what_if(frames)]
    return Page(
        name="plan",
        title="The plan: the work ahead",
        lead=("What falls due in the next 26 weeks, and what it is worth.",),
        sections=tuple(sections),
    )


def _due(frames: Frames) -> pl.DataFrame | None:
    """Return the jobs with model and duty of their vehicle."""
    work = frames.get("results.work_plan")
    return None if work is None else frames.of_vehicles(work, "model", "duty")


def by_week(frames: Frames) -> Section:
    """Show the minutes of work by week and job."""
    question = "How much work falls due, and when?"
    work = _due(frames)
    if work is None:
        return missing("by-week", question, "No job is due.", _HOW)
    fits = work.drop_nulls("week")
    groups = ["depot", "model", "duty", "week", "job"]
    sums = [pl.len().alias("n"), pl.col("minutes").sum().alias("k")]
    frame = fits.group_by("week", "job").agg(sums).sort("week", "job")
    cells = fits.with_columns(pl.col("week").cast(pl.String)).group_by(groups).agg(sums)
    weeks = fits.group_by("week").agg(pl.col("minutes").sum())
    return Section(
        key="by-week",
        question=question,
        answer=sentence(
            "{jobs} jobs, {hours} hours in all; the fullest week has {most} hours. "
            "{left} jobs do not fit.",
            jobs=work.height,
            hours=round(float(work["minutes"].sum()) / 60),
            most=round(float(weeks["minutes"].max() or 0) / 60),  # type: ignore[arg-type]
            left=work.height - fits.height,
        ),
        caveat=("Minutes a job are a setting, not a measurement.",),
        figure=figure(
            [_bars(*job) for job in _JOBS],
            x=axis("Week from", type="date"),
            y=axis("Work (minutes)", rangemode="tozero"),
            barmode="stack",
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="week", label="Week from", kind="date"),
                Column(name="job", label="Job"),
                Column(name="n", label="Jobs", kind="count"),
                Column(name="k", label="Minutes", kind="count"),
            ),
            recount=Recount(cells=cells.sort(groups), by=("week", "job"), is_sum=True),
        ),
        method="method-plan",
    )


def _bars(job: str, colour: str, hatch: str) -> Trace:
    return {
        "type": "bar",
        "x": "$week",
        "y": "$k",
        "name": job,
        "marker": {
            "color": colour,
            "pattern": {
                "shape": hatch,
                "fillmode": "overlay",
                "fgcolor": "@card",
                "solidity": 0.3,
            },
        },
        "meta": {"where": {"job": job}},
    }


def jobs(frames: Frames) -> Section:
    """List the jobs, the dearest to leave first."""
    question = "Which jobs are they?"
    work = _due(frames)
    if work is None:
        return missing("jobs", question, "No job is due.", _HOW)
    currency = frames.fact("currency", "¤")
    frame = work.sort(
        ["week", "expected_cost", "belt_id"],
        descending=[False, True, False],
        nulls_last=True,
    )
    return Section(
        key="jobs",
        question=question,
        answer=_soonest(frame),
        caveat=sentence(
            "Expected cost: of leaving the job undone, with the prices of the settings."
        ),
        table=Table(
            frame=frame.head(_MOST),
            columns=(
                Column(name="week", label="Week from", kind="date"),
                Column(name="vehicle_id", label="Vehicle"),
                Column(name="belt_id", label="Belt"),
                Column(name="depot", label="Depot"),
                Column(name="model", label="Model"),
                Column(name="duty", label="Duty", is_shown=False),
                Column(name="job", label="Job"),
                Column(name="due_date", label="Due", kind="date"),
                Column(name="due_odometer_mi", label="At odometer", kind="distance"),
                Column(name="minutes", label="Minutes", kind="count"),
                Column(name="p_failure_90d", label="Chance of failing in 90 days",
                       kind="chance"),
                Column(name="expected_cost", label="Expected cost", kind="money",
                       unit=currency),
                Column(name="reason", label="Reason"),
            ),
            selects=("job",),
            is_open=True,
            note=_cut(frame.height),
        ),
        method="method-plan",
        acts=True,
    )  # fmt: skip


def _soonest(frame: pl.DataFrame) -> Sentence:
    if frame["week"].null_count() == frame.height:
        return ("No job fits into the weeks ahead.",)
    first = frame["week"][0]
    soon = frame.filter(pl.col("week") == first)
    return sentence(
        "{n} jobs in the week from {day}.", n=soon.height, day=first.isoformat()
    )


def _cut(height: int) -> Sentence:
    if height <= _MOST:
        return ()
    return sentence(
        "The first {shown} of {all} jobs; tables/work_plan.csv has all.",
        shown=_MOST,
        all=height,
    )


def what_if(frames: Frames) -> Section:
    """Show the cost a year of other policies."""
    question = "What would another way of working bring?"
    table = frames.get("results.what_if")
    if table is None:
        return missing("what-if", question, "Policies were not compared.", _HOW)
    currency = frames.fact("currency", "¤")
    order = {policy: place for place, policy in enumerate(_POLICIES)}
    frame = table.sort(
        pl.col("policy").replace_strict(order, default=len(order)), "policy"
    ).with_columns(
        name=pl.col("policy").replace_strict(_POLICIES, default=pl.col("policy")),
        whole=table.filter(pl.col("policy") == "as_today")["cost_per_year"].first(),
    )
    return Section(
        key="what-if",
        question=question,
        answer=_cheapest(frame, currency),
        caveat=sentence(
            "Dashed: as today. From the fitted life and noise of this fleet and the "
            "prices of the settings; a policy that was never tried is an extrapolation."
        ),
        figure=interval_dots(
            value="cost_per_year", lo="cost_lo", hi="cost_hi", rows=frame.height,
            title=f"Cost a year ({currency})", rangemode="tozero",
        ),
        table=Table(
            frame=frame,
            columns=(
                Column(name="name", label="Policy"),
                *interval_columns("cost_per_year", "cost_lo", "cost_hi",
                                  label=f"Cost a year ({currency})", kind="number"),
                Column(name="road_failures_per_year", label="Road failures a year",
                       kind="number", digits=1),
                Column(name="complaints_per_year", label="Complaints a year",
                       kind="number", digits=0),
                Column(name="whole", kind="number", is_shown=False),
            ),
        ),
        method="method-plan",
    )  # fmt: skip


def _cheapest(frame: pl.DataFrame, currency: str) -> Sentence:
    today = frame.filter(pl.col("policy") == "as_today")
    others = frame.filter(pl.col("policy") != "as_today").sort(
        "cost_per_year", "policy"
    )
    if today.is_empty() or others.is_empty():
        return ("There is nothing to compare with.",)
    least = others.row(0, named=True)
    saved = today["cost_per_year"][0] - least["cost_per_year"]
    return sentence(
        "'{policy}' costs the least: {cost} a year, {saved} {way} than as today.",
        policy=least["name"],
        cost=Quantity(value=least["cost_per_year"], kind="money", unit=currency),
        saved=Quantity(value=abs(saved), kind="money", unit=currency),
        way="less" if saved >= 0 else "more",
    )
