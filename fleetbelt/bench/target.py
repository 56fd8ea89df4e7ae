"""What a gauge must show for a tension, and the tension behind what it shows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import chdtrc, fdtrc

from fleetbelt.belt import relative_uncertainty, tension_from_frequency_n
from fleetbelt.errors import InputError
from fleetbelt.models.conformity import conformity, verdict
from fleetbelt.models.uncertainty import resolution_u
from fleetbelt.settings import Measurement
from fleetbelt.units import NEWTONS_PER

UNLIKELY: Final = 0.05  # a spread rarer than this is more than chance


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How what one gauge shows on one span becomes tension, and how surely.

    ``T = factor_n * shown**power``: a gauge in units of force has power 1, one that
    shows a frequency 2.

    Attributes
    ----------
    unit : str
        Unit the gauge shows: lbf, N, kgf or Hz.
    factor_n : float
        N per unit**power, the correction in it.
    power : int
    correction : float
        Factor on the reading.
    correction_source : str
        A code word of the contract.
    u_corr, u_reading : float
        Standard uncertainties of log tension: of the correction, and of one reading.
    """

    unit: str
    factor_n: float
    power: int
    correction: float
    correction_source: str
    u_corr: float
    u_reading: float

    def tension_n(self, shown: float) -> float:
        """Return the tension behind a reading, N."""
        return float(self.factor_n * shown**self.power)

    def shown(self, tension_n: float) -> float:
        """Return what the gauge shows at a tension, in its unit."""
        return float((tension_n / self.factor_n) ** (1 / self.power))

    def u(self, n_readings: int = 1) -> float:
        """Return the standard uncertainty of log tension from a mean of readings."""
        return math.hypot(self.u_reading / math.sqrt(n_readings), self.u_corr)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What the gauge must show for one published range.

    Attributes
    ----------
    min_n, middle_n, max_n : float
        The range and its middle, N.
    low, target, high : float
        The same as the gauge shows them, in its unit.
    p_in, p_in_of_three : float
        Chance that a belt set until the gauge shows the target is truly in range,
        by one reading and by the mean of three.
    """

    min_n: float
    middle_n: float
    max_n: float
    low: float
    target: float
    high: float
    p_in: float
    p_in_of_three: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The tension behind readings, and whether they agree among themselves.

    Attributes
    ----------
    readings : tuple of float
        As shown, in the gauge's unit.
    mean : float
        Their mean.
    tension_n, u_log : float
        Tension, N, and the standard uncertainty of its log.
    spread, expected : float
        Relative sd of the readings, and the one that the gauge's repeatability lets
        expect; NaN for one reading.
    p_spread : float
        Chance of so large a spread if the gauge's repeatability were all there is.
    """

    readings: tuple[float, ...]
    mean: float
    tension_n: float
    u_log: float
    spread: float
    expected: float
    p_spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """Readings held to one range.

    Attributes
    ----------
    p_under, p_in, p_over : float
        Chances, judged by these readings alone; NaN without a range.
    verdict : str
        A code word of the contract.
    turn, turn_share : float
        From the mean of the readings to the target: in the gauge's unit, and as a
        share of the mean; NaN without a range.
    """

    p_under: float
    p_in: float
    p_over: float
    verdict: str
    turn: float
    turn_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """How far readings of one belt scatter.

    Attributes
    ----------
    sd : float
        Relative sd of one reading.
    df : float
        Its degrees of freedom, infinite where it is assumed.
    step : float or None
        Smallest step of the gauge, in its unit.
    """

    sd: float
    df: float = math.inf
    step: float | None = None


def force_scale(
    unit: str,
    *,
    correction: float,
    correction_source: str,
    u_corr: float,
    reading_sd: float,
) -> Scale:
    """Return the scale of a gauge that shows a force.

    Parameters
    ----------
    unit : str
        lbf, N or kgf.
    correction : float
        Factor on the reading.
    correction_source : str
        Where it came from.
    u_corr, reading_sd : float
        Relative standard uncertainties of the correction and of one field reading.

    Returns
    -------
    Scale
        ``T = correction * reading``.
    """
    return Scale(
        unit=unit,
        factor_n=correction * NEWTONS_PER[unit],
        power=1,
        correction=correction,
        correction_source=correction_source,
        u_corr=u_corr,
        u_reading=reading_sd,
    )


