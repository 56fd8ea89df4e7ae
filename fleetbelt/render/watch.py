"""The watchlist: which belts to look at first."""

from typing import Final

import polars as pl

from fleetbelt.render import changes, words
from fleetbelt.render.frames import Frames
from fleetbelt.render.plan_parts import no_currency
from fleetbelt.render.section import (
    NOTHING,
    Column,
    Quantity,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)
from fleetbelt.render.story import doubts, place

QUESTION: Final = "Which belts should be looked at first?"
_REASONS: Final = {code: reason.label for code, reason in words.WATCH_REASONS.items()}
_DOES: Final = {code: reason.do for code, reason in words.WATCH_REASONS.items()}


def running(frames: Frames) -> int | None:
    """Return the number of belts running now."""
    vehicles = frames.get("marts.vehicles_now")
    return None if vehicles is None else int(vehicles["n_belts"].sum())


def number(frames: Frames) -> Sentence:
    """Return the number of belts on the watchlist, a dash without belts."""
    watched = frames.get("results.watchlist")
    if watched is None:
        return ("0",) if frames.get("pages.belt_ends") is not None else NOTHING
    return (f"{watched.height:,}",)


def watched_in_words(frames: Frames) -> Sentence:
    """Say how many belts are on the watchlist, and how many surely under."""
    watched, belts = frames.get("results.watchlist"), running(frames)
    if watched is None and frames.get("pages.belt_ends") is None:
        return ("No belt is in the records.",)
    untold = _untold(frames)
    if watched is None:
        none = "No running belt is likely enough to be under its range to be listed."
        return (none, *untold)
    limit = frames.setting("watchlist", "p_under", 0.2)
    firm = frames.setting("measurement", "firm_p", 0.8)
    sure = watched.filter(pl.col("p_under_now") >= firm).height
    return sentence(
        "{n}{of} running belts have a chance of {limit} or more of being under their "
        "range now; {sure} of them {high} or more.{untold}",
        n=watched.height,
        of=f" of {belts:,}" if belts else "",
        limit=Quantity(value=limit, kind="share"),
        sure=sure or "none",
        high=Quantity(value=firm, kind="share"),
        untold=untold,
    )


def _untold(frames: Frames) -> Sentence:
    """Say of how many running belts nothing can be said."""
    days = frames.get("pages.due_days")
    n = 0 if days is None else int(days["n_untold"].sum())
    if not n:
        return ()
    return sentence(
        " Of {n} running {belts} nothing can be told: no reading, or no range.",
        n=n,
        belts="belt" if n == 1 else "belts",
    )


def watchlist(frames: Frames) -> Section:
    """List the belts most likely under their range, each with its evidence."""
    watched = frames.get("results.watchlist")
    if watched is None:
        if frames.get("pages.belt_ends") is None:
            how = "Fill services.csv with installs and readings; then run again."
            return missing("watchlist", QUESTION, "No belt is in the records.", how)
        answer = watched_in_words(frames)
        return Section(key="watchlist", question=QUESTION, answer=answer)
    frame = _described(watched.sort("rank"), frames)
    selects = ("reason", "since") if changes.is_compared(frames) else ("reason",)
    return Section(
        key="watchlist",
        question=QUESTION,
        answer=watched_in_words(frames),
        caveat=sentence(
            "{unlearned}First come those with the most miles under their range to "
            "expect: the chance of being under times the vehicle's daily miles.{cost} "
            "A chance is an estimate from records. Read the belt before you act on it.",
            unlearned=_unlearned(frames),
            cost=_cost_words(frames),
        ),
        table=Table(
            frame=frame,
            columns=_columns(frames),
            selects=selects,
            opens="belt_id",
            is_open=True,
            file="watchlist.csv",
        ),
        method="method-now",
        acts=True,
    )


def _unlearned(frames: Frames) -> str:
    """Say where chances stop at the last reading, as no loss could be learned."""
    table = frames.get("results.drift_by_model")
    if table is None or table["drift_pct_per_1000mi"].drop_nulls().len():
        return ""
    return (
        "Too few belts were read more than once to learn how tension is lost: a chance "
        "is that at the belt's last reading, and it has lost some since. "
    )


