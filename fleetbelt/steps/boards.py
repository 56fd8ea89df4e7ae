"""The gauges' board: what each was used for, when it is due, what it left doubtful."""

from datetime import date
from typing import Final

import polars as pl

from fleetbelt.settings import Settings
from fleetbelt.steps.tables import Tables, to_contract
from fleetbelt.store.frames import Read

# Change of a drifting gauge's log ratio that a calibration should come before, and the
# readings outside the spans that make a span worth calibrating (no source for either).
_ALLOWED_CHANGE: Final = 0.02
_WORTH: Final = 10


def gauge_board(read: Read, settings: Settings) -> Tables:
    """Say of each gauge when it is due, on which span, and what it leaves doubtful."""
    as_of: date = read("history.as_of")["as_of"].item()
    table = (
        _known(read)
        .join(_calibrated(read, as_of), on="gauge_id", how="left")
        .join(_changes(read), on="gauge_id", how="left")
        .join(_used(read), on="gauge_id", how="left")
        .join(
            read("marts.gauge_belts").rename(
                {"n": "belts_set", "n_doubtful": "belts_doubtful"}
            ),
            on="gauge_id",
            how="left",
        )
        .with_columns(pl.col(_COUNTS).fill_null(0))
        .with_columns(next_calibration=_due(settings.measurement.calibration_days))
    )
    return {
        "results.gauge_board": to_contract(
            "gauge_board",
            table.with_columns(needs=_needs(as_of)).sort("gauge_id"),
        )
    }


_COUNTS: Final = (
    "calibrations",
    "readings",
    "readings_since",
    "readings_beyond",
    "belts_set",
    "belts_doubtful",
)


def _known(read: Read) -> pl.DataFrame:
    """Every gauge that any record names; its shop and method where they are known."""
    return read(
        "(select named.gauge_id, gauges.shop, gauges.method, gauges.unit from ("
        "select gauge_id from staging.gauges union select gauge_id "
        "from staging.calibrations union select gauge_id from marts.gauge_use"
        ") as named left join staging.gauges as gauges using (gauge_id))"
    )


def _calibrated(read: Read, as_of: date) -> pl.DataFrame:
    known = read("(from staging.calibrations order by all)").filter(
        pl.col("date") <= pl.lit(as_of, dtype=pl.Date)
    )
    return known.group_by("gauge_id").agg(
        calibrations=pl.col("date").n_unique().cast(pl.Int64),
        last_calibration=pl.col("date").max(),
        span_min_mm=pl.col("span_mm").min(),
        span_max_mm=pl.col("span_mm").max(),
    )


def _changes(read: Read) -> pl.DataFrame:
    """How each gauge changed, and how fast it may go on changing."""
    pace = (
        read("fitted.gauge_shifts")
        .filter(pl.col("to_date").is_null())
        .select("gauge_id", "u_per_day")
    )
    columns = ("change_pct", "change_lo", "change_hi")
    return (
        read("fitted.gauge_drift")
        .select("gauge_id", pl.col("form").alias("change"), *columns)
        .join(pace, on="gauge_id", how="left")
    )


def _used(read: Read) -> pl.DataFrame:
    use = read("(from marts.gauge_use order by gauge_id, n_wanting desc, span_mm)")
    is_wanting = pl.col("n_wanting") > 0
    return use.group_by("gauge_id", maintain_order=True).agg(
        readings=pl.col("n").sum(),
        readings_since=pl.col("n_since").sum(),
        readings_beyond=pl.col("n_beyond").sum(),
        wanted_span_mm=pl.col("span_mm").filter(is_wanting).first(),
        wanted_readings=pl.col("n_wanting").filter(is_wanting).first(),
    )


def _due(interval_days: float) -> pl.Expr:
    """Add the settings' interval to the newest, or less where the gauge drifts."""
    by_drift = (_ALLOWED_CHANGE / pl.col("u_per_day")).fill_nan(None)
    days = pl.min_horizontal(pl.lit(float(interval_days)), by_drift).floor()
    return pl.col("last_calibration") + pl.duration(days=days.cast(pl.Int64))


def _needs(as_of: date) -> pl.Expr:
    is_frequency = (pl.col("method") == "vibration") | (pl.col("unit") == "Hz")
    return (
        pl.when(is_frequency.fill_null(value=False))
        .then(pl.lit("nothing"))
        .when(pl.col("calibrations") == 0)
        .then(pl.lit("first_calibration"))
        .when(pl.col("next_calibration") <= pl.lit(as_of, dtype=pl.Date))
        .then(pl.lit("calibration_due"))
        .when(pl.col("wanted_readings").fill_null(0) >= _WORTH)
        .then(pl.lit("span"))
        .otherwise(pl.lit("nothing"))
    )
