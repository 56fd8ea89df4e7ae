"""How far each vehicle in service drives a day."""

import numpy as np
import polars as pl

from fleetbelt.models.daily_miles import fit_daily_miles
from fleetbelt.steps.tables import Tables
from fleetbelt.store.frames import Read

_IN_SERVICE = (
    "(select vehicle_no, vehicle_id, duty from staging.vehicles, history.as_of"
    " where coalesce(retired_date > as_of, true) order by vehicle_no)"
)

_POINTS = (
    "(select vehicle_no, cast(date - date '1970-01-01' as bigint) as day, odometer_mi"
    " from history.recent_odometers)"
)


def daily_miles(read: Read) -> Tables:
    """Fit the miles a day of every vehicle in service; null where none is known."""
    vehicles = read(_IN_SERVICE)
    duty = vehicles["duty"].fill_null("unknown").rank("dense").to_numpy()
    points = read(_POINTS)
    number = vehicles["vehicle_no"].to_numpy()
    place = np.empty(number.max(initial=-1) + 1, dtype=np.int64)
    place[number] = np.arange(number.size)
    points = points.with_columns(
        vehicle_no=pl.Series(place[points["vehicle_no"].to_numpy()])
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