_COLUMNS: Final = (
    Column(name="rank", label="Rank", kind="count"),
    Column(name="vehicle_id", label="Vehicle"),
    Column(name="belt_id", label="Belt", is_shown=False),
    Column(name="depot", label="Depot"),
    Column(name="model", label="Model"),
    Column(name="duty", label="Duty", is_shown=False),
    Column(name="reason", label="Reason", words=_REASONS, beside=", {since}"),
    Column(name="since", label="Since the last run", words={"new": "new"}),
    Column(name="p_under_now", label="Chance of being under", kind="chance"),
    Column(name="under_mi", label="Under in 30 days, expected", kind="distance"),
    *interval_columns(
        "tension_n", "tension_lo_n", "tension_hi_n", label="Tension", kind="tension"
    ),
    Column(name="last_date", label="Last reading", kind="date"),
    Column(name="detail", label="In words"),
    Column(name="place", label="Record"),
    Column(name="do", is_shown=False),
    Column(name="doubts", is_shown=False),
    Column(name="due_mi", label="Due at odometer", kind="distance", is_shown=False),
    Column(name="due_date", label="Due", kind="date", is_shown=False),
)


def _cost_per_mi(frames: Frames) -> float:
    """Return what a mile under its range costs, by the plan; 0 where not known."""
    table = frames.get("results.plan_assumptions")
    if table is None:
        return 0.0
    known = dict(table.select("key", "value").iter_rows())
    return (known.get("under_cost_per_1000mi") or 0.0) / 1e3


def _cost_words(frames: Frames) -> str:
    """Say what the cost beside those miles is; nothing where there is none."""
    if not _cost_per_mi(frames):
        return ""
    return f" What they cost is by the plan's prices.{no_currency(frames)}"


def _columns(frames: Frames) -> tuple[Column, ...]:
    """Return the columns, with what the miles under cost beside them where known."""
    if not _cost_per_mi(frames):
        return _COLUMNS
    unit = frames.fact("currency", "¤")
    cost = Column(
        name="under_cost", label="What they cost", kind="money", digits=1, unit=unit
    )
    place = [column.name for column in _COLUMNS].index("under_mi") + 1
    return (*_COLUMNS[:place], cost, *_COLUMNS[place:])


def _described(watched: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Add what a reader asks of a row: model, tension, day, file and line."""
    known = frames.of_vehicles(watched, "model", "duty")
    last = _last_readings(frames)
    return (
        known.join(
            last,
            left_on="last_service_id",
            right_on="service_id",
            how="left",
            maintain_order="left",
        )
        .join(
            doubts(frames),
            left_on="last_service_id",
            right_on="service_id",
            how="left",
            maintain_order="left",
        )
        .join(_now(frames), on="belt_id", how="left", maintain_order="left")
        .join(
            changes.new_on_watchlist(frames),
            on="belt_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            under_cost=pl.col("under_mi") * _cost_per_mi(frames),
            tension_n=pl.coalesce("tension_now_n", "tension_n"),
            tension_lo_n=pl.coalesce("tension_now_lo_n", "tension_lo_n"),
            tension_hi_n=pl.coalesce("tension_now_hi_n", "tension_hi_n"),
            do=pl.col("reason").replace_strict(
                _DOES, default="Read it at the next visit."
            ),
        )
    )


def _last_readings(frames: Frames) -> pl.DataFrame:
    records = frames.get("pages.watched_records")
    if records is None:
        texts = dict.fromkeys(["service_id", "place"], pl.String)
        reals = dict.fromkeys(["tension_n", "tension_lo_n", "tension_hi_n"], pl.Float64)
        return pl.DataFrame(schema={**texts, **reals, "last_date": pl.Date})
    half = 1.96 * pl.col("tension_u_n")
    return records.select(
        "service_id",
        "tension_n",
        tension_lo_n=pl.col("tension_n") - half,
        tension_hi_n=pl.col("tension_n") + half,
        last_date="date",
        place=place(),
    )


def _now(frames: Frames) -> pl.DataFrame:
    """Return the drift model's state of each belt, empty before that model exists."""
    names = ("tension_now_n", "tension_now_lo_n", "tension_now_hi_n", "odometer_now_mi",
             "drift_pct_per_1000mi")  # fmt: skip
    drift = frames.get("results.drift_by_belt")
    if drift is None:
        floats = dict.fromkeys([*names, "due_mi"], pl.Float64)
        return pl.DataFrame(
            schema={"belt_id": pl.String, **floats, "due_date": pl.Date}
        )
    return drift.select(
        "belt_id",
        *names,
        due_mi="retension_due_mi",
        due_date="retension_due_date",
    )
