"""Standard uncertainties put together as the guide (GUM) says."""

import math

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit


def combined_u(u: npt.ArrayLike, sensitivity: npt.ArrayLike = 1.0) -> float:
    """Return the combined standard uncertainty of independent inputs.

    Parameters
    ----------
    u : array_like, shape (n_inputs,)
        Standard uncertainty of each input.
    sensitivity : array_like, shape (n_inputs,), default 1
        Change of the result per unit of each input.

    Returns
    -------
    float
        ``sqrt(sum((c u)**2))`` [1]_, in units of the result.

    References
    ----------
    .. [1] JCGM 100:2008, equation (10).
    """
    parts = np.asarray(sensitivity, dtype=float) * np.asarray(u, dtype=float)
    return float(np.sqrt((parts**2).sum()))


def effective_df(u: npt.ArrayLike, df: npt.ArrayLike) -> float:
    """Return the effective degrees of freedom of a combined uncertainty.

    Parameters
    ----------
    u : array_like, shape (n_inputs,)
        Contribution of each input, in units of the result.
    df : array_like, shape (n_inputs,)
        Its degrees of freedom; ``inf`` where u is known.

    Returns
    -------
    float
        ``u_c**4 / sum(u**4 / df)`` [1]_; ``inf`` where every u is known.

    References
    ----------
    .. [1] Welch and Satterthwaite: JCGM 100:2008, equation (G.2b).
    """
    u2 = np.asarray(u, dtype=float) ** 2
    spread = float((u2**2 / np.asarray(df, dtype=float)).sum())
    return float(u2.sum() ** 2) / spread if spread > 0 else math.inf


def coverage_factor(df: float, *, confidence: float = 0.95) -> float:
    """Return the factor from standard to expanded uncertainty.

    Parameters
    ----------
    df : float
        Effective degrees of freedom, cut to a whole number [1]_.
    confidence : float, default 0.95
        Chance that the expanded interval holds the truth.

    Returns
    -------
    float
        Student's t.

    References
    ----------
    .. [1] JCGM 100:2008, G.4.1.
    """
    whole = math.floor(df) if math.isfinite(df) else math.inf
    return float(stdtrit(whole, 0.5 + confidence / 2))


def resolution_u(graduation: float) -> float:
    """Return the standard uncertainty of reading to the nearest graduation.

    Parameters
    ----------
    graduation : float
        Step of the scale or display.

    Returns
    -------
    float
        Half the step over the square root of 3 [1]_, in the same unit.

    References
    ----------
    .. [1] JCGM 100:2008, F.2.2.1.
    """
    return graduation / 2 / math.sqrt(3)


def pooled_sd(sd: npt.ArrayLike, df: npt.ArrayLike) -> float:
    """Return one standard deviation from several.

    Parameters
    ----------
    sd, df : array_like, shape (n_groups,)
        Standard deviation of each group and its degrees of freedom.

    Returns
    -------
    float
        ``sqrt(sum(df sd**2) / sum(df))``.
    """
    weight = np.asarray(df, dtype=float)
    return float(np.sqrt(weight @ np.asarray(sd, dtype=float) ** 2 / weight.sum()))
