"""What became of each gauge between its calibrations, and which were found off.

`fit_gauge_drift` chooses how each gauge changed. `levelled` takes the change out of the
calibrations, so that `gauges.fit_gauges` sees one gauge and not several; `log_shift_at`
gives it back for a date: log ratio = that of the curve + the shift; `as_on` gives a
day's curves.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from math import inf
from typing import Final

import numpy as np
import polars as pl
from scipy.special import stdtrit

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.gauge_drift_forms import (
    CONSTANT,
    LINEAR,
    DateEffects,
    Form,
    fitted_forms,
)
from fleetbelt.models.gauges import (
    GAUGE_CURVES,
    NO_SPREAD,
    GaugeFit,
    checked_frame,
    log_ratios,
)

# Readings that all gauges' repeatability is worth beside a gauge's own (common
# practice, no source).
PRIOR_READINGS: Final = 10.0
NO_CHANGE_SEEN: Final = "calibrated on one date"
NOT_COMPARABLE: Final = "its dates share no span, so they cannot be compared"

GAUGE_DRIFT: Final = pl.Schema(
    {
        "gauge_id": pl.String(),
        "n_dates": pl.Int64(),
        "form": pl.String(),  # constant, linear or steps; null: cannot be known
        "change_pct": pl.Float64(),  # ratio at the last date against the first, fitted
        "change_lo": pl.Float64(),  # 95 %
        "change_hi": pl.Float64(),
        "cost_constant": pl.Float64(),  # the least of the three is taken
        "cost_linear": pl.Float64(),
        "cost_steps": pl.Float64(),
        "note": pl.String(),  # why it cannot be known
    }
)
GAUGE_SHIFTS: Final = pl.Schema(
    {
        "gauge_id": pl.String(),
        "from_date": pl.Date(),  # null: before the first calibration
        "to_date": pl.Date(),  # of the next one; null: after the last
        "shift_from": pl.Float64(),  # log ratio against the mean of its calibrations
        "shift_to": pl.Float64(),
        "u_shift": pl.Float64(),  # standard uncertainty of either
        "u_moment": pl.Float64(),  # size of a step that came at an unknown moment
        "u_per_day": pl.Float64(),  # what a drift may add beyond the calibrations
    }
)
GAUGES_OFF: Final = pl.Schema(
    {
        "gauge_id": pl.String(),
        "last_good_date": pl.Date(),  # newest calibration that agreed with those before
        "found_off_date": pl.Date(),  # the one that did not
        "log_change": pl.Float64(),  # of the ratio; above 0: it now reads higher
        "u_log_change": pl.Float64(),
        "change_pct": pl.Float64(),
        "change_lo": pl.Float64(),  # 95 %
        "change_hi": pl.Float64(),
    }
)
DATED_USES: Final = pl.Schema({"gauge_id": pl.String(), "date": pl.Date()})
DATED_SHIFTS: Final = pl.Schema({"log_shift": pl.Float64(), "u_shift": pl.Float64()})


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeDriftFit:
    """How each gauge changed between its calibrations.

    Attributes
    ----------
    gauges : polars.DataFrame
        One row per gauge, to `GAUGE_DRIFT`.
    shifts : polars.DataFrame
        One row per gauge that changed and stretch of time between two calibrations,
        before the first and after the last, to `GAUGE_SHIFTS`.
    found_off : polars.DataFrame
        One row per gauge and calibration that shows it off, to `GAUGES_OFF`.
    """

    gauges: pl.DataFrame
    shifts: pl.DataFrame
    found_off: pl.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gauge:
    """One gauge's dates, how sure they are, and the form taken (None: not known)."""

    gauge_id: str
    first: date
    dates: DateEffects
    covariance: FloatArray
    df: float
    forms: dict[str, Form]
    form: Form | None

    def on(self, i: int) -> date:
        return self.first + timedelta(days=int(self.dates.day[i]))


