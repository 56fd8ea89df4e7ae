"""What belts lose per mile, and where each running belt stands now."""

from datetime import date
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.drift import DriftFit, fit_drift
from fleetbelt.models.drift_by_model import pct_per_1000mi
from fleetbelt.models.drift_clock import ClockChoice, choose_clock
from fleetbelt.models.drift_doubt import FEW_BELTS
from fleetbelt.models.drift_filter import Spreads
from fleetbelt.models.drift_forecast import Outlook, Tension
from fleetbelt.models.drift_offsets import OFFSETS, cell_offsets, put_right
from fleetbelt.models.drift_tests import EffectTests, effect_tests
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.plan import days_planned
from fleetbelt.settings import Measurement, Settings
from fleetbelt.steps.drift_ahead import course
from fleetbelt.steps.drift_evidence import evidence
from fleetbelt.steps.drift_readings import numbered_readings
from fleetbelt.steps.tables import Tables, to_contract
from fleetbelt.store.frames import Read

Z95: Final = two_sided_z(0.95)
_FAR_DAYS: Final = 36_525  # no date is given further ahead than a hundred years
_TENSION_NOW: Final = ("tension_now_n", "tension_now_lo_n", "tension_now_hi_n")
_NOW: Final = (
    "belt_id",
    "vehicle_id",
    "odometer_now_mi",
    *_TENSION_NOW,
    "p_under_now",
    "p_under_as_shown",
    "p_under_later",
    "due_in_mi",
    "since_set_mi",
    "drift_pct_per_1000mi",
    "model_drift_pct_per_1000mi",
    "daily_mi",
    "daily_lo_mi",
    "daily_hi_mi",
    "retension_due_mi",
    "retension_due_date",
)
FAST_Z: Final = 1.645  # 95 % sure that a belt loses faster than its model
RUNNING: Final = (
    "(select belt_id, belt_no, vehicle_id, odometer_now_mi, daily_mi, daily_sd_mi,"
    " miles_since, run_in_ahead, spec_min_n, read_n, read_averaged, read_u,"
    " read_u_corr, read_correction from history.running_belts order by belt_id)"
)
MODEL_NUMBERS: Final = "(select distinct model, model_no from history.drift_belts)"


def drift(read: Read, settings: Settings) -> Tables:
    """Learn what belts lose per mile, and where each running belt stands now."""
    fit, learned = _learned(read, settings.measurement)
    return learned | _now(read, fit, settings)


def _learned(
    read: Read, rules: Measurement
) -> tuple[DriftFit, dict[str, pl.DataFrame]]:
    """Fit what the readings say, and lay out the tables of it; keep no reading."""
    prior_reading_sd = rules.reading_sd
    readings, gauges, cells = numbered_readings(read, rules.vibration_mass_u)
    offsets, near = _offsets(readings, prior_reading_sd)
    readings = put_right(readings, readings["cell_no"], offsets)
    fit, tests, choice = _fitted(readings, prior_reading_sd, near)
    source = "settings" if fit.not_learned else "the fleet's own readings"
    return fit, {
        "fitted.reading_sd": pl.DataFrame(
            {"reading_sd": [fit.reading_sd], "source": [source]}
        ),
        "results.drift_offsets": _of_cells(offsets, cells),
        **evidence(readings, gauges, fit, tests, choice),
        "results.drift_by_model": _by_model(read, fit),
    }


def _by_model(read: Read, fit: DriftFit) -> pl.DataFrame:
    rate = pct_per_1000mi(fit.clock)
    lo, hi = (
        pl.lit(None if tau is None else rate * tau, pl.Float64)
        for tau in (fit.between_belt_sd_lo, fit.between_belt_sd_hi)
    )
    together = pl.DataFrame({"model": ["all"], "model_no": [-1]})
    numbers = pl.concat([read(MODEL_NUMBERS), together], how="vertical_relaxed")
    found = fit.by_model.with_columns(pl.col("model_no").fill_null(-1))
    by_model = (
        read("history.model_middles")
        .join(numbers, on="model", how="left")
        .join(found, on="model_no", how="left")
        .with_columns(
            pl.col("n_belts", "n_intervals").fill_null(0),
            between_belt_lo=pl.when(model="all").then(lo),
            between_belt_hi=pl.when(model="all").then(hi),
            drift_n_per_1000mi=pl.col("drift_pct_per_1000mi")
            / 100
            * pl.col("middle_n"),
        )
        .sort("model")
    )
    return to_contract("drift_by_model", by_model)


