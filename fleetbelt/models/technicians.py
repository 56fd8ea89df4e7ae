"""What is the person and what the gauge: habit, what was left, spread, by technician.

``d = log(corrected left / middle of the range) = mu + b_t - kappa_t rho + m_model
+ (1 - kappa_t) delta + e``: rho is the log ratio of the gauge at the span, delta its
error of calibration, kappa the share of rho that the person lets through. Who sets the
raw reading to the target (kappa = 1) leaves -rho, whatever the calibration's error.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy.special import chdtri

from fleetbelt.errors import FitError
from fleetbelt.models.arrays import BoolArray, FloatArray
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.technician_cells import Cells
from fleetbelt.models.technician_likelihood import (
    Beforehand,
    Coefficients,
    Equations,
    Spreads,
    first_kappa,
    fit_spreads,
)

LEAST_SETTINGS: Final = 30  # with a gauge at a span, for it to count in a comparison
LEAST_CONTRAST: Final = 1.06  # ratio of two gauge ratios that tells who corrects
FLOOR: Final = 5e-4  # of a habit, log: what the model's approximations miss (measured)
_DETECTED: Final = 1e-3  # of the variance of means: a variance to begin a search at
Z95: Final = two_sided_z(0.95)

TECHNICIANS: Final = pl.Schema(
    {
        "technician_no": pl.Int64(),
        "settings": pl.Int64(),
        "bias_pct": pl.Float64(),  # 100 (exp(mu + b) - 1), the habit, shrunk; or null
        "bias_lo": pl.Float64(),  # 95 %; so below
        "bias_hi": pl.Float64(),
        "left_bias_pct": pl.Float64(),  # what was left against the middle of the range
        "left_bias_lo": pl.Float64(),
        "left_bias_hi": pl.Float64(),
        "corrects_share": pl.Float64(),  # 1 - kappa, 0 to 1; null: not to be known
        "corrects_lo": pl.Float64(),
        "corrects_hi": pl.Float64(),
        "spread_pct": pl.Float64(),  # of settings, less the reading error's; or 0
        "spread_lo": pl.Float64(),
        "spread_hi": pl.Float64(),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TechnicianFit:
    """Each technician's habit, result and spread, and what all have in common.

    Attributes
    ----------
    technicians : polars.DataFrame
        One row per technician, to `TECHNICIANS`.
    mean_habit, mean_habit_se : float or None
        mu, log: of the mean technician on the fleet's mix of models; or None.
    habit_sd : float
        Between technicians, log; 0: none detectable.
    mean_corrects, mean_corrects_se, corrects_sd : float or None
        Of the share of the gauge's error that technicians correct: mean, its standard
        error, sd between technicians; None where all gauges had one ratio.
    notes : tuple of str
        Sentences on what could not be known.
    """

    technicians: pl.DataFrame
    mean_habit: float | None
    mean_habit_se: float | None
    habit_sd: float
    mean_corrects: float | None
    mean_corrects_se: float | None
    corrects_sd: float | None
    notes: tuple[str, ...]


def fit_technicians(
    cells: pl.DataFrame, *, reading_sd: float, default_setting_sd: float = 0.06
) -> TechnicianFit:
    """Return each technician's habit apart from the gauges used, and what was left.

    Parameters
    ----------
    cells : polars.DataFrame
        One row per technician, gauge at a span and model, to `technician_cells.CELLS`.
        ``gs_no`` counts corrections: give each span of a calibrated gauge its own, and
        a gauge that was never calibrated one. Settings whose gauge is not recorded, or
        that were read as a vibration, have no gauge's error: leave them out.
    reading_sd : float
        Field sd r of one reading, log tension, 0 or more.
    default_setting_sd : float, default 0.06
        Sd of one setting as read, where no cell has two settings.

    Returns
    -------
    TechnicianFit
        One row per technician.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.
    FitError
        If a cell or the reading sd is impossible, or there is no cell.

    Notes
    -----
    b ~ N(0, sigma_b**2), delta ~ N(0, u_corr**2) shared by all who used the gauge at
    the span, half of it by all its spans; e ~ N(0, s_t**2), s_t**2 from within cells.
    sigma_b and the spread of kappa maximise the restricted likelihood [1]_; habits are
    best linear unbiased predictions, their intervals of prediction [2]_. kappa is a
    share: before any data its mean is anywhere from 0 to 1, its spread that of a toss
    (`technician_likelihood.Beforehand`).

    delta counts by 1 - kappa: fitted with 1 for all, then again with the kappa found.
    It is taken as unrelated to rho, so u_corr should be small beside the differences
    between gauges.
    Where no spread of habits is detectable, every habit is mu, and the intervals are
    those of the largest sigma_b that the data allow. No interval is narrower than
    `FLOOR` makes it: over about 5,000 settings a person the model's own approximations
    are larger than chance.

    ``left_bias`` is the mean of d; its variance is s_t**2 / n and the calibrations'.
    ``spread = sqrt(max(0, s_t**2 - r**2))``, its limits by chi-square of s_t**2.

    References
    ----------
    .. [1] Patterson, H. D. and Thompson, R. (1971), *Biometrika* 58, 545-554.
    .. [2] Henderson, C. R. (1975), *Biometrics* 31, 423-447.
    """
    if not reading_sd >= 0:
        raise FitError(
            what=f"The reading sd is {reading_sd}.",
            where="the fit of technicians",
            fix="give an sd of log tension, 0 or more.",
        )
    known = Cells.of(cells, default_sd=default_setting_sd)
    spreads, found, at_most = _solved(known)
    is_contrast = bool(np.ptp(known.rho) > 0)
    is_apart = is_contrast or not known.rho.any()
    tells = _tells_who_corrects(known)
    columns = {
        **_left(known),
        **_corrects(found, tells),
        **_spread(known, reading_sd),
    }
    if is_apart:
        columns |= _habits(found, at_most)
    frame = pl.DataFrame(
        {
            name: columns.get(name, np.full(known.n_technicians, np.nan))
            for name in TECHNICIANS
        }
        | {"technician_no": known.technician_no, "settings": known.settings}
    )
    return TechnicianFit(
        technicians=frame.fill_nan(None).cast(TECHNICIANS),
        mean_habit=found.mean_habit if is_apart else None,
        mean_habit_se=found.mean_habit_se if is_apart else None,
        habit_sd=spreads.habit_var**0.5,
        mean_corrects=1 - found.mean_kappa if is_contrast else None,
        mean_corrects_se=found.mean_kappa_se if is_contrast else None,
        corrects_sd=spreads.kappa_var**0.5 if is_contrast else None,
        notes=tuple(_notes(known, spreads, tells, is_apart=is_apart)),
    )


def _solved(cells: Cells) -> tuple[Spreads, Coefficients, Coefficients]:
    """Spreads, predictions, and predictions at the most spread that the data allow."""
    least = max(float(cells.mean.var()), 1e-6)
    everything = np.ones(cells.n_technicians)
    near, kappa = first_kappa(
        Equations.of(cells, everything, Beforehand()), start=least
    )
    let_through = np.clip(1 - kappa, 0.0, 1.0)
    equations = Equations.of(cells, let_through, Beforehand())
    is_found = near.habit_var > _DETECTED * least
    spreads = fit_spreads(
        equations,
        start=near.habit_var if is_found else least,
        kappa_start=near.kappa_var,
    )
    found = Coefficients.of(equations, spreads.habit_var, spreads.kappa_var)
    if spreads.habit_var_hi == spreads.habit_var:
        return spreads, found, found
    at_most = Coefficients.of(equations, spreads.habit_var_hi, spreads.kappa_var)
    return spreads, found, at_most


def _habits(found: Coefficients, at_most: Coefficients) -> dict[str, FloatArray]:
    half = Z95 * np.hypot(at_most.habit_se, FLOOR)
    return {
        "bias_pct": _pct(found.habit),
        "bias_lo": _pct(np.minimum(found.habit, at_most.habit - half)),
        "bias_hi": _pct(np.maximum(found.habit, at_most.habit + half)),
    }


def _left(cells: Cells) -> dict[str, FloatArray]:
    share = cells.settings_by_ratio / cells.settings[:, None]
    half = Z95 * np.sqrt(cells.variance / cells.settings + share**2 @ cells.u**2)
    return {
        "left_bias_pct": _pct(cells.mean),
        "left_bias_lo": _pct(cells.mean - half),
        "left_bias_hi": _pct(cells.mean + half),
    }


def _corrects(found: Coefficients, tells: BoolArray) -> dict[str, FloatArray]:
    half = Z95 * found.kappa_se
    limits = {"share": 0.0 * half, "lo": -half, "hi": half}
    return {
        f"corrects_{name}": np.where(tells, np.clip(1 - found.kappa + x, 0, 1), np.nan)
        for name, x in limits.items()
    }


def _spread(cells: Cells, reading_sd: float) -> dict[str, FloatArray]:
    df = np.where(cells.df > 0, cells.df, np.nan)
    factors = {"pct": np.ones_like(df), "lo": df / chdtri(df, 0.025)}
    factors["hi"] = df / chdtri(df, 0.975)
    return {
        f"spread_{name}": 100
        * np.sqrt(np.maximum(cells.own_variance * factor - reading_sd**2, 0.0))
        for name, factor in factors.items()
    }


def _tells_who_corrects(cells: Cells) -> BoolArray:
    """Whether each technician used gauge ratios that differ enough, often enough."""
    is_used = cells.settings_by_ratio >= LEAST_SETTINGS
    highest = np.where(is_used, cells.rho, -np.inf).max(axis=1)
    lowest = np.where(is_used, cells.rho, np.inf).min(axis=1)
    return np.asarray(highest - lowest >= np.log(LEAST_CONTRAST))


def _notes(
    cells: Cells, spreads: Spreads, tells: BoolArray, *, is_apart: bool
) -> Iterator[str]:
    if not is_apart:
        yield (
            "All settings were made with one gauge ratio, so a habit cannot be told "
            "from what the gauge does."
        )
    elif cells.n_technicians == 1:
        yield "There is one technician, so no habit can be compared with another's."
    elif not spreads.habit_var:
        yield "No spread of habits between technicians is detectable beyond chance."
    if not tells.all():
        yield (
            f"Whether they correct the gauge cannot be known of {(~tells).sum()} of "
            f"{tells.size} technicians: it takes {LEAST_SETTINGS} settings each with "
            f"two gauge ratios that differ by {LEAST_CONTRAST - 1:.0%}."
        )


def _pct(log_value: FloatArray) -> FloatArray:
    return np.asarray(100 * np.expm1(log_value))
