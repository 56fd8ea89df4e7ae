"""What models hand back: a number with its interval, a comparison of two models."""

from dataclasses import dataclass
from math import exp
from typing import Self

from scipy.special import chdtrc, ndtri


def two_sided_z(confidence: float) -> float:
    """Return the normal quantile that leaves ``(1 - confidence) / 2`` in each tail."""
    return float(ndtri(0.5 + confidence / 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """An estimate and its limits, in the unit of the field that holds it.

    Attributes
    ----------
    value, lo, hi : float
        The estimate and its (95 %, unless asked otherwise) limits.
    profile_lo, profile_hi : float or None
        Profile-likelihood limits, where they were worked out and are finite.
    """

    value: float
    lo: float
    hi: float
    profile_lo: float | None = None
    profile_hi: float | None = None

    @classmethod
    def of_log(cls, log_value: float, log_se: float, *, z: float) -> Self:
        """Make the estimate whose logarithm is normal with this standard error."""
        return cls(
            value=_exp(log_value),
            lo=_exp(log_value - z * log_se),
            hi=_exp(log_value + z * log_se),
        )


def _exp(x: float) -> float:
    """``exp`` that stops short of overflow, for limits that are astronomically wide."""
    return exp(min(x, 700.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelihoodRatio:
    """Whether a larger model is better than one nested in it.

    Attributes
    ----------
    chi2 : float
        Twice the gain in log-likelihood; 0 or more.
    df : int
        Parameters more.
    p_value : float
        Upper tail of χ² with ``df`` degrees of freedom.
    """

    chi2: float
    df: int
    p_value: float

    @classmethod
    def of(cls, larger: float, smaller: float, *, df: int) -> Self:
        """Compare two log-likelihoods that differ by ``df`` parameters."""
        chi2 = max(0.0, 2 * (larger - smaller))
        return cls(chi2=chi2, df=df, p_value=float(chdtrc(df, chi2)) if df else 1.0)
