"""Why a job stands in the plan, in words."""

import polars as pl


def reason(retension_p: float, n_weeks: int) -> pl.Expr:
    """Return why a job is due, and how far from then it is planned, in words.

    Parameters
    ----------
    retension_p : float
        Chance of being under its range at which a belt is due.
    n_weeks : int
        Weeks planned.

    Returns
    -------
    polars.Expr
        Over the columns ``due_in_mi``, ``weeks_late`` (null: no room), ``p_under_now``,
        ``best_age_mi``, ``is_replace``, ``visit_minutes`` and ``longest_week``.
    """
    is_now, late = pl.col("due_in_mi") == 0, pl.col("weeks_late")
    percent = (100 * pl.col("p_under_now")).round().cast(pl.Int64)
    age = _thousands((pl.col("best_age_mi") / 100).round().cast(pl.Int64) * 100)
    due = (
        pl.when(pl.col("is_replace") & is_now)
        .then(pl.format("past its best age of {} mi", age))
        .when("is_replace")
        .then(pl.format("reaches its best age of {} mi", age))
        .when(is_now & percent.is_not_null())
        .then(pl.format("chance of being under its range is {} % now", percent))
        .otherwise(
            pl.lit(f"chance of being under its range reaches {100 * retension_p:g} %")
        )
    )
    weeks = pl.when(late.abs() == 1).then(pl.lit("week")).otherwise(pl.lit("weeks"))
    side = pl.when(late > 0).then(pl.lit("late")).otherwise(pl.lit("early"))
    return (
        pl.when(late.is_null())
        .then(pl.format("overflow: {}; {}", _no_room(n_weeks), due))
        .when(late == 0)
        .then(due)
        .otherwise(pl.format("{}; planned {} {} {}", due, late.abs(), weeks, side))
    )


def _no_room(n_weeks: int) -> pl.Expr:
    """Say why a visit has no week."""
    visit, longest = pl.col("visit_minutes"), pl.col("longest_week")
    return (
        pl.when(longest == 0)
        .then(pl.lit("its depot has no minutes for it"))
        .when(visit > longest)
        .then(
            pl.format(
                "a visit of {} minutes is longer than its depot's longest week of {}",
                visit.round().cast(pl.Int64),
                longest.round().cast(pl.Int64),
            )
        )
        .otherwise(pl.lit(f"no room in {n_weeks} weeks"))
    )


def _thousands(number: pl.Expr) -> pl.Expr:
    """Return a whole number below a million in words of three digits: 52,500."""
    last = (number % 1000).cast(pl.String).str.zfill(3)
    return (
        pl.when(number >= 1000)
        .then(pl.format("{},{}", number // 1000, last))
        .otherwise(number.cast(pl.String))
    )