def fit_gauge_drift(
    calibrations: pl.DataFrame,
    *,
    default_repeatability: float = 0.01,
    day_sd: float = 0.0,
    least_change: float = 0.02,
    level: float = 0.01,
) -> GaugeDriftFit:
    """Return how each gauge's ratio changed over its calibrations, and which were off.

    Parameters
    ----------
    calibrations : polars.DataFrame
        One row per reading of a known load, to `gauges.CALIBRATIONS`.
    default_repeatability : float, default 0.01
        Relative sd of one reading where no gauge has repeats.
    day_sd : float, default 0
        Relative sd of what all readings of one date share and is not the gauge: who
        reads, how warm it is. The reproducibility of `gauge_study` is one.
    least_change : float, default 0.02
        Smallest change of log ratio at which a gauge counts as found off (common
        practice, no source).
    level : float, default 0.01
        Chance that a calibration shows a true gauge off, were ``least_change`` 0.

    Returns
    -------
    GaugeDriftFit
        Gauges, their shifts, and those found off.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.
    FitError
        If a span, load or reading is missing or not above 0.

    Notes
    -----
    ``log(reading / load) = span + date + e`` within a gauge: a change is taken to be
    the same at every span. The dates' effects, with their covariance, choose between no
    change, a straight line in time and steps (`gauge_drift_forms.fitted_forms`). s**2
    of e is the gauge's own, leaning on that of all gauges.

    A step came at an unknown moment between two calibrations, any alike: at a part f of
    the way its mean is f of the step and its variance ``f (1 - f) step**2``. So the
    shift is interpolated in time there too, and less sure. It is the same with two
    dates, which do not tell a step from a line. Beyond the calibrations the shift
    stays; what a line would add is uncertainty.

    A calibration shows a gauge off if it differs from the mean of those since it last
    was found off, by ``least_change`` and by Student's t at ``level``. Records between
    the last date that agreed and this one are doubtful.
    """
    gauges = _gauges(calibrations, default_repeatability, day_sd)
    return GaugeDriftFit(
        gauges=pl.DataFrame([_summary(g) for g in gauges], GAUGE_DRIFT),
        shifts=pl.DataFrame(
            [row for g in gauges for row in _segments(g)], GAUGE_SHIFTS
        ),
        found_off=pl.DataFrame(
            [row for g in gauges for row in _found_off(g, least_change, level)],
            GAUGES_OFF,
        ),
    )


def levelled(calibrations: pl.DataFrame, fit: GaugeDriftFit) -> pl.DataFrame:
    """Return the calibrations with each gauge's change taken out.

    Parameters
    ----------
    calibrations : polars.DataFrame
        Those that were fitted, to `gauges.CALIBRATIONS`.
    fit : GaugeDriftFit
        How the gauges changed.

    Returns
    -------
    polars.DataFrame
        The same rows with ``reading_n / exp(shift on its date)``: those of the gauge as
        it was on the mean of its readings.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.
    """
    shift = log_shift_at(fit, calibrations)["log_shift"]
    return calibrations.with_columns(reading_n=pl.col("reading_n") * (-shift).exp())


def log_shift_at(fit: GaugeDriftFit, uses: pl.DataFrame) -> pl.DataFrame:
    """Return what to add to a gauge's log ratio on a date.

    Parameters
    ----------
    fit : GaugeDriftFit
        How the gauges changed.
    uses : polars.DataFrame
        One row per gauge and date, to `DATED_USES`; more columns may follow.

    Returns
    -------
    polars.DataFrame
        ``uses`` in its order with the columns of `DATED_SHIFTS`; 0 for a gauge that did
        not change or is not known. Its log correction is that of the `levelled`
        calibrations less ``log_shift``, its uncertainty joined with ``u_shift``.

    Raises
    ------
    StoreError
        If a frame lacks a column or holds another type.

    Notes
    -----
    With f the part of the way, ``u**2 = u_shift**2 + f (1 - f) u_moment**2``; t days
    beyond the calibrations ``u_shift**2 + (t u_per_day)**2``.
    """
    keyed = checked_frame(uses, DATED_USES, "the dated uses of gauges").with_row_index()
    starts = fit.shifts.with_columns(
        start=pl.col("from_date").fill_null(pl.date(1, 1, 1))
    ).sort("start")
    met = keyed.sort("date").join_asof(
        starts,
        left_on="date",
        right_on="start",
        by="gauge_id",
        check_sortedness=False,
    )
    since, until = (
        (pl.col("date") - pl.col(c)).dt.total_days() for c in ("from_date", "to_date")
    )
    f = (since / (since - until)).fill_null(0.0)
    is_outside = pl.any_horizontal(pl.col("from_date", "to_date").is_null())
    days = pl.when(is_outside).then(pl.coalesce(since, until))
    found = met.sort("index").select(
        log_shift=pl.col("shift_from")
        + f * (pl.col("shift_to") - pl.col("shift_from")),
        u_shift=(
            pl.col("u_shift") ** 2
            + f * (1 - f) * pl.col("u_moment") ** 2
            + (days.fill_null(0) * pl.col("u_per_day")) ** 2
        ).sqrt(),
    )
    return uses.hstack(found.fill_null(0.0).cast(DATED_SHIFTS))


def as_on(fit: GaugeFit, drift: GaugeDriftFit, day: date) -> GaugeFit:
    """Return the curves of `levelled` calibrations as the gauges are on a day.

    Parameters
    ----------
    fit : GaugeFit
        What the levelled calibrations say.
    drift : GaugeDriftFit
        How the gauges changed.
    day : date
        The day.

    Returns
    -------
    GaugeFit
        With ratios, limits and uncertainties of that day.

    Notes
    -----
    A day's shift is common to all spans of a gauge; ``u**2`` is that of the curve and
    of the shift together, and the limits are as many u from the ratio as before.
    """
    curves = log_shift_at(drift, fit.curves.with_columns(date=pl.lit(day)))
    y, u = pl.col("log_ratio"), pl.col("u_log_ratio")
    wider = (1 + (pl.col("u_shift") / u) ** 2).sqrt()
    limits = {
        name: (y + pl.col("log_shift") + (pl.col(name).log() - y) * wider).exp()
        for name in ("ratio_lo", "ratio_hi")
    }
    return GaugeFit(
        curves=curves.with_columns(
            **limits,
            log_ratio=y + pl.col("log_shift"),
            u_log_ratio=u * wider,
            ratio=(y + pl.col("log_shift")).exp(),
            correction=(-y - pl.col("log_shift")).exp(),
        )
        .select(GAUGE_CURVES.names())
        .cast(GAUGE_CURVES),
        notes=fit.notes,
    )


