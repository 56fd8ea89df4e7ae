"""Vehicles by their complaints, and a vehicle's own record: its belts one by one."""

from typing import Final

import polars as pl

from fleetbelt.render.bands import SHORT
from fleetbelt.render.frames import MOST_VEHICLES, Frames
from fleetbelt.render.section import (
    Column,
    Section,
    Sentence,
    Table,
    interval_columns,
    missing,
    sentence,
)

_QUESTION: Final = "Which vehicles are complained of more than expected?"
_NONE: Final = "There are no vehicles with miles under observation."
_HOW: Final = "Record installs in services.csv and distances in odometers.csv."
MOST_BELTS: Final = 4_000
_ENDS: Final = {
    "broken": "broke on the road",
    "worn": "found worn",
    "cracked": "found cracked",
    "noise": "taken off for noise",
    "contaminated": "contaminated",
    "preventive": "replaced by age or miles",
    "other_work": "taken off for other work",
    "accident": "accident",
    "unknown": "came off, reason not given",
}


def vehicles(frames: Frames) -> Section:
    """List vehicles by complaints against what their miles would bring."""
    table = frames.get("results.vehicle_results")
    if table is None:
        return missing("vehicles", _QUESTION, _NONE, _HOW)
    frame = _ordered(frames, table)
    counts = frames.get("pages.vehicle_counts")
    more = table.filter(pl.col("noise_lo") > 1).height
    n, more = (table.height, more) if counts is None else counts.row(0)
    return Section(
        key="vehicles",
        question=_QUESTION,
        answer=_answer(table, more, n),
        caveat=sentence(
            "Expected from the miles, the model and the bands; drawn towards 1 where "
            "there is little to go by. Among many vehicles a few stand out by chance."
        ),
        table=Table(
            frame=frame.head(MOST_VEHICLES),
            columns=(
                Column(name="vehicle_id", label="Vehicle"),
                Column(name="depot", label="Depot"),
                Column(name="model", label="Model"),
                Column(name="duty", label="Duty", is_shown=False),
                Column(name="miles", label="Distance", kind="distance"),
                Column(name="belts", label="Belts", kind="count"),
                Column(name="failures", label="Failures", kind="count"),
                Column(name="complaints", label="Complaints", kind="count"),
                Column(name="complaints_expected", label="Expected", kind="number",
                       digits=1),
                *interval_columns("noise_ratio", "noise_lo", "noise_hi",
                                  label="Times expected", kind="times"),
                Column(name="drift_pct_per_1000mi", label="Loses tension",
                       kind="percent_rate", digits=2, is_shown=False),
                Column(name="last_install_band", label="Last left", words=SHORT,
                       is_shown=False),
            ),
            opens="vehicle_id",
            is_open=True,
            note=_left_out(n),
        ),
        method="method-noise",
    )  # fmt: skip


def _answer(table: pl.DataFrame, more: int, n: int) -> Sentence:
    """Say how many vehicles stand out; the list has complained-of vehicles first."""
    find = " Find one by its number, and open its row for its belts."
    if not table["complaints"].sum():
        return (f"No complaint counts, so none of {n:,} vehicles stands out.", find)
    return sentence(
        "{more} of {n} vehicles, by more than chance explains.{find}",
        more=more,
        n=n,
        find=find,
    )


def _ordered(frames: Frames, table: pl.DataFrame) -> pl.DataFrame:
    return frames.of_vehicles(table, "duty").sort(
        ["noise_lo", "vehicle_id"], descending=[True, False], nulls_last=True
    )


def _left_out(n: int) -> tuple[str, ...]:
    if n <= MOST_VEHICLES:
        return ()
    return (
        (
            f"The first {MOST_VEHICLES:,} of {n:,} vehicles; "
            "tables/vehicle_results.csv has every one."
        ),
    )


def belts(frames: Frames) -> Table | None:
    """Return the belts of the listed vehicles, newest first: what their rows open.

    Parameters
    ----------
    frames : Frames

    Returns
    -------
    Table or None
        Whole vehicles, up to `MOST_BELTS` belts; None without vehicles or belts.
    """
    table, fitted = frames.get("results.vehicle_results"), frames.get("results.belts")
    if table is None or fitted is None:
        return None
    listed = _ordered(frames, table).head(MOST_VEHICLES)
    rows = (
        listed.select("vehicle_id")
        .with_row_index("order")
        .join(fitted, on="vehicle_id", how="left", maintain_order="left")
        .filter(pl.col("belt_id").is_not_null())
        .sort("order", "install_odometer_mi", "belt_id",
              descending=[False, True, True], nulls_last=True)
    )  # fmt: skip
    lengths = rows.group_by("order", maintain_order=True).len()
    whole = lengths.filter(pl.col("len").cum_sum() <= MOST_BELTS)["order"]
    rows = rows.filter(pl.col("order").is_in(whole.implode()))
    return Table(frame=_with_now(rows, frames), columns=_COLUMNS)


def _with_now(rows: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Add the end of each belt in words, and the tension of those running."""
    drift = frames.get("results.drift_by_belt")
    names = ("tension_now_n", "p_under_now", "p_failure_90d")
    if drift is None:
        nothing = pl.lit(None, dtype=pl.Float64)
        rows = rows.with_columns(nothing.alias(name) for name in names)
    else:
        rows = rows.join(
            drift.select("belt_id", *names),
            on="belt_id",
            how="left",
            maintain_order="left",
        )
    return rows.with_columns(
        ending=pl.col("removal_reason")
        .replace_strict(_ENDS, default=pl.col("removal_reason"))
        .fill_null("still on"),
        run_mi=pl.coalesce("life_hi_mi", "last_odometer_mi"),
    )


_COLUMNS: Final = (
    Column(name="vehicle_id", is_shown=False),
    Column(name="belt_id", label="Belt"),
    Column(name="install_date", label="Fitted", kind="date"),
    Column(name="install_odometer_mi", label="At", kind="distance"),
    Column(name="install_tension_n", label="Left at install", kind="tension",
           beside="({band})"),
    Column(name="band", label="Against the range", words=SHORT),
    Column(name="run_mi", label="Has run", kind="distance"),
    Column(name="ending", label="How it ended"),
    Column(name="tension_now_n", label="Tension now", kind="tension"),
    Column(name="p_under_now", label="Chance of being under now", kind="chance"),
    Column(name="p_failure_90d", label="Chance to fail in 90 days", kind="chance"),
)  # fmt: skip
