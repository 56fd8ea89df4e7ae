"""How fast tension is lost."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    date,
    integer,
    real,
    text,
)

DRIFT: Final[tuple[Table, ...]] = (
    Table(
        name="drift_by_model",
        row="a model, and all (one common fit)",
        key=("model",),
        columns=(
            text("model!", "the model"),
            integer("n_belts!", "belts that inform it"),
            integer("n_intervals!", "intervals that inform it"),
            real("run_in_loss_pct", "loss over the run-in, %"),
            real("run_in_loss_lo", "lower 95 % limit"),
            real("run_in_loss_hi", "upper 95 % limit"),
            real("drift_pct_per_1000mi", "100 x log rate of loss, % per 1,000 mi"),
            real("drift_lo", "lower 95 % limit"),
            real("drift_hi", "upper 95 % limit"),
            real(
                "drift_n_per_1000mi", "at the middle of the used range, N per 1,000 mi"
            ),
            real("between_belt_sd_pct", "between belts, % per 1,000 mi"),
            real("residual_sd_pct", "of one reading, %"),
        ),
    ),
    Table(
        name="drift_by_belt",
        row="a belt now running",
        key=("belt_id",),
        columns=(
            text("belt_id!", "the belt"),
            text("vehicle_id!", "the vehicle"),
            real("odometer_now_mi!", "odometer carried to as-of, mi"),
            real("tension_now_n", "tension now, N"),
            real("tension_now_lo_n", "lower 95 % limit"),
            real("tension_now_hi_n", "upper 95 % limit"),
            real("p_under_now", "probability that it is under its range now"),
            real("drift_pct_per_1000mi", "its own rate of loss, % per 1,000 mi"),
            real("daily_mi!", "of its vehicle of late; 0 = not known, mi a day"),
            real("daily_lo_mi!", "lower 95 % limit"),
            real("daily_hi_mi!", "upper 95 % limit"),
            real("retension_due_mi", "odometer at which it is due, mi"),
            date("retension_due_date", "day at which it is due at those daily miles"),
            real("p_failure_90d", "probability that it fails in the next 90 days"),
        ),
    ),
)