def _gauges(
    calibrations: pl.DataFrame, default_repeatability: float, day_sd: float
) -> list[_Gauge]:
    """Fit every gauge's dates, then each with a variance that leans on all."""
    parts = log_ratios(calibrations).partition_by("gauge_id")
    effects = [
        DateEffects.of(
            part["date"].cast(pl.Int32).cast(pl.Float64).to_numpy(),
            part["cluster"].cast(pl.Int64).to_numpy(),
            part["log_ratio"].to_numpy(),
        )
        for part in parts
    ]
    df = sum(d.df for d in effects)
    fleet = sum(d.ss for d in effects) / df if df else 0.0
    prior = fleet if fleet > NO_SPREAD**2 else default_repeatability**2
    return [
        _gauge(part, dates, prior, day_sd, is_prior_known=df > 0)
        for part, dates in zip(parts, effects, strict=True)
    ]


def _gauge(
    part: pl.DataFrame,
    dates: DateEffects,
    prior: float,
    day_sd: float,
    *,
    is_prior_known: bool,
) -> _Gauge:
    weight = dates.df + PRIOR_READINGS
    variance = (dates.ss + PRIOR_READINGS * prior) / weight
    covariance = dates.covariance(variance, day_sd)
    can_tell = dates.day.size > 1 and dates.is_comparable
    forms = fitted_forms(dates, covariance) if can_tell else {}
    return _Gauge(
        gauge_id=part["gauge_id"][0],
        first=part.select(pl.col("date").min()).item(),
        dates=dates,
        covariance=covariance,
        df=weight if is_prior_known else inf,
        forms=forms,
        form=min(forms.values(), key=lambda form: form.cost, default=None),
    )


def _summary(gauge: _Gauge) -> dict[str, object]:
    costs = {f"cost_{name}": form.cost for name, form in gauge.forms.items()}
    row = {"gauge_id": gauge.gauge_id, "n_dates": gauge.dates.day.size, **costs}
    if gauge.form is None:
        is_one = gauge.dates.day.size == 1
        return row | {"note": NO_CHANGE_SEEN if is_one else NOT_COMPARABLE}
    shift, u = gauge.form.shift, gauge.form.u_change
    return row | {"form": gauge.form.name, **_change(shift[-1] - shift[0], u)}


def _change(log_change: float, u: float) -> dict[str, float]:
    z = two_sided_z(0.95)
    limits = {"pct": 0.0, "lo": -z * u, "hi": z * u}
    return {
        f"change_{name}": float(100 * np.expm1(log_change + x))
        for name, x in limits.items()
    }


def _segments(gauge: _Gauge) -> Iterator[dict[str, object]]:
    """Lay out the stretches between a changed gauge's dates, and the two beyond."""
    form, n = gauge.form, gauge.dates.day.size
    if form is None or form.name == CONSTANT:
        return
    is_line = form.name == LINEAR
    per_day = abs(form.shift[-1] - form.shift[0]) / gauge.dates.day[-1]
    for i in range(-1, n):
        start, end = max(i, 0), min(i + 1, n - 1)
        step = 0.0 if is_line and n > 2 else abs(form.shift[end] - form.shift[start])
        yield {
            "gauge_id": gauge.gauge_id,
            "from_date": gauge.on(i) if i >= 0 else None,
            "to_date": gauge.on(i + 1) if i + 1 < n else None,
            "shift_from": form.shift[start],
            "shift_to": form.shift[end],
            "u_shift": max(form.u[start], form.u[end]),
            "u_moment": step,
            "u_per_day": per_day if is_line else 0.0,
        }


def _found_off(
    gauge: _Gauge, least_change: float, level: float
) -> Iterator[dict[str, object]]:
    """Go through the dates, each against the mean of those since it last was off."""
    if gauge.form is None:
        return
    t, n = stdtrit(gauge.df, 1 - level / 2), gauge.dates.n
    since = 0
    for i in range(1, n.size):
        contrast = np.zeros(n.size)
        contrast[i] = 1.0
        contrast[since:i] = -n[since:i] / n[since:i].sum()
        change = float(contrast @ gauge.dates.effect)
        u = float(np.sqrt(contrast @ gauge.covariance @ contrast))
        if abs(change) < max(least_change, t * u):
            continue
        since = i
        yield {
            "gauge_id": gauge.gauge_id,
            "last_good_date": gauge.on(i - 1),
            "found_off_date": gauge.on(i),
            "log_change": change,
            "u_log_change": u,
            **_change(change, u),
        }