def _now(read: Read, fit: DriftFit, settings: Settings) -> dict[str, pl.DataFrame]:
    """Carry each running belt to now and further."""
    as_of = read("history.as_of")["as_of"].item()
    running = read(RUNNING).with_columns(
        planned_mi=pl.col("daily_mi") * (days_planned(as_of) if as_of else 0)
    )
    foretold = _last_readings if fit.not_learned else _foretold
    is_known = pl.col("read_n" if fit.not_learned else "belt_no").is_not_null()
    known = running.select(pl.exclude(pl.String)).filter(is_known)
    place = running.select(pl.when(is_known).then(is_known.cum_sum() - 1)).to_series()
    now = pl.concat([running, foretold(fit, known, settings)[place]], how="horizontal")
    now = _due(now, as_of)
    return {
        "fitted.belt_ahead": course(
            fit, now.filter(pl.col("p_under_now") >= settings.watchlist.p_under)
        ),
        "fitted.belt_now": now.select(
            *_NOW,
            is_losing_fast=(pl.col("losing_faster_z") > FAST_Z).fill_null(value=False),
        ),
    }


def _offsets(
    readings: pl.DataFrame, prior_reading_sd: float
) -> tuple[pl.DataFrame, Spreads | None]:
    """Learn what gauges without a calibration show too much; and spreads."""
    cell_no = readings["cell_no"]
    if cell_no.null_count() == readings.height:
        return pl.DataFrame(schema=OFFSETS), None
    plain = fit_drift(
        readings,
        prior_reading_sd=prior_reading_sd,
        rng=np.random.default_rng(0),
        has_limits=False,
        has_belts=False,
    )
    if plain.not_learned:
        return pl.DataFrame(schema=OFFSETS), None
    return cell_offsets(readings, cell_no, plain), plain.spreads


def _of_cells(offsets: pl.DataFrame, cells: pl.Series) -> pl.DataFrame:
    """Say what each gauge at each span shows too much, as a ratio."""
    half = Z95 * pl.col("offset_sd")
    table = offsets.select(
        cells[offsets["cell_no"]].alias("cell"),
        "n_belts",
        "is_used",
        assumed_u=pl.col("assumed_sd"),
        ratio=pl.col("offset").exp(),
        ratio_lo=(pl.col("offset") - half).exp(),
        ratio_hi=(pl.col("offset") + half).exp(),
    )
    return to_contract("drift_offsets", table.sort("cell"))


def _fitted(
    readings: pl.DataFrame, prior_reading_sd: float, near: Spreads | None
) -> tuple[DriftFit, EffectTests | None, ClockChoice]:
    """Choose the clock, test what else drift depends on, fit with what is supported."""
    choice = choose_clock(
        readings,
        prior_reading_sd=prior_reading_sd,
        rng=np.random.default_rng(0),
        near=near,
    )
    tests = None
    if not choice.not_learned:
        tests = effect_tests(readings, choice.spreads, clock=choice.clock)
    fit = fit_drift(
        readings,
        prior_reading_sd=prior_reading_sd,
        rng=np.random.default_rng(0),
        clock=choice.clock,
        effects=tests.supported if tests else None,
        few_belts=FEW_BELTS,
        near=choice.spreads,
    )
    return fit, tests, choice


