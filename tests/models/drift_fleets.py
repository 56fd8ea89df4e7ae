"""Invented belts straight in the frame that the drift model reads, and naive answers.

The generating model is that of the fit, with the habit that makes naive answers wrong:
a belt is set again when it is found low, so fast belts are set more often, and a
reading that triggers work is a low one.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from fleetbelt.models.drift_readings import READINGS

MIDDLE = 6.0  # log tension at the middle of the used range, N
LOW = -0.12  # a belt found this far under it is set again
NEW = 0.2  # how far above it a new belt is set


def readings_of(belts: list[dict[str, Any]]) -> pl.DataFrame:
    """Make the frame from the columns of each belt that matter; the rest is plain."""
    frames = []
    for belt_no, columns in enumerate(belts):
        n = len(columns["miles"])
        plain = {
            "belt_no": belt_no,
            "model_no": 0,
            "crosses_run_in": False,
            "found_log": None,
            "found_n": 1,
            "left_log": None,
            "left_n": 1,
            "resets": False,
            "u_corr": 0.0,
            "u_apart": 0.0,
            "is_hot": False,
            "duty_no": 0,
            "refitted": False,
            "set_level": None,
        }
        given = {"visit_no": range(n)} | {
            name: columns.get(name, [value] * n) for name, value in plain.items()
        }
        frames.append(pl.DataFrame(given | {"miles": columns["miles"]}, strict=False))
    floats = pl.col("found_log", "left_log")
    return (
        pl.concat(frames, how="vertical_relaxed")
        .select(pl.col(name).cast(t) for name, t in READINGS.items())
        .with_columns(floats.fill_nan(None))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """True values in the units of the model: log tension, thousands of miles."""

    drift: tuple[float, ...] = (0.0045, 0.006, 0.0075, 0.006)
    run_in_loss: tuple[float, ...] = (0.10, 0.14, 0.12, 0.12)
    model_share: tuple[float, ...] = (0.4, 0.3, 0.2, 0.1)
    reading_sd: float = 0.02
    interval_sd: float = 0.008
    run_in_sd: float = 0.02
    slope_sd: float = 0.002
    setting_sd: float = 0.05
    gauge_sd: float = 0.0
    hot: float = 0.0
    refitted: float = 0.0
    set_level: float = 0.0
    duty: tuple[float, ...] = (0.0, 0.0, 0.0)
    is_log_clock: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """The readings, and by belt what the fit is not told."""

    readings: pl.DataFrame
    slope: np.ndarray  # drift per 1,000 mi
    ahead_mi: np.ndarray  # miles since the last row
    is_run_in_ahead: np.ndarray
    tension_ahead: np.ndarray  # log tension after them


@dataclass(slots=True, kw_only=True)
class _Belts:
    """The belts on the road: what changes from visit to visit."""

    truth: Truth
    rng: np.random.Generator
    model: np.ndarray
    duty: np.ndarray
    slope: np.ndarray
    gauge: np.ndarray
    tension: np.ndarray
    level: np.ndarray
    since_mi: np.ndarray
    refitted: np.ndarray

    @classmethod
    def fitted(cls, n: int, rng: np.random.Generator, truth: Truth):
        share = np.array(truth.model_share) / sum(truth.model_share)
        model = rng.choice(share.size, n, p=share)
        spread = rng.normal(0, truth.slope_sd, n)
        return cls(
            truth=truth,
            rng=rng,
            model=model,
            duty=rng.integers(0, len(truth.duty), n),
            slope=np.array(truth.drift)[model] + spread,
            gauge=rng.normal(0, truth.gauge_sd, n),
            tension=MIDDLE + NEW + rng.normal(0, truth.setting_sd, n),
            level=np.zeros(n),
            since_mi=np.zeros(n),
            refitted=np.zeros(n, dtype=bool),
        )

    def chance(self, p: float) -> np.ndarray:
        return self.rng.random(self.model.size) < p

    def drive(self, miles: np.ndarray, crosses_run_in: np.ndarray) -> None:
        t, n = self.truth, miles.size
        time = (
            np.log1p(miles / (1e3 + self.since_mi)) if t.is_log_clock else miles / 1e3
        )
        rate = self.slope + t.refitted * self.refitted + np.array(t.duty)[self.duty]
        run_in = np.array(t.run_in_loss)[self.model] + self.rng.normal(
            0, t.run_in_sd, n
        )
        noise = self.rng.normal(0, t.interval_sd, n) * (miles > 0)
        loss = (rate + t.set_level * self.level) * time + noise
        self.tension = self.tension - loss - run_in * crosses_run_in
        self.since_mi = self.since_mi + miles

    def read(self, hot: np.ndarray, n_averaged: np.ndarray) -> np.ndarray:
        error = self.rng.normal(0, self.truth.reading_sd, hot.size) / n_averaged**0.5
        return np.asarray(self.tension + self.gauge + self.truth.hot * hot + error)

    def set(self, resets: np.ndarray, middle: float) -> None:
        goal = middle + self.rng.normal(0, self.truth.setting_sd, resets.size)
        self.tension = np.where(resets, goal, self.tension)
        self.since_mi = np.where(resets, 0.0, self.since_mi)


def simulate(
    n_belts: int,
    rng: np.random.Generator,
    truth: Truth | None = None,
    *,
    n_visits: int = 8,
) -> Fleet:
    """Run belts from their fitting through up to ``n_visits`` further visits each."""
    belts = _Belts.fitted(n_belts, rng, truth or Truth())
    n_seen = rng.integers(0, n_visits + 1, n_belts)
    ahead_mi = np.where(belts.chance(0.1), 0.0, rng.uniform(0, 9000, n_belts))
    ahead = np.zeros(n_belts)
    rows = []
    for visit in range(n_visits + 1):
        rows.append(_visit(belts, visit).filter(visit <= n_seen))
        here = (belts.tension, belts.since_mi)
        belts.drive(ahead_mi, np.full(n_belts, visit == 0))
        ahead = np.where(visit == n_seen, belts.tension, ahead)
        belts.tension, belts.since_mi = here
    return Fleet(
        readings=pl.concat(rows).sort("belt_no", "visit_no"),
        slope=belts.slope,
        ahead_mi=ahead_mi,
        is_run_in_ahead=n_seen == 0,
        tension_ahead=ahead,
    )


def _visit(belts: _Belts, visit: int) -> pl.DataFrame:
    """Drive to a visit, read, set what is found low; the first one fits the belt."""
    n, rng = belts.model.size, belts.rng
    n_averaged = rng.integers(1, 4, n)
    hot, is_install = belts.chance(0.2), np.full(n, visit == 0)
    miles, found, resets = np.zeros(n), np.full(n, np.nan), is_install
    if visit > 0:
        is_recheck = belts.chance(0.6) & (visit == 1)
        few = np.where(belts.chance(0.3), 0.0, rng.uniform(0, 500, n))
        miles = np.where(is_recheck, few, rng.uniform(2000, 9000, n))
        belts.drive(miles, np.full(n, visit == 1))
        is_refit = belts.chance(0.1) & ~is_recheck
        found = np.where(is_refit, np.nan, belts.read(hot, n_averaged))
        is_checked = is_recheck & (np.abs(found - MIDDLE) > 0.06)
        resets = is_refit | (found < MIDDLE + LOW) | is_checked
        belts.refitted = belts.refitted | is_refit
        belts.set(resets, MIDDLE)
    left = np.where(resets & belts.chance(0.9), belts.read(hot, n_averaged), np.nan)
    level = left - MIDDLE - NEW * is_install
    belts.level = np.where(resets, np.nan_to_num(level), belts.level)
    return pl.DataFrame(
        {
            "belt_no": np.arange(n),
            "model_no": belts.model,
            "visit_no": np.full(n, visit),
            "miles": miles,
            "crosses_run_in": np.full(n, visit == 1),
            "found_log": pl.Series(found).fill_nan(None),
            "found_n": n_averaged,
            "left_log": pl.Series(left).fill_nan(None),
            "left_n": n_averaged,
            "resets": resets,
            "u_corr": np.full(n, belts.truth.gauge_sd),
            "u_apart": np.zeros(n),
            "is_hot": hot,
            "duty_no": belts.duty,
            "refitted": belts.refitted,
            "set_level": pl.Series(level).fill_nan(None),
        }
    )


def from_setting_to_next_found(readings: pl.DataFrame) -> pl.DataFrame:
    """Naive: loss over the first interval after each setting, by regression."""
    return _through_origin(
        _intervals(readings).filter("is_from_setting"), "loss", "miles"
    )


def from_setting_to_trigger(readings: pl.DataFrame) -> pl.DataFrame:
    """Naive: loss from each setting to the reading that led to the next one."""
    return _through_origin(
        _intervals(readings).filter("resets"), "loss_since_setting", "mi_since_setting"
    )


def mean_of_slopes(readings: pl.DataFrame) -> pl.DataFrame:
    """Naive: mean of loss over miles of all intervals between two readings."""
    slope = 1e3 * pl.col("loss") / pl.col("miles")
    return (
        _intervals(readings)
        .group_by("model_no")
        .agg(drift=slope.mean(), se=slope.std() / pl.len().sqrt())
        .sort("model_no")
    )


def _intervals(readings: pl.DataFrame) -> pl.DataFrame:
    """Interval by interval the loss to the next found, run-in left out."""
    start = pl.when("resets").then("left_log").otherwise("found_log")
    setting = pl.col("resets").cum_sum().over("belt_no")
    run_mi = pl.col("miles").cum_sum().over("belt_no")
    each = readings.with_columns(
        since_setting=setting.shift(1).over("belt_no"),
        loss=start.shift(1).over("belt_no") - pl.col("found_log"),
        is_from_setting=pl.col("resets").shift(1).over("belt_no"),
        run_mi=run_mi,
        setting=setting,
    )
    settings = each.filter("resets").select(
        "belt_no", since_setting="setting", set_log="left_log", set_mi="run_mi"
    )
    return (
        each.join(settings, on=["belt_no", "since_setting"], how="left")
        .filter(pl.col("since_setting") > 1, pl.col("miles") > 0)
        .with_columns(
            loss_since_setting=pl.col("set_log") - pl.col("found_log"),
            mi_since_setting=pl.col("run_mi") - pl.col("set_mi"),
        )
        .drop_nulls(["loss", "loss_since_setting"])
    )


def _through_origin(intervals: pl.DataFrame, loss: str, miles: str) -> pl.DataFrame:
    y, t = pl.col(loss), pl.col(miles) / 1e3
    slope = ((y * t).sum() / (t**2).sum()).over("model_no")
    return (
        intervals.with_columns(slope=slope)
        .group_by("model_no")
        .agg(
            drift=pl.col("slope").first(),
            se=((y - t * pl.col("slope")).var() / (t**2).sum()).sqrt(),
        )
        .sort("model_no")
    )
