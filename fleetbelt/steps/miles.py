"""How far each vehicle in service drives a day."""

import polars as pl

from fleetbelt.models.daily_miles import fit_daily_miles
from fleetbelt.steps.tables import Tables
from fleetbelt.store.frames import Read

_IN_SERVICE = (
    "(select vehicle_no, vehicle_id, duty from staging.vehicles, history.as_of"
    " where coalesce(retired_date > as_of, true) order by vehicle_no)"
)


def daily_miles(read: Read) -> Tables:
    """Fit the miles a day of every vehicle in service; null where none is known."""
    vehicles = read(_IN_SERVICE).with_row_index("place")
    duty = vehicles["duty"].fill_null("unknown").rank("dense").to_numpy()
    day = pl.col("date").cast(pl.Int32).cast(pl.Int64)
    points = (
        read("history.recent_odometers")
        .join(vehicles.select("vehicle_no", "place"), on="vehicle_no")
        .select(
            pl.col("place").cast(pl.Int64).alias("vehicle_no"),
            day.alias("day"),
            "odometer_mi",
        )
    )
    as_of = read("history.as_of").select(pl.col("as_of").cast(pl.Int32)).item()
    fit = fit_daily_miles(points, duty.astype("int64") - 1, as_of_day=as_of or 0)
    known = vehicles.select(
        "vehicle_id",
        daily_mi=pl.Series(fit.daily_mi),
        daily_sd_mi=pl.Series(fit.sd_mi),
        daily_lo_mi=pl.Series(fit.lo_mi),
        daily_hi_mi=pl.Series(fit.hi_mi),
    ).with_columns(pl.selectors.float().fill_nan(None))
    return {"fitted.daily_miles": known}