def _foretold(fit: DriftFit, known: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Say where running belts stand now by the drift of their model and their own."""
    outlook = Outlook.of(
        fit,
        known.select(
            "belt_no",
            since_last_mi="miles_since",
            is_run_in_ahead="run_in_ahead",
            log_min=pl.col("spec_min_n").log(),
        ),
    )
    own = fit.belts.select("model_no", "b_hat", "var_b", "added_drift")[
        known["belt_no"].to_numpy()
    ]
    beta = fit.theta[own["model_no"].to_numpy(), 0]
    rate = pct_per_1000mi(fit.clock)
    log_min = known["spec_min_n"].log().fill_null(np.nan).to_numpy()
    due_in_mi = outlook.due_in_mi(log_min, settings.plan.retension_p)
    later = outlook.tension(known["planned_mi"].to_numpy()).p_under(log_min)
    since_set_mi = outlook.since_set_mi + outlook.since_last_mi
    return _standing(known, outlook.tension()).with_columns(
        drift_pct_per_1000mi=rate * (beta + own["b_hat"] + own["added_drift"]),
        model_drift_pct_per_1000mi=pl.Series(rate * beta),
        losing_faster_z=own["b_hat"] / own["var_b"].sqrt(),
        due_in_mi=pl.Series(due_in_mi).fill_nan(None),
        p_under_later=pl.Series(later).fill_nan(None),
        since_set_mi=pl.Series(since_set_mi).fill_nan(None),
    )


def _last_readings(
    fit: DriftFit, known: pl.DataFrame, settings: Settings
) -> pl.DataFrame:
    """Say how likely running belts were under at their last reading.

    No drift is known, so its tension now is not, and it is due now or not known when.
    """
    one = known["read_u"].fill_null(fit.reading_sd).to_numpy()
    n, u_corr = known["read_averaged"].to_numpy(), known["read_u_corr"].to_numpy()
    tension = Tension(
        mean_log=known["read_n"].log().to_numpy(),
        sd_log=np.sqrt(one**2 / n + u_corr**2),
    )
    unknown = pl.lit(None, dtype=pl.Float64)
    is_due = pl.col("p_under_now") >= settings.plan.retension_p
    return _standing(known, tension).with_columns(
        *(unknown.alias(name) for name in _TENSION_NOW),
        drift_pct_per_1000mi=unknown,
        model_drift_pct_per_1000mi=unknown,
        losing_faster_z=unknown,
        due_in_mi=pl.when(is_due).then(0.0),
        p_under_later=pl.col("p_under_now"),
        since_set_mi=unknown,
    )


def _standing(known: pl.DataFrame, now: Tension) -> pl.DataFrame:
    """Hold the tension now to the used range, as it is and as its gauge showed it."""
    log_min = known["spec_min_n"].log().fill_null(np.nan).to_numpy()
    log_correction = known["read_correction"].log().fill_null(0.0).to_numpy()
    return known.select(
        tension_now_n=pl.Series(np.exp(now.mean_log)),
        tension_now_lo_n=pl.Series(np.exp(now.mean_log - Z95 * now.sd_log)),
        tension_now_hi_n=pl.Series(np.exp(now.mean_log + Z95 * now.sd_log)),
        p_under_now=pl.Series(now.p_under(log_min)),
        p_under_as_shown=pl.Series(now.p_under(log_min + log_correction)),
    ).with_columns(pl.selectors.float().fill_nan(None))


def _due(now: pl.DataFrame, as_of: date | None) -> pl.DataFrame:
    """Turn miles to go into an odometer and a date; none where it would not move."""
    half = Z95 * pl.col("daily_sd_mi")
    days = (pl.col("due_in_mi") / pl.col("daily_mi")).ceil()
    today = pl.lit(as_of, dtype=pl.Date)
    return now.with_columns(
        retension_due_mi=pl.col("odometer_now_mi") + pl.col("due_in_mi"),
        retension_due_date=pl.when(pl.col("due_in_mi") == 0)
        .then(today)
        .when(pl.col("daily_mi") > 0)
        .then(today + pl.duration(days=days.clip(upper_bound=_FAR_DAYS))),
        daily_lo_mi=(pl.col("daily_mi") - half).clip(lower_bound=0.0),
        daily_hi_mi=pl.col("daily_mi") + half,
    )
