"""The plan page: what is due, when there is room for it, and what it is worth."""

from typing import Any, Final

from fleetbelt.render import (
    plan_depots,
    plan_parts,
    plan_policies,
    plan_value,
    plan_weeks,
)
from fleetbelt.render.frames import Frames
from fleetbelt.render.plan_parts import unpriced
from fleetbelt.render.section import (
    Headline,
    Page,
    Sentence,
    asked_once,
    sentence,
)

_SECTIONS: Final = (
    ("results.plan_depots", plan_depots.due),
    ("results.plan_capacity", plan_weeks.by_week),
    ("results.work_plan", plan_weeks.jobs),
    ("results.plan_depots", plan_depots.without_room),
    ("results.part_needs", plan_parts.parts),
    ("results.replacement_age", plan_value.ages),
    ("results.replacement_curve", plan_value.cost_curve),
    ("results.what_if", plan_policies.what_if),
    ("results.plan_assumptions", plan_parts.assumptions),
)


def page(frames: Frames) -> Page:
    """Return the plan page."""
    return Page(
        name="plan",
        title="The plan: the work ahead",
        lead=_lead(frames),
        headlines=_headlines(frames),
        sections=asked_once(
            *(make(frames) for table, make in _SECTIONS if frames.has(table))
        ),
        context={"has_files": frames.has("results.work_plan")},
    )


def _lead(frames: Frames) -> Sentence:
    lead = (
        "What falls due in the next 26 weeks, in which week there is room for it, and "
        "what it is worth."
    )
    prices = unpriced(frames)
    return (lead, " ", *prices) if prices else (lead,)


def _headlines(frames: Frames) -> tuple[Headline, ...]:
    """Return what is due now, in a quarter, and what finds no room."""
    whole = plan_depots.together(frames)
    if whole is None:
        return ()
    return (
        Headline(
            who="Due now",
            number=(f"{whole['jobs_now']:,}",),
            words=sentence(
                "jobs are due already: {hours} hours of work; the depots have {room} "
                "hours a week.",
                hours=plan_depots.hours(whole["minutes_now"]),
                room=plan_depots.hours(whole["weekly_minutes"]),
            ),
            href="#due",
            method="method-plan",
        ),
        Headline(
            who="Due this quarter",
            number=(f"{whole['jobs_91d']:,}",),
            words=sentence(
                "jobs are due within 91 days, {soon} of them within 30: {hours} hours "
                "of work.",
                soon=whole["jobs_30d"],
                hours=plan_depots.hours(whole["minutes_91d"]),
            ),
            href="#by-week",
            method="method-plan",
        ),
        Headline(
            who="Without room",
            number=(f"{whole['overflow_jobs']:,}",),
            words=_left_out(whole, frames.fact("currency", "¤")),
            href="#without-room",
            method="method-plan",
        ),
    )


def _left_out(whole: dict[str, Any], currency: str) -> Sentence:
    if not whole["overflow_jobs"]:
        return ("jobs find no room: everything due within 26 weeks fits.",)
    return sentence(
        "of {jobs} jobs due within 26 weeks find no room; leaving them undone until "
        "then costs {cost}.",
        jobs=whole["jobs"],
        cost=plan_depots.money(whole["overflow_cost"], currency),
    )
