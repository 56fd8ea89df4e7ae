"""How many miles a vehicle drives a day, of late, and how sure that is."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.estimates import two_sided_z

WINDOW_DAYS: Final = 180
_MOST_POINTS: Final = 9  # of a vehicle: 36 slopes between them
_FEWEST_VEHICLES: Final = 5  # of a duty class that stands by itself
_BLOCK: Final = 50_000  # vehicles at a time
_NORMAL_80: Final = 2.5631031310892007  # 80 % range of a standard normal
_MEDIAN_CHI2: Final = 0.45493642311957283  # of one degree of freedom

POINTS: Final = pl.Schema(
    {
        "vehicle_no": pl.Int64(),  # 0 … n_vehicles - 1
        "day": pl.Int64(),  # any count of days
        "odometer_mi": pl.Float64(),  # of that day, mi
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyMiles:
    """Miles a day of every vehicle, drawn to those of its duty class.

    Attributes
    ----------
    daily_mi, sd_mi : ndarray of float, shape (n_vehicles,)
        Mean (0 or more) and standard deviation of what is known of it, mi a day; NaN
        where neither the vehicle nor any other has been seen to drive.
    lo_mi, hi_mi : ndarray of float, shape (n_vehicles,)
        Its 95 % interval, not below 0.
    own_share : ndarray of float, shape (n_vehicles,)
        Weight of the vehicle's own slope against its class, 0 to 1.
    """

    daily_mi: FloatArray
    sd_mi: FloatArray
    lo_mi: FloatArray
    hi_mi: FloatArray
    own_share: FloatArray


def fit_daily_miles(
    points: pl.DataFrame, duty_no: IntArray, *, as_of_day: int
) -> DailyMiles:
    """Fit what each vehicle drives a day from its odometer in the last 180 days.

    Parameters
    ----------
    points : polars.DataFrame
        Odometers to `POINTS`, one row a vehicle and day; later days are not looked at.
    duty_no : ndarray of int, shape (n_vehicles,)
        Duty class of each vehicle, 0 … n_classes - 1.
    as_of_day : int
        The day on which 'now' stands, counted as in ``points``.

    Returns
    -------
    DailyMiles
        Of every vehicle, also of one without points: that of its class.

    Raises
    ------
    InputError
        If a column is missing or empty, or a vehicle has no duty class.

    Notes
    -----
    A vehicle's slope is the median of those between its points [1]_; of more than nine,
    nine evenly spread in order. The last point before the window is one of them, if it
    is not older than two windows; so are a vehicle's last two, however old, which are
    all there is of one seldom seen. Miles of different days are taken as independent,
    so that a slope over T days has variance σ²/T, and 6/5 of it where there are points
    in between (as for least squares on a random walk). σ² of a class is the median of
    squared departures of stretches from their vehicle's slope, per day, over the median
    of χ²; where no vehicle has three points, a day's miles are taken to spread by as
    much as their mean. The true slopes of a class are taken as normal, with the median
    of its vehicles' slopes as mean and, less what their own variances bring, the 80 %
    range of the better known half as spread, so that a mistyped odometer moves neither.

    References
    ----------
    .. [1] Sen, P. K. (1968), *JASA* 63, 1379-1389.
    """
    points = _in_window(_checked(points, duty_no), as_of_day)
    n = duty_no.size
    vehicle, day, odometer = (points[name].to_numpy() for name in POINTS)
    count = np.bincount(vehicle, minlength=n)
    start = np.cumsum(count) - count
    has_slope = count > 1
    slope, days = np.zeros(n), np.zeros(n)
    slope[has_slope] = _median_slopes(day, odometer, start[has_slope], count[has_slope])
    last = start[has_slope] + count[has_slope] - 1
    days[has_slope] = day[last] - day[start[has_slope]]
    group = _groups(duty_no, has_slope)
    variance = _per_day(vehicle, day, odometer, slope, count, group)
    own = np.full(n, np.inf)
    own[has_slope] = (np.where(count > 2, 1.2, 1.0) * variance[group])[has_slope]
    own[has_slope] /= days[has_slope]
    return _shrunk(slope, own, group)


def _median_slopes(
    day: IntArray, odometer_mi: FloatArray, start: IntArray, count: IntArray
) -> FloatArray:
    """Median slope between (at most nine) points of each vehicle, 2 points or more."""
    slope = np.empty(count.size)
    used = np.minimum(count, _MOST_POINTS)
    for n in range(2, _MOST_POINTS + 1):
        rows = np.flatnonzero(used == n)
        for block in np.array_split(rows, rows.size // _BLOCK + 1):
            step = np.linspace(0.0, 1.0, n) * (count[block, None] - 1)
            at = start[block, None] + np.rint(step).astype(np.int64)
            slope[block] = _middle_slope(day[at], odometer_mi[at])
    return slope


def _middle_slope(day: IntArray, odometer_mi: FloatArray) -> FloatArray:
    """Median slope between the points of each row, those of one day left out."""
    one, other = np.triu_indices(day.shape[1], 1)
    days = day[:, other] - day[:, one]
    slopes = odometer_mi[:, other] - odometer_mi[:, one]
    is_pair = days > 0
    np.divide(slopes, days, out=slopes, where=is_pair)
    slopes[~is_pair] = np.inf
    slopes.sort(axis=1)
    n, row = is_pair.sum(axis=1), np.arange(days.shape[0])
    return np.asarray((slopes[row, (n - 1) // 2] + slopes[row, n // 2]) / 2)


def _groups(duty_no: IntArray, has_slope: BoolArray) -> IntArray:
    """Duty classes, of which those with few vehicles to learn from become one."""
    n = np.bincount(duty_no, has_slope)
    kept = n >= _FEWEST_VEHICLES
    number = np.where(kept, np.cumsum(kept), 0)
    return np.asarray(number[duty_no])


def _per_day(
    vehicle: IntArray,
    day: IntArray,
    odometer_mi: FloatArray,
    slope: FloatArray,
    count: IntArray,
    group: IntArray,
) -> FloatArray:
    """Variance of a day's miles by group; where no stretch shows it, a large one."""
    of, days = vehicle[1:], np.diff(day)
    is_stretch = (np.diff(vehicle) == 0) & (days > 0) & (count[of] > 2)
    of, days = of[is_stretch], days[is_stretch]
    miles = np.diff(odometer_mi)[is_stretch]
    freedom = (count[of] - 2) / (count[of] - 1)  # the slope has taken one
    squares = (miles - slope[of] * days) ** 2 / days / freedom
    median = (
        pl.DataFrame({"group": group[of], "square": squares})
        .group_by("group")
        .agg(pl.col("square").median())
    )
    variance = np.full(int(group.max(initial=0)) + 1, np.nan)
    variance[median["group"].to_numpy()] = median["square"].to_numpy() / _MEDIAN_CHI2
    unknown = variance[~np.isnan(variance)].max(initial=0.0)
    if not squares.size and (count > 1).any():
        unknown = float(np.median(slope[count > 1]) ** 2)
    return np.where(np.isnan(variance), unknown, variance)