def frequency_scale(
    *, span_mm: float, mass_g_per_m: float, rules: Measurement
) -> Scale:
    """Return the scale of a gauge that shows the pitch of a plucked span.

    Parameters
    ----------
    span_mm : float
        Free span, mm.
    mass_g_per_m : float
        Mass of the whole belt's width per length, g/m.
    rules : Measurement
        Relative uncertainties of frequency, span and mass.

    Returns
    -------
    Scale
        ``T = 4 m L**2 f**2``, without correction.
    """
    factor = tension_from_frequency_n(
        frequency_hz=1.0, span_mm=span_mm, mass_g_per_m=mass_g_per_m
    )
    u = relative_uncertainty(
        frequency=0.0, span=rules.vibration_span_u, mass=rules.vibration_mass_u
    )
    return Scale(
        unit="Hz",
        factor_n=float(factor),
        power=2,
        correction=1.0,
        correction_source="none",
        u_corr=float(u),
        u_reading=2 * rules.vibration_frequency_u,
    )


def aim(scale: Scale, *, min_n: float, max_n: float) -> Target:
    """Return what the gauge must show for a range, and how sure that makes the belt.

    Parameters
    ----------
    scale : Scale
        The gauge on the span.
    min_n, max_n : float
        The published range, N.

    Returns
    -------
    Target
        The range and its middle turned into what the gauge shows;
        ``P(in) = Phi((log max - y) / u) - Phi((log min - y) / u)`` [1]_, y the log of
        the middle.

    References
    ----------
    .. [1] JCGM 106:2012, 7.4.
    """
    middle_n = (min_n + max_n) / 2
    u = [scale.u(1), scale.u(3)]
    held = conformity(math.log(middle_n), u, math.log(min_n), math.log(max_n))
    return Target(
        min_n=min_n,
        middle_n=middle_n,
        max_n=max_n,
        low=scale.shown(min_n),
        target=scale.shown(middle_n),
        high=scale.shown(max_n),
        p_in=float(held.p_in[0]),
        p_in_of_three=float(held.p_in[1]),
    )


def behind(
    scale: Scale, readings: Sequence[float], repeatability: Repeatability
) -> Found:
    """Return the tension behind the mean of readings, and how they agree.

    Parameters
    ----------
    scale : Scale
        The gauge on the span.
    readings : sequence of float, length n_readings
        What the gauge showed, in its unit, of one belt in one state.
    repeatability : Repeatability
        How far its readings scatter.

    Returns
    -------
    Found
        The mean stands for the readings. Their variance over the expected one is held
        to F(n - 1, df), with infinite df to chi-square / (n - 1); where so large a one
        is rarer than `UNLIKELY`, their own spread counts if it is the larger.

    Raises
    ------
    InputError
        There is no reading, or one is not above zero.
    """
    shown = np.asarray(readings, dtype=float)
    if shown.size == 0 or not (np.isfinite(shown) & (shown > 0)).all():
        raise InputError(
            what=f"Readings must be numbers above zero, not {list(readings)}.",
            where="--reading",
            fix=f"give what the gauge showed, in {scale.unit}.",
        )
    mean, n = float(shown.mean()), shown.size
    spread = float(shown.std(ddof=1) / mean) if n > 1 else math.nan
    step_u = resolution_u(repeatability.step) / mean if repeatability.step else 0.0
    expected = max(repeatability.sd, step_u)
    p_spread = _p_spread(spread, expected, n, repeatability.df)
    scatter = scale.power * spread if p_spread < UNLIKELY else 0.0
    u_mean = max(scale.u_reading, scatter) / math.sqrt(n)
    return Found(
        readings=tuple(float(x) for x in shown),
        mean=mean,
        tension_n=scale.tension_n(mean),
        u_log=math.hypot(u_mean, scale.u_corr),
        spread=spread,
        expected=expected,
        p_spread=p_spread,
    )


def _p_spread(spread: float, expected: float, n: int, df: float) -> float:
    """Chance of so large a spread of n readings, were the expected one the true one."""
    if n < 2:
        return math.nan
    ratio = (spread / expected) ** 2
    if math.isinf(df):
        return float(chdtrc(n - 1, (n - 1) * ratio))
    return float(fdtrc(n - 1, df, ratio))


def judge(found: Found, target: Target | None, rules: Measurement) -> Judgement:
    """Return readings held to a range.

    Parameters
    ----------
    found : Found
        The readings.
    target : Target or None
        The range; None where none is published.
    rules : Measurement
        Chances from which a verdict is firm or doubtful.

    Returns
    -------
    Judgement
        By these readings alone.
    """
    nan = math.nan
    limits = (target.min_n, target.max_n) if target else (nan, nan)
    held = conformity(
        [math.log(found.tension_n)], found.u_log, *(np.log(limit) for limit in limits)
    )
    (word,) = verdict(
        held.p_under,
        held.p_over,
        is_firm_allowed=np.array([True]),
        firm=rules.firm_p,
        doubtful=rules.doubtful_p,
    )
    turn = target.target - found.mean if target else nan
    return Judgement(
        p_under=float(held.p_under[0]),
        p_in=float(held.p_in[0]),
        p_over=float(held.p_over[0]),
        verdict=str(word),
        turn=turn,
        turn_share=turn / found.mean,
    )
