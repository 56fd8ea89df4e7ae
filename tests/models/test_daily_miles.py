"""Daily miles: slopes, how they are drawn to their class, and how sure they are."""

import numpy as np
import polars as pl
import pytest

from fleetbelt.errors import InputError
from fleetbelt.models.daily_miles import POINTS, fit_daily_miles

AS_OF = 1000


def points(*rows):
    return pl.DataFrame(rows, POINTS, orient="row")


def steady(vehicle, daily_mi, days=range(820, 1001, 20)):
    return [(vehicle, day, 5000 + daily_mi * (day - 800)) for day in days]


def simulated(rng, n, *, few=0.3):
    """Three duty classes; miles of a day vary by half their mean and more."""
    duty = rng.integers(0, 3, n)
    truth = np.array([45.0, 65.0, 95.0])[duty] * np.exp(0.2 * rng.standard_normal(n))
    n_points = np.where(rng.random(n) < few, rng.integers(0, 4, n), 12)
    vehicle = np.repeat(np.arange(n), n_points)
    day = AS_OF - rng.integers(0, 180, vehicle.size)
    found = pl.DataFrame({"vehicle_no": vehicle, "day": day}).unique()
    found = found.sort("vehicle_no", "day")
    vehicle = found["vehicle_no"].to_numpy()
    days = np.diff(found["day"].to_numpy(), prepend=0).astype(float)
    days[np.diff(vehicle, prepend=-1) != 0] = 0.0
    noise = 30.0 * np.sqrt(days) * rng.standard_normal(days.size)
    miles = np.cumsum(truth[vehicle] * days + noise)
    return found.with_columns(odometer_mi=miles), duty, truth


def test_a_vehicle_that_drives_the_same_every_day_is_read_off_exactly():
    rows = [
        row for v, mi in enumerate((40, 50, 60, 70, 80, 55)) for row in steady(v, mi)
    ]

    fit = fit_daily_miles(points(*rows), np.zeros(6, int), as_of_day=AS_OF)

    assert fit.daily_mi == pytest.approx([40, 50, 60, 70, 80, 55], rel=1e-12)
    assert fit.sd_mi == pytest.approx(0, abs=1e-9)


def test_the_slope_is_the_median_of_all_slopes_between_points():
    rng = np.random.default_rng(4)
    n, n_points = 40, 7
    days = 835 + 25 * np.arange(n_points) + rng.integers(0, 10, (n, n_points))
    pace = np.linspace(30, 90, n)[:, None]
    miles = pace * (days - 800) + rng.normal(0, 150, days.shape)
    rows = [
        (v, int(days[v, i]), miles[v, i]) for v in range(n) for i in range(n_points)
    ]
    slopes = [
        np.median(
            [
                (miles[v, j] - miles[v, i]) / (days[v, j] - days[v, i])
                for i in range(n_points)
                for j in range(i + 1, n_points)
            ]
        )
        for v in range(n)
    ]

    fit = fit_daily_miles(points(*rows), np.zeros(n, int), as_of_day=1010)

    middle = np.median(slopes)
    expected = fit.own_share * slopes + (1 - fit.own_share) * middle
    assert fit.daily_mi == pytest.approx(expected, rel=1e-12)
    assert 0 < fit.own_share.min() < fit.own_share.max() < 1


def test_one_mistyped_odometer_does_not_move_the_slope():
    rng = np.random.default_rng(0)
    found, duty, _ = simulated(rng, 200, few=0)
    spoilt = found.with_columns(
        odometer_mi=pl.when((pl.col("vehicle_no") == 7) & (pl.col("day") == 900))
        .then(pl.col("odometer_mi") + 90_000)
        .otherwise("odometer_mi")
    )
    wrong = pl.DataFrame([(7, 900, 990_000.0)], POINTS, orient="row")
    spoilt = pl.concat([found, wrong])

    before, after = (
        fit_daily_miles(frame, duty, as_of_day=AS_OF).daily_mi
        for frame in (found, spoilt)
    )

    assert after[7] == pytest.approx(before[7], rel=0.25)
    assert np.delete(after, 7) == pytest.approx(np.delete(before, 7), rel=0.01)


def test_what_was_driven_before_the_window_does_not_count():
    rows = [row for v in range(6) for row in steady(v, 50)]
    early = [(0, day, float(day)) for day in range(100, 640, 20)]

    fit = fit_daily_miles(points(*early, *rows), np.zeros(6, int), as_of_day=AS_OF)

    assert fit.daily_mi == pytest.approx(50, rel=1e-12)


def test_the_last_point_before_the_window_tells_of_a_vehicle_seen_once_since():
    rows = [row for v in range(1, 7) for row in steady(v, 50)]
    seldom = [(0, 780, 10_000.0), (0, 980, 26_000.0)]

    fit = fit_daily_miles(points(*seldom, *rows), np.zeros(7, int), as_of_day=AS_OF)

    assert fit.daily_mi[0] == pytest.approx(80)


