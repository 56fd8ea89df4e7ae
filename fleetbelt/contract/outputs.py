"""The tables given out, by the contract: schema `results` of the database."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    boolean,
    date,
    integer,
    real,
    text,
    timestamp,
)

RESULTS: Final[tuple[Table, ...]] = (
    Table(
        name="run_info",
        row="a fact of this run",
        key=("key",),
        columns=(
            text("key!", "name of the fact"),
            text("value", "the fact, as text"),
        ),
    ),
    Table(
        name="load_files",
        row="a file taken in",
        key=("file", "sha256"),
        columns=(
            text("file!", "name as given"),
            text("sha256!", "of its bytes"),
            text("table_name!", "the table it fed"),
            integer("rows_read!", "records in it"),
            integer("rows_loaded!", "rows taken in"),
            integer("rows_quarantined!", "rows refused"),
            integer("rows_duplicate!", "rows already known"),
            integer("rows_superseded!", "of the loaded, later replaced"),
            timestamp("loaded_at!", "time of the load, UTC"),
        ),
    ),
    Table(
        name="quarantine",
        row="a row refused",
        key=("file", "line"),
        columns=(
            text("file!", "the file"),
            integer("line!", "physical line, header = 1"),
            text("table_name!", "the table it was meant for"),
            text("column_name", "column of the first reason"),
            text("reason!", 'codes joined by "; "'),
            text("raw", "the row as text"),
        ),
    ),
    Table(
        name="superseded",
        row="a row replaced by a later file",
        key=("table_name", "key", "file", "line"),
        columns=(
            text("table_name!", "the table"),
            text("key!", "its key"),
            text("file!", "the file it came from"),
            integer("line!", "its physical line"),
            text("by_file!", "the file that replaced it"),
            text("raw", "the row as text"),
        ),
    ),
    Table(
        name="data_notes",
        row="something doubtful about a row that was kept",
        key=("table_name", "key", "code"),
        columns=(
            text("table_name!", "the table"),
            text("key!", "key of the row"),
            text("code!", "what is doubtful"),
            text("detail", "in words"),
        ),
    ),
    Table(
        name="gauge_curves",
        row="a gauge at a calibrated span",
        key=("gauge_id", "span_mm"),
        columns=(
            text("gauge_id!", "the gauge"),
            real("span_mm!", "calibrated span, mm"),
            integer("n!", "calibration readings"),
            real("ratio!", "geometric mean of reading/reference"),
            real("ratio_lo!", "lower 95 % limit"),
            real("ratio_hi!", "upper 95 % limit"),
            real("correction!", "1/ratio"),
            real(
                "repeatability!",
                "relative sd of one reading, pooled over the gauge's spans",
            ),
        ),
    ),
    Table(
        name="tension_readings",
        row="one reading in the records",
        key=("service_id", "phase"),
        columns=(
            text("service_id!", "the service record"),
            text("phase!", "found or left", "found left"),
            real("tension_n", "corrected tension, N; null where it cannot be told"),
            real("tension_u_n", "standard uncertainty, N"),
            real("correction!", "factor on the reading"),
            text(
                "correction_source!",
                "where it came from",
                "calibrated between_spans beyond_spans pooled none",
            ),
            text("belt_state!", "state whose range applied", "new used"),
            real("spec_min_n", "lower limit, N"),
            real("spec_max_n", "upper limit, N"),
            real("p_under", "probability below the range"),
            real("p_in", "probability inside"),
            real("p_over", "probability above"),
            text(
                "verdict",
                "in a word",
                "under doubtful_low in doubtful_high over no_spec",
            ),
        ),
    ),
    Table(
        name="belts",
        row="one belt on one vehicle",
        key=("belt_id",),
        columns=(
            text("belt_id!", "vehicle, drive and number of the fitting"),
            text("vehicle_id!", "the vehicle"),
            text("drive_id!", "the drive"),
            text("model!", "the vehicle's model"),
            text("install_service_id", "record of its fitting"),
            date("install_date", "day of its fitting"),
            real("install_odometer_mi", "odometer then, mi"),
            real("install_tension_n", "tension it was left with, N"),
            text("install_basis", "reading that says so", "recheck install"),
            text(
                "band!",
                "install tension against the range",
                "loose under in_spec over tight unknown",
            ),
            real("entry_mi", "miles since fitting at which its life is first seen"),
            real("life_lo_mi", "it lived at least, mi"),
            real("life_hi_mi", "it lived at most, mi; null = censored"),
            real("last_odometer_mi", "miles since fitting at the last odometer"),
            text("end_kind", "how its life ended", "failed censored"),
            text("removal_reason", "why it came off; null = still running"),
        ),
    ),
    Table(
        name="install_conformity",
        row="installs by month and by a grouping",
        key=("by", "value", "month"),
        columns=(
            text("by!", "the grouping", "all depot model shop gauge"),
            text("value!", "the group"),
            date("month!", "first day of the month"),
            integer("n!", "installs with a tension and a range"),
            integer("under!", "of them left under"),
            real("share!", "under/n"),
            real("lo!", "lower 95 % limit (Wilson)"),
            real("hi!", "upper 95 % limit"),
            real("mean_p_under!", "mean probability of being under"),
        ),
    ),
    Table(
        name="tension_intervals",
        row="consecutive visits of a belt with a reading",
        key=("belt_id", "from_service_id"),
        columns=(
            text("belt_id!", "the belt"),
            text("from_service_id!", "first visit"),
            text("to_service_id!", "second visit"),
            real("miles!", "between them, mi"),
            real("tension_from_n!", "left if adjusted, else found, N"),
            real("tension_to_n!", "found, N"),
            boolean("run_in!", "from is the install's left reading"),
        ),
    ),
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
            real("retension_due_mi", "odometer at which it is due, mi"),
            date("retension_due_date", "day at which it is due"),
            real("p_failure_90d", "probability that it fails in the next 90 days"),
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
            text("last_service_id!", "last record with a reading"),
            text("detail!", "the reason in words"),
        ),
    ),
)
"""The result tables, in the order they are shown."""


def result_table(name: str) -> Table:
    """Return the result table of that name; StopIteration where there is none."""
    return next(table for table in RESULTS if table.name == name)
