"""How fast tension is lost."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    boolean,
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
            real(
                "drift_pct_per_1000mi",
                "100 x log rate of loss, % per 1,000 mi; where loss goes with the log "
                "of miles the mean over the first 10,000 mi after a setting",
            ),
            real("drift_lo", "lower 95 % limit"),
            real("drift_hi", "upper 95 % limit"),
            real(
                "drift_n_per_1000mi", "at the middle of the used range, N per 1,000 mi"
            ),
            real("between_belt_sd_pct", "between belts, % per 1,000 mi"),
            real("residual_sd_pct", "of one reading, %"),
            boolean("is_shrunk", "too few belts: leans on the fleet"),
            real(
                "between_belt_lo", "lower 95 % limit of between_belt_sd_pct, all only"
            ),
            real(
                "between_belt_hi", "upper 95 % limit of between_belt_sd_pct, all only"
            ),
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
    Table(
        name="drift_effects",
        row="something that drift or a reading may depend on",
        key=("effect", "duty"),
        columns=(
            text(
                "effect!",
                "a hot reading, a refitted belt, how tightly it was set, the duty "
                "class, a shift of left readings, the part of their scatter that is "
                "reading error",
                "hot refitted set_level duty left_shift left_slope",
            ),
            text("duty!", "the class compared with duty_base; else -"),
            text("duty_base", "the class with most readings"),
            text("unit!", "of the estimate"),
            real("estimate", "its size; null where nothing tells"),
            real("estimate_lo", "lower 95 % limit"),
            real("estimate_hi", "upper 95 % limit"),
            real("deviance", "likelihood ratio of the whole effect, -2 log"),
            integer("df", "its degrees of freedom"),
            real("p_value", "by chi-squared"),
            boolean("is_kept!", "in the model: gains more than log(intervals) each"),
        ),
    ),
    Table(
        name="drift_clocks",
        row="a clock of drift that was tried",
        key=("clock",),
        columns=(
            text(
                "clock!",
                "loss even in miles, or in log(1 + miles since setting / 1,000)",
                "miles log_miles",
            ),
            real("deviance", "-2 log likelihood, with the price of its effects"),
            boolean("is_chosen!", "every result of drift goes by it"),
        ),
    ),
    Table(
        name="drift_checks",
        row="innovations of the drift model: all, or a tenth by miles or tension",
        key=("of", "part"),
        columns=(
            text(
                "of!",
                "all, or in tenths by miles since the reading before, or by the "
                "tension foretold",
                "all miles tension",
            ),
            integer("part!", "1 to 10 from the least; 0 for all"),
            real("least", "the least of them, mi or N"),
            real("most", "the greatest of them, mi or N"),
            integer("n!", "found readings foretold from the belt's earlier ones"),
            integer(
                "n_left_out", "not looked at: after a correction that is assumed; all"
            ),
            real("mean_z", "mean of (found - foretold) / its sd; 0 expected"),
            real("mean_lo", "lower 95 % limit"),
            real("mean_hi", "upper 95 % limit"),
            real("sd_z", "their sd; 1 expected"),
            real("autocorrelation", "between successive ones of a belt; all only"),
        ),
    ),
    Table(
        name="drift_gauges",
        row="a gauge left out of the drift model",
        key=("gauge_id",),
        columns=(
            text("gauge_id!", "the gauge"),
            integer("n_readings!", "its readings in the model"),
            real("drift_without", "drift of all models without them, % per 1,000 mi"),
            real("shift", "that less the drift with them, % per 1,000 mi"),
            real("shift_in_se", "over the standard error of the drift with them"),
        ),
    ),
    Table(
        name="drift_offsets",
        row="a gauge at a span where it has no calibration",
        key=("cell",),
        columns=(
            text("cell!", "gauge and span"),
            integer("n_belts!", "belts it read there"),
            real("assumed_u!", "relative uncertainty of its correction, assumed"),
            real(
                "ratio!",
                "shown over true, by belts that calibrated gauges read too; beside the "
                "correction in use",
            ),
            real("ratio_lo!", "lower 95 % limit"),
            real("ratio_hi!", "upper 95 % limit"),
            boolean("is_used!", "told well enough: its readings are put right by it"),
        ),
    ),
)
