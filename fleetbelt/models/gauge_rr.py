"""The classical gauge study: every appraiser reads every part several times."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc

from fleetbelt.errors import FitError

POOLING_P: Final = 0.25  # an interaction less significant than this joins the error
RANGE_TO_SD: Final = {  # 1 / d2*, one subgroup of this size
    2: 0.7071,
    3: 0.5231,
    4: 0.4467,
    5: 0.4030,
    6: 0.3742,
    7: 0.3534,
    8: 0.3375,
    9: 0.3249,
    10: 0.3146,
}
MEAN_RANGE_TO_SD: Final = {2: 0.8862, 3: 0.5908}  # 1 / d2, many subgroups


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedAnova:
    """Two-way crossed analysis of variance with repeats.

    Attributes
    ----------
    ss_part, ss_appraiser, ss_interaction, ss_error : float
        Sums of squares, in the readings' unit squared.
    n_parts, n_appraisers, n_trials : int
        Size of the study.
    """

    ss_part: float
    ss_appraiser: float
    ss_interaction: float
    ss_error: float
    n_parts: int
    n_appraisers: int
    n_trials: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRR:
    """Classical gauge repeatability and reproducibility, as standard deviations.

    Attributes
    ----------
    ev, av, interaction, pv : float
        Equipment (repeats), appraiser, interaction and part variation, in the
        readings' unit.
    p_interaction : float
        Chance of so large an interaction were there none; NaN where not tested.
    """

    ev: float
    av: float
    interaction: float
    pv: float
    p_interaction: float

    @property
    def grr(self) -> float:
        """All that is not the parts: equipment, appraiser and interaction."""
        return math.hypot(self.ev, self.av, self.interaction)

    @property
    def tv(self) -> float:
        """Total variation."""
        return math.hypot(self.grr, self.pv)

    @property
    def ndc(self) -> float:
        """Number of distinct categories, ``1.41 PV / GRR``; reported cut to a whole."""
        return 1.41 * self.pv / self.grr if self.grr > 0 else math.inf


def crossed_anova(readings: npt.ArrayLike) -> CrossedAnova:
    """Return the sums of squares of a complete gauge study.

    Parameters
    ----------
    readings : array_like, shape (n_parts, n_appraisers, n_trials)
        Every appraiser's repeated readings of every part, at least two of each.

    Returns
    -------
    CrossedAnova
        Sums of squares about the means.

    Raises
    ------
    FitError
        If the study is incomplete.
    """
    y = np.asarray(readings, dtype=float)
    if y.ndim != 3 or min(y.shape) < 2 or np.isnan(y).any():
        raise FitError(
            what=f"A gauge study of shape {y.shape} is incomplete.",
            where="readings by part, appraiser and trial",
            fix="give two or more of each, and every reading.",
        )
    n_parts, n_appraisers, n_trials = y.shape
    y = y - y.mean()
    cell, part, appraiser = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 2))
    return CrossedAnova(
        ss_part=float((part**2).sum()) * n_appraisers * n_trials,
        ss_appraiser=float((appraiser**2).sum()) * n_parts * n_trials,
        ss_interaction=float(((cell - part[:, None] - appraiser) ** 2).sum())
        * n_trials,
        ss_error=float(((y - cell[:, :, None]) ** 2).sum()),
        n_parts=n_parts,
        n_appraisers=n_appraisers,
        n_trials=n_trials,
    )


def gauge_rr(anova: CrossedAnova, *, pooling_p: float = POOLING_P) -> GaugeRR:
    """Return the classical gauge study from its analysis of variance.

    Parameters
    ----------
    anova : CrossedAnova
        The sums of squares.
    pooling_p : float, default 0.25
        An interaction with a larger p joins the error.

    Returns
    -------
    GaugeRR
        ``EV**2 = MS_e``, ``INT**2 = (MS_i - MS_e)/r``, ``AV**2 = (MS_a - MS_i)/(n r)``,
        ``PV**2 = (MS_p - MS_i)/(k r)`` [1]_, with the pooled mean square for both MS_i
        and MS_e where they are pooled; below zero counts as 0.

    References
    ----------
    .. [1] AIAG, *Measurement Systems Analysis*, 4th ed. (2010), appendix A.
    """
    a = anova
    df_p, df_a = a.n_parts - 1, a.n_appraisers - 1
    df_i, df_e = df_p * df_a, a.n_parts * a.n_appraisers * (a.n_trials - 1)
    ms_i, ms_e = a.ss_interaction / df_i, a.ss_error / df_e
    p = float(fdtrc(df_i, df_e, ms_i / ms_e)) if ms_e > 0 else 0.0
    if p > pooling_p:
        ms_i = ms_e = (a.ss_interaction + a.ss_error) / (df_i + df_e)
    ms_p, ms_a = a.ss_part / df_p, a.ss_appraiser / df_a
    return GaugeRR(
        ev=math.sqrt(ms_e),
        av=_root((ms_a - ms_i) / (a.n_parts * a.n_trials)),
        interaction=_root((ms_i - ms_e) / a.n_trials),
        pv=_root((ms_p - ms_i) / (a.n_appraisers * a.n_trials)),
        p_interaction=p,
    )


def gauge_rr_from_ranges(
    *,
    mean_range: float,
    appraiser_range: float,
    part_range: float,
    size: tuple[int, int, int],
) -> GaugeRR:
    """Return the classical gauge study by averages and ranges, as done by hand.

    Parameters
    ----------
    mean_range : float
        Mean over appraisers and parts of the range of the trials.
    appraiser_range, part_range : float
        Range of the appraisers' means, and of the parts' means.
    size : tuple of three int
        Parts (2 to 10), appraisers (2 or 3) and trials (2 or 3).

    Returns
    -------
    GaugeRR
        ``EV = R K1``, ``AV**2 = (X K2)**2 - EV**2/(n r)``, ``PV = Rp K3`` [1]_; no
        interaction.

    Raises
    ------
    FitError
        If the study is larger than the table of factors.

    References
    ----------
    .. [1] AIAG, *Measurement Systems Analysis*, 4th ed. (2010), chapter III; factors
       from memory.
    """
    n_parts, n_appraisers, n_trials = size
    try:
        k1 = MEAN_RANGE_TO_SD[n_trials]
        k2, k3 = RANGE_TO_SD[n_appraisers], RANGE_TO_SD[n_parts]
    except KeyError as error:
        raise FitError(
            what=f"No range factor is known for a size of {error}.",
            where=f"a study of {size} parts, appraisers and trials",
            fix="use the analysis of variance.",
        ) from error
    ev = mean_range * k1
    return GaugeRR(
        ev=ev,
        av=_root((appraiser_range * k2) ** 2 - ev**2 / (n_parts * n_trials)),
        interaction=0.0,
        pv=part_range * k3,
        p_interaction=math.nan,
    )


def _root(variance: float) -> float:
    return math.sqrt(max(variance, 0.0))
