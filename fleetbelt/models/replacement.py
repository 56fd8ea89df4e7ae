"""Replacing belts at an age: when, what it costs, and whether it is worth it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import gamma, gammainc

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray

WORTHWHILE_SAVING = 0.01  # of the cost of running to failure
NEAR_BEST = 0.01  # of the least cost: ages that cost no more are as good


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeReplacement:
    """The age at which to replace a belt that has not failed, if there is one.

    Attributes
    ----------
    age_mi : float or None
        Miles since fitting at which the cost rate is least; None where it never is.
    cost_per_mi : float or None
        Cost rate under that policy, currency per mile.
    cost_per_mi_to_failure : float
        Cost rate of running every belt to failure.
    saving : float
        Share of the latter that the policy saves, 0 to 1; 0 where there is none.
    failed_share : float or None
        Share of belts that fail before that age.
    is_worthwhile : bool
        Whether the saving is at least 1 %.
    reason : str or None
        Why there is no age, or why it is not worth scheduling.
    """

    age_mi: float | None
    cost_per_mi: float | None
    cost_per_mi_to_failure: float
    saving: float
    failed_share: float | None
    is_worthwhile: bool
    reason: str | None = None


def age_replacement(
    *, shape: float, scale_mi: float, cost_planned: float, cost_failure: float
) -> AgeReplacement:
    """Find the age at which planned replacement costs least per mile.

    Parameters
    ----------
    shape, scale_mi : float
        Weibull life of the belts; scale in miles.
    cost_planned, cost_failure : float
        Cost of a planned replacement and of a failure, in one currency.

    Returns
    -------
    AgeReplacement
        Without an age for a shape of 1 or less (an old belt is no worse than a new
        one) and for failures that cost no more than planned replacements.

    Raises
    ------
    InputError
        If a number is not positive.

    Notes
    -----
    t* solves ``h(t) ∫₀ᵗ S - F(t) = Cp/(Cf - Cp)``, whose left side rises from 0 for a
    rising hazard, and costs ``(Cf - Cp) h(t*)`` per mile [1]_. In x = t/η it reads
    ``k x**(k-1) G(x) - (1 - exp(-x**k))``, G the integral of ``exp(-u**k)``.

    References
    ----------
    .. [1] Barlow, R. E. and Hunter, L. C. (1960), *Operations Research* 8, 90-100.
    """
    if not all(0 < x < np.inf for x in (shape, scale_mi, cost_planned, cost_failure)):
        raise InputError(
            what="A replacement age needs a shape, a scale and costs above 0.",
            where="fleetbelt.models.replacement.age_replacement",
            fix="give positive numbers; costs stand in the settings.",
        )
    to_failure = cost_failure / (scale_mi * float(gamma(1 + 1 / shape)))
    if shape <= 1:
        return _none(to_failure, "The hazard does not rise, so age is no reason.")
    if cost_failure <= cost_planned:
        return _none(to_failure, "A failure costs no more than a planned replacement.")
    h = _best_hazard(shape, cost_planned / (cost_failure - cost_planned))
    if h is None:
        return _none(to_failure, "The best age is one that no belt reaches.")
    age_mi = scale_mi * h ** (1 / shape)
    cost_per_mi = (cost_failure - cost_planned) * shape * h / age_mi
    saving = 1 - cost_per_mi / to_failure
    is_worthwhile = saving >= WORTHWHILE_SAVING
    return AgeReplacement(
        age_mi=age_mi,
        cost_per_mi=cost_per_mi,
        cost_per_mi_to_failure=to_failure,
        saving=saving,
        failed_share=float(-np.expm1(-h)),
        is_worthwhile=is_worthwhile,
        reason=None if is_worthwhile else "It saves under 1 %: not worth scheduling.",
    )


def replacement_cost_per_mi(
    age_mi: npt.ArrayLike,
    *,
    shape: npt.ArrayLike,
    scale_mi: npt.ArrayLike,
    cost_planned: float,
    cost_failure: float,
) -> FloatArray:
    """Return the cost rate of replacing belts at an age, or at failure before.

    Parameters
    ----------
    age_mi : array_like of float, shape (n_ages,)
        Miles since fitting, above 0.
    shape, scale_mi : array_like of float
        Weibull life, one for all ages or one each.
    cost_planned, cost_failure : float
        See `age_replacement`.

    Returns
    -------
    ndarray of float, shape (n_ages,)
        ``(Cp S(t) + Cf F(t)) / ∫₀ᵗ S``, currency per mile.
    """
    k, eta = np.asarray(shape, dtype=float), np.asarray(scale_mi, dtype=float)
    x = np.asarray(age_mi, dtype=float) / eta
    failed = -np.expm1(-(x**k))
    cost = cost_planned * (1 - failed) + cost_failure * failed
    return np.asarray(cost / (eta * _integral(x, k)))


def near_best_ages_mi(
    best: AgeReplacement,
    *,
    shape: float,
    scale_mi: float,
    cost_planned: float,
    cost_failure: float,
) -> tuple[float, float]:
    """Return the ages between which replacing costs within 1 % of the least.

    Parameters
    ----------
    best : AgeReplacement
        With an age that is worthwhile.
    shape, scale_mi, cost_planned, cost_failure : float
        As `age_replacement` was given.

    Returns
    -------
    tuple of float
        The earliest and the latest such age, mi.

    Raises
    ------
    InputError
        If there is no age that is worthwhile.
    """
    if best.age_mi is None or best.cost_per_mi is None or not best.is_worthwhile:
        raise InputError(
            what="No age is the best, so none is near it.",
            where="fleetbelt.models.replacement.near_best_ages_mi",
            fix="ask only where `age_replacement` gives a worthwhile age.",
        )
    most = (1 + NEAR_BEST) * best.cost_per_mi

    def excess(log_age: float) -> float:
        cost = replacement_cost_per_mi(
            np.exp(log_age),
            shape=shape,
            scale_mi=scale_mi,
            cost_planned=cost_planned,
            cost_failure=cost_failure,
        )
        return float(cost) - most

    at = float(np.log(best.age_mi))
    never = float(np.log(scale_mi) + np.log(700.0) / shape)  # no belt lives to see it
    earliest = float(np.log(cost_planned / most / 2))  # Cp alone costs twice that
    return (
        float(np.exp(brentq(excess, earliest, at))),
        float(np.exp(brentq(excess, at, max(never, at + 1.0)))),
    )


def _best_hazard(shape: float, rho: float) -> float | None:
    """Cumulative hazard x**k at the best age; None where all belts fail before."""

    def excess(log_h: float) -> float:
        h, x = np.exp(log_h), np.exp(log_h / shape)
        return float(shape * h / x * _integral(x, shape) + np.expm1(-h) - rho)

    latest = float(np.log(700.0))  # survival there is 0 to the last digit
    if excess(latest) < 0:
        return None
    return float(np.exp(brentq(excess, -300.0, latest, xtol=1e-13)))


def _integral(x: npt.ArrayLike, shape: float | FloatArray) -> FloatArray:
    """``∫₀ˣ exp(-u**k) du = Γ(1 + 1/k) P(1/k, x**k)``."""
    p = gammainc(1 / shape, np.asarray(x, dtype=float) ** shape)
    return np.asarray(gamma(1 + 1 / shape) * p)


def _none(to_failure: float, reason: str) -> AgeReplacement:
    return AgeReplacement(
        age_mi=None,
        cost_per_mi=None,
        cost_per_mi_to_failure=to_failure,
        saving=0.0,
        failed_share=None,
        is_worthwhile=False,
        reason=reason,
    )