def test_a_vehicle_seldom_seen_is_read_off_its_last_two_odometers():
    rows = [row for v in range(1, 7) for row in steady(v, 50)]
    seldom = [(0, 0, 1_000.0), (0, 200, 10_000.0), (0, 600, 42_000.0)]

    fit = fit_daily_miles(points(*seldom, *rows), np.zeros(7, int), as_of_day=AS_OF)

    assert fit.daily_mi[0] == pytest.approx(80)


def test_odometers_after_now_are_not_looked_at():
    found, duty, _ = simulated(np.random.default_rng(7), 200)
    later = found.filter(pl.col("vehicle_no") < 50).with_columns(
        pl.col("day") + 181, pl.col("odometer_mi") * 3
    )

    one, other = (
        fit_daily_miles(frame, duty, as_of_day=AS_OF)
        for frame in (found, pl.concat([found, later]))
    )

    assert np.array_equal(one.daily_mi, other.daily_mi)


def test_a_vehicle_without_odometers_is_taken_to_drive_as_its_class():
    found, duty, _ = simulated(np.random.default_rng(2), 900, few=0)
    duty = np.append(duty, [0, 2])

    fit = fit_daily_miles(found, duty, as_of_day=AS_OF)

    assert fit.own_share[-2:].tolist() == [0, 0]
    assert fit.daily_mi[-2:] == pytest.approx([45, 95], rel=0.1)
    assert fit.sd_mi[-2] > 3 * np.median(fit.sd_mi)


def test_a_class_of_few_vehicles_leans_on_the_whole_fleet():
    found, duty, _ = simulated(np.random.default_rng(2), 300, few=0)
    duty = np.append(duty, 3)

    fit = fit_daily_miles(found, duty, as_of_day=AS_OF)

    assert fit.daily_mi[-1] == pytest.approx(np.median(fit.daily_mi[:-1]), rel=0.05)


def test_a_parked_vehicle_among_others_drives_nothing():
    rows = [row for v in range(9) for row in steady(v, 50 + v)]
    parked = [(9, day, 7000.0) for day in range(820, 1001, 20)]

    fit = fit_daily_miles(points(*rows, *parked), np.zeros(10, int), as_of_day=AS_OF)

    assert fit.daily_mi[9] == 0
    assert fit.lo_mi[9] == 0


def test_intervals_hold_the_truth_as_often_as_they_say():
    """One fleet of 4,000: binomial noise of the coverage is 0.0035."""
    found, duty, truth = simulated(np.random.default_rng(3), 4000)

    fit = fit_daily_miles(found, duty, as_of_day=AS_OF)

    cover = np.mean((fit.lo_mi <= truth) & (truth <= fit.hi_mi))
    assert 0.92 <= cover <= 0.97


def test_a_slope_from_little_gains_from_its_class():
    found, duty, truth = simulated(np.random.default_rng(5), 2000, few=1.0)
    two = found.group_by("vehicle_no").agg(
        n=pl.len(),
        raw=(pl.col("odometer_mi").last() - pl.col("odometer_mi").first())
        / (pl.col("day").last() - pl.col("day").first()),
    )
    two = two.filter(pl.col("n") >= 2)
    of = two["vehicle_no"].to_numpy()

    fit = fit_daily_miles(found, duty, as_of_day=AS_OF)

    rms = np.sqrt(np.mean((fit.daily_mi[of] - truth[of]) ** 2))
    rms_raw = np.sqrt(np.mean((two["raw"].to_numpy() - truth[of]) ** 2))
    assert rms < 0.85 * rms_raw


def test_two_points_a_vehicle_still_give_an_interval():
    rows = [row for v in range(8) for row in steady(v, 40 + 5 * v, days=(900, 990))]

    fit = fit_daily_miles(points(*rows), np.zeros(8, int), as_of_day=AS_OF)

    assert (fit.sd_mi > 0).all()
    assert (fit.lo_mi < fit.daily_mi).all()


def test_a_fleet_without_any_slope_is_not_known():
    fit = fit_daily_miles(points((0, 990, 5.0)), np.zeros(2, int), as_of_day=AS_OF)

    assert np.isnan(fit.daily_mi).all()


def test_the_order_of_the_rows_changes_nothing():
    found, duty, _ = simulated(np.random.default_rng(6), 300)

    one = fit_daily_miles(found, duty, as_of_day=AS_OF)
    other = fit_daily_miles(
        found.sample(fraction=1, shuffle=True, seed=1), duty, as_of_day=AS_OF
    )

    assert np.array_equal(one.daily_mi, other.daily_mi)


@pytest.mark.parametrize(
    ("frame", "match"),
    [
        (points((0, 1, 1.0)).drop("day"), "lack columns: day"),
        (points((0, None, 1.0)), "empty cells"),
        (points((3, 1, 1.0)), "without duty class"),
    ],
)
def test_odometers_that_do_not_fit_are_refused(frame, match):
    with pytest.raises(InputError, match=match):
        fit_daily_miles(frame, np.zeros(2, int), as_of_day=AS_OF)