def _shrunk(slope: FloatArray, own: FloatArray, group: IntArray) -> DailyMiles:
    """Weigh each slope, of variance ``own``, against the middle of its group."""
    middle, between = np.zeros(slope.size), np.zeros(slope.size)
    known = np.isfinite(own)
    for no in np.unique(group):
        is_in = group == no
        some = is_in & known
        some = some if some.sum() >= _FEWEST_VEHICLES else known
        middle[is_in], between[is_in] = _middle_and_variance(slope[some], own[some])
    weight = np.zeros(slope.size)
    weight[known] = 1.0
    np.divide(between, between + own, out=weight, where=known & (own > 0))
    daily = np.maximum(np.where(known, weight * slope, 0) + (1 - weight) * middle, 0.0)
    sd = np.sqrt((1 - weight) * between)
    half = two_sided_z(0.95) * sd
    return DailyMiles(
        daily_mi=daily,
        sd_mi=sd,
        lo_mi=np.maximum(daily - half, 0.0),
        hi_mi=daily + half,
        own_share=weight,
    )


def _middle_and_variance(slope: FloatArray, own: FloatArray) -> tuple[float, float]:
    """Median of the true slopes and their variance between vehicles, robustly."""
    if not slope.size:
        return np.nan, np.nan
    better = own <= np.median(own)
    lo, hi = np.quantile(slope[better], [0.1, 0.9])
    variance = ((hi - lo) / _NORMAL_80) ** 2 - own[better].mean()
    return float(np.median(slope)), max(float(variance), 0.0)


def _in_window(points: pl.DataFrame, as_of_day: int) -> pl.DataFrame:
    """Keep the last window, the last point of the window before, and the last two."""
    age = as_of_day - points["day"].to_numpy()
    vehicle = points["vehicle_no"].to_numpy()
    order = np.argsort(vehicle * (int(age.max(initial=0)) + 1) - age)
    order = order[age[order] >= 0]
    age, vehicle = age[order], vehicle[order]
    n_recent = np.bincount(vehicle, age <= WINDOW_DAYS)[vehicle]
    from_last = np.cumsum(np.bincount(vehicle))[vehicle] - 1 - np.arange(vehicle.size)
    is_before = (from_last == n_recent) & (age <= 2 * WINDOW_DAYS)
    is_kept = (age <= WINDOW_DAYS) | is_before | (from_last < 2)
    rows: IntArray = order[is_kept]
    return points[rows]


def _checked(points: pl.DataFrame, duty_no: IntArray) -> pl.DataFrame:
    missing = [name for name in POINTS if name not in points.columns]
    if missing:
        raise _refusal(fault=f"lack columns: {', '.join(missing)}")
    points = points.select(pl.col(name).cast(t) for name, t in POINTS.items())
    if sum(points.null_count().row(0)):
        raise _refusal(fault="have empty cells")
    if not points["vehicle_no"].is_between(0, duty_no.size - 1).all():
        raise _refusal(fault="are of vehicles without duty class")
    return points


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The odometers {fault}.",
        where="fleetbelt.models.daily_miles.POINTS",
        fix="pass one row per vehicle and day to that schema.",
    )
