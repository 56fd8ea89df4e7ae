"""Is tension lost evenly with the miles, or with their log: the clock of drift."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.drift import SAMPLE_BELTS, fit_drift
from fleetbelt.models.drift_filter import Spreads
from fleetbelt.models.drift_likelihood import SpreadFit, fit_spreads
from fleetbelt.models.drift_readings import (
    CLOCKS,
    Clock,
    sample_of_belts,
)
from fleetbelt.models.drift_tests import effect_tests

CLEARLY: Final = 6.0  # deviance by which log miles must beat miles (20 to 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockChoice:
    """Whether tension is lost evenly by mile, or by the log of miles since setting.

    Attributes
    ----------
    clock : {'miles', 'log_miles'}
        The one to use: miles, unless the log of miles is clearly likelier.
    deviance : dict of {'miles', 'log_miles'} to float
        -2 log-likelihood of either on the same readings, each with spreads and
        supported effects of its own, and what those effects had to gain added.
    spreads : Spreads
        Of the chosen clock, before effects.
    not_learned : str or None
        Why neither can be fitted.
    """

    clock: Clock
    deviance: dict[Clock, float]
    spreads: Spreads
    not_learned: str | None


def choose_clock(
    readings: pl.DataFrame,
    *,
    prior_reading_sd: float,
    rng: np.random.Generator,
    near: Spreads | None = None,
) -> ClockChoice:
    """Compare loss that is even in miles with loss even in log miles since setting.

    Parameters
    ----------
    readings : polars.DataFrame
        One row per visit that carries information, as `checked_readings` returns them.
    prior_reading_sd : float
        Field reading sd of the settings, log tension.
    rng : numpy.random.Generator
        Draws the belts that are looked at, where there are many.
    near : Spreads, optional
        Spreads of a like fit by miles, from which the way to these is shorter.

    Returns
    -------
    ClockChoice
        Both deviances and the choice.

    Notes
    -----
    The clocks have as many parameters, so that the likelihoods compare as they are
    [1]_; each is tried with the effects it supports. Left readings that show too much
    look like a fast loss after each setting, and would speak for the log of miles.

    References
    ----------
    .. [1] Schwarz, G. (1978), *Ann. Statist.* 6, 461-464.
    """
    sample = sample_of_belts(readings, SAMPLE_BELTS, rng)
    sample = sample.with_columns(belt_no=pl.col("belt_no").rle_id())
    begin: dict[Clock, Spreads | None] = {"miles": near, "log_miles": None}
    tried = {
        clock: _tried(sample, clock, prior_reading_sd, begin[clock]) for clock in CLOCKS
    }
    deviance = {clock: deviance for clock, (_, deviance) in tried.items()}
    is_log = deviance["log_miles"] < deviance["miles"] - CLEARLY
    clock: Clock = "log_miles" if is_log else "miles"
    found, _ = tried[clock]
    return ClockChoice(
        clock=clock,
        deviance=deviance,
        spreads=found.spreads,
        not_learned=found.not_learned,
    )


def _tried(
    readings: pl.DataFrame,
    clock: Clock,
    prior_reading_sd: float,
    near: Spreads | None,
) -> tuple[SpreadFit, float]:
    """Learn the spreads without effects, and the deviance with those supported."""
    plain = fit_spreads(
        readings,
        prior_reading_sd=prior_reading_sd,
        clock=clock,
        near=near,
        has_limits=False,
    )
    if plain.not_learned:
        return plain, 0.0
    tests = effect_tests(readings, plain.spreads, clock=clock)
    best = fit_drift(
        readings,
        prior_reading_sd=prior_reading_sd,
        rng=np.random.default_rng(0),  # no draw: the belts are few enough
        clock=clock,
        effects=tests.supported,
        near=plain.spreads if clock == "miles" else None,  # by log they lie far apart
        has_limits=False,
    )
    return plain, -2 * best.loglik + tests.price
