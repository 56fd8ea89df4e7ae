"""Whose work holds, and what to do next."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    integer,
    real,
    text,
)

WORK: Final[tuple[Table, ...]] = (
    Table(
        name="technician_results",
        row="a technician",
        key=("technician_id",),
        columns=(
            text("technician_id!", "the technician"),
            text("shop!", "of most settings"),
            integer("settings!", "left readings after an adjustment"),
            real("bias_pct", "the habit, shrunk; gauge and model allowed for, %"),
            real("bias_lo", "lower 95 % limit"),
            real("bias_hi", "upper 95 % limit"),
            real("left_bias_pct", "left against target, gauge error included, %"),
            real("corrects_share", "0 sets the raw gauge to target, 1 corrects"),
            real("spread_pct", "of settings; 0 = none detectable, %"),
            real("in_spec_share", "of settings with a range, left in it"),
            real("in_spec_lo", "lower 95 % limit (Wilson)"),
            real("in_spec_hi", "upper 95 % limit"),
            text(
                "in_spec_standing!",
                "of in_spec_share against all together",
                "better as_expected worse too_few",
            ),
            integer("run_in_installs!", "own installs that ran past the run-in"),
            real("run_in_recheck_share", "of them rechecked after it, by anyone"),
            real("run_in_recheck_lo", "lower 95 % limit (Wilson)"),
            real("run_in_recheck_hi", "upper 95 % limit"),
            text(
                "run_in_recheck_standing!",
                "of run_in_recheck_share against all together",
                "better as_expected worse too_few",
            ),
            real("early_recheck_share", "of them rechecked before it"),
            integer("hold_n!", "settings left in range and read again"),
            real("hold_share", "of them found in range"),
            real("hold_lo", "lower 95 % limit (Wilson)"),
            real("hold_hi", "upper 95 % limit"),
            real("hold_expected", "for their miles, levelled to the whole fleet"),
            text(
                "standing!",
                "of hold_share against hold_expected",
                "better as_expected worse too_few",
            ),
        ),
    ),
    Table(
        name="watchlist",
        row="a running belt with p_under_now of 0.2 or more",
        key=("belt_id",),
        columns=(
            integer("rank!", "1 = first to see"),
            text("belt_id!", "the belt"),
            text("vehicle_id!", "the vehicle"),
            text("depot!", "its depot"),
            text(
                "reason!",
                "first that applies",
                "left_under no_recheck gauge_reads_high wrong_range "
                "found_under_not_adjusted losing_fast due",
            ),
            real("p_under_now!", "probability that it is under now"),
            real(
                "under_mi!",
                "miles that it is expected to run under its range in 30 days: ranks "
                "the belts, as each such mile costs the same; mi",
            ),
            text("last_service_id!", "last record with a reading"),
            text("detail!", "the reason in words"),
        ),
    ),
    Table(
        name="watchlist_changes",
        row="a belt on the watchlist of this run or of the last one, not on both",
        key=("belt_id",),
        columns=(
            text("belt_id!", "the belt"),
            text("vehicle_id!", "the vehicle"),
            text("depot!", "its depot"),
            text("change!", "since the last run on other records", "new gone"),
            text("because!", "what changed", "read_again belt_off same_readings"),
            text("reason!", "of being on the list that it is on"),
            real("p_under_before", "on the last run's list; null where new"),
            real("p_under_now", "null where the belt runs no more"),
            text("last_service_id!", "last record with a reading, of that list"),
        ),
    ),
)
